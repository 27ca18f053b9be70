"""A ranking plan: one TOML file that says what to rank, on which surface, with which touches."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from nearkey.errors import PlanError, TouchModelError, placed
from nearkey.layout import Layout, catalogue_names, grid_layouts
from nearkey.simulate.condition import TouchSource
from nearkey.simulate.corpora import Corpus, read_source
from nearkey.simulate.entry_speed import Speed
from nearkey.simulate.invented_hands import (
    PLAUSIBLE_SD,
    PLAUSIBLE_TRAITS,
    HandTraits,
    invent_hands,
)
from nearkey.simulate.keystrokes import Selection
from nearkey.simulate.layout_noise import LayoutNoise
from nearkey.simulate.plan_file import (
    PlanFile,
    PlanGrid,
    PlanLog,
    PlanSurface,
    options,
    read_plan_file,
)
from nearkey.simulate.typing_people import (
    CARRYING,
    DecoderModel,
    InventedPeople,
    RecordedPeople,
    TouchesOnLayout,
    TypingPeople,
    fit_carried,
)
from nearkey.touch import CleaningReport, GaussianTouch, TouchLog, clean
from nearkey.touch.key_geometry import geometry_of


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
        if self.file.touch.spread_mm is None and self.decoder.carries:
            return self._carried(layout)
        for recording in self.recordings:
            try:
                return recording.model.for_layout(layout)
            except TouchModelError:
                continue
        if self.file.touch.spread_mm is not None:
            return GaussianTouch.from_layout(layout, spread_mm=self.file.touch.spread_mm)
        raise PlanError(
            f"no log was recorded on keys placed like those of {layout.name!r}",
            where=str(self.path),
            field="touch.logs",
            fix=f"add such a log; or touch.spread_mm, or a decoder.model that carries over ({', '.join(CARRYING)})",
        )

    def _carried(self, layout: Layout) -> Any:
        for recording in self.recordings:
            if recording.is_of(layout):
                return recording.model.for_layout(layout)
        logs, layouts = [r.log for r in self.recordings], [r.layout for r in self.recordings]
        return fit_carried(self.decoder.unfitted(), logs, layouts, layout)

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
