"""A trial: a person types a chunk of words under a condition, a decoder reads the touches, the answers are judged.

A condition is who types on which layout, and what the decoder assumes of the touches.
The one place where words are typed: rankings, scores, replays, finger widths and benchmarks compare what comes out.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from time import perf_counter, thread_time
from typing import Any, Self, TypeVar

import numpy as np

from nearkey.decode import Decoder, LanguagePack, TouchModel
from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.seeds import seed_number
from nearkey.simulate.calibration import list_posterior
from nearkey.simulate.columns import Floats, Ints
from nearkey.simulate.decoders.own import OwnDecoder
from nearkey.simulate.decoders.protocol import (
    Answers,
    BatchDecodes,
    Decodes,
    Faults,
    Posterior,
    Queries,
    ask,
)
from nearkey.simulate.keystrokes import Selection, Speed
from nearkey.simulate.outcomes import WordOutcomes
from nearkey.simulate.simulation_options import SimulationOptions
from nearkey.simulate.typist import SamplingTouchModel, Typist
from nearkey.simulate.workload import Workload
from nearkey.study import string_distance

TouchSource = (
    SamplingTouchModel | Mapping[str, SamplingTouchModel] | Callable[[Layout], SamplingTouchModel]
)
"""A model for all layouts, a mapping by layout name, or a callable that makes one for a layout."""


@dataclass(frozen=True, slots=True)
class Condition:
    """What a simulation compares: rankings by layout, scores by decoder, replays by person, finger widths by model.

    generating : where touches land: a fitted model, recorded touches (`ReplayTouch`), an invented person.
    assumed : the touch model of the decoder; often the same.
    """

    layout: Layout
    generating: SamplingTouchModel
    assumed: TouchModel

    @classmethod
    def matched(cls, layout: Layout, touch: SamplingTouchModel) -> Self:
        """The decoder assumes the very model that touches are drawn from."""
        return cls(layout, touch, touch)

    @classmethod
    def of(cls, layout: Layout, touch: TouchSource, assumed: TouchSource | None = None) -> Self:
        """The condition of a layout from what callers give; matched without `assumed`. Raises what `model_for` does."""
        generating = model_for(touch, layout)
        return cls(
            layout, generating, generating if assumed is None else model_for(assumed, layout)
        )


def by_layout(source: Mapping[str, Any], layout: Layout, what: str = "touch model") -> Any:
    """What a mapping has for a layout; PlanError, saying `what` is not there, where it lacks it."""
    if layout.name not in source:
        raise PlanError(
            f"no {what} for this layout",
            where=layout.name,
            field="touch",
            fix="add one under its name",
        )
    return source[layout.name]


def model_for(source: TouchSource, layout: Layout) -> SamplingTouchModel:
    """The touch model of a source for one layout; PlanError where a mapping lacks the layout."""
    if isinstance(source, Mapping):
        model: Any = by_layout(source, layout)
    elif hasattr(source, "log_prob"):
        model = source
    else:
        model = source(layout)
    if hasattr(model, "for_layout"):
        model = model.for_layout(layout)
    return model  # type: ignore[no-any-return]


Name = TypeVar("Name", bound=Hashable)


@dataclass(frozen=True, slots=True)
class TypedWords:
    """Words as typed on a layout: what every decoder is asked, and what typing them cost.

    touches : (n,) touches of each word. spelled : (n,) keystrokes of its letter-by-letter entry.
    movement_s : (n,) seconds its movements take.
    """

    workload: Workload
    queries: Queries
    touches: Ints
    spelled: Floats
    movement_s: Floats

    def head(self, n: int) -> TypedWords:
        """The first n words."""
        return TypedWords(
            self.workload.part(0, n),
            self.queries.head(n),
            self.touches[:n],
            self.spelled[:n],
            self.movement_s[:n],
        )


class Stages:
    """Processor seconds of this thread by stage of a run: what else runs on the machine has no part in them."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    @contextmanager
    def __call__(self, name: str) -> Iterator[None]:
        start = thread_time()
        try:
            yield
        finally:
            self.add({name: thread_time() - start})

    def add(self, seconds: Mapping[str, float]) -> None:
        """Add what was measured elsewhere."""
        for name, more in seconds.items():
            self.seconds[name] = self.seconds.get(name, 0.0) + more


