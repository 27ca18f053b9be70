"""Studies drawn from a known truth: intervals hold it as often as they say; the benchmark at a fiftieth of its size."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from nearkey.intervals import Estimate

pytestmark = pytest.mark.reference
stats = pytest.importorskip("scipy.stats")
pytest.importorskip("scipy")

PATH = Path(__file__).parents[3] / "benchmarks" / "study" / "study_coverage.py"


@pytest.fixture(scope="module")
def coverage():
    spec = importlib.util.spec_from_file_location("study_coverage", PATH)
    module = importlib.util.module_from_spec(spec)
    sys.modules["study_coverage"] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules["study_coverage"]


def outside(held: int, n: int) -> bool:
    """Whether chance alone would give so few or so many of n at 95 % less often than once in a thousand."""
    tail = min(stats.binom.cdf(held, n, 0.95), stats.binom.sf(held - 1, n, 0.95))
    return bool(tail < 5e-4)


def with_halves(draw):
    """The intervals drawn, and each once more at half its width: what a wrong interval would look like."""

    def both(rng, people):
        for name, one in draw(rng, people):
            yield name, one
            ends = ((one.value + end) / 2 for end in (one.low, one.high))
            yield f"half: {name}", Estimate(one.value, *ends)

    return both


def check(found: dict[str, tuple[int, int]]) -> None:
    """None of the intervals is wrong, and most of those at half their width are seen to be."""
    halves = {name for name in found if name.startswith("half: ")}
    assert [name for name in found if name not in halves and outside(*found[name])] == []
    assert sum(outside(*found[name]) for name in halves) > 0.6 * len(halves)


def test_intervals_of_people_hold_the_truth(coverage) -> None:
    told = coverage.truth(np.random.default_rng(1), 2000)
    found = coverage.count(
        with_halves(coverage.of_people),
        lambda name, people: told(name.removeprefix("half: "), people),
        people=8,
        studies=40,
        seed=2,
    )
    found.pop(coverage.BOOTSTRAP)
    assert len(found) > 60
    check(found)


def test_intervals_of_models_hold_the_truth(coverage) -> None:
    found = coverage.count(
        with_halves(coverage.of_models),
        lambda name, people: coverage.true_model(name.removeprefix("half: "), people),
        people=4,
        studies=40,
        seed=2,
    )
    assert len(found) == 8
    check(found)
