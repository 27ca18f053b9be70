"""A ranking plan: one TOML file that says what to rank, on which surface, with which touches."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from nearkey.errors import LayoutError, PlanError, TouchModelError
from nearkey.layout import Layout, catalogue_names, grid_layouts
from nearkey.simulate.condition import TouchSource
from nearkey.simulate.corpora import read_source
from nearkey.simulate.entry_speed import Speed
from nearkey.simulate.keystrokes import Selection
from nearkey.simulate.plan_file import (
    PlanFile,
    PlanGrid,
    PlanLog,
    PlanSurface,
    options,
    read_plan_file,
)
from nearkey.touch import CleaningReport, GaussianTouch, TouchLog, clean

__all__ = ["RankPlan", "Recording"]


@dataclass(frozen=True, slots=True)
class Recording:
    """Touches of one log as the plan used them: cleaned (with the report), and the model fitted on them."""

    log: TouchLog
    layout: Layout
    model: GaussianTouch
    cleaning: CleaningReport | None


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
    corpus: Path | None
    selection: Selection
    speed: Speed

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> RankPlan:
        """Read a plan file; other files are named relative to it."""
        where = os.fspath(path)
        spec = read_plan_file(path)
        folder = Path(path).parent
        if spec.touch.spread_mm is None and not spec.touch.logs:
            raise PlanError(
                "says nothing about touches",
                where=where,
                field="touch",
                fix="give touch.spread_mm or touch.logs",
            )
        layouts = []
        for i, candidate in enumerate(spec.candidates):
            layouts += _grids(
                candidate, spec.surface, folder, where=where, field=f"candidates[{i}]"
            )
        baseline = None
        if spec.baseline is not None:
            grid = PlanGrid(layout=spec.baseline.layout)
            (baseline,) = _grids(grid, spec.surface, folder, where=where, field="baseline")
        recordings = tuple(
            _recording(log, spec.surface, folder, where=where, field=f"touch.logs[{i}]")
            for i, log in enumerate(spec.touch.logs)
        )
        corpus = None
        if spec.corpus is not None:
            corpus = _existing(spec.corpus.file, folder, where, "corpus.file")
            read_source(corpus)  # a fault in the text should show before an hour of ranking
        return cls(
            file=spec,
            path=Path(path),
            layouts=tuple(layouts),
            baseline=baseline,
            recordings=recordings,
            corpus=corpus,
            selection=options(spec.selection, Selection, where, "selection"),
            speed=options(spec.speed, Speed, where, "speed"),
        )

    def touch_for(self, layout: Layout) -> GaussianTouch:
        """The model of the log recorded on the layout's geometry, else the plan's spread around the centres."""
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
            fix="add such a log, or touch.spread_mm for the layouts without one",
        )

    @property
    def touch(self) -> TouchSource:
        """Layout -> model, as `rank_layouts` takes it."""
        source: Callable[[Layout], GaussianTouch] = self.touch_for
        return source

    def settings(self) -> dict[str, Any]:
        """The keyword arguments of `rank_layouts` that the plan decides (all but the pack)."""
        spec = self.file
        return {
            "touch": self.touch,
            "words": spec.words,
            "seed": spec.seed,
            "corpus": self.corpus,
            "context": bool(spec.corpus and spec.corpus.context),
            "baseline": self.baseline,
            "by": spec.by,
            "selection": self.selection,
            "speed": self.speed,
            "lm_weight": spec.lm_weight,
            "early_stop": spec.early_stop,
            "workers": spec.workers,
        }


def _existing(name: str, folder: Path, where: str, field: str) -> Path:
    path = folder / name
    if not path.is_file():
        raise PlanError(
            f"no file {path}",
            where=where,
            field=field,
            fix="check the name; it is relative to the plan",
        )
    return path


def _layout(name: str, folder: Path, where: str, field: str) -> Layout:
    """A layout of the catalogue, or of a file beside the plan."""
    if name in catalogue_names():
        return Layout.named(name)
    if not name.endswith(".toml"):
        raise PlanError(
            f"{name!r} is neither in the catalogue nor a .toml file",
            where=where,
            field=field,
            fix=f"name a file, or one of {', '.join(catalogue_names())}",
        )
    return Layout.load(_existing(name, folder, where, field))


def _grids(
    spec: PlanGrid, surface: PlanSurface, folder: Path, *, where: str, field: str
) -> list[Layout]:
    _need_one(spec, "base", "give layout, or base with rows and columns", where, field)
    if spec.layout is not None:
        layout = _layout(spec.layout, folder, where, f"{field}.layout")
        return [layout.fitted(surface.width_mm, surface.height_mm)]
    assert spec.base is not None
    for name in ("rows", "columns"):
        if getattr(spec, name) is None:
            raise PlanError(
                "is missing", where=where, field=f"{field}.{name}", fix="say how many cells"
            )
    base = _layout(spec.base, folder, where, f"{field}.base")
    try:
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
    except LayoutError as fault:
        inner = f"{field}.{fault.field}" if fault.field else field
        raise PlanError(fault.problem, where=where, field=inner, fix=fault.fix) from None


def _need_one(
    spec: PlanGrid | PlanLog, other: Literal["base", "grid"], fix: str, where: str, field: str
) -> None:
    """PlanError unless either the layout or the other is given."""
    if (spec.layout is None) == (getattr(spec, other) is None):
        raise PlanError(f"needs either layout or {other}", where=where, field=field, fix=fix)


def _recording(
    spec: PlanLog, surface: PlanSurface, folder: Path, *, where: str, field: str
) -> Recording:
    fix = "say what the touches were recorded on: layout, or grid with base, rows and columns"
    _need_one(spec, "grid", fix, where, field)
    if spec.layout is not None:
        found = _grids(PlanGrid(layout=spec.layout), surface, folder, where=where, field=field)
    else:
        assert spec.grid is not None
        found = _grids(spec.grid, surface, folder, where=where, field=f"{field}.grid")
    layout = found[0]
    path = _existing(spec.file, folder, where, f"{field}.file")
    log, report = TouchLog.read(path), None
    if spec.clean:
        log, report = clean(log, layout)
    return Recording(log, layout, GaussianTouch().fit(log, layout), report)
