"""The lab's wire format, version 1: JSON objects with a `type`, the same over WebSocket and standard input.

A `LabRequest` goes to the lab, a `LabReply` comes from it. These are msgspec structs because msgspec reads and checks
a tagged line in one pass. Lengths are millimetres on the pad, y downwards from its upper left corner, but for touches
of a client that gave an `affine`: these are in the client's own units. Described for readers in docs/lab.md.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal, get_args

import msgspec

from nearkey.errors import NearkeyError
from nearkey.layout import Key
from nearkey.schema import decode
from nearkey.session.messages import snake_case
from nearkey.study import WorkloadScale

VERSION = 1
MAX_BYTES = 32_768
"""The longest message the lab takes."""

LabAction = Literal[
    "accept",
    "choose",
    "commit",
    "delete",
    "done",
    "next",
    "none",
    "previous",
    "redo",
    "space",
    "undo",
]
ACTIONS = get_args(LabAction)
"""What a stroke or a button may do: docs/lab.md tells each."""

KeyVisibility = Literal["drawn", "faint", "invisible"]
Affine = tuple[float, float, float, float, float, float]
"""a, b, c, d, e, f: x_mm = a x + b y + c, y_mm = d x + e y + f."""

Code = Annotated[str, msgspec.Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9_\-]{0,63}$")]
Short = Annotated[str, msgspec.Meta(max_length=200)]
Serial = Annotated[int, msgspec.Meta(ge=0, lt=2**53)]
PathPoint = tuple[float, float, float]


def _tag(name: str) -> str:
    return snake_case(name.removesuffix("Request").removesuffix("Reply"))


class _Request(
    msgspec.Struct,
    frozen=True,
    kw_only=True,
    tag_field="type",
    tag=_tag,
    forbid_unknown_fields=True,
    omit_defaults=True,
):
    pass


class HelloRequest(_Request, frozen=True, kw_only=True):
    """The first message of a client.

    role : "pad" touches; "display" shows; "both" does both; "experimenter" sees everything; "sensor" is a prototype.
    version : of this format. client : a name of the client's own that stays when it connects again, so that no touch
    counts twice. device : what it is, for the logs. t_ms : its clock now. pixels_per_mm, calibrated : of a page, and
    whether a person measured it. pixel_ratio : device pixels a CSS pixel. affine : of a sensor.
    """

    role: Literal["pad", "display", "both", "experimenter", "sensor"]
    version: int = VERSION
    client: Annotated[str, msgspec.Meta(max_length=64)] = ""
    device: Short = ""
    t_ms: float | None = None
    pixels_per_mm: Annotated[float, msgspec.Meta(gt=0, le=1000)] | None = None
    calibrated: bool = False
    pixel_ratio: Annotated[float, msgspec.Meta(gt=0, le=100)] | None = None
    affine: Affine | None = None


class AffineRequest(_Request, frozen=True, kw_only=True):
    """How the client's own units become millimetres on the pad, from now on."""

    affine: Affine


class TouchRequest(_Request, frozen=True, kw_only=True):
    """One contact with the pad, told when it ended.

    x, y : where it began. to : where it ended, if it moved. n : its number, counted up by the client; touches that
    come again with a number that was taken already are not counted again. t_ms, up_ms : begin and end on the
    client's clock. width, height : of
    the contact, mm. pressure : 0 to 1. kind : "touch", "pen", "mouse", ... path : t_ms, x, y of places between.
    pad : which of two pads side by side.
    """

    x: float
    y: float
    to: tuple[float, float] | None = None
    n: Serial = 0
    t_ms: float | None = None
    up_ms: float | None = None
    width: Annotated[float, msgspec.Meta(ge=0)] | None = None
    height: Annotated[float, msgspec.Meta(ge=0)] | None = None
    pressure: Annotated[float, msgspec.Meta(ge=0, le=1)] | None = None
    kind: Annotated[str, msgspec.Meta(max_length=16)] = ""
    path: Annotated[tuple[PathPoint, ...], msgspec.Meta(max_length=256)] = ()
    pad: Annotated[int, msgspec.Meta(ge=0, le=1)] = 0


class PressRequest(_Request, frozen=True, kw_only=True):
    """A button: an action as a stroke would cause it. rank : of the candidate for "choose", 0 the first."""

    action: LabAction
    rank: Annotated[int, msgspec.Meta(ge=0, le=100)] = 0
    n: Serial = 0
    t_ms: float | None = None
    pad: Annotated[int, msgspec.Meta(ge=0, le=1)] = 0


class PaintedRequest(_Request, frozen=True, kw_only=True):
    """What touch `n` led to is on the screen, `ms` after the touch ended; round_trip_ms : of that, to the lab
    and back.
    """

    n: Serial
    ms: Annotated[float, msgspec.Meta(ge=0)]
    round_trip_ms: Annotated[float, msgspec.Meta(ge=0)] | None = None


