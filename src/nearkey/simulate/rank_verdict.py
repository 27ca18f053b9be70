"""A ranking in a few lines: who wins under each condition, whether that changes, and how sure it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from nearkey.intervals import Estimate
from nearkey.simulate.people_ranking import PeopleRanking
from nearkey.text_table import estimate_text


class _Placed(Protocol):
    @property
    def layout(self) -> str: ...
    @property
    def may_be_best(self) -> bool: ...


class Judgeable(Protocol):
    """What a verdict needs of a ranking."""

    @property
    def by(self) -> str: ...
    @property
    def baseline(self) -> str | None: ...
    @property
    def rows(self) -> Sequence[_Placed]: ...
    @property
    def conditions(self) -> tuple[PeopleRanking, ...]: ...
    @property
    def winners(self) -> Mapping[str, str]: ...
    @property
    def winner_lead(self) -> Estimate: ...

    def words_needed(self, layout: str, other: str) -> int | None:
        """Words that would tell two layouts apart."""


def verdict(result: Judgeable) -> list[str]:
    """The first lines of a table and of a report.

    result : a ranking. The winner under each condition with its lead over the baseline (over the second where it is the
    baseline itself), how many layouts may be the best, and how many words or people more would tell it from its rival.
    """
    if len(result.rows) < 2:
        return [f"{result.rows[0].layout} is the only layout"]
    lines = [
        _line(
            "matched",
            result.rows,
            result.baseline,
            result.winner_lead,
            lambda a, b: _more(result.words_needed(a, b), "words"),
        )
    ]
    for condition in result.conditions:
        lines.append(
            _line(
                condition.condition,
                condition.rows,
                condition.baseline,
                condition.winner_lead,
                lambda a, b, c=condition: _more(c.people_needed(a, b), "people"),
            )
        )
    heading = f"winner by {result.by}:"
    if not result.conditions:
        return [
            heading,
            *lines,
            "  the decoder knows the hand exactly: no people were given to type (people=, or [people] in a plan)",
        ]
    firsts = dict.fromkeys(result.winners.values())
    changes = (
        f"  the winner is the same under all {len(result.winners)} conditions"
        if len(firsts) == 1
        else "  THE WINNER CHANGES with the condition: "
        + "; ".join(f"{winner} ({name})" for name, winner in result.winners.items())
    )
    return [heading, *lines, changes]


def _line(
    name: str,
    rows: Sequence[_Placed],
    baseline: str | None,
    over: Estimate,
    needed: _Needed,
) -> str:
    first = rows[0].layout
    over_baseline = baseline is not None and baseline != first
    rival = baseline if over_baseline else rows[1].layout
    assert rival is not None
    may = sum(row.may_be_best for row in rows)
    # Against the best of the others Hsu's interval ends at 0 where the first alone may be the best.
    apart = over.low > 0 if over_baseline else may == 1
    said = f"  {name:20}  {first}: {estimate_text(over, 4, sign=True)} over {rival}"
    if not apart:
        said += f", not distinguished{needed(first, rival)}"
    said += f"; {may} of {len(rows)} layouts may be the best"
    second = rows[1].layout
    if may > 1 and second != rival:
        said += f" (second {second}{needed(first, second)})"
    return said


def _more(count: int | None, what: str) -> str:
    return "" if count is None else f": {count:,} {what} would, if the difference is as seen"


class _Needed(Protocol):
    def __call__(self, layout: str, other: str, /) -> str: ...
