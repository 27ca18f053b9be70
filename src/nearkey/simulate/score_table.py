"""A layout's score as text."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from nearkey.intervals import Estimate
from nearkey.simulate.score_result import LONGEST_GROUP
from nearkey.simulate.words import DRAWN

if TYPE_CHECKING:
    from nearkey.simulate.outcomes import GroupScore
    from nearkey.simulate.score_result import DecoderScore, LayoutScore

__all__ = ["score_table"]


def _percent(estimate: Estimate, *, interval: bool = True) -> str:
    if not math.isfinite(estimate.value):
        return "-"
    value, low, high = (100 * part for part in estimate)
    return f"{value:.1f} [{low:.1f}, {high:.1f}]" if interval else f"{value:.1f}"


def _figure(estimate: Estimate | None, digits: int = 3, *, interval: bool = True) -> str:
    if estimate is None or not math.isfinite(estimate.value):
        return "-"
    value, low, high = (f"{part:.{digits}f}" for part in estimate)
    return f"{value} [{low}, {high}]" if interval else value


def _grid(rows: list[list[str]]) -> list[str]:
    """Rows as aligned text, the first column to the left."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        "  ".join(
            cell.ljust(width) if i == 0 else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


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


def _group_row(name: str, group: GroupScore, *, interval: bool) -> list[str]:
    return [
        name,
        str(group.words),
        _percent(group.top[1]),
        _percent(group.top[3], interval=interval),
        _percent(group.top[5], interval=False),
        _percent(group.top[10], interval=False),
        _figure(group.mean_rank, 2, interval=False),
        _figure(group.kspc, interval=interval),
        _percent(group.character_error_rate, interval=interval),
        _figure(group.bits_per_character, interval=interval),
    ]


def score_table(result: LayoutScore) -> str:
    """The table that `str()` of a score gives."""
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
    lines += _grid([_HEADER, *rows])
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
            f"completions: {_percent(done.spared)} % of keystrokes spared, KSPC {_figure(done.kspc)} against "
            f"{_figure(done.kspc_without)} without",
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
    places = "  ".join(f"{i}: {n}" for i, n in enumerate(score.ranks[:10], start=1))
    return f"words by place: {places}  not listed: {score.missed}"


def _faults(score: DecoderScore) -> list[str]:
    return [
        f"{score.decoder}: {count} x {kind}, e.g. {score.faults.examples[kind][0]}"
        for kind, count in sorted(score.faults.counts.items())
    ]


def _compared(result: LayoutScore) -> list[str]:
    rows = [["decoder", "n", "top-1 %", "top-3 %", "CER %", "KSPC", "top-1 to ours", "us/word"]]
    for name, other in result.compared.items():
        group, score = other.score.all, other.score
        rows.append(
            [
                name,
                str(group.words),
                _percent(group.top[1]),
                _percent(group.top[3]),
                _percent(group.character_error_rate),
                _figure(group.kspc),
                _figure(other.top1_to_ours),
                f"{1e6 * score.seconds / max(group.words, 1):.0f}",
            ]
        )
    lines = _grid(rows)
    for other in result.compared.values():
        lines += _faults(other.score)
    return lines
