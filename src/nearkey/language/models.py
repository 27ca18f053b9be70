"""The language models of a pack, over the compiled reader of n-gram tables, and their mixture with a network."""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property, lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nearkey._kernel import ContextModel, NetworkMixture, NgramTable
from nearkey.language.lexicon import Lexicon
from nearkey.language.tokens import (
    ABBREVIATIONS,
    BOS,
    EOS,
    FIRST_WORD,
    NUM,
    NUMBER,
    PUNCTUATION,
    UNK,
    TokenSentence,
    sentences,
    token_ids,
)

State = tuple[int, ...]
"""Token ids of the last words, the oldest first."""

FIRST_LETTER = 3
"""Token id of a letter model's first symbol; 0, 1, 2 are as in the word model."""

SENTENCE_END = frozenset((PUNCTUATION.index("."), PUNCTUATION.index("?"), PUNCTUATION.index("!")))
"""Codes of the marks that end a sentence."""


class LetterModel:
    """P(spelling | the word is unknown): an n-gram model over letters, proper over all strings.

    Attributes
    ----------
    symbols : the characters it spells with; symbol i is token 3 + i.
    table : the n-gram table; ``</s>`` ends a word.
    """

    def __init__(self, table: NgramTable, symbols: str) -> None:
        self.table = table
        self.symbols = symbols
        self._token = {symbol: FIRST_LETTER + i for i, symbol in enumerate(symbols)}

    def tokens(self, letters: str) -> NDArray[np.uint32]:
        """Token id of each character; that of ``<unk>`` for one the model does not spell with."""
        return np.array([self._token.get(letter, UNK) for letter in letters], dtype=np.uint32)

    def log_prob(self, word: str) -> float:
        """Natural log P(spelling | unknown), its end included."""
        inner = self.tokens(word)
        stream = np.concatenate(([BOS], inner, [EOS])).astype(np.uint32)
        return float(np.sum(self.table.score(stream, 1)))

    def next_log_probs(self, prefix: str) -> NDArray[np.float64]:
        """Natural log probability of each symbol after `prefix`, and last of the word's end."""
        context = [BOS, *self.tokens(prefix).tolist()]
        wanted = np.append(np.arange(len(self.symbols)) + FIRST_LETTER, EOS).astype(np.uint32)
        return self.table.log_probs(context, wanted)


