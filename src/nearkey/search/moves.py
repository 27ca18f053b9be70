"""Small changes to a grid: what a local search may do to a layout in one step."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations, groupby, product
from typing import Any, Protocol

import numpy as np

from nearkey.errors import LayoutError
from nearkey.layout.layout import Layout
from nearkey.search.letter_space import Keys, grid_space
from nearkey.seeds import Seed


class Moves(Protocol):
    """A neighbourhood of layouts. Both methods keep every letter placed and every key filled."""

    def neighbours(self, layout: Layout) -> Iterator[Layout]:
        """All layouts one move away, in a fixed order, under the layout's own name."""

    def draw(self, layout: Layout, seed: Seed) -> Layout:
        """One of them at random; the layout itself where there is none."""


class _Neighbourhood:
    """Moves by way of a list of changes to a layout, in a fixed order."""

    def neighbours(self, layout: Layout) -> Iterator[Layout]:
        """All layouts one move away, in a fixed order: `LayoutError` for a layout that cannot be read."""
        for change in self._changes(layout):
            yield self._changed(layout, change)

    def draw(self, layout: Layout, seed: Seed) -> Layout:
        """One neighbour, each equally likely; the layout itself where there is none."""
        rng = np.random.default_rng(seed)
        changes = list(self._changes(layout))
        return (
            self._changed(layout, changes[int(rng.integers(len(changes)))]) if changes else layout
        )

    def _changes(self, layout: Layout) -> Iterator[Any]:
        """Every change that keeps every letter placed and every key filled."""
        raise NotImplementedError

    def _changed(self, layout: Layout, change: Any) -> Layout:
        raise NotImplementedError


class FreeMoves(_Neighbourhood):
    """Two letters of different keys change places, or a letter goes to another key.

    Every swap comes before every move of a single letter.

    Parameters
    ----------
    base : gives the order in which the letters of a key are written, so that equal groupings are
        equal layouts.
    """

    def __init__(self, base: Layout) -> None:
        self._order = {letter: i for i, letter in enumerate(base.letters)}

    def _changes(self, layout: Layout) -> Iterator[tuple[str, str | int]]:
        """Letters to swap, then letters and the keys they go to."""
        groups = self._groups(layout)
        for first, second in combinations(groups, 2):
            yield from product(first, second)
        for i, group in enumerate(groups):
            for letter in group if len(group) > 1 else "":
                yield from ((letter, target) for target in range(len(groups)) if target != i)

    def _changed(self, layout: Layout, change: tuple[str, str | int]) -> Layout:
        letter, other = change
        groups = self._groups(layout)
        if isinstance(other, str):
            swap = str.maketrans({letter: other, other: letter})
            changed = [group.translate(swap) for group in groups]
        else:
            changed = [group.replace(letter, "") for group in groups]
            changed[other] += letter
        order = self._order.__getitem__
        return layout.with_letters("".join(sorted(group, key=order)) for group in changed)

    def _groups(self, layout: Layout) -> list[str]:
        unknown = [letter for letter in layout.letters if letter not in self._order]
        if unknown:
            raise LayoutError(
                f"{unknown[0]!r} is not in the base",
                where=f'layout "{layout.name}"',
                field="letters",
                fix="give the base the layout was made from",
            )
        return [key.letters for key in layout.letter_keys]


class OrderedMoves(_Neighbourhood):
    """Within a base row, a boundary between columns moves by a letter, or a run changes grid row.

    Parameters
    ----------
    base, rows, columns : as for `grid_layouts`, whose rule "ordered" says which grids there are.
    """

    def __init__(self, base: Layout, *, rows: int, columns: int) -> None:
        self._space = grid_space(base, rows=rows, columns=columns, rule="ordered")
        self._grid = f"{rows} x {columns} grid over {base.name}"

    def _changes(self, layout: Layout) -> Iterator[Keys]:
        """The keys of all letters after each change that leaves no key empty."""
        space, keys = self._space, self._read(layout)
        for _, letters in groupby(range(len(keys)), key=lambda i: (space.rows[i], keys[i])):
            run = list(letters)
            # The letter at either end of a run to the next column, the run to another row of its own.
            for moved, step in ((run[:1], -1), (run[-1:], 1), (run, 0)):
                for key in space.domains[run[0]]:
                    if (
                        key != keys[run[0]]
                        and space.column[key] - space.column[keys[run[0]]] == step
                    ):
                        changed = list(keys)
                        for i in moved:
                            changed[i] = key
                        if space.allows(changed):
                            yield tuple(changed)

    def _changed(self, layout: Layout, change: Keys) -> Layout:
        key_of = dict(zip(self._space.letters, change, strict=True))
        return layout.with_letters(
            "".join(letter for letter in self._space.base.letters if key_of[letter] == key)
            for key in range(len(self._space.key_ids))
        )

    def _read(self, layout: Layout) -> Keys:
        """The keys of the letters in a layout."""
        space, ids = self._space, tuple(key.id for key in layout.letter_keys)
        if ids == space.key_ids and sorted(layout.letters) == sorted(space.letters):
            keys = space.keys_of(layout)
            if space.allows(keys):
                return keys
        raise LayoutError(
            f"not an ordered {self._grid}",
            where=f'layout "{layout.name}"',
            field="keys",
            fix='start from one that grid_layouts gives with rule "ordered"',
        )
