"""Which touch model to use: the evidence of people the models have not seen."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import TouchDataError, TouchModelError
from nearkey.touch.calibration import inside_ellipses
from nearkey.touch.gaussian import GaussianTouch
from nearkey.touch.geometry import Geometry, geometry_of
from nearkey.touch.labels import label
from nearkey.touch.log import TouchLog
from nearkey.touch.people import PeopleTouch, PersonTouch

if TYPE_CHECKING:
    from nearkey.layout import Layout

__all__ = [
    "Adapting",
    "Comparison",
    "ComparisonRow",
    "FoldScore",
    "NearestKey",
    "compare_folds",
    "compare_touch",
    "default_models",
]

Floats = NDArray[np.float64]
Decode = Callable[[Any, TouchLog], tuple[int, int]]

# Two-sided 95 % quantiles of Student's t for 1 to 30 degrees of freedom (any statistics table).
_T95 = (
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228,
    2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086,
    2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042,
)  # fmt: skip
_BLOCKS = 5


class Fits(Protocol):
    """Anything with `fit(log, layout)` that returns a touch model."""

    def fit(self, log: TouchLog, layout: Any) -> Any: ...


@dataclass(frozen=True, slots=True)
class FoldScore:
    """One model on one fold: the touches of `fold` (a person, or a block of one person's log).

    `log_likelihood` is the sum over its `n` touches of the log density per mm² under the key
    meant; `hits` counts touches whose likeliest key was that key; `inside` those in the 95 %
    ellipse; `decoded` of `words` came out right first where a decoder was given, else 0 of 0.
    """

    model: str
    fold: str
    n: int
    log_likelihood: float
    hits: int
    inside: int
    decoded: int
    words: int


@dataclass(frozen=True, slots=True)
class ComparisonRow:
    """A model's figures: means over people, each person weighing the same.

    `log_likelihood` per touch, per mm², and `gain` over the baseline, each with the half width of
    a 95 % t interval over people; shares of key hits, of touches in the 95 % ellipse, of words
    decoded (NaN without a decoder).
    """

    model: str
    log_likelihood: float
    log_likelihood_half: float
    gain: float
    gain_half: float
    key_hit: float
    key_hit_half: float
    inside_95: float
    top1: float
    top1_half: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """Models compared on held-out people. `str()` is the table; `best` the row of highest
    held-out log likelihood."""

    scheme: str
    baseline: str
    rows: tuple[ComparisonRow, ...]
    folds: tuple[FoldScore, ...]

    @property
    def best(self) -> ComparisonRow:
        return max(self.rows, key=lambda row: row.log_likelihood)

    @property
    def decoded(self) -> bool:
        """Whether a decoder was given."""
        return any(fold.words for fold in self.folds)

    def to_dicts(self) -> list[dict[str, Any]]:
        """One row per model."""
        return [{name: getattr(row, name) for name in ComparisonRow.__slots__} for row in self.rows]

    def __str__(self) -> str:
        head = [
            "model",
            "log lik./touch",
            f"gain on {self.baseline}",
            "key hit %",
            "in 95 % ell. %",
        ]
        lines = [
            [
                row.model,
                f"{row.log_likelihood:.3f} ± {row.log_likelihood_half:.3f}",
                f"{row.gain:+.3f} ± {row.gain_half:.3f}",
                f"{100 * row.key_hit:.1f} ± {100 * row.key_hit_half:.1f}",
                f"{100 * row.inside_95:.1f}",
            ]
            for row in self.rows
        ]
        if self.decoded:
            head.append("top-1 %")
            for line, row in zip(lines, self.rows, strict=True):
                line.append(f"{100 * row.top1:.1f} ± {100 * row.top1_half:.1f}")
        widths = [max(map(len, column)) for column in zip(head, *lines, strict=True)]
        table = [
            "  ".join(
                cell.ljust(w) if i == 0 else cell.rjust(w)
                for i, (cell, w) in enumerate(zip(line, widths, strict=True))
            ).rstrip()
            for line in (head, *lines)
        ]
        return "\n".join(
            [*table, f"{self.scheme}; natural logs per mm²; ± 95 % t interval over folds."]
        )


class NearestKey:
    """The trivial baseline: nothing learnt, a spread of 45 % of the key about its centre."""

    def fit(self, log: TouchLog, layout: Layout | Geometry) -> GaussianTouch:
        """The log is not looked at."""
        return GaussianTouch.from_layout(layout, spread=0.45)


class Adapting:
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
    from nearkey.touch.mixture import MixtureTouch
    from nearkey.touch.pooled import PooledTouch
    from nearkey.touch.regression import RegressionTouch
    from nearkey.touch.scaled import SizeScaledTouch
    from nearkey.touch.student import StudentTouch

    return {
        "nearest key": NearestKey(),
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
        "people, adapting": Adapting(),
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
) -> Comparison:
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
    one = len(log.persons) == 1
    scheme = (
        f"One person only: {_BLOCKS} consecutive blocks, each held out in turn"
        if one
        else f"Leave one person out, {len(log.persons)} people"
    )
    return summarise(folds, scheme=scheme, baseline=baseline)


def summarise(
    folds: Sequence[FoldScore], *, scheme: str, baseline: str | None = None
) -> Comparison:
    """The table of fold scores."""
    names = list(dict.fromkeys(score.model for score in folds))
    base = names[0] if baseline is None else baseline
    if base not in names:
        raise TouchModelError(
            f"'{base}' is not compared", field="baseline", fix=f"use one of {', '.join(names)}"
        )
    by_model = {name: [s for s in folds if s.model == name] for name in names}
    reference = np.array([s.log_likelihood / s.n for s in by_model[base]])
    rows = []
    for name in names:
        scores = by_model[name]
        each = np.array([s.log_likelihood / s.n for s in scores])
        hit = np.array([s.hits / s.n for s in scores])
        words = np.array([s.decoded / s.words if s.words else np.nan for s in scores])
        rows.append(
            ComparisonRow(
                name,
                *_mean_and_half(each),
                *_mean_and_half(each - reference),
                *_mean_and_half(hit),
                float(np.mean([s.inside / s.n for s in scores])),
                *_mean_and_half(words),
            )
        )
    return Comparison(scheme=scheme, baseline=base, rows=tuple(rows), folds=tuple(folds))


def _folds(log: TouchLog) -> Iterator[tuple[str, TouchLog, TouchLog]]:
    if len(log.persons) > 1:
        for name in log.persons:
            if (log.of_person(name).target != "").any():
                yield name, log.without_person(name), log.of_person(name)
        return
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


def _mean_and_half(values: Floats) -> tuple[float, float]:
    """Mean, and half the width of its 95 % t interval (NaN for one value)."""
    n = len(values)
    if n < 2:
        return float(values.mean()), math.nan
    t = _T95[n - 2] if n - 1 <= len(_T95) else 1.96
    return float(values.mean()), float(t * values.std(ddof=1) / math.sqrt(n))