class WordModel:
    """P(word | words before it in the sentence).

    A word outside the lexicon gets P(``<unk>`` | context) times its spelling's probability under the
    letter model. (The letter model leaves some of its mass on words of the lexicon, so the sum over
    all strings is a little below 1.)

    Attributes
    ----------
    table : the n-gram table the compiled decoder reads.

    `abbreviations`, `elisions` and `combining` are as `tokens` has them.
    """

    def __init__(
        self,
        table: NgramTable,
        lexicon: Lexicon,
        letter_model: LetterModel | None = None,
        *,
        abbreviations: Iterable[str] = ABBREVIATIONS,
        elisions: Sequence[str] = (),
        combining: bool = False,
    ) -> None:
        self.table = table
        self.lexicon = lexicon
        self.letter_model = letter_model
        self._abbreviations = frozenset(abbreviations)
        self._elisions = tuple(elisions)
        self._combining = combining
        self._keep = table.order - 1

    def start(self) -> State:
        """The state at the start of a sentence."""
        return (BOS,)[: self._keep]

    def advance(self, state: State, word: str) -> State:
        """The state after one more word. A compound outside the lexicon counts as its parts."""
        for token in self.token_ids(word):
            state = self.push(state, token)
        return state

    def push(self, state: State, token: int) -> State:
        """The state after one more token."""
        return (*state, token)[-self._keep :] if self._keep else ()

    def state_after(self, text: str) -> State:
        """The state after running text; that of a sentence's start where the text ends a sentence."""
        found = list(self.sentences(text.splitlines()[-1:]))
        state = self.start()
        if not found or found[-1].punctuation[-1] in SENTENCE_END:
            return state
        for word in found[-1].words:
            state = self.advance(state, word)
        return state

    def sentences(self, lines: Iterable[str]) -> Iterator[TokenSentence]:
        """Lines of text as sentences of words, by the rules of the pack's language."""
        return sentences(lines, abbreviations=self._abbreviations, combining=self._combining)

    def tokens(self, words: Sequence[str]) -> NDArray[np.uint32]:
        """Token id of each word; that of ``<unk>`` for words outside the lexicon."""
        if words is self.lexicon.words:
            return np.arange(FIRST_WORD, FIRST_WORD + len(words), dtype=np.uint32)
        return np.array([self.token(word) for word in words], dtype=np.uint32)

    def log_probs(self, state: State) -> NDArray[np.float32]:
        """Natural log P(word | state) of every word of the lexicon, float32 (n_words,)."""
        # In a back-off model every word that the context does not list has its unigram, shifted alike.
        followers, listed = self.table.followers(state)
        found = self._unigrams + self._shift(state, followers)
        words = followers >= FIRST_WORD
        found[followers[words] - FIRST_WORD] = listed[words]
        return found.astype(np.float32)

    @cached_property
    def _unigrams(self) -> NDArray[np.float64]:
        words = np.arange(FIRST_WORD, FIRST_WORD + len(self.lexicon), dtype=np.uint32)
        return self.table.log_probs((), words)

    @cached_property
    def _rare(self) -> list[int]:
        """Words that few contexts list: any that a context does not list tells its back-off."""
        return [int(i) + FIRST_WORD for i in np.argsort(self._unigrams, kind="stable")[:64]]

    def _shift(self, state: State, followers: NDArray[np.uint32]) -> float:
        for token in self._rare:
            if not (followers == token).any():
                return self.table.log_prob(state, token) - self.table.log_prob((), token)
        return 0.0  # a context that lists every word leaves none to shift

    def log_unknown(self, state: State) -> float:
        """Natural log P(a word outside the lexicon | state)."""
        return float(self.table.log_prob(state, UNK))

    def log_prob(self, context: str | State, word: str) -> float:
        """Natural log P(word | context), also of a word outside the lexicon; the context is text, or a state."""
        state = self.state_after(context) if isinstance(context, str) else context
        token = self.token(word)
        log_prob = float(self.table.log_prob(state, token))
        if token == UNK and self.letter_model is not None:
            log_prob += self.letter_model.log_prob(self.lexicon.normalise(word))
        return log_prob

    def end_log_prob(self, state: State) -> float:
        """Natural log P(the sentence ends here | state)."""
        return float(self.table.log_prob(state, EOS))

    def token(self, word: str) -> int:
        """Token id of one word; that of ``<unk>`` for a word outside the lexicon."""
        return NUM if word == NUMBER else self.lexicon.token(word)

    def token_ids(self, word: str) -> list[int]:
        """Token ids of a word as running text has it; several where it is read as its parts."""
        token = self.token(word)
        if token != UNK:
            return [token]
        return token_ids(self.lexicon.normalise(word), self.lexicon.token, self._elisions)


# ---- mixed with a network ----

BLOCK = 3000
"""Characters of text after which memory begins anew, at the next sentence: bounds what reading a text costs."""

_SENTENCE_END = re.compile(r"[.?!]+[\"')\]]*\s+|\n+")
_VECTORS, _MEMORIES = 4, 256


class MixedState(NamedTuple):
    """What the model knows of the text before a word.

    tokens : the n-gram table's state: token ids of the last words of the sentence, the oldest first.
    memory : the network's state, float32 numbers as bytes; "" before any token.
    """

    tokens: State
    memory: bytes


