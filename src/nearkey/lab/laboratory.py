"""`Laboratory`: takes messages from devices, moves the activity on, types, keeps the logs, and tells every device."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import numpy as np

from nearkey.decode import Decoder, EditCosts, LanguagePack
from nearkey.errors import NearkeyError, PlanError, StudyLogError
from nearkey.lab.activity import (
    Activity,
    ActivityStep,
    CloseTrial,
    Deed,
    FitTouches,
    KeepTouch,
    OpenPads,
    OpenTrial,
    TakeRest,
    button,
)
from nearkey.lab.apparatus import Apparatus
from nearkey.lab.calibrate_activity import CalibrateActivity, balanced_targets
from nearkey.lab.lab_folder import LabFolder
from nearkey.lab.lab_messages import (
    VERSION,
    AckReply,
    AffineRequest,
    ClientsReply,
    DrawnEllipse,
    DrawnKey,
    DrawnPad,
    HelloRequest,
    InvitationReply,
    InviteRequest,
    LabReply,
    LabRequest,
    LeaveRequest,
    NextRequest,
    PaintedRequest,
    PingRequest,
    PongReply,
    PressRequest,
    ProblemReply,
    ReplacedReply,
    SceneReply,
    SeekRequest,
    ShowRequest,
    StartRequest,
    TouchRequest,
    TypedReply,
    WelcomeReply,
    read_request,
    to_json,
)
from nearkey.lab.lab_plan import CAUTIONS, LabCondition, LabPlan, PadTable
from nearkey.lab.replay_activity import ReplayActivity
from nearkey.lab.strokes import stroke_action
from nearkey.lab.study_activity import StudyActivity, first_open
from nearkey.lab.try_activity import TryActivity
from nearkey.lab.typing_pad import TypingPad
from nearkey.lab.uncased import UncasedPack
from nearkey.layout import Layout
from nearkey.study import StudyLogWriter, StudyTrial
from nearkey.touch import GaussianTouch, TouchLog, TouchLogWriter, clean, ellipses, load_touch

Send = Callable[[str], None]
Invite = Callable[[str], InvitationReply]
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
        self._pack, self._invite, self._clock = pack, invite, clock
        self._zero = clock()
        self._sends: dict[int, Send] = {}
        self._serial = 0
        self._press = 0
        self.apparatus = Apparatus()
        self.activity: Activity | None = None
        self._start: StartRequest | None = None
        self._show = plan.pad
        self._conditions: tuple[LabCondition, ...] = ()
        self._pads: list[TypingPad] = []
        self._decoders: dict[tuple[str, str, bool], Decoder] = {}
        self._study: StudyLogWriter | None = None
        self._touches: TouchLogWriter | None = None
        self._log_zero = 0.0
        self._last_t = 0.0
        self._interruptions = 0
        self._unfinished: StudyTrial | None = None
        self._shown: dict[tuple[str, int], tuple[str, ...]] = {}
        self._delays: deque[float] = deque(maxlen=_DELAYS_KEPT)
        self.folder.make()
        self._study_plan = plan.study_plan and self.folder.keep_plan(plan.study_plan)
        blocks = () if self._study_plan is None else self._study_plan.blocks
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
        if serial in self.apparatus.clients:
            self.apparatus = self.apparatus.left(serial)
            if isinstance(self.activity, StudyActivity) and self.activity.types:
                self._interruptions += 1
            self._tell_experimenters()

    def receive(self, serial: int, line: str | bytes) -> bool:
        """Deal with one message of a device; False where it was no message of the format.

        What is wrong with it the device is told; nothing is raised.
        """
        try:
            request = read_request(line)
        except NearkeyError as fault:
            self._reply(serial, ProblemReply(problem=str(fault)))
            return False
        try:
            if isinstance(request, HelloRequest):
                self._hello(serial, request)
            elif serial not in self.apparatus.clients:
                raise NearkeyError(
                    "comes before hello", where="message", field="type", fix="say hello first"
                )
            else:
                self._take(serial, request)
        except NearkeyError as fault:
            self._reply(serial, ProblemReply(problem=str(fault), n=getattr(request, "n", None)))
        return True

    def close(self) -> None:
        """Close the logs; an unfinished activity goes on when the lab is started again."""
        self._close_logs()

    def _reply(self, serial: int, reply: LabReply) -> None:
        send = self._sends.get(serial)
        if send is not None:
            send(to_json(reply))

    def _tell(self, reply: LabReply) -> None:
        text = to_json(reply)
        for serial in self.apparatus.clients:
            if serial in self._sends:
                self._sends[serial](text)

    def _tell_experimenters(self) -> None:
        watching = [s for s, c in self.apparatus.clients.items() if c.hello.role == "experimenter"]
        if watching:
            reply = ClientsReply(clients=self.apparatus.described(), delays_ms=tuple(self._delays))
            for serial in watching:
                self._reply(serial, reply)

    def _now(self) -> float:
        return round(self._clock() - self._zero, 6)

    def _hello(self, serial: int, hello: HelloRequest) -> None:
        before = self.apparatus.pad
        self.apparatus = self.apparatus.joined(
            serial, hello, self._now(), default=self.plan.sensor_affine
        )
        if before not in (None, serial) and self.apparatus.pad == serial:
            assert before is not None
            self._reply(before, ReplacedReply(by=hello.device or hello.role))
        self._reply(
            serial,
            WelcomeReply(
                version=VERSION,
                name=self.plan.name,
                participants=self._participants(),
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

    def _participants(self) -> tuple[str, ...]:
        plan = self._study_plan
        return () if plan is None else tuple(dict.fromkeys(b.participant for b in plan.blocks))

    # ---- messages ----

    def _take(self, serial: int, request: LabRequest) -> None:
        match request:
            case TouchRequest():
                self._touch(serial, request)
            case PressRequest():
                self._pressed(serial, request)
            case PaintedRequest():
                self._painted(serial, request)
            case PingRequest():
                now = self._now()
                self.apparatus = self.apparatus.heard(serial, request.t_ms, now)
                self._reply(serial, PongReply(t_ms=request.t_ms, lab_s=now))
            case AffineRequest():
                self.apparatus = self.apparatus.with_affine(serial, request)
            case StartRequest():
                self._begin(request)
                self._tell(self.scene())
            case NextRequest():
                self._go_on()
            case LeaveRequest():
                self._leave()
                self._tell(self.scene())
            case ShowRequest():
                given = {
                    n: v
                    for n in PadTable.__struct_fields__
                    if (v := getattr(request, n)) is not None
                }
                self._show = PadTable(
                    **{n: getattr(self._show, n) for n in PadTable.__struct_fields__} | given
                )
                self._tell(self.scene())
            case SeekRequest():
                if isinstance(self.activity, ReplayActivity):
                    self.activity = self.activity.seek(request.at)
                    self._tell(self.scene())
            case InviteRequest():
                if self._invite is None:
                    raise NearkeyError(
                        "this lab is for this machine alone",
                        where="invite",
                        fix="start it with --share to let other devices in",
                    )
                self._reply(serial, self._invite(request.role))

    def _touch(self, serial: int, touch: TouchRequest) -> None:
        began = self._clock()
        client = self.apparatus.clients[serial]
        if self.apparatus.pad != serial:
            raise NearkeyError(
                "another device is the pad now",
                where="touch",
                fix="say hello again to make this one the pad",
            )
        (x, y), end = self.apparatus.place(serial, touch)
        if not self.apparatus.is_new(serial, touch.n):
            self._reply(serial, AckReply(n=touch.n, client=client.name, kept=True))
            return
        if self.activity is None or not self.activity.step.takes_touches:
            self.apparatus = self.apparatus.taken(client.name, touch.n)
            self._tell(AckReply(n=touch.n, client=client.name, kept=False, x=x, y=y))
            return
        t, jumped = self._moment(serial, touch.t_ms)
        extra = {**self._of_touch(touch, client.name), **({"clock": "jumped"} if jumped else {})}
        if not self.activity.types:
            self._keep(serial, touch, (x, y), t, extra)
            return
        pad = self._pad(touch.pad)
        layout = self._conditions[touch.pad].layout
        action = stroke_action(self.plan.strokes, (x, y), end)
        key = ""
        if action is None:
            extra |= {"x": x / layout.unit_mm, "y": y / layout.unit_mm}
            changed = pad.tap(x / layout.unit_mm, y / layout.unit_mm, t, extra)
            key = pad.key_at(x / layout.unit_mm, y / layout.unit_mm)
        elif action == "done":
            changed = True
        else:
            changed = pad.press(action, 0, t, {**extra, "action": action})
        self._typed(serial, touch.n, touch.pad, action or "tap", changed, began, x=x, y=y, key=key)
        if action == "done":
            self._go_on()

    def _pressed(self, serial: int, press: PressRequest) -> None:
        began = self._clock()
        client = self.apparatus.clients[serial]
        if not self.apparatus.is_new(serial, press.n):
            self._reply(serial, AckReply(n=press.n, client=client.name, kept=True))
            return
        if self.activity is None or not self.activity.types:
            self.apparatus = self.apparatus.taken(client.name, press.n)
            self._tell(AckReply(n=press.n, client=client.name, kept=False))
            return
        t, _ = self._moment(serial, press.t_ms)
        extra = {"client": client.name, "n": press.n, "press": self._number()}
        extra |= {"action": press.action} | (
            {"rank": press.rank} if press.action == "choose" else {}
        )
        changed = press.action == "done" or self._pad(press.pad).press(
            press.action, press.rank, t, extra
        )
        self._typed(serial, press.n, press.pad, press.action, changed, began)
        if press.action == "done":
            self._go_on()

    def _number(self) -> int:
        self._press += 1
        return self._press

    def _pad(self, place: int) -> TypingPad:
        if place >= len(self._pads):
            raise NearkeyError(f"no pad {place}", where="touch", field="pad", fix="use 0")
        return self._pads[place]

    def _moment(self, serial: int, t_ms: float | None) -> tuple[float, bool]:
        """By the log's clock."""
        t, jumped = self.apparatus.moment(
            serial, t_ms, self._now(), not_before_s=self._last_t - self._log_zero
        )
        self._last_t = max(round(t + self._log_zero, 6), self._last_t)
        return self._last_t, jumped

    def _of_touch(self, touch: TouchRequest, client: str) -> dict[str, Any]:
        """What the logs keep of a touch beside its place."""
        told: dict[str, Any] = {"client": client, "n": touch.n, "press": self._number()}
        for name in ("t_ms", "up_ms", "width", "height", "pressure"):
            value = getattr(touch, name)
            if value is not None:
                told[name] = value
        if touch.kind:
            told["kind"] = touch.kind
        if touch.to is not None:
            told["to"] = touch.to
        if touch.path:
            told["path"] = touch.path
        return told

    def _typed(
        self, serial: int, n: int, place: int, action: str, changed: bool, began: float,
        *, x: float | None = None, y: float | None = None, key: str = "",
    ) -> None:  # fmt: skip
        pad = self._pads[place]
        name = self.apparatus.clients[serial].name
        self.apparatus = self.apparatus.taken(name, n)
        candidates = pad.candidates
        self._shown[name, n] = candidates
        while len(self._shown) > 64:
            del self._shown[next(iter(self._shown))]
        self._tell(
            TypedReply(
                n=n,
                client=name,
                pad=place,
                action=action,
                text=pad.text,
                candidates=candidates,
                chosen=pad.chosen,
                changed=changed,
                x=x,
                y=y,
                key=key,
                server_ms=round((self._clock() - began) * 1000, 3),
            )
        )
        if (
            self.apparatus.clients[serial].hello.role == "sensor"
        ):  # it has no page that says what it painted
            self._log_list(name, n, candidates)

    def _log_list(self, client: str, n: int, words: tuple[str, ...], **told: float) -> None:
        """The words offered after touch `n`, at the time of that touch, for a log's clock may not go back."""
        if self._study is not None and self.activity is not None and self.activity.types:
            extra = {"client": client, "n": n, **told}
            self._study.event("candidates", self._last_t, words=words, extra=extra)

    def _painted(self, serial: int, painted: PaintedRequest) -> None:
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
        touch: TouchRequest,
        at: tuple[float, float],
        t: float,
        extra: dict[str, Any],
    ) -> None:
        """A calibration touch: kept, then answered, then the next target."""
        assert self.activity is not None
        target = self.activity.step.target
        moved, deeds = self.activity.touched()
        for deed in deeds:
            if isinstance(deed, KeepTouch):
                self._log_touch(serial, deed, touch, at, t, extra)
        name = self.apparatus.clients[serial].name
        self.apparatus = self.apparatus.taken(name, touch.n)
        self._tell(AckReply(n=touch.n, client=name, kept=True, x=at[0], y=at[1], target=target))
        self.activity = moved
        self._carry_out(tuple(deed for deed in deeds if not isinstance(deed, KeepTouch)))
        self._tell(self.scene())

    def _log_touch(
        self, serial: int, deed: KeepTouch, touch: TouchRequest, at: tuple[float, float], t: float,
        extra: dict[str, Any],
    ) -> None:  # fmt: skip
        assert self._touches is not None
        assert self._start is not None
        hello = self.apparatus.clients[serial].hello
        done = len(self._touches.rows)
        total = self.activity.step.total if self.activity else 1
        self._touches.add(
            {
                "person": self._start.participant,
                "session": str(done // total + 1),
                "trial": deed.trial,
                "order": deed.order,
                "time_s": t,
                "x": at[0],
                "y": at[1],
                "target": deed.target,
                "device": hello.device or hello.role,
                "pixels_per_mm": hello.pixels_per_mm,
                "calibrated": hello.calibrated,
                "pixel_ratio": hello.pixel_ratio,
                "keys": self._start.keys or self.plan.calibration.keys,
                "rotation_deg": self._show.rotation_deg,
                "scale": self._show.scale,
                "origin": self.plan.origin,
                "client": extra["client"],
                "n": extra["n"],
                "width": touch.width,
                "height": touch.height,
                "pressure": touch.pressure,
                "kind": touch.kind,
                "up_ms": touch.up_ms,
                "t_ms": touch.t_ms,
            }
        )

    # ---- activities ----

    def _begin(self, start: StartRequest, *, again: bool = False) -> None:
        """Begin an activity, or with `again` go on with it after a crash."""
        if self.activity is not None:
            raise PlanError(
                f"{self.activity.kind} is under way", where="start", fix="leave it first"
            )
        self.activity, self._start = self._made(start, again), start
        self._press = 0
        try:
            self._open_logs(start)
            self.activity, deeds = self.activity.begin()
            self._carry_out(deeds)
        except BaseException:
            self.activity, self._start = None, None
            self._close_logs()
            raise
        if start.activity in ("calibrate", "study"):
            self.folder.keep_state(start)

    def _made(self, start: StartRequest, again: bool) -> Activity:
        match start.activity:
            case "calibrate":
                (condition,) = self._named(start, 1)
                participant = self._participant(start)
                targets = [key.id for key in condition.layout.letter_keys]
                order = balanced_targets(
                    targets, self.plan.calibration.each, self.plan.calibration.seed
                )
                labels = {key.id: key.label for key in condition.layout.keys}
                with self.folder.touch_log(participant, condition.name) as log:
                    at = len(log.rows) % len(order)
                state = "target" if again and at else "ready"
                return CalibrateActivity(condition.name, order, labels, at, state)
            case "try":
                return TryActivity(tuple(condition.name for condition in self._named(start, 2)))
            case "study":
                if self._study_plan is None or self.plan.study is None:
                    raise PlanError(
                        "this lab has no study", field="study", fix="give the plan a [study] table"
                    )
                participant = self._participant(start)
                blocks = self._study_plan.of(participant)
                done, unfinished = self.folder.done_trials(participant)
                interrupted = unfinished is not None and unfinished == first_open(blocks, done)
                return StudyActivity(blocks, done, self.plan.study.consent, open=interrupted)
        played = self.folder.read_study_log(start.log)
        if not played.events:
            raise StudyLogError("holds no events", where=start.log, fix="choose another log")
        layout = self._layout_of_log(played)
        return ReplayActivity(start.log, played, 1.0 if layout is None else layout.unit_mm)

    def _layout_of_log(self, log: Any) -> Layout | None:
        spec = (log.header.extra or {}).get("layout")
        if isinstance(spec, dict):
            return Layout.from_dict(spec, where="log's header")
        for condition in self.plan.conditions:
            if log.header.layout == condition.layout.name:
                return condition.layout
        return None

    def _participant(self, start: StartRequest) -> str:
        if start.participant is None:
            raise PlanError(
                "is missing", where="start", field="participant", fix="give a code, not a name"
            )
        return start.participant

    def _named(self, start: StartRequest, most: int) -> tuple[LabCondition, ...]:
        names = start.conditions or tuple(c.name for c in self.plan.conditions[:1])
        return tuple(self.plan.condition(name) for name in names[:most])

    def _open_logs(self, start: StartRequest) -> None:
        self._close_logs()
        self._log_zero = self._last_t = 0.0
        if start.activity == "calibrate":
            assert start.participant is not None
            assert isinstance(self.activity, CalibrateActivity)
            self._touches = self.folder.touch_log(start.participant, self.activity.condition)
            self._taken_before(self._touches.rows)
            earlier = max((row["time_s"] or 0.0 for row in self._touches.rows), default=0.0)
            self._from(earlier)

    def _from(self, earlier_s: float) -> None:
        """The log's clock goes on from its last time."""
        self._log_zero = earlier_s - self._now() + (1.0 if earlier_s else 0.0)
        self._last_t = self._now() + self._log_zero

    def _taken_before(self, extras: list[dict[str, Any]]) -> None:
        """What the log holds was taken: a device that sends it again is told so."""
        for extra in extras:
            if "client" in extra and isinstance(extra.get("n"), int):
                self.apparatus = self.apparatus.taken(extra["client"], extra["n"])

    def _close_logs(self) -> None:
        for log in (self._study, self._touches):
            if log is not None:
                log.close()
        self._study = self._touches = None

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
        self._close_logs()
        self.folder.keep_state(None)

    def _carry_out(self, deeds: tuple[Deed, ...]) -> None:
        for deed in deeds:
            match deed:
                case OpenPads():
                    self._conditions = tuple(self.plan.condition(name) for name in deed.conditions)
                    self._pads = [self._new_pad(condition) for condition in self._conditions]
                case OpenTrial():
                    self._open_trial(deed)
                case CloseTrial():
                    self._close_trial(deed.aborted)
                case TakeRest():
                    self._abort_unfinished(self._study_log(deed.block.condition))
                    self._study_log(deed.block.condition).event(
                        "rest", self._tick(), seconds=deed.block.rest_s
                    )
                case FitTouches():
                    self._fit(deed.condition)

    def _new_pad(
        self, condition: LabCondition, recorder: StudyLogWriter | None = None
    ) -> TypingPad:
        return TypingPad(self._decoder(condition), k=self.plan.k, recorder=recorder)

    def _model(self, condition: LabCondition) -> tuple[Any, str]:
        """The touch model assumed: the participant's own where one is fitted; and where it comes from."""
        participant = self._start.participant if self._start else None
        if participant is not None:
            path = self.folder.model_path(participant, condition.name)
            if path.exists():
                return load_touch(path).for_layout(condition.layout), "own"
        return condition.touch, condition.source

    def _decoder(self, condition: LabCondition) -> Decoder:
        model, source = self._model(condition)
        who = (self._start.participant or "") if self._start and source == "own" else ""
        cased = not (isinstance(self.activity, StudyActivity) and self._lower_case)
        found = self._decoders.get((who, condition.name, cased))
        if found is None:
            found = Decoder(
                condition.layout,
                model,
                self._pack if cased else UncasedPack(self._pack),
                edits=EditCosts.typical(condition.layout),
            )
            self._decoders[who, condition.name, cased] = found
        return found

    # ---- the study's log ----

    def _tick(self) -> float:
        self._last_t = round(max(self._now() + self._log_zero, self._last_t), 6)
        return self._last_t

    def _study_log(self, condition: str) -> StudyLogWriter:
        """The participant's log under a condition, open."""
        if self._study is not None and self._study.header.condition == condition:
            return self._study
        self._close_logs()
        assert self._start is not None
        assert self._start.participant is not None
        found = self.plan.condition(condition)
        _, source = self._model(found)
        pads = [c.hello for c in self.apparatus.clients.values() if c.serial == self.apparatus.pad]
        self._study = self.folder.study_writer(
            {
                "participant": self._start.participant,
                "condition": condition,
                "origin": self.plan.origin,
                "layout": found.layout.name,
                "device": pads[0].device if pads else None,
                "started": datetime.now(UTC).isoformat(timespec="seconds"),
                "extra": {
                    "layout": found.layout.to_dict(),
                    "touch_model": source,
                    "lab": self.plan.name,
                    "strokes_min_mm": self.plan.strokes.min_mm,
                },
            }
        )
        earlier = self._study.earlier
        self._unfinished = None
        if earlier is None or not earlier.events:
            self._from(0.0)
            return self._study
        self._from(earlier.events[-1].t)
        last = earlier.trials()[-1:]
        if last and last[0].state == "unfinished":
            (self._unfinished,) = last
        self._taken_before([event.extra or {} for event in earlier.events])
        return self._study

    def _abort_unfinished(self, writer: StudyLogWriter) -> None:
        """A trial that a crash left open and that is not gone on with."""
        if self._unfinished is not None:
            writer.end(self._tick(), aborted=True)
            self._unfinished = None

    def _open_trial(self, deed: OpenTrial) -> None:
        condition = self.plan.condition(deed.block.condition)
        writer = self._study_log(deed.block.condition)
        pad = self._new_pad(condition)
        unfinished, self._interruptions = self._unfinished, 0
        if unfinished is not None:
            numbers = [(event.extra or {}).get("press", 0) for event in unfinished.events]
            self._press = max(numbers, default=0)
            same = (unfinished.prompt.extra or {}).get("position") == deed.block.position
            if same and unfinished.prompt.trial == deed.trial and pad.take_up(unfinished.events):
                self._unfinished, self._interruptions = None, 1
                pad.record(writer)
                self._pads = [pad]
                return
            self._abort_unfinished(writer)
            pad = self._new_pad(condition)
        pads = [c.hello for c in self.apparatus.clients.values() if c.serial == self.apparatus.pad]
        device: dict[str, Any] = {}
        if pads:
            device = {
                "device": pads[0].device,
                "pixels_per_mm": pads[0].pixels_per_mm,
                "calibrated": pads[0].calibrated,
                "pixel_ratio": pads[0].pixel_ratio,
            }
        writer.prompt(
            deed.phrase,
            self._tick(),
            block=deed.block.block,
            trial=deed.trial,
            practice=deed.block.practice,
            extra={
                "position": deed.block.position,
                "keys": self._show.keys,
                "rotation_deg": self._show.rotation_deg,
                "scale": self._show.scale,
                **device,
            },
        )
        pad.record(writer)
        self._pads = [pad]

    def _close_trial(self, aborted: bool) -> None:
        if self._study is None:
            return
        fields: dict[str, Any] = {"aborted": aborted}
        if self._interruptions:
            fields["extra"] = {"interruptions": self._interruptions}
        self._study.end(self._tick(), **fields)

    # ---- calibration's model ----

    def _fit(self, condition: str) -> None:
        """A model of the participant's touches so far, cleaned; what is said about it goes on the screen."""
        assert self._touches is not None
        assert self._start is not None
        assert isinstance(self.activity, CalibrateActivity)
        assert self._start.participant is not None
        layout = self.plan.condition(condition).layout
        try:
            log, report = clean(TouchLog.read(self._touches.path), layout)
            model = GaussianTouch().fit(log, layout)
        except NearkeyError as fault:
            result: tuple[str, ...] = (f"No model: {fault}", "The touches are kept.")
        else:
            path = self.folder.model_path(self._start.participant, condition)
            model.save(path)
            path.chmod(0o600)
            who = self._start.participant
            for stale in [k for k in self._decoders if k[:2] == (who, condition)]:
                del self._decoders[stale]
            off = np.asarray(model.pooled_offset_) * layout.unit_mm
            areas = [np.pi * e.semi_major * e.semi_minor for e in ellipses(model)]
            result = (
                f"{len(log)} touches kept, {report.n_dropped} left out.",
                f"On the average they land {abs(off[0]):.1f} mm {'right' if off[0] >= 0 else 'left'} of and "
                f"{abs(off[1]):.1f} mm {'below' if off[1] >= 0 else 'above'} the middle of a key.",
                f"95 % of them lie in {float(np.mean(areas)) * layout.unit_mm**2:.0f} square mm about it.",
                "Typing and studies under this code use the fitted model from now on.",
            )
        self.activity = self.activity.with_result(result)
        self._conditions = (self.plan.condition(condition),)
        self._pads = [self._new_pad(self._conditions[0])]

    # ---- what is shown ----

    def scene(self) -> SceneReply:
        """What every device shows now."""
        show = {name: getattr(self._show, name) for name in PadTable.__struct_fields__}
        if self.activity is None or self._start is None:
            return SceneReply(
                activity="",
                step="choose",
                title=self.plan.name,
                lines=("Choose what to do.",),
                **show,
            )
        if isinstance(self.activity, CalibrateActivity):
            show["keys"] = self._start.keys or self.plan.calibration.keys
        step: ActivityStep = self.activity.step
        replay = self.activity.shown if isinstance(self.activity, ReplayActivity) else None
        return SceneReply(
            activity=self.activity.kind,
            step=step.name,
            title=step.title,
            lines=step.lines,
            participant=self._start.participant or "",
            pads=self._drawn(),
            target=step.target,
            phrase=step.phrase,
            done=step.done,
            total=step.total,
            rest_s=step.rest_s,
            takes_touches=step.takes_touches,
            buttons=step.buttons or (button("Stop", "leave"),),
            replay=replay,
            **show,
        )

    def _drawn(self) -> tuple[DrawnPad, ...]:
        if isinstance(self.activity, ReplayActivity):
            layout = self._layout_of_log(self.activity.log)
            return (
                ()
                if layout is None
                else (_drawn(self.activity.log.header.condition, layout, None),)
            )
        return tuple(
            _drawn(condition.name, condition.layout, self._model(condition)[0], pad)
            for condition, pad in zip(self._conditions, self._pads, strict=True)
        )


def _drawn(condition: str, layout: Layout, model: Any, pad: TypingPad | None = None) -> DrawnPad:
    """A pad in millimetres."""
    mm = layout.unit_mm
    keys = tuple(
        DrawnKey(
            id=key.id,
            label=key.label,
            x=key.x * mm,
            y=key.y * mm,
            w=key.w * mm,
            h=key.h * mm,
            role=key.role,
        )
        for key in layout.keys
    )
    shapes = ellipses(model) if hasattr(model, "covariances_") else ()
    return DrawnPad(
        condition=condition,
        layout=layout.name,
        width=layout.width * mm,
        height=layout.height * mm,
        keys=keys,
        ellipses=tuple(
            DrawnEllipse(
                key=e.key_id,
                x=e.x * mm,
                y=e.y * mm,
                rx=e.semi_major * mm,
                ry=e.semi_minor * mm,
                angle=e.angle_rad,
            )
            for e in shapes
        ),
        text="" if pad is None else pad.text,
        candidates=() if pad is None else pad.candidates,
        chosen=0 if pad is None else pad.chosen,
    )
