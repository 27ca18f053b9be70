"""Replay: a study log played back, event by event."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Self

from nearkey.lab.activity import Activity, Deed, button
from nearkey.lab.lab_messages import SceneReply
from nearkey.layout import Layout
from nearkey.study import StudyLog
from nearkey.study.study_records import (
    AcceptRecord,
    CandidatesRecord,
    EndRecord,
    PromptRecord,
    TapRecord,
)


@dataclass(frozen=True, slots=True)
class ReplayActivity(Activity):
    """name : of the log. log : it. layout : what it was typed on, where that is known. at : the event shown, from 0."""

    name: str
    log: StudyLog
    layout: Layout | None = None
    at: int = 0

    @property
    def scene(self) -> SceneReply:
        """The event, and how things stood after it."""
        header = self.log.header
        lines = (f"{header.participant}, {header.condition}, {header.origin} data",)
        return SceneReply(
            activity="replay",
            step="event",
            title=self.name,
            lines=lines,
            phrase=self.phrase,
            done=self.at + 1,
            total=len(self.log.events),
            buttons=(button("Finish", "leave"),),
            replay=self.shown,
        )

    @property
    def phrase(self) -> str:
        """The phrase shown at this moment."""
        for event in reversed(self.log.events[: self.at + 1]):
            if isinstance(event, PromptRecord):
                return event.text
        return ""

    @property
    def shown(self) -> dict[str, Any]:
        """The event, and how things stood after it.

        touches : those of the phrase up to here, (x, y) in mm. text, candidates : after the event. next_s : seconds to
        the next event, None after the last; chosen : the place in the list that was taken.
        """
        events = self.log.events
        now = events[self.at]
        mm = 1.0 if self.layout is None else self.layout.unit_mm
        text = ""
        candidates: tuple[str, ...] = ()
        touches: list[tuple[float, float]] = []
        for event in events[: self.at + 1]:
            if isinstance(event, PromptRecord):
                text, candidates, touches = "", (), []
            elif isinstance(event, CandidatesRecord):
                candidates = event.words
            elif not isinstance(event, EndRecord):
                text = getattr(event, "text", text)
            if isinstance(event, TapRecord) and event.x is not None and event.y is not None:
                touches.append((event.x * mm, event.y * mm))
        last = self.at + 1 == len(events)
        return {
            "event": now.__struct_config__.tag,
            "t": now.t,
            "text": text,
            "candidates": candidates,
            "chosen": now.rank if isinstance(now, AcceptRecord) else None,
            "key": getattr(now, "key", None),
            "touches": touches,
            "next_s": None if last else max(0.0, events[self.at + 1].t - now.t),
        }

    def go_on(self) -> tuple[Self, tuple[Deed, ...]]:
        """The next event; the last one stays."""
        return self.seek(self.at + 1), ()

    def seek(self, at: int) -> Self:
        """Go to an event; past the end, to the last."""
        return replace(self, at=min(at, len(self.log.events) - 1))
