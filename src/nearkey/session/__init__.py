"""The live editor: a pure core of messages, its shell `Session`, and the journal.

``step(state, message, decoder) -> (state, effects)`` is the core: `resolve` asks the decoder, `reduce` changes the
state. `messages` are what goes in and what comes out; `Session` carries the effects out.
"""

from nearkey.session import messages
from nearkey.session.journal import Journal
from nearkey.session.learners import Learner, PersonalStore
from nearkey.session.messages import Notice, Observation
from nearkey.session.reducer import START, State, reduce
from nearkey.session.resolving import replay, resolve, step
from nearkey.session.session import Session
from nearkey.session.session_log import SessionLog
from nearkey.session.session_reader import SessionReader
from nearkey.session.settings import SessionSettings, Spacing

__all__ = [
    "START",
    "Journal",
    "Learner",
    "Notice",
    "Observation",
    "PersonalStore",
    "Session",
    "SessionLog",
    "SessionReader",
    "SessionSettings",
    "Spacing",
    "State",
    "messages",
    "reduce",
    "replay",
    "resolve",
    "step",
]
