"""Which touch model to use: the evidence of people the models have not seen."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from nearkey.errors import TouchDataError, TouchModelError
from nearkey.frames import Tabular
from nearkey.intervals import Estimate, mean_over_people
from nearkey.text_table import estimate_text, half_text, text_table
from nearkey.touch.key_geometry import AnyLayout, Floats, Geometry, geometry_of
from nearkey.touch.labelling import label
from nearkey.touch.people import PersonTouch
from nearkey.touch.touch_log import TouchLog
from nearkey.touch.touch_models import FitsTouch, default_models, prequential_log_prob

Decode = Callable[[Any, TouchLog], tuple[int, int]]

_BLOCKS = 5


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
    a 95 % t interval over people; so too the shares of key hits, of touches in the 95 % ellipse, and of
    words decoded (NaN without a decoder).
    """

    model: str
    log_likelihood: float
    log_likelihood_half: float
    gain: float
    gain_half: float
    key_hit: float
    key_hit_half: float
    inside_95: float
    inside_95_half: float
    top1: float
    top1_half: float

    def cells(self, *, intervals: bool = True) -> list[str]:
        """The row as cells of a table, without `intervals` where too few people were held out for any."""
        figures = ("log_likelihood", "gain", "key_hit", "inside_95", "top1")
        both = [(getattr(self, name), getattr(self, f"{name}_half")) for name in figures]
        if not intervals:
            both = [(value, math.nan) for value, _ in both]
        ends = [Estimate(value, value - half, value + half) for value, half in both]
        return [
            self.model,
            half_text(ends[0], 3),
            half_text(ends[1], 3, sign=True),
            *(estimate_text(end.within(0.0, 1.0), 1, percent=True) for end in ends[2:]),
        ]


# Of two people a t interval is twelve times as wide as the difference between them, and says nothing.
_FEWEST = 3


@dataclass(frozen=True, slots=True)
class TouchComparison(Tabular):
    """Models compared on held-out people. `str()` is the table.

    Parameters
    ----------
    scheme : how people were held out. baseline : the model that gains are against.
    rows : one for each model. folds : the scores they were made of.
    """

    scheme: str
    baseline: str
    rows: tuple[ComparisonRow, ...]
    folds: tuple[FoldScore, ...]

    @property
    def best(self) -> ComparisonRow:
        """The row of highest held-out log likelihood."""
        return max(self.rows, key=lambda row: row.log_likelihood)

    @property
    def enough_people(self) -> bool:
        """Whether enough people, or blocks of one person's touches, were held out for intervals to say anything."""
        return len({fold.fold for fold in self.folds}) >= _FEWEST

    @property
    def decoded(self) -> bool:
        """Whether a decoder was given."""
        return any(fold.words for fold in self.folds)

    def to_dicts(self) -> list[dict[str, Any]]:
        """One row per model."""
        return [asdict(row) for row in self.rows]

    def __repr__(self) -> str:
        return (
            f"<TouchComparison: {len(self.rows)} models, best {self.best.model!r}; {self.scheme}>"
        )

    def __str__(self) -> str:
        gain = f"gain on {self.baseline}"
        heads = ["model", "log lik./touch", gain, "key hit %", "in 95 % ell. %", "top-1 %"]
        columns = 6 if self.decoded else 5
        rows = [row.cells(intervals=self.enough_people)[:columns] for row in self.rows]
        said = f"{self.scheme}; natural logs per mm²; ± and [] 95 % t interval over folds."
        if not self.enough_people:
            said = f"{self.scheme}; natural logs per mm²; too few people for intervals (below {_FEWEST})."
        return f"{text_table(heads[:columns], rows)}\n\n{said}"


