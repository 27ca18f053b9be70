"""Spaces of letter assignments: which letters may go to which keys, counted exactly, listed, and drawn at random.

A space is a tree of decisions, letter by letter in the base's reading order. What matters of the letters placed so far
is a small state (how full the keys are, where the last letter of the row went, where letters that must or must not
share a key are), so counts follow by dynamic programming over states, and listing and drawing walk the same tree.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations, permutations
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import LayoutError, placed
from nearkey.layout import Layout, count_grids
from nearkey.layout.cells import base_rows, plan_cells
from nearkey.layout.key import Key, default_label, letter_extent
from nearkey.layout.rules import RULES, walk
from nearkey.seeds import Seed

Keys = tuple[int, ...]
"""Of each letter of a space, in its order, the number of its key."""

_State = tuple[int, tuple[int, ...], tuple[int, ...], int]
"""Letters placed; letters on each key, as far as it matters; where each rule's letters are; the last letter's key."""

MOST_LISTED = 1_000_000
"""A strict grid space of more layouts than this is refused: it is held as a list."""

_SLACK = 1e-6
_MOST_STATES = 200_000  # of counting: some twenty seconds


@dataclass(frozen=True, kw_only=True, slots=True)
class SpaceRules:
    """What a designer allows besides the rule of the space.

    Parameters
    ----------
    pins : letter -> id of the key it stays on.
    exclude : letter -> ids of keys it may not be on.
    together : strings of letters that must share a key.
    apart : strings of letters of which no two may share a key.
    groups : strings of letters that make up a key, exactly.
    sizes : least and most letters of a key. Under the rules "strict" and "loose" a least of 0 lets keys stay empty.
    symmetry : "none"; "keys", keys that all letters may reach alike are interchangeable and only one of their orders
        counts (for objectives that do not ask where keys lie); "mirror", of layouts that are mirror images (left to
        right, top to bottom, or both) only one counts, where the space is its own mirror image.
    """

    pins: Mapping[str, str] = field(default_factory=dict)
    exclude: Mapping[str, Sequence[str]] = field(default_factory=dict)
    together: Sequence[str] = ()
    apart: Sequence[str] = ()
    groups: Sequence[str] = ()
    sizes: tuple[int, int] | None = None
    symmetry: Literal["none", "keys", "mirror"] = "none"


class LetterSpace:
    """All assignments of a base's letters to keys that a rule and a designer allow (`grid_space`, `shape_space`).

    Attributes
    ----------
    name : for layouts' names. letters : in the base's reading order. key_ids : of the keys, in order.
    rule : "strict", "loose", "ordered" or "free". domains : for each letter, the keys open to it, ascending.
    rows : for each letter, the number of its base row. column : (n_keys,), places from left to right, equal for keys
    that stand above each other.
    """

    def __init__(
        self,
        *,
        base: Layout,
        shapes: Layout,
        rule: str,
        domains: Sequence[Sequence[int]],
        rules: SpaceRules,
        listed: Sequence[Keys] | None = None,
    ) -> None:
        self.base, self.shapes, self.rule, self.rules = base, shapes, rule, rules
        self.name = f"{shapes.name}-{rule}"
        number = {
            letter: r for r, row in enumerate(base_rows(base)) for k in row for letter in k.letters
        }
        self.letters, self.rows = "".join(number), tuple(number.values())
        self.key_ids = tuple(key.id for key in shapes.letter_keys)
        place = {letter: i for i, letter in enumerate(base.letters)}
        opened = [set(domains[place[letter]]) for letter in self.letters]
        self._apply_rules(opened)
        self.domains = tuple(tuple(sorted(keys)) for keys in opened)
        n = len(self.letters)
        self.sizes = rules.sizes or (int(rule in ("ordered", "free")), n)
        self._check_sizes()
        self._centers = [(key.cx, key.cy) for key in shapes.letter_keys]
        across = sorted({round(x, 6) for x, _ in self._centers})
        self.column = tuple(across.index(round(x, 6)) for x, _ in self._centers)
        self._cap = self.sizes[1] if self.sizes[1] < n else max(self.sizes[0], 1)
        self._classes = self._interchangeable()
        self._memo: dict[_State, int] = {}
        self._reachable: dict[tuple[int, bool], int] = {}
        self._listed: tuple[Keys, ...] | None = None
        if listed is not None:
            order = [base.letters.index(letter) for letter in self.letters]
            moved = (tuple(keys[i] for i in order) for keys in listed)
            kept = [keys for keys in moved if self.allows(keys)]
            self._listed, self._members = tuple(kept), frozenset(kept)
        self._mirrors = self._mirror_images() if rules.symmetry == "mirror" else ()

    # What is allowed

    def _apply_rules(self, opened: list[set[int]]) -> None:
        rules, place = self.rules, {letter: i for i, letter in enumerate(self.letters)}
        ids = {key_id: i for i, key_id in enumerate(self.key_ids)}

        def letter(one: str) -> int:
            if one not in place:
                problem = f"{one!r} is no letter of {self.base.name}"
                raise LayoutError(problem, fix="name letters of the base")
            return place[one]

        def key(one: str) -> int:
            if one not in ids:
                raise LayoutError(f"no key {one!r}", fix=f"use one of {', '.join(ids)}")
            return ids[one]

        def sets(texts: Sequence[str]) -> list[list[int]]:
            """Rules on which letters share keys, as sets of letter numbers."""
            found = [[letter(one) for one in text] for text in texts]
            if any(len(set(one)) != len(one) or not one for one in found):
                raise LayoutError("one is empty or has a letter twice", fix="name each letter once")
            return found

        with placed(field="pins"):
            for one, key_id in rules.pins.items():
                opened[letter(one)] &= {key(key_id)}
        with placed(field="exclude"):
            for one, key_ids in rules.exclude.items():
                opened[letter(one)] -= {key(key_id) for key_id in key_ids}
        with placed(field="together"):
            self._together = sets(rules.together)
        with placed(field="apart"):
            self._apart = sets(rules.apart)
        with placed(field="groups"):
            self._groups = sets(rules.groups)
            taken = [i for group in self._groups for i in group]
            if len(taken) != len(set(taken)):
                raise LayoutError("a letter stands in two of them", fix="name each letter once")
        for i, keys in enumerate(opened):
            if not keys:
                problem = f"no key is left for {self.letters[i]!r}"
                raise LayoutError(problem, field="pins, exclude", fix="open one to it")
        self._sets = [*self._together, *self._groups, *self._apart]
        self._last = [max(one) for one in self._sets]
        self._of: list[list[int]] = [
            [s for s, one in enumerate(self._sets) if i in one] for i in range(len(self.letters))
        ]

    def _check_sizes(self) -> None:
        least, most = self.sizes
        n, k = len(self.letters), len(self.key_ids)
        if not 0 <= least <= most or most < 1:
            raise LayoutError(
                f"are {least} and {most}", field="sizes", fix="give least and most, such as [3, 6]"
            )
        if least * k > n or most * k < n:
            problem = f"{n} letters do not fill {k} keys with {least} to {most} each"
            raise LayoutError(problem, field="sizes", fix="widen them")

    def _interchangeable(self) -> list[list[int]]:
        """Keys that every letter may reach alike, in classes; none where the rule asks where keys lie."""
        if self.rule == "ordered":
            return []
        classes: dict[tuple[bool, ...], list[int]] = {}
        for key in range(len(self.key_ids)):
            classes.setdefault(tuple(key in keys for keys in self.domains), []).append(key)
        return [keys for keys in classes.values() if len(keys) > 1]

    def _start(self) -> _State:
        return (0, (0,) * len(self.key_ids), (-1,) * len(self._sets), -1)

    def _steps(
        self, state: _State, allowed: Sequence[Sequence[int]] | None = None
    ) -> Iterator[tuple[int, _State]]:
        """Keys open to the next letter, and the states they lead to."""
        i, fills, kept, last = state
        least, most = self.sizes
        n_exact, n_together = len(self._groups), len(self._together)
        after = i + 1
        same_row = after < len(self.letters) and self.rows[after] == self.rows[i]
        for key in self.domains[i] if allowed is None else allowed[i]:
            if fills[key] >= most:
                continue
            if (
                self.rule == "ordered"
                and last >= 0
                and key != last
                and self.column[key] <= self.column[last]
            ):
                continue
            if not self._first_of_class(key, fills):
                continue
            new = list(kept)
            good = True
            for s in self._of[i]:
                if s >= n_together + n_exact:  # apart: the keys its letters have, as bits
                    used = 0 if kept[s] < 0 else kept[s]
                    good = good and not used >> key & 1
                    new[s] = used | 1 << key
                elif kept[s] >= 0:
                    good = good and kept[s] == key
                else:
                    # The first letter of a group that is exactly a key finds it empty.
                    good = good and (s < n_together or fills[key] == 0)
                    new[s] = key
            for s in range(n_together, n_together + n_exact):
                good = good and (s in self._of[i] or kept[s] != key)
            if not good:
                continue
            for s in self._of[i]:
                if self._last[s] == i and not n_together <= s < n_together + n_exact:
                    new[s] = -1
            grown = list(fills)
            grown[key] = min(fills[key] + 1, self._cap)
            if sum(max(least - fill, 0) for fill in grown) > len(self.letters) - after:
                continue
            yield (
                key,
                (
                    after,
                    tuple(grown),
                    tuple(new),
                    key if self.rule == "ordered" and same_row else -1,
                ),
            )

    def _first_of_class(self, key: int, fills: tuple[int, ...]) -> bool:
        """Whether no interchangeable key before this one is empty as well, where only one order counts."""
        if self.rules.symmetry != "keys" or fills[key]:
            return True
        return all(
            fills[other] for keys in self._classes if key in keys for other in keys if other < key
        )

    def _alike(self, state: _State) -> _State:
        """One state for all that have as many completions: interchangeable keys sorted by what is known of them."""
        i, fills, kept, last = state
        if not self._classes:
            return state
        n_whole = len(self._together) + len(self._groups)

        def known(key: int) -> tuple[int, ...]:
            marks = [
                k == key if s < n_whole else k >= 0 and k >> key & 1 for s, k in enumerate(kept)
            ]
            return (-fills[key], *(-int(mark) for mark in marks))

        number = list(range(len(fills)))
        for keys in self._classes:
            for new, key in zip(keys, sorted(keys, key=known), strict=True):
                number[key] = new
        renumbered = [0] * len(fills)
        for key, new in enumerate(number):
            renumbered[new] = fills[key]

        def renamed(s: int, k: int) -> int:
            if k < 0:
                return k
            if s < n_whole:
                return number[k]
            return sum(1 << number[key] for key in range(len(fills)) if k >> key & 1)

        return (i, tuple(renumbered), tuple(renamed(s, k) for s, k in enumerate(kept)), last)

    def _completions(
        self,
        state: _State,
        allowed: Sequence[Sequence[int]] | None = None,
        memo: dict[_State, int] | None = None,
    ) -> int:
        memo = self._memo if memo is None else memo
        if state[0] == len(self.letters):
            return 1
        key = self._alike(state) if allowed is None else state
        if key not in memo:
            if len(memo) >= _MOST_STATES:
                raise LayoutError(
                    "has too many kinds of keys to be counted",
                    where=self.name,
                    field="constraints",
                    fix="take fewer keys, or rules that treat more of them alike",
                )
            memo[key] = sum(
                self._completions(further, allowed, memo)
                for _, further in self._steps(state, allowed)
            )
        return memo[key]

    def is_empty(self) -> bool:
        """Whether no layout is allowed. Raises LayoutError where that takes too long to find out."""
        if self._listed is not None:
            return not self._listed
        waiting, seen = [self._start()], 0
        while waiting:
            state = waiting.pop()
            if state[0] == len(self.letters):
                return False
            seen += 1
            if seen > _MOST_STATES:
                return not self._completions(self._start())
            waiting += [further for _, further in self._steps(state)]
        return True

    # Counting, listing, drawing

    def count(self) -> int:
        """The exact number of layouts, by dynamic programming; mirror images by Burnside's lemma.

        Raises LayoutError for a space of so many unlike keys that this would take minutes.

        Burnside: the number of orbits is the mean number of assignments that each mirror image leaves as they are, and
        it leaves those as they are whose letters all lie on keys that it leaves in place.
        """
        if self._listed is not None:
            return len(self._listed) if not self._mirrors else sum(1 for _ in self.listing())
        total = self._completions(self._start())
        if not self._mirrors:
            return total
        for image in self._mirrors:
            still = [[key for key in keys if image[key] == key] for keys in self.domains]
            total += self._completions(self._start(), still, {})
        return total // (len(self._mirrors) + 1)

    def prefixes(self, most: int) -> list[Keys]:
        """Beginnings that part the space into pieces of at most so many layouts each, where letters allow, in order."""
        if self._listed is not None:
            return [()]
        found: list[Keys] = []

        def part(prefix: Keys, state: _State) -> None:
            size = self._completions(state)
            if size and (size <= most or state[0] == len(self.letters)):
                found.append(prefix)
            elif size:
                for key, further in self._steps(state):
                    part((*prefix, key), further)

        part((), self._start())
        return found

    def listing(self, prefix: Keys = ()) -> Iterator[Keys]:
        """Every layout that begins so, in order: letter by letter, keys ascending; mirror images left out."""
        if self._listed is not None:
            found: Iterable[Keys] = self._listed
        else:
            state = self._start()
            for key in prefix:
                state = dict(self._steps(state))[key]
            found = self._walk(prefix, state)
        return (keys for keys in found if not self._mirrors or keys == self.canonical(keys))

    def _walk(self, prefix: Keys, state: _State) -> Iterator[Keys]:
        if state[0] == len(self.letters):
            yield prefix
            return
        for key, further in self._steps(state):
            if self._completions(further):
                yield from self._walk((*prefix, key), further)

    def draw(self, seed: Seed) -> Keys:
        """A layout at random, each as likely as any other. Raises LayoutError where there is none."""
        rng = np.random.default_rng(seed)
        total = len(self._listed) if self._listed is not None else self._completions(self._start())
        if not total:
            raise LayoutError(
                "allows no layout", where=self.name, field="constraints", fix="loosen one of them"
            )
        # Counts pass 64 bits, so a number is made of bytes; the share lost to rounding is below 2 to the minus 64.
        number = int.from_bytes(rng.bytes(total.bit_length() // 8 + 9), "little") % total
        if self._listed is not None:
            return self.canonical(self._listed[number])
        state, keys = self._start(), []
        while state[0] < len(self.letters):
            for key, further in self._steps(state):
                below = self._completions(further)
                if number < below:
                    keys.append(key)
                    state = further
                    break
                number -= below
        return self.canonical(tuple(keys))

    def allows(self, keys: Sequence[int]) -> bool:
        """Whether an assignment belongs to the space, one order of interchangeable keys or another aside."""
        if len(keys) != len(self.letters) or any(
            k not in own for k, own in zip(keys, self.domains, strict=True)
        ):
            return False
        fills = [0] * len(self.key_ids)
        for key in keys:
            fills[key] += 1
        if min(fills) < self.sizes[0] or max(fills) > self.sizes[1]:
            return False
        if self.rule == "ordered" and any(
            self.rows[i] == self.rows[i - 1]
            and keys[i] != keys[i - 1]
            and self.column[keys[i]] <= self.column[keys[i - 1]]
            for i in range(1, len(keys))
        ):
            return False
        if any(len({keys[i] for i in one}) > 1 for one in self._together):
            return False
        if any(len({keys[i] for i in one}) < len(one) for one in self._apart):
            return False
        if any(
            len({keys[i] for i in one}) > 1 or fills[keys[one[0]]] != len(one)
            for one in self._groups
        ):
            return False
        return self._listed is None or tuple(keys) in self._members

    def narrowed(self, opened: Sequence[int]) -> list[int] | None:
        """What the rules leave of the keys open to each letter (as bits); None where they leave one nothing.

        Follows each rule by itself until nothing changes, so what is left may still hold no layout.
        """
        found, n, all_keys = list(opened), len(opened), range(len(self.key_ids))
        least, most = self.sizes
        while True:
            before = list(found)
            if self.rule == "ordered":
                for i in range(1, n):
                    if self.rows[i] == self.rows[i - 1]:
                        found[i] &= self._beyond(found[i - 1], ahead=True)
                        found[i - 1] &= self._beyond(found[i], ahead=False)
            for one in (*self._together, *self._groups):
                shared = found[one[0]]
                for i in one:
                    shared &= found[i]
                for i in one:
                    found[i] = shared
            for one in self._groups:
                shared = found[one[0]]
                for i in range(n) if shared & (shared - 1) == 0 else ():
                    found[i] &= -1 if i in one else ~shared
            for one in self._apart:
                for i, j in permutations(one, 2):
                    if found[i] & (found[i] - 1) == 0:
                        found[j] &= ~found[i]
            for key in all_keys:
                bit = 1 << key
                sure = sum(own == bit for own in found)
                able = sum(own >> key & 1 for own in found)
                if sure > most or able < least:
                    return None
                if sure == most:
                    found = [own if own == bit else own & ~bit for own in found]
                if able == least:
                    found = [bit if own & bit else own for own in found]
            if not all(found):
                return None
            if found == before:
                return found

    def _beyond(self, keys: int, *, ahead: bool) -> int:
        """Keys that a row's next letter (`ahead`), or the one before, may have: the same, or in a column further on."""
        if (keys, ahead) not in self._reachable:
            edge = [column for k, column in enumerate(self.column) if keys >> k & 1]
            allowed = keys
            for k, column in enumerate(self.column) if edge else ():
                further = column > min(edge) if ahead else column < max(edge)
                allowed |= further << k
            self._reachable[keys, ahead] = allowed
        return self._reachable[keys, ahead]

    def canonical(self, keys: Sequence[int]) -> Keys:
        """The one of all assignments that count as the same which stands for them."""
        if self.rules.symmetry == "keys" and self._classes:
            keys = self._in_order(keys)
        return min([tuple(keys), *(tuple(image[key] for key in keys) for image in self._mirrors)])

    def _in_order(self, keys: Sequence[int]) -> Keys:
        number: dict[int, int] = {}
        for own in self._classes:
            used = list(dict.fromkeys(key for key in keys if key in own))
            number |= dict(zip(used, own, strict=False))
        return tuple(number.get(key, key) for key in keys)

    def _mirror_images(self) -> tuple[Keys, ...]:
        """The mirror images that map keys on keys and the space on itself, as new numbers of the keys."""
        left, top, right, bottom = letter_extent(self.shapes.letter_keys)
        images = set()
        for across, down in ((True, False), (False, True), (True, True)):
            image = []
            for x, y in self._centers:
                wanted = (left + right - x if across else x, top + bottom - y if down else y)
                near = [
                    k
                    for k, center in enumerate(self._centers)
                    if np.allclose(center, wanted, atol=_SLACK * (right - left))
                ]
                image += near[:1]
            closed = len(set(image)) == len(self.key_ids) and all(
                {image[key] for key in keys} == set(keys) for keys in self.domains
            )
            if closed and self.rule == "free":
                images.add(tuple(image))
        return tuple(sorted(images - {tuple(range(len(self.key_ids)))}))

    # Layouts

    def layout(self, keys: Sequence[int], *, name: str | None = None) -> Layout:
        """The layout of an assignment; keys without letters are left out."""
        groups = ["" for _ in self.key_ids]
        for letter in self.base.letters:
            groups[keys[self.letters.index(letter)]] += letter
        made = iter(groups)
        placed: list[Key] = []
        for key in self.shapes.keys:
            if key.role != "letters":
                placed.append(key)
            elif letters := next(made):
                placed.append(replace(key, letters=letters, label=default_label(key.id, letters)))
        return replace(
            self.shapes,
            name=name or self.name,
            keys=tuple(placed),
            note="",
            alphabet=self.base.alphabet,
        )

    def keys_of(self, layout: Layout) -> Keys:
        """The assignment of a layout that lies on this space's keys. Raises LayoutError where it does not."""
        number = {key_id: i for i, key_id in enumerate(self.key_ids)}
        try:
            return tuple(number[layout.keys[layout.key_of_letter[c]].id] for c in self.letters)
        except KeyError as fault:
            raise LayoutError(
                f"no place for {fault} among the keys of {self.name}",
                where=layout.name,
                field="keys",
                fix="give a layout of this space",
            ) from None

    def array(self, listed: Iterable[Sequence[int]]) -> NDArray[np.uint8]:
        """Assignments as rows, (n, n_letters)."""
        rows = [tuple(keys) for keys in listed]
        return np.asarray(rows, dtype=np.uint8).reshape(len(rows), len(self.letters))

    def moves(self, keys: Sequence[int]) -> Iterator[Keys]:
        """Assignments of the space one change away, in a fixed order: a letter to another key, two letters of different
        keys for each other, a base row's letters on a key to another key."""
        if self._listed is not None:
            yield from (other for other in self._listed if other != tuple(keys))
            return
        for changes in self._changes(keys):
            changed = list(keys)
            for i, key in changes:
                changed[i] = key
            if self.allows(changed):
                yield tuple(changed)

    def _changes(self, keys: Sequence[int]) -> Iterator[list[tuple[int, int]]]:
        for i, own in enumerate(self.domains):
            yield from ([(i, key)] for key in own if key != keys[i])
        for i, j in combinations(range(len(keys)), 2) if self.rule != "ordered" else ():
            if keys[i] != keys[j]:
                yield [(i, keys[j]), (j, keys[i])]
        for run in self._runs(keys):
            for key in set(self.domains[run[0]]) - {keys[run[0]]}:
                yield [(i, key) for i in run]

    def _runs(self, keys: Sequence[int]) -> list[list[int]]:
        """Letters that move as one: those of a base row on a key, those that must share one."""
        runs: dict[Any, list[int]] = {}
        for i, key in enumerate(keys):
            runs.setdefault((self.rows[i], key), []).append(i)
        found = [run for run in runs.values() if len(run) > 1] if self.rule == "ordered" else []
        return found + [one for one in (*self._together, *self._groups) if len(one) > 1]

    def draw_move(self, keys: Sequence[int], seed: Seed, tries: int = 200) -> Keys:
        """One of `moves` at random; the assignment itself where none is found in so many tries."""
        rng = np.random.default_rng(seed)
        if self._listed is not None:
            return self._listed[int(rng.integers(len(self._listed)))]
        n = len(keys)
        for _ in range(tries):
            changed = list(keys)
            kind, i = rng.random(), int(rng.integers(n))
            runs = self._runs(keys) if self.rule == "ordered" or kind < 0.2 else []
            if runs and kind < 0.2:
                run = runs[int(rng.integers(len(runs)))]
                key = self.domains[run[0]][int(rng.integers(len(self.domains[run[0]])))]
                for j in run:
                    changed[j] = key
            elif kind < 0.6 and self.rule != "ordered":
                j = int(rng.integers(n))
                changed[i], changed[j] = keys[j], keys[i]
            else:
                changed[i] = self.domains[i][int(rng.integers(len(self.domains[i])))]
            if changed != list(keys) and self.allows(changed):
                return tuple(changed)
        return tuple(keys)

    def to_dict(self) -> dict[str, Any]:
        """What decides the space, as plain data: for fingerprints and certificates."""
        return {
            "rule": self.rule,
            "letters": self.letters,
            "rows": list(self.rows),
            "keys": list(self.key_ids),
            "column": list(self.column),
            "domains": [list(keys) for keys in self.domains],
            "sizes": list(self.sizes),
            "together": self._together,
            "apart": self._apart,
            "groups": self._groups,
            "symmetry": self.rules.symmetry,
        }


