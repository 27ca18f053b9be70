"""From a live session to a study log: what a person, or a simulated one, does is recorded as it happens.

A study log holds what was typed, and how. Record only people who were told and agreed; see docs/study.md.
"""

from __future__ import annotations

from typing import Any, Protocol

from nearkey.session.messages import Notice

# Session verbs as the study schema's types, where they are not of the same name.
_KINDS = {
    **dict.fromkeys(("insert", "mark", "pick", "space"), "text"),
    **dict.fromkeys(("add_word", "caps_lock", "move", "reopen", "shift", "spell"), "cursor"),
    "clear": "delete",
}
# Of those without a text of their own, the ones that go to a place in the text to fix it; the others are mode keys.
_MOVES = ("move", "reopen")


class StudyRecorder(Protocol):
    """What is written to: `nearkey.study.StudyLogWriter` or `StudyLogRecorder`."""

    def event(self, kind: str, t: float | None = None, **fields: Any) -> None:
        """Log one event."""


class SessionLog:
    """An observer for `Session.observe` that logs every event; prompts and ends are the caller's.

    recorder : where events go. A press that changed nothing was pressed all the same, and is logged.
    candidates : also log the list where it changed. log_touches : also log where touches landed; without, only the key.

    `told`, {} at first, is added to the fields of each event but lists: what is known of a touch beside what it did.
    A private session is not logged. The text is the session's whole text: clear it before each prompt.
    """

    def __init__(
        self, recorder: StudyRecorder, *, candidates: bool = True, log_touches: bool = True
    ) -> None:
        self.recorder = recorder
        self.told: dict[str, Any] = {}
        self._with_candidates = candidates
        self._with_touches = log_touches
        self._listed: tuple[str, ...] = ()
        self._text = ""

    def __call__(self, notice: Notice) -> None:
        """Log one notice."""
        if notice.private:
            return
        kind = _KINDS.get(notice.kind, notice.kind)
        if kind == "accept" and notice.rank is None:
            kind = "cursor"  # the list has no such place: a press, but no choice
        if kind == "cursor" and notice.text != self._text:
            kind = "text"  # a move or a reopened word may bring a space or take one
        self._text = notice.text
        close = notice.committed
        # A word that was accepted counts there; one taken by moving on counts here.
        if close is not None and close.rank is not None and not close.explicit and kind == "text":
            kind = "commit"
        fields: dict[str, Any] = {}
        if kind == "cursor":
            if notice.kind in _MOVES:
                fields["position"] = notice.cursor
            else:
                fields["extra"] = {"key": notice.kind}
        else:
            fields["text"] = notice.text
        if kind == "tap":
            fields["key"] = notice.key or None
            if self._with_touches:
                fields |= {"x": notice.x, "y": notice.y}
        elif kind == "accept":
            fields |= {"rank": notice.rank, "word": notice.word or None}
        elif kind == "commit" and close is not None:
            fields |= {
                "rank": None if close.explicit else close.rank,
                "word": close.text + close.marks,
            }
        self.recorder.event(kind, notice.time_s, **fields | self.told)
        listed = tuple(candidate.text for candidate in notice.candidates)
        if self._with_candidates and listed != self._listed:
            self._listed = listed
            self.recorder.event("candidates", notice.time_s, words=listed)
