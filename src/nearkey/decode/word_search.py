"""The search for words: touches and a language model's state in, candidates out. What the whole room stands on."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

import nearkey._kernel as _kernel
from nearkey.decode.candidates import Candidate, Kind
from nearkey.decode.layout_columns import LayoutColumns
from nearkey.decode.options import EditCosts
from nearkey.decode.protocols import (
    ComponentTouchModel,
    PackParts,
    PersonalWords,
    State,
    StudentComponents,
    TouchModel,
    sentence_starts,
)
from nearkey.decode.touches import Touches
from nearkey.decode.tries import Tries, hash_of
from nearkey.errors import DecodeError
from nearkey.layout import Layout
from nearkey.letter_case import capital

_made = tuple.__new__
_KINDS: tuple[Kind, ...] = ("word", "edited", "edited", "edited", "completion")
_PREDICTED: tuple[Kind, ...] = tuple("prediction" for _ in _KINDS)

_SPELLING_WIDTH = 16
"""Of the beam of the letter model: an unknown word is one candidate among others."""


class WordSearch:
    """The parts of a decoder put together, and its exact search. Read-only: any number of threads may share one.

    columns : the layout's letters as columns of the touch model. parts : of the pack. tries : shared by all decoders
    of the pack over the same letters. finished, unfinished : the kernel's costs of edits without and with completions.
    speller : the kernel's letter model over the layout, where the pack has one. starts_sentence : whether a state is
    that of a sentence's start.
    """

    def __init__(
        self,
        layout: Layout,
        touch: TouchModel,
        parts: PackParts,
        *,
        lm_weight: float,
        edits: EditCosts,
        tries: Tries | None = None,
    ) -> None:
        self.layout = layout
        self.touch = touch
        self.parts = parts
        self.lm_weight = lm_weight
        self.edits = edits
        self.columns = LayoutColumns.of(layout, touch)
        self.letters = self.columns.letters
        shared = tries is not None and tries.letters == self.letters and tries.parts is parts
        self.tries = tries if tries is not None and shared else Tries(parts, self.letters)
        self.finished = edits.kernel(completions=False)
        self.unfinished = edits.kernel(completions=True)
        self.emitter = _emitter(self.columns)
        self.by_table = parts.table_model is not None
        self.start: State = parts.language_model.start()
        hash_of(self.start)
        self.starts_sentence = sentence_starts(parts.language_model)
        self._words = parts.lexicon.words
        case = parts.truecase
        self._forms: Mapping[int, str] = {} if case is None else case.forms
        self.speller: _kernel.Speller | None = None
        model = parts.letter_model
        if model is not None:
            self._tokens = np.asarray(model.tokens(self.letters), dtype=np.uint32)
            self.speller = _kernel.Speller(model.table, self._tokens, lm_weight, _SPELLING_WIDTH)
        self._last_unknown: tuple[State, float] | None = None

    def forget_recent(self) -> None:
        """Drop the states, vectors and overlays that were asked for last."""
        self._last_unknown = None
        self.tries.forget_recent()

    # ---- touches ----

    def touches(self, points: ArrayLike | Touches) -> Touches:
        """Points (n, 2) as the search takes them: as they are where the kernel has the touch model, elsewhere as
        densities in the columns of `LayoutColumns.pooled`.

        Raises `DecodeError` for the wrong shape, numbers that are not finite, and densities for a model of components.
        """
        given = points if isinstance(points, Touches) else Touches.of(points)
        if given.are_points:
            if self.emitter is not None:
                return given
            given = Touches.of_densities(self.touch.log_prob(given.rows))
        elif self.emitter is not None:
            raise DecodeError(
                "densities for a touch model made of components",
                where="decode",
                field="points",
                fix="give points",
            )
        if given.columns == self.columns.n_columns:
            return given
        if given.columns != self.columns.n_keys:
            raise DecodeError(
                f"gave {given.columns} columns for {self.columns.n_keys} keys",
                where="touch model",
                field="log_prob",
                fix="give a column for each of key_ids",
            )
        return Touches.of_densities(self.columns.pooled(given.rows))

    def densities(self, touches: Touches) -> NDArray[np.float64]:
        """Natural log densities in the columns of `LayoutColumns.pooled`."""
        return touches.rows if self.emitter is None else self.emitter.log_prob(touches.rows)

    def key_densities(self, touches: Touches) -> NDArray[np.float64]:
        """Natural log densities under each key of the touch model, (n, n_keys)."""
        return self.densities(touches)[:, : self.columns.n_keys]

    def letter_densities(self, touches: Touches) -> NDArray[np.float64]:
        """Natural log densities under each of `letters`, (n, n_letters)."""
        return np.asarray(self.densities(touches)[:, self.columns.letter])

    def next_letters(self, before: str) -> NDArray[np.float64]:
        """Weighted natural log probability of each of `letters` after those of a word so far, (n_letters,); 0 where the
        pack has no letter model."""
        model = self.parts.letter_model
        if model is None:
            return np.zeros(len(self.letters))
        known = dict(zip(self.letters, self._tokens.tolist(), strict=True))
        context = [model.table.bos, *(known.get(c, model.table.unk) for c in before)]
        return self.lm_weight * model.table.log_probs(context, self._tokens)

    # ---- the kernel's searchers ----

    @cached_property
    def plain(self) -> _kernel.Searcher:
        """The search without the table: for no context, and with a state's dense scores."""
        return self.tries.searcher(self.columns.letter, self.lm_weight, self.emitter, context=False)

    @cached_property
    def contextual(self) -> _kernel.Searcher:
        """The search with context; the same as `plain` where the pack has no table."""
        if not self.by_table:
            return self.plain
        return self.tries.searcher(self.columns.letter, self.lm_weight, self.emitter, context=True)

    @cached_property
    def by_ngrams(self) -> _kernel.Searcher:
        """The search with the n-gram table that the language model is, or mixes; `plain` where there is none."""
        if self.by_table or self.parts.ngram_model is None:
            return self.contextual
        return self.tries.searcher(self.columns.letter, self.lm_weight, self.emitter, context=True)

    def log_unknown(self, state: State) -> float:
        """Natural log P(a word outside the lexicon | state), unweighted."""
        last = self._last_unknown  # the touches of one word come with one state
        if last is None or last[0] is not state:
            last = (state, float(self.parts.language_model.log_unknown(state)))
            self._last_unknown = last
        return last[1]

    # ---- words ----

    def words(
        self,
        touches: Touches,
        state: State | None,
        k: int,
        *,
        penalties: _kernel.Penalties,
        personal: PersonalWords | None = None,
    ) -> tuple[list[Candidate], Candidate | None]:
        """The k best words, best first; no touches give predictions, and None as a state is no context. And where the
        first is unfinished, the best finished one, which may take its place: None where no finished one comes within
        the lead that `penalties` name."""
        by_table = self.by_table and state is not None
        searcher = self.contextual if by_table else self.plain
        context: State = state if by_table else ()
        scores = None if by_table or state is None else self.tries.scores(state)
        kernel = None
        fresh: tuple[str, ...] = ()
        if personal is not None:
            lexicon = self.tries.contextual if by_table else self.tries.plain
            kernel, fresh = self.tries.overlays.get(personal, state, lexicon)
        n = len(touches)
        if n == 0:
            hits, finished = searcher.predict(context, k, kernel, scores), None
        else:
            hits, finished = searcher.search_led(
                touches.rows, context, k, penalties, kernel, scores
            )
        if finished is not None:
            hits.append(finished)
        kinds = _KINDS if n else _PREDICTED
        start = self.starts_sentence(state)
        if fresh and personal is not None:
            found = self._listed_with_own(hits, kinds, fresh, personal, start)
        else:
            found = self._listed(hits, kinds, start)
        return found, None if finished is None else found.pop()

    def _listed(
        self, hits: Sequence[_kernel.Hit], kinds: Sequence[Kind], start: bool
    ) -> list[Candidate]:
        """The kernel's hits as candidates, capitalised at the start of a sentence."""
        words, form = self._words, self._forms.get
        case = self.parts.truecase if start else None
        if case is None:
            return [
                _made(
                    Candidate,
                    (form(i, words[i]), words[i], total, touch, language, kinds[code], i),
                )
                for i, total, touch, language, code in hits
            ]
        return [
            _made(
                Candidate,
                (case.capital(form(i, words[i])), words[i], total, touch, language, kinds[code], i),
            )
            for i, total, touch, language, code in hits
        ]

    def _listed_with_own(
        self,
        hits: Sequence[_kernel.Hit],
        kinds: Sequence[Kind],
        fresh: Sequence[str],
        personal: PersonalWords,
        start: bool,
    ) -> list[Candidate]:
        """The kernel's hits as candidates; word number n_words + j is `fresh[j]`, written as the store knows it."""
        out = []
        # At the start of a sentence, also where the pack says nothing of case.
        first = capital if self.parts.truecase is None else self.parts.truecase.capital
        for at, total, touch, language, code in hits:
            index = at if at < len(self._words) else None
            word = fresh[at - len(self._words)] if index is None else self._words[index]
            text = self.shown(word, index, start=start)
            if index is None:
                own = personal.form(word) or word
                if own != word:  # else it says nothing of case, and the pack's rules stand
                    text = first(own) if start else own
            out.append(Candidate(text, word, total, touch, language, kinds[code], index))
        return out

    def word(self, part: int | bytes) -> str:
        """A word as the kernel names it in a sentence: by its index, or by the letters that spell it."""
        if isinstance(part, bytes):
            return "".join(map(self.letters.__getitem__, part))
        return self._words[part]

    def shown(self, word: str, index: int | None, *, start: bool) -> str:
        """A word as it is written, at the start of a sentence or not: cased where the pack has a case table."""
        case = self.parts.truecase
        if case is None:
            return word
        form = word if index is None else self._forms.get(index, word)
        return case.capital(form) if start else form


