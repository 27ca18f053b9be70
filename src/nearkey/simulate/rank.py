"""Ranking layouts: the same words, the same luck, the real decoder, for every candidate."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np

from nearkey.decode import Decoder, LanguagePack, require_pack
from nearkey.errors import PlanError
from nearkey.intervals import paired_difference
from nearkey.layout import Layout
from nearkey.simulate.checkpoint import Checkpoint, fingerprint
from nearkey.simulate.collisions import collisions
from nearkey.simulate.entry_speed import Speed
from nearkey.simulate.keystrokes import Selection
from nearkey.simulate.rank_result import RankResult, Scored
from nearkey.simulate.trial import Outcome, run_trial
from nearkey.simulate.typist import SamplingTouchModel, Typist
from nearkey.simulate.words import WordSample, corpus_sample, read_corpus, unigram_sample

__all__ = ["RankProgress", "TouchSource", "model_for", "rank_layouts"]

TouchSource = (
    SamplingTouchModel | Mapping[str, SamplingTouchModel] | Callable[[Layout], SamplingTouchModel]
)
"""A model for all layouts, a mapping by layout name, or a callable that makes one for a layout."""

CHUNK_WORDS = 1_000
"""Words of one unit of work: fixes the luck of each word, whatever the number of workers."""

_STOP_Z = (
    3.29  # a layout is dropped early only when its two-sided 99.9 % interval lies below the best
)


@dataclass(frozen=True, slots=True)
class RankProgress:
    """One more chunk done. `layout` is its name; `done` of `total` chunks, which early stopping may shorten."""

    layout: str
    done: int
    total: int


def rank_layouts(
    layouts: Iterable[Layout],
    *,
    touch: TouchSource,
    pack: LanguagePack,
    words: int = 5000,
    seed: int = 0,
    corpus: str | PathLike[str] | Sequence[str] | None = None,
    context: bool = False,
    baseline: Layout | str | None = None,
    by: str = "top3",
    selection: Selection | None = None,
    speed: Speed | None = None,
    lm_weight: float = 1.0,
    decoder_touch: TouchSource | None = None,
    early_stop: bool = False,
    workers: int = 1,
    executor: Executor | None = None,
    checkpoint: str | PathLike[str] | None = None,
    progress: Callable[[RankProgress], None] | None = None,
) -> RankResult:
    """Rank layouts by simulating a typist against the real decoder.

    Every layout types the same words with the same random numbers, so differences between layouts are
    paired. The table does not depend on `workers` or `executor`.

    Parameters
    ----------
    layouts : candidates, each laid on the same physical surface (see `Layout.fitted`); names are unique.
    touch : where touches land: one model, a mapping by layout name, or a callable layout -> model.
        A single model serves every layout whose keys have its geometry.
    pack : lexicon and language model.
    words : words typed on each layout.
    seed : of the words and of the touches.
    corpus : text to type, a file's path or lines; without it words are drawn by their probability in the pack.
    context : decode each word after the words before it (needs `corpus`).
    baseline : a layout, or the name of one among `layouts`, that all are compared with.
    by : what ranks them: top1, top3, top5 (the most is best), kspc (the least), wpm (the most).
    selection, speed : models of picking a candidate and of time.
    lm_weight : the decoder's weight of the language score.
    decoder_touch : the model the decoder assumes, where it differs from the typist's.
    early_stop : after an eighth, a quarter and half of the words, drop the layouts whose 99.9 % interval
        of the paired difference to the best lies below it (successive halving); the table says which.
    workers : threads of this process. executor : any `concurrent.futures.Executor`, a cluster client's
        included; it must be able to pickle the layouts, models and pack when it leaves the process.
    checkpoint : a file that keeps finished chunks; a run that was interrupted goes on from it.
    progress : called after each chunk.

    Raises
    ------
    PlanError
        For layouts of one name, an unknown baseline or measure, surfaces of different size, a model that
        does not fit a layout, or a checkpoint of another run.
    """
    require_pack(pack, "rank_layouts")
    candidates = list(layouts)
    if not candidates:
        raise PlanError("no layout to rank", field="layouts", fix="give one or more")
    if isinstance(baseline, Layout):
        if baseline.name not in {c.name for c in candidates}:
            candidates.append(baseline)
        baseline = baseline.name
    selection = selection or Selection()
    speed = speed or Speed()
    _check(
        candidates,
        words=words,
        seed=seed,
        baseline=baseline,
        by=by,
        context=context,
        corpus=corpus,
        workers=workers,
    )
    names = [c.name for c in candidates]

    draw = np.random.SeedSequence(seed)
    word_seed, touch_seed = draw.spawn(2)
    letters = "".join(sorted(set.intersection(*(set(c.letters) for c in candidates))))
    rng = np.random.default_rng(word_seed)
    if corpus is None or isinstance(corpus, str | PathLike):
        source = "text" if corpus is None else Path(corpus).name
        lines: Sequence[str] | None = None if corpus is None else read_corpus(corpus)
    else:
        source, lines = "text", corpus
    if lines is None:
        sample = unigram_sample(pack, words, rng=rng, letters=letters)
    else:
        sample = corpus_sample(
            pack, lines, words, rng=rng, context=context, letters=letters, source=source
        )
    starts = list(range(0, len(sample), CHUNK_WORDS))
    seeds = touch_seed.spawn(len(starts))

    pairs = _pairs(candidates, touch, decoder_touch, pack, lm_weight)
    store = None
    if checkpoint is not None:
        mark = fingerprint(
            layouts=[c.to_dict() for c in candidates],
            touch=[(typist.touch, decoder.touch) for decoder, typist in pairs.values()],
            words=sample,
            settings=(seed, CHUNK_WORDS, lm_weight, selection, speed),
        )
        store = Checkpoint(checkpoint, mark)

    outcomes: dict[tuple[str, int], Outcome] = {}
    alive = list(names)
    total, done = len(names) * len(starts), 0
    for first, last in _rounds(len(starts), early_stop):
        jobs = [(name, chunk) for chunk in range(first, last) for name in alive]
        for (name, chunk), outcome in _run(
            jobs, pairs, sample, starts, seeds, selection, speed, store, workers, executor
        ):
            outcomes[name, chunk] = outcome
            done += 1
            if progress is not None:
                progress(RankProgress(name, done, total))
        if early_stop and last < len(starts):
            different = sample.different(last * CHUNK_WORDS)
            kept = _survivors(alive, outcomes, last, by=by, keep=baseline, different=different)
            total -= (len(alive) - len(kept)) * (len(starts) - last)
            alive = kept

    scored = []
    for candidate in candidates:
        chunks = [
            outcomes[candidate.name, i]
            for i in range(len(starts))
            if (candidate.name, i) in outcomes
        ]
        scored.append(
            Scored(
                layout=candidate,
                touch=pairs[candidate.name][1].touch,
                collisions=collisions(candidate, pack),
                rank=np.concatenate([c.rank for c in chunks]),
                first=np.concatenate([c.first for c in chunks]),
                keystrokes=np.concatenate([c.keystrokes for c in chunks]),
                seconds=np.concatenate([c.seconds for c in chunks]),
                stopped_early=candidate.name not in alive,
            )
        )
    return RankResult.build(
        scored,
        sample=sample,
        word_list=pack.lexicon.words,
        baseline=baseline,
        by=by,
        seed=seed,
        selection=selection,
        speed=speed,
    )


def _check(
    candidates: Sequence[Layout],
    *,
    words: int,
    seed: int,
    baseline: str | None,
    by: str,
    context: bool,
    corpus: object,
    workers: int,
) -> None:
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
    if by not in RankResult.MEASURES:
        raise PlanError(
            f"{by!r} is no measure",
            field="by",
            fix=f"write one of {', '.join(RankResult.MEASURES)}",
        )
    if words < 2:
        raise PlanError(f"{words} words give no interval", field="words", fix="type 2 or more")
    if seed < 0:
        raise PlanError(f"is {seed}", field="seed", fix="give 0 or more")
    if workers < 1:
        raise PlanError(f"{workers} workers", field="workers", fix="give 1 or more")
    if context and corpus is None:
        raise PlanError(
            "words drawn one by one have no context", field="context", fix="give a corpus"
        )
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


def model_for(source: TouchSource, layout: Layout) -> SamplingTouchModel:
    """The touch model of a source for one layout; PlanError where a mapping lacks the layout."""
    if isinstance(source, Mapping):
        if layout.name not in source:
            raise PlanError(
                "no touch model for this layout",
                where=layout.name,
                field="touch",
                fix="add one under its name",
            )
        model: Any = source[layout.name]
    elif hasattr(source, "log_prob"):
        model = source
    else:
        model = source(layout)
    if hasattr(model, "for_layout"):
        model = model.for_layout(layout)
    return model  # type: ignore[no-any-return]


def _pairs(
    candidates: Sequence[Layout],
    touch: TouchSource,
    decoder_touch: TouchSource | None,
    pack: LanguagePack,
    lm_weight: float,
) -> dict[str, tuple[Decoder, Typist]]:
    """A decoder and a typist for each layout; the tries are made once."""
    pairs: dict[str, tuple[Decoder, Typist]] = {}
    shared: Decoder | None = None
    for layout in candidates:
        truth = model_for(touch, layout)
        believed = truth if decoder_touch is None else model_for(decoder_touch, layout)
        if shared is None:
            shared = Decoder(layout, believed, pack, lm_weight=lm_weight)
            pairs[layout.name] = (shared, Typist(layout, truth, pack))
        else:
            pairs[layout.name] = (shared.with_layout(layout, believed), Typist(layout, truth, pack))
    return pairs


def _rounds(chunks: int, early_stop: bool) -> Iterator[tuple[int, int]]:
    """Ranges of chunks to run between two decisions on who goes on."""
    stops = (
        sorted({max(1, chunks * part // 8) for part in (1, 2, 4)} | {chunks})
        if early_stop
        else [chunks]
    )
    yield from zip([0, *stops[:-1]], stops, strict=True)


def _run(
    jobs: Sequence[tuple[str, int]],
    pairs: Mapping[str, tuple[Decoder, Typist]],
    sample: WordSample,
    starts: Sequence[int],
    seeds: Sequence[np.random.SeedSequence],
    selection: Selection,
    speed: Speed,
    store: Checkpoint | None,
    workers: int,
    executor: Executor | None,
) -> Iterator[tuple[tuple[str, int], Outcome]]:
    def arguments(job: tuple[str, int]) -> tuple[Any, ...]:
        name, chunk = job
        part = sample.part(starts[chunk], starts[chunk] + CHUNK_WORDS)
        decoder, typist = pairs[name]
        return decoder, typist, part, seeds[chunk], selection, speed

    waiting = []
    for job in jobs:
        known = store.get(job) if store is not None else None
        if known is not None:
            yield job, known
        else:
            waiting.append(job)

    def keep(job: tuple[str, int], outcome: Outcome) -> tuple[tuple[str, int], Outcome]:
        if store is not None:
            store.put(job, outcome)
        return job, outcome

    if executor is None and workers == 1:
        for job in waiting:
            yield keep(job, _trial(*arguments(job)))
        return
    if executor is None:
        with ThreadPoolExecutor(workers) as pool:
            futures = {pool.submit(_trial, *arguments(job)): job for job in waiting}
            try:
                for future in as_completed(futures):
                    yield keep(futures[future], future.result())
            finally:
                pool.shutdown(cancel_futures=True)
        return
    # Elsewhere a decoder is built anew for each task, so a task takes all the chunks of a layout.
    by_layout: dict[str, list[tuple[str, int]]] = {}
    for job in waiting:
        by_layout.setdefault(job[0], []).append(job)
    remote = {executor.submit(_trials, [arguments(j) for j in js]): js for js in by_layout.values()}
    for done in as_completed(remote):
        for job, outcome in zip(remote[done], done.result(), strict=True):
            yield keep(job, outcome)


def _trials(jobs: Sequence[tuple[Any, ...]]) -> list[Outcome]:
    return [_trial(*job) for job in jobs]


def _trial(
    decoder: Decoder,
    typist: Typist,
    words: WordSample,
    seed: np.random.SeedSequence,
    selection: Selection,
    speed: Speed,
) -> Outcome:
    return run_trial(decoder, typist, words, seed=seed, selection=selection, speed=speed)


def _survivors(
    alive: Sequence[str],
    outcomes: Mapping[tuple[str, int], Outcome],
    chunks: int,
    *,
    by: str,
    keep: str | None,
    different: int | None,
) -> list[str]:
    """Layouts that may still reach the top, judged on the chunks all of them have done."""
    values = {
        name: RankResult.per_word(
            by,
            np.concatenate([outcomes[name, i].rank for i in range(chunks)]),
            np.concatenate([outcomes[name, i].keystrokes for i in range(chunks)]),
            np.concatenate([outcomes[name, i].seconds for i in range(chunks)]),
        )
        for name in alive
    }
    best = max(alive, key=lambda name: values[name].mean())
    return [
        name
        for name in alive
        if name in (best, keep)
        or not paired_difference(values[name], values[best], z=_STOP_Z, different=different).high
        < 0
    ]
