"""A layout scored: its exact measures, its decoder's in all and by group of words, and the table of both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from os import PathLike
from time import perf_counter
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from nearkey.frames import Tabular
from nearkey.intervals import Estimate
from nearkey.saved_results import SavedResult, load_result, score_rows, write_result
from nearkey.simulate.calibration import Calibration, calibrate
from nearkey.simulate.columns import Floats
from nearkey.simulate.completion import Completion
from nearkey.simulate.decoders.own import OwnDecoder
from nearkey.simulate.decoders.protocol import BatchDecodes, Decodes, Faults, Queries
from nearkey.simulate.keystrokes import Selection
from nearkey.simulate.outcomes import MEASURES, TOP, WordOutcomes
from nearkey.simulate.plain_data import plain
from nearkey.simulate.trial import Judged, TypedWords, judge
from nearkey.simulate.workload import DRAWN
from nearkey.text_table import estimate_text, number, text_table

LONGEST_GROUP = 12
"""Words of this many characters and more are one group of `by_length`."""


@dataclass(frozen=True, slots=True)
class Latency:
    """Time of single answers, microseconds, on the machine that ran them.

    median, p90, p99, longest : quantiles over `words` answers. how : what was timed.
    """

    words: int
    median: float
    p90: float
    p99: float
    longest: float
    how: str

    @classmethod
    def of(cls, seconds: Floats | None, how: str) -> Latency | None:
        """Quantiles of times in seconds; None where there are none."""
        times = np.zeros(0) if seconds is None else seconds[np.isfinite(seconds)] * 1e6
        if len(times) == 0:
            return None
        median, p90, p99 = np.quantile(times, (0.5, 0.9, 0.99)).tolist()
        return cls(len(times), median, p90, p99, float(times.max()), how)

    def to_dict(self) -> dict[str, Any]:
        """Plain data; unit in the names."""
        return {
            "words": self.words,
            "median_us": self.median,
            "p90_us": self.p90,
            "p99_us": self.p99,
            "longest_us": self.longest,
            "how": self.how,
        }


def latency_of(decoder: OwnDecoder, queries: Queries, k: int) -> Latency | None:
    """Times of single answers of our decoder to each question, after a few to warm up."""
    seconds = np.empty(len(queries))
    for i in range(min(20, len(queries))):
        decoder.answer_one(queries, i, k)
    for i in range(len(queries)):
        start = perf_counter()
        decoder.answer_one(queries, i, k)
        seconds[i] = perf_counter() - start
    return Latency.of(seconds, "one call from Python, its context given as a state")


@dataclass(frozen=True, slots=True)
class GroupScore:
    """Measures of a group of words, with 95 % intervals; NaN where a group has no word for a measure.

    top : length of list -> share of words listed within it. found : share listed at all. mean_rank : of those.
    kspc : keystrokes per character as typed, corrections and spaces included (see `outcomes.MEASURES`).
    character_error_rate : edits that the first texts need, per character meant (Levenshtein; no spaces).
    bits_per_character : -log2 of the probability of the word meant, per character, space included; over the words
        that could be given any; None where the decoder gives no probabilities.
    """

    words: int
    top: dict[int, Estimate]
    found: Estimate
    mean_rank: Estimate
    kspc: Estimate
    character_error_rate: Estimate
    bits_per_character: Estimate | None

    @classmethod
    def of(cls, outcomes: WordOutcomes, members: NDArray[np.bool_] | None = None) -> GroupScore:
        """The measures of the words marked in `members`, (n,); of all without it."""
        chosen = outcomes if members is None else outcomes.select(members)
        found = {name: measure.estimate(chosen) for name, measure in MEASURES.items()}
        bits = found["bits_per_character"]
        return cls(
            words=len(chosen),
            top={k: found[f"top{k}"] for k in TOP},
            found=found["found"],
            mean_rank=found["mean_rank"],
            kspc=found["kspc"],
            character_error_rate=found["character_error_rate"],
            bits_per_character=bits if np.isfinite(bits.value) else None,
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain data; what could not be measured is null."""
        tops = {f"top{k}": estimate for k, estimate in self.top.items()}
        rest: dict[str, Any] = plain(self, leave_out=("words", "top"))
        return {"words": self.words, **plain(tops), **rest}


