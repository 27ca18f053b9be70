"""Checks of a within-participants study: does the order matter, does a condition carry over, do curves differ?

All are comparisons of linear models on means per person and condition (or block), through least squares.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import StudyLogError
from nearkey.frames import Tabular
from nearkey.study.effect_sizes import FTest, contrasts, f_table, scipy_stats, within_persons
from nearkey.study.phrase_observations import ConditionOrders
from nearkey.study.rates import check_metric
from nearkey.study.results import Measures, result_text
from nearkey.text_table import ResultTable, number

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, repr=False)
class OrderChecks(Tabular):
    """Whether a condition's `place` in the order matters, and whether the condition before it carries over.

    `metric`: the measure; `participants`: how many had all conditions and a known order. `place_means`: mean at each
    place, the first first, conditions and participants taken out. `place`, `carry_over`: the tests; None where the
    design leaves nothing to test. `between`: whether carry-over could be told between participants only (two
    conditions).
    """

    metric: str
    participants: int
    place_means: tuple[float, ...]
    place: FTest | None
    carry_over: FTest | None
    between: bool
    origins: tuple[str, ...]

    def to_dicts(self) -> list[dict[str, Any]]:
        """A row for each check."""
        return [
            {"metric": self.metric, "check": name, **({} if test is None else test.to_dict())}
            for name, test in (("place", self.place), ("carry-over", self.carry_over))
        ]

    def table(self) -> ResultTable:
        """A row for each check, as it is printed; dashes where the design leaves nothing to test."""
        weak = " (between participants: weak)" if self.between else ""
        return f_table({"place": self.place, f"carry-over{weak}": self.carry_over})

    def notes(self) -> list[str]:
        """What stands below the table: the means, what a dash is, and a caution."""
        means = ", ".join(number(mean) for mean in self.place_means)
        lines = [f"mean at each place in the order: {means}"]
        if self.place is None or self.carry_over is None:
            lines.append("-: cannot be told from the other effects in this design")
        return [
            *lines,
            "a check that finds nothing in few people is no proof that there is nothing",
        ]

    def __str__(self) -> str:
        title = f"{self.metric} by place in the order ({self.participants} participants)"
        return result_text(title, self.table(), self.notes(), self.origins)


def order_checks(
    measured: Measures, metric: str = "wpm", *, orders: ConditionOrders
) -> OrderChecks:
    """Test whether the place in the order, and the condition typed before, change a measure.

    Parameters
    ----------
    measured : what `measures` returned. metric : one of `METRICS`. orders : see `condition_orders`.

    Means per person and condition are explained by person, condition and place; place is tested against what these
    leave, and the condition before (none at the first place) against what all of them leave. With two
    conditions carry-over is the difference between the two orders, told between participants by the sums over both
    conditions, which is a weak test.
    Raises StudyLogError for an unknown metric, or fewer than two participants with all conditions and an order.
    Source: analysis of cross-over designs, Jones & Kenward, 2nd ed. 2003; two conditions: Grizzle 1965 (from memory).
    """
    check_metric(metric)
    names = measured.condition_names
    table = measured.complete(metric)
    people = [name for name in sorted(table) if set(orders.get(name, ())) == set(names)]
    if len(people) < 2 or len(names) < 2:
        raise StudyLogError(
            f"{len(people)} participants with all of {len(names)} conditions and a known order",
            field="logs",
            fix="give at least 2 of both; a plan, or `started` in the headers, tells the order",
        )
    rows = [
        (person, names.index(name), place, names.index(order[place - 1]) if place else -1)
        for person, label in enumerate(people)
        for order in (orders[label],)
        for place, name in enumerate(order)
    ]
    y = np.array([table[people[row[0]]][names[row[1]]] for row in rows])
    # Columns of zeros and ones for each level.
    person, condition, place, before = (
        np.eye(len(levels))[index]
        for levels, index in (
            np.unique(column, return_inverse=True) for column in zip(*rows, strict=True)
        )
    )
    base = np.hstack([person, condition])
    with_place = np.hstack([base, place])
    # What is left of the places once participants and conditions are taken out, put back on the grand mean.
    bare = y - base @ np.linalg.lstsq(base, y, rcond=None)[0] + y.mean()
    k, between = len(names), len(names) == 2
    return OrderChecks(
        metric=metric,
        participants=len(people),
        place_means=tuple(float(bare[[row[2] == i for row in rows]].mean()) for i in range(k)),
        place=_compared(y, base, with_place),
        carry_over=_sequences(y, [orders[name] for name in people])
        if between
        else _compared(y, with_place, np.hstack([with_place, before])),
        between=between,
        origins=measured.origins,
    )


def _compared(y: Floats, small: Floats, large: Floats) -> FTest | None:
    """F of what the larger of two nested models explains beyond the smaller; None where nothing can be told."""

    def fit(design: Floats) -> tuple[float, int]:
        solution, _, rank, _ = np.linalg.lstsq(design, y, rcond=None)
        return float(((y - design @ solution) ** 2).sum()), int(rank)

    (left_small, rank_small), (left_large, rank_large) = fit(small), fit(large)
    df, df_error = rank_large - rank_small, len(y) - rank_large
    if df < 1 or df_error < 1:
        return None
    f = (left_small - left_large) / df / (left_large / df_error) if left_large > 0 else math.inf
    return FTest(f, df, df_error, float(scipy_stats().f.sf(f, df, df_error)))


def _sequences(y: Floats, orders: Sequence[tuple[str, ...]]) -> FTest | None:
    """Two conditions: the sums of a person's two values, compared between the two orders."""
    sums = y.reshape(-1, 2).sum(axis=1)
    first = np.array([order[0] for order in orders])
    groups = [sums[first == name] for name in sorted(set(first.tolist()))]
    if len(groups) < 2 or len(sums) < 3:
        return None
    t = scipy_stats().ttest_ind(*groups)
    return FTest(float(t.statistic) ** 2, 1, len(sums) - 2, float(t.pvalue))


