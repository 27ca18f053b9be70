"""Layouts ranked again for each finger width: the best grid for a small finger may not be a large one's."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from typing import Any, Protocol, Unpack

import numpy as np

from nearkey.decode import LanguagePack
from nearkey.errors import PlanError
from nearkey.frames import Tabular
from nearkey.intervals import Estimate, mean
from nearkey.layout import Layout
from nearkey.simulate.columns import Floats
from nearkey.simulate.outcomes import MEASURES, turned
from nearkey.simulate.plain_data import plain
from nearkey.simulate.rank import rank_layouts
from nearkey.simulate.rank_result import RankResult
from nearkey.simulate.simulation_options import (
    ReportProgress,
    SimulationKeywords,
    SimulationOptions,
    SimulationProgress,
)
from nearkey.simulate.trial import TouchSource, by_layout
from nearkey.simulate.typist import SamplingTouchModel
from nearkey.text_table import estimate_text, text_table


class FingerModel(Protocol):
    """What knows how touches change with the finger: a fitted `nearkey.touch.FingerTouch`."""

    def for_width(self, width_mm: float) -> SamplingTouchModel:
        """The touch model of a finger of this width."""


WidthSource = (
    FingerModel | Mapping[str, FingerModel] | Callable[[Layout, float], SamplingTouchModel]
)
"""A finger model for all layouts, a mapping by layout name, or a callable (layout, width in mm) -> touch model."""


@dataclass(frozen=True, slots=True)
class WidthRow:
    """One finger width.

    best, value : the first layout and its measure. next, lead : the second, and the first's paired lead on it.
    loss : what the one layout for all loses here to the best, paired; 0 or more up to chance.
    """

    width_mm: float
    best: str
    value: Estimate
    next: str | None
    lead: Estimate | None
    loss: Estimate


@dataclass(frozen=True, slots=True, repr=False)
class WidthRanking(Tabular):
    """Rankings of the same layouts for several finger widths. `str()` is the table, `to_dicts()` its rows.

    results : one `RankResult` a width. by : the measure.
    one_for_all : the layout with the least mean loss over the widths, each width weighing the same.
    mean_loss : that loss. Losses are paired: every width and layout typed the same words with the same random numbers.
    The best of many layouts is best partly by chance, so losses against it lean a little high.
    """

    widths_mm: tuple[float, ...]
    results: tuple[RankResult, ...]
    by: str
    rows: tuple[WidthRow, ...]
    one_for_all: str
    mean_loss: Estimate

    @classmethod
    def build(cls, widths_mm: Sequence[float], results: Sequence[RankResult]) -> WidthRanking:
        """Compare rankings of the same layouts, words and random numbers."""
        first, by = results[0], results[0].by
        different = first.workload.different(len(first.workload))
        losses = {layout: [_loss(result, layout) for result in results] for layout in first.scored}
        means = {
            layout: mean(np.mean(each, axis=0), different=different)
            for layout, each in losses.items()
        }
        chosen = min(means, key=lambda layout: means[layout].value)
        rows = []
        for width_mm, result in zip(widths_mm, results, strict=True):
            second = result.rows[1] if len(result.rows) > 1 else None
            rows.append(
                WidthRow(
                    width_mm=width_mm,
                    best=result.rows[0].layout,
                    value=getattr(result.rows[0], by),
                    next=None if second is None else second.layout,
                    lead=None if second is None else _as_loss(second.to_best[by], by),
                    loss=_as_loss(result.row(chosen).to_best[by], by),
                )
            )
        return cls(tuple(widths_mm), tuple(results), by, tuple(rows), chosen, means[chosen])

    @property
    def winners(self) -> tuple[str, ...]:
        """The layouts that come first at one width or more, in the order of the widths."""
        return tuple(dict.fromkeys(row.best for row in self.rows))

    def places(self, layout: str) -> tuple[int, ...]:
        """The place of a layout at each width, 1 the best; PlanError where it is not ranked."""
        return tuple(result.row(layout).place for result in self.results)

    def losses(self, layout: str) -> tuple[Estimate, ...]:
        """What a layout loses to the best at each width, paired; PlanError where it is not ranked."""
        return tuple(
            _as_loss(result.row(layout).to_best[self.by], self.by) for result in self.results
        )

    def to_dicts(self) -> list[dict[str, Any]]:
        """A row a width: its best, its lead, the loss of the one layout for all, and of each width's best."""
        return [
            {
                "width_mm": row.width_mm,
                "best": row.best,
                self.by: plain(row.value),
                "next": row.next,
                "lead": plain(row.lead),
                "one_for_all": self.one_for_all,
                "loss": plain(row.loss),
                "winners": {
                    name: {"place": self.places(name)[i], "loss": plain(self.losses(name)[i])}
                    for name in self.winners
                },
            }
            for i, row in enumerate(self.rows)
        ]

    def __str__(self) -> str:
        return _width_table(self)