class StartRequest(_Request, frozen=True, kw_only=True):
    """Begin an activity.

    participant : a code, no name; for calibrate and study. conditions : names of one condition, for try of one or two.
    keys : how they are drawn in calibrate. log : name of the study log to replay.
    """

    activity: Literal["calibrate", "try", "study", "replay"]
    participant: Code | None = None
    conditions: Annotated[tuple[str, ...], msgspec.Meta(max_length=2)] = ()
    keys: KeyVisibility | None = None
    log: Short = ""


class NextRequest(_Request, frozen=True, kw_only=True):
    """Go on: agreed, read, rested, phrase done."""


class LeaveRequest(_Request, frozen=True, kw_only=True):
    """Leave the activity; an open phrase is logged as aborted."""


class WorkloadRequest(_Request, frozen=True, kw_only=True):
    """What the participant says of the work under a condition, where the study asks for it.

    ratings : 0 to 100 for each of the scales shown. chosen : the scale of each pair that mattered more, in the order
    of the pairs; none where the study asks for no weights.
    """

    ratings: Annotated[dict[Short, float], msgspec.Meta(max_length=6)]
    chosen: Annotated[tuple[Short, ...], msgspec.Meta(max_length=15)] = ()


class ShowRequest(_Request, frozen=True, kw_only=True):
    """How the pad is shown: its keys, turned clockwise by degrees, times as large, and moved by mm on the screen."""

    keys: KeyVisibility | None = None
    rotation_deg: Annotated[float, msgspec.Meta(ge=-180, le=180)] | None = None
    scale: Annotated[float, msgspec.Meta(ge=0.25, le=20)] | None = None
    right_mm: Annotated[float, msgspec.Meta(ge=-500, le=500)] | None = None
    down_mm: Annotated[float, msgspec.Meta(ge=-500, le=500)] | None = None


class SeekRequest(_Request, frozen=True, kw_only=True):
    """In replay: go to this event, counted from 0."""

    at: Annotated[int, msgspec.Meta(ge=0)]


class PingRequest(_Request, frozen=True, kw_only=True):
    """Is the lab there? t_ms : the client's clock."""

    t_ms: float


class InviteRequest(_Request, frozen=True, kw_only=True):
    """A fresh one-time address for one more device in the role named."""

    role: Literal["pad", "display", "both", "experimenter", "sensor"] = "pad"


LabRequest = (
    HelloRequest
    | AffineRequest
    | TouchRequest
    | PressRequest
    | PaintedRequest
    | StartRequest
    | NextRequest
    | LeaveRequest
    | WorkloadRequest
    | ShowRequest
    | SeekRequest
    | PingRequest
    | InviteRequest
)


class _Reply(
    msgspec.Struct,
    frozen=True,
    kw_only=True,
    tag_field="type",
    tag=_tag,
):
    pass


class WelcomeReply(_Reply, frozen=True, kw_only=True):
    """Answers hello: what can be done here, and the cautions.

    key : lets a client on another device connect again. last_n : the last touch taken from this client.
    """

    version: int
    name: str
    participants: tuple[str, ...]
    conditions: tuple[str, ...]
    logs: tuple[str, ...]
    cautions: tuple[str, ...]
    shared: bool
    has_study: bool
    last_n: int
    key: str | None = None


class DrawnEllipse(msgspec.Struct, frozen=True, kw_only=True):
    """An ellipse of the touch model, in mm, turned by radians towards y."""

    key: str
    x: float
    y: float
    rx: float
    ry: float
    angle: float


class DrawnPad(msgspec.Struct, frozen=True, kw_only=True):
    """A pad: its condition, layout, size, keys (all in mm), the model's ellipses (95 %), and what is typed on it."""

    condition: str
    layout: str
    width: float
    height: float
    keys: tuple[Key, ...]
    ellipses: tuple[DrawnEllipse, ...] = ()
    text: str = ""
    candidates: tuple[str, ...] = ()
    chosen: int = 0


class Button(msgspec.Struct, frozen=True, kw_only=True):
    """A control for this step: what it says and the message it sends."""

    label: str
    send: dict[str, Any]


class WorkloadForm(msgspec.Struct, frozen=True, kw_only=True):
    """Questions about the work: scales (name, title, question, what 0 and 100 say), and pairs of their names of
    which one is to be chosen, none where no weights are asked for.
    """

    scales: tuple[WorkloadScale, ...]
    pairs: tuple[tuple[str, str], ...] = ()


