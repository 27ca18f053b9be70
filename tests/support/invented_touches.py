"""Invented touch logs for tests: surveyors on a stylus pad, each with a lean and a spread of her own."""

from __future__ import annotations

import numpy as np

import nearkey as nk
from nearkey.touch import TouchLog, concat


def invented_log(
    layout: nk.Layout,
    *,
    people: int = 4,
    each: int = 8,
    spread_mm: float = 1.0,
    widths: bool = True,
    seed: int = 5,
) -> TouchLog:
    """`each` touches of every key by every person, in millimetres."""
    rng = np.random.default_rng(seed)
    logs = []
    for number in range(people):
        width_mm = 10.0 + 2.0 * number
        keys = rng.permutation(np.repeat(np.arange(len(layout.keys)), each))
        model = nk.GaussianTouch.from_layout(layout, spread_mm=spread_mm * width_mm / 13.0)
        points = model.sample(keys, rng) * layout.unit_mm + rng.normal(0.0, 0.3, 2)
        logs.append(
            TouchLog.from_points(
                points,
                [layout.key_ids[k] for k in keys],
                participant=f"invented-{number + 1}",
                time_s=np.arange(len(keys)) * 0.5,
                unit="mm",
                **({"width_mm": width_mm} if widths else {}),
            )
        )
    return concat(logs)
