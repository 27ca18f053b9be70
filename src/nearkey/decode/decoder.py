"""The decoder: touches and context in, the most probable words out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

import nearkey._kernel as _kernel
from nearkey.decode.candidates import Candidate, Kind
from nearkey.decode.options import EditCosts
from nearkey.decode.protocols import LanguagePack, State, TouchModel
from nearkey.decode.spelling import spell_words
from nearkey.errors import DecodeError
from nearkey.layout import Layout

__all__ = ["Decoder"]

_KINDS: tuple[Kind, ...] = ("word", "edited", "edited", "edited", "completion")


class Decoder:
    """Finds the words most probable under touches and language.

    ``score(word) = log p(touches | keys of the word) + lm_weight * log P(word | context)``,
    the noisy channel of Goodman, Venolia, Steury & Parker (IUI 2002). The search is exact: its
    answer is that of scoring the whole lexicon.

    Parameters
    ----------
    layout : the keys.
    touch : a `TouchModel` with a column for each key of the layout that carries letters.
    pack : has a `lexicon` and a `language_model` (see `nearkey.decode.protocols`).
    lm_weight : weight of the language score, 0 or more.
    edits : costs of omitted, extra and swapped touches and of unfinished words; off by default.

    Raises `DecodeError` where the parts do not fit each other. A decoder is read-only after
    construction: any number of threads and sessions may share one.
    """

    def __init__(
        self,
        layout: Layout,
        touch: TouchModel,
        pack: LanguagePack,
        *,
        lm_weight: float = 1.0,
        edits: EditCosts | None = None,
        _shared: Decoder | None = None,
    ) -> None:
        if not (math.isfinite(lm_weight) and lm_weight >= 0):
            raise DecodeError(
                f"{lm_weight} is not a weight",
                where="Decoder",
                field="lm_weight",
                fix="give 0 or more",
            )
        self.layout = layout
        self.touch = touch
        self.pack = pack
        self.lm_weight = lm_weight
        self.edits = edits or EditCosts()
        self._words = pack.lexicon.words
        self._model = pack.language_model
        # Sorted, so that every lettering of a search spells words alike and can share one set of tries.
        self._letters = "".join(sorted(layout.letters))
        self._finished = self.edits.kernel(completions=False)
        self._unfinished = self.edits.kernel(completions=True)
        columns = _letter_columns(layout, touch, self._letters)
        self._emitter = _emitter(touch)
        table = getattr(self._model, "table", None)
        self._by_table = table is not None
        tokens = self._model.tokens(self._words) if self._by_table else np.zeros(0, np.uint32)  # type: ignore[attr-defined]
        self._kernel_lexicon: _kernel.Lexicon
        if _shared is not None and _shared._letters == self._letters and _shared.pack is pack:
            self._kernel_lexicon = _shared._kernel_lexicon
        else:
            self._kernel_lexicon = _kernel_lexicon(pack, self._letters)
        self._searcher = _kernel.Searcher(
            self._kernel_lexicon, table, tokens, columns, float(lm_weight), self._emitter
        )
        self._truecase = getattr(pack, "truecase", None)

    def with_layout(self, layout: Layout, touch: TouchModel) -> Decoder:
        """The same decoder on another layout; the tries are shared where both carry the same letters."""
        return Decoder(
            layout, touch, self.pack, lm_weight=self.lm_weight, edits=self.edits, _shared=self
        )

    # ---- words ----

    def decode(
        self,
        points: ArrayLike,
        *,
        context: str | State | None = None,
        k: int = 5,
        completions: bool = False,
    ) -> list[Candidate]:
        """The k best words for a sequence of touches, best first.

        Parameters
        ----------
        points : (n, 2) touches in layout units, one row a touch, in order.
        context : the text before the word; "" is the start of a sentence; None (default) says nothing
            is known, and words get their probabilities without context. A state from
            `state_after` is taken as well.
        completions : also offer words that go on after the last touch, where `edits.completion` is set.

        Raises `DecodeError` for points of the wrong shape or that are not finite.
        """
        rows = self._rows(points)
        state = self._state(context)
        if k < 1:
            raise DecodeError(
                f"{k} candidates asked for", where="decode", field="k", fix="ask for 1 or more"
            )
        if len(rows) == 0:
            return []
        if not self._by_table and state is not None:
            return self._decode_outside(rows, state, k)
        penalties = self._unfinished if completions else self._finished
        hits = self._searcher.search(rows, () if state is None else state, k, penalties)
        return [self._candidate(hit, state) for hit in hits]

    def _candidate(
        self, hit: tuple[int, float, float, float, int], state: State | None
    ) -> Candidate:
        index, total, touch, language, kind = hit
        word = self._words[index]
        return Candidate(self._shown(word, state), word, total, touch, language, _KINDS[kind])

    def _shown(self, word: str, state: State | None) -> str:
        return word if self._truecase is None else str(self._truecase.form(word))

    def _decode_outside(self, rows: NDArray[np.float64], state: State, k: int) -> list[Candidate]:
        """Exact decoding with a language model the kernel cannot read: every word of the length is scored."""
        index, touch = self._searcher.touch_scores(rows)
        if len(index) == 0:
            return []
        language = self.lm_weight * np.asarray(
            self._model.log_probs(state, [self._words[i] for i in index]), dtype=np.float64
        )
        best: dict[int, Candidate] = {}
        for i in np.argsort(-(touch + language), kind="stable"):
            word = int(index[i])
            if word not in best:
                hit = (word, float(touch[i] + language[i]), float(touch[i]), float(language[i]), 0)
                best[word] = self._candidate(hit, state)
            if len(best) == k:
                break
        return list(best.values())

    # ---- context ----

    def state_after(self, text: str) -> State:
        """The language model's state after some text; "" is the start of a sentence."""
        reader = getattr(self._model, "state_after", None)
        if reader is not None:
            return reader(text)
        state = self._model.start()
        for word in text.lower().split():
            state = self._model.advance(state, word)
        return state

    def _state(self, context: str | State | None) -> State | None:
        return self.state_after(context) if isinstance(context, str) else context

    # ---- many words at once ----

    def decode_batch(
        self,
        points: ArrayLike,
        offsets: ArrayLike,
        *,
        contexts: Sequence[State] | None = None,
        k: int = 5,
        threads: int = 1,
    ) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
        """Decode many words in the kernel.

        Parameters
        ----------
        points : (n_touches, 2), the touches of all words one after another.
        offsets : (n_words + 1,), where each word's touches begin.
        contexts : a state for each word, or None for no context.
        threads : workers inside the kernel; the answer does not depend on it.

        Returns
        -------
        words : (n_words, k) indices into the lexicon, -1 where there are fewer than k.
        log_probs : (n_words, k), natural logs, -inf where there are fewer than k.
        """
        rows = self._rows(points)
        starts = np.ascontiguousarray(offsets, dtype=np.uint32)
        empty = np.zeros(0, np.uint32)
        if contexts is None:
            flat, context_starts = empty, empty
        elif not self._by_table:
            return self._batch_outside(rows, starts, contexts, k)
        else:
            lengths = np.fromiter((len(c) for c in contexts), np.int64, len(contexts))
            context_starts = np.zeros(len(contexts) + 1, np.uint32)
            np.cumsum(lengths, out=context_starts[1:])
            flat = np.fromiter((t for c in contexts for t in c), np.uint32, int(lengths.sum()))
        try:
            words, log_probs = self._searcher.batch(
                rows, starts, flat, context_starts, k, self._finished, threads
            )
        except ValueError as fault:
            raise DecodeError(str(fault), where="decode_batch") from None
        return words, log_probs

    def _batch_outside(
        self,
        rows: NDArray[np.float64],
        starts: NDArray[np.uint32],
        contexts: Sequence[State],
        k: int,
    ) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
        words = np.full((len(contexts), k), -1, np.int32)
        log_probs = np.full((len(contexts), k), -np.inf)
        position = {word: i for i, word in enumerate(self._words)}
        for i, state in enumerate(contexts):
            found = self._decode_outside(rows[starts[i] : starts[i + 1]], state, k)
            for j, candidate in enumerate(found):
                words[i, j] = position[candidate.word]
                log_probs[i, j] = candidate.log_prob
        return words, log_probs

    # ---- input ----

    def _rows(self, points: ArrayLike) -> NDArray[np.float64]:
        """Checked touches: points where the kernel has the touch model, log densities per key elsewhere."""
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
                fix="drop or mend the touch",
            )
        if self._emitter is None:
            rows = np.ascontiguousarray(self.touch.log_prob(rows), dtype=np.float64)
            if np.isnan(rows).any():
                raise DecodeError(
                    "gave NaN", where="touch model", field="log_prob", fix="mend the touch model"
                )
        return rows