class SceneReply(_Reply, frozen=True, kw_only=True):
    """What every device shows now; sent whole whenever it changes.

    activity : "" where none is chosen. step : of the activity. title, lines : to read. pads : none to two.
    target : the key to
    touch. phrase : the text to type. done, total : progress. rest_s : seconds to rest. takes_touches : whether
    touches count now.
    workload : questions to ask now. The rest as in `ShowRequest`. replay : the event shown, in replay.
    """

    activity: str
    step: str
    title: str
    lines: tuple[str, ...] = ()
    participant: str = ""
    pads: tuple[DrawnPad, ...] = ()
    target: str = ""
    phrase: str = ""
    done: int = 0
    total: int = 0
    rest_s: float = 0.0
    takes_touches: bool = False
    workload: WorkloadForm | None = None
    buttons: tuple[Button, ...] = ()
    keys: KeyVisibility = "drawn"
    rotation_deg: float = 0.0
    scale: float = 1.0
    right_mm: float = 0.0
    down_mm: float = 0.0
    replay: dict[str, Any] | None = None


class TypedReply(_Reply, frozen=True, kw_only=True):
    """What a touch or a button led to. It is in the log by now.

    n, client : of the request. pad : which one. action : "tap" or what a stroke did. x, y : mm. key : the key taken.
    text, candidates : after it; chosen : the candidate the strokes are at. server_ms : the time it took in the lab.
    """

    n: int
    client: str
    pad: int
    action: str
    text: str
    candidates: tuple[str, ...]
    chosen: int
    changed: bool
    x: float | None = None
    y: float | None = None
    key: str = ""
    server_ms: float = 0.0


class AckReply(_Reply, frozen=True, kw_only=True):
    """A touch or button that typed nothing was taken: kept in the touch log, or out of turn (`kept` false)."""

    n: int
    client: str
    kept: bool
    x: float | None = None
    y: float | None = None
    target: str = ""


class PongReply(_Reply, frozen=True, kw_only=True):
    """Answers ping: the client's own clock, and the lab's in seconds."""

    t_ms: float
    lab_s: float


class ProblemReply(_Reply, frozen=True, kw_only=True):
    """What was wrong with a message, in one line; n : its number where it had one."""

    problem: str
    n: int | None = None


class ReplacedReply(_Reply, frozen=True, kw_only=True):
    """Another tab or device is the pad now; touches from here no longer count."""

    by: str


class ClientsReply(_Reply, frozen=True, kw_only=True):
    """For the experimenter: the devices connected, and the delays from touch to paint, in ms."""

    clients: tuple[dict[str, Any], ...]
    delays_ms: tuple[float, ...]


class InvitationReply(_Reply, frozen=True, kw_only=True):
    """A one-time address, and its QR code as an image (a data URI)."""

    url: str
    qr: str
    role: str


LabReply = (
    WelcomeReply
    | SceneReply
    | TypedReply
    | AckReply
    | PongReply
    | ProblemReply
    | ReplacedReply
    | ClientsReply
    | InvitationReply
)

_DECODER: msgspec.json.Decoder[LabRequest] = msgspec.json.Decoder(LabRequest)


def read_request(line: str | bytes) -> LabRequest:
    """One message from a client, checked.

    Raises NearkeyError, one line, for a message too long, not JSON, of another shape, or with a number that is none.
    """
    data = line.encode("utf-8", "surrogatepass") if isinstance(line, str) else line
    if len(data) > MAX_BYTES:
        raise NearkeyError(
            f"{len(data)} bytes", where="message", fix=f"send at most {MAX_BYTES} bytes"
        )
    request = decode(data, _DECODER, error=NearkeyError, where="message", fix="see docs/lab.md")
    if isinstance(request, TouchRequest):
        for name in ("x", "y", "t_ms", "up_ms", "width", "height"):
            value = getattr(request, name)
            # Far off any pad: a sensor's fault, and a number no log should hold.
            if value is not None and not abs(value) < 1e15:
                raise NearkeyError(
                    f"is {value}", where="message", field=name, fix="give a number below 1e15"
                )
    affine = getattr(request, "affine", None)
    if affine is not None and abs(affine[0] * affine[4] - affine[1] * affine[3]) < 1e-12:
        raise NearkeyError(
            "puts every touch on one line",
            where="message",
            field="affine",
            fix="give a, b, c, d, e, f with a e - b d other than 0",
        )
    return request


def to_json(reply: LabReply | LabRequest) -> str:
    """One message as JSON in one line."""
    return msgspec.json.encode(reply).decode()


def apply_affine(affine: Affine | None, x: float, y: float) -> tuple[float, float]:
    """A place in millimetres; as it is where there is no affine. Raises NearkeyError where it is not finite."""
    if affine is not None:
        a, b, c, d, e, f = affine
        x, y = a * x + b * y + c, d * x + e * y + f
    if not (math.isfinite(x) and math.isfinite(y)):
        raise NearkeyError("is not finite", where="touch", field="x, y", fix="check the affine")
    return x, y
