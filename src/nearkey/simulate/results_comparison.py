"""Two results files side by side: what moved beyond the tolerance of its measure."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from nearkey.errors import PlanError, placed
from nearkey.frames import Tabular
from nearkey.schema import convert, read_json, read_toml
from nearkey.simulate.plain_data import PlainData, plain
from nearkey.text_table import text_table

TOLERANCE: Mapping[str, float] = {
    "top1": 0.002,
    "top3": 0.002,
    "top5": 0.002,
    "top10": 0.002,
    "mean_rank": 0.02,
    "kspc": 0.003,
    "character_error_rate": 0.002,
    "bits_per_character": 0.005,
    "calibration_error": 0.004,
    "savings": 0.005,
    "collision_rate": 0.0005,
    "static_kspc": 0.0005,
    "faults": 0.0,
}
"""How far each measure may move, in its own unit, before it is reported."""

_MORE_IS_BETTER = frozenset({"top1", "top3", "top5", "top10", "savings"})

SCORE, BENCHMARK = "nearkey-score", "nearkey-benchmark"
Scores = dict[str, dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Moved:
    """A measure that moved. `what` names scenario, decoder and group; `verdict` which way."""

    what: str
    measure: str
    before: float
    after: float
    tolerance: float

    @property
    def change(self) -> float:
        return self.after - self.before

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {**plain(self), **plain({"change": self.change, "verdict": self.verdict})}

    @property
    def verdict(self) -> Literal["better", "worse"]:
        return "better" if (self.change > 0) == (self.measure in _MORE_IS_BETTER) else "worse"


@dataclass(frozen=True, slots=True, repr=False)
class ResultsComparison(Tabular, PlainData):
    """What two files have in common, and what they do not.

    moved : beyond tolerance, the furthest (in tolerances) first. compared : figures looked at.
    only_before, only_after : what one file alone has. conditions : what differs in how the runs were made.
    """

    moved: tuple[Moved, ...]
    compared: int
    only_before: tuple[str, ...]
    only_after: tuple[str, ...]
    conditions: tuple[str, ...]

    def to_dicts(self) -> list[dict[str, Any]]:
        """A row for each figure that moved beyond its tolerance."""
        return [one.to_dict() for one in self.moved]

    def __str__(self) -> str:
        lines = [f"differs: {one}" for one in self.conditions]
        lines += [f"only in the first: {one}" for one in self.only_before]
        lines += [f"only in the second: {one}" for one in self.only_after]
        rows = [
            (
                m.verdict,
                m.what,
                m.measure,
                f"{m.before:.4f} -> {m.after:.4f}",
                f"({m.change:+.4f}, tolerance {m.tolerance:g})",
            )
            for m in self.moved
        ]
        if rows:
            lines.append(text_table((), rows, left=(0, 1, 2, 4)))
        lines.append(f"{len(self.moved)} of {self.compared} figures moved beyond tolerance")
        return "\n".join(lines)


def read_tolerance(path: str | os.PathLike[str]) -> dict[str, float]:
    """The tolerance table with the changes of a TOML file: `measure = number` under `[tolerance]`.

    Raises PlanError for unknown measures and numbers below 0.
    """
    table = read_toml(path, PlanError).get("tolerance", {})
    given = convert(table, dict[str, float], error=PlanError, where=path)
    with placed(path, field="tolerance"):
        for name, value in given.items():
            if name not in TOLERANCE:
                fix = f"write one of {', '.join(TOLERANCE)}"
                raise PlanError("no such measure", field=name, fix=fix)
            if not value >= 0:
                raise PlanError(f"is {value}", field=name, fix="give 0 or more")
    return {**TOLERANCE, **given}


def compare_results(
    before: str | os.PathLike[str],
    after: str | os.PathLike[str],
    *,
    tolerance: Mapping[str, float] = TOLERANCE,
) -> ResultsComparison:
    """Compare two quality files: of `nearkey score`, or of the benchmark. PlanError for other files."""
    first, one = _read(before)
    second, two = _read(after)
    both = [key for key in one if key in two]
    moved = [
        Moved(what, measure, one[what, measure], two[what, measure], tolerance[measure])
        for what, measure in both
        if abs(one[what, measure] - two[what, measure]) > tolerance[measure] + 1e-12
    ]
    moved.sort(key=lambda m: -abs(m.change) / max(m.tolerance, 1e-9))
    places_one, places_two = {what for what, _ in one}, {what for what, _ in two}
    return ResultsComparison(
        tuple(moved),
        len(both),
        tuple(sorted(places_one - places_two)),
        tuple(sorted(places_two - places_one)),
        tuple(_conditions(first, second)),
    )


def _read(path: str | os.PathLike[str]) -> tuple[Scores, dict[tuple[str, str], float]]:
    """Scores by scenario, and their figures by scenario and measure; PlanError for what is not a score inside."""
    data = read_json(path, PlanError, fix="name a results file")
    kind = data.get("schema") if isinstance(data, dict) else None
    with placed(path):
        if kind not in (SCORE, BENCHMARK) or data.get("version") != 1:
            raise PlanError(
                "no quality results of this version",
                field="schema",
                fix=f"name a file that nearkey score -o or the benchmark wrote ({SCORE}, {BENCHMARK})",
            )
        scores = {str(data.get("layout")): data} if kind == SCORE else data.get("scenarios")
        again = "write the results again"
        if not isinstance(scores, dict) or not all(isinstance(s, dict) for s in scores.values()):
            problem = "is damaged: not a table of scenarios"
            raise PlanError(problem, field="scenarios", fix=again)
        try:
            if not all(isinstance(score["conditions"], dict) for score in scores.values()):
                raise TypeError
            return scores, {
                (what, measure): float(value)
                for scenario, score in scores.items()
                for what, measure, value in _of_score(scenario, score)
                if value is not None
            }
        except KeyError as fault:
            field = str(fault.args[0])[:40]
            raise PlanError("is damaged: lacks a field", field=field, fix=again) from None
        except (AttributeError, TypeError, ValueError, OverflowError):
            raise PlanError("is damaged: a field is not what it should be", fix=again) from None


def _of_score(scenario: str, score: dict[str, Any]) -> Iterator[tuple[str, str, Any]]:
    if "replay" in score:
        for row in score["replay"]["rows"]:
            for measure in ("top1", "top3"):
                # The name in files of earlier versions.
                name = row["condition"].replace("stranger's model", "leave-one-person-out")
                yield f"{scenario} {name}", measure, row[measure]["value"]
        return
    static = score["static"]
    yield scenario, "collision_rate", static["collision_rate"]
    yield scenario, "static_kspc", static["kspc"]
    if score["completion"] is not None:
        yield scenario, "savings", score["completion"]["savings"]["value"]
    own = score["score"]
    yield from _of_decoder(f"{scenario} {own['decoder']}", own)
    for name, other in score["compared"].items():
        yield from _of_decoder(f"{scenario} beside: {name}", other)


def _of_decoder(what: str, score: dict[str, Any]) -> Iterator[tuple[str, str, Any]]:
    yield what, "faults", sum(fault["count"] for fault in score["faults"].values())
    if score["calibration_known"] is not None:
        yield what, "calibration_error", score["calibration_known"]["error"]
    for group in ("all", "known", "unknown"):
        place = what if group == "all" else f"{what} {group}"
        for measure, estimate in score[group].items():
            if measure in TOLERANCE and estimate is not None:
                yield place, measure, estimate["value"]


def _conditions(first: Scores, second: Scores) -> Iterator[str]:
    """What differs in how the runs were made, each difference once."""
    told: Counter[str] = Counter()
    for scenario in first.keys() & second.keys():
        one, two = first[scenario]["conditions"], second[scenario]["conditions"]
        for name in one.keys() | two.keys():
            if one.get(name) != two.get(name):
                told[f"{name}: {one.get(name)} / {two.get(name)}"] += 1
    for line, count in sorted(told.items()):
        yield line if count == 1 else f"{line} (in {count} scenarios)"
