"""The decoder: touches and context in, the most probable words out."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

import nearkey._kernel as _kernel
from nearkey.decode.candidates import Candidate, Kind, Sentence
from nearkey.decode.layout_columns import LayoutColumns
from nearkey.decode.live import Live
from nearkey.decode.options import EditCosts
from nearkey.decode.overlay import OverlayCache, PersonalWords
from nearkey.decode.protocols import LanguagePack, State, TouchModel, require_pack
from nearkey.decode.punctuation import marks_on
from nearkey.decode.sentence import decode_sentence
from nearkey.decode.speller import LetterSpeller
from nearkey.decode.spelling import spell
from nearkey.decode.stream import Stream
from nearkey.decode.tries import Tries
from nearkey.errors import DecodeError
from nearkey.layout import Key, Layout

__all__ = ["Decoder"]

_WORDS_KEPT = 4096

_made = tuple.__new__
_KINDS: tuple[Kind, ...] = ("word", "edited", "edited", "edited", "completion")


class Decoder:
    """Finds the words most probable under touches and language.

    ``score(word) = log p(touches | keys of the word) + lm_weight * log P(word | context)``,
    the noisy channel of Goodman, Venolia, Steury & Parker (IUI 2002). The search for words is exact, with
    edits, completions and context as well: its answer is that of scoring the whole lexicon.

    Parameters
    ----------
    layout : the keys.
    touch : a `TouchModel` with a column for each key of the layout that carries letters.
    pack : has a `lexicon` and a `language_model` (see `nearkey.decode.protocols`); where it also has a
        `letter_model`, `truecase` or `marks`, live use spells unknown words, restores case, offers marks.
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
        require_pack(pack, "Decoder")
        self.layout = layout
        self.touch = touch
        self.pack = pack
        self.lm_weight = float(lm_weight)
        self.edits = edits or EditCosts()
        self.columns = LayoutColumns.of(layout, touch)
        self.letters = self.columns.letters
        self._words = pack.lexicon.words
        self._model = pack.language_model
        self._finished = self.edits.kernel(completions=False)
        self._unfinished = self.edits.kernel(completions=True)
        self._emitter = _emitter(touch)
        pool = self.columns.apostrophes
        self._pooled = self._emitter if len(pool) < 2 else _emitter(touch, pool)
        table = getattr(self._model, "table", None)
        self._by_table = table is not None
        self._start: State = self._model.start()
        self._tries: Tries
        if _shared is not None and _shared.letters == self.letters and _shared.pack is pack:
            self._tries = _shared._tries
        else:
            self._tries = Tries(pack, self.letters)
        self._overlays: OverlayCache
        if _shared is not None and self._tries is _shared._tries:
            self._overlays = _shared._overlays
        else:
            self._overlays = OverlayCache(self._words, self.letters)
        self._last_text: tuple[str, State] | None = None
        truecase: Any = getattr(pack, "truecase", None)
        # The same few words are shown again and again while a word grows.
        self._form: Callable[[str, bool], str] | None = (
            None
            if truecase is None
            else lru_cache(_WORDS_KEPT)(lambda word, start: str(truecase.form(word, start=start)))
        )
        self._forms: Mapping[int, str] | None = getattr(truecase, "forms", None)
        self._live = Live(self)

    def with_layout(self, layout: Layout, touch: TouchModel) -> Decoder:
        """The same decoder on another layout; the tries are shared where both carry the same letters."""
        return Decoder(
            layout, touch, self.pack, lm_weight=self.lm_weight, edits=self.edits, _shared=self
        )

    def with_edits(self, edits: EditCosts) -> Decoder:
        """The same decoder with other costs; the tries are shared."""
        return Decoder(
            self.layout, self.touch, self.pack, lm_weight=self.lm_weight, edits=edits, _shared=self
        )

    def __reduce__(self) -> tuple[Any, ...]:
        # Worker processes build the kernel's parts anew.
        return (_rebuild, (self.layout, self.touch, self.pack, self.lm_weight, self.edits))

    # ---- one word ----

    def decode(
        self,
        points: ArrayLike,
        *,
        context: str | State | None = None,
        k: int = 5,
        completions: bool = False,
        personal: PersonalWords | None = None,
    ) -> list[Candidate]:
        """The k best words for a sequence of touches, best first.

        Parameters
        ----------
        points : (n, 2) touches in layout units, one row a touch, in order.
        context : the text before the word; "" is the start of a sentence; None (default) says nothing
            is known, and words get their probabilities without context. A state from
            `state_after` is taken as well.
        completions : also offer words that go on after the last touch, where `edits.completion` is set.
        personal : a person's words, mixed in.

        Raises `DecodeError` for points of the wrong shape or that are not finite.
        """
        rows = self.rows(points)
        if k < 1:
            raise DecodeError(
                f"{k} candidates asked for", where="decode", field="k", fix="ask for 1 or more"
            )
        if len(rows) == 0:
            return []
        return self.words(rows, self.state(context), k, completions=completions, personal=personal)

    def words(
        self,
        rows: NDArray[np.float64],
        state: State | None,
        k: int,
        *,
        completions: bool = False,
        personal: PersonalWords | None = None,
        penalties: _kernel.Penalties | None = None,
    ) -> list[Candidate]:
        """As `decode`, for touches already checked by `rows` and a state; no touches give predictions."""
        if not self._by_table and state is not None:
            return self._words_outside(rows, state, k, personal)
        searcher = self._plain if state is None else self.searcher
        overlay = None
        if personal is not None:
            lexicon = self._tries.plain if state is None else self._tries.contextual
            overlay = self._overlays.get(personal, state, lexicon)
        context = () if state is None else state
        kernel = overlay.kernel if overlay is not None else None
        if len(rows) == 0:
            hits = searcher.predict(context, k, kernel)
        else:
            if penalties is None:
                penalties = self._unfinished if completions else self._finished
            hits = searcher.search(rows, context, k, penalties, kernel)
        fresh: tuple[str, ...] = () if overlay is None else overlay.new_words
        return self._listed(hits, state, fresh, personal, predicted=len(rows) == 0)

    def _listed(
        self,
        hits: Sequence[_kernel.Hit],
        state: State | None,
        fresh: Sequence[str],
        personal: PersonalWords | None,
        *,
        predicted: bool,
    ) -> list[Candidate]:
        """The kernel's hits as candidates; word number n_words + j is `fresh[j]`, cased as the store knows it."""
        known, form = self._words, self._form
        if self._forms is not None and state is None and not (fresh or predicted):
            # The same as below, for what is asked for most: a look-up by number, and no calls.
            usual = self._forms.get
            return [
                _made(
                    Candidate, (usual(i, known[i]), known[i], total, touch, language, _KINDS[code])
                )
                for i, total, touch, language, code in hits
            ]
        own_form: Callable[[str], str | None] | None = getattr(personal, "form", None)
        start = state is not None and state == self._start
        out = []
        for index, total, touch, language, code in hits:
            word = known[index] if index < len(known) else fresh[index - len(known)]
            text = word if form is None else form(word, start)
            if index >= len(known) and own_form is not None:
                own = own_form(word) or word
                if own != word:  # else it says nothing of case, and the pack's rules stand
                    text = own[:1].upper() + own[1:] if start else own
            kind: Kind = "prediction" if predicted else _KINDS[code]
            out.append(Candidate(text, word, total, touch, language, kind))
        return out

    def shown(self, word: str, state: State | None) -> str:
        """A word as it is written in a context: cased by the pack where it has a case table."""
        if self._form is None:
            return word
        return self._form(word, state is not None and state == self._start)

    def _words_outside(
        self,
        rows: NDArray[np.float64],
        state: State,
        k: int,
        personal: PersonalWords | None = None,
    ) -> list[Candidate]:
        """Exact decoding with a language model the kernel cannot read: every word of the length is scored."""
        if len(rows) == 0:
            index = np.arange(len(self._words), dtype=np.uint32)
            touch = np.zeros(len(self._words))
        else:
            index, touch = self._plain.touch_scores(rows)
        words = [self._words[int(i)] for i in index]
        language = np.asarray(
            self._model.log_probs(state, words) if words else [], dtype=np.float64
        )
        fresh: list[str] = []
        if personal is not None:
            keep, own = personal.overlay(state)
            mixed = [own.get(word, -math.inf) for word in words]
            language = np.logaddexp(keep + language, mixed)
            fresh = [word for word in own if word not in self.pack.lexicon]
            scored = [(j, self._touch_of(rows, word)) for j, word in enumerate(fresh)]
            scored = [(j, score) for j, score in scored if score > -math.inf]
            index = np.concatenate([index, [len(self._words) + j for j, _ in scored]]).astype(
                np.int64
            )
            touch = np.concatenate([touch, [score for _, score in scored]])
            language = np.concatenate([language, [own[fresh[j]] for j, _ in scored]])
        language = self.lm_weight * language
        best: dict[int, _kernel.Hit] = {}
        for i in np.argsort(-(touch + language), kind="stable"):
            word = int(index[i])
            if word not in best:
                total = float(touch[i] + language[i])
                best[word] = (word, total, float(touch[i]), float(language[i]), 0)
            if len(best) == k:
                break
        return self._listed(list(best.values()), state, fresh, personal, predicted=len(rows) == 0)

    def _touch_of(self, rows: NDArray[np.float64], word: str) -> float:
        """Log density of the touches under a word's keys; minus infinity where their numbers differ."""
        typed = spell(word, self.letters)
        if typed is None or (len(rows) and len(typed) != len(rows)):
            return -math.inf
        density = self.densities(rows) if len(rows) else rows
        columns = self.columns.letter[[self.letters.index(c) for c in typed]]
        return float(density[np.arange(len(rows)), columns[: len(rows)]].sum())

    # ---- live use ----

    def candidates(
        self,
        points: ArrayLike,
        *,
        context: str | State | None = "",
        k: int = 5,
        personal: PersonalWords | None = None,
    ) -> list[Candidate]:
        """What a live list shows for the touches of the current word, best first.

        Finished words (edited ones where `edits` has costs for them), completions (where
        `edits.completion` is set) and, where the pack has a letter model, the best spelling that is no
        word, which keeps a place in the list. No touches: predictions of the next word. A trailing
        touch on a symbol key is read as a mark after the word, one of those written on the key if any are; as
        an apostrophe inside it as well, where the key has one or names none.

        The first is what a space takes: an unfinished word stands there only where it is best at the cost
        `edits.completion_first`. So the first may have a lower `log_prob` than a completion after it.
        `context` None says nothing is known, as for `decode`; unknown words are then not spelled.
        """
        return self._live.candidates(self.rows(points), self.state(context), k, personal=personal)

    def start(
        self, *, context: str | State = "", k: int = 5, personal: PersonalWords | None = None
    ) -> Stream:
        """An incremental word: touches go in one by one, each answers with candidates, the last may be undone."""
        return Stream(self, self.state(context), k, personal)

    def literal(self, points: ArrayLike) -> str:
        """The most probable letter of each touch, without language: what a 26-key layout offers as typed."""
        return self._live.literal(self.rows(points))

    def letters_at(self, point: ArrayLike, *, before: str = "") -> list[tuple[str, float]]:
        """Letters of one touch, best first, with natural log scores of touch and letter model.

        `before` holds the letters of the word so far; for picking letter by letter.
        """
        return self._live.letters_at(self.rows(np.atleast_2d(np.asarray(point))), before)

    def key_at(self, point: ArrayLike) -> Key:
        """The most probable key of a touch, function keys included."""
        return self.columns.key_at(np.asarray(point, dtype=np.float64).reshape(1, 2), self._emitter)

    def marks(self, context: str, *, on: str = "") -> list[tuple[str, float]]:
        """Marks that may follow a text, best first, with natural log probabilities; "" is no mark.

        on : the marks written on the key touched (`Key.letters`): only those; the ones the pack knows nothing of
        come last, at minus infinity. "" is a key that names none: all.
        """
        words = context.lower().split()
        return marks_on(self._live.marks.after(words[-1] if words else ""), on)

    # ---- sentences ----

    def decode_sentence(
        self,
        events: ArrayLike | Sequence[Any],
        *,
        context: str | State = "",
        k: int = 5,
        missing_space: float | None = None,
        width: int = 32,
        words: int = 8,
        reach: float = 16.0,
    ) -> list[Sentence]:
        """The k best readings of the touches of a sentence whose spaces are noisy or missing.

        Parameters
        ----------
        events : (n, 2) touches in order, or a sequence of touches in which the string " " stands for a
            space that is certain.
        missing_space : natural log probability that a space got no touch; minus infinity where all
            spaces are certain. By default 0 (all are missing) where the layout has no space key and
            no space is certain, else log 0.02 (common practice, no source).
        width : readings kept at each touch. words : words tried for each stretch of touches. reach : nats
            below the best beyond which neither is kept.

        This is a beam search, not exact; its search errors are measured in benchmarks/RESULTS.md.
        """
        return decode_sentence(
            self,
            events,
            self.state(context),
            k,
            missing_space=missing_space,
            width=width,
            words=words,
            reach=reach,
        )

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

    def state(self, context: str | State | None) -> State | None:
        """A context as a state: text is read, states and None pass through."""
        if not isinstance(context, str):
            return context
        last = self._last_text  # the touches of one word come with one text
        if last is None or last[0] != context:
            last = (context, self.state_after(context))
            self._last_text = last
        return last[1]

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
        rows = self.rows(points)
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
            searcher = self._plain if contexts is None else self.searcher
            words, log_probs = searcher.batch(
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
            found = self._words_outside(rows[starts[i] : starts[i + 1]], state, k)
            for j, candidate in enumerate(found):
                words[i, j] = position[candidate.word]
                log_probs[i, j] = candidate.log_prob
        return words, log_probs

    # ---- input ----

    def rows(self, points: ArrayLike) -> NDArray[np.float64]:
        """Checked touches: points where the kernel has the touch model, elsewhere log densities per key as
        `LayoutColumns.kept` has them.

        Raises `DecodeError` for the wrong shape or numbers that are not finite.
        """
        rows = checked_points(points)
        if self._emitter is not None:
            return rows
        densities = np.ascontiguousarray(self.touch.log_prob(rows), dtype=np.float64)
        if np.isnan(densities).any():
            raise DecodeError(
                "gave NaN", where="touch model", field="log_prob", fix="mend the touch model"
            )
        return self.columns.kept(densities.reshape(len(rows), len(self.touch.key_ids)))

    def densities(self, rows: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log densities of checked touches per column, apostrophes pooled (`LayoutColumns.pooled`)."""
        return rows if self._pooled is None else self._pooled.log_prob(rows)

    def key_densities(self, rows: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log densities of checked touches under each key of the touch model, (n, n_keys)."""
        return self.columns.own(rows) if self._emitter is None else self._emitter.log_prob(rows)

    def live_candidates(
        self,
        rows: NDArray[np.float64],
        state: State,
        k: int,
        *,
        personal: PersonalWords | None,
        spelling: _kernel.Spelling | None,
    ) -> list[Candidate]:
        """As `candidates`, for touches already checked and a beam of the letter model that holds them."""
        return self._live.candidates(rows, state, k, personal=personal, spelling=spelling)

    @property
    def kernel_bytes(self) -> int:
        """Memory of the tries, in bytes; decoders made by `with_layout` share them."""
        return sum(
            getattr(self._tries, name).n_bytes
            for name in ("plain", "contextual")
            if name in vars(self._tries)
        )

    @property
    def by_points(self) -> bool:
        """Whether `rows` are points, which the kernel turns into densities itself."""
        return self._emitter is not None

    @property
    def speller(self) -> LetterSpeller | None:
        """The letter model over this layout, where the pack has one."""
        return self._live.speller

    @cached_property
    def searcher(self) -> _kernel.Searcher:
        """The kernel's search with context, for the modules of this room."""
        return self._tries.searcher(
            self.columns.letter, self.lm_weight, self._pooled, context=self._by_table
        )

    @cached_property
    def _plain(self) -> _kernel.Searcher:
        """The kernel's search for words without context."""
        return self._tries.searcher(
            self.columns.letter, self.lm_weight, self._pooled, context=False
        )

    @property
    def penalties(self) -> _kernel.Penalties:
        """The kernel's costs of edits, completions off."""
        return self._finished


def _rebuild(
    layout: Layout, touch: TouchModel, pack: LanguagePack, lm_weight: float, edits: EditCosts
) -> Decoder:
    return Decoder(layout, touch, pack, lm_weight=lm_weight, edits=edits)


def checked_points(points: ArrayLike) -> NDArray[np.float64]:
    """(n, 2) finite numbers, or a `DecodeError`."""
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
    return rows


def _emitter(touch: TouchModel, pool: tuple[int, ...] = ()) -> _kernel.Emitter | None:
    """The kernel's own touch model, where the model is made of Gaussian components.

    pool : columns whose components the first of them takes over, as `LayoutColumns.pooled` does it.
    """
    components: Any = getattr(touch, "components", lambda: None)()
    if components is None:
        return None
    key = np.array(components.key, dtype=np.int32)
    log_weight = np.array(components.log_weight, dtype=np.float64)
    if pool:
        taken = np.isin(key, pool)
        key[taken] = pool[0]
        log_weight[taken] -= math.log(len(pool))
    try:
        return _kernel.Emitter.of(
            key,
            log_weight,
            np.ascontiguousarray(components.mean, dtype=np.float64),
            np.ascontiguousarray(components.precision, dtype=np.float64),
            np.ascontiguousarray(components.log_norm, dtype=np.float64),
            len(touch.key_ids),
            float(components.background_weight),
            float(components.background_log_density),
            float(getattr(components, "dof", math.inf)),
        )
    except ValueError as fault:
        raise DecodeError(str(fault), where="touch model", field="components") from None
