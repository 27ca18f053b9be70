"""What a touch model needs to know of a layout: where the keys are and what they stand for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeAlias, Union

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import TouchModelError
from nearkey.layout import Layout

Floats: TypeAlias = NDArray[np.float64]
Indices: TypeAlias = NDArray[np.intp]
Flags: TypeAlias = NDArray[np.bool_]
AnyLayout: TypeAlias = Union[Layout, "Geometry"]

# Two layouts share their geometry when no key differs by more than this share of the surface.
_SAME = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Geometry:
    """The keys of a layout, without the layout: small enough to be saved with a model.

    Parameters
    ----------
    key_ids : ids of the keys, in the layout's order.
    letters : per key, every character that a touch log may name it by (a space key has " ").
    centers, sizes : `(n_keys, 2)`, in layout units; made read-only.
    width, height : the surface, in layout units.
    unit_mm : millimetres in one layout unit.
    """

    key_ids: tuple[str, ...]
    letters: tuple[str, ...]
    centers: Floats
    sizes: Floats
    width: float
    height: float
    unit_mm: float
    _by_name: dict[str, int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        by_name: dict[str, int] = {}
        for i, group in enumerate(self.letters):
            for letter in group:  # of several keys with a letter, the first
                by_name.setdefault(letter, i)
        object.__setattr__(self, "_by_name", by_name)
        self.centers.setflags(write=False)
        self.sizes.setflags(write=False)

    @property
    def n_keys(self) -> int:
        """How many keys there are."""
        return len(self.key_ids)

    @property
    def area(self) -> float:
        """Area of the surface, in squared layout units."""
        return self.width * self.height

    @property
    def sizes_mm(self) -> Floats:
        """Widths and heights of the keys in millimetres `(n_keys, 2)`."""
        return self.sizes * self.unit_mm

    def key_of_target(self, target: str) -> int | None:
        """The key a log's `target` names, by id or by letter; None when there is none.

        Raises TouchModelError when the target is the id of one key and a letter of another.
        """
        by_id = self.key_ids.index(target) if target in self.key_ids else None
        by_letter = self._by_name.get(target)
        if by_letter is None and by_id is None and len(target) == 1:
            by_letter = self._by_name.get(target.lower())
        if by_id is None:
            return by_letter
        if by_letter is not None and by_letter != by_id:
            raise TouchModelError(
                f"target '{target}' is the id of one key and a letter of another",
                field=f"keys {self.key_ids[by_id]}, {self.key_ids[by_letter]}",
                fix="give the keys ids that are no letters",
            )
        return by_id

    def keys_with(self, letter: str) -> list[int]:
        """All keys that write a letter (or a space); none for what is the id of a key."""
        if len(letter) != 1 or letter in self.key_ids:
            return []
        return [i for i, group in enumerate(self.letters) if letter in group]

    def match(self, other: Geometry) -> Indices | None:
        """For each key of `other`, the key here with the same rectangle `(n_keys,)`.

        None when the surfaces differ or a key has no such counterpart.
        """
        same_surface = np.allclose(
            [self.width, self.height], [other.width, other.height], rtol=_SAME, atol=0.0
        )
        if self.n_keys != other.n_keys or not same_surface:
            return None
        here = np.hstack([self.centers, self.sizes])
        there = np.hstack([other.centers, other.sizes])
        gap = np.abs(there[:, None, :] - here[None, :, :]).max(axis=2)
        order: Indices = np.asarray(gap.argmin(axis=1))
        near = gap[np.arange(other.n_keys), order] <= _SAME * max(self.width, self.height)
        if not near.all() or len(set(order.tolist())) != self.n_keys:
            return None
        return order

    def to_dict(self) -> dict[str, Any]:
        """Plain data, as model files hold it under "layout"."""
        rows = zip(
            self.key_ids, self.letters, self.centers.tolist(), self.sizes.tolist(), strict=True
        )
        return {
            "unit_mm": self.unit_mm,
            "width": self.width,
            "height": self.height,
            "keys": [{"id": i, "letters": s, "center": c, "size": z} for i, s, c, z in rows],
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Geometry:
        """What `to_dict` gave; KeyError, TypeError or ValueError for anything else."""
        keys = data["keys"]
        return cls(
            key_ids=tuple(str(k["id"]) for k in keys),
            letters=tuple(str(k["letters"]) for k in keys),
            centers=np.array([k["center"] for k in keys], dtype=np.float64).reshape(-1, 2),
            sizes=np.array([k["size"] for k in keys], dtype=np.float64).reshape(-1, 2),
            **{name: float(data[name]) for name in ("width", "height", "unit_mm")},
        )


def geometry_of(layout: AnyLayout) -> Geometry:
    """The geometry of a layout; a Geometry passes through."""
    if isinstance(layout, Geometry):
        return layout
    letters = [""] * len(layout.key_ids)
    for letter, index in layout.key_of_letter.items():
        letters[index] += letter
    for i, key in enumerate(layout.keys):
        named = " " if key.role == "space" else key.letters
        letters[i] += "".join(c for c in named if c not in letters[i])
    return Geometry(
        key_ids=tuple(layout.key_ids),
        letters=tuple(letters),
        centers=np.array(layout.centers, dtype=np.float64),
        sizes=np.array(layout.sizes, dtype=np.float64),
        width=float(layout.width),
        height=float(layout.height),
        unit_mm=float(layout.unit_mm),
    )
