"""The decoder's input: touches, as points or as densities."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.errors import DecodeError

__all__ = ["Touches"]


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

        Raises `DecodeError` for the wrong shape or numbers that are not finite.
        """
        try:
            rows = np.ascontiguousarray(points, dtype=np.float64)
        except (TypeError, ValueError):
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
        if not np.isfinite(rows).all():
            bad = int(np.flatnonzero(~np.isfinite(rows).all(axis=1))[0])
            raise DecodeError(
                "touch is not finite",
                where="decode",
                field=f"points[{bad}]",
                fix="drop or correct the touch",
            )
        return cls(rows, True)

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

    def part(self, first: int, last: int) -> Touches:
        """The touches from `first` up to `last`, as if they were all."""
        return Touches(self.rows[first:last], self.are_points)