class MixedModel:
    """P(word | all text before it): weight * network + (1 - weight) * n-gram table.

    Both are probabilities over the same tokens, and the weight depends on the words before alone, so that
    the mixture sums to 1. Sentences do not end what the network remembers; the table knows the words of
    the sentence. Words outside the lexicon are as in `WordModel`.

    Parameters
    ----------
    ngram : the model of the table.
    network : the context model, over the table's tokens.
    weights : of the network, by how many words of context the table knows (0 to its order - 1).

    Attributes
    ----------
    ngram, network, weights : those.

    Raises ValueError where network and table differ in their vocabularies, or a weight is none.
    """

    def __init__(self, ngram: WordModel, network: ContextModel, weights: Sequence[float]) -> None:
        self.ngram = ngram
        self.network = network
        self.weights = tuple(float(weight) for weight in weights)
        self._mixture = NetworkMixture(network, ngram.table, np.array(self.weights, np.float32))
        # Words of one state come one after another: those of a live list, then what was learnt of its choice.
        self._all_log_probs = lru_cache(_VECTORS)(self._mix)
        self._memories: OrderedDict[tuple[int, ...], bytes] = OrderedDict()
        self._lock = threading.Lock()

    def __reduce__(self) -> tuple[Any, ...]:
        return MixedModel, (self.ngram, self.network, self.weights)

    @property
    def lexicon(self) -> Lexicon:
        """The words."""
        return self.ngram.lexicon

    # ---- states ----

    def start(self) -> MixedState:
        """The state before any text."""
        return self._state_of((BOS,))

    def advance(self, state: MixedState, word: str) -> MixedState:
        """The state after one more word. A compound outside the lexicon counts as its parts."""
        return self._pushed(state, self.ngram.token_ids(word))

    def push(self, state: MixedState, token: int) -> MixedState:
        """The state after one more token."""
        return self._pushed(state, [token])

    def end_sentence(self, state: MixedState) -> MixedState:
        """The state at the start of the next sentence."""
        return MixedState(self.ngram.start(), self.network.advance(state.memory, [EOS, BOS]))

    def _pushed(self, state: MixedState, tokens: Sequence[int]) -> MixedState:
        words = state.tokens
        for token in tokens:
            words = self.ngram.push(words, token)
        return MixedState(words, self.network.advance(state.memory, tokens))

    def state_after(self, text: str) -> MixedState:
        """The state after running text, of which whole sentences are remembered too.

        Memory begins anew at the first sentence after each `BLOCK` characters, so that a long text costs no more
        than a short one; which is why the state depends on the whole text, and not on how it came about.
        """
        return self._state_of(self._tokens(text))

    def ngram_state(self, state: MixedState) -> State:
        """The n-gram model's state after the same words."""
        return state.tokens

    def _tokens(self, text: str) -> tuple[int, ...]:
        """Token ids of the text since memory began; the last sentence is open, or there is but its start."""
        found = [BOS]
        block = len(text) // BLOCK
        while block and (end := _SENTENCE_END.search(text, block * BLOCK)) is None:
            block -= 1
        lines = (text[end.end() :] if block and end else text).splitlines()
        for number, line in enumerate(lines, start=1):
            for sentence in self.ngram.sentences((line,)):
                for word in sentence.words:
                    found += self.ngram.token_ids(word)
                if sentence.punctuation[-1] in SENTENCE_END or number < len(lines):
                    found += (EOS, BOS)
        return tuple(found)

    def _state_of(self, tokens: tuple[int, ...]) -> MixedState:
        since = len(tokens) - 1 - tokens[::-1].index(BOS)
        words = tokens[since:][-max(1, self.ngram.table.order - 1) :]
        return MixedState(words if self.ngram.table.order > 1 else (), self._memory_of(tokens))

    def _memory_of(self, tokens: tuple[int, ...]) -> bytes:
        """The network's state after tokens, going on from the longest of their beginnings that was met lately."""
        memory, read = b"", 0
        with self._lock:
            for length in range(len(tokens), 0, -1):
                kept = self._memories.get(tokens[:length])
                if kept is not None:
                    self._memories.move_to_end(tokens[:length])
                    memory, read = kept, length
                    break
        if read < len(tokens):
            memory = self.network.advance(memory, tokens[read:])
            with self._lock:
                self._memories[tokens] = memory
                if len(self._memories) > _MEMORIES:
                    self._memories.popitem(last=False)
        return memory

    # ---- probabilities ----

    def keep_vectors(self, states: int) -> None:
        """Keep the probabilities after so many states, four bytes a token each, where many decoders answer for the
        same states in turn; a few are kept otherwise."""
        self._all_log_probs = lru_cache(states)(self._mix)

    def _mix(self, state: MixedState) -> NDArray[np.float32]:
        found = self._mixture.log_probs(state.memory, state.tokens)
        found.flags.writeable = False  # it is kept
        return found

    def log_probs(self, state: MixedState) -> NDArray[np.float32]:
        """Natural log P(word | state) of every word of the lexicon, float32 (n_words,), read-only."""
        return self._all_log_probs(state)[FIRST_WORD:]

    def log_unknown(self, state: MixedState) -> float:
        """Natural log P(a word outside the lexicon | state)."""
        return float(self._all_log_probs(state)[UNK])

    def end_log_prob(self, state: MixedState) -> float:
        """Natural log P(the sentence ends here | state)."""
        return float(self._all_log_probs(state)[EOS])

    def token_log_probs(self, state: MixedState) -> NDArray[np.float32]:
        """Natural log P of every token, special ones too, float32 (n_tokens,), read-only; see
        `nearkey.language.tokens`."""
        return self._all_log_probs(state)

    def log_prob(self, context: str | MixedState, word: str) -> float:
        """Natural log P(word | context), also of a word outside the lexicon; the context is text, or a state."""
        state = self.state_after(context) if isinstance(context, str) else context
        token = self.ngram.token(word)
        found = float(self._all_log_probs(state)[token])
        if token == UNK and self.ngram.letter_model is not None:
            found += self.ngram.letter_model.log_prob(self.lexicon.normalise(word))
        return found

    def token_ids(self, word: str) -> list[int]:
        """As `WordModel.token_ids`."""
        return self.ngram.token_ids(word)
