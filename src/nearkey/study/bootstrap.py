"""Bootstrap intervals of means."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from nearkey.errors import StudyLogError

__all__ = ["bootstrap_mean"]

# Rows drawn at once: bounds memory, changes no result.
_CHUNK = 500


def bootstrap_mean(
    values: Sequence[float], *, confidence: float = 0.95, resamples: int = 2000, seed: int = 0
) -> tuple[float, float]:
    """Percentile bootstrap interval (low, high) of the mean of independent values.

    With fewer than two values it is (nan, nan): nothing can be said. With few (under ten or so) it
    is too narrow, as every percentile bootstrap is. Raises StudyLogError for a confidence outside
    (0, 1) or no resamples.
    Source: Efron & Tibshirani, An Introduction to the Bootstrap, 1993 (from memory).
    """
    if not 0.0 < confidence < 1.0:
        raise StudyLogError(
            f"is {confidence}", field="confidence", fix="give a share between 0 and 1, as 0.95"
        )
    if resamples < 1:
        raise StudyLogError(f"is {resamples}", field="resamples", fix="give at least 1")
    data = np.asarray(values, dtype=np.float64)
    if len(data) < 2:
        return math.nan, math.nan
    rng = np.random.default_rng(seed)
    means = np.concatenate(
        [
            data[rng.integers(len(data), size=(min(_CHUNK, resamples - i), len(data)))].mean(axis=1)
            for i in range(0, resamples, _CHUNK)
        ]
    )
    tail = (1.0 - confidence) / 2.0
    low, high = np.quantile(means, [tail, 1.0 - tail])
    return float(low), float(high)