def _emitter(columns: LayoutColumns) -> _kernel.Emitter | None:
    """The kernel's own touch model in the columns of `LayoutColumns.pooled`, where the model is made of components."""
    touch, pool = columns.touch, columns.apostrophes
    components = touch.components() if isinstance(touch, ComponentTouchModel) else None
    if components is None:
        return None
    key = np.asarray(components.key, dtype=np.int32)
    log_weight = np.asarray(components.log_weight, dtype=np.float64)
    again = np.flatnonzero(np.isin(key, pool)) if len(pool) > 1 else np.zeros(0, np.int64)

    def rows(values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Those of the components, and those of an apostrophe's keys once more, for its own column."""
        found = np.asarray(values, dtype=np.float64)
        return np.concatenate([found, found[again]])

    try:
        return _kernel.Emitter.of(
            np.append(key, np.full(len(again), columns.n_keys, np.int32)),
            np.append(log_weight, log_weight[again] - math.log(max(len(pool), 1))),
            rows(components.mean),
            rows(components.precision),
            rows(components.log_norm),
            columns.n_columns,
            float(components.background_weight),
            float(components.background_log_density),
            float(components.dof) if isinstance(components, StudentComponents) else math.inf,
        )
    except (ValueError, IndexError) as fault:
        raise DecodeError(str(fault), where="touch model", field="components") from None
