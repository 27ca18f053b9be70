"""A layout scored: its exact measures, its decoder's, and the table of both."""

from __future__ import annotations

from dataclasses import dataclass, field
from os import PathLike
from typing import Any

from nearkey.frames import Tabular
from nearkey.intervals import Estimate
from nearkey.saved_results import SavedResult, load_result, score_rows, write_result
from nearkey.simulate.completion import Completion
from nearkey.simulate.decoder_score import LONGEST_GROUP, Compared, DecoderScore, GroupScore
from nearkey.simulate.plain_data import plain
from nearkey.simulate.workload import DRAWN
from nearkey.text_table import estimate_text, number, text_table

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
