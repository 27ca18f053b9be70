"""A layout's score as text."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from nearkey.simulate.intervals import Estimate

if TYPE_CHECKING:
    from nearkey.simulate.outcomes import GroupScore
    from nearkey.simulate.score_result import DecoderScore, LayoutScore

__all__ = ["score_table"]


def _percent(estimate: Estimate) -> str:
    if not math.isfinite(estimate.value):
        return "-"
    value, low, high = (100 * part for part in estimate)
    return f"{value:.1f} [{low:.1f}, {high:.1f}]"


def _figure(estimate: Estimate | None, digits: int = 3) -> str:
    if estimate is None or not math.isfinite(estimate.value):
        return "-"
    return f"{estimate.value:.{digits}f} [{estimate.low:.{digits}f}, {estimate.high:.{digits}f}]"


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


def _group_row(name: str, group: GroupScore) -> list[str]:
    return [
        name,
        str(group.words),
        _percent(group.top[1]),
        _percent(group.top[3]),
        _percent(group.top[5]),
        _percent(group.top[10]),
        _figure(group.mean_rank, 2),
        _figure(group.kspc),
        _percent(group.character_error_rate),
        _figure(group.bits_per_character),
    ]


def score_table(result: LayoutScore) -> str:
    """The table that `str()` of a score gives."""
    score, c = result.score, result.conditions
    pack = c["pack"]
    seen = {True: "which the pack was trained on", False: "unseen by the pack", None: ""}
    corpus = c["corpus"] + (f" ({told})" if (told := seen[c["corpus_seen_by_pack"]]) else "")
    lines = [
        f"{result.layout}, {result.keys} keys: {c['words']} words of {corpus}, "
        f"{'with' if c['context'] else 'without'} context, seed {c['seed']}",
        f"nearkey {c['nearkey']}, pack {pack['name']} {pack['version']} ({pack['checksum']})",
        "",
    ]
    header = [
        "words",
        "n",
        "top-1 %",
        "top-3 %",
        "top-5 %",
        "top-10 %",
        "mean rank",
        "KSPC",
        "CER %",
        "bits/char",
    ]
    groups = [("all", score.all), ("in lexicon", score.known), ("outside", score.unknown)]
    groups += [
        (f"{n} letters" + ("+" if n == max(score.by_length) >= 12 else ""), group)
        for n, group in score.by_length.items()
    ]
    lines += _grid([header, *(_group_row(name, g) for name, g in groups if g.words)])
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
        lines.append(
            f"completions: {_percent(done.savings)} % of keystrokes saved, KSPC {_figure(done.kspc)} "
            f"({done.words} words, {100 * done.early:.0f} % taken before their last letter)"
        )
    if score.calibration is not None:
        found = score.calibration
        lines.append(
            f"calibration: error {found.error:.4f} ({found.by_chance[0]:.4f} by chance alone, 95 % below "
            f"{found.by_chance[1]:.4f}); normaliser {score.posterior}"
        )
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