@dataclass(frozen=True, slots=True)
class Judged:
    """What a decoder made of typed words.

    faults : what it did wrong. answer_s : (n,) time of each answer, where it was asked one by one; else None.
    seconds : time of all answers. stages : processor seconds by stage.
    """

    outcomes: WordOutcomes
    faults: Faults = field(default_factory=Faults)
    answer_s: Floats | None = None
    seconds: float = 0.0
    stages: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def join(cls, parts: Sequence[Judged]) -> Judged:
        """All parts, one after another."""
        faults, stages = Faults(), Stages()
        for part in parts:
            faults.include(part.faults)
            stages.add(part.stages)
        times = [part.answer_s for part in parts if part.answer_s is not None]
        return cls(
            WordOutcomes.join([part.outcomes for part in parts]),
            faults,
            np.concatenate(times) if times else None,
            sum(part.seconds for part in parts),
            stages.seconds,
        )


class TypingTrial:
    """A condition made ready: its typist, its decoder. Pickles with the models it has, and is sent to a worker once.

    Parameters
    ----------
    condition : who types on what. pack : lexicon and language model.
    words : what the typist can type: a workload's vocabulary.
    options : of the simulation; of it the seed, the models of selection and speed, and the decoder's language weight.
    k : candidates asked for. use : of the decoder, see `OwnDecoder`.
    detail : also judge edit distances and probabilities.
    decoder : asked in place of one made from the rest.
    like : a trial with the same pack and words, whose tries, and spelling of the words where letters agree, are shared.
    """

    def __init__(
        self,
        condition: Condition,
        pack: LanguagePack,
        words: Sequence[str],
        options: SimulationOptions,
        *,
        k: int,
        detail: bool = False,
        decoder: OwnDecoder | None = None,
        like: TypingTrial | None = None,
    ) -> None:
        self.condition = condition
        if decoder is None:
            made = (
                Decoder(condition.layout, condition.assumed, pack, lm_weight=options.lm_weight)
                if like is None
                else like.decoder.decoder.with_layout(condition.layout, condition.assumed)
            )
            decoder = OwnDecoder(made)
        self.decoder: OwnDecoder = decoder
        self.k = k
        self.detail = detail
        self._typist: Typist = Typist(
            condition.layout,
            condition.generating,
            words,
            assumed=condition.assumed,
            like=None if like is None else like._typist,
        )
        self._seed = seed_number(options.seed)
        self._selection, self._speed = options.selection, options.speed

    def type(self, chunk: Workload, number: int) -> TypedWords:
        """Type a chunk; its random numbers follow from the seed and its number, and are the same on every layout."""
        return _type_chunk(self._typist, chunk, number, self._seed, self._speed)

    def type_first(self, workload: Workload, limit: int) -> TypedWords:
        """The first `limit` words of a workload, as its chunks type them."""
        return _type_first(self._typist, workload, limit, self._seed, self._speed)

    def judge(self, typed: TypedWords, decoder: Decodes | BatchDecodes | None = None) -> Judged:
        """What our decoder, or another, makes of words typed here."""
        return judge(
            typed,
            self.decoder if decoder is None else decoder,
            lexicon=self.decoder.decoder.pack.lexicon.words,
            k=self.k,
            selection=self._selection,
            speed=self._speed,
            detail=self.detail,
        )

    def run(self, chunk: Workload, number: int) -> Judged:
        """Type a chunk and judge what our decoder makes of it."""
        stages = Stages()
        with stages("touches"):
            typed = self.type(chunk, number)
        judged = self.judge(typed)
        stages.add(judged.stages)
        return replace(judged, stages=stages.seconds)


def make_trials(
    conditions: Mapping[Name, Condition],
    pack: LanguagePack,
    words: Sequence[str],
    options: SimulationOptions,
    *,
    k: int | None = None,
    like: TypingTrial | None = None,
) -> dict[Name, TypingTrial]:
    """A trial of each condition, which share what they can with each other and with `like`; see `TypingTrial`.

    k : candidates asked for, 5 or as many as are listed unless given.
    """
    made: dict[Name, TypingTrial] = {}
    for name, condition in conditions.items():
        k = k or max(5, options.selection.k)
        made[name] = TypingTrial(condition, pack, words, options, k=k, like=like)
        like = like or made[name]
    return made


