"""`Person`: one person's touches and words together, kept in a folder of hers."""

from __future__ import annotations

import os
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from numpy.typing import ArrayLike

from nearkey.closing import Closable
from nearkey.decode import Candidate, Decoder
from nearkey.decode.protocols import State
from nearkey.errors import NearkeyError, PersonalError
from nearkey.files import remove_with_drafts, unwritten
from nearkey.layout import Key, Layout
from nearkey.personal.personal_language import PersonalLanguage
from nearkey.personal.touch_learner import TouchLearner
from nearkey.personal.word_counts import WordSettings
from nearkey.touch import PeopleTouch, PersonTouch, load_touch

WORDS, TOUCH = "words.jsonl", "touch.json"

# Confirmed words after which the touch model is written again.
_SAVE_EVERY = 50


@dataclass(frozen=True, slots=True)
class Receipt:
    """What one confirmed word taught, to be handed to `Person.retract`."""

    words: int | None
    touch: int | None


class Person(Closable):
    """Adapts a decoder to one person, word by confirmed word.

    Parameters
    ----------
    decoder : the decoder everybody has.
    words : the person's words; None learns no language.
    learner : what learns her touches; None leaves touch as it is.

    `save_fault` is the last error of a touch model that could not be saved while she typed; `save` and `close` raise.

    With a session::

        Session(person.live, personal=person.words, learners=person.learners)

    Without one, report each word that stands to `confirm`, and decode with ``person.decoder`` and
    ``personal=person.words``. Only confirmed words teach. A private field gets
    ``person.words.reader()`` and no learners.
    """

    def __init__(
        self,
        decoder: Decoder,
        *,
        words: PersonalLanguage | None = None,
        learner: TouchLearner | None = None,
    ) -> None:
        self.words = words
        self.learner = learner
        self._given = decoder
        self._folder: Path | None = None
        self._unsaved = 0
        self._failed_saves = 0
        self.save_fault: NearkeyError | None = None
        self.live = LivePerson(self)

    @classmethod
    def open(
        cls,
        folder: str | os.PathLike[str],
        decoder: Decoder,
        *,
        people: PeopleTouch | None = None,
        settings: WordSettings | None = None,
        language: str = "",
        fsync: bool = False,
        **options: Any,
    ) -> Self:
        """The person kept in a folder: `words.jsonl`, and `touch.json` where touch is learnt.

        Parameters
        ----------
        people : the population a new person's touches start from; without it touch is not learnt.
        settings, language, fsync : see `PersonalLanguage.open`.
        options : `mislabelling`, `mislabelling_moved_on`, `soft_labels`, `undo_words` of `TouchLearner`.

        The folder is made, for its owner only, where there is none. It holds private text. Raises
        `PersonalError` as `PersonalLanguage.open` does, and where the touch model was learnt on
        other keys; `TouchModelError` where its file is damaged.
        """
        place = Path(folder)
        try:
            place.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as fault:
            raise PersonalError(
                f"cannot be made: {fault.strerror}", where=os.fspath(place), fix="name a folder"
            ) from None
        touch = _touch_in(place / TOUCH, decoder, people) if people is not None else None
        words = PersonalLanguage.open(
            place / WORDS, decoder.pack, settings=settings, language=language, fsync=fsync
        )
        learner = None
        if people is not None and touch is not None:
            learner = TouchLearner(decoder, touch, fresh=people.person(), words=words, **options)
        person = cls(decoder, words=words, learner=learner)
        person._folder = place
        if learner is not None:
            learner.on_change = person._touch_changed
        return person

    @property
    def decoder(self) -> Decoder:
        """The decoder with the person's touch model as it is now."""
        return self._given if self.learner is None else self.learner.decoder

    @property
    def learners(self) -> tuple[TouchLearner, ...]:
        """What a session teaches beside the words."""
        return () if self.learner is None else (self.learner,)

    def confirm(
        self,
        word: str,
        *,
        context: str | State = "",
        points: ArrayLike = (),
        text: str = "",
        kind: str = "word",
        explicit: bool = True,
    ) -> Receipt | None:
        """Learn from one word that the person let stand.

        Parameters
        ----------
        word : as the lexicon has it.
        context : the text before the word, or the language model's state.
        points : its touches (n, 2) in layout units.
        text : the word as written, where that differs.
        kind : `Candidate.kind` of the reading.
        explicit : she chose the reading; False where she moved on to the next word.

        Returns a receipt for `retract`, None where nothing was learnt.
        """
        touch = None
        if self.learner is not None:
            touch = self.learner.learn(word, points, context=context, kind=kind, explicit=explicit)
        taught = None
        if self.words is not None:
            taught = self.words.learn(text or word, self._given.state(context))
        return None if taught is None and touch is None else Receipt(taught, touch)

    def retract(self, receipt: Receipt | None) -> None:
        """Take back what one confirmed word taught; nothing happens where that was done before."""
        if receipt is None:
            return
        if self.words is not None and receipt.words is not None:
            self.words.retract(receipt.words)
        if self.learner is not None and receipt.touch is not None:
            self.learner.retract(receipt.touch)

    def wipe(self) -> None:
        """Forget the person, in memory and on the disk: words, touches (also where this object learns none), what
        interrupted writers left of them, and what the decoder remembers of the last texts.

        Raises `PersonalError` where the disk refuses.
        """
        if self.words is not None:
            self.words.wipe()
        if self.learner is not None:
            self.learner.reset()
        if self._folder is not None:
            try:
                remove_with_drafts(self._folder / TOUCH)
                for left in self._folder.glob(f".{WORDS}.*"):
                    left.unlink(missing_ok=True)
            except OSError as fault:
                raise unwritten(fault, self._folder, PersonalError) from None
        self._given.forget_recent()
        self.decoder.forget_recent()
        self._unsaved = 0

    def save(self) -> None:
        """Write the touch model; the words are in their file with every word."""
        if self._folder is None or self.learner is None or not self._unsaved:
            return
        path = self._folder / TOUCH
        try:
            self.learner.touch.save(path)
            path.chmod(0o600)
        except OSError as fault:
            raise unwritten(fault, path, PersonalError) from None
        self._unsaved = 0

    def close(self) -> None:
        """Save, and let go of the files."""
        try:
            self.save()
        finally:
            if self.words is not None:
                self.words.close()

    def _touch_changed(self) -> None:
        self._unsaved += 1
        if self._unsaved >= _SAVE_EVERY * (self._failed_saves + 1):
            # A full disk must not stop the typing: it is said once, and tried again later.
            try:
                self.save()
                self._failed_saves = 0
            except NearkeyError as fault:
                self.save_fault = fault
                if not self._failed_saves:
                    warnings.warn(f"touches are not saved: {fault}", RuntimeWarning, stacklevel=4)
                self._failed_saves += 1