def _kernel_lexicon(pack: LanguagePack, letters: str) -> _kernel.Lexicon:
    spelling = spell_words(pack.lexicon.words, letters)
    log_probs = np.asarray(pack.lexicon.log_probs, dtype=np.float32)
    return _kernel.Lexicon(
        spelling.letters,
        spelling.offsets,
        spelling.word,
        np.ascontiguousarray(log_probs[spelling.word]),
        len(letters),
        len(pack.lexicon),
    )


def _letter_columns(layout: Layout, touch: TouchModel, letters: str) -> NDArray[np.uint32]:
    column = {key: i for i, key in enumerate(touch.key_ids)}
    columns = []
    for letter in letters:
        key = layout.key_ids[layout.key_of_letter[letter]]
        if key not in column:
            raise DecodeError(
                f"has no key {key!r}, which carries {letter!r}",
                where="touch model",
                field="key_ids",
                fix=f"fit it on the layout {layout.name!r}",
            )
        columns.append(column[key])
    return np.asarray(columns, dtype=np.uint32)


def _emitter(touch: TouchModel) -> _kernel.Emitter | None:
    """The kernel's own touch model, where the model is made of Gaussian components."""
    components: Any = getattr(touch, "components", lambda: None)()
    if components is None:
        return None
    try:
        return _kernel.Emitter.of(
            np.ascontiguousarray(components.key, dtype=np.int32),
            np.ascontiguousarray(components.log_weight, dtype=np.float64),
            np.ascontiguousarray(components.mean, dtype=np.float64),
            np.ascontiguousarray(components.precision, dtype=np.float64),
            np.ascontiguousarray(components.log_norm, dtype=np.float64),
            len(touch.key_ids),
            float(components.background_weight),
            float(components.background_log_density),
        )
    except ValueError as fault:
        raise DecodeError(str(fault), where="touch model", field="components") from None
