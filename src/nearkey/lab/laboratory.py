"""`Laboratory`: takes messages from devices, moves the activity on, types, keeps the logs, and tells every device."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import partial
from typing import Any

import msgspec

from nearkey.decode import LanguagePack
from nearkey.errors import NearkeyError, PlanError, StudyLogError
from nearkey.lab import lab_messages as wire
from nearkey.lab.activity import (
    Activity,
    CloseTrial,
    Deed,
    FitTouches,
    OpenPads,
    OpenTrial,
    TakeRest,
    button,
)
from nearkey.lab.apparatus import Apparatus
from nearkey.lab.calibrate_activity import CalibrateActivity
from nearkey.lab.lab_folder import LabFolder
from nearkey.lab.lab_models import LabModels, drawn_pad
from nearkey.lab.lab_plan import CAUTIONS, LabCondition, LabPlan, PadTable
from nearkey.lab.lab_records import LabRecords
from nearkey.lab.replay_activity import ReplayActivity
from nearkey.lab.starting import activity_for
from nearkey.lab.study_activity import StudyActivity
from nearkey.lab.typing_pad import TypingPad
from nearkey.study import workload_answer

Send = Callable[[str], None]
Invite = Callable[[str], wire.InvitationReply]
"""Makes a one-time address for a device of a role."""

_DELAYS_KEPT = 1000


class Laboratory:
    """One session of a lab: what every device shares.

    plan : the set-up. pack : the language. invite : how further devices get in; None where they cannot.
    clock : gives seconds that never go back.

    Synchronous, one thread: a message is dealt with, logged and answered before the next is looked at. It records what
    people type: follow the cautions in docs/lab.md. Raises NearkeyError where the folder cannot be made or the plan
    beside the logs is another.
    """

    def __init__(
        self,
        plan: LabPlan,
        pack: LanguagePack,
        *,
        invite: Invite | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.plan = plan
        self.folder = LabFolder(plan.folder)
        self._invite, self._clock = invite, clock
        self._zero = clock()
        self._models = LabModels(pack, self.folder)
        self._records = LabRecords(plan, self.folder, self._models, self._now, self._taken_before)
        self._sends: dict[int, Send] = {}
        self._serial = 0
        self.apparatus = Apparatus()
        self.activity: Activity | None = None
        self._start: wire.StartRequest | None = None
        self._show = plan.pad
        self._conditions: tuple[LabCondition, ...] = ()
        self._pads: list[TypingPad] = []
        self._shown: dict[tuple[str, int], tuple[str, ...]] = {}
        self._delays: deque[float] = deque(maxlen=_DELAYS_KEPT)
        self.folder.make()
        self._study_plan = plan.study_plan and self.folder.keep_plan(plan.study_plan)
        blocks = () if self._study_plan is None else self._study_plan.blocks
        self._participants = tuple(dict.fromkeys(block.participant for block in blocks))
        phrases = [phrase for block in blocks for phrase in block.phrases]
        self._lower_case = all(phrase == phrase.lower() for phrase in phrases)
        earlier = self.folder.state()
        if earlier is not None:
            try:
                self._begin(earlier, again=True)
            except NearkeyError:
                self.folder.keep_state(None)

    # ---- devices ----

    def connect(self, send: Send) -> int:
        """A device is there; `send` takes each reply as a line of JSON. Gives the connection's number."""
        self._serial += 1
        self._sends[self._serial] = send
        return self._serial

    def disconnect(self, serial: int) -> None:
        """A device is gone. Its activity goes on when it comes back."""
        self._sends.pop(serial, None)
        client = self.apparatus.clients.get(serial)
        if client is not None:
            if serial == self.apparatus.pad:
                self._interrupted("the connection to the pad was lost")
            elif client.hello.role == "display":
                self._interrupted("the connection to the display was lost")
            self.apparatus = self.apparatus.left(serial)
            self._tell_experimenters()

    def receive(self, serial: int, line: str | bytes) -> bool:
        """Deal with one message of a device; False where it was no message of the format.

        What is wrong with it the device is told; nothing is raised.
        """
        request = None
        try:
            request = wire.read_request(line)
            if isinstance(request, wire.HelloRequest):
                self._hello(serial, request)
            elif serial not in self.apparatus.clients:
                raise NearkeyError(
                    "comes before hello", where="message", field="type", fix="say hello first"
                )
            else:
                self._take(serial, request)
        except NearkeyError as fault:
            self._reply(
                serial, wire.ProblemReply(problem=str(fault), n=getattr(request, "n", None))
            )
        return request is not None

    def prefetch(self) -> None:
        """Prepare, while no message waits, for what a touch may lead to next."""
        if self.activity is not None and self.activity.types:
            for pad in self._pads:
                pad.session.prefetch()

    def close(self) -> None:
        """Close the logs; an unfinished activity goes on when the lab is started again."""
        self._records.close()

    def _interrupted(self, by: str) -> None:
        """What broke into a phrase that is being typed goes into its log."""
        if isinstance(self.activity, StudyActivity) and self.activity.types:
            self._records.interrupted(by, self._pads[0].candidates)

    def _reply(self, serial: int, reply: wire.LabReply) -> None:
        send = self._sends.get(serial)
        if send is not None:
            send(wire.to_json(reply))

    def _tell(self, reply: wire.LabReply) -> None:
        text = wire.to_json(reply)
        for serial in self.apparatus.clients:
            if serial in self._sends:
                self._sends[serial](text)

    def _tell_experimenters(self) -> None:
        watching = [s for s, c in self.apparatus.clients.items() if c.hello.role == "experimenter"]
        if watching:
            reply = wire.ClientsReply(
                clients=self.apparatus.described(), delays_ms=tuple(self._delays)
            )
            for serial in watching:
                self._reply(serial, reply)

    def _now(self) -> float:
        return round(self._clock() - self._zero, 6)

    def _hello(self, serial: int, hello: wire.HelloRequest) -> None:
        before = self.apparatus.pad
        self.apparatus = self.apparatus.joined(
            serial, hello, self._now(), default=self.plan.sensor_affine
        )
        if before not in (None, serial) and self.apparatus.pad == serial:
            assert before is not None
            self._interrupted("another device became the pad")
            self._reply(before, wire.ReplacedReply(by=hello.device or hello.role))
        self._reply(
            serial,
            wire.WelcomeReply(
                version=wire.VERSION,
                name=self.plan.name,
                participants=self._participants,
                conditions=tuple(condition.name for condition in self.plan.conditions),
                logs=self.folder.study_log_names(),
                cautions=CAUTIONS,
                shared=self._invite is not None,
                has_study=self._study_plan is not None,
                last_n=self.apparatus.last_n.get(self.apparatus.clients[serial].name, 0),
            ),
        )
        self._reply(serial, self.scene())
        self._tell_experimenters()

    # ---- messages ----

    def _take(self, serial: int, request: wire.LabRequest) -> None:
        match request:
            case wire.TouchRequest():
                self._touch(serial, request)
            case wire.PressRequest():
                self._pressed(serial, request)
            case wire.PaintedRequest():
                self._painted(serial, request)
            case wire.PingRequest():
                now = self._now()
                self.apparatus = self.apparatus.heard(serial, request.t_ms, now)
                self._reply(serial, wire.PongReply(t_ms=request.t_ms, lab_s=now))
            case wire.AffineRequest():
                self.apparatus = self.apparatus.with_affine(serial, request)
            case wire.StartRequest():
                self._begin(request)
                self._tell(self.scene())
            case wire.NextRequest():
                self._go_on()
            case wire.WorkloadRequest():
                self._rated(request)
            case wire.LeaveRequest():
                self._leave()
                self._tell(self.scene())
            case wire.ShowRequest():
                given = {
                    n: v
                    for n in PadTable.__struct_fields__
                    if (v := getattr(request, n)) is not None
                }
                self._show = msgspec.structs.replace(self._show, **given)
                self._tell(self.scene())
            case wire.SeekRequest():
                if isinstance(self.activity, ReplayActivity):
                    self.activity = self.activity.seek(request.at)
                    self._tell(self.scene())
            case wire.InviteRequest():
                if self._invite is None:
                    raise NearkeyError(
                        "this lab is for this machine alone",
                        where="invite",
                        fix="start it with --share to let other devices in",
                    )
                self._reply(serial, self._invite(request.role))

    def _touch(self, serial: int, touch: wire.TouchRequest) -> None:
        began = self._clock()
        client = self.apparatus.clients[serial]
        if self.apparatus.pad != serial:
            raise NearkeyError(
                "another device is the pad now",
                where="touch",
                fix="say hello again to make this one the pad",
            )
        (x, y), end = self.apparatus.place(serial, touch)
        takes = self.activity is not None and self.activity.scene.takes_touches
        if self._answered(serial, touch.n, takes, x=x, y=y) or self.activity is None:
            return
        t, jumped = self._moment(serial, touch.t_ms)
        extra = self._records.told_of_touch(touch, client.name)
        if jumped:
            extra["clock"] = "jumped"
        if not self.activity.types:
            self._keep(serial, touch, (x, y), t)
            return
        pad, mm = self._pad(touch.pad), self._conditions[touch.pad].layout.unit_mm
        action = self.plan.strokes.action((x, y), end)
        key = ""
        if action is None:
            place = {"x": x / mm, "y": y / mm}
            changed = pad.tap(**place, t=t, extra=extra | place)
            key = pad.key_at(**place)
        else:
            changed = pad.press(action, 0, t, {**extra, "action": action})
        self._typed(serial, touch, action or "tap", changed, began, x=x, y=y, key=key)

    def _pressed(self, serial: int, press: wire.PressRequest) -> None:
        began = self._clock()
        client = self.apparatus.clients[serial]
        if self._answered(serial, press.n, self.activity is not None and self.activity.types):
            return
        t, _ = self._moment(serial, press.t_ms)
        extra = self._records.told_of_press(press, client.name)
        changed = self._pad(press.pad).press(press.action, press.rank, t, extra)
        self._typed(serial, press, press.action, changed, began)

    def _answered(
        self, serial: int, n: int, takes: bool, *, x: float | None = None, y: float | None = None
    ) -> bool:
        """Whether touch or press `n` was taken before, or comes where nothing is taken; its device is told so."""
        name, new = self.apparatus.clients[serial].name, self.apparatus.is_new(serial, n)
        if new and takes:
            return False
        if new:
            self.apparatus = self.apparatus.taken(name, n)
            self._tell(wire.AckReply(n=n, client=name, kept=False, x=x, y=y))
        else:
            self._reply(serial, wire.AckReply(n=n, client=name, kept=True))
        return True

    def _pad(self, place: int) -> TypingPad:
        if place >= len(self._pads):
            raise NearkeyError(f"no pad {place}", where="touch", field="pad", fix="use 0")
        return self._pads[place]

    def _moment(self, serial: int, t_ms: float | None) -> tuple[float, bool]:
        """By the log's clock."""
        t, jumped = self.apparatus.moment(
            serial, t_ms, self._now(), not_before_s=self._records.lab_time_s
        )
        return self._records.tick(t), jumped

    def _typed(
        self, serial: int, request: wire.TouchRequest | wire.PressRequest, action: str, changed: bool, began: float,
        *, x: float | None = None, y: float | None = None, key: str = "",
    ) -> None:  # fmt: skip
        """What a touch or button led to: told, and where it ends the phrase, the study goes on."""
        pad, n = self._pads[request.pad], request.n
        name = self.apparatus.clients[serial].name
        self.apparatus = self.apparatus.taken(name, n)
        candidates = pad.candidates
        self._shown[name, n] = candidates
        while len(self._shown) > 64:
            del self._shown[next(iter(self._shown))]
        self._tell(
            wire.TypedReply(
                n=n,
                client=name,
                pad=request.pad,
                action=action,
                text=pad.session.text,
                candidates=candidates,
                chosen=pad.chosen,
                changed=changed,
                x=x,
                y=y,
                key=key,
                server_ms=round((self._clock() - began) * 1000, 3),
            )
        )
        # A sensor has no page that says what it painted.
        if self.apparatus.clients[serial].hello.role == "sensor":
            self._log_list(name, n, candidates)
        if action == "done":
            self._go_on()

    def _log_list(self, client: str, n: int, words: tuple[str, ...], **told: float) -> None:
        """The words offered after touch `n`, at the time of that touch, for a log's clock may not go back."""
        if self.activity is not None and self.activity.types:
            self._records.listed(words, {"client": client, "n": n, **told})

    def _painted(self, serial: int, painted: wire.PaintedRequest) -> None:
        """The list came on the screen: the log says so."""
        self._delays.append(painted.ms)
        name = self.apparatus.clients[serial].name
        words = self._shown.pop((name, painted.n), None)
        if words is not None:
            told = {"paint_ms": painted.ms}
            if painted.round_trip_ms is not None:
                told["round_trip_ms"] = painted.round_trip_ms
            self._log_list(name, painted.n, words, **told)
        self._tell_experimenters()

    def _keep(
        self,
        serial: int,
        touch: wire.TouchRequest,
        at: tuple[float, float],
        t: float,
    ) -> None:
        """A calibration touch: kept, then answered, then the next target."""
        calibration = self.activity
        assert isinstance(calibration, CalibrateActivity)
        target, client = calibration.targets[calibration.at], self.apparatus.clients[serial]
        self._records.keep(
            touch, at, t, target=target, order=calibration.at, total=len(calibration.targets),
            hello=client.hello, client=client.name, shown=self._view,
        )  # fmt: skip
        self.apparatus = self.apparatus.taken(client.name, touch.n)
        self._tell(
            wire.AckReply(n=touch.n, client=client.name, kept=True, x=at[0], y=at[1], target=target)
        )
        self.activity, deeds = calibration.touched()
        self._carry_out(deeds)
        self._tell(self.scene())

    # ---- activities ----

    def _begin(self, start: wire.StartRequest, *, again: bool = False) -> None:
        """Begin an activity, or with `again` go on with it after a crash."""
        if self._start is not None:
            raise PlanError(
                f"{self._start.activity} is under way", where="start", fix="leave it first"
            )
        self.activity = activity_for(start, self.plan, self.folder, self._study_plan, again=again)
        self._start = start
        try:
            self._records.begin(start.participant or "")
            if isinstance(self.activity, CalibrateActivity):
                self._records.open_touches(self.activity.condition)
            self.activity, deeds = self.activity.begin()
            self._carry_out(deeds)
        except BaseException:
            self.activity, self._start = None, None
            self._records.close()
            raise
        if start.activity in ("calibrate", "study"):
            self.folder.keep_state(start)

    def _taken_before(self, extras: Iterable[dict[str, Any]]) -> None:
        """What the log holds was taken: a device that sends it again is told so."""
        for extra in extras:
            if "client" in extra and isinstance(extra.get("n"), int):
                self.apparatus = self.apparatus.taken(extra["client"], extra["n"])

    def _go_on(self) -> None:
        if self.activity is None:
            return
        self.activity, deeds = self.activity.go_on()
        self._carry_out(deeds)
        self._tell(self.scene())

    def _leave(self) -> None:
        if self.activity is None:
            return
        deeds = self.activity.leave()
        self._carry_out(deeds)
        self.activity, self._start = None, None
        self._pads, self._conditions = [], ()
        self._records.close()
        self.folder.keep_state(None)

    def _carry_out(self, deeds: tuple[Deed, ...]) -> None:
        for deed in deeds:
            match deed:
                case OpenPads():
                    self._conditions = tuple(self.plan.condition(name) for name in deed.conditions)
                    self._pads = [self._new_pad(condition) for condition in self._conditions]
                case OpenTrial():
                    (condition,) = self._conditions
                    pad = self._records.open_trial(
                        deed.trial,
                        condition,
                        self._pad_device,
                        self._view,
                        partial(self._new_pad, condition),
                    )
                    self._pads = [pad]
                case CloseTrial():
                    self._records.close_trial(aborted=deed.aborted)
                case TakeRest():
                    (condition,) = self._conditions
                    self._records.rest(deed.seconds, condition, self._pad_device)
                case FitTouches():
                    self._fit(self.plan.condition(deed.condition))

    def _fit(self, condition: LabCondition) -> None:
        """A model of the participant's touches so far; what is said about it goes on the screen."""
        assert isinstance(self.activity, CalibrateActivity)
        assert self._records.touches is not None
        lines = self._models.fit(condition, self._records.participant, self._records.touches.path)
        self.activity = replace(self.activity, result=lines)
        self._conditions, self._pads = (condition,), [self._new_pad(condition)]

    def _rated(self, request: wire.WorkloadRequest) -> None:
        """What the participant says of the work under a condition is kept, and the study goes on."""
        study = self.activity
        if not isinstance(study, StudyActivity) or study.state != "workload" or study.due is None:
            raise StudyLogError("is not asked for now", where="workload", fix="answer when it is")
        about = {"participant": self._records.participant, "condition": study.due}
        self.folder.keep_workload(
            workload_answer(
                about | request.ratings,
                chosen=request.chosen if study.workload == "weighted" else None,
                where="workload",
            )
        )
        self._go_on()

    def _new_pad(self, condition: LabCondition) -> TypingPad:
        decoder = self._models.decoder(condition, self._records.participant)
        studied = isinstance(self.activity, StudyActivity)
        return TypingPad(decoder, k=self.plan.k, lower_case=studied and self._lower_case)

    @property
    def _pad_device(self) -> wire.HelloRequest | None:
        client = self.apparatus.clients.get(self.apparatus.pad or 0)
        return None if client is None else client.hello

    # ---- what is shown ----

    @property
    def _view(self) -> PadTable:
        """How the pad is shown now; a calibration may ask for keys of its own."""
        if isinstance(self.activity, CalibrateActivity) and self._start is not None:
            keys = self._start.keys or self.plan.calibration.keys
            return msgspec.structs.replace(self._show, keys=keys)
        return self._show

    def scene(self) -> wire.SceneReply:
        """What every device shows now: the activity's step, the pads, and how they are shown."""
        view = msgspec.structs.asdict(self._view)
        if self.activity is None:
            lines = ("Choose what to do.",)
            return wire.SceneReply(
                activity="", step="choose", title=self.plan.name, lines=lines, **view
            )
        step = self.activity.scene
        return msgspec.structs.replace(
            step,
            participant=self._records.participant,
            pads=self._drawn(),
            buttons=step.buttons or (button("Stop", "leave"),),
            **view,
        )

    def _drawn(self) -> tuple[wire.DrawnPad, ...]:
        if isinstance(self.activity, ReplayActivity):
            layout, name = self.activity.layout, self.activity.log.header.condition
            return () if layout is None else (drawn_pad(name, layout),)
        return tuple(
            self._models.drawn(condition, self._records.participant, pad)
            for condition, pad in zip(self._conditions, self._pads, strict=True)
        )
