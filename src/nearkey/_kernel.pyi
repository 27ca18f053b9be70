"""Types of the compiled kernel; its sources are in src/kernel."""

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

MAX_LETTERS: int

Hit = tuple[int, float, float, float, int]
"""word index, total, touch, language (natural logs), kind (0 word, 1-3 edited, 4 completion)"""

class NgramTable:
    """A read-only n-gram table over its bytes (format 1 of DEVELOPERS.md). Pickles by them."""

    def __init__(self, buffer: NDArray[np.uint8]) -> None: ...
    @property
    def order(self) -> int: ...
    @property
    def vocab(self) -> int: ...
    @property
    def bos(self) -> int: ...
    @property
    def eos(self) -> int: ...
    @property
    def unk(self) -> int: ...
    def count(self, order: int) -> int: ...
    def log_prob(self, context: Sequence[int], word: int) -> float: ...
    def log_probs(
        self, context: Sequence[int], words: NDArray[np.uint32]
    ) -> NDArray[np.float64]: ...
    def score(self, tokens: NDArray[np.uint32], start: int = 1) -> NDArray[np.float64]: ...
    def score_as(self, tokens: NDArray[np.uint32], token: int) -> NDArray[np.float64]:
        """Natural log P of one token in the place of each from the second on, (n - 1,)."""

    def known_context(self, tokens: NDArray[np.uint32]) -> NDArray[np.uint8]:
        """How many tokens before each token from the second on the table knows as a context, (n - 1,)."""

    def followers(
        self, context: Sequence[int]
    ) -> tuple[NDArray[np.uint32], NDArray[np.float64]]: ...

class ContextModel:
    """A recurrent network over its bytes (format 1 of DEVELOPERS.md), as `nearkey.language.MixedModel` uses it.

    Pickles by them. States are bytes; b"" is the one before any token. Any number of threads may use it.
    """

    def __init__(self, buffer: NDArray[np.uint8]) -> None: ...
    @property
    def vocab(self) -> int: ...
    @property
    def width(self) -> int: ...
    @property
    def cells(self) -> int: ...
    @property
    def layers(self) -> int: ...
    @property
    def bos(self) -> int: ...
    @property
    def state_bytes(self) -> int: ...
    def advance(self, state: bytes, tokens: Sequence[int]) -> bytes: ...
    def log_probs(self, state: bytes) -> NDArray[np.float32]:
        """Natural log P of every token, (vocab,); that of the sentence's start is minus infinity."""

    def score(
        self, tokens: NDArray[np.uint32], by_sentence: bool, beside: int
    ) -> NDArray[np.float64]:
        """Natural log P of each token from the second on, and of `beside` in its place, (n - 1, 2); minus infinity both
        for a sentence's start.

        by_sentence : nothing is remembered from the sentence before.
        """

class NetworkMixture:
    """Mixes a context model with an n-gram table over the same tokens."""

    def __init__(
        self, model: ContextModel, table: NgramTable, weights: NDArray[np.float32]
    ) -> None:
        """weights : (order,) of the network, by how many words of context the table knows."""

    def log_probs(self, state: bytes, words: Sequence[int]) -> NDArray[np.float32]:
        """Natural log P of every token, (vocab,), after a state and the tokens of the words before."""

class Lexicon:
    def __init__(
        self,
        letters: NDArray[np.uint8],
        offsets: NDArray[np.uint32],
        entry_word: NDArray[np.uint32],
        entry_log_prob: NDArray[np.float32],
        n_letters: int,
        n_words: int,
    ) -> None: ...
    @property
    def n_entries(self) -> int: ...
    @property
    def n_words(self) -> int: ...
    @property
    def n_letters(self) -> int: ...
    @property
    def max_length(self) -> int: ...
    @property
    def n_bytes(self) -> int: ...

