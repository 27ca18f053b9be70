"""Ranking layouts: the same words, common random numbers, the real decoder, for every candidate."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import nullcontext
from os import PathLike
from typing import Unpack

import numpy as np

from nearkey.decode import LanguagePack, require_pack
from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.simulate.keystrokes import SpelledLexicon, collisions, spelled_for
from nearkey.simulate.outcomes import MEASURES, WordOutcomes, check_ranked
from nearkey.simulate.people_ranking import PeopleModels, PeopleRanking, rank_by_people
from nearkey.simulate.rank_result import RankResult, Scored
from nearkey.simulate.running import Checkpoint, fingerprint, run_trials
from nearkey.simulate.simulation_options import SimulationKeywords, SimulationOptions, StepCount
from nearkey.simulate.spread_curves import LayoutNoise
from nearkey.simulate.trial import Condition, TouchSource, make_trials
from nearkey.simulate.typing_people import TypingPeople
from nearkey.simulate.workload import CHUNK_WORDS

_STOP_Z = (
    3.29  # a layout is dropped early only when its two-sided 99.9 % interval lies below the best
)


def rank_layouts(
    layouts: Iterable[Layout],
    *,
    touch: TouchSource,
    pack: LanguagePack,
    baseline: Layout | str | None = None,
    by: str = "top3",
    decoder_touch: TouchSource | None = None,
    early_stop: bool = False,
    checkpoint: str | PathLike[str] | None = None,
    people: TypingPeople | None = None,
    people_words: int | None = None,
    **keywords: Unpack[SimulationKeywords],
) -> RankResult:
    """Rank layouts by simulating a typist against the real decoder.

    Every layout types the same words with the same random numbers, so differences between layouts are
    paired. The table does not depend on `workers` or `executor`, and holds the figures that `score_layout` has
    with the same settings.

    Parameters
    ----------
    layouts : candidates, each laid on the same physical surface (see `Layout.fitted`); names are unique.
    touch : where touches land: one model, a mapping by layout name, or a callable layout -> model.
        A single model serves every layout whose keys have its geometry.
    pack : lexicon and language model.
    baseline : a layout, or the name of one among `layouts`, that all are compared with.
    by : what ranks them: top1, top3, top5 (the most is best), kspc (the least), wpm (the most).
    decoder_touch : the model the decoder assumes, where it differs from the typist's.
    early_stop : after an eighth, a quarter and half of the words, drop the layouts whose 99.9 % interval
        of the paired difference to the best lies below it (successive halving); the table says which. People type on
        every layout all the same.
    checkpoint : a file that keeps finished chunks; a run that was interrupted goes on from it.
    people : who types besides the typist whom the decoder knows exactly (`RecordedPeople`, `InventedPeople`): the
        ranking then also has two conditions more, see `RankResult.conditions`.
    people_words : words that all people together type on each layout, `words` at most; half of `words`, and 2 a person
        at least, unless given.
    keywords : words, seed, corpus, in_context, selection, speed, lm_weight, workers, executor, progress (see
        `SimulationOptions`). Only words that every layout can spell are typed.

    Raises
    ------
    PlanError
        For layouts of one name, an unknown baseline or measure, surfaces of different size, a model that
        does not fit a layout, or a checkpoint of another run.
    """
    options = SimulationOptions.of(keywords)
    require_pack(pack, "rank_layouts")
    candidates = list(layouts)
    if not candidates:
        raise PlanError("no layout to rank", field="layouts", fix="give one or more")
    if isinstance(baseline, Layout):
        if baseline.name not in {c.name for c in candidates}:
            candidates.append(baseline)
        baseline = baseline.name
    _check(candidates, baseline=baseline, by=by)
    words_each, hands = 0, dict[str, PeopleModels]()
    if people is not None:
        count = len(people.names)
        # What they cannot type on, and what cannot be fitted on them, is told before any work.
        for layout in candidates:
            there = people.on(layout)
            hands[layout.name] = [
                (there, there.without(person), there.calibrated(person)) for person in range(count)
            ]
        together = options.words // 2 if people_words is None else min(people_words, options.words)
        words_each = together // count
        if people_words is None and options.words >= 2 * count:
            words_each = max(2, words_each)
        if words_each < 2:
            raise PlanError(
                f"{words_each} words a person",
                field="words" if people_words is None else "people_words",
                fix=f"type {2 * count} or more, 2 a person",
            )
    letters = set.intersection(*(set(c.letters) for c in candidates))
    workload = options.workload(pack, "".join(sorted(letters)))
    typing = {layout.name: Condition.of(layout, touch, decoder_touch) for layout in candidates}
    trials = make_trials(typing, pack, workload.vocabulary, options)
    if workload.states is not None:
        trials[candidates[0].name].decoder.decoder.keep_contexts(CHUNK_WORDS)
    store = None
    if checkpoint is not None:
        settings = (options.seed, options.lm_weight, options.selection, options.speed)
        store = Checkpoint(checkpoint, fingerprint(list(typing.values()), workload, settings))
    found: dict[str, list[WordOutcomes]] = {layout.name: [] for layout in candidates}
    alive = dict(trials)
    n = workload.n_chunks
    of_people = 0
    if people is not None:
        of_people = 2 * len(people.names) * -(-words_each // CHUNK_WORDS) * len(trials)
    progress = StepCount(options, len(trials) * n + of_people)
    with store or nullcontext():
        for chunks in _rounds(n, early_stop):
            parts = run_trials(
                alive, workload, options, chunks=chunks, store=store, done=progress.step
            )
            for name, judged in parts.items():
                found[name].append(judged.outcomes)
            if early_stop and chunks.stop < n:
                typed = {name: WordOutcomes.join(found[name]) for name in alive}
                kept = _survivors(typed, by, baseline)
                progress.total -= (len(alive) - len(kept)) * (n - chunks.stop)
                alive = {name: trials[name] for name in kept}
    conditions: tuple[PeopleRanking, ...] = ()
    if people is not None:
        # They type on layouts that stopped early, too: what is hopeless for a hand that is known may win here.
        conditions = rank_by_people(
            candidates,
            people,
            hands,
            trials=trials,
            pack=pack,
            workload=workload,
            words_each=words_each,
            options=options,
            by=by,
            baseline=baseline,
            done=progress.step,
        )
    spelled: SpelledLexicon | None = None
    scored = []
    for layout in candidates:
        spelled = spelled_for(layout, pack, spelled)
        scored.append(
            Scored(
                layout=layout,
                touch=typing[layout.name].generating,
                noise=LayoutNoise.of(layout, typing[layout.name].generating),
                collisions=collisions(layout, pack, spelled=spelled),
                outcomes=WordOutcomes.join(found[layout.name]),
                stopped_early=layout.name not in alive,
            )
        )
    return RankResult.build(
        scored,
        workload=workload,
        word_list=pack.lexicon.words,
        baseline=baseline,
        by=by,
        options=options.for_records(),
        conditions=conditions,
    )


def _check(candidates: Sequence[Layout], *, baseline: str | None, by: str) -> None:
    names = [c.name for c in candidates]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise PlanError(
            f"{twice[0]!r} names two layouts", field="layouts", fix="give each its own name"
        )
    if baseline is not None and baseline not in names:
        raise PlanError(
            f"no layout is named {baseline!r}", field="baseline", fix="name one of the layouts"
        )
    check_ranked(by)
    surface = [(c.width * c.unit_mm, c.height * c.unit_mm) for c in candidates]
    for candidate, size in zip(candidates, surface, strict=True):
        if not np.allclose(size, surface[0], rtol=1e-3):
            raise PlanError(
                f"its surface is {size[0]:g} x {size[1]:g} mm, that of {names[0]!r} "
                f"{surface[0][0]:g} x {surface[0][1]:g} mm",
                where=candidate.name,
                field="surface",
                fix="lay all candidates on one physical surface with Layout.fitted",
            )


def _rounds(chunks: int, early_stop: bool) -> Iterator[range]:
    """Ranges of chunks to run between two decisions on who goes on."""
    stops = (
        sorted({max(1, chunks * part // 8) for part in (1, 2, 4)} | {chunks})
        if early_stop
        else [chunks]
    )
    yield from map(range, [0, *stops[:-1]], stops)


def _survivors(outcomes: Mapping[str, WordOutcomes], by: str, keep: str | None) -> list[str]:
    """Layouts that may still reach the top, judged on the words all of them have typed; `keep` stays."""
    measure = MEASURES[by]
    best = max(outcomes, key=lambda name: measure.sign * measure.estimate(outcomes[name]).value)
    return [
        name
        for name, own in outcomes.items()
        if name in (best, keep) or not measure.gain(own, outcomes[best], z=_STOP_Z).high < 0
    ]
