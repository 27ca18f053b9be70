"""Adaptation of touch and language to one person."""

from nearkey.errors import PersonalError
from nearkey.personal.person import LivePerson, Person, Receipt
from nearkey.personal.personal_language import PersonalLanguage, ReadOnlyWords
from nearkey.personal.personal_mixture import recent_words
from nearkey.personal.touch_learner import AdaptiveTouch, ConfirmedWord, TouchLearner
from nearkey.personal.word_counts import WordSettings

__all__ = [
    "AdaptiveTouch",
    "ConfirmedWord",
    "LivePerson",
    "Person",
    "PersonalError",
    "PersonalLanguage",
    "ReadOnlyWords",
    "Receipt",
    "TouchLearner",
    "WordSettings",
    "recent_words",
]
