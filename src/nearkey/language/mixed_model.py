"""The language model of a pack with a context part: a recurrent network mixed with the n-gram table."""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nearkey._kernel import ContextModel, NetworkMixture
from nearkey.language import models
from nearkey.language.lexicon import Lexicon
from nearkey.language.models import SENTENCE_END, WordModel
from nearkey.language.tokens import BOS, EOS, FIRST_WORD, UNK

BLOCK = 3000
"""Characters of text after which memory begins anew, at the next sentence: bounds what reading a text costs."""

_SENTENCE_END = re.compile(r"[.?!]+[\"')\]]*\s+|\n+")
_VECTORS, _MEMORIES = 4, 256


class MixedState(NamedTuple):
    """What the model knows of the text before a word.

    tokens : the n-gram table's state: token ids of the last words of the sentence, the oldest first.
    memory : the network's state, float32 numbers as bytes; "" before any token.
    """

    tokens: models.State
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

    def ngram_state(self, state: MixedState) -> models.State:
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
