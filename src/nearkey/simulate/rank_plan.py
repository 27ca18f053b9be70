"""A ranking plan: one TOML file that says what to rank, on which surface, with which touches."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar, get_args, get_origin, get_type_hints

import msgspec
import numpy as np
from msgspec import Meta

from nearkey.errors import PlanError, placed
from nearkey.layout import Layout, catalogue_names, grid_layouts
from nearkey.schema import convert, read_toml
from nearkey.simulate.invented_hands import (
    PLAUSIBLE_SD,
    PLAUSIBLE_TRAITS,
    HandTraits,
    invent_hands,
)
from nearkey.simulate.keystrokes import Selection, Speed
from nearkey.simulate.outcomes import check_ranked
from nearkey.simulate.spread_curves import LayoutNoise
from nearkey.simulate.trial import TouchSource
from nearkey.simulate.typing_people import (
    CARRYING,
    DecoderModel,
    InventedPeople,
    RecordedPeople,
    TouchesOnLayout,
    TypingPeople,
    fit_carried,
)
from nearkey.simulate.workload import Corpus, read_source
from nearkey.touch import CleaningReport, GaussianTouch, TouchLog, clean
from nearkey.touch.key_geometry import geometry_of

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


@dataclass(frozen=True, slots=True)
class Recording:
    """Touches of one log as the plan used them.

    log : cleaned, where the plan says so (`cleaning` tells what went); model : fitted on it, the plan's family.
    raw : as recorded: what people type with.
    """

    log: TouchLog
    layout: Layout
    model: Any
    cleaning: CleaningReport | None
    raw: TouchLog

    def is_of(self, layout: Layout) -> bool:
        """Whether it was recorded on keys placed like the layout's."""
        return geometry_of(self.layout).match(geometry_of(layout)) is not None


