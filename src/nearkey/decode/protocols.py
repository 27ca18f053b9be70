"""What the decoder asks of its parts, and a pack as it holds it. Anything with these members plugs in.

`nearkey.check_touch_model`, `check_language_model`, `check_pack` and `check_decoder` try a part of one's own.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

import nearkey._kernel as _kernel
from nearkey.decode.candidates import Candidate
from nearkey.errors import DecodeError
from nearkey.layout import Key, Layout

State = Any
"""A language model's context: opaque to the decoder, hashable, passed back as it came; never None or a str."""


@runtime_checkable
class TouchModel(Protocol):
    """Where touches meant for each key land."""

    @property
    def key_ids(self) -> tuple[str, ...]:
        """Keys in column order."""

    def log_prob(self, points: NDArray[np.float64], /) -> NDArray[np.float64]:
        """Natural log density of each touch under each key: (n, 2) -> (n, n_keys), layout units."""


class TouchComponents(Protocol):
    """Gaussian components of a touch model, c of them; DEVELOPERS.md has the formula.

    key : (c,) the column of each. log_weight : (c,) natural log of its weight in its key's mixture.
    mean : (c, 2), layout units. precision : (c, 3), xx, xy, yy of the inverse covariance.
    log_norm : (c,) natural log of the density's constant.
    background_weight : probability of a touch that means no key, from 0, below 1. background_log_density : natural
    log density of such a touch.
    """

    @property
    def key(self) -> NDArray[np.int32]: ...
    @property
    def log_weight(self) -> NDArray[np.float64]: ...
    @property
    def mean(self) -> NDArray[np.float64]: ...
    @property
    def precision(self) -> NDArray[np.float64]: ...
    @property
    def log_norm(self) -> NDArray[np.float64]: ...
    @property
    def background_weight(self) -> float: ...
    @property
    def background_log_density(self) -> float: ...


@runtime_checkable
class StudentComponents(TouchComponents, Protocol):
    """Components that are bivariate t's with `dof` degrees of freedom, above 0; infinity is a Gaussian."""

    @property
    def dof(self) -> float: ...


@runtime_checkable
class ComponentTouchModel(TouchModel, Protocol):
    """A touch model made of components, which the kernel evaluates itself."""

    def components(self) -> TouchComponents | None:
        """The components, or None where the model has no such form."""


@runtime_checkable
class Vocabulary(Protocol):
    """Words and their probabilities without context."""

    @property
    def words(self) -> Sequence[str]:
        """All words; the position is the word's index."""

    @property
    def log_probs(self) -> NDArray[np.float32]:
        """Natural log probability of each word, (n_words,)."""

    def index(self, word: str, /) -> int | None:
        """The index of a word, which may be found however it is cased; None where there is none."""

    def __len__(self) -> int: ...

    def __iter__(self) -> Iterator[str]: ...

    def __contains__(self, word: object, /) -> bool: ...


@runtime_checkable
class FlaggedVocabulary(Vocabulary, Protocol):
    """A vocabulary that names words to be shown only where they were touched letter by letter."""

    @property
    def offensive(self) -> frozenset[int]:
        """Their indices."""


@runtime_checkable
class LanguageModel(Protocol):
    """Probability of a word after a context; the context is an opaque, hashable state.

    What it says of a state never changes, so that it can be kept: a model that learns has a version in its states.
    """

    def start(self) -> State:
        """The state at the start of a sentence."""

    def advance(self, state: State, word: str, /) -> State:
        """The state after one more word (which the model may not know)."""

    def log_probs(self, state: State, /) -> NDArray[np.float32]:
        """Natural log P(word | state) of every word of the vocabulary, float32 (n_words,), in its order."""

    def log_unknown(self, state: State, /) -> float:
        """Natural log P(a word outside the vocabulary | state): the rest of the mass."""


@runtime_checkable
class TextLanguageModel(LanguageModel, Protocol):
    """A language model that reads running text by its own rules; others get its words in lower case."""

    def state_after(self, text: str, /) -> State:
        """The state after a text; "" is the start of a sentence."""


@runtime_checkable
class TableLanguageModel(LanguageModel, Protocol):
    """A back-off n-gram model whose table the kernel reads: exact search with context, in microseconds.

    Its states are tuples of token ids, the oldest first.
    """

    @property
    def table(self) -> _kernel.NgramTable:
        """The n-gram table."""

    def tokens(self, words: Sequence[str], /) -> NDArray[np.uint32]:
        """Token id of each word; the table's unknown token where it has none."""


@runtime_checkable
class MixedLanguageModel(LanguageModel, Protocol):
    """A language model that mixes an n-gram table's with something that knows more, such as the sentences before.

    Its own vector decides; the table's model finds the readings of a sentence, tells which of a person's phrases a
    state goes on from, and where a sentence starts.
    """

    @property
    def ngram(self) -> TableLanguageModel:
        """The model of the table."""

    def ngram_state(self, state: State, /) -> State:
        """The table's state after the same words; its `start()` at the start of a sentence."""


def sentence_starts(model: LanguageModel) -> Callable[[State | None], bool]:
    """A test of a model's states: is it that of a sentence's start? None, no context, is not.

    A model that remembers earlier sentences has many such states; the table it mixes has one.
    """
    if isinstance(model, MixedLanguageModel):
        read, first = model.ngram_state, model.ngram.start()
        return lambda state: state is not None and bool(read(state) == first)
    start = model.start()
    return lambda state: state is not None and bool(state == start)


