"""The live editor: a pure state machine over events, its shell `Session`, and the journal.

``step(state, event, decoder) -> (state, effects)`` is the machine; `events` are what goes in,
`effects` what comes out. `Session` carries the effects out.
"""

from nearkey.session import actions, effects, events
from nearkey.session.history import START, State
from nearkey.session.journal import Journal, Torn
from nearkey.session.machine import replay, step
from nearkey.session.notices import Notice
from nearkey.session.pieces import Lesson
from nearkey.session.protocols import Learner, LiveDecoder, PersonalStore
from nearkey.session.reader import Reader
from nearkey.session.session import Session
from nearkey.session.settings import Settings
from nearkey.session.spacing import Spacing

__all__ = [
    "START",
    "Journal",
    "Learner",
    "Lesson",
    "LiveDecoder",
    "Notice",
    "PersonalStore",
    "Reader",
    "Session",
    "Settings",
    "Spacing",
    "State",
    "Torn",
    "actions",
    "effects",
    "events",
    "replay",
    "step",
]