@dataclass(frozen=True, slots=True)
class RankPlan:
    """A plan read and checked, its layouts built and its touch models fitted.

    Every problem raises `PlanError` (or the error of the layout or touch log it names) with file, field
    and fix.
    """

    file: PlanFile
    path: Path
    layouts: tuple[Layout, ...]
    baseline: Layout | None
    recordings: tuple[Recording, ...]
    corpus: Corpus | None
    selection: Selection
    speed: Speed
    decoder: DecoderModel
    people: TypingPeople | None
    warnings: tuple[str, ...] = ()

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> RankPlan:
        """Read a plan file; other files are named relative to it."""
        spec = read_plan_file(path)
        with placed(path):
            return cls._built(spec, Path(path))

    @classmethod
    def _built(cls, spec: PlanFile, path: Path) -> RankPlan:
        folder, surface = path.parent, spec.surface
        if spec.touch.spread_mm is None and not spec.touch.logs:
            raise PlanError(
                "says nothing about touches",
                field="touch",
                fix="give touch.spread_mm or touch.logs",
            )
        layouts = [
            layout
            for i, candidate in enumerate(spec.candidates)
            for layout in _grids(candidate, surface, folder, f"candidates[{i}]")
        ]
        baseline = None
        if spec.baseline is not None:
            grid = PlanGrid(layout=spec.baseline.layout)
            (baseline,) = _grids(grid, surface, folder, "baseline")
        recorded = [
            _recorded(log, surface, folder, f"touch.logs[{i}]")
            for i, log in enumerate(spec.touch.logs)
        ]
        ranked = [*layouts, *([baseline] if baseline is not None else [])]
        bare = [layout for layout in ranked if not any(one.is_of(layout) for one in recorded)]
        decoder = _decoder(spec, bare, recorded)
        recordings = tuple(
            replace(one, model=decoder.unfitted().fit(one.log, one.layout)) for one in recorded
        )
        people, warnings = _people(spec, recordings, ranked, bare, decoder)
        least = 2 * len(people.names) if people is not None else 0
        if spec.people.words is not None and spec.people.words < least:
            raise PlanError(
                f"is {spec.people.words} for {least // 2} people",
                field="people.words",
                fix=f"give {least} or more, 2 a person",
            )
        corpus = None
        if spec.corpus is not None:
            text = existing_file(spec.corpus.file, folder, "corpus.file")
            corpus = read_source(text, trained=spec.corpus.seen)
        # Plans written before call the candidates shown `listed`.
        older = "listed" if "k" not in spec.selection else None
        current = {"k" if name == older else name: v for name, v in spec.selection.items()}
        return cls(
            file=spec,
            path=path,
            layouts=tuple(layouts),
            baseline=baseline,
            recordings=recordings,
            corpus=corpus,
            selection=options(current, Selection, "selection"),
            speed=options(spec.speed, Speed, "speed"),
            decoder=decoder,
            people=people,
            warnings=warnings,
        )

    def touch_for(self, layout: Layout) -> Any:
        """The model of the log recorded on the layout's geometry; else the plan's spread around the centres; else the
        plan's family carried over from all logs, with its extra uncertainty."""
        for recording in self.recordings:
            if recording.is_of(layout):
                return recording.model.for_layout(layout)
        if self.file.touch.spread_mm is not None:
            return GaussianTouch.from_layout(layout, spread_mm=self.file.touch.spread_mm)
        if self.decoder.carries:
            logs = [r.log for r in self.recordings]
            layouts = [r.layout for r in self.recordings]
            return fit_carried(self.decoder.unfitted(), logs, layouts, layout)
        raise PlanError(
            f"no log was recorded on keys placed like those of {layout.name!r}",
            where=str(self.path),
            field="touch.logs",
            fix=f"add such a log; or touch.spread_mm, or a decoder.model that carries over ({', '.join(CARRYING)})",
        )

    @property
    def touch(self) -> TouchSource:
        """Layout -> model, as `rank_layouts` takes it."""
        source: Callable[[Layout], Any] = self.touch_for
        return source

    def settings(self) -> dict[str, Any]:
        """The keyword arguments of `rank_layouts` that the plan decides (all but the pack)."""
        spec = self.file
        return {
            "touch": self.touch,
            "words": spec.words,
            "seed": spec.seed,
            "corpus": self.corpus,
            "in_context": bool(spec.corpus and spec.corpus.context),
            "baseline": self.baseline,
            "by": spec.by,
            "selection": self.selection,
            "speed": self.speed,
            "lm_weight": spec.lm_weight,
            "early_stop": spec.early_stop,
            "workers": spec.workers,
            "people": self.people,
            "people_words": spec.people.words,
        }


def existing_file(name: str, folder: Path, field: str) -> Path:
    """A file that a plan names, relative to it."""
    path = folder / name
    if not path.is_file():
        raise PlanError(
            f"no file {path}", field=field, fix="check the name; it is relative to the plan"
        )
    return path


def plan_layout(name: str, folder: Path, field: str) -> Layout:
    """A layout of the catalogue, or of a file beside the plan."""
    if name in catalogue_names():
        return Layout.named(name)
    if not name.endswith(".toml"):
        raise PlanError(
            f"{name!r} is neither in the catalogue nor a .toml file",
            field=field,
            fix=f"name a file, or one of {', '.join(catalogue_names())}",
        )
    return Layout.load(existing_file(name, folder, field))


def _grids(spec: PlanGrid, surface: PlanSurface, folder: Path, field: str) -> list[Layout]:
    _need_one(spec, "base", "give layout, or base with rows and columns", field)
    if spec.layout is not None:
        layout = plan_layout(spec.layout, folder, f"{field}.layout")
        return [layout.fitted(surface.width_mm, surface.height_mm)]
    assert spec.base is not None
    for name in ("rows", "columns"):
        if getattr(spec, name) is None:
            raise PlanError("is missing", field=f"{field}.{name}", fix="say how many cells")
    base = plan_layout(spec.base, folder, f"{field}.base")
    with placed(field=field, error=PlanError):
        return list(
            grid_layouts(
                base,
                rows=spec.rows or 0,
                columns=spec.columns or 0,
                rule=spec.rule,
                width_mm=surface.width_mm,
                height_mm=surface.height_mm,
                limit=spec.limit,
                seed=spec.seed,
            )
        )


