"""Recorded touches replayed as typing: results that do not rest on the distribution the decoder assumes.

For each key of a layout, the touches that one person made on the keys nearest in place and size are kept; a
replayed touch is the key's centre plus the offset of one of them, drawn at random. Offsets are replayed in
millimetres as they were, however large the keys. Order, rhythm and the pull of one touch on the next
are lost. Touch logs are personal data: see docs/benchmarking.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import TouchModel
from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.seeds import Seed
from nearkey.simulate.columns import Floats, Ints, select_rows
from nearkey.touch import TouchLog
from nearkey.touch.key_geometry import Geometry
from nearkey.touch.labelling import label

NEAREST = 40
"""Recorded touches a key draws from, unless told otherwise."""


@dataclass(frozen=True, slots=True)
class RecordedTouches:
    """Labelled touches of people, in millimetres.

    participant : (n,) text. offset_mm : (n, 2), touch minus the centre of the key meant. place_mm : (n, 2), that
    centre on the recorded surface. size_mm : (n, 2), that key's sides. surface_mm : the surface's sides.
    """

    participant: NDArray[np.str_]
    offset_mm: Floats
    place_mm: Floats
    size_mm: Floats
    surface_mm: tuple[float, float]

    @classmethod
    def of(cls, log: TouchLog, layout: Layout | Geometry) -> RecordedTouches:
        """The labelled touches of a log made on `layout`; touches without a target are left out.

        Raises what labelling raises: TouchDataError for a log that does not fit the layout.
        """
        found = label(log, layout)
        unit = found.geometry.unit_mm
        return cls(
            found.log.participant[found.rows],
            found.offsets * unit,
            found.geometry.centers[found.key] * unit,
            found.geometry.sizes[found.key] * unit,
            (found.geometry.width * unit, found.geometry.height * unit),
        )

    def __len__(self) -> int:
        return len(self.participant)

    @property
    def participants(self) -> tuple[str, ...]:
        """Who made them, in order of appearance."""
        return tuple(dict.fromkeys(self.participant.tolist()))

    def select(self, rows: NDArray[Any]) -> RecordedTouches:
        """Rows by mask or index."""
        return select_rows(self, rows, keep=("surface_mm",))

    def of_participant(self, participant: str) -> RecordedTouches:
        """One person's touches; PlanError where there are none."""
        rows = self.participant == participant
        if not rows.any():
            raise PlanError(
                f"no touches of {participant!r}",
                field="participant",
                fix=f"participants are {', '.join(self.participants[:8])}",
            )
        return self.select(rows)

    def others(self, participant: str) -> RecordedTouches:
        """Everyone else's touches."""
        return self.select(self.participant != participant)

    def halves(self, seed: Seed) -> tuple[RecordedTouches, RecordedTouches]:
        """Two halves at random: one to fit on, one to replay."""
        rng = np.random.default_rng(seed)
        order = rng.permutation(len(self))
        middle = len(self) // 2
        return self.select(np.sort(order[:middle])), self.select(np.sort(order[middle:]))


def _nearest(
    recorded: RecordedTouches, layout: Layout, at_mm: tuple[float, float] | None, nearest: int
) -> Ints:
    """For each key of the layout, the recorded touches nearest in place and size, (n_keys, m)."""
    if len(recorded) == 0:
        raise PlanError("no touches to replay", field="recorded", fix="record or choose some")
    if nearest < 1:
        raise PlanError(f"{nearest} touches a key", field="nearest", fix="draw from 1 or more")
    surface = np.asarray(recorded.surface_mm)
    centers = np.asarray(layout.centers) * layout.unit_mm
    sizes = np.asarray(layout.sizes) * layout.unit_mm
    if at_mm is None:
        own = np.asarray([layout.width_mm, layout.height_mm])
        centers = centers / own * surface
    else:
        centers = centers + np.asarray(at_mm)
    # A quarter of the surface's diagonal away counts like a side e times as long.
    scale = float(np.hypot(*surface)) / 4
    away = ((centers[:, None, :] - recorded.place_mm) ** 2).sum(axis=2) / scale**2
    unlike = (np.log(sizes[:, None, :] / recorded.size_mm) ** 2).sum(axis=2)
    order = np.argsort(away + unlike, axis=1, kind="stable")
    return np.asarray(order[:, : min(nearest, len(recorded))], dtype=np.int64)


class PoolTouch:
    """Draws from a pool of touches of each key; as a touch model it says what `assumed` does.

    Parameters
    ----------
    pools : touches (m, 2) of each key of `assumed`, in layout units. assumed : the model the decoder assumes.
    """

    def __init__(self, pools: Sequence[Floats], assumed: TouchModel) -> None:
        self.key_ids: tuple[str, ...] = tuple(assumed.key_ids)
        self._assumed = assumed
        self._points = np.concatenate(pools)
        self._sizes = np.array([len(pool) for pool in pools])
        self._starts = np.cumsum(self._sizes) - self._sizes

    def log_prob(self, points: Floats) -> Floats:
        """What the assumed model says."""
        return self._assumed.log_prob(points)

    def sample(self, keys: Ints, seed: Seed) -> Floats:
        """Touches (n, 2) meant for keys given by column: a uniform number for each, whatever the layout."""
        rng = np.random.default_rng(seed)
        index = np.asarray(keys, dtype=np.int64)
        place = (rng.random(len(index)) * self._sizes[index]).astype(np.int64)
        return np.asarray(self._points[self._starts[index] + place])


class ReplayTouch(PoolTouch):
    """Draws recorded touches; as a touch model it says what `assumed` does.

    Parameters
    ----------
    layout : what is typed on. recorded : whose touches are drawn, usually one person's.
    assumed : the model the decoder assumes, for the same layout.
    at_mm : where the layout's upper left corner lies on the recorded surface; without it, places are
        compared as shares of the two surfaces.
    nearest : how many recorded touches a key draws from.

    Raises PlanError where there is nothing to draw from.
    """

    def __init__(
        self,
        layout: Layout,
        recorded: RecordedTouches,
        assumed: TouchModel,
        *,
        at_mm: tuple[float, float] | None = None,
        nearest: int = NEAREST,
    ) -> None:
        rows = [layout.key_index(key) for key in assumed.key_ids]
        near = _nearest(recorded, layout, at_mm, nearest)[rows]
        offsets = recorded.offset_mm[near] / layout.unit_mm
        super().__init__(list(np.asarray(layout.centers)[rows][:, None, :] + offsets), assumed)


def log_near(
    recorded: RecordedTouches,
    layout: Layout,
    *,
    at_mm: tuple[float, float] | None = None,
    nearest: int = NEAREST,
) -> TouchLog:
    """Recorded touches carried over to a layout's keys, as a log any touch model can be fitted on.

    Each key gets the `nearest` touches it would be replayed from; a touch may serve several keys.
    """
    pool = _nearest(recorded, layout, at_mm, nearest)
    key = np.repeat(np.arange(len(pool)), pool.shape[1])
    points = np.asarray(layout.centers)[key] + recorded.offset_mm[pool.ravel()] / layout.unit_mm
    ids = np.asarray(layout.key_ids)
    return TouchLog.from_points(
        points, ids[key], participant=recorded.participant[pool.ravel()].tolist()
    )