def _type_chunk(
    typist: Typist, chunk: Workload, number: int, seed: int, speed: Speed
) -> TypedWords:
    draw = np.random.SeedSequence(seed, spawn_key=(1, number))
    typing = typist.type(chunk.word, np.random.default_rng(draw))
    return TypedWords(
        chunk,
        Queries(*typist.arrived(typing), chunk.contexts, chunk.states),
        typing.touches,
        typist.spelled_keystrokes(chunk.word),
        typist.movement_s(typing, speed),
    )


def _type_first(typist: Typist, workload: Workload, n: int, seed: int, speed: Speed) -> TypedWords:
    first = workload.part(0, n)
    parts = [
        _type_chunk(typist, workload.chunk(number), number, seed, speed)
        for number in range(first.n_chunks)
    ]
    touches, spelled, movement_s, asked = (
        np.concatenate(each)[:n]
        for each in zip(
            *((p.touches, p.spelled, p.movement_s, np.diff(p.queries.offsets)) for p in parts),
            strict=True,
        )
    )
    offsets = np.zeros(len(first) + 1, np.uint32)
    np.cumsum(asked, out=offsets[1:])
    points = np.concatenate([part.queries.points for part in parts])[: offsets[-1]]
    queries = Queries(points, offsets, first.contexts, first.states)
    return TypedWords(first, queries, touches, spelled, movement_s)


def type_workload(
    layout: Layout, touch: SamplingTouchModel, workload: Workload, *, seed: int
) -> TypedWords:
    """All words of a workload typed on a layout, with the touches they have in a ranking or score of this seed.

    touch : where touches land. seed : of the touches.
    """
    typist = Typist(layout, touch, workload.vocabulary)
    return _type_first(typist, workload, len(workload), seed, Speed())


def judge(
    typed: TypedWords,
    decoder: Decodes | BatchDecodes,
    *,
    lexicon: Sequence[str],
    k: int = 10,
    selection: Selection | None = None,
    speed: Speed | None = None,
    detail: bool = True,
) -> Judged:
    """Ask a decoder for every word and judge the answers. What it does wrong is counted, never raised.

    lexicon : the pack's words. k : texts asked for. selection, speed : models of picking a candidate, of time.
    detail : also judge edit distances and probabilities.
    """
    selection, speed = selection or Selection(), speed or Speed()
    workload, stages = typed.workload, Stages()
    given: Posterior | None = None
    with stages("decoder"):
        start = perf_counter()
        answers = ask(decoder, typed.queries, k).settled()
        seconds = perf_counter() - start
        if detail and isinstance(decoder, OwnDecoder):
            given = decoder.posterior(typed.queries, workload.index)
    with stages("judging"):
        rank = place_answers(answers, workload, lexicon)
        if detail and given is None:
            given = list_posterior(answers, rank, len(lexicon))
        keystrokes = selection.keystrokes(typed.touches, rank, typed.spelled)
        outcomes = WordOutcomes(
            rank,
            answers.index[:, 0],
            workload.characters,
            keystrokes,
            speed.words_s(typed.movement_s, typed.touches, keystrokes, rank, selection.k),
            workload.origin,
            _distances(answers, workload, rank) if detail else None,
            given,
            workload.line,
        )
    return Judged(outcomes, answers.faults, answers.seconds, seconds, stages.seconds)


def place_answers(answers: Answers, workload: Workload, lexicon: Sequence[str]) -> Ints:
    """Rank of the word meant in each list, (n,); 0 where it is not listed. `lexicon` : the pack's words.

    Texts that are equally probable stand in one order (see `Answers.settled`).
    """
    answers = answers.settled()
    if answers.words is lexicon:
        target = workload.index
    else:
        place = {text: i for i, text in enumerate(answers.words)}
        known = [place.get(text, -1) for text in workload.vocabulary]
        target = np.asarray(known, dtype=np.int64)[workload.word]
    matches = (answers.index == target[:, None]) & (target[:, None] >= 0)
    return np.where(matches.any(axis=1), matches.argmax(axis=1) + 1, 0).astype(np.int64)


def _distances(answers: Answers, workload: Workload, rank: Ints) -> Ints:
    """Edits from each first text to the word meant, (n,)."""
    distance = np.zeros(len(rank), dtype=np.int64)
    seen: dict[tuple[int, int], int] = {}
    for i in np.flatnonzero(rank != 1).tolist():
        pair = (int(workload.word[i]), int(answers.index[i, 0]))
        if pair not in seen:
            seen[pair] = string_distance(workload.text(i), answers.first(i))
        distance[i] = seen[pair]
    return distance
