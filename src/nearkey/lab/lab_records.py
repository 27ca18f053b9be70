"""What a lab records while an activity is under way: the study log, trial by trial, and the touch log, on one clock."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from typing import Any

from nearkey.closing import Closable
from nearkey.lab.lab_folder import LabFolder
from nearkey.lab.lab_messages import HelloRequest, PressRequest, TouchRequest
from nearkey.lab.lab_models import LabModels
from nearkey.lab.lab_plan import LabCondition, LabPlan, PadTable
from nearkey.lab.typing_pad import TypingPad
from nearkey.session.study_sitting import SittingTrial
from nearkey.study import StudyLogWriter, StudyTrial
from nearkey.touch import TouchLogWriter

INTERRUPTION = "interruption"
"""In the `extra` of a list of words: the list was shown again after something broke into the phrase."""


class LabRecords(Closable):
    """Logs of one participant.

    plan, folder, models : of the lab. now : the lab's clock. taken_before : told the `extra` of what a log that is
    gone on with holds already.

    `last_t` : time of the last thing logged, on the log's clock, which goes on where an earlier log stopped.
    `press` : number of the last press or touch.
    """

    def __init__(
        self,
        plan: LabPlan,
        folder: LabFolder,
        models: LabModels,
        now: Callable[[], float],
        taken_before: Callable[[Iterable[dict[str, Any]]], None],
    ) -> None:
        self._plan, self._folder, self._models, self._now = plan, folder, models, now
        self._taken_before = taken_before
        self._study: StudyLogWriter | None = None
        self._unfinished: StudyTrial | None = None
        self._interruptions = 0
        self.touches: TouchLogWriter | None = None
        self._zero = self.last_t = 0.0
        self.press = 0
        self.participant = ""

    def begin(self, participant: str) -> None:
        """Nothing is logged of the participant yet ("" for nobody), and the clock is the lab's."""
        self.close()
        self.participant = participant
        self._zero = self.last_t = 0.0
        self.press = 0

    def close(self) -> None:
        """Let go of the logs; an open trial stays open in its log."""
        for log in (self._study, self.touches):
            if log is not None:
                log.close()
        self._study = self.touches = None

    # ---- time ----

    def _from(self, earlier_s: float) -> None:
        """The log's clock goes on from its last time."""
        self._zero = earlier_s - self._now() + (1.0 if earlier_s else 0.0)
        self.last_t = self._now() + self._zero

    @property
    def lab_time_s(self) -> float:
        """The time of the last thing logged, on the lab's clock."""
        return self.last_t - self._zero

    def tick(self, lab_s: float | None = None) -> float:
        """A moment of the lab's clock, now unless given, on the log's, which does not go back."""
        t = self._now() if lab_s is None else lab_s
        self.last_t = max(round(t + self._zero, 6), self.last_t)
        return self.last_t

    # ---- what is told of a touch ----

    def told_of_touch(self, touch: TouchRequest, client: str) -> dict[str, Any]:
        """What the logs keep of the next touch beside its place."""
        names = ("t_ms", "up_ms", "width", "height", "pressure", "kind", "to", "path")
        told = {name: getattr(touch, name) for name in names}
        return self._numbered(touch, client) | {
            name: value for name, value in told.items() if value not in (None, "", ())
        }

    def told_of_press(self, press: PressRequest, client: str) -> dict[str, Any]:
        """What the logs keep of the next press of a button."""
        rank = {"rank": press.rank} if press.action == "choose" else {}
        return self._numbered(press, client) | {"action": press.action, **rank}

    def _numbered(self, request: TouchRequest | PressRequest, client: str) -> dict[str, Any]:
        self.press += 1
        return {"client": client, "n": request.n, "press": self.press}

    # ---- calibration ----

    def open_touches(self, condition: str) -> None:
        """The participant's touch log under a condition, begun or gone on with."""
        self.touches = self._folder.touch_log(self.participant, condition)
        self._taken_before(self.touches.rows)
        self._from(max((row["time_s"] or 0.0 for row in self.touches.rows), default=0.0))

    def keep(
        self, touch: TouchRequest, at: tuple[float, float], t: float,
        *, target: str, order: int, total: int, hello: HelloRequest, client: str, shown: PadTable,
    ) -> None:  # fmt: skip
        """A calibration touch at a place in mm, meant for the key `target`: number `order` of `total` in a round."""
        assert self.touches is not None
        told = {
            name: getattr(touch, name)
            for name in ("n", "width", "height", "pressure", "kind", "up_ms", "t_ms")
        }
        self.touches.add(
            {
                "participant": self.participant,
                "session": str(len(self.touches.rows) // total + 1),
                "trial": 0,
                "order": order,
                "time_s": t,
                "x": at[0],
                "y": at[1],
                "target": target,
                **_told_of(hello),
                "device": hello.device or hello.role,
                **_told_of_view(shown),
                "origin": self._plan.origin,
                "client": client,
                **told,
            }
        )

    # ---- the study ----

    def _of(self, condition: LabCondition, hello: HelloRequest | None) -> StudyLogWriter:
        """The participant's study log under a condition, open; hello : of the pad's device."""
        if self._study is not None and self._study.header.condition == condition.name:
            return self._study
        self.close()
        self._study = self._folder.study_writer(
            {
                "participant": self.participant,
                "condition": condition.name,
                "origin": self._plan.origin,
                "layout": condition.layout.name,
                "device": hello.device if hello else None,
                "started": datetime.now(UTC).isoformat(timespec="seconds"),
                "extra": {
                    "layout": condition.layout.to_dict(),
                    "touch_model": self._models.model(condition, self.participant)[1],
                    "lab": self._plan.name,
                    "strokes_min_mm": self._plan.strokes.min_mm,
                },
            }
        )
        self._unfinished = None
        earlier = self._study.earlier
        events = () if earlier is None else earlier.events
        self._from(events[-1].t if events else 0.0)
        if earlier is not None:
            self._unfinished = next(
                (t for t in earlier.trials()[-1:] if t.state == "unfinished"), None
            )
        self._taken_before([event.extra or {} for event in events])
        return self._study

    def open_trial(
        self, trial: SittingTrial, condition: LabCondition, hello: HelloRequest | None, shown: PadTable,
        new_pad: Callable[[], TypingPad],
    ) -> TypingPad:  # fmt: skip
        """The phrase begins, or goes on where its log stops in the middle of it; the pad it is typed on.

        hello : of the pad's device. shown : how the pad is shown. new_pad : makes an empty one.
        """
        writer, pad = self._of(condition, hello), new_pad()
        unfinished, self._interruptions = self._unfinished, 0
        if unfinished is not None:
            self.press = max(
                ((e.extra or {}).get("press", 0) for e in unfinished.events), default=0
            )
            place = (unfinished.prompt.extra or {}).get("position"), unfinished.prompt.trial
            self._interruptions = sum(INTERRUPTION in (e.extra or {}) for e in unfinished.events)
            if place == (trial.block.position, trial.trial) and pad.take_up(unfinished.events):
                self._unfinished = None
                pad.record(writer)
                self.interrupted("the lab was started again", pad.candidates)
                return pad
            self._abort_unfinished(writer)
            pad = new_pad()
        extra = {"position": trial.block.position, **_told_of_view(shown)}
        writer.prompt(
            trial.phrase,
            self.tick(),
            block=trial.block.block,
            trial=trial.trial,
            practice=trial.block.practice,
            extra=extra | ({} if hello is None else _told_of(hello)),
        )
        pad.record(writer)
        return pad

    def rest(self, seconds: float, condition: LabCondition, hello: HelloRequest | None) -> None:
        """A rest before the next block."""
        writer = self._of(condition, hello)
        self._abort_unfinished(writer)
        writer.event("rest", self.tick(), seconds=seconds)

    def _abort_unfinished(self, writer: StudyLogWriter) -> None:
        """A trial that a crash left open and that is not gone on with."""
        if self._unfinished is not None:
            self._interruptions += 1
            self._end(writer, aborted=True)
            self._unfinished = None

    def close_trial(self, *, aborted: bool) -> None:
        """The phrase is done, or `aborted`."""
        if self._study is not None:
            self._end(self._study, aborted=aborted)

    def _end(self, writer: StudyLogWriter, *, aborted: bool) -> None:
        found = {"extra": {"interruptions": self._interruptions}} if self._interruptions else {}
        writer.end(self.tick(), aborted=aborted, **found)
        self._interruptions = 0

    def interrupted(self, by: str, words: tuple[str, ...]) -> None:
        """Something broke into the open phrase: the log says what, at once, with the words on the list then."""
        self._interruptions += 1
        self.listed(words, {INTERRUPTION: by})

    def listed(self, words: tuple[str, ...], extra: dict[str, Any]) -> None:
        """The words offered, at the time of the last thing done: the clock may not go back."""
        if self._study is not None:
            self._study.event("candidates", self.last_t, words=words, extra=extra)


def _told_of_view(shown: PadTable) -> dict[str, Any]:
    """What logs keep of how the pad is shown."""
    return {name: getattr(shown, name) for name in ("keys", "rotation_deg", "scale")}


def _told_of(hello: HelloRequest) -> dict[str, Any]:
    """What logs keep of the pad's device."""
    names = ("device", "pixels_per_mm", "calibrated", "pixel_ratio")
    return {name: getattr(hello, name) for name in names}