def grid_space(
    base: Layout,
    *,
    rows: int,
    columns: int,
    rule: str = "free",
    rules: SpaceRules | None = None,
    width_mm: float | None = None,
    height_mm: float | None = None,
) -> LetterSpace:
    """The space of `rows` x `columns` grids over a base, under a rule of `grid_layouts` and a designer's own.

    Parameters
    ----------
    base, rows, columns, rule : as for `grid_layouts`. rules : what else is asked.
    width_mm, height_mm : lay the grid on a surface of this size (both or neither).

    Raises LayoutError for what cannot be applied.
    """
    plan = plan_cells(base, rows=rows, columns=columns)
    letters, cells = list(base.letters), rows * columns
    if cells > len(letters):
        raise LayoutError(
            f"{cells} cells for {len(letters)} letters",
            field="rows, columns",
            fix="ask for fewer cells",
        )
    # Any letters will do for a layout that only says where keys lie.
    spread = {letter: i % cells for i, letter in enumerate(letters)}
    shapes = plan.layout(spread, name=f"{base.name}-{rows}x{columns}")
    if rule != "strict":
        return shape_space(
            base, shapes, rule=rule, rules=rules, width_mm=width_mm, height_mm=height_mm
        )
    n = count_grids(base, rows=rows, columns=columns)
    if n > MOST_LISTED:
        raise LayoutError(
            f"a strict space of {n:,} layouts",
            field="rows, columns",
            fix="ask for fewer cells, or rule loose",
        )
    listed = [tuple(cell_of[c] for c in letters) for cell_of in walk(RULES["strict"](plan))]
    domains = [plan.reach[c] for c in letters]
    return _made(base, shapes, rule, domains, rules or SpaceRules(), listed, (width_mm, height_mm))