def _touch_in(path: Path, decoder: Decoder, people: PeopleTouch) -> PersonTouch:
    """The touch model of a file, or that of a new person; for the decoder's keys."""
    model = load_touch(path) if path.exists() else people.person()
    if not isinstance(model, PersonTouch):
        raise PersonalError(
            "is no model of one person", where=os.fspath(path), fix="move the file away"
        )
    missing = {decoder.layout.key_ids[i] for i in decoder.layout.key_of_letter.values()} - set(
        model.key_ids
    )
    if missing:
        raise PersonalError(
            f"lacks the keys {', '.join(sorted(missing))}",
            where=os.fspath(path) if path.exists() else "people",
            fix=f"keep a folder for each layout; this decoder has {decoder.layout.name!r}",
        )
    return model


class LivePerson:
    """The live side of a decoder, always with the person's latest touch model."""

    def __init__(self, person: Person) -> None:
        self._person = person

    @property
    def layout(self) -> Layout:
        """The decoder's layout."""
        return self._person.decoder.layout

    def key_at(self, point: ArrayLike, /) -> Key:
        """See `Decoder.key_at`."""
        return self._person.decoder.key_at(point)

    def candidates(
        self, points: ArrayLike, /, *, context: str | State = "", k: int = 5, personal: Any = None
    ) -> list[Candidate]:
        """See `Decoder.candidates`."""
        return self._person.decoder.candidates(points, context=context, k=k, personal=personal)

    def literal(self, points: ArrayLike, /) -> str:
        """See `Decoder.literal`."""
        return self._person.decoder.literal(points)

    def letters_at(self, point: ArrayLike, /, *, before: str = "") -> list[tuple[str, float]]:
        """See `Decoder.letters_at`."""
        return self._person.decoder.letters_at(point, before=before)

    def marks(self, context: str, /, *, on: str = "") -> list[tuple[str, float]]:
        """See `Decoder.marks`."""
        return self._person.decoder.marks(context, on=on)

    def state_after(self, text: str, /) -> State:
        """See `Decoder.state_after`."""
        return self._person.decoder.state_after(text)