def summarise(
    folds: Sequence[FoldScore], *, scheme: str, baseline: str | None = None
) -> TouchComparison:
    """The table of fold scores.

    Parameters
    ----------
    folds : scores of every model on every fold.
    scheme : how people were held out, in words.
    baseline : the model that gains are against, the first unless given; TouchModelError for one without scores.
    """
    names = list(dict.fromkeys(score.model for score in folds))
    base = names[0] if baseline is None else baseline
    if base not in names:
        raise TouchModelError(
            f"'{base}' is not compared", field="baseline", fix=f"use one of {', '.join(names)}"
        )
    reference = _shares(folds, base, "log_likelihood", "n")
    rows = []
    for name in names:
        each = _shares(folds, name, "log_likelihood", "n")
        values = (
            each,
            each - reference,
            _shares(folds, name, "hits", "n"),
            _shares(folds, name, "inside", "n"),
            _shares(folds, name, "decoded", "words"),
        )
        estimates = [mean_over_people(value) for value in values]
        rows.append(ComparisonRow(name, *(x for e in estimates for x in (e.value, e.half))))
    return TouchComparison(scheme=scheme, baseline=base, rows=tuple(rows), folds=tuple(folds))


def _shares(folds: Sequence[FoldScore], model: str, part: str, whole: str) -> Floats:
    """Of each fold of a model, one figure by another `(folds,)`; NaN where the latter is 0."""
    pairs = [(getattr(s, part), getattr(s, whole)) for s in folds if s.model == model]
    return np.array([a / b if b else math.nan for a, b in pairs])


def compare_folds(
    log: TouchLog,
    layout: AnyLayout,
    models: Mapping[str, FitsTouch] | None = None,
    *,
    decode: Decode | None = None,
    done: Iterable[FoldScore] = (),
) -> Iterator[FoldScore]:
    """Score every model on every fold, yielding each as it is done: leave-one-person-out.

    With one person in the log, her touches are cut into five consecutive blocks instead.

    Parameters
    ----------
    log, layout : the touches and the layout they were made on.
    models : unfitted models by name; `default_models()` unless given.
    decode : returns (words right first, words) of a model and the touches of one held-out person; it is the caller's,
        since words need a language pack. An adapting model decodes each half of the person's touches after learning
        the other half.
    done : scores of an earlier run on the same log, which are yielded again without being recomputed.

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
    layout: AnyLayout,
    models: Mapping[str, FitsTouch] | None = None,
    *,
    decode: Decode | None = None,
    baseline: str | None = None,
    progress: Callable[[FoldScore], None] | None = None,
) -> TouchComparison:
    """Compare touch models on held-out people; `str()` of the result is a table.

    The plain function behind `nearkey touch compare`. Clean the log first, and say that you did: touches that cleaning
    drops are the ones heavy tails are for.

    Parameters
    ----------
    log, layout, models, decode : as for `compare_folds`, which also says what is raised.
    baseline : the model that gains are against, the first unless given.
    progress : called with each score.
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
    return list(dict.fromkeys(log.participant[log.target != ""].tolist()))


def _folds(log: TouchLog) -> Iterator[tuple[str, TouchLog, TouchLog]]:
    people = _labelled_people(log)
    if len(people) > 1:
        for name in people:
            yield name, log.without_participant(name), log.of_participant(name)
        return
    log = log.select(log.target != "")
    if len(log) < 10 * _BLOCKS:
        raise TouchDataError(
            f"one person and {len(log)} touches are too few to hold some out",
            where=log.where,
            field="participant",
            fix=f"log several people, or at least {10 * _BLOCKS} touches",
        )
    block = np.arange(len(log)) * _BLOCKS // len(log)
    for i in range(_BLOCKS):
        yield f"block {i + 1}", log.select(block != i), log.select(block == i)


def _score(
    name: str, fold: str, model: Any, test: TouchLog, g: Geometry, decode: Decode | None
) -> FoldScore:
    touches = label(test, g)
    n, adapts = len(touches.rows), isinstance(model, PersonTouch)
    decoded = (0, 0)
    if decode is not None:
        decoded = _decode_adapted(model, test, decode) if adapts else decode(model, test)
    if adapts:
        found, inside = prequential_log_prob(model, touches)
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
