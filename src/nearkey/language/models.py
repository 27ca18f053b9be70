"""The language models of a pack, over the compiled reader of n-gram tables."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from nearkey._kernel import NgramTable
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
