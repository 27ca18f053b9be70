"""How noisy touches are on a layout: the spread, the offset, and how many touches taught them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from nearkey.layout import Layout
from nearkey.simulate.typist import SamplingTouchModel

_DRAWS = 200


@dataclass(frozen=True, slots=True)
class LayoutNoise:
    """Touches on the letter keys of a layout, means over the keys.

    spread_mm : standard deviation, root mean square of the two axes. offset_mm : how far a key's mean touch lies from
    its centre. touches_a_key : that the model was fitted on, NaN where it says nothing of that.
    """

    spread_mm: float
    offset_mm: float
    touches_a_key: float

    @classmethod
    def of(cls, layout: Layout, touch: SamplingTouchModel) -> LayoutNoise:
        """Of the model where touches land: as stated, or of touches drawn from it where it states nothing."""
        ids = [key.id for key in layout.letter_keys]
        rows = [list(touch.key_ids).index(key) for key in ids]
        stated: Any = touch
        if hasattr(touch, "means_") and hasattr(touch, "covariances_"):
            means, covariances = stated.means_[rows], stated.covariances_[rows]
        else:
            keys = np.repeat(rows, _DRAWS)
            drawn = np.asarray(touch.sample(keys, np.random.default_rng(0)))
            drawn = drawn.reshape(len(rows), _DRAWS, 2)
            means = drawn.mean(axis=1)
            covariances = np.stack([np.cov(one, rowvar=False) for one in drawn])
        centers = np.asarray(layout.centers)[[layout.key_index(key) for key in ids]]
        counted = np.asarray(getattr(stated, "n_touches_", math.nan))
        variance = np.trace(covariances, axis1=1, axis2=2) / 2
        return cls(
            float(np.sqrt(variance.mean())) * layout.unit_mm,
            float(np.hypot(*(means - centers).T).mean()) * layout.unit_mm,
            float(counted) / len(rows) if np.ndim(counted) == 0 else float(counted[rows].mean()),
        )
