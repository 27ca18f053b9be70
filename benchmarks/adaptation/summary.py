"""From people's scores to tables: what was reached, and how much of the gap to the ceiling that is."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from person_trial import CHECKPOINTS, PAST_WORDS, TESTED_WORDS, Scores

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from sections import Cell, PagePicture, Section, saved_picture, section

from nearkey.intervals import percentile_interval

Key = tuple[str, bool, int]
Table = dict[Key, Scores]
Floats = NDArray[np.float64]

RESAMPLES, RESAMPLING_SEED = 2000, 1
BOTH = "touch and words"


def rates(tables: Sequence[Table], key: Key) -> tuple[Floats, Floats]:
    """Top-1 and KSPC of people resampled with replacement; first the people as they are.

    The same resamples for every key, so that differences are paired.
    """
    n = len(tables)
    rng = np.random.default_rng(RESAMPLING_SEED)
    counts = np.vstack([np.ones(n), rng.multinomial(n, np.full(n, 1 / n), RESAMPLES)])
    found = [table[key] for table in tables]
    sums = counts @ np.asarray([[s.words, s.right, s.keystrokes, s.characters] for s in found])
    return sums[:, 1] / sums[:, 0], sums[:, 2] / sums[:, 3]


def interval(values: Floats) -> list[float | None]:
    """The first value with the 95 % percentile interval of the others."""
    return [round(end, 4) for end in percentile_interval(float(values[0]), values[1:])]


def compared(tables: Sequence[Table], name: str, n: int) -> list[tuple[Floats, Floats]]:
    """The `rates` without adaptation, of what was learnt, and of the ceiling."""
    ceiling = name if (name, True, n) in tables[0] else BOTH
    keys = (("none", False, n), (name, False, n), (ceiling, True, n))
    return [rates(tables, key) for key in keys]


def closed(tables: Sequence[Table], name: str, n: int) -> list[list[float | None]]:
    """Share of the gap between no adaptation and the ceiling that is closed: in top-1, in KSPC.

    Without bounds where the gap itself is not surely above 0.
    """
    none, now, best = compared(tables, name, n)
    found: list[list[float | None]] = []
    for i, sign in ((0, 1.0), (1, -1.0)):
        gap = sign * (best[i] - none[i])
        gain = sign * (now[i] - none[i])
        if percentile_interval(float(gap[0]), gap[1:]).low > 0:
            found.append(interval(gain / np.maximum(gap, 1e-9)))
        else:
            found.append([round(float(gain[0] / gap[0]), 4) if gap[0] > 0 else None, None, None])
    return found


def sections(
    tables: Sequence[Table],
    names: Sequence[str],
    *,
    text: str,
    which: str,
    pack: str,
    pictures: Sequence[PagePicture] = (),
) -> list[Section]:
    """Tables for RESULTS.md: the targets first, then every checkpoint."""
    notes = [
        f"{len(tables)} simulated people of the set {which!r} on 26 keys (QWERTY), {text}, each in "
        f"its own order; {TESTED_WORDS} words after each checkpoint are tested.",
        "Intervals: 95 %, people resampled with replacement. Offsets and spreads of people are "
        "invented, of the order of open phone touches (benchmarks/adaptation/bodies.py).",
        f"Ceiling: the same models after another {PAST_WORDS:,} words of the same person, "
        "rightly labelled. No adaptation: the touch model of the population, the pack alone.",
        "KSPC: a press of next for each candidate before the right one of five; a word that is not "
        "listed is deleted and entered letter by letter; spaces counted.",
        pack,
    ]
    return [
        section(
            title="Adaptation to a person: targets",
            order=80,
            columns="what; asked; found|3; met",
            rows=_targets(tables, names),
            notes=notes,
            pictures=pictures,
        ),
        section(
            title="Adaptation to a person: by words typed",
            order=81,
            columns=(
                "learnt; words typed; top-1, none|%; top-1|%; top-1, ceiling|%; gap closed, top-1|2; "
                "KSPC, none|3; KSPC|3; KSPC, ceiling|3; gap closed, KSPC|2"
            ),
            rows=[_row(tables, name, n) for name in names for n in CHECKPOINTS],
            notes=[
                "A word confirmed wrongly is another candidate of the list. 'Believed': labels are "
                "not doubted. Conditions with wrong labels or the text before are measured against "
                f"the ceiling of '{BOTH}'.",
                "The text before: all she typed up to the word is its context, as in a session, and "
                "the pack's context model knows it; in all other rows each sentence starts with none.",
            ],
        ),
    ]


def _row(tables: Sequence[Table], name: str, n: int) -> list[Cell]:
    cells: list[Cell] = [name, n]
    for i, gap in enumerate(closed(tables, name, n)):
        cells += [round(float(one[i][0]), 4) for one in compared(tables, name, n)]
        cells.append(gap)
    return cells


def _targets(tables: Sequence[Table], names: Sequence[str]) -> list[list[Cell]]:
    rows: list[list[Cell]] = []
    judged = [name for name in names if "believed" not in name]
    for name in judged:
        if "text before" in name:  # no target was set
            continue
        for n, asked in ((50, 0.5), (200, 0.8)):
            for measure, values in zip(("top-1", "KSPC"), closed(tables, name, n), strict=True):
                what = f"{name}: gap closed after {n} words, {measure}"
                met = values[0] is not None and values[0] >= asked
                rows.append([what, f"at least {asked}", values, met])
    for name in judged:
        both = (compared(tables, name, n)[:2] for n in CHECKPOINTS)
        worst = min((now[0] - none[0] for none, now in both), key=lambda gain: float(gain[0]))
        met = percentile_interval(float(worst[0]), worst[1:]).high >= 0.0
        what = f"{name}: smallest gain in top-1 at any checkpoint"
        rows.append([what, "not below 0 beyond noise", interval(worst), met])
    return rows


LINES = (
    (BOTH, False, "#0b6e4f", "o-", "touch and words"),
    ("touch alone", False, "#3d6fb6", "o-", "touch alone"),
    ("words alone", False, "#b5651d", "o-", "words alone"),
    ("10 % wrong labels", False, "#0b6e4f", "o:", "touch and words, 10 % wrong labels"),
    ("10 % wrong labels, believed", False, "#999999", "o:", "the same labels, none doubted"),
    (BOTH, True, "#222222", "--", "ceiling: 1,500 more words learnt"),
)
PANELS = (
    ("words right at once, gain in points", 100.0),
    ("keystrokes per character, saved", -1.0),
)


def draw(tables: Sequence[Table], file: str, results: Path) -> PagePicture:
    """Save the picture (PNG) under `results`: gains over no adaptation, the ceiling's above them."""
    from nearkey.report.style import new_figure, styled

    with styled():
        figure = new_figure(10, 4.6)
        panels = figure.subplots(1, len(PANELS))
        for i, (panel, (title, sign)) in enumerate(zip(panels, PANELS, strict=True)):
            for name, past, colour, style, label in LINES:
                gain = []
                for n in CHECKPOINTS:
                    now, none = (
                        rates(tables, key) for key in ((name, past, n), ("none", False, n))
                    )
                    gain.append(sign * float(now[i][0] - none[i][0]))
                panel.plot(gain, style, color=colour, markersize=3, label=label)
            panel.axhline(0.0, color="#bbbbbb", linewidth=0.8)
            panel.set_xticks(range(len(CHECKPOINTS)), [str(n) for n in CHECKPOINTS])
            panel.set_xlabel("words typed")
            panel.set_title(title)
        figure.legend(*panels[0].get_legend_handles_labels(), ncols=3, loc="outside lower center")
    caption = "Words right at once and keystrokes per character, by words typed."
    return saved_picture(figure, file, caption, results)
