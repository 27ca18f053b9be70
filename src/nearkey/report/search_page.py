"""The report of a search: one page that needs no other file, and all that was kept as CSV, Parquet and JSON."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from html import escape
from importlib.util import find_spec
from pathlib import Path

import numpy as np

from nearkey.decode import LanguagePack
from nearkey.files import atomic_write
from nearkey.frames import html_table
from nearkey.layout import Layout
from nearkey.search.objectives import AmbiguityObjective, ambiguity_words
from nearkey.search.search_result import SearchResult
from nearkey.simulate import collisions
from nearkey.simulate.people_ranking import PeopleRanking
from nearkey.text_table import estimate_text

_STYLE = """
body { font: 15px/1.5 system-ui, sans-serif; max-width: 62em; margin: 2em auto; padding: 0 1em; color: #1b1b1b; }
h1 { font-size: 1.6em; } h2 { font-size: 1.2em; margin-top: 2em; }
table { border-collapse: collapse; margin: .6em 0; } td, th { padding: .15em .7em; text-align: right; }
th { border-bottom: 1px solid #888; font-weight: 600; } td:first-child, th:first-child { text-align: left; }
.layouts { display: flex; flex-wrap: wrap; gap: 1.2em; } figure { margin: 0; }
figcaption { font-size: .9em; color: #444; }
pre { font: 13px/1.4 ui-monospace, monospace; background: #f4f4f4; padding: .7em; overflow-x: auto; }
"""


def search_report(
    result: SearchResult,
    folder: str | os.PathLike[str],
    *,
    pack: LanguagePack,
    title: str = "Layouts searched",
    drawn: int = 6,
) -> Path:
    """Write `report.html`, `layouts.csv`, `result.json` and, with pyarrow, `layouts.parquet` to a folder.

    Parameters
    ----------
    result : of a search, with one layout or more. folder : made where it is not there.
    pack : whose words separate the layouts. title : of the page. drawn : layouts drawn, best first.

    Returns
    -------
    The page.
    """
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    result.save(target / "result.json")
    result.save_csv(target / "layouts.csv")
    if find_spec("pyarrow") is not None:
        result.save_parquet(target / "layouts.parquet")
    best = result.layouts(drawn)
    parts = [f"<h1>{escape(title)}</h1>", f"<p>{escape(result.verdict())}.</p>"]
    if len(result.objectives) > 1:
        parts += ["<h2>The front</h2>", front_svg(result)]
    parts.append('<h2>The best layouts</h2><div class="layouts">')
    for place, layout in enumerate(best):
        values = ", ".join(
            f"{escape(name)} {value:.4f}"
            for (name, _), value in zip(result.objectives, result.found.values[place], strict=True)
        )
        parts.append(
            f"<figure>{layout.to_svg(width_px=280)}<figcaption>{escape(layout.name)}: {values}</figcaption></figure>"
        )
    parts.append("</div>")
    if result.race:
        parts += ["<h2>Through the decoder, under noise</h2>", _race_table(result)]
    parts += ["<h2>Words that separate them</h2>", *_words(best, pack)]
    parts += ["<h2>How much the order depends on the text</h2>", _sensitivity(result, pack, drawn)]
    parts += ["<h2>To repeat it</h2>", f"<pre>{escape(_again(result))}</pre>"]
    page = target / "report.html"
    with atomic_write(page) as file:
        file.write(
            f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{escape(title)}</title>'
            f"<style>{_STYLE}</style><body>{''.join(parts)}</body></html>\n"
        )
    return page


def front_svg(result: SearchResult, width: int = 640, height: int = 380) -> str:
    """The layouts found by their first two objectives, the non-dominated ones marked and joined, as SVG."""
    values = result.found.values[:, :2]
    low, high = values.min(axis=0), values.max(axis=0)
    span = np.where(high > low, high - low, 1.0)
    left, bottom = 70, 50
    x = left + (values[:, 0] - low[0]) / span[0] * (width - left - 20)
    y = height - bottom - (values[:, 1] - low[1]) / span[1] * (height - bottom - 20)
    front = np.flatnonzero(result.found.front)
    line = " ".join(f"{x[i]:.1f},{y[i]:.1f}" for i in front[np.argsort(values[front, 0])])
    dots = "".join(
        f'<circle cx="{x[i]:.1f}" cy="{y[i]:.1f}" r="{4 if result.found.front[i] else 2.5}" '
        f'fill="{"#0b5394" if result.found.front[i] else "#bbb"}"><title>{escape(result.name(i))}</title></circle>'
        for i in np.argsort(result.found.front, kind="stable")
    )
    (first, one), (second, other) = result.objectives[:2]
    good = {"max": "more is better", "min": "less is better"}

    def figure(x: float, y: float, anchor: str, value: float) -> str:
        return f'<text x="{x}" y="{y}" text-anchor="{anchor}" font-size="12">{value:.3f}</text>'

    text = [
        f'<text x="{(left + width) / 2}" y="{height - 10}" text-anchor="middle">{escape(first)} ({good[one]})</text>',
        f'<text transform="translate(16 {height / 2}) rotate(-90)" text-anchor="middle">'
        f"{escape(second)} ({good[other]})</text>",
        figure(left, height - 30, "middle", low[0]),
        figure(width - 20, height - 30, "middle", high[0]),
        figure(left - 8, height - bottom + 4, "end", low[1]),
        figure(left - 8, 24, "end", high[1]),
    ]
    joined = (
        f'<polyline points="{line}" fill="none" stroke="#0b5394"/>'
        if len(front) > 1 and len(result.objectives) == 2
        else ""
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" font-family="sans-serif" '
        f'font-size="14"><path d="M{left} 20V{height - bottom}H{width - 20}" fill="none" stroke="#444"/>'
        f"{joined}{dots}{''.join(text)}</svg>"
    )


def separating_words(
    one: Layout, other: Layout, pack: LanguagePack, limit: int = 12
) -> list[tuple[str, float]]:
    """The most probable words that are first of their keys on one layout and not on the other, with their probability
    among 1,000 words."""
    here, there = collisions(one, pack).rank, collisions(other, pack).rank
    probability = np.exp(np.asarray(pack.lexicon.log_probs, dtype=np.float64))
    chosen = np.flatnonzero((here == 1) & (there != 1))
    chosen = chosen[np.argsort(-probability[chosen], kind="stable")][:limit]
    words = pack.lexicon.words
    return [(words[i], float(1000 * probability[i])) for i in chosen.tolist()]


def _words(best: list[Layout], pack: LanguagePack) -> list[str]:
    """Of the best against each of the next two: the words that only one of them has in the first place."""
    if len(best) < 2:
        return ["<p>Only one layout was kept.</p>"]
    found = []
    for other in best[1:3]:
        for one, two in ((best[0], other), (other, best[0])):
            words = separating_words(one, two, pack)
            told = ", ".join(f"{escape(w)} ({p:.2f})" for w, p in words) or "none"
            found.append(
                f"<p>First on {escape(one.name)}, not on {escape(two.name)} (times in 1,000 words): {told}.</p>"
            )
    return found


def _sensitivity(result: SearchResult, pack: LanguagePack, limit: int) -> str:
    """Words first of their keys by how many of the most probable words count, and in other texts."""
    keys = result.found.keys[:limit]
    sizes = [1_000, 5_000, 20_000, None]
    columns = []
    for size in sizes:
        spelled = ambiguity_words(pack, result.space.letters, size)
        columns.append(AmbiguityObjective(spelled, "top1").evaluate(result.space, keys))
    heads = ["top1 over the most probable", "1,000", "5,000", "20,000", "all words"]
    rows = [
        [result.name(i), *(f"{100 * column[i]:.2f} %" for column in columns)]
        for i in range(len(keys))
    ]
    for text, found in result.texts.items():
        heads.append(text)
        for row in rows:
            share = found[row[0]]
            row.append("none can be typed" if share is None else f"{100 * share:.2f} %")
    return html_table(heads, rows)


def _race_table(result: SearchResult) -> str:
    told = result.conditions["noise"]
    shown, head = _shown(told["by"])
    rows = [
        [
            r.layout.name,
            shown(r.value),
            f"{r.words:,}",
            "" if r.dropped is None else f"after round {r.dropped}",
        ]
        for r in result.race
    ]
    touches = (
        f"Touches spread by {told['spread_mm']:g} mm around the centres"
        if "spread_mm" in told
        else f"Touches, text and decoder as in {escape(told['plan'])}"
    )
    note = (
        f"<p>{touches}; the layout that is truly best is among "
        f"those still in with probability {1 - told['error']:g} or more.</p>"
    )
    spreads = sorted(result.noise)
    heads = [f"{told['by']} by spread", *(f"{spread:g} mm" for spread in spreads)]
    cells = [
        [r.layout.name, *(shown(result.noise[s][r.layout.name]) for s in spreads)]
        for r in result.race
        if spreads and r.layout.name in result.noise[spreads[0]]
    ]
    return (
        note
        + html_table(["layout", head, "words", "dropped"], rows)
        + (html_table(heads, cells) if cells else "")
        + "".join(_people_table(one) for one in result.people)
    )


def _shown(by: str) -> tuple[Callable[..., str], str]:
    """How estimates of a measure are written, and the head of their column."""
    percent = by.startswith("top")
    return partial(estimate_text, digits=2, percent=percent), by + (" %" if percent else "")


def _people_table(ranking: PeopleRanking) -> str:
    """The first of the race and the base, by people."""
    shown, head = _shown(ranking.by)
    rows = [
        [row.layout, shown(row.values[ranking.by]), shown(row.to_best, sign=True)]
        for row in ranking.rows
    ]
    told = f"{ranking.condition}: {ranking.says}; {ranking.how}; {ranking.words_each} words each"
    heads = ["intervals over people", head, "to the best of the others"]
    return f"<p>{escape(told)}.</p>" + html_table(heads, rows)


def _again(result: SearchResult) -> str:
    """The conditions as lines, and the command."""
    c = result.conditions
    lines = [f"nearkey search PLAN.toml --seed {c.get('seed', 0)}"]
    for name, value in c.items():
        lines.append(
            f"{name}: {', '.join(f'{k} {v}' for k, v in value.items()) if isinstance(value, dict) else value}"
        )
    lines.append(
        f"space: {result.count:,} layouts, rule {result.space.rule}; method {result.method}, "
        f"{result.evaluated:,} evaluations"
    )
    return "\n".join(lines)
