"""Racing layouts under noise: words are typed in rounds, and layouts that cannot be the best any more drop out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

from nearkey.decode import LanguagePack
from nearkey.errors import PlanError
from nearkey.intervals import Estimate
from nearkey.layout import Layout
from nearkey.seeds import Seed, seed_number
from nearkey.simulate import rank_layouts
from nearkey.simulate.condition import TouchSource
from nearkey.simulate.outcomes import MEASURES, WordOutcomes, check_ranked


@dataclass(frozen=True, slots=True)
class RaceRow:
    """A layout of a race.

    value : its measure with its 95 % interval. words : typed on it.
    dropped : the round after which it dropped out, from 1; None for one still in at the end.
    """

    layout: Layout
    value: Estimate
    words: int
    dropped: int | None


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
