"""What a ranking plan may say: the fields of the file, and the checks of their values."""

from __future__ import annotations

import math
import os
from typing import Annotated, Any, Literal, TypeVar, get_args, get_origin, get_type_hints

import msgspec
from msgspec import Meta

from nearkey.errors import PlanError, placed
from nearkey.schema import convert, read_toml
from nearkey.simulate.outcomes import check_ranked

T = TypeVar("T")


class PlanSurface(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """`[surface]`: the one physical surface all candidates are laid on."""

    width_mm: float
    height_mm: float


class PlanCorpus(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """`[corpus]`: running text to type; `context` decodes each word after the words before it; `seen` says whether the
    pack was trained on it, which results repeat."""

    file: str
    context: bool = False
    seen: bool | None = None


class PlanGrid(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """A grid over a base arrangement, or a layout as it is."""

    layout: str | None = None
    base: str | None = None
    rows: int | None = None
    columns: int | None = None
    rule: str = "strict"
    limit: int | None = None
    seed: int | None = None


class PlanLog(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """`[[touch.logs]]`: touches recorded on a layout, or on any grid of a shape over a base."""

    file: str
    layout: str | None = None
    grid: PlanGrid | None = None
    clean: bool = True


class PlanTouch(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """`[touch]`: a spread around the key centres, or recorded logs, or both (the spread then serves the rest)."""

    spread_mm: float | None = None
    logs: tuple[PlanLog, ...] = ()


class PlanDecoder(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """`[decoder]`: the touch model that is fitted, one family for all candidates; see `DecoderModel`.

    Without `model` it is the Gaussian of each key where every candidate's keys have a log, else a family that carries
    over.
    """

    model: str | None = None
    options: dict[str, Any] = msgspec.field(default_factory=dict)
    fit: Literal["alone", "adapted"] = "alone"
    touches: int = 60
    touches_a_key: int | None = None


class PlanPeople(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """`[people]`: who types besides the hand that the decoder knows; those of the logs, invented ones without logs.

    conditions : false ranks by the matched condition alone. invented : true invents people though there are logs.
    typing : "touches" or "model", for people of logs. count, offset_sd_mm, spread_sd, seed : of invented people, see
    `invent_hands`. words : that all together type on each layout. traits, traits_sd : tables of `HandTraits`, the
    middle hand's and how far people differ; those not named are `PLAUSIBLE_TRAITS` and `PLAUSIBLE_SD`.
    """

    conditions: bool = True
    invented: bool = False
    typing: Literal["touches", "model"] = "touches"
    words: int | None = None
    count: Annotated[int, Meta(ge=2)] = 8
    offset_sd_mm: float = 0.5
    spread_sd: float = 0.12
    seed: Annotated[int, Meta(ge=0)] = 0
    traits: dict[str, Any] = msgspec.field(default_factory=dict)
    traits_sd: dict[str, float] = msgspec.field(default_factory=dict)


class PlanBaseline(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """`[baseline]`: the layout all others are compared with."""

    layout: str


class PlanReport(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """`[report]`: where the report goes."""

    folder: str = "report"
    title: str = ""


class PlanFile(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """The whole file."""

    name: str
    surface: PlanSurface
    candidates: Annotated[list[PlanGrid], Meta(min_length=1)]
    touch: PlanTouch = msgspec.field(default_factory=PlanTouch)
    baseline: PlanBaseline | None = None
    corpus: PlanCorpus | None = None
    pack: str = "en"
    seed: Annotated[int, Meta(ge=0)] = 0
    words: Annotated[int, Meta(ge=2)] = 5000
    by: str = "top3"
    lm_weight: float = 1.0
    early_stop: bool = False
    workers: Annotated[int, Meta(ge=1)] = 1
    selection: dict[str, Any] = msgspec.field(default_factory=dict)
    speed: dict[str, Any] = msgspec.field(default_factory=dict)
    decoder: PlanDecoder = msgspec.field(default_factory=PlanDecoder)
    people: PlanPeople = msgspec.field(default_factory=PlanPeople)
    report: PlanReport = msgspec.field(default_factory=PlanReport)


def read_plan_file(path: str | os.PathLike[str]) -> PlanFile:
    """Read and check a plan file; PlanError names file, field and fix."""
    spec = convert(read_toml(path, PlanError), PlanFile, error=PlanError, where=path)
    with placed(path):
        check_surface(spec.surface)
        if spec.touch.spread_mm is not None:
            check_length(spec.touch.spread_mm, "touch.spread_mm")
        if not 0 <= spec.lm_weight < math.inf:
            raise PlanError(f"is {spec.lm_weight:g}", field="lm_weight", fix="give 0 or more")
        check_ranked(spec.by)
    return spec


def check_length(length_mm: float, field: str) -> None:
    """PlanError for what is no length."""
    if not 0 < length_mm < math.inf:
        raise PlanError(f"is {length_mm:g}", field=field, fix="give millimetres above 0")


def check_surface(surface: PlanSurface) -> None:
    """PlanError for a surface that is none."""
    check_length(surface.width_mm, "surface.width_mm")
    check_length(surface.height_mm, "surface.height_mm")


def options(data: dict[str, Any], kind: type[T], field: str) -> T:
    """A frozen options dataclass from a table of the plan; PlanError for fields that it does not have."""
    known = get_type_hints(kind)
    with placed(field=field):
        for name, value in data.items():
            if name not in known:
                raise PlanError("unknown field", field=name, fix=f"write one of {', '.join(known)}")
            allowed = get_args(known[name])
            if get_origin(known[name]) is Literal and value not in allowed:
                raise PlanError(
                    f"{value!r} is not known", field=name, fix=f"write one of {', '.join(allowed)}"
                )
        return convert(data, kind, error=PlanError)
