"""Adaptation of touch and language to one person."""

from nearkey.personal.contexts import recent_words
from nearkey.personal.errors import PersonalError
from nearkey.personal.person import LivePerson, Person, Receipt
from nearkey.personal.reader import OwnWords, Reader
from nearkey.personal.settings import WordSettings
from nearkey.personal.touches import AdaptiveTouch, ConfirmedWord, TouchLearner
from nearkey.personal.words import PersonalLanguage

__all__ = [
    "AdaptiveTouch",
    "ConfirmedWord",
    "LivePerson",
    "OwnWords",
    "Person",
    "PersonalError",
    "PersonalLanguage",
    "Reader",
    "Receipt",
    "TouchLearner",
    "WordSettings",
    "recent_words",
]
