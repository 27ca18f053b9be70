"""From a log and a layout to labelled points: which key each touch was meant for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import TouchDataError, TouchModelError
from nearkey.touch.key_geometry import AnyLayout, Flags, Floats, Geometry, Indices, geometry_of
from nearkey.touch.sufficient_statistics import KeyStats, check_spread
from nearkey.touch.touch_log import TouchLog

MOST_FAR_TO_CLEAN = 0.3
"""A larger share of a sitting far off the surface is a wrong unit or layout, and nothing that cleaning may drop."""


@dataclass(frozen=True, slots=True, eq=False)
class Labelled:
    """The labelled touches of a log, in layout units.

    Parameters
    ----------
    log : the whole log, in layout units. geometry : the layout's keys.
    rows : `(n,)`, rows of the log that are labelled. key : `(n,)`, the keys they were meant for.
    points, offsets : `(n, 2)`, the touches, and touch minus key centre.
    n_unlabelled : rows without a target.
    """

    log: TouchLog
    geometry: Geometry
    rows: Indices
    key: Indices
    points: Floats
    offsets: Floats
    n_unlabelled: int

    @property
    def offsets_mm(self) -> Floats:
        """Offsets in millimetres `(n, 2)`."""
        return self.offsets * self.geometry.unit_mm

    @property
    def sizes_mm(self) -> Floats:
        """Widths and heights of the keys meant, in millimetres `(n, 2)`."""
        return self.geometry.sizes_mm[self.key]

    def statistics(self, least: int = 0) -> KeyStats:
        """Statistics of the offsets per key, in layout units.

        With `least`, TouchDataError for fewer touches than that in all, or none with spread.
        """
        stats = KeyStats.of(self.key, self.offsets, self.geometry.n_keys)
        if least:
            check_spread(stats, least, self.log.where)
        return stats


def target_keys(log: TouchLog, layout: AnyLayout) -> Indices:
    """The key index of every touch's target `(n,)`, -1 where the target is empty.

    A target may be a key id or a letter, whichever the layout has; one that several keys write (a space, where
    there are two space keys) means the nearest of them. Raises TouchDataError naming
    the row for a target that is neither.
    """
    geometry = geometry_of(layout)
    names, inverse = np.unique(log.target, return_inverse=True)
    index = np.full(len(names), -1, dtype=np.intp)
    for i, name in enumerate(names.tolist()):
        if name == "":
            continue
        try:
            key = geometry.key_of_target(name)
        except TouchModelError as fault:
            raise TouchDataError(
                fault.problem, where=log.where, field=fault.field, fix=fault.fix
            ) from None
        if key is None:
            row = int(np.flatnonzero(inverse == i)[0])
            known = ", ".join(geometry.key_ids[:6]) + (" …" if geometry.n_keys > 6 else "")
            raise TouchDataError(
                f"'{name}' is neither a key nor a letter of the layout",
                where=log.where,
                field=f"row {row + 1}, target",
                fix=f"keys are {known}",
            )
        index[i] = key
    keys = index[inverse]
    for name in names.tolist():
        twins = geometry.keys_with(name)
        if len(twins) > 1:
            meant = np.flatnonzero(log.target == name)
            points = log.in_units_of(geometry).points[meant]
            apart = points[:, None, :] - geometry.centers[twins]
            keys[meant] = np.array(twins)[np.einsum("ijk,ijk->ij", apart, apart).argmin(axis=1)]
    return keys


def label(log: TouchLog, layout: AnyLayout, *, most_far: float = 0.1) -> Labelled:
    """Resolve targets and units, and check that the touches can belong to this surface.

    Parameters
    ----------
    log : touches, labelled or not. layout : the layout they were made on.
    most_far : share of a sitting's touches that may lie more than one surface away; cleaning, which drops them, bears
        more than fitting does.

    Raises TouchDataError for an unknown target, for a log without any target, for a sitting in which more
    than `most_far` of the touches lie more than one surface away (mixed units, or another layout), and for
    a person whose x or y never changes though the keys do (a stuck sensor, a bad export).
    """
    geometry = geometry_of(layout)
    keys = target_keys(log, geometry)
    log = log.in_units_of(geometry)
    points = log.points
    _check_surface(log, geometry, most_far)
    rows = np.flatnonzero(keys >= 0)
    if len(rows) == 0:
        raise TouchDataError(
            "no touch has a target", where=log.where, field="target", fix="label some touches"
        )
    touches = Labelled(
        log=log,
        geometry=geometry,
        rows=rows,
        key=keys[rows],
        points=points[rows],
        offsets=points[rows] - geometry.centers[keys[rows]],
        n_unlabelled=len(log) - len(rows),
    )
    _check_moving(touches)
    return touches


def label_all(
    log: TouchLog | Sequence[TouchLog], layout: AnyLayout | Sequence[AnyLayout], *, least: int
) -> list[Labelled]:
    """Label one log on one layout, or several logs each on its own layout.

    Raises TouchDataError as `label` does, for logs and layouts that do not pair, and for fewer than `least`
    labelled touches in all or none with spread.
    """
    logs = [log] if isinstance(log, TouchLog) else list(log)
    layouts = list(layout) if isinstance(layout, list | tuple) else [cast(AnyLayout, layout)]
    if len(logs) != len(layouts) or not logs:
        raise TouchDataError(
            f"{len(logs)} logs and {len(layouts)} layouts", field="layout", fix="pair them"
        )
    parts = [label(one, where) for one, where in zip(logs, layouts, strict=True)]
    check_spread(pooled_statistics(parts), least, parts[0].log.where)
    return parts


def pooled_statistics(parts: Sequence[Labelled]) -> KeyStats:
    """Statistics of all offsets in millimetres, taken as those of one key."""
    offsets = np.vstack([part.offsets_mm for part in parts])
    return KeyStats.of(np.zeros(len(offsets), dtype=np.intp), offsets, 1)


def consecutive(log: TouchLog, among: Flags | None = None) -> tuple[Indices, Indices]:
    """Rows of touches, and of the touches just before them by the same person in the same session.

    Touches are ordered by trial, order and row; the first of a session is not among the former. `among (n,)` leaves
    all other rows out.
    """
    sitting = np.column_stack([_numbered(log.participant), _numbered(log.session)])
    order = np.lexsort((np.arange(len(log)), log.order, log.trial, sitting[:, 1], sitting[:, 0]))
    if among is not None:
        order = order[among[order]]
    together = (np.diff(sitting[order], axis=0) == 0).all(axis=1)
    return order[1:][together], order[:-1][together]


def previous_points(log: TouchLog) -> Floats:
    """For each touch, the one before it by the same person in the same session `(n, 2)`.

    Touches are ordered by trial, order and row. NaN for the first of a session.
    """
    before = np.full((len(log), 2), np.nan)
    later, earlier = consecutive(log)
    before[later] = log.points[earlier]
    return before


def far_off(points: Floats, geometry: Geometry) -> Flags:
    """Which points `(n, 2)` lie more than one surface away from the surface."""
    size = np.array([geometry.width, geometry.height])
    return np.asarray(((points < -size) | (points > 2 * size)).any(axis=1))


def _check_surface(log: TouchLog, geometry: Geometry, most: float) -> None:
    """Refuse a sitting in which more than `most` of the touches, and three or more, lie a surface away."""
    points = log.points
    far = far_off(points, geometry)
    if not far.any():
        return
    sitting = _numbered(log.participant) * len(log) + _numbered(log.session)
    group = np.unique(sitting, return_inverse=True)[1]
    count = np.bincount(group, weights=far)
    share = np.where(count >= 3, count / np.bincount(group), 0.0)
    if share.max() > most:
        row = int(np.flatnonzero(far & (group == share.argmax()))[0])
        x, y = points[row]
        raise TouchDataError(
            f"({x:.6g}, {y:.6g}) and {100 * share.max():.0f} % of the touches of "
            f"'{log.participant[row]}' in that sitting lie far off the "
            f"{geometry.width:.6g} x {geometry.height:.6g} surface",
            where=log.where,
            field=f"row {row + 1}, x, y",
            fix="check the unit of the log (layout or mm) and the layout"
            + (", or clean the log first" if share.max() <= MOST_FAR_TO_CLEAN else ""),
        )


def _check_moving(touches: Labelled) -> None:
    """Refuse a person whose touches all have one x (or y) though keys at different places were meant."""
    aimed = touches.geometry.centers[touches.key]
    person = touches.log.participant[touches.rows]
    for name in dict.fromkeys(person.tolist()):
        mine = person == name
        if mine.sum() < 3:
            continue
        for axis in (0, 1):
            values = touches.points[mine, axis]
            if np.ptp(values) == 0 and np.ptp(aimed[mine, axis]) > 0:
                raise TouchDataError(
                    f"is {values[0]:.6g} in all touches of '{name}', whatever key was meant",
                    where=touches.log.where,
                    field="xy"[axis],
                    fix="check the sensor and the export of the log",
                )


def _numbered(names: NDArray[np.str_]) -> Indices:
    return np.unique(names, return_inverse=True)[1]
