"""What a decoder asks of a person's words, and a view of a store that can do only that."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Protocol

from nearkey.decode.protocols import State

__all__ = ["OwnWords", "Reader"]


class OwnWords(Protocol):
    """A person's words as the decoder sees them; see "Personal words" in DEVELOPERS.md."""

    @property
    def version(self) -> Hashable:
        """Changes whenever `overlay` could answer differently."""

    def overlay(self, state: State) -> tuple[float, dict[str, float]]:
        """``(keep, {word: log_prob})`` after a context, natural logs."""

    def form(self, word: str) -> str:
        """How the person writes a word the lexicon lacks."""


class Reader:
    """A view of a store for private fields: it gives the person's words and cannot learn."""

    __slots__ = ("_store",)

    def __init__(self, store: OwnWords) -> None:
        self._store = store

    @property
    def version(self) -> Hashable:
        """The store's version."""
        return self._store.version

    def overlay(self, state: State) -> tuple[float, dict[str, float]]:
        """The store's overlay."""
        return self._store.overlay(state)

    def form(self, word: str) -> str:
        """The store's form of a word."""
        return self._store.form(word)
