"""Adaptation of touch and language to one person."""

from nearkey.personal.contexts import recent_words
from nearkey.personal.errors import PersonalError
from nearkey.personal.reader import OwnWords, Reader
from nearkey.personal.settings import WordSettings
from nearkey.personal.words import PersonalLanguage

__all__ = [
    "OwnWords",
    "PersonalError",
    "PersonalLanguage",
    "Reader",
    "WordSettings",
    "recent_words",
]
