"""The finger models of a plan: its logs' touches, normalised by each person's finger width."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nearkey.errors import PlanError, TouchModelError
from nearkey.layout import Layout
from nearkey.simulate.columns import Floats
from nearkey.simulate.rank_plan import RankPlan
from nearkey.touch import FingerTouch, TouchLog


@dataclass(frozen=True, slots=True)
class PlanFingers:
    """(layout, finger width in mm) -> touch model, as `rank_by_width` takes it.

    models : a `FingerTouch` a log. exponent : offsets and spreads grow as (finger width)^exponent, the same
    in every log, so that grids are compared under one assumption.
    how : where the exponent is from.
    measured_mm : the narrowest and the widest finger in the logs.
    """

    plan: str
    models: tuple[FingerTouch, ...]
    exponent: float
    how: str
    measured_mm: tuple[float, float]

    @classmethod
    def of(cls, plan: RankPlan, *, exponent: float | None = None) -> PlanFingers:
        """Fit the logs of a plan.

        exponent : without it, the mean of what the logs with three people or more teach, weighed by their
            touches; 1 (spread proportional to width) where there is none.

        Raises PlanError for a plan without logs, and for a log without finger widths.
        """
        where = str(plan.path)
        if not plan.recordings:
            raise PlanError(
                "no log says how touches change with the finger",
                where=where,
                field="touch.logs",
                fix="add logs with a column width_mm",
            )
        for number, recording in enumerate(plan.recordings):
            if not np.isfinite(_widths(recording.log)).all():
                raise PlanError(
                    f"{recording.log.where or 'the log'} does not give everyone's finger width",
                    where=where,
                    field=f"touch.logs[{number}].file",
                    fix="fill its column width_mm, in millimetres",
                )
        logs = [(r.log, r.layout) for r in plan.recordings]
        widths = np.concatenate([_widths(log) for log, _ in logs])
        measured = float(widths.min()), float(widths.max())
        how = "as asked"
        if exponent is None:
            exponent, how = _learnt(logs)
        models = tuple(FingerTouch(exponent=exponent).fit(*one) for one in logs)
        return cls(where, models, exponent, how, measured)

    def __call__(self, layout: Layout, width_mm: float) -> Any:
        """The touch model of a finger of this width, from the log recorded on keys placed like the layout's."""
        for model in self.models:
            finger = model.for_width(width_mm)
            try:
                return finger.for_layout(layout)
            except TouchModelError:
                continue
        raise PlanError(
            f"no log was recorded on keys placed like those of {layout.name!r}",
            where=self.plan,
            field="touch.logs",
            fix="add such a log with a column width_mm; touch.spread_mm knows no fingers",
        )

    def note(self, widths_mm: Sequence[float]) -> str:
        """What the models assume, in a line: for the reader of the table."""
        low, high = self.measured_mm
        text = (
            f"offsets and spreads grow as (finger width)^{self.exponent:.2f} ({self.how}); "
            f"measured: fingers of {low:g} to {high:g} mm"
        )
        beyond = [f"{w:g}" for w in widths_mm if not low <= w <= high]
        return f"{text}; extrapolated: {', '.join(beyond)} mm" if beyond else text


def _widths(log: TouchLog) -> Floats:
    """The finger width of each labelled touch, NaN where it is not known."""
    if log.width_mm is None:
        return np.full(len(log), np.nan)
    return np.asarray(log.width_mm[log.target != ""])


def _learnt(logs: Sequence[tuple[TouchLog, Layout]]) -> tuple[float, str]:
    """The exponent the logs teach together, and where it is from."""
    teachers = [
        (log, layout)
        for log, layout in logs
        if len(log.participants) >= 3 and np.ptp(_widths(log)) > 0
    ]
    if not teachers:
        return 1.0, "assumed: no log has three people of different fingers"
    found = [FingerTouch(exponent="auto").fit(log, layout).exponent_ for log, layout in teachers]
    people = {name for log, _ in teachers for name in log.participants}
    mean = np.average(found, weights=[len(log) for log, _ in teachers])
    return float(mean), f"learnt from {len(people)} people"
