"""A search from a plan to its result: proof or search, then the race through the decoder.

In a race words are typed in rounds, and layouts that cannot be the best any more drop out.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain
from os import PathLike
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import LanguagePack
from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.search.letter_search import FoundLayouts, LetterSearchOptions, search_letters
from nearkey.search.objectives import BoundedObjective
from nearkey.search.proof import ProofRecord, prove, save_certificate
from nearkey.search.search_plan import SearchPlan
from nearkey.search.search_result import RaceRow, SearchResult
from nearkey.seeds import Seed, seed_number
from nearkey.simulate import collisions, rank_layouts
from nearkey.simulate.identity import digest, pack_identity
from nearkey.simulate.outcomes import MEASURES, WordOutcomes, check_ranked
from nearkey.simulate.people_ranking import PeopleRanking
from nearkey.simulate.trial import TouchSource
from nearkey.simulate.workload import running_words
from nearkey.touch import GaussianTouch
from nearkey.version import VERSION

Floats = NDArray[np.float64]

_WEIGHED = 6  # layouts that other texts are tried on


@dataclass(frozen=True, slots=True)
class SearchStep:
    """How far a search has come, and its result so far: usable at any time.

    text : a line for people. done, total : steps of the stage; total None where it cannot be known.
    """

    result: SearchResult
    text: str
    done: int
    total: int | None


def run_search(
    plan: SearchPlan,
    pack: LanguagePack,
    *,
    seed: Seed | None = None,
    workers: int | None = None,
    executor: Any = None,
    checkpoint: str | PathLike[str] | None = None,
    certificate: str | PathLike[str] | None = None,
    evaluations: int | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> Iterator[SearchStep]:
    """Carry out a search plan.

    Parameters
    ----------
    plan, pack : what to search, with whose words.
    seed, workers : in the place of the plan's. executor : see `LetterSearchOptions`.
    checkpoint : a file that keeps finished chunks; a proof's batches go to one of that name with ".proof" after it.
    certificate : a file for the certificate of a proof.
    evaluations : evaluations of a proof at most. stop : asked after each step; True ends the search with what there is.

    Yields
    ------
    SearchStep
        The last one has the final result. Raises PlanError for what the plan cannot mean.
    """
    texts = _text_counts(plan, pack)  # what cannot be meant is said before the work
    objectives = plan.objectives(pack)
    options = plan.options(seed=seed, workers=workers, executor=executor)
    conditions: dict[str, Any] = {
        "nearkey": VERSION,
        "plan": plan.file.name,
        "plan_checksum": digest(plan.path.read_bytes()),
        "base": digest(repr(plan.base.to_dict())),
        "pack": pack_identity(pack),
        "seed": options.seed,
        "words": plan.file.search.words,
    }
    names = tuple((str(one.name), str(one.direction)) for one in objectives)
    told = partial(SearchResult, plan.space, objectives=names, conditions=conditions)

    def searches(options: LetterSearchOptions) -> Iterator[SearchStep]:
        # Threads are put to whole chunks, not to the layouts of one.
        alone = [replace(o, threads=1) if hasattr(o, "threads") else o for o in objectives]  # type: ignore[type-var]
        for record in search_letters(
            plan.space, alone, checkpoint=checkpoint, stop=stop, options=options
        ):
            result = told(
                record.found,
                count=record.count,
                method=record.method,
                evaluated=record.evaluated,
                complete=record.complete,
            )
            seconds = record.seconds_left
            left = "" if seconds is None else f", about {seconds:.0f} s left"
            text = f"{record.evaluated:,} layouts evaluated{_best_text(result)}{left}"
            yield SearchStep(result, text, record.done, record.total)

    def proofs() -> Iterator[SearchStep]:
        (objective,) = objectives
        assert isinstance(objective, BoundedObjective)  # the plan was checked
        count, number = plan.space.count(), seed_number(options.seed)
        kept = None if checkpoint is None else f"{os.fspath(checkpoint)}.proof"
        record: ProofRecord | None = None
        for record in prove(
            plan.space, objective, evaluations=evaluations, stop=stop, seed=number, checkpoint=kept
        ):
            best, value = plan.space.array([record.best]), np.asarray([[record.value]])
            result = told(
                FoundLayouts(best, value, np.ones(1, dtype=bool)),
                count=count,
                method="prove",
                evaluated=record.evaluated,
                complete=record.proven,
                bound=record.bound,
            )
            text = (
                f"{record.evaluated:,} evaluations, best {objective.name} {record.value:.6f}, "
                f"bound {record.bound:.6f}, {record.open:,} boxes left"
            )
            yield SearchStep(result, text, record.evaluated, None)
        if certificate is not None and record is not None:
            save_certificate(certificate, plan.space, objective, record)

    step, proving = None, plan.file.search.method == "prove"
    for step in proofs() if proving else searches(options):
        yield step
    if step is not None and plan.file.noise is not None and proving and not stop():
        # A proof finds one layout; a race needs others that are nearly as good.
        proven = step.result
        for step in searches(replace(options, method="anneal")):
            step = replace(step, result=_with_proof(proven, step.result))
            yield step
    if step is not None and texts:
        step = replace(step, result=_by_texts(texts, pack, step.result))
        yield step
    if step is not None and plan.file.noise is not None and len(step.result.found) and not stop():
        yield _race(plan, pack, step.result, options)


def _with_proof(proven: SearchResult, searched: SearchResult) -> SearchResult:
    """The proven best, then what a search found besides, with the proof's verdict."""
    others = (searched.found.keys != proven.found.keys[0]).any(axis=1)
    found = FoundLayouts(
        np.concatenate([proven.found.keys, searched.found.keys[others]]),
        np.concatenate([proven.found.values, searched.found.values[others]]),
        np.concatenate([proven.found.front, searched.found.front[others] & ~proven.complete]),
    )
    return replace(proven, found=found, evaluated=proven.evaluated + searched.evaluated)


