"""One pad that types: a session, the candidate that strokes step through, and the study log where there is one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from nearkey.decode import LiveDecoder
from nearkey.lab.lab_messages import LabAction
from nearkey.session import Session, SessionLog
from nearkey.session.session_log import StudyRecorder
from nearkey.study.study_records import AcceptRecord, CommitRecord, StudyRecord


class TypingPad:
    """decoder : of the layout. k : candidates listed. lower_case : for phrases without capitals, in which a capital at
    the start would count as an error nobody made. Nothing is kept before `record`.
    """

    def __init__(self, decoder: LiveDecoder, *, k: int, lower_case: bool = False) -> None:
        self._decoder = decoder
        self.session = Session(decoder, k=k, auto_capitals=not lower_case)
        self.chosen = 0
        self._steps = 0
        self._log: SessionLog | None = None

    def record(self, recorder: StudyRecorder) -> None:
        """Log what is typed from now on."""
        # Lists are logged when they are painted, or after the answer: a touch waits for one write to the disk, not two.
        self._log = SessionLog(recorder, candidates=False)
        self.session.observe(self._log)

    @property
    def candidates(self) -> tuple[str, ...]:
        """The words listed, best first."""
        return tuple(candidate.text for candidate in self.session.candidates)

    def key_at(self, x: float, y: float) -> str:
        """The id of the key most probably meant by a touch at x, y (layout units)."""
        return self._decoder.key_at((x, y)).id

    def tap(self, x: float, y: float, t: float, extra: dict[str, Any]) -> bool:
        """A touch at x, y (layout units) at `t` seconds; extra : for the log. Whether it changed anything."""
        self._abandon(t)
        self._stamp(extra)
        return self.session.tap(x, y, t)

    def press(self, action: LabAction, rank: int, t: float, extra: dict[str, Any]) -> bool:
        """An action of a stroke or a button; rank : for "choose". Whether it changed anything."""
        if action == "done":
            return True
        listed = len(self.session.candidates)
        if action in ("next", "previous"):
            if listed:
                self.chosen = (self.chosen + (1 if action == "next" else -1)) % listed
                self._steps += 1
            return bool(listed)
        if action == "accept" and self._steps:
            return self._accept_chosen(t, extra)
        self._abandon(t)
        self._stamp(extra)
        match action:
            case "accept" | "commit":
                return self.session.commit(time_s=t)
            case "choose":
                return rank < listed and self.session.accept(rank, time_s=t)
            case "delete":
                return self.session.delete(time_s=t)
            case "undo":
                return self.session.undo(time_s=t)
            case "redo":
                return self.session.redo(time_s=t)
            case "space":
                return self.session.space(time_s=t)
        return False

    def _accept_chosen(self, t: float, extra: dict[str, Any]) -> bool:
        """The candidate stepped to is taken and committed: the steps and this press are one choice."""
        self._stamp(extra, presses=self._steps + 1)
        place, self.chosen, self._steps = self.chosen, 0, 0
        changed = self.session.accept(place, time_s=t)
        self._stamp(extra, presses=0)
        return self.session.commit(time_s=t) or changed

    def _abandon(self, t: float) -> None:
        """Steps that led to no choice were pressed all the same."""
        steps, self.chosen, self._steps = self._steps, 0, 0
        if steps and self._log is not None:
            self._log.recorder.event("cursor", t, presses=steps)

    def _stamp(self, extra: dict[str, Any], *, presses: int = 1) -> None:
        if self._log is not None:
            self._log.told = {"presses": presses, **({"extra": extra} if extra else {})}

    def take_up(self, events: Sequence[StudyRecord]) -> bool:
        """Do again what the events of an unfinished trial did, before anything is recorded.

        Gives whether the text is now as they say.
        """
        last, text = None, ""
        for event in events:
            text = getattr(event, "text", text) or ""
            extra = event.extra or {}
            number = extra.get("press")
            if number is None or number == last:
                continue
            last = number
            if "x" in extra:
                self.session.tap(extra["x"], extra["y"], event.t)
            elif isinstance(event, AcceptRecord) and extra.get("action") == "accept":
                self.session.accept(event.rank, time_s=event.t)
                self.session.commit(time_s=event.t)
            elif isinstance(event, CommitRecord):
                self.session.commit(time_s=event.t)
            else:
                self.press(extra["action"], extra.get("rank", 0), event.t, {})
        return self.session.text == text
