"""Words typed on a layout: what every decoder of a benchmark is asked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import LanguagePack
from nearkey.layout import Layout
from nearkey.simulate.corpora import Corpus
from nearkey.simulate.decoders.protocol import Queries
from nearkey.simulate.keystrokes import Selection
from nearkey.simulate.typist import SamplingTouchModel, Typist
from nearkey.simulate.workload import Workload, corpus_workload, drawn_workload

__all__ = ["TypedWords", "make_workload", "type_workload"]


@dataclass(frozen=True, slots=True)
class TypedWords:
    """A workload typed on a layout: what every decoder is asked, and how it is judged.

    spelled : (n,) keystrokes of letter-by-letter entry of each word. touches : (n,) touches of each.
    """

    workload: Workload
    queries: Queries
    touches: NDArray[np.int64]
    spelled: NDArray[np.float64]
    selection: Selection

    def head(self, n: int) -> TypedWords:
        """The first n words."""
        return TypedWords(
            self.workload.head(n),
            self.queries.head(n),
            self.touches[:n],
            self.spelled[:n],
            self.selection,
        )


def make_workload(
    pack: LanguagePack,
    corpus: Corpus | None,
    *,
    words: int,
    seed: int,
    letters: str,
    context: bool,
) -> Workload:
    """The words of a seed: drawn from the pack where there is no corpus."""
    rng = np.random.default_rng(np.random.SeedSequence(seed).spawn(2)[0])
    if corpus is None:
        return drawn_workload(pack, words, rng=rng, letters=letters)
    return corpus_workload(pack, corpus, words, rng=rng, letters=letters, context=context)


def type_workload(
    layout: Layout,
    touch: SamplingTouchModel,
    workload: Workload,
    *,
    seed: int,
    selection: Selection | None = None,
) -> TypedWords:
    """Type a workload: touches drawn by `touch` with `seed`'s luck, which is the same on every layout."""
    rng = np.random.default_rng(np.random.SeedSequence(seed).spawn(2)[1])
    typist = Typist(layout, touch, workload.vocabulary)
    typing = typist.type(workload.word, rng)
    queries = Queries(typing.points, typing.offsets, workload.contexts, workload.states)
    spelled = typist.spelled_keystrokes(workload.word)
    return TypedWords(workload, queries, typing.touches, spelled, selection or Selection())
