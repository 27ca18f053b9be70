"""Which touch model to use: the evidence of people the models have not seen."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from nearkey.errors import TouchDataError, TouchModelError
from nearkey.touch.comparison_table import ComparisonRow, FoldScore, TouchComparison, summarise
from nearkey.touch.coverage import inside_ellipses
from nearkey.touch.gaussian import GaussianTouch
from nearkey.touch.key_geometry import Geometry, geometry_of
from nearkey.touch.labelling import label
from nearkey.touch.people import PeopleTouch, PersonTouch
from nearkey.touch.touch_log import TouchLog

if TYPE_CHECKING:
    from nearkey.layout import Layout

__all__ = [
    "AdaptingTouch",
    "ComparisonRow",
    "FoldScore",
    "NearestKeyTouch",
    "TouchComparison",
    "compare_folds",
    "compare_touch",
    "default_models",
    "summarise",
]

Decode = Callable[[Any, TouchLog], tuple[int, int]]

_BLOCKS = 5


class Fits(Protocol):
    """Anything with `fit(log, layout)` that returns a touch model."""

    def fit(self, log: TouchLog, layout: Any) -> Any: ...


class NearestKeyTouch:
    """The trivial baseline: nothing learnt, a spread of 45 % of the key about its centre."""

    def fit(self, log: TouchLog, layout: Layout | Geometry) -> GaussianTouch:
        """The log is not looked at."""
        return GaussianTouch.from_layout(layout, spread=0.45)


class AdaptingTouch:
    """A `PeopleTouch` whose held-out person is learnt touch by touch as she goes.

    Each touch is scored before it is learnt, so that nothing is scored twice.
    """

    def __init__(self, people: PeopleTouch | None = None, **person: Any) -> None:
        self.people = PeopleTouch() if people is None else people
        self.person = person

    def fit(self, log: TouchLog, layout: Layout | Geometry) -> PersonTouch:
        """Fit the population, and start on a new person."""
        return self.people.fit(log, layout).person(**self.person)


def default_models() -> dict[str, Fits]:
    """The models `nearkey touch compare` compares, by name; the first is the baseline."""
    from nearkey.touch.gaussian_mixture import MixtureTouch
    from nearkey.touch.pooled import PooledTouch
    from nearkey.touch.regression import RegressionTouch
    from nearkey.touch.scaled import SizeScaledTouch
    from nearkey.touch.student import StudentTouch

    return {
        "nearest key": NearestKeyTouch(),
        "pooled": PooledTouch(),
        "size-scaled": SizeScaledTouch(),
        "Gaussian": GaussianTouch(),
        "Gaussian, no background": GaussianTouch(background=0.0),
        "Gaussian, no shrinkage": GaussianTouch(shrinkage=0.0),
        "regression on place": RegressionTouch(previous=False),
        "regression, and movement": RegressionTouch(),
        "mixture of 2": MixtureTouch(),
        "Student t": StudentTouch(),
        "people, unadapted": PeopleTouch(),
        "people, adapting": AdaptingTouch(),
    }


def compare_folds(
    log: TouchLog,
    layout: Layout | Geometry,
    models: Mapping[str, Fits] | None = None,
    *,
    decode: Decode | None = None,
    done: Iterable[FoldScore] = (),
) -> Iterator[FoldScore]:
    """Score every model on every fold, yielding each as it is done: leave one person out.

    `models` maps names to unfitted models (`default_models()` by default).

    With one person in the log, her touches are cut into five consecutive blocks instead. Scores
    in `done` (of an earlier run on the same log) are yielded again without being recomputed.

    `decode(model, log)` returns (words right first, words) for the touches of one held-out
    person; it is the caller's, since words need a language pack. An adapting model decodes each
    half of the person's touches after learning the other half.

    Raises TouchDataError for a log that cannot be labelled or split, TouchModelError for no models.
    """
    chosen = default_models() if models is None else models
    if not chosen:
        raise TouchModelError("no models to compare", field="models", fix="give at least one")
    g = geometry_of(layout)
    log = log.in_units_of(g)
    label(log, g)  # a log that cannot be used is refused before hours of work
    known = {(score.model, score.fold): score for score in done}
    for fold, train, test in _folds(log):
        for name, model in chosen.items():
            if (name, fold) in known:
                yield known[name, fold]
            else:
                yield _score(name, fold, model.fit(train, g), test, g, decode)


def compare_touch(
    log: TouchLog,
    layout: Layout | Geometry,
    models: Mapping[str, Fits] | None = None,
    *,
    decode: Decode | None = None,
    baseline: str | None = None,
    progress: Callable[[FoldScore], None] | None = None,
) -> TouchComparison:
    """Compare touch models on held-out people; `str()` of the result is a table.

    The plain function behind `nearkey touch compare`. Arguments as for `compare_folds`;
    `baseline` names the model that gains are against, the first by default; `progress` is
    called with each score. Clean the log first, and say that you did: touches that cleaning drops
    are the ones heavy tails are for.
    """
    folds = []
    for score in compare_folds(log, layout, models, decode=decode):
        folds.append(score)
        if progress is not None:
            progress(score)
    people = len(_labelled_people(log))
    scheme = (
        f"One person only: {_BLOCKS} consecutive blocks, each held out in turn"
        if people == 1
        else f"Leave one person out, {people} people"
    )
    return summarise(folds, scheme=scheme, baseline=baseline)


def _labelled_people(log: TouchLog) -> list[str]:
    """The people with touches whose target is known, in order of appearance."""
    return list(dict.fromkeys(log.person[log.target != ""].tolist()))


def _folds(log: TouchLog) -> Iterator[tuple[str, TouchLog, TouchLog]]:
    people = _labelled_people(log)
    if len(people) > 1:
        for name in people:
            yield name, log.without_person(name), log.of_person(name)
        return
    log = log.select(log.target != "")
    if len(log) < 10 * _BLOCKS:
        raise TouchDataError(
            f"one person and {len(log)} touches are too few to hold some out",
            where=log.where,
            field="person",
            fix=f"log several people, or at least {10 * _BLOCKS} touches",
        )
    block = np.arange(len(log)) * _BLOCKS // len(log)
    for i in range(_BLOCKS):
        yield f"block {i + 1}", log.select(block != i), log.select(block == i)


def _score(
    name: str, fold: str, model: Any, test: TouchLog, g: Geometry, decode: Decode | None
) -> FoldScore:
    touches = label(test, g)
    n = len(touches.rows)
    if decode is None:
        decoded = 0, 0
    elif isinstance(model, PersonTouch):
        decoded = _decode_adapted(model, test, decode)
    else:
        decoded = decode(model, test)
    if isinstance(model, PersonTouch):
        found = np.empty((n, g.n_keys))
        inside = 0
        for i in range(n):
            point, key = touches.points[i : i + 1], touches.key[i : i + 1]
            found[i] = model.log_prob(point)
            inside += int(inside_ellipses(model, point, key, 0.95)[0])
            model.observe(point, key)
    else:
        found = model.log_prob_of(touches)
        inside = int(model.inside_of(touches, 0.95).sum())
    own = found[np.arange(n), touches.key]
    return FoldScore(
        model=name,
        fold=fold,
        n=n,
        log_likelihood=float(own.sum() - n * 2 * math.log(g.unit_mm)),
        hits=int((found.argmax(axis=1) == touches.key).sum()),
        inside=inside,
        decoded=decoded[0],
        words=decoded[1],
    )


def _decode_adapted(model: PersonTouch, test: TouchLog, decode: Decode) -> tuple[int, int]:
    """Words made of each half of the person's touches, decoded by what the other half taught."""
    if len(test) < 2:
        return decode(model, test)
    half = np.arange(len(test)) < len(test) // 2
    right, words = 0, 0
    for mine in (half, ~half):
        taught = model.copy().partial_fit(test.select(~mine))
        r, n = decode(taught, test.select(mine))
        right, words = right + r, words + n
    return right, words