@dataclass(frozen=True, slots=True)
class DecoderScore:
    """One decoder on one set of typed words.

    all, known, unknown : all words, those in the pack's lexicon, those outside it.
    by_length : characters -> measures of the words that long (the last entry holds longer ones too).
    ranks : ranks[r - 1] words were listed at place r; `missed` were not listed.
    calibration, calibration_known : of the first candidate's probability, over all words and over those in the
        lexicon: a word outside it is never first, whatever the decoder assumes.
    posterior : how probabilities were normalised, "" where the decoder gives none.
    outcomes : what became of each word; `to_dict` leaves it out.
    latency, seconds : depend on the machine; `to_dict` leaves them out.
    """

    decoder: str
    all: GroupScore
    known: GroupScore
    unknown: GroupScore
    by_length: dict[int, GroupScore]
    ranks: tuple[int, ...]
    missed: int
    calibration: Calibration | None
    calibration_known: Calibration | None
    posterior: str
    faults: Faults
    outcomes: WordOutcomes
    latency: Latency | None = None
    seconds: float = 0.0

    @classmethod
    def of(
        cls,
        judged: Judged,
        *,
        known: NDArray[np.bool_],
        k: int,
        name: str,
        latency: Latency | None = None,
    ) -> Self:
        """The score of what was judged.

        known : (n,) which words the pack's lexicon has. k : texts asked for. name : of the decoder.
        latency : where single answers were timed apart; else the times of `judged`, if it has them.
        """
        outcomes = judged.outcomes
        length = np.minimum(outcomes.characters, LONGEST_GROUP)
        ranks = np.bincount(outcomes.rank, minlength=k + 1)
        return cls(
            decoder=name,
            all=GroupScore.of(outcomes),
            known=GroupScore.of(outcomes, known),
            unknown=GroupScore.of(outcomes, ~known),
            by_length={
                int(n): GroupScore.of(outcomes, length == n) for n in np.unique(length).tolist()
            },
            ranks=tuple(ranks[1:].tolist()),
            missed=int(ranks[0]),
            calibration=_calibration(outcomes),
            calibration_known=_calibration(outcomes.select(known)),
            posterior="" if outcomes.posterior is None else outcomes.posterior.normaliser,
            faults=judged.faults,
            outcomes=outcomes,
            latency=latency or Latency.of(judged.answer_s, "each answer as it was asked for"),
            seconds=judged.seconds,
        )

    def to_dict(self, *, brief: bool = False) -> dict[str, Any]:
        """Quality: the same on every machine for the same version, pack and seed.

        brief : leave out the groups by length and the bins of the calibration, for few words.
        """
        whole: dict[str, Any] = plain(self, leave_out=("outcomes", "latency", "seconds"))
        if brief:
            del whole["by_length"]
            for name in ("calibration", "calibration_known"):
                if whole[name] is not None:
                    del whole[name]["bins"]
        return whole

    def speed(self) -> dict[str, Any]:
        """What depends on the machine."""
        return {
            "decoder": self.decoder,
            "words": self.all.words,
            "seconds": self.seconds,
            "latency": None if self.latency is None else self.latency.to_dict(),
        }


def score_decoder(
    typed: TypedWords,
    decoder: Decodes | BatchDecodes,
    *,
    lexicon: Sequence[str],
    name: str,
    k: int = 10,
    selection: Selection | None = None,
) -> DecoderScore:
    """Ask a decoder for every word typed and score its answers. What it does wrong is counted, never raised.

    lexicon : the pack's words. name : for reports. k : texts asked for. selection : model of picking a candidate.
    """
    judged = judge(typed, decoder, lexicon=lexicon, k=k, selection=selection)
    return DecoderScore.of(judged, known=typed.workload.known, k=k, name=name)


def _calibration(outcomes: WordOutcomes) -> Calibration | None:
    if outcomes.posterior is None or len(outcomes) == 0:
        return None
    return calibrate(outcomes.posterior.first, outcomes.rank == 1, origin=outcomes.origin)


@dataclass(frozen=True, slots=True)
class Compared:
    """A decoder beside ours, over the same words and touches.

    top1_to_ours, top3_to_ours, kspc_to_ours : its figure minus ours, paired word by word, with 95 % intervals.
    completion : what its completions save; None where it gives no live lists.
    """

    score: DecoderScore
    top1_to_ours: Estimate
    top3_to_ours: Estimate
    kspc_to_ours: Estimate
    completion: Completion | None = None

    @classmethod
    def of(
        cls, theirs: DecoderScore, ours: DecoderScore, completion: Completion | None = None
    ) -> Self:
        """Pair the words of two decoders."""
        top1, top3, kspc = (
            MEASURES[name].difference(theirs.outcomes, ours.outcomes)
            for name in ("top1", "top3", "kspc")
        )
        return cls(theirs, top1, top3, kspc, completion)

    def to_dict(self) -> dict[str, Any]:
        """Quality, as plain data."""
        return {**self.score.to_dict(brief=True), **plain(self, leave_out=("score",))}