class SpellingModel(Protocol):
    """P(spelling | the word is unknown): an n-gram model over letters."""

    @property
    def table(self) -> _kernel.NgramTable:
        """The n-gram table over the model's symbols; its end-of-sentence token ends a word."""

    def tokens(self, letters: str, /) -> NDArray[np.uint32]:
        """Token id of each letter; the table's unknown token where it has none."""


class CaseTable(Protocol):
    """How words are usually written."""

    @property
    def forms(self) -> Mapping[int, str]:
        """By a word's index: its usual form within a sentence, where that differs from the vocabulary's."""

    def capital(self, form: str, /) -> str:
        """A form as it stands at the start of a sentence."""


class PunctuationTable(Protocol):
    """Which mark follows a word."""

    def log_probs(self, word: str, /) -> Mapping[str, float]:
        """Natural log P(mark | word), of no mark under ""."""


@runtime_checkable
class PersonalWords(Protocol):
    """A person's words: P'(w | h) = exp(weight) P(w | h) + exp(log_prob[w]) for the words named,
    exp(weight) P(w | h) for all others; words the vocabulary lacks get exp(log_prob[w]) alone."""

    @property
    def version(self) -> Hashable:
        """Changes whenever the answers could."""

    def overlay(self, state: State, /) -> tuple[float, Mapping[str, float]]:
        """The interpolation weight's natural log (0 or less) and the natural log probability of each of the
        person's words, in a state; None is no context."""

    def form(self, word: str, /) -> str | None:
        """How the person writes a word the vocabulary lacks; None, or the word itself, says nothing of case."""


@runtime_checkable
class LanguagePack(Protocol):
    """What a decoder needs of a language pack. Its optional parts, which may be None or absent, are those of
    `PackParts`."""

    @property
    def lexicon(self) -> Vocabulary: ...

    @property
    def language_model(self) -> LanguageModel: ...


@runtime_checkable
class LiveDecoder(Protocol):
    """The part of a decoder that live use asks for. It is never changed by that, so that many sessions share one.

    Contexts are plain text: what stands in the editor before the word. Points are (x, y) in layout units.
    """

    @property
    def layout(self) -> Layout: ...

    def key_at(self, point: Any, /) -> Key:
        """The most probable key of one touch, function keys included."""

    def candidates(
        self, points: Any, /, *, context: str = "", k: int = 5, personal: Any = None
    ) -> Sequence[Candidate]:
        """The live list, best first: readings of the touches; next words where there is no touch."""

    def literal(self, points: Any, /) -> str:
        """The most probable letter of each touch, without language."""

    def letters_at(self, point: Any, /, *, before: str = "") -> Sequence[tuple[str, float]]:
        """Letters of one touch after the letters `before`, best first, with natural log scores."""

    def marks(self, context: str, /) -> Sequence[tuple[str, float]]:
        """Marks that may follow a text, best first, with natural log P; "" is no mark."""

    def state_after(self, text: str, /) -> State:
        """The language model's state after some text, for a person's store."""


def require_pack(pack: object, where: str) -> None:
    """Raise DecodeError unless `pack` has what a pack has: a name, say, has to be loaded first."""
    if not isinstance(pack, LanguagePack):
        name = pack if isinstance(pack, str) else "en"
        raise DecodeError(
            f"{pack!r} is no language pack",
            where=where,
            field="pack",
            fix=f"give nearkey.load_pack({name!r})",
        )


@dataclass(frozen=True, slots=True)
class PackParts:
    """The parts of a pack; what it lacks is None. Packs that have but a lexicon and a language model are adapted here.

    table_model : the language model where the kernel reads its table. mixed_model : the language model where it
    mixes such a one with another. offensive : indices of the words to be shown only where they were touched letter by
    letter.
    """

    lexicon: Vocabulary
    language_model: LanguageModel
    table_model: TableLanguageModel | None
    mixed_model: MixedLanguageModel | None
    letter_model: SpellingModel | None
    truecase: CaseTable | None
    marks: PunctuationTable | None
    offensive: frozenset[int]

    @classmethod
    def of(cls, pack: LanguagePack, where: str) -> PackParts:
        """Raises DecodeError for what is no pack, where lexicon or language model lack a member, and for flags of words
        that the lexicon does not have."""
        require_pack(pack, where)
        model, lexicon = pack.language_model, pack.lexicon
        members = "start, advance, log_probs(state) over all words, log_unknown(state)"
        _require(isinstance(model, LanguageModel), where, "language_model", members)
        members = "words, log_probs, index(word), len, iteration, `in`"
        _require(isinstance(lexicon, Vocabulary), where, "lexicon", members)
        offensive = lexicon.offensive if isinstance(lexicon, FlaggedVocabulary) else frozenset()
        if offensive and not 0 <= min(offensive) <= max(offensive) < len(lexicon):
            raise DecodeError(
                "names a place that has no word",
                where=where,
                field="pack.lexicon.offensive",
                fix=f"give numbers from 0 to {len(lexicon) - 1}",
            )
        return cls(
            lexicon,
            model,
            model if isinstance(model, TableLanguageModel) else None,
            model if isinstance(model, MixedLanguageModel) else None,
            getattr(pack, "letter_model", None),
            getattr(pack, "truecase", None),
            getattr(pack, "marks", None),
            offensive,
        )

    @property
    def ngram_model(self) -> TableLanguageModel | None:
        """The model of an n-gram table: the language model, or what it mixes; None where there is none."""
        return self.table_model if self.mixed_model is None else self.mixed_model.ngram


def _require(complete: bool, where: str, part: str, members: str) -> None:
    if not complete:
        raise DecodeError(
            "is not complete", where=where, field=f"pack.{part}", fix=f"give it {members}"
        )
