"""From touches and context to words.

The decoder sees touch and language only through the Protocols in `protocols`, so test doubles and
models written elsewhere plug in.
"""

from nearkey.decode.candidates import Candidate, Sentence
from nearkey.decode.decoder import Decoder
from nearkey.decode.edit_fit import EditFit, fit_edits
from nearkey.decode.live import Stream
from nearkey.decode.options import EditCosts
from nearkey.decode.protocols import (
    CaseTable,
    ComponentTouchModel,
    FlaggedVocabulary,
    LanguageModel,
    LanguagePack,
    LiveDecoder,
    MixedLanguageModel,
    PersonalWords,
    PunctuationTable,
    SpellingModel,
    State,
    StudentComponents,
    TableLanguageModel,
    TextLanguageModel,
    TouchComponents,
    TouchModel,
    Vocabulary,
    require_pack,
)
from nearkey.decode.touches import Touches

__all__ = [
    "Candidate",
    "CaseTable",
    "ComponentTouchModel",
    "Decoder",
    "EditCosts",
    "EditFit",
    "FlaggedVocabulary",
    "LanguageModel",
    "LanguagePack",
    "LiveDecoder",
    "MixedLanguageModel",
    "PersonalWords",
    "PunctuationTable",
    "Sentence",
    "SpellingModel",
    "State",
    "Stream",
    "StudentComponents",
    "TableLanguageModel",
    "TextLanguageModel",
    "TouchComponents",
    "TouchModel",
    "Touches",
    "Vocabulary",
    "fit_edits",
    "require_pack",
]