SCHEMA = "nearkey-score"
VERSION = 1


@dataclass(frozen=True, slots=True)
class StaticScore:
    """A layout before any noise, over the pack's whole lexicon weighted by word probability. Exact.

    collision_rate : share of word tokens that a more probable word with the same keys beats to first place.
    shared : share with any other word on the same keys.
    kspc : the characteristic KSPC of dictionary-based disambiguation, touches perfect: a touch a letter, a
        press of next for each more probable word on the same keys, and the space (MacKenzie 2002).
    multi_tap_kspc : of multi-tap, with a press of a time-out key between letters of one key.
    """

    collision_rate: float
    shared: float
    kspc: float
    multi_tap_kspc: float


@dataclass(frozen=True, slots=True, repr=False)
class LayoutScore(Tabular):
    """A layout scored: `str()` is a table, `to_dict()` plain data, `save()` writes it.

    static : see `StaticScore`. score : our decoder. completion : None where it was not asked for.
    compared : other decoders on the same touches, by name. skipped : decoders that could not run here, and why.
    conditions : all that one must know to repeat the run. stages : processor seconds by stage, of this machine.
    """

    layout: str
    keys: int
    static: StaticScore
    score: DecoderScore
    completion: Completion | None
    compared: dict[str, Compared]
    skipped: dict[str, str]
    conditions: dict[str, Any]
    stages: dict[str, float] = field(default_factory=dict)

    @property
    def overhead(self) -> float:
        """Share of the time spent outside decoders: words, touches, judging."""
        total = sum(self.stages.values())
        return 1.0 - self.stages.get("decoder", 0.0) / total if total > 0 else 0.0

    def to_dict(self) -> dict[str, Any]:
        """Quality: the same on every machine for the same version, pack and seed."""
        return {
            "schema": SCHEMA,
            "version": VERSION,
            "conditions": self.conditions,
            **plain(self, leave_out=("conditions", "stages")),
        }

    def to_dicts(self) -> list[dict[str, Any]]:
        """A row for each group of words of our decoder, and for all words of each other."""
        return score_rows(self.to_dict())

    def speed(self) -> dict[str, Any]:
        """What depends on the machine."""
        return {
            "layout": self.layout,
            "stages_s": self.stages,
            "overhead": self.overhead,
            "decoders": [
                self.score.speed(),
                *(other.score.speed() for other in self.compared.values()),
            ],
        }

    def save(self, path: str | PathLike[str]) -> None:
        """Write `to_dict()` as JSON, whole or not at all."""
        write_result(path, self.to_dict())

    @staticmethod
    def load(path: str | PathLike[str]) -> SavedResult:
        """What `save` wrote; raises as `load_result`."""
        return load_result(path, SCHEMA)

    def __repr__(self) -> str:
        top1 = self.score.all.top[1].value
        return f"<LayoutScore of {self.layout!r}: top-1 {top1:.4f}>"

    def __str__(self) -> str:
        return _table(self)


_HEADER = [
    "words",
    "n",
    "top-1 %",
    "top-3 %",
    "top-5",
    "top-10",
    "rank",
    "KSPC",
    "CER %",
    "bits/char",
]


def _percent(estimate: Estimate | None) -> str:
    return estimate_text(estimate, 1, percent=True)


def _group_row(name: str, group: GroupScore, *, interval: bool) -> list[str]:
    def shown(estimate: Estimate | None, digits: int = 1, *, percent: bool = True) -> str:
        if interval:
            return estimate_text(estimate, digits, percent=percent)
        return number(None if estimate is None else estimate.value, digits, percent=percent)

    return [
        name,
        str(group.words),
        _percent(group.top[1]),
        shown(group.top[3]),
        number(group.top[5].value, 1, percent=True),
        number(group.top[10].value, 1, percent=True),
        number(group.mean_rank.value, 2),
        shown(group.kspc, 3, percent=False),
        shown(group.character_error_rate),
        shown(group.bits_per_character, 3, percent=False),
    ]


