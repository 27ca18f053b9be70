"""One simulated person, typing her text in its order while the models learn her.

Her text is cut in two. The second part she types now: at each checkpoint the words that come next are
decoded by the models as they stand, learning nothing, with the same touches under every condition. The
first part is her past, which only the ceiling knows: the same models, having learnt it rightly
labelled before, and learning on with the others.

What she writes is a stretch of held-out text (Universal Dependencies English EWT, CC BY-SA 4.0: e-mail, reviews, answers,
blogs), which no pack may be trained on, in its own order: a few writers, with their topics and names. Without it, text is
drawn from the pack itself.

Every sentence starts with an empty context, so that what the models learn is told apart from what the pack's context
model makes of the text before. In a live session the text before stands in the editor and is context as well: that is
the condition `text_before`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from bodies import Body, draw_body
from numpy.typing import NDArray

from nearkey.decode import Decoder
from nearkey.decode.spelling import spell
from nearkey.personal import Person, PersonalLanguage, TouchLearner
from nearkey.simulate.keystrokes import Selection
from nearkey.simulate.workload import running_words
from nearkey.touch import PeopleTouch

Sentences = list[list[str]]

CHECKPOINTS = (10, 25, 50, 100, 200, 400)
PAST_WORDS = 1500
TESTED_WORDS = 250
TEXT_WORDS = PAST_WORDS + CHECKPOINTS[-1] + TESTED_WORDS
LISTED = 5


@dataclass(frozen=True, slots=True)
class LearningCondition:
    """What is learnt, and what the person confirms.

    wrong : share of words confirmed wrongly: another candidate of the list, or else another word of
        the same length. unnoticed : she always lets the first candidate stand, right or wrong.
    guarded : mislabelling is reckoned with, as by default. text_before : what she typed before, other sentences too, is
        the context of each word, as in a session.
    """

    name: str
    touch: bool = True
    words: bool = True
    wrong: float = 0.0
    unnoticed: bool = False
    guarded: bool = True
    text_before: bool = False


@dataclass(frozen=True, slots=True)
class Scores:
    """Words tested, right at once; keystrokes and characters, the space after each word included."""

    words: int
    right: int
    keystrokes: float
    characters: int


@dataclass(frozen=True, slots=True, eq=False)
class Typed:
    """A word, the model's state before it, by its sentence alone and after all that she typed now, a touch for each of
    its letters, and touches of the same letters should the word be entered letter by letter."""

    word: str
    in_sentence: Any
    after_text: Any
    keys: list[int]
    points: NDArray[np.float64]
    again: NDArray[np.float64]

    def state(self, condition: LearningCondition) -> Any:
        return self.after_text if condition.text_before else self.in_sentence


class PersonTrial:
    """A simulated person. Everything random comes from `seed`."""

    def __init__(self, decoder: Decoder, people: PeopleTouch, text: Sentences, seed: int) -> None:
        body_seed, touch_seed, self._label_seed = np.random.SeedSequence(seed).spawn(3)
        self._decoder = decoder
        self._people = people
        self._by_length: dict[int, list[str]] = {}
        for word in decoder.pack.lexicon.words:
            self._by_length.setdefault(len(word), []).append(word)
        body = draw_body(decoder.layout, np.random.default_rng(body_seed))
        stream = self._typed(text, body, np.random.default_rng(touch_seed))
        self._past, self._now = stream[:PAST_WORDS], stream[PAST_WORDS:]
        decoder.keep_contexts(len(self._now))  # every condition is tested on them

    def _typed(self, text: Sentences, body: Body, rng: np.random.Generator) -> list[Typed]:
        model, layout = self._decoder.pack.language_model, self._decoder.layout
        out: list[Typed] = []
        written = ""
        for sentence in text:
            state = model.start()
            for word in sentence:
                letters = spell(word, layout.letters) or ""
                keys = [layout.key_of_letter[c] for c in letters]
                touches = body.touch(keys, rng), body.touch(keys, rng)
                now = len(out) >= PAST_WORDS
                after = self._decoder.state_after(written) if now else state
                out.append(Typed(word, state, after, keys, *touches))
                state = model.advance(state, word)
                written += f"{word} "
            written = written.rstrip() + ".\n" if len(out) > PAST_WORDS else ""
        return out

    def unadapted(self) -> Iterator[tuple[int, Scores]]:
        """The scores at each checkpoint of a decoder that learns nothing."""
        return self.run(LearningCondition("none", touch=False, words=False))

    def ceiling(self, condition: LearningCondition) -> Iterator[tuple[int, Scores]]:
        """The scores at each checkpoint of models that know the person's past."""
        person = self._person(condition, mislabelling=0.0)
        for typed in self._past:
            person.confirm(typed.word, context=typed.in_sentence, points=typed.points)
        return self._follow(person, condition)

    def run(self, condition: LearningCondition) -> Iterator[tuple[int, Scores]]:
        """The scores at each checkpoint of models that start knowing nothing."""
        return self._follow(
            self._person(condition, mislabelling=0.05 * condition.guarded), condition
        )

    def _person(self, condition: LearningCondition, *, mislabelling: float) -> Person:
        words = PersonalLanguage(self._decoder.pack) if condition.words else None
        touches = None
        if condition.touch:
            touches = TouchLearner(
                self._decoder,
                self._people.person(mislabelling=mislabelling),
                mislabelling_moved_on=0.1 * condition.guarded,
            )
        return Person(self._decoder, words=words, learner=touches)

    def _follow(self, person: Person, condition: LearningCondition) -> Iterator[tuple[int, Scores]]:
        rng = np.random.default_rng(self._label_seed)
        for n, typed in enumerate(self._now[: CHECKPOINTS[-1]], start=1):
            word = self._confirmed(person, condition, typed, rng)
            person.confirm(
                word, context=typed.state(condition), points=typed.points, explicit=False
            )
            if n in CHECKPOINTS:
                yield n, self._score(person, condition, n)

    def _confirmed(
        self, person: Person, condition: LearningCondition, typed: Typed, rng: np.random.Generator
    ) -> str:
        mistaken = rng.random() < condition.wrong
        pick = int(rng.integers(1 << 30))
        if not (mistaken or condition.unnoticed):
            return typed.word
        found = person.decoder.decode(
            typed.points, context=typed.state(condition), k=LISTED, personal=person.words
        )
        shown = [candidate.word for candidate in found]
        if condition.unnoticed:
            return shown[0] if shown else typed.word
        others = [w for w in shown if w != typed.word]
        others = others or self._by_length.get(len(typed.keys), [typed.word])
        return others[pick % len(others)]

    def _score(self, person: Person, condition: LearningCondition, n: int) -> Scores:
        """How the words after the n-th would be decoded now."""
        tested = self._now[n : n + TESTED_WORDS]
        decoder = person.decoder
        ranks, spelled = [], []
        for typed in tested:
            found = decoder.decode(
                typed.points, context=typed.state(condition), k=LISTED, personal=person.words
            )
            place = [candidate.word for candidate in found]
            ranks.append(place.index(typed.word) + 1 if typed.word in place else 0)
            # Letter by letter: a touch, and a press of next for each key ranked before the right one.
            density = decoder.touch.log_prob(typed.again)
            wanted = density[np.arange(len(typed.keys)), typed.keys]
            spelled.append(float((density >= wanted[:, None]).sum()))
        presses = Selection(style="next", k=LISTED).keystrokes(
            np.asarray([len(typed.keys) for typed in tested]),
            np.asarray(ranks),
            np.asarray(spelled),
        )
        return Scores(
            words=len(tested),
            right=ranks.count(1),
            keystrokes=float(presses.sum()),
            characters=sum(len(typed.word) + 1 for typed in tested),
        )