def _need_one(
    spec: PlanGrid | PlanLog, other: Literal["base", "grid"], fix: str, field: str
) -> None:
    """PlanError unless either the layout or the other is given."""
    if (spec.layout is None) == (getattr(spec, other) is None):
        raise PlanError(f"needs either layout or {other}", field=field, fix=fix)


def _decoder(spec: PlanFile, bare: Sequence[Layout], recorded: Sequence[Recording]) -> DecoderModel:
    """The one family of the plan: the one it names, else one that suits its logs."""
    told = spec.decoder
    model = told.model
    if model is None:
        model = "gaussian"
        if bare and recorded and spec.touch.spread_mm is None:
            sizes = {
                (round(w, 2), round(h, 2)) for one in recorded for w, h in one.layout.sizes.tolist()
            }
            model = "size-scaled" if len(sizes) > 1 else "pooled"
    with placed(field="decoder"):
        return DecoderModel(
            model=model,
            options=told.options,
            fit=told.fit,
            n_touches=told.touches,
            touches_a_key=told.touches_a_key,
        )


def _people(
    spec: PlanFile,
    recordings: Sequence[Recording],
    ranked: Sequence[Layout],
    bare: Sequence[Layout],
    decoder: DecoderModel,
) -> tuple[TypingPeople | None, tuple[str, ...]]:
    """Who types, and what the reader must be warned of."""
    told, spread, warnings = spec.people, spec.touch.spread_mm, []
    if recordings and bare and spread is not None:
        warnings.append(
            f"{len(ranked) - len(bare)} layouts have touches fitted on logs and {len(bare)} an assumed spread of "
            f"{spread:g} mm: differences between the two kinds are differences of noise first of all; "
            f"leave touch.spread_mm out, and one family ({', '.join(CARRYING)}) is carried to all"
        )
    elif recordings and bare:
        warnings.append(
            f"{len(bare)} layouts have no log: the {decoder.model} model is carried over to them from the others' "
            "logs, its spread widened by how far that went wrong among the logs"
        )
    if not told.conditions:
        return None, tuple(warnings)
    if recordings and not (bare and spread is not None) and not told.invented:
        try:
            logs = [TouchesOnLayout(r.raw, r.layout, r.cleaning is not None) for r in recordings]
            found = RecordedPeople(logs, decoder, typing=told.typing, seed=spec.seed)
            return found, tuple(warnings)
        except PlanError as fault:
            warnings.append(
                f"the people of the logs cannot type: {fault.problem}; invented people do"
            )
    if spread is None:
        spread = float(np.mean([LayoutNoise.of(r.layout, r.model).spread_mm for r in recordings]))
    with placed(field="people"):
        middle = {"spread_mm": spread, **PLAUSIBLE_TRAITS, **told.traits}
        hands = invent_hands(
            options(middle, HandTraits, "people.traits"),
            told.count,
            offset_sd_mm=told.offset_sd_mm,
            spread_sd=told.spread_sd,
            traits_sd={**PLAUSIBLE_SD, **told.traits_sd},
            seed=told.seed,
        )
    return InventedPeople(hands, decoder, seed=told.seed), tuple(warnings)


def _recorded(spec: PlanLog, surface: PlanSurface, folder: Path, field: str) -> Recording:
    """A log and what it was recorded on, its model not fitted yet."""
    fix = "say what the touches were recorded on: layout, or grid with base, rows and columns"
    _need_one(spec, "grid", fix, field)
    if spec.grid is None:
        layout = _grids(PlanGrid(layout=spec.layout), surface, folder, field)[0]
    else:
        layout = _grids(spec.grid, surface, folder, f"{field}.grid")[0]
    raw = TouchLog.read(existing_file(spec.file, folder, f"{field}.file"))
    log, report = clean(raw, layout) if spec.clean else (raw, None)
    gone = [name for name in raw.participants if name not in log.participants]
    if gone:
        raise PlanError(
            f"cleaning drops every touch of {gone[0]!r}",
            field=field,
            fix="look at that person's rows, take them out, or write clean = false",
        )
    return Recording(log, layout, None, report, raw)