def _table(result: LayoutScore) -> str:
    score, c = result.score, result.conditions
    pack = c["pack"]
    seen = {True: "which the pack was trained on", False: "unseen by the pack", None: ""}
    corpus = c["corpus"] + (f" ({told})" if (told := seen[c["corpus_seen_by_pack"]]) else "")
    words = corpus if corpus == DRAWN else f"words of {corpus}"
    lines = [
        f"{result.layout}, {result.keys} keys: {c['words']} {words}, "
        f"{'with' if c['context'] else 'without'} context, seed {c['seed']}",
        f"nearkey {c['nearkey']}, pack {pack['name']} {pack['version']} ({pack['checksum']})",
        "",
    ]
    rows = [
        _group_row(name, group, interval=True)
        for name, group in (
            ("all", score.all),
            ("in lexicon", score.known),
            ("outside", score.unknown),
        )
        if group.words
    ]
    rows += [_group_row(_letters(n), group, interval=False) for n, group in score.by_length.items()]
    lines.append(text_table(_HEADER, rows))
    selection = c["selection"]
    style = (
        "a press of next for each candidate passed, the space accepts"
        if selection["style"] == "next"
        else "one tap on a candidate, the space accepts the first"
    )
    static = result.static
    lines += [
        "",
        f"selection: {style}; {selection['listed']} shown; else the word is deleted and spelled",
        f"perfect touches: {100 * static.collision_rate:.2f} % of words lose to a more frequent one on "
        f"the same keys; KSPC {static.kspc:.4f} (multi-tap {static.multi_tap_kspc:.4f})",
        _ranks(score),
    ]
    if result.completion is not None:
        done = result.completion
        lines += [
            f"completions: {_percent(done.spared)} % of keystrokes spared, KSPC {estimate_text(done.kspc, 3)} against "
            f"{estimate_text(done.kspc_without, 3)} without",
            f"  savings against one keystroke a character: {_percent(done.savings)} %; {done.words} words, "
            f"{100 * done.early:.0f} % taken before their last letter",
        ]
    for words, found in (("all", score.calibration), ("in lexicon", score.calibration_known)):
        if found is not None:
            lines.append(
                f"calibration, {words}: error {found.error:.4f} (a calibrated decoder: {found.by_chance[0]:.4f}, "
                f"95 % below {found.by_chance[1]:.4f})"
            )
    if score.posterior:
        lines.append(f"normaliser: {score.posterior}")
    if score.latency is not None:
        late = score.latency
        lines.append(
            f"latency: median {late.median:.0f} us, 99 % within {late.p99:.0f} us ({late.how})"
        )
    if result.stages:
        lines.append(f"outside the decoder: {100 * result.overhead:.0f} % of the run")
    lines += _faults(score)
    if result.compared:
        lines += ["", *_compared(result)]
    lines += [f"{name}: not run: {why}" for name, why in result.skipped.items()]
    return "\n".join(lines)


def _letters(n: int) -> str:
    return f"length {n}" + ("+" if n == LONGEST_GROUP else "")


def _ranks(score: DecoderScore) -> str:
    places = ", ".join(f"{i}: {n}" for i, n in enumerate(score.ranks[:10], start=1))
    return f"words by place: {places}; not listed: {score.missed}"


def _faults(score: DecoderScore) -> list[str]:
    return [
        f"{score.decoder}: {count} x {kind}, e.g. {score.faults.examples[kind][0]}"
        for kind, count in sorted(score.faults.counts.items())
    ]


def _compared(result: LayoutScore) -> list[str]:
    heads = ["decoder", "n", "top-1 %", "top-3 %", "CER %", "KSPC", "top-1 to ours", "us/word"]
    rows = []
    for name, other in result.compared.items():
        group, score = other.score.all, other.score
        rows.append(
            [
                name,
                str(group.words),
                _percent(group.top[1]),
                _percent(group.top[3]),
                _percent(group.character_error_rate),
                estimate_text(group.kspc, 3),
                estimate_text(other.top1_to_ours, 3),
                f"{1e6 * score.seconds / max(group.words, 1):.0f}",
            ]
        )
    lines = [text_table(heads, rows)]
    completed = [
        [
            name,
            str(done.words),
            _percent(done.spared),
            estimate_text(done.kspc, 3),
            number(done.kspc_without.value, 3),
            number(done.early, 0, percent=True),
        ]
        for name, other in result.compared.items()
        if (done := other.completion) is not None
    ]
    if len(completed) > 1:
        heads = ["completions", "n", "spared %", "KSPC", "without", "accepted %"]
        lines += ["", text_table(heads, completed)]
    for other in result.compared.values():
        lines += _faults(other.score)
    return lines
