"""From touches and context to words.

The decoder sees touch and language only through the Protocols in `protocols`, so test doubles and
models written elsewhere plug in.
"""

from nearkey.decode.candidates import Candidate, Sentence
from nearkey.decode.decoder import Decoder
from nearkey.decode.edit_fit import EditFit, fit_edits
from nearkey.decode.options import EditCosts
from nearkey.decode.overlay import PersonalWords
from nearkey.decode.protocols import (
    ComponentTouchModel,
    LanguageModel,
    LanguagePack,
    Lexicon,
    State,
    TableLanguageModel,
    TouchModel,
    check_pack,
)
from nearkey.decode.stream import Stream

__all__ = [
    "Candidate",
    "ComponentTouchModel",
    "Decoder",
    "EditCosts",
    "EditFit",
    "LanguageModel",
    "LanguagePack",
    "Lexicon",
    "PersonalWords",
    "Sentence",
    "State",
    "Stream",
    "TableLanguageModel",
    "TouchModel",
    "check_pack",
    "fit_edits",
]