class DenseScores:
    """A language model's natural log probabilities of all words in one state, laid over a lexicon's tries.

    What `Searcher` takes in place of its table and its lexicon's own probabilities; the search stays exact.
    Immutable: any number of threads may use one. Making one takes some 0.3 ms for 65,000 words.
    """

    def __init__(self, lexicon: Lexicon, log_probs: NDArray[np.float32]) -> None:
        """log_probs : (n_words,), 0 or less (float32 rounding up to 1e-4 above counts as 0); minus infinity for
        a word that cannot be.

        Raises `ValueError` for a wrong length, NaN, or a value above 0.
        """

class Emitter:
    @staticmethod
    def of(
        key: NDArray[np.int32],
        log_weight: NDArray[np.float64],
        mean: NDArray[np.float64],
        precision: NDArray[np.float64],
        log_norm: NDArray[np.float64],
        n_keys: int,
        background_weight: float,
        background_log_density: float,
        dof: float = ...,
    ) -> Emitter: ...
    @property
    def n_keys(self) -> int: ...
    def log_prob(self, points: NDArray[np.float64]) -> NDArray[np.float64]: ...

class Penalties:
    def __init__(
        self,
        omitted: float = ...,
        extra: float = ...,
        swapped: float = ...,
        completion: float = ...,
        window: float = ...,
        floor: float = ...,
        lead: float = ...,
        hidden: NDArray[np.uint8] | None = None,
    ) -> None: ...
    def above(self, floor: float) -> Penalties:
        """The same with another floor."""

class Overlay:
    def __init__(
        self,
        lexicon: Lexicon,
        keep: float,
        word: NDArray[np.uint32],
        log_prob: NDArray[np.float64],
        new_letters: NDArray[np.uint8],
        new_offset: NDArray[np.uint32],
        new_log_prob: NDArray[np.float64],
    ) -> None: ...

class Searcher:
    def __init__(
        self,
        lexicon: Lexicon,
        table: NgramTable | None,
        token: NDArray[np.uint32],
        letter_column: NDArray[np.uint32],
        lm_weight: float,
        emitter: Emitter | None,
    ) -> None: ...
    def search(
        self,
        rows: NDArray[np.float64],
        context: Sequence[int],
        k: int,
        penalties: Penalties,
        overlay: Overlay | None = None,
        scores: DenseScores | None = None,
    ) -> list[Hit]:
        """The best k words. With `scores`, made for this searcher's lexicon, neither context nor table is looked at."""

    def search_led(
        self,
        rows: NDArray[np.float64],
        context: Sequence[int],
        k: int,
        penalties: Penalties,
        overlay: Overlay | None = None,
        scores: DenseScores | None = None,
    ) -> tuple[list[Hit], Hit | None]:
        """As `search`; and the best finished reading, where the first word is unfinished: exact where it comes within
        `penalties.lead` of the first, left out where there is none above `penalties.floor`."""

    def predict(
        self,
        context: Sequence[int],
        k: int,
        overlay: Overlay | None = None,
        scores: DenseScores | None = None,
    ) -> list[Hit]: ...
    def batch(
        self,
        rows: NDArray[np.float64],
        offsets: NDArray[np.uint32],
        context: NDArray[np.uint32],
        context_offsets: NDArray[np.uint32],
        k: int,
        penalties: Penalties,
        threads: int = 1,
        scores: DenseScores | None = None,
    ) -> tuple[NDArray[np.int32], NDArray[np.float64]]: ...
    def touch_scores(
        self, rows: NDArray[np.float64]
    ) -> tuple[NDArray[np.uint32], NDArray[np.float64]]: ...

class Speller:
    def __init__(
        self, table: NgramTable, token: NDArray[np.uint32], weight: float, width: int
    ) -> None: ...

class Spelling:
    def __init__(self, speller: Speller) -> None: ...
    def best(
        self, searcher: Searcher, rows: NDArray[np.float64], k: int
    ) -> list[tuple[bytes, float, float, float]]:
        """The best k spellings: letters' numbers, total, touch and language scores. What was made of the first touches
        stands as long as they stay. One thread at a time."""

