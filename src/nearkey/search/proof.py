"""Proof: the best layout of a space by branch and bound, with a certificate that other code can check.

A box is a set of keys open to each letter. Its bound is the objective where decided letters share keys and every other
letter has a key of its own: no completion is better (see `BoundedObjective`). Boxes are split at a letter, the most
hopeful first (best-first branch and bound: Land & Doig 1960), until no box can hold a better layout than the best
found.
"""

from __future__ import annotations

import heapq
import json
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from math import inf, isfinite
from os import PathLike, fspath
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import PlanError
from nearkey.files import atomic_write
from nearkey.search.letter_search import checkpoint_header
from nearkey.search.letter_space import Keys, LetterSpace
from nearkey.search.objectives import BoundedObjective
from nearkey.seeds import Seed, seed_number
from nearkey.simulate.chunk_log import ChunkLog

Floats = NDArray[np.float64]

_AT_ONCE = 64  # boxes bounded in one call
_TOLERANCE = 1e-12


@dataclass(frozen=True, slots=True)
class ProofRecord:
    """How far a proof has come.

    best, value : the best layout so far and its objective. bound : what no layout of the space is better than.
    gap : |bound - value|; 0 where the best is proven. evaluated : boxes and layouts evaluated. open : boxes left.
    tree : the certificate's tree where asked for and finished; else None.
    """

    best: Keys
    value: float
    bound: float
    evaluated: int
    open: int
    tree: list[Any] | None = None

    @property
    def gap(self) -> float:
        """What is left between the best found and the bound."""
        return abs(self.bound - self.value)

    @property
    def proven(self) -> bool:
        """Whether no layout of the space is better than the best by more than rounding."""
        return self.gap <= _TOLERANCE


@dataclass
class _Box:
    """The keys open to each letter as bits; its place in the tree."""

    open: list[int]
    node: list[Any]


def prove(
    space: LetterSpace,
    objective: BoundedObjective,
    *,
    start: Sequence[Keys] = (),
    evaluations: int | None = None,
    stop: Callable[[], bool] = lambda: False,
    seed: Seed = 0,
    checkpoint: str | PathLike[str] | None = None,
) -> Iterator[ProofRecord]:
    """Best-first branch and bound over a space.

    Parameters
    ----------
    space : of rule "loose", "ordered" or "free", without mirror images.
    objective : with a bound.
    start : layouts known to be good; the better they are, the fewer boxes are split.
    evaluations : boxes and layouts to evaluate at most. stop : asked after each batch; True ends the search with its
    gap.
    seed : of the few layouts drawn to begin with.
    checkpoint : a file that keeps the bounds of each batch. The proof is the same each time, so one that was
        interrupted takes those bounds from it and goes on.

    Yields
    ------
    ProofRecord
        After each batch; the last one has the tree. Its bound holds whenever the search ends.

    Raises
    ------
    PlanError
        For an objective without a bound, a space without layouts, or a checkpoint of another proof.
    """
    seed = seed_number(seed)
    if not isinstance(objective, BoundedObjective):
        raise PlanError(
            "has no bound",
            field=f"objective {getattr(objective, 'name', '')}",
            fix="list or anneal instead",
        )
    if space.is_empty():
        raise PlanError("allows no layout", where=space.name, field="constraints", fix="loosen one")
    # Rows of an array serve as well: the settings in a checkpoint's header take plain numbers.
    plain = [tuple(int(key) for key in keys) for keys in start]
    return _Proof(space, objective, seed, plain).run(evaluations, stop, checkpoint)