@dataclass(frozen=True, slots=True, repr=False)
class ConditionByBlock(Tabular):
    """Two-way analysis of variance within participants: condition, block, and whether the blocks differ by condition.

    `metric`: the measure; `participants`, `blocks`: of the balanced part that was used (blocks that everyone has under
    every condition). `condition`, `block`, `interaction`: the tests.
    """

    metric: str
    participants: int
    blocks: int
    condition: FTest
    block: FTest
    interaction: FTest
    origins: tuple[str, ...]

    def to_dicts(self) -> list[dict[str, Any]]:
        """A row for each effect."""
        return [
            {"metric": self.metric, "effect": name, **test.to_dict()}
            for name, test in self._tests().items()
        ]

    def _tests(self) -> dict[str, FTest]:
        return {
            "condition": self.condition,
            "block": self.block,
            "condition x block": self.interaction,
        }

    def table(self) -> ResultTable:
        """A row for each effect, as it is printed."""
        return f_table(self._tests())

    def __str__(self) -> str:
        title = f"{self.metric} by condition and block ({self.participants} participants, {self.blocks} blocks)"
        return result_text(title, self.table(), (), self.origins)


def condition_by_block(measured: Measures, metric: str = "wpm") -> ConditionByBlock:
    """Test condition, block and their interaction within participants.

    measured : what `measures` returned. metric : one of `METRICS`.

    The first blocks that everyone has under every condition are used. Each effect is tested by the contrasts that
    span it, see `within_persons`.
    Raises StudyLogError for an unknown metric, or fewer than two participants, conditions or common blocks.
    Source: standard analysis of variance; Greenhouse & Geisser 1959 (from memory).
    """
    check_metric(metric)
    names = measured.condition_names
    rates = measured.by_block(metric)
    people = sorted(set.intersection(*map(set, rates.values()))) if rates else []
    n_blocks = min((len(rates[name][one]) for name in names for one in people), default=0)
    values = np.array([[rates[name][one][:n_blocks] for name in names] for one in people])
    if values.size:
        values = values[np.isfinite(values).all(axis=(1, 2))]
    if values.ndim != 3 or min(values.shape) < 2:
        raise StudyLogError(
            f"{len(values)} participants with {len(names)} conditions and {n_blocks} blocks in each",
            field="logs",
            fix="give at least 2 of all three",
        )
    a, b = contrasts(len(names)), contrasts(n_blocks)
    return ConditionByBlock(
        metric=metric,
        participants=len(values),
        blocks=n_blocks,
        condition=within_persons(values.mean(axis=2) @ a),
        block=within_persons(values.mean(axis=1) @ b),
        interaction=within_persons(
            np.einsum("ncb,cd,be->nde", values, a, b).reshape(len(values), -1)
        ),
        origins=measured.origins,
    )
