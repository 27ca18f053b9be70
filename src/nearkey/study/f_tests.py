"""F tests with their effect size, and analysis of variance within participants by contrasts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nearkey.intervals import Estimate
from nearkey.study.effect_sizes import huynh_feldt, partial_eta_squared, scipy_stats
from nearkey.text_table import ResultTable, estimate_text, number, p_value

Floats = NDArray[np.float64]


class FTest(NamedTuple):
    """An F with its degrees of freedom and p; `p_corrected` without sphericity (Greenhouse-Geisser), NaN where no
    such correction is made; `epsilon` its factor."""

    f: float
    df: int
    df_error: int
    p: float
    p_corrected: float = math.nan
    epsilon: float = math.nan

    @property
    def effect(self) -> Estimate:
        """Partial eta squared with its 95 % interval, see `effect_size`."""
        return self.effect_size()

    def effect_size(self, *, confidence: float = 0.95) -> Estimate:
        """Partial eta squared with its interval, by Huynh and Feldt's epsilon where the test is within participants."""
        epsilon = 1.0
        if not math.isnan(self.epsilon):
            epsilon = huynh_feldt(self.epsilon, self.df, self.df_error)
        return partial_eta_squared(
            self.f, self.df, self.df_error, epsilon=epsilon, confidence=confidence
        )

    def to_dict(self) -> dict[str, Any]:
        """The fields, and the effect size with the ends of its interval."""
        names = ("partial_eta_squared", "eta_low", "eta_high")
        return self._asdict() | dict(zip(names, self.effect, strict=True))


def f_table(tests: Mapping[str, FTest | None]) -> ResultTable:
    """A row for each of the `tests` by name; dashes where there was nothing to test."""
    return ResultTable(
        ("effect", "F", "p", "p (G-G)", "epsilon", "partial eta²"),
        [
            (name, *("-",) * 5)
            if test is None
            else (
                name,
                f"F({test.df}, {test.df_error}) = {number(test.f)}",
                p_value(test.p),
                p_value(test.p_corrected),
                number(test.epsilon, 3),
                estimate_text(test.effect),
            )
            for name, test in tests.items()
        ],
        left=(0, 1),
    )


def contrasts(k: int) -> Floats:
    """(k, k - 1): orthonormal columns that sum to nothing."""
    centring = np.eye(k) - 1.0 / k
    return np.asarray(np.linalg.svd(centring)[0][:, : k - 1])


def within_persons(scores: Floats) -> FTest:
    """The test of (n participants, df contrast scores) against zero.

    F = n |mean|² / df over the mean square of the participants' scores about their mean; Greenhouse-Geisser's factor
    is tr(S)² / (df tr(S²)) with S the scores' covariance. NaN where all scores are zero.
    Source: standard analysis of variance; Greenhouse & Geisser 1959 (from memory).
    """
    n, df = scores.shape
    mean = scores.mean(axis=0)
    spread = np.atleast_2d(np.cov(scores, rowvar=False))
    error, effect = float(np.trace(spread)) / df, n * float(mean @ mean) / df
    f = effect / error if error > 0 else math.inf if effect > 0 else math.nan
    squares = float((spread * spread).sum())
    epsilon = float(np.trace(spread)) ** 2 / (df * squares) if squares > 0 else math.nan
    tail = scipy_stats().f.sf
    df_error = df * (n - 1)
    return FTest(
        f,
        df,
        df_error,
        float(tail(f, df, df_error)),
        float(tail(f, epsilon * df, epsilon * df_error)),
        epsilon,
    )