class _Proof:
    def __init__(
        self, space: LetterSpace, objective: BoundedObjective, seed: int, start: list[Keys]
    ) -> None:
        self.space, self.objective = space, objective
        self.sign = 1.0 if objective.direction == "max" else -1.0
        self.weight = np.asarray(_letter_weights(objective, space))
        rng = np.random.default_rng(seed)
        tried = [*start, *(space.draw(rng) for _ in range(8))]
        values = self.sign * objective.evaluate(space, space.array(tried))
        settings = ["prove", seed, *(list(keys) for keys in start)]
        self.header = checkpoint_header(space, [objective], settings, values[:, None])
        self.known: deque[Floats] = deque()
        self.store: ChunkLog | None = None
        self.checkpoint = ""
        at = int(values.argmax())
        self.best, self.value = tuple(tried[at]), float(values[at])
        self.evaluated = len(tried)
        self.root: list[Any] = []
        self.heap: list[tuple[float, int, _Box]] = []
        self.made = 0

    def run(
        self,
        evaluations: int | None,
        stop: Callable[[], bool],
        checkpoint: str | PathLike[str] | None,
    ) -> Iterator[ProofRecord]:
        if checkpoint is not None:
            self.checkpoint = fspath(checkpoint)
            self.store = ChunkLog(checkpoint, self.header, self._take, work="search")
        with self.store or nullcontext():
            yield from self._steps(evaluations, stop)

    def _take(self, kept: dict[str, Any]) -> None:
        self.known.append(np.asarray(kept["bounds"], dtype=np.float64))

    def _bounds_of(self, partial: NDArray[np.int16]) -> Floats:
        """The next batch's, from the checkpoint where it has them."""
        if self.known:
            bounds = self.known.popleft()
            if len(bounds) != len(partial):
                raise PlanError(
                    "is damaged", where=self.checkpoint, fix="remove the file and run again"
                )
            return bounds
        bounds = self.sign * self.objective.bound(self.space, partial)
        if self.store is not None:
            self.store.append({"bounds": bounds.tolist()})
        return bounds

    def _steps(self, evaluations: int | None, stop: Callable[[], bool]) -> Iterator[ProofRecord]:
        first = self.space.narrowed([sum(1 << k for k in keys) for keys in self.space.domains])
        if first is None:
            self.root += ["empty"]
        else:
            self._bounded([_Box(first, self.root)])
        while self.heap and -self.heap[0][0] > self.value + _TOLERANCE:
            if stop() or (evaluations is not None and self.evaluated >= evaluations):
                break
            boxes: list[_Box] = []
            while self.heap and len(boxes) < _AT_ONCE // 2:
                bound, _, box = heapq.heappop(self.heap)
                if -bound <= self.value + _TOLERANCE:
                    box.node += ["bound"]
                    continue
                boxes.append(box)
            self._bounded([part for box in boxes for part in self._split(box)])
            yield self._record(None)
        for _, _, box in self.heap:
            box.node += ["bound"]
        yield self._record(self.root)

    def _record(self, tree: list[Any] | None) -> ProofRecord:
        bound = max(self.value, -self.heap[0][0] if self.heap else -inf)
        return ProofRecord(
            self.best,
            self.sign * self.value,
            self.sign * bound,
            self.evaluated,
            len(self.heap),
            tree,
        )

    def _split(self, box: _Box) -> Iterator[_Box]:
        """Two boxes: the heaviest undecided letter on one half of its keys, on the other."""
        free = [i for i, bits in enumerate(box.open) if bits & (bits - 1)]
        letter = max(free, key=lambda i: (self.weight[i], -i))
        keys = [k for k in range(len(self.space.key_ids)) if box.open[letter] >> k & 1]
        keys.sort(key=lambda k: (self.space.column[k], k))
        half = sorted(keys[: (len(keys) + 1) // 2])
        box.node += ["split", self.space.letters[letter], half, [], []]
        for number, chosen in ((3, half), (4, [k for k in keys if k not in half])):
            opened = list(box.open)
            opened[letter] = sum(1 << k for k in chosen)
            narrowed = self.space.narrowed(opened)
            if narrowed is None:
                box.node[number] += ["empty"]
            else:
                yield _Box(narrowed, box.node[number])

    def _bounded(self, boxes: list[_Box]) -> None:
        """Bound boxes, keep those that may hold a better layout, and take layouts that are better."""
        if not boxes:
            return
        partial = np.asarray(
            [[_single(bits) for bits in box.open] for box in boxes], dtype=np.int16
        )
        bounds = self._bounds_of(partial)
        self.evaluated += len(boxes)
        whole = (partial >= 0).all(axis=1)
        for i in np.flatnonzero(whole):
            keys = tuple(partial[i].tolist())
            if not self.space.allows(keys):
                boxes[i].node += ["empty"]
                continue
            boxes[i].node += ["bound"]
            if bounds[i] > self.value:
                self.best, self.value = keys, float(bounds[i])
        for i in np.flatnonzero(~whole):
            if bounds[i] <= self.value + _TOLERANCE:
                boxes[i].node += ["bound"]
            else:
                self.made += 1
                heapq.heappush(self.heap, (-float(bounds[i]), self.made, boxes[i]))


def _single(bits: int) -> int:
    return bits.bit_length() - 1 if bits & (bits - 1) == 0 else -1


def _letter_weights(objective: Any, space: LetterSpace) -> list[float]:
    """How often each letter is typed, where the objective has words; else all alike."""
    spelled = getattr(objective, "spelled", None)
    share = dict.fromkeys(space.letters, 1.0) if spelled is None else spelled.letter_shares()
    return [share[letter] for letter in space.letters]


def save_certificate(
    path: str | PathLike[str], space: LetterSpace, objective: BoundedObjective, record: ProofRecord
) -> None:
    """Write what `nearkey.search.certificate.check_certificate` checks: the space, the best, the bound and the tree.

    Raises PlanError for a record without a tree, or an objective other than top1, top3 or kspc without context.
    """
    measure = getattr(objective, "measure", None)
    if (
        record.tree is None
        or measure is None
        or objective.name != measure
        or not isfinite(record.value)
    ):
        raise PlanError(
            "cannot be certified",
            field="certificate",
            fix="finish the proof, of top1, top3 or kspc",
        )
    data = {
        "schema": "nearkey-layout-certificate",
        "version": 1,
        "measure": measure,
        "space": space.to_dict(),
        "best": list(record.best),
        "value": record.value,
        "bound": record.bound,
        "tree": record.tree,
    }
    with atomic_write(path) as file:
        json.dump(data, file, ensure_ascii=False, separators=(",", ":"))
        file.write("\n")