def shape_space(
    base: Layout,
    shapes: Layout,
    *,
    rule: str = "free",
    rules: SpaceRules | None = None,
    width_mm: float | None = None,
    height_mm: float | None = None,
) -> LetterSpace:
    """The space of letter assignments to the keys of a spec, of any shapes.

    Both arrangements are stretched over one surface. A letter's key reaches the keys that it overlaps. "loose": each
    letter goes to a key that its own reaches; "strict": letters whose keys reach the same ones go there together;
    "ordered": the letters of a base row take keys from left to right, a letter further right never a key whose centre
    lies further left, on keys that the height of their row reaches; "free": any key.

    Parameters
    ----------
    base : the arrangement whose letters are placed. shapes : its keys of role letters take them; their own letters do
        not matter. rule, rules, width_mm, height_mm : as for `grid_space`.
    """
    rules = rules or SpaceRules()
    if rule not in RULES:
        raise LayoutError(f"no rule {rule!r}", field="rule", fix=f"use one of {', '.join(RULES)}")
    ours, theirs = _boxes(base), _boxes(shapes)
    spans = {
        key.id: (min(ours[k.id][1] for k in row), max(ours[k.id][3] for k in row))
        for row in base_rows(base)
        for key in row
    }
    domains: list[Sequence[int]] = []
    for letter in base.letters:
        key = base.keys[base.key_of_letter[letter]]
        left, top, right, bottom = ours[key.id]
        if rule == "ordered":
            left, right = 0.0, 1.0
            top, bottom = spans[key.id]
        reached = [
            i
            for i, box in enumerate(theirs.values())
            if min(right, box[2]) - max(left, box[0]) > _SLACK
            and min(bottom, box[3]) - max(top, box[1]) > _SLACK
        ]
        domains.append(range(len(theirs)) if rule == "free" else reached)
    if rule == "strict":
        reach: dict[tuple[int, ...], str] = {}
        for letter, keys in zip(base.letters, domains, strict=True):
            reach[tuple(keys)] = reach.get(tuple(keys), "") + letter
        rules = replace(
            rules, together=(*rules.together, *(c for c in reach.values() if len(c) > 1))
        )
    shapes = replace(shapes, alphabet=base.alphabet)
    return _made(base, shapes, rule, domains, rules, None, (width_mm, height_mm))