def _best_text(result: SearchResult) -> str:
    if not len(result.found):
        return ""
    return ", best " + ", ".join(
        f"{name} {(max if direction == 'max' else min)(result.found.values[:, j]):.4f}"
        for j, (name, direction) in enumerate(result.objectives)
    )


def _spread(spread_mm: float) -> Callable[[Layout], GaussianTouch]:
    """Touches spread around the centres of a layout's keys."""
    return partial(GaussianTouch.from_layout, spread_mm=spread_mm)


def _race(
    plan: SearchPlan, pack: LanguagePack, result: SearchResult, options: LetterSearchOptions
) -> SearchStep:
    noise = plan.file.noise
    assert noise is not None
    finalists = result.layouts(noise.finalists)
    base = plan.base.fitted(plan.file.surface.width_mm, plan.file.surface.height_mm)
    finalists.append(replace(base, keys=tuple(base.letter_keys)))
    rules = ("by", "error", "words", "rounds")
    told = {name: getattr(noise, name) for name in rules}
    settings: dict[str, Any] = {}
    people: dict[str, Any] = {}
    if plan.noise is None:
        assert noise.spread_mm is not None  # the plan was checked
        told = {"spread_mm": noise.spread_mm, **told}
        settings["touch"] = _spread(noise.spread_mm)
    else:
        told = {
            "plan": plan.noise.path.name,
            "plan_checksum": digest(plan.noise.path.read_bytes()),
            **told,
        }
        own = plan.noise.settings()
        names = ("touch", "corpus", "in_context", "selection", "speed", "lm_weight")
        settings = {name: own[name] for name in names}
        people = {name: own[name] for name in ("people", "people_words")}
    settings |= {"pack": pack, "workers": options.workers, "executor": options.executor}
    settings["seed"] = seed_number(options.seed)
    race = race_layouts(finalists, **{name: told[name] for name in rules}, **settings)
    # What the order of the first ones hangs on: the same words under half the spread, and half as much again.
    first = [row.layout for row in race[:4]]
    measure, under = MEASURES[noise.by], {}
    spreads = [] if noise.spread_mm is None else [noise.spread_mm * x for x in (0.5, 1.0, 1.5)]
    for spread in spreads:
        ranked = rank_layouts(first, words=4 * noise.words, **settings | {"touch": _spread(spread)})
        under[spread] = {
            one.name: measure.estimate(ranked.scored[one.name].outcomes) for one in first
        }
    conditions: tuple[PeopleRanking, ...] = ()
    if people.get("people") is not None:
        compared = [*first, *(one for one in finalists[-1:] if one not in first)]
        conditions = rank_layouts(
            compared,
            words=4 * noise.words,
            by=noise.by,
            baseline=finalists[-1].name,
            **settings | people,
        ).conditions
    final = replace(
        result,
        race=tuple(race),
        noise=under,
        people=conditions,
        conditions=result.conditions | {"noise": told},
    )
    return SearchStep(
        final, f"best through the decoder: {race[0].layout.name}", noise.rounds, noise.rounds
    )


