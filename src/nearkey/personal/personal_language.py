"""`PersonalLanguage`: the words and phrases of one person, mixed into a pack's language model."""

from __future__ import annotations

import os
from collections.abc import Hashable, Mapping
from pathlib import Path
from typing import Any, Self

from nearkey.closing import Closable
from nearkey.decode.protocols import (
    LanguagePack,
    PersonalWords,
    State,
    sentence_starts,
)
from nearkey.errors import PersonalError
from nearkey.language.tokens import is_letter, normalise_word
from nearkey.personal.personal_mixture import PersonalInterpolation, RecentWords
from nearkey.personal.personal_mixture import recent_words as find_recent_words
from nearkey.personal.word_counts import WordObservation, WordSettings
from nearkey.personal.word_store import Added, Removed, Retracted, WordStore

_LONGEST_WORD = 64
# Characters of a word as written: an accent may be a character of its own.
_LONGEST_WRITTEN = 4 * _LONGEST_WORD
INNER_MARKS = "'-\u00b7"


class PersonalLanguage(Closable):
    """A cache of what one person writes, interpolated with a pack's language model.

    P'(w | h) = (1 - a) F(w | h) + a C(w | h), where F is the pack's model with the words she uses more than others
    made more probable (see `nearkey.personal.personal_mixture`), and C counts the person's words and her phrases of
    two and three words, which decay as she types, each order smoothed into the next with a Dirichlet
    prior and the last into the pack, and the weight a is learnt as she types by expectation
    maximisation, one weight for each number of context words about which something is known.
    The probabilities of lexicon and new words still sum to 1.

    Parameters
    ----------
    pack : lexicon and language model the person's words are mixed with.
    settings : how fast it learns and forgets, and its bounds.
    recent_words : reads the last words out of a language model's state; found from the pack
        unless given (see `nearkey.personal.recent_words`).

    A store made by the constructor lives in memory. `open` keeps it in a file. One thread at a
    time.

    Caution: the store holds private text. Its file is readable by its owner only, lies where
    `open` is told, holds counts of words and phrases plus the last few hundred confirmed words in
    order, and is not encrypted. `wipe` empties it, `forget` takes one word out of it. A private
    field must not teach: hand it `reader()`, which cannot learn.
    """

    def __init__(
        self,
        pack: LanguagePack,
        *,
        settings: WordSettings | None = None,
        recent_words: RecentWords | None = None,
    ) -> None:
        self.settings = settings or WordSettings()
        self._pack = pack
        self._recent_words = recent_words or find_recent_words(pack)
        self._starts_sentence = sentence_starts(pack.language_model)
        # As the lexicon spells: a pack may fold accents.
        lexicon = pack.lexicon
        self._fold = bool(getattr(lexicon, "fold_accents", False))
        self._language: str = getattr(lexicon, "language", "")
        self._closed = self._read_only = False
        self._identity = object()
        self._changes = 0
        self._mixed = PersonalInterpolation(self.settings, pack, self._recent_words)
        self._store = WordStore(self.settings, self._changed)

    def _changed(self, word: str | None) -> None:
        self._changes += 1
        self._mixed.changed(word)

    @classmethod
    def open(
        cls,
        path: str | os.PathLike[str],
        pack: LanguagePack,
        *,
        settings: WordSettings | None = None,
        recent_words: RecentWords | None = None,
        language: str = "",
        read_only: bool = False,
        fsync: bool = False,
    ) -> Self:
        """The store kept in a file, which is made where there is none.

        Parameters
        ----------
        language : BCP 47 tag; a file of another language is refused where both name one.
        read_only : learn nothing and write nothing; the file may then be open elsewhere too.
        fsync : also let every single word survive a power cut. Without it, a crash of the program
            loses nothing, and a power cut at most the words since the last rewrite.

        Raises `PersonalError` naming file and line when it is damaged, of a newer version, of
        another language, in use, or cannot be read or written.
        """
        words = cls(pack, settings=settings, recent_words=recent_words)
        words._read_only = read_only
        target = Path(os.path.realpath(path))
        words._store.load(target, language=language, read_only=read_only, fsync=fsync)
        return words

    # ---- what a decoder asks ----

    @property
    def version(self) -> tuple[object, int]:
        """Changes whenever `overlay` could answer differently."""
        return self._identity, self._changes

    def overlay(self, state: State) -> tuple[float, dict[str, float]]:
        """How the language model is mixed after a context: ``(log_weight, {word: log_prob})``.

        log_weight is the interpolation weight of the pack, 0 or less, natural logs throughout:
        P'(w | h) = exp(log_weight) P(w | h) + exp(log_prob[w]) for the words named,
        exp(log_weight) P(w | h) for all others. Kept until the store changes: do not write into the mapping.
        """
        return self._mixed.overlay(state, self._store.counts)

    def form(self, word: str) -> str:
        """How the person writes a word she added, or one the lexicon lacks; else the word itself."""
        if word in self._store.counts.pinned:
            return self._store.counts.pinned[word]
        forms = self._store.counts.forms.get(word)
        return max(forms, key=lambda f: (forms[f], f)) if forms else word

    # ---- learning ----

    def learn(self, word: str, state: State = None, *, weight: float = 1.0) -> int | None:
        """Count a confirmed word.

        Parameters
        ----------
        word : as written.
        state : the language model's state before the word; None where unknown.
        weight : how sure it is that the word was meant, above 0, up to 1; from 0.5 on it counts
            as a confirmation.

        Returns
        -------
        The observation's serial number, for `retract`; None where the text is no word (anything but
        letters with apostrophes and hyphens inside, or too long) and nothing was learnt.

        Raises `PersonalError` when the store is read-only or closed, or the disk refuses.
        """
        self._check_open()
        if not 0.0 < weight <= 1.0:
            raise PersonalError(f"is {weight}", field="weight", fix="give a probability above 0")
        plain = self._plain(word)
        if plain is None:
            return None
        observation = self._observation(plain, word, state, weight)
        self._store.take(observation)
        return observation.serial

    def _observation(self, plain: str, word: str, state: State, weight: float) -> WordObservation:
        known = plain in self._pack.lexicon
        order, responsibility = -1, 0.0
        if state is not None:
            found = self._mixed.responsibility(state, plain, self._store.counts)
            if found is not None:
                order, responsibility = found[0], round(found[1], 4)
        context = self._recent_words(state)[-2:] if state is not None else ()
        return WordObservation(
            serial=self._store.next_serial,
            clock=self._store.counts.clock,
            word=plain,
            context=tuple(context),
            weight=weight,
            order=order,
            responsibility=responsibility,
            form="" if known else self._written(plain, word, state),
        )

    def _written(self, plain: str, word: str, state: State) -> str:
        """The way of writing that a word shows; a sentence's first capital shows nothing."""
        return plain if self._starts_sentence(state) and word[1:] == plain[1:] else word

    def retract(self, serial: int | None = None) -> bool:
        """Take one observation back exactly, as if it had never been learnt.

        Parameters
        ----------
        serial : what `learn` returned; the last observation unless given.

        Returns whether there was such a observation: False when it was taken back before, was forgotten,
        or lies further back than `undo_words` words.
        """
        self._check_open()
        if serial is None:
            serial = next(reversed(self._store.recent), -1)
        if serial not in self._store.recent:
            return False
        self._store.take(Retracted(serial))
        return True

    def add_word(self, word: str) -> None:
        """Enter a word at once; it stays until forgotten. `PersonalError` where it is no word."""
        self._check_open()
        plain = self._plain(word)
        if plain is None:
            raise PersonalError(
                f"{word[:40]!r} is no word", field="word", fix="give one word of letters"
            )
        self._store.take(Added(plain, word))

    def remove_word(self, word: str) -> bool:
        """Take a word added by hand out again; what was learnt by typing it stays (see `forget`)."""
        self._check_open()
        plain = self._normal(word)
        if plain not in self._store.counts.pinned:
            return False
        self._store.take(Removed(plain))
        self._store.purge()  # the record that added it is gone from the file
        return True

    def forget(self, word: str) -> bool:
        """Drop all that was learnt about a word, and every trace of it in the file.

        Returns whether there was anything. The word is learnt anew when it is confirmed again; a
        word of the pack stays in the pack.
        """
        self._check_open()
        return self._store.forget(self._normal(word))

    def wipe(self) -> None:
        """Empty the store and its file."""
        self._check_open()
        self._store.clear()
        self._store.purge()

    # ---- looking ----

    def __contains__(self, word: object) -> bool:
        """Whether a word is offered as the person's own: pinned, or confirmed often enough."""
        if not isinstance(word, str):
            return False
        plain = self._normal(word)
        if plain in self._store.counts.pinned:
            return True
        needed = 1 if plain in self._pack.lexicon else self.settings.enter_after
        return self._store.counts.times.get(plain, 0) >= needed

    @property
    def new_words(self) -> list[str]:
        """Words offered that the lexicon lacks, in alphabetical order."""
        held = self._store.counts.times.keys() | self._store.counts.pinned.keys()
        return sorted(w for w in held if w not in self._pack.lexicon and w in self)

    @property
    def words_typed(self) -> int:
        """Words learnt since the store was made or wiped, without those taken back."""
        return self._store.counts.clock

    @property
    def weights(self) -> tuple[float, float, float]:
        """Weight of the person's words against the pack with 0, 1 and 2 known words of context."""
        a, b, c = (self._mixed.weight(order, self._store.counts) for order in range(3))
        return a, b, c

    def export(self) -> dict[str, Any]:
        """All that is known, readable, most used first: to be looked at, or written as JSON.

        ``uses`` are decayed counts: how many words typed just now would weigh as much.
        """
        counts = self._store.counts
        unit = counts.unit(counts.clock)
        words: list[dict[str, Any]] = [
            {
                "word": self.form(word),
                "uses": round(counts.words.get(word, 0) / unit, 3),
                "confirmed": counts.times.get(word, 0),
                "new": word not in self._pack.lexicon,
                "added": word in counts.pinned,
                "offered": word in self,
            }
            for word in counts.words.keys() | counts.pinned.keys()
        ]
        phrases: list[dict[str, Any]] = [
            {"phrase": " ".join((*context, word)), "uses": round(count / unit, 3)}
            for context, followers in counts.phrases.items()
            for word, count in followers.items()
        ]
        words.sort(key=lambda row: (-row["uses"], row["word"]))
        phrases.sort(key=lambda row: (-row["uses"], row["phrase"]))
        return {
            "language": self._store.language,
            "weights": list(self.weights),
            "words_typed": counts.clock,
            "words": words,
            "phrases": phrases,
        }

    def reader(self) -> ReadOnlyWords:
        """What a private field may have: the person's words, and no way to teach."""
        return ReadOnlyWords(self)

    # ---- the file ----

    @property
    def path(self) -> Path | None:
        """Where the store is kept; None in memory."""
        return self._store.path

    def flush(self) -> None:
        """Write the file anew: what was taken back is gone from it, and all survives a power cut."""
        self._check_open()
        self._store.rewrite()

    def close(self) -> None:
        """Write what is settled and let go of the file. A closed store still answers."""
        if self.path is not None and not self._closed:
            try:
                self._store.rewrite()
            finally:
                self._store.close()
        self._closed = True

    def _normal(self, word: str) -> str:
        if len(word) > _LONGEST_WRITTEN:
            return word  # no word; normalising may take time that grows with its square
        return normalise_word(word, fold=self._fold, language=self._language)

    def _plain(self, word: str) -> str | None:
        """The word as it is counted, None where the text is no word."""
        plain = self._normal(word)
        fits = 0 < len(plain) <= _LONGEST_WORD and all(
            is_letter(c) or c in INNER_MARKS for c in plain
        )
        return plain if fits and plain[0].isalpha() else None

    def _check_open(self) -> None:
        if self._read_only or self._closed:
            state = "read-only" if self._read_only else "closed"
            raise PersonalError(
                f"the store is {state}",
                where=os.fspath(self.path) if self.path else None,
                fix="open it for writing, outside private fields",
            )


class ReadOnlyWords:
    """A view of a store for private fields: it gives the person's words, as a decoder asks for them, and cannot learn.

    store : the words; each answer is the store's own.
    """

    __slots__ = ("_store",)

    def __init__(self, store: PersonalWords) -> None:
        self._store = store

    @property
    def version(self) -> Hashable:
        """The store's version."""
        return self._store.version

    def overlay(self, state: State, /) -> tuple[float, Mapping[str, float]]:
        """The store's overlay after a context."""
        return self._store.overlay(state)

    def form(self, word: str, /) -> str | None:
        """The store's form of a word."""
        return self._store.form(word)
