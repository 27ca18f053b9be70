"""The decoder's input: touches, as points or as densities."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.errors import DecodeError

LARGEST_COORDINATE = 1e6
"""How far from the origin a touch may lie, in layout units: as far as a layout may reach."""

MOST_TOUCHES = 100
"""Touches of one word. No word is so long; what is longer comes from a sensor that is stuck."""


@dataclass(frozen=True, slots=True, eq=False)
class Touches:
    """Touches in order, checked once. Made by `of`, `of_densities` or `Decoder.touches`.

    rows : float64, C-contiguous: points (n, 2) in layout units; or (n, columns) natural log densities under each key
        of a touch model, whose columns these are, for a model without components.
    are_points : which of the two.
    """

    rows: NDArray[np.float64]
    are_points: bool

    @classmethod
    def of(cls, points: ArrayLike) -> Touches:
        """Touches from points (n, 2); none from an empty sequence.

        Raises `DecodeError` for the wrong shape, numbers that are not finite, and places more than
        `LARGEST_COORDINATE` away.
        """
        try:
            rows = np.ascontiguousarray(points, dtype=np.float64)
        except (TypeError, ValueError, OverflowError):
            raise DecodeError(
                "touches are not numbers", where="decode", field="points", fix="give rows of x, y"
            ) from None
        if rows.size == 0:
            rows = rows.reshape(0, 2)
        if rows.ndim != 2 or rows.shape[1] != 2:
            raise DecodeError(
                f"touches have shape {rows.shape}",
                where="decode",
                field="points",
                fix="give rows of x, y",
            )
        # Mostly the sum of squares says that all are near, in a third of the time.
        if not np.vdot(rows, rows) <= LARGEST_COORDINATE**2:
            near = np.abs(rows) <= LARGEST_COORDINATE
            if not near.all():
                bad = int(np.flatnonzero(~near.all(axis=1))[0])
                finite = bool(np.isfinite(rows[bad]).all())
                raise DecodeError(
                    "touch lies on no surface" if finite else "touch is not finite",
                    where="decode",
                    field=f"points[{bad}]",
                    fix="drop or correct the touch",
                )
        return cls(rows, True)

    @classmethod
    def one(cls, point: ArrayLike) -> Touches:
        """A single touch from its x and y. Raises `DecodeError` as `of` does."""
        try:
            rows = np.asarray(point, dtype=np.float64).reshape(1, 2)
        except (TypeError, ValueError, OverflowError):
            raise DecodeError(
                "is no touch", where="decode", field="point", fix="give x and y"
            ) from None
        return cls.of(rows)

    @classmethod
    def of_densities(cls, densities: ArrayLike) -> Touches:
        """Touches from natural log densities (n, columns); minus infinity is allowed.

        Raises `DecodeError` for the wrong shape, for NaN and for plus infinity.
        """
        rows = np.ascontiguousarray(densities, dtype=np.float64)
        if rows.ndim != 2:
            raise DecodeError(
                f"gave shape {rows.shape}",
                where="touch model",
                field="log_prob",
                fix="give a row for each touch, a column for each key",
            )
        if not (rows < np.inf).all():
            raise DecodeError(
                "gave NaN or infinity",
                where="touch model",
                field="log_prob",
                fix="correct the touch model",
            )
        return cls(rows, False)

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def columns(self) -> int:
        """Columns of `rows`: 2 for points."""
        return int(self.rows.shape[1])

    def one_word(self, where: str) -> Touches:
        """These touches, which are those of one word: DecodeError, placed at `where`, for more than `MOST_TOUCHES`."""
        if len(self.rows) > MOST_TOUCHES:
            raise DecodeError(
                f"{len(self.rows)} touches in one word",
                where=where,
                field="points",
                fix=f"give {MOST_TOUCHES} at most, or decode_sentence the whole",
            )
        return self

    def part(self, first: int, last: int) -> Touches:
        """The touches from `first` up to `last`, as if they were all."""
        return Touches(self.rows[first:last], self.are_points)