# Invented words of invented surveyors, for text drawn from the pack.
NEW_WORDS = (
    *("theodora", "kellerby", "brackwell", "ossington", "marnhull", "tilsey", "vanterpool"),
    *("monuc", "rtkbox", "levelbk", "stakeoutline", "benchmk", "topofix", "prismo"),
)
COMMON, LONGEST = 4000, 12
"""Words that drawn text is made of, most frequent first; words of a sentence."""


def stretches(lines: list[str], pack: Any, letters: str, n_words: int) -> Iterator[Sentences]:
    """Successive stretches of at least `n_words` words that the letters can type."""
    held: Sentences = []
    words = 0
    for line in lines:
        for sentence in running_words(pack, line):
            typed = [w for w in sentence if w[0] != "<" and spell(w, letters)]
            if typed:
                held.append(typed)
                words += len(typed)
            if words >= n_words:
                yield held
                held, words = [], 0


def drawn(pack: Any, letters: str, n_words: int, rng: np.random.Generator) -> Sentences:
    """Text of one invented person: the pack's own, with five new and sixty favourite words of hers
    put in at one word in six, by a power law."""
    model = pack.language_model
    common = np.argsort(-np.asarray(pack.lexicon.log_probs), kind="stable")[:COMMON]
    words = [w for w in (pack.lexicon.words[int(i)] for i in common) if spell(w, letters)]
    index = [pack.lexicon.index(word) for word in words]
    rarer = len(words) // 10
    hers = [words[int(i)] for i in rarer + rng.permutation(len(words) - rarer)[:60]]
    hers += [str(w) for w in rng.choice(NEW_WORDS, 5, replace=False)]
    hers = [hers[int(i)] for i in rng.permutation(len(hers))]
    weights = 1.0 / np.arange(1, len(hers) + 1)
    sentences: Sentences = []
    total = 0
    while total < n_words:
        state = model.start()
        sentence: list[str] = []
        for _ in range(int(rng.integers(4, LONGEST + 1))):
            if rng.random() < 1 / 6:
                word = hers[int(rng.choice(len(hers), p=weights / weights.sum()))]
            else:
                p = np.exp(model.log_probs(state)[index].astype(float))
                word = words[int(rng.choice(len(words), p=p / p.sum()))]
            sentence.append(word)
            state = model.advance(state, word)
        sentences.append(sentence)
        total += len(sentence)
    return sentences
