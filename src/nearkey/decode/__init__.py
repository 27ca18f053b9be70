"""From touches and context to words.

The decoder sees touch and language only through the Protocols in `protocols`, so test doubles and
models written elsewhere plug in.
"""

from nearkey.decode.candidates import Candidate
from nearkey.decode.decoder import Decoder
from nearkey.decode.options import EditCosts
from nearkey.decode.protocols import (
    ComponentTouchModel,
    LanguageModel,
    LanguagePack,
    Lexicon,
    State,
    TableLanguageModel,
    TouchModel,
)

__all__ = [
    "Candidate",
    "ComponentTouchModel",
    "Decoder",
    "EditCosts",
    "LanguageModel",
    "LanguagePack",
    "Lexicon",
    "State",
    "TableLanguageModel",
    "TouchModel",
]