class SentenceModel(Protocol):
    """A language model outside the kernel, as `decode_sentence` asks it. It numbers its states, the same state by
    the same number; 0 is the one before the first word. What it raises reaches the caller."""

    def scores(self, state: int) -> DenseScores:
        """Log probabilities of all words, for the searcher's lexicon. Asked for states that words are tried after."""

    def unknown(self, state: int) -> float:
        """Natural log P(a word outside the lexicon | state)."""

    def advance(self, state: int, word: int | bytes) -> int:
        """The state after a word of the lexicon, by its index, or after another by its letters' numbers."""

def decode_sentence(
    searcher: Searcher,
    speller: Speller | None,
    rows: NDArray[np.float64],
    context: Sequence[int],
    k: int,
    penalties: Penalties,
    space: NDArray[np.float64],
    boundary: NDArray[np.uint8],
    missing_space: float,
    width: int,
    words: int,
    reach: float,
    model: SentenceModel | None = None,
) -> list[tuple[float, float, float, list[tuple[int | bytes, int, int, bool]]]]: ...
def find_sorted(keys: NDArray[np.int64], wanted: NDArray[np.int64]) -> NDArray[np.int64]: ...
def runs(ascending: NDArray[np.uint64]) -> tuple[NDArray[np.uint64], NDArray[np.int64]]: ...

class TokenReader:
    def __init__(self, first: Sequence[str], begin: int, end: int) -> None: ...
    def read(self, text: str) -> NDArray[np.int32]: ...
    def tokens(self) -> list[str]: ...
    def __len__(self) -> int: ...

class ArpaWriter:
    def __init__(self, tokens: Sequence[str]) -> None: ...
    def rows(
        self,
        log10: NDArray[np.float64],
        tokens: NDArray[np.int64],
        backoff: NDArray[np.float64] | None = None,
        has_backoff: NDArray[np.uint8] | None = None,
    ) -> bytes: ...

class AmbiguityWords:
    """Words by falling share, for exact ambiguity under assignments of letters to keys. Immutable, any thread."""

    def __init__(
        self, letters: NDArray[np.uint8], share: NDArray[np.float64], n_letters: int
    ) -> None:
        """letters : (n, width), 1 + a letter's number, then 0. share : (n,), falling. Raises ValueError."""
    @property
    def n_letters(self) -> int: ...
    def __len__(self) -> int: ...
    def evaluate(
        self, keys: NDArray[np.uint8], n_keys: int, threads: int = 1
    ) -> NDArray[np.float64]:
        """keys : (m, n_letters), of each letter, below n_keys. Returns (m, 3): share of words first of their key
        sequence, among its first three, and the mean number of words above."""

class NearLayouts:
    """What layouts near one at hand cost, without counting the words that keep their keys. One call at a time."""

    def __init__(self, words: AmbiguityWords, n_keys: int, measure: str) -> None:
        """measure : the cost: "top1", share of words not first of their key sequence; "top3", not among its first
        three; "above", mean number of words above. Raises ValueError, as for more than 64 letters."""
    def bound(
        self, here: NDArray[np.uint8], keys: NDArray[np.uint8], most: float
    ) -> NDArray[np.float64]:
        """here : (n_letters,), the layout at hand. keys : (m, n_letters), others.
        Returns (m,) what each costs at least: exact where it differs from `here` in one letter; infinite where it
        certainly costs more than `most`."""

class AmbiguityContexts:
    """What words are likely after contexts, over `AmbiguityWords`."""

    def __init__(
        self,
        words: AmbiguityWords,
        left: NDArray[np.float64],
        offset: NDArray[np.uint32],
        word: NDArray[np.uint32],
        probability: NDArray[np.float64],
    ) -> None:
        """left : by context, what a word's share is multiplied by for its joint probability with the context, unless
        the context names it. offset : (n + 1,), where each context's own words begin. word : their rows.
        probability : joint with the context, falling within each. Raises ValueError."""
    def evaluate(
        self, keys: NDArray[np.uint8], n_keys: int, threads: int = 1
    ) -> NDArray[np.float64]:
        """(m, 2): probability of a context and a word first, and among the first three, of its key sequence there."""