def rank_by_width(
    layouts: Iterable[Layout],
    *,
    touch: WidthSource,
    widths_mm: Iterable[float],
    pack: LanguagePack,
    baseline: Layout | str | None = None,
    by: str = "top3",
    decoder_touch: TouchSource | None = None,
    checkpoint: str | PathLike[str] | None = None,
    people: object = None,
    people_words: int | None = None,
    **keywords: Unpack[SimulationKeywords],
) -> WidthRanking:
    """Rank layouts for fingers of several widths: `rank_layouts` once a width, with one seed.

    All widths and layouts get the same words and the same random numbers, so that every difference is
    paired. Every layout types all words at every width; nothing stops early.

    Parameters
    ----------
    layouts, pack, baseline, by : as of `rank_layouts`.
    touch : a fitted `FingerTouch` for layouts of one geometry, a mapping layout name -> `FingerTouch`, or a
        callable (layout, width in mm) -> touch model, for instance one that looks up the `FingerTouch`
        of the layout's geometry and asks it `for_width`.
    widths_mm : finger widths in millimetres, each once.
    decoder_touch : the model the decoder assumes for every finger; without it the decoder knows the
        width of the finger that types.
    checkpoint : a file name; each width keeps its finished chunks in one of its own: run.jsonl makes
        run-8mm.jsonl, run-10mm.jsonl and so on.
    people, people_words : taken since a plan's settings have them, and not used: each width is a hand of its own.
    keywords : as of `rank_layouts`.

    Raises
    ------
    PlanError
        For no width or a bad one, a mapping that lacks a layout, and as `rank_layouts` does.
    """
    widths = _checked(widths_mm)
    candidates, options = list(layouts), SimulationOptions.of(keywords)
    told = options.progress
    results = [
        rank_layouts(
            candidates,
            touch=_at_width(touch, width_mm),
            pack=pack,
            baseline=baseline,
            by=by,
            decoder_touch=decoder_touch,
            checkpoint=None if checkpoint is None else _beside(Path(checkpoint), width_mm),
            options=replace(
                options, progress=None if told is None else _counted(told, i, len(widths))
            ),
        )
        for i, width_mm in enumerate(widths)
    ]
    return WidthRanking.build(widths, results)


def _checked(widths_mm: Iterable[float]) -> list[float]:
    widths = [float(w) for w in widths_mm]
    if not widths:
        raise PlanError("no finger width", field="widths_mm", fix="give one or more, in mm")
    for width in widths:
        if not (np.isfinite(width) and width > 0):
            raise PlanError(f"is {width:g}", field="widths_mm", fix="give millimetres above 0")
    twice = [w for w in widths if widths.count(w) > 1]
    if twice:
        raise PlanError(f"{twice[0]:g} stands twice", field="widths_mm", fix="give each width once")
    return widths


def _at_width(source: WidthSource, width_mm: float) -> Callable[[Layout], SamplingTouchModel]:
    """Layout -> touch model of one finger, as `rank_layouts` takes it."""

    def model(layout: Layout) -> SamplingTouchModel:
        found: Any = source
        if isinstance(source, Mapping):
            found = by_layout(source, layout, "finger model")
        made: SamplingTouchModel = (
            found.for_width(width_mm) if hasattr(found, "for_width") else found(layout, width_mm)
        )
        return made

    return model


def _counted(progress: ReportProgress, before: int, widths: int) -> ReportProgress:
    """Progress of one width told as progress of all."""
    return lambda p: progress(
        SimulationProgress(p.layout, before * p.total + p.done, widths * p.total, p.step)
    )


def _beside(path: Path, width_mm: float) -> Path:
    return path.with_name(f"{path.stem}-{width_mm:g}mm{path.suffix}")


def _as_loss(to_best: Estimate, by: str) -> Estimate:
    """A paired difference to the best as a loss: 0 or more, whichever end of the measure is the good one."""
    return turned(MEASURES[by].better(to_best))


def _loss(result: RankResult, layout: str) -> Floats:
    """The loss of each word to the best layout: its mean is the difference of the measure, its spread the
    interval's."""
    measure = MEASURES[result.by]
    best, own = (
        measure.per_word(result.scored[name].outcomes) for name in (result.rows[0].layout, layout)
    )
    return measure.sign * (best - own)


def _width_table(found: WidthRanking) -> str:
    """Two tables as text: a line a width; then a line for each width's best, the baseline and the one for all."""
    first = found.results[0]
    heads = ["finger mm", "best", found.by, "lead on next", f"loss of {found.one_for_all}"]
    lines = [
        [
            f"{row.width_mm:g}",
            row.best,
            estimate_text(row.value, 4),
            "" if row.lead is None else estimate_text(row.lead, 4),
            estimate_text(row.loss, 4),
        ]
        for row in found.rows
    ]
    lines.append(["mean", "", "", "", estimate_text(found.mean_loss, 4)])
    shown = [*found.winners]
    shown += [n for n in (found.one_for_all, first.baseline) if n is not None and n not in shown]
    across = [[name, *map(_cell, found.places(name), found.losses(name))] for name in shown]
    return "\n".join(
        [
            text_table(heads, lines, left=(1,)),
            "",
            "Place at each width, and the loss to the best there (~: no loss within the 95 % interval)",
            text_table(["layout", *(f"{w:g} mm" for w in found.widths_mm)], across),
            f"{len(first.workload)} words on each of {len(first.rows)} layouts at each width, seed "
            f"{first.options.seed}: the same words and random numbers everywhere, losses paired.",
            f"{found.one_for_all} loses least over the widths, each weighing the same.",
        ]
    )


def _cell(place: int, loss: Estimate) -> str:
    if place == 1:
        return "1"
    return f"{place} ({loss.value:.4f}{'~' if loss.low <= 0 else ''})"