def _made(
    base: Layout,
    shapes: Layout,
    rule: str,
    domains: Sequence[Sequence[int]],
    rules: SpaceRules,
    listed: list[Keys] | None,
    size: tuple[float | None, float | None],
) -> LetterSpace:
    width, height = size
    if (width is None) != (height is None):
        raise LayoutError(
            "only one side of the surface", field="width_mm, height_mm", fix="give both or neither"
        )
    if width is not None and height is not None:
        base, shapes = base.fitted(width, height), shapes.fitted(width, height)
    if rules.symmetry not in ("none", "keys", "mirror"):
        raise LayoutError(
            f"{rules.symmetry!r} is not known", field="symmetry", fix="write none, keys or mirror"
        )
    if rules.symmetry == "mirror" and rule != "free":
        raise LayoutError(
            f"rule {rule} is not its own mirror image",
            field="symmetry",
            fix="write none, or use rule free",
        )
    return LetterSpace(
        base=base, shapes=shapes, rule=rule, domains=domains, rules=rules, listed=listed
    )


def _boxes(layout: Layout) -> dict[str, tuple[float, float, float, float]]:
    """Left, top, right, bottom of the keys of role letters, as shares of what they take up together."""
    left, top, right, bottom = letter_extent(layout.letter_keys)
    w, h = right - left, bottom - top
    return {
        k.id: ((k.x - left) / w, (k.y - top) / h, (k.x + k.w - left) / w, (k.y + k.h - top) / h)
        for k in layout.letter_keys
    }
