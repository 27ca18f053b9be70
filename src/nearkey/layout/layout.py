"""`Layout`: keys on a surface, valid by construction, with the arrays the other rooms need."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from nearkey.errors import LayoutError
from nearkey.files import atomic_write
from nearkey.layout.checks import check_layout, missing_letters
from nearkey.layout.drawing import EllipseShape, layout_svg
from nearkey.layout.geometry import FloatArray, IntArray, nearest_rectangle
from nearkey.layout.key import Arrangement, default_label, letter_extent
from nearkey.layout.spec import catalogue_names, catalogue_spec, spec_dict, spec_fields, spec_text
from nearkey.schema import read_toml


@dataclass(frozen=True, slots=True)
class Layout(Arrangement):
    """Keys on a rectangular surface. Checked when made, so every `Layout` is a valid one.

    Parameters
    ----------
    name : name of the arrangement.
    unit_mm : millimetres in one layout unit.
    width, height : the surface, in layout units.
    keys : the keys, in the order that numbers them everywhere else.
    language : BCP 47 tag of the language it is meant for, or "".
    alphabet : the letters that must all be placed; a to z unless given.
    note : free text.

    Raises
    ------
    LayoutError
        When a letter is missing or placed twice, ids repeat, a key leaves the surface or overlaps
        another by more than 1 % of the smaller key's sides, or a number is not usable.
    """

    _centers: FloatArray = field(init=False, repr=False, compare=False)
    _sizes: FloatArray = field(init=False, repr=False, compare=False)
    _index: dict[str, int] = field(init=False, repr=False, compare=False)
    _key_of_letter: dict[str, int] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        keys = tuple(self.keys)
        object.__setattr__(self, "keys", keys)
        check_layout(self)
        lettered = ((i, key.letters) for i, key in enumerate(keys) if key.role == "letters")
        for name, value in {
            "unit_mm": float(self.unit_mm),
            "width": float(self.width),
            "height": float(self.height),
            "_centers": _frozen([(key.cx, key.cy) for key in keys]),
            "_sizes": _frozen([(key.w, key.h) for key in keys]),
            "_index": {key.id: i for i, key in enumerate(keys)},
            "_key_of_letter": {letter: i for i, letters in lettered for letter in letters},
        }.items():
            object.__setattr__(self, name, value)

    def __repr__(self) -> str:
        return (
            f"<Layout {self.name!r}: {len(self.keys)} keys, {len(self.letters)} letters, "
            f"{self.width_mm:g} x {self.height_mm:g} mm>"
        )

    def __str__(self) -> str:
        rows: dict[float, list[str]] = {}
        for key in sorted(self.keys, key=lambda key: (key.cy, key.cx)):
            rows.setdefault(round(key.cy, 6), []).append(key.letters or key.label or key.role)
        head = f"{self.name}, {self.width_mm:g} x {self.height_mm:g} mm"
        return "\n".join([head, *("  " + " | ".join(row) for row in rows.values())])

    def __reduce__(self) -> tuple[Any, ...]:
        # Copies and pickles (worker processes) go through the checks and stay read-only.
        return (Layout, tuple(getattr(self, each.name) for each in fields(Arrangement)))

    # Reading and writing

    @classmethod
    def named(cls, name: str) -> Layout:
        """A layout of the catalogue, by name; see `catalogue_names`."""
        return cls.from_dict(catalogue_spec(name), where=f"catalogue/{name}.toml")

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Layout:
        """Read a spec file (TOML); LayoutError names the file, the key, the field and the fix."""
        return cls.from_dict(read_toml(path, LayoutError), where=os.fspath(path))

    @classmethod
    def from_dict(cls, data: Mapping[str, Any], *, where: str | None = None) -> Layout:
        """A layout from the data of a spec; `where` names their source in errors (LayoutError)."""
        try:
            return cls(**spec_fields(data, where=where))
        except LayoutError as fault:
            raise (fault.at(where) if where else fault) from None

    def to_dict(self) -> dict[str, Any]:
        """The data of the spec, in canonical order; `from_dict` gives an equal layout back."""
        return spec_dict(self)

    def to_toml(self) -> str:
        """The spec as canonical TOML; comments of a file it was read from are not kept."""
        return spec_text(self.to_dict())

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the spec, as `to_toml` has it, whole or not at all."""
        with atomic_write(path, "wb") as handle:
            handle.write(self.to_toml().encode("utf-8"))

    # What the other rooms ask for

    @property
    def key_ids(self) -> tuple[str, ...]:
        """The ids of the keys, in order."""
        return tuple(self._index)

    def key_index(self, key_id: str) -> int:
        """The position of a key; LayoutError for an id the layout does not have."""
        try:
            return self._index[key_id]
        except KeyError:
            raise LayoutError(
                f"no key {key_id!r}",
                where=f'layout "{self.name}"',
                field="key id",
                fix=f"use one of {', '.join(self._index)}",
            ) from None

    @property
    def letters(self) -> str:
        """All letters, in the order of the keys; marks on punctuation keys are not among them."""
        return "".join(self._key_of_letter)

    @property
    def key_of_letter(self) -> Mapping[str, int]:
        """Letter to position of its key (read-only)."""
        return MappingProxyType(self._key_of_letter)

    @property
    def centers(self) -> FloatArray:
        """Centres of the keys, (n_keys, 2), in layout units (read-only)."""
        return self._centers

    @property
    def sizes(self) -> FloatArray:
        """Widths and heights of the keys, (n_keys, 2), in layout units (read-only)."""
        return self._sizes

    def nearest_key(self, points: npt.ArrayLike) -> IntArray:
        """The key each point touches, or else the one whose edge is nearest.

        Parameters
        ----------
        points : (n, 2), layout units, finite. Of keys equally near, the one with the nearer
            centre wins, then the earlier one.

        Returns
        -------
        (n,) positions of keys. Raises LayoutError for points of another shape or not finite.
        """
        return nearest_rectangle(points, self._centers, self._sizes)

    def require_alphabet(self, alphabet: Iterable[str], *, where: str | None = None) -> None:
        """Raise LayoutError unless every letter of `alphabet` is on a key of role letters."""
        missing = missing_letters(self.keys, "".join(alphabet))
        if missing:
            raise LayoutError(
                f"no key has {', '.join(map(repr, missing))}",
                where=where or f'layout "{self.name}"',
                field="keys: letters",
                fix="place these letters, or choose a language pack without them",
            )

    # The same arrangement elsewhere

    def scaled(self, factor: float) -> Layout:
        """The layout `factor` times as large: every length in layout units is multiplied.

        Raises LayoutError for a factor that is not above 0.
        """
        _check_lengths(factor=factor)
        return self._on(self.width * factor, self.height * factor, self.unit_mm)

    def fitted(self, width_mm: float, height_mm: float) -> Layout:
        """The arrangement stretched over a surface of this size, one unit being a millimetre.

        Candidates fitted to one surface can be compared: the same touch in millimetres lands at
        the same coordinates on each. Raises LayoutError for a size that is not above 0.
        """
        _check_lengths(width_mm=width_mm, height_mm=height_mm)
        return self._on(width_mm, height_mm, 1.0)

    def _on(self, width: float, height: float, unit_mm: float) -> Layout:
        across, down = width / self.width, height / self.height
        keys = tuple(
            replace(key, x=key.x * across, y=key.y * down, w=key.w * across, h=key.h * down)
            for key in self.keys
        )
        return replace(self, unit_mm=unit_mm, width=width, height=height, keys=keys)

    def renamed(self, name: str) -> Layout:
        """The same layout under another name."""
        return replace(self, name=name)

    def with_letters(self, groups: Iterable[str], *, name: str | None = None) -> Layout:
        """The same keys with other letters, labelled anew.

        Parameters
        ----------
        groups : the letters of each key of role letters, in the order of the keys.
        name : name of the new layout; the old one's unless given.

        Raises LayoutError for another number of groups, or letters that make no valid layout.
        """
        groups = tuple(groups)
        if len(groups) != len(self.letter_keys):
            raise LayoutError(
                f"{len(groups)} groups for {len(self.letter_keys)} keys of role letters",
                where=f'layout "{self.name}"',
                field="groups",
                fix="give the letters of each",
            )
        new = iter(groups)
        keys = []
        for key in self.keys:
            if key.role == "letters":
                letters = next(new)
                label = default_label(key.id, letters, self.language)
                key = replace(key, letters=letters, label=label)
            keys.append(key)
        return replace(self, name=name or self.name, keys=tuple(keys))

    # Looking and comparing

    def to_svg(
        self,
        *,
        points: npt.ArrayLike | None = None,
        targets: Sequence[int] | IntArray | None = None,
        ellipses: Iterable[EllipseShape] = (),
        width_px: float = 480,
    ) -> str:
        """The layout as an SVG picture: one string that needs no other file.

        Parameters
        ----------
        points : touches, (n, 2), layout units; those beyond the picture's margin are not drawn.
        targets : (n,) positions of the keys aimed at, which colour the touches.
        ellipses : in layout units, as of `nearkey.touch.ellipses`; the i-th has the colour of the
            touches aimed at key i.
        width_px : the surface's width on screen; heights follow in proportion.

        Raises LayoutError for touches or targets of another shape, and a width that is not above 0.
        """
        return layout_svg(
            self, points=points, targets=targets, ellipses=ellipses, width_px=width_px
        )

    def _repr_svg_(self) -> str:
        return self.to_svg()

    def distance_from(self, base: Layout, *, weights: Mapping[str, float] | None = None) -> float:
        """How far letters have moved from where `base` has them, on average.

        A letter's place is the centre of its key, as shares of the width and height that all
        letter keys together take up; the distance is Euclidean in those shares. So 0 means that
        every letter is where it was, and 1 would be a whole width (or height) away.

        Parameters
        ----------
        base : the familiar arrangement; must have every letter of this layout.
        weights : weight of each letter, for example its frequency; equal unless given.

        Raises LayoutError for a letter that `base` lacks, and weights that are negative, infinite or all 0.
        """
        base.require_alphabet(self.letters)
        there = _letter_shares(base)
        moved = [
            float(np.hypot(*(place - there[letter])))
            for letter, place in _letter_shares(self).items()
        ]
        shares = [1.0 if weights is None else float(weights.get(c, 0.0)) for c in self.letters]
        if not (np.isfinite(shares).all() and min(shares) >= 0 and sum(shares) > 0):
            raise LayoutError(
                "negative, infinite or all 0", field="weights", fix="give the letters' frequencies"
            )
        return float(np.average(moved, weights=shares))


