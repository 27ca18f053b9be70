"""From a log and a layout to labelled points: which key each touch was meant for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import TouchDataError, TouchModelError
from nearkey.touch.key_geometry import Geometry, geometry_of
from nearkey.touch.touch_log import TouchLog

if TYPE_CHECKING:
    from nearkey.layout import Layout

__all__ = ["Labelled", "label", "label_all", "previous_points", "target_keys"]


@dataclass(frozen=True, slots=True, eq=False)
class Labelled:
    """The labelled touches of a log, in layout units.

    `log` is the whole log in layout units; `rows (n,)` index it, `key (n,)` the layout's keys;
    `points` and `offsets` (touch minus key centre) are `(n, 2)`.
    """

    log: TouchLog
    geometry: Geometry
    rows: NDArray[np.intp]
    key: NDArray[np.intp]
    points: NDArray[np.float64]
    offsets: NDArray[np.float64]
    n_unlabelled: int


def target_keys(log: TouchLog, layout: Layout | Geometry) -> NDArray[np.intp]:
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


def label(log: TouchLog, layout: Layout | Geometry) -> Labelled:
    """Resolve targets and units, and check that the touches can belong to this surface.

    Raises TouchDataError for an unknown target, for a log without any target, for a sitting in which more
    than a tenth of the touches lie more than one surface away (mixed units, or another layout), and for
    a person whose x or y never changes though the keys do (a stuck sensor, a bad export).
    """
    geometry = geometry_of(layout)
    keys = target_keys(log, geometry)
    log = log.in_units_of(geometry)
    points = log.points
    _check_surface(log, points, geometry)
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
    log: TouchLog | Sequence[TouchLog], layout: Layout | Geometry | Sequence[Layout | Geometry]
) -> list[Labelled]:
    """Label one log on one layout, or several logs each on its own layout."""
    logs = [log] if isinstance(log, TouchLog) else list(log)
    layouts = list(layout) if isinstance(layout, list | tuple) else [cast("Layout", layout)]
    if len(logs) != len(layouts) or not logs:
        raise TouchDataError(
            f"{len(logs)} logs and {len(layouts)} layouts", field="layout", fix="pair them"
        )
    return [label(one, where) for one, where in zip(logs, layouts, strict=True)]


def previous_points(log: TouchLog) -> NDArray[np.float64]:
    """For each touch, the one before it by the same person in the same session `(n, 2)`.

    Touches are ordered by trial, order and row. NaN for the first of a session.
    """
    _, who = np.unique(log.person, return_inverse=True)
    _, session = np.unique(log.session, return_inverse=True)
    order = np.lexsort((np.arange(len(log)), log.order, log.trial, session, who))
    before = np.full((len(log), 2), np.nan)
    together = (who[order][1:] == who[order][:-1]) & (session[order][1:] == session[order][:-1])
    later, earlier = order[1:][together], order[:-1][together]
    before[later] = log.points[earlier]
    return before


def _check_surface(log: TouchLog, points: NDArray[np.float64], geometry: Geometry) -> None:
    """Refuse a sitting in which more than a tenth of the touches, and three or more, lie a surface away."""
    size = np.array([geometry.width, geometry.height])
    far = ((points < -size) | (points > 2 * size)).any(axis=1)
    if not far.any():
        return
    sitting = _numbered(log.person) * len(log) + _numbered(log.session)
    _, group = np.unique(sitting, return_inverse=True)
    count = np.bincount(group, weights=far)
    share = np.where(count >= 3, count / np.bincount(group), 0.0)
    if share.max() > 0.1:
        row = int(np.flatnonzero(far & (group == share.argmax()))[0])
        x, y = points[row]
        raise TouchDataError(
            f"({x:.6g}, {y:.6g}) and {100 * share.max():.0f} % of the touches of "
            f"'{log.person[row]}' in that sitting lie far off the "
            f"{geometry.width:.6g} x {geometry.height:.6g} surface",
            where=log.where,
            field=f"row {row + 1}, x, y",
            fix="check the unit of the log (layout or mm) and the layout",
        )


def _check_moving(touches: Labelled) -> None:
    """Refuse a person whose touches all have one x (or y) though keys at different places were meant."""
    aimed = touches.geometry.centers[touches.key]
    person = touches.log.person[touches.rows]
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


def _numbered(names: NDArray[np.str_]) -> NDArray[np.intp]:
    return np.unique(names, return_inverse=True)[1]
