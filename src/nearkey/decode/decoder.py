"""The decoder: touches and context in, the most probable words out."""

from __future__ import annotations

import math
import weakref
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.bounds import whole_number
from nearkey.decode.candidates import Candidate, Sentence
from nearkey.decode.layout_columns import LayoutColumns
from nearkey.decode.live import LiveList, Stream
from nearkey.decode.options import EditCosts, candidate_count
from nearkey.decode.protocols import (
    LanguagePack,
    PackParts,
    PersonalWords,
    State,
    TextLanguageModel,
    TouchModel,
)
from nearkey.decode.punctuation import marks_on
from nearkey.decode.sentence import decode_sentence
from nearkey.decode.touches import MOST_TOUCHES, Touches
from nearkey.decode.word_search import WordSearch
from nearkey.errors import DecodeError
from nearkey.layout import Key, Layout
from nearkey.pickling import check_pickles

MOST_CONTEXT = 10_000
"""Characters of a context that are read: more words than any model here looks back, and a fixed cost for any text."""

_LONGEST_STATE = 64
_MOST_RESULTS = 100_000_000


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
        same_pack = _shared is not None and _shared.pack is pack
        parts = _shared._search.parts if _shared and same_pack else PackParts.of(pack, "Decoder")
        self.layout = layout
        self.touch = touch
        self.pack: LanguagePack = pack
        self.lm_weight = float(lm_weight)
        self.edits = edits or EditCosts()
        self._search: WordSearch = WordSearch(
            layout,
            touch,
            parts,
            lm_weight=self.lm_weight,
            edits=self.edits,
            tries=_shared._search.tries if _shared and same_pack else None,
        )
        self._live = LiveList(self._search)
        self._last_text: tuple[str, State] | None = None

    @property
    def letters(self) -> str:
        """The letters that can be typed, sorted; an apostrophe is among them where a symbol key can stand for it."""
        return self._search.letters

    @property
    def columns(self) -> LayoutColumns:
        """Where the layout's letters, spaces and symbols are among the touch model's columns."""
        return self._search.columns

    def with_layout(self, layout: Layout, touch: TouchModel) -> Decoder:
        """The same decoder on another layout, with the touch model fitted on it; the tries are shared where both
        carry the same letters. Errors as for the constructor."""
        return Decoder(
            layout, touch, self.pack, lm_weight=self.lm_weight, edits=self.edits, _shared=self
        )

    def with_edits(self, edits: EditCosts) -> Decoder:
        """The same decoder with other costs; the tries are shared."""
        return Decoder(
            self.layout, self.touch, self.pack, lm_weight=self.lm_weight, edits=edits, _shared=self
        )

    def __reduce__(self) -> tuple[Any, ...]:
        # Worker processes build the kernel's parts anew. The models travel as they are, or are named.
        check_pickles(self.touch, where="Decoder", field="touch")
        check_pickles(self.pack, where="Decoder", field="pack")
        return (_rebuild, (self.layout, self.touch, self.pack, self.lm_weight, self.edits))

    def touches(self, points: ArrayLike | Touches) -> Touches:
        """Touches as this decoder takes them, made once for several questions.

        Parameters
        ----------
        points : (n, 2) in layout units, one row a touch, in order; or `Touches`: of densities, in the columns of the
            touch model, only where that has no components.

        Raises `DecodeError` for points of the wrong shape or that are not finite, and densities that do not fit.
        """
        return self._search.touches(points)

    # ---- one word ----

    def decode(
        self,
        points: ArrayLike | Touches,
        *,
        context: str | State | None = None,
        k: int = 5,
        completions: bool = False,
        personal: PersonalWords | None = None,
    ) -> list[Candidate]:
        """The k best words for a sequence of touches, best first.

        Parameters
        ----------
        points : (n, 2) touches in layout units, one row a touch, in order; or `Touches`.
        context : the text before the word; "" is the start of a sentence; None (default) says nothing
            is known, and words get their probabilities without context. A state from
            `state_after` is taken as well.
        k : how many, 1 or more.
        completions : also offer words that go on after the last touch, where `edits.completion` is set.
        personal : a person's words, mixed in.

        Raises `DecodeError` for points of the wrong shape, that are not finite or more than `MOST_TOUCHES`, for a k
        out of range, and for a context that is neither text nor a state.
        """
        search = self._search
        touches = search.touches(points).one_word("decode")
        k = candidate_count(k, "decode")
        if len(touches) == 0:
            return []
        # Not by `words`, which would check everything again: a tenth of what a word takes.
        return search.words(
            touches,
            None if context is None else self.state(context),
            k,
            penalties=search.unfinished if completions else search.finished,
            personal=personal,
        )[0]

    def words(
        self,
        points: ArrayLike | Touches,
        state: State | None,
        k: int,
        *,
        completions: bool = False,
        personal: PersonalWords | None = None,
    ) -> list[Candidate]:
        """As `decode`, for a `state` of the language model (None: no context); no touches give predictions of the
        next word. `points`, `k`, `completions`, `personal` and errors are those of `decode`."""
        search = self._search
        return search.words(
            search.touches(points).one_word("decode"),
            self.state(state),
            candidate_count(k, "decode"),
            penalties=search.unfinished if completions else search.finished,
            personal=personal,
        )[0]

    def touch_scores(
        self, points: ArrayLike | Touches
    ) -> tuple[NDArray[np.uint32], NDArray[np.float64]]:
        """Natural log densities of the touches under every word with as many letters as touches.

        points : (n, 2) in layout units, or `Touches`; errors as for `touches`.

        Returns
        -------
        words : (m,) indices into the lexicon, in an order that is the same for one number of touches; a word that can
            be typed in two ways stands there twice.
        log_touch : (m,) the sum over its letters.
        """
        return self._search.plain.touch_scores(self._search.touches(points).rows)

    # ---- live use ----

    def candidates(
        self,
        points: ArrayLike | Touches,
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

        Parameters
        ----------
        points : (n, 2) in layout units, or `Touches`; errors as for `decode`.
        context : text or a state, as for `decode`; None says nothing is known, and unknown words are not spelled.
        k : the most that are listed. personal : a person's words, mixed in.
        """
        touches = self._search.touches(points).one_word("candidates")
        k = candidate_count(k, "candidates")
        return self._live.candidates(touches, self.state(context), k, personal=personal)

    def start(
        self, *, context: str | State = "", k: int = 5, personal: PersonalWords | None = None
    ) -> Stream:
        """An incremental word: touches go in one by one, each answers with candidates, the last may be undone.

        context, k, personal : as for `candidates`, for as long as the word grows.
        """
        k = candidate_count(k, "start")
        return Stream(self._search, self._live, self.state(context), k, personal)

    def literal(self, points: ArrayLike | Touches) -> str:
        """The most probable letter of each touch, without language: what a 26-key layout offers as typed.

        points : (n, 2) in layout units, or `Touches`; errors as for `decode`.
        """
        best = self._search.letter_densities(self._search.touches(points)).argmax(axis=1)
        return "".join(self.letters[i] for i in best)

    def letters_at(self, point: ArrayLike, *, before: str = "") -> list[tuple[str, float]]:
        """Letters of one touch, best first, with natural log scores of touch and letter model: for picking letter by
        letter.

        point : x, y in layout units; errors as for `decode`. before : the letters of the word so far.
        """
        search = self._search
        score = search.letter_densities(search.touches(Touches.one(point)))[0]
        score = score + search.next_letters(before)
        order = np.argsort(-score, kind="stable")
        return [(self.letters[i], float(score[i])) for i in order]

    def key_at(self, point: ArrayLike) -> Key:
        """The most probable key of a touch, function keys included; point : x, y in layout units.

        Raises `DecodeError` for what is no place.
        """
        return self.columns.key_at(Touches.one(point).rows, self._search.emitter)

    def marks(self, context: str, *, on: str = "") -> list[tuple[str, float]]:
        """Marks that may follow a text, best first, with natural log probabilities; "" is no mark.

        context : the text, of which the last word counts.
        on : the marks written on the key touched (`Key.letters`): only those; the ones the pack knows nothing of
        come last, at minus infinity. "" is a key that names none: all.
        """
        words = context.lower().split()
        return marks_on(self._live.punctuation.after(words[-1] if words else ""), on)

    # ---- sentences ----

    def decode_sentence(
        self,
        events: ArrayLike | Touches | Sequence[Any],
        *,
        context: str | State = "",
        k: int = 5,
        missing_space: float | None = None,
        width: int = 32,
        words: int = 8,
        beam_threshold: float = 16.0,
    ) -> list[Sentence]:
        """The k best readings of the touches of a sentence whose spaces are noisy or missing.

        Parameters
        ----------
        events : (n, 2) touches in order, or a sequence of touches in which the string " " stands for a
            space that is certain.
        missing_space : natural log probability that a space got no touch; minus infinity where all
            spaces are certain. By default 0 (all are missing) where the layout has no space key and
            no space is certain, else log 0.02 (common practice, no source).
        width : readings kept at each touch. words : words tried for each stretch of touches. beam_threshold :
            nats below the best beyond which neither is kept.

        This is a beam search, not exact; its search errors are measured in benchmarks/RESULTS.md.
        """
        return decode_sentence(
            self._search,
            events,
            self.state(context),
            k,
            missing_space=missing_space,
            width=width,
            words=words,
            beam_threshold=beam_threshold,
        )

    @property
    def language(self) -> str:
        """Tag of the pack's language, whose rules of upper and lower case hold; else the layout's."""
        return getattr(self._search.parts.lexicon, "language", "") or self.layout.language

    # ---- context ----

    def state_after(self, text: str) -> State:
        """The language model's state after some text; "" is the start of a sentence.

        Of a longer text the last `MOST_CONTEXT` characters are read. `DecodeError` for what is no text.
        """
        if not isinstance(text, str):
            raise DecodeError("is no text", where="decode", field="context", fix="give a string")
        if len(text) > MOST_CONTEXT:
            tail = text[-MOST_CONTEXT:]
            text = tail.partition(" ")[2] or tail
        model = self._search.parts.language_model
        if isinstance(model, TextLanguageModel):
            return model.state_after(text)
        state = model.start()
        for word in text.lower().split():
            state = model.advance(state, word)
        return state

    def state(self, context: str | State | None) -> State | None:
        """A context as a state: text is read, states and None pass through.

        Raises `DecodeError` for what is no state of a pack's table.
        """
        if not isinstance(context, str):
            if context is not None and self._search.by_table:
                _check_tokens(context)
            mixed = context is not None and self._search.parts.mixed_model is not None
            if mixed and not isinstance(context, type(self._search.start)):
                raise _no_state()
            return context
        last = self._last_text  # the touches of one word come with one text
        if last is None or last[0] != context:
            last = (context, self.state_after(context))
            self._last_text = last
        return last[1]

    def keep_contexts(self, states: int) -> None:
        """Keep what the language model says after so many states, so that decoders which share this one's tries ask it
        once for each: in a comparison of layouts, say. Memory: 4 bytes a word of the lexicon and state.

        Without effect where the kernel reads the model's table, which takes less time than looking up.
        """
        if not self._search.by_table:
            self._search.tries.keep_vectors(states)

    # ---- many words at once ----

    def decode_batch(
        self,
        points: ArrayLike | Touches,
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
        threads : workers inside the kernel, 1 or more; the answer does not depend on it, and there are never more
            than a few for each processor.

        Raises `DecodeError` for arguments out of range or that do not fit each other.

        Returns
        -------
        words : (n_words, k) indices into the lexicon, -1 where there are fewer than k.
        log_probs : (n_words, k), natural logs, -inf where there are fewer than k.
        """
        search = self._search
        touches = search.touches(points)
        k = candidate_count(k, "decode_batch")
        threads = whole_number(
            threads,
            low=1,
            high=np.iinfo(np.int32).max,
            error=DecodeError,
            where="decode_batch",
            field="threads",
        )
        starts = _offsets(offsets, len(touches))
        if (len(starts) - 1) * k > _MOST_RESULTS:
            raise DecodeError(
                f"{k} for each of {len(starts) - 1} words",
                where="decode_batch",
                field="k",
                fix=f"ask for no more than {_MOST_RESULTS:,} results at once",
            )
        flat, context_starts = np.zeros(0, np.uint32), np.zeros(0, np.uint32)
        if contexts is not None and not search.by_table:
            return self._batch_by_state(touches, starts.tolist(), contexts, k)
        if contexts is not None:
            for state in contexts:
                _check_tokens(state)
            lengths = np.fromiter((len(c) for c in contexts), np.int64, len(contexts))
            context_starts = np.zeros(len(contexts) + 1, np.uint32)
            np.cumsum(lengths, out=context_starts[1:])
            flat = np.fromiter((t for c in contexts for t in c), np.uint32, int(lengths.sum()))
        searcher = search.plain if contexts is None else search.contextual
        try:
            return searcher.batch(
                touches.rows, starts, flat, context_starts, k, search.finished, threads
            )
        except ValueError as fault:
            raise DecodeError(str(fault), where="decode_batch") from None

    def _batch_by_state(
        self, touches: Touches, starts: Sequence[int], contexts: Sequence[State], k: int
    ) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
        """Words of one state one after another: its vector, which takes longest, is made once."""
        if len(starts) != len(contexts) + 1:
            raise DecodeError("do not fit the contexts", where="decode_batch", field="offsets")
        words = np.full((len(contexts), k), -1, np.int32)
        log_probs = np.full((len(contexts), k), -np.inf)
        of_state: dict[State, list[int]] = {}
        for i, state in enumerate(contexts):
            of_state.setdefault(state, []).append(i)
        for state, places in of_state.items():
            for i in places:
                if starts[i + 1] - starts[i] > MOST_TOUCHES:
                    continue
                for j, c in enumerate(
                    self.decode(touches.part(*starts[i : i + 2]), context=state, k=k)
                ):
                    words[i, j] = -1 if c.index is None else c.index
                    log_probs[i, j] = c.log_prob
        return words, log_probs

    def forget_recent(self) -> None:
        """Drop what is remembered of the last texts, words and personal stores, for speed alone; for those who wipe a
        person. Decoders that share this one's tries forget with it."""
        self._last_text = None
        self._search.forget_recent()
        self._live.forget_recent()

    @property
    def kernel_bytes(self) -> int:
        """Memory of the tries, in bytes; decoders made by `with_layout` share them."""
        return self._search.tries.n_bytes


def _offsets(offsets: ArrayLike, n_touches: int) -> NDArray[np.uint32]:
    """Where each word's touches begin; DecodeError for what runs not from 0 up to the number of touches."""
    try:
        starts = np.asarray(offsets)
        whole = starts.ndim == 1 and len(starts) > 0 and np.array_equal(starts, starts.astype(int))
    except (TypeError, ValueError, OverflowError):
        whole = False
    if not whole or starts[0] != 0 or starts[-1] != n_touches or np.any(starts[1:] < starts[:-1]):
        raise DecodeError(
            "do not run from 0 up to the number of touches",
            where="decode_batch",
            field="offsets",
            fix="give where each word's touches begin, and where the last ends",
        )
    return np.ascontiguousarray(starts, dtype=np.uint32)


def _check_tokens(state: State) -> None:
    """DecodeError for anything but a few token ids."""
    tokens = isinstance(state, tuple) and len(state) <= _LONGEST_STATE
    if not tokens or not all(type(t) is int and 0 <= t < 1 << 32 for t in state):
        raise _no_state()


def _no_state() -> DecodeError:
    return DecodeError(
        "is neither text nor a state", where="decode", field="context", fix="give the text"
    )


_last_rebuilt: weakref.ref[Decoder] | None = None


def _rebuild(
    layout: Layout, touch: TouchModel, pack: LanguagePack, lm_weight: float, edits: EditCosts
) -> Decoder:
    # Decoders that travelled together have one pack, and share tries here as they did where they came from: making
    # them costs as much as decoding some ten thousand words.
    global _last_rebuilt
    before = None if _last_rebuilt is None else _last_rebuilt()
    made = Decoder(layout, touch, pack, lm_weight=lm_weight, edits=edits, _shared=before)
    _last_rebuilt = weakref.ref(made)
    return made