def _check_lengths(**lengths: float) -> None:
    for field_name, value in lengths.items():
        if not (np.isfinite(value) and value > 0):
            raise LayoutError(f"is {value:g}", field=field_name, fix="give a number above 0")


def _letter_shares(layout: Layout) -> dict[str, FloatArray]:
    left, top, right, bottom = letter_extent(layout.letter_keys)
    places = (layout.centers - [left, top]) / [right - left, bottom - top]
    return {letter: places[i] for letter, i in layout.key_of_letter.items()}


def _frozen(rows: list[tuple[float, float]]) -> FloatArray:
    array = np.array(rows, dtype=np.float64)
    array.flags.writeable = False
    return array


def find_layout(
    name: str, folder: str | os.PathLike[str] = "", *, fit_mm: tuple[float, float] | None = None
) -> Layout:
    """A layout of the catalogue by name, else of a spec file in `folder`; laid on `fit_mm` where that is given.

    Raises LayoutError where `name` is neither.
    """
    path = str(Path(folder) / name)
    if name in catalogue_names():
        found = Layout.named(name)
    elif os.path.exists(path):  # noqa: PTH110 - Path.exists raises for too long a name
        found = Layout.load(path)
    else:
        raise LayoutError(
            "neither a file nor a layout of the catalogue",
            where=path,
            fix=f"check the path, or name one of {', '.join(catalogue_names())}",
        )
    return found.fitted(*fit_mm) if fit_mm else found
