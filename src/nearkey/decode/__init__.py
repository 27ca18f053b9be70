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
    State,
    TableLanguageModel,
    TouchModel,
    Vocabulary,
    require_pack,
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
    "PersonalWords",
    "Sentence",
    "State",
    "Stream",
    "TableLanguageModel",
    "TouchModel",
    "Vocabulary",
    "fit_edits",
    "require_pack",
]
