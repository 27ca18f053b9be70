"""What the decoder asks of its parts. Anything with these methods plugs in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import DecodeError

__all__ = [
    "ComponentTouchModel",
    "LanguageModel",
    "LanguagePack",
    "State",
    "TableLanguageModel",
    "TouchModel",
    "Vocabulary",
    "require_pack",
]

State = Any
"""A language model's context: opaque to the decoder, hashable, passed back as it came."""


@runtime_checkable
class TouchModel(Protocol):
    """Where touches meant for each key land."""

    @property
    def key_ids(self) -> tuple[str, ...]:
        """Keys in column order."""

    def log_prob(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Natural log density of each touch under each key: (n, 2) -> (n, n_keys), layout units."""


@runtime_checkable
class ComponentTouchModel(TouchModel, Protocol):
    """A touch model made of Gaussian components, which the kernel evaluates itself."""

    def components(self) -> Any:
        """An object with the arrays named in DEVELOPERS.md, or None where the model has no such form."""


@runtime_checkable
class Vocabulary(Protocol):
    """Words and their probabilities without context."""

    @property
    def words(self) -> Sequence[str]:
        """All words; the position is the word's index."""

    @property
    def log_probs(self) -> NDArray[np.float32]:
        """Natural log probability of each word, (n_words,)."""

    def __len__(self) -> int: ...

    def __iter__(self) -> Iterator[str]: ...

    def __contains__(self, word: object) -> bool: ...


@runtime_checkable
class LanguageModel(Protocol):
    """Probability of a word after a context; the context is an opaque state."""

    def start(self) -> State:
        """The state at the start of a sentence."""

    def advance(self, state: State, word: str) -> State:
        """The state after one more word (which the model may not know)."""

    def log_probs(self, state: State, words: Sequence[str]) -> NDArray[np.float64]:
        """Natural log P(word | state) for each word, (n_words,)."""


@runtime_checkable
class TableLanguageModel(LanguageModel, Protocol):
    """A back-off n-gram model whose table the kernel reads: exact search with context, in microseconds.

    Its states are tuples of token ids, the oldest first.
    """

    @property
    def table(self) -> Any:
        """The `nearkey._kernel.NgramTable`."""

    def tokens(self, words: Sequence[str]) -> NDArray[np.uint32]:
        """Token id of each word; the table's unknown token where it has none."""


@runtime_checkable
class LanguagePack(Protocol):
    """What a decoder needs of a language pack."""

    @property
    def lexicon(self) -> Vocabulary: ...

    @property
    def language_model(self) -> LanguageModel: ...


def require_pack(pack: object, where: str) -> None:
    """Raise DecodeError unless `pack` has what a pack has: a name, say, has to be loaded first."""
    if not (hasattr(pack, "lexicon") and hasattr(pack, "language_model")):
        name = pack if isinstance(pack, str) else "en"
        raise DecodeError(
            f"{pack!r} is no language pack",
            where=where,
            field="pack",
            fix=f"give nearkey.load_pack({name!r})",
        )