def race_layouts(
    layouts: Sequence[Layout],
    *,
    touch: TouchSource,
    pack: LanguagePack,
    by: str = "top3",
    error: float = 0.05,
    words: int = 500,
    rounds: int = 5,
    seed: Seed = 0,
    **keywords: Any,
) -> list[RaceRow]:
    """Find the best of many layouts through the real decoder, by successive elimination.

    Round r has `words` 2^r new words for all layouts still in it, with common random numbers. After a round, a layout
    drops out when the interval of its paired difference to the best so far lies below 0. The intervals are so wide
    (normal approximation, error / ((layouts - 1) rounds) each, one-sided: the union bound over all comparisons the best
    could lose) that the layout which is truly best is still in at the end with probability 1 - error or more.
    (Successive elimination: Even-Dar, Mannor & Mansour, Journal of Machine Learning Research 7, 2006.)

    Parameters
    ----------
    layouts, touch, pack, by : as for `rank_layouts`; one surface, names unique.
    error : see above. words : of the first round. rounds : at most. seed : of words and touches.
    keywords : of `rank_layouts`: corpus, context, workers, executor, decoder_touch, ...

    Returns
    -------
    Those still in, best first, then the others, the last to drop first.

    Raises
    ------
    PlanError
        For numbers that cannot be meant, and what `rank_layouts` raises.
    """
    seed = seed_number(seed)
    if not 0 < error < 1:
        raise PlanError(f"is {error}", field="error", fix="give a probability between 0 and 1")
    if rounds < 1:
        raise PlanError(f"is {rounds}", field="rounds", fix="give 1 or more")
    check_ranked(by)
    measure = MEASURES[by]
    z = NormalDist().inv_cdf(1.0 - error / (max(len(layouts) - 1, 1) * rounds))
    typed: dict[str, list[WordOutcomes]] = {layout.name: [] for layout in layouts}
    dropped: dict[str, int] = {}
    alive = list(layouts)
    sign = 1.0 if measure.more_is_better else -1.0

    def outcomes(layout: Layout) -> WordOutcomes:
        return WordOutcomes.join(typed[layout.name])

    def goodness(layout: Layout) -> float:
        return sign * measure.estimate(outcomes(layout)).value

    for number in range(rounds):
        result = rank_layouts(
            alive,
            touch=touch,
            pack=pack,
            by=by,
            words=words * 2**number,
            seed=seed + number,
            **keywords,
        )
        for layout in alive:
            typed[layout.name].append(result.scored[layout.name].outcomes)
        best = max(alive, key=goodness)
        for layout in alive:
            if layout is not best and measure.gain(outcomes(layout), outcomes(best), z=z).high < 0:
                dropped[layout.name] = number + 1
        alive = [layout for layout in alive if layout.name not in dropped]
        if len(alive) == 1:
            break
    ordered = sorted(layouts, key=lambda one: (-dropped.get(one.name, rounds + 1), -goodness(one)))
    return [
        RaceRow(one, measure.estimate(outcomes(one)), len(outcomes(one)), dropped.get(one.name))
        for one in ordered
    ]


def _text_counts(plan: SearchPlan, pack: LanguagePack) -> dict[str, Floats]:
    """How often each word of the pack stands in each of the other texts, (words,). PlanError for a text with none."""
    counts = {}
    for text in plan.texts:
        count = np.zeros(len(pack.lexicon.words))
        for line in text.lines:
            for word in chain.from_iterable(running_words(pack, line)):
                place = pack.lexicon.index(word)
                if place is not None:
                    count[place] += 1
        if not count.sum():
            raise PlanError(
                "has no word of the pack", where=text.name, field="report.texts", fix="name others"
            )
        counts[text.name] = count
    return counts


def _by_texts(texts: dict[str, Floats], pack: LanguagePack, result: SearchResult) -> SearchResult:
    """With how often the words of other texts are first of their keys, on the best layouts and on the base."""
    if not len(result.found):
        return result
    rank = {one.name: collisions(one, pack).rank for one in result.layouts(_WEIGHED)}

    def share(count: Floats, own: NDArray[Any]) -> float | None:
        typed = count[own > 0].sum()
        return float(count[own == 1].sum() / typed) if typed else None

    found = {
        name: {layout: share(count, own) for layout, own in rank.items()}
        for name, count in texts.items()
    }
    return replace(result, texts=found)
