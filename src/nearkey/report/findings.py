"""What a ranking report says in words: how it was made, what it found, and what it does not say."""

from __future__ import annotations

from collections import Counter

from nearkey.decode import LanguagePack
from nearkey.report.wording import MEASURES, shape_of, span
from nearkey.simulate import Estimate, RankResult, RankRow


def facts(
    result: RankResult, *, pack: LanguagePack | None, lm_weight: float | None
) -> dict[str, str]:
    """What was ranked and how, by name: of a `result`, its `pack` and the decoder's `lm_weight`."""
    rows, workload, selection = result.rows, result.workload, result.options.selection
    layouts = [result.scored[row.layout].layout for row in rows]
    shapes = Counter(shape_of(layout) for layout in layouts)
    parted = ", ".join(f"{n} of shape {s}" for s, n in sorted(shapes.items()))
    models = {type(result.scored[row.layout].touch).__name__ for row in rows}
    way = {
        "next": "a press of next moves one candidate down the list, the space accepts",
        "tap": "a tap on a candidate accepts it",
    }[selection.style]
    stopped = sum(row.stopped_early for row in rows)
    found = {
        "Layouts": f"{len(rows)}: {parted}",
        "Baseline": result.baseline or "none",
        "Surface": f"{layouts[0].width_mm:g} x {layouts[0].height_mm:g} mm",
        "Ranked by": MEASURES[result.by].name,
        "Words": f"{len(workload):,} typed on each layout; {workload.source}",
        "Context": "none: each word decoded by itself"
        if workload.states is None
        else "each word decoded after the words before it",
        "Seed": str(result.options.seed),
        "Left out": f"{workload.skipped:,} running words that a layout's letters cannot spell"
        if workload.skipped
        else "",
        "Language pack": ", ".join(
            [*_pack_names(pack), f"{len(result.word_list):,} words in the lexicon"]
        ),
        "Decoder": "" if lm_weight is None else f"exact search, language weight {lm_weight:g}",
        "Touch model": ", ".join(sorted(models)) + ", one for each layout",
        "Selection": f"{way}; {selection.k} candidates are listed, a word beyond them is deleted and spelled "
        "letter by letter",
        "Stopped early": f"{stopped} layouts judged out of reach of the best before all words were typed"
        if stopped
        else "",
    }
    return {name: told for name, told in found.items() if told}


def _pack_names(pack: LanguagePack | None) -> list[str]:
    """Name, version and licence, as far as the pack states them."""
    info = getattr(pack, "info", None)
    if info is None:
        return []
    name = " ".join(str(getattr(info, part, "")) for part in ("name", "version")).strip()
    licence = getattr(info, "licence", "")
    return [part for part in (name, licence and f"licence {licence}") if part]


def findings(result: RankResult, again: RankResult | None) -> list[str]:
    """The ranking of a `result` in a few sentences, no stronger than its intervals; and what it was `again`."""
    by, first = result.by, result.rows[0]
    measure = MEASURES[by]
    sign = " %" if measure.share else ""
    estimate: Estimate = getattr(first, by)
    said = [
        f"{first.layout} came first with {measure.name} "
        f"{measure.value(estimate.value)}{sign} (95 % interval {span(estimate, measure.value)})."
    ]
    if result.baseline is not None and result.baseline != first.layout and first.to_baseline:
        difference = first.over_baseline or first.to_baseline[by]
        said.append(
            f"Against the baseline {result.baseline} that is "
            f"{measure.change(difference.value)} {measure.unit} "
            f"({span(difference, measure.change)}, paired, for all layouts together): "
            + (
                "more than chance among these words explains."
                if difference.low > 0 or difference.high < 0
                else "too little to distinguish the two in this run."
            )
        )
        worse = _worse(first, by)
        if worse:
            said.append(f"It does worse than the baseline in {' and '.join(worse)}.")
    elif result.baseline == first.layout and len(result.rows) > 1:
        said.append("It is the baseline: no candidate did better in this run.")
    rivals = [row for row in result.rows[1:] if row.may_be_best]
    if len(result.rows) > 1:
        said.append(
            f"{len(rivals)} of the other {len(result.rows) - 1} layouts may be the best as well "
            "(multiple comparisons with the best, 95 % for all layouts together)."
        )
    if again is not None and first.layout in again.scored:
        repeat = again.row(first.layout)
        repeated: Estimate = getattr(repeat, by)
        said.append(
            f"Typed again with other words, {first.layout} had "
            f"{measure.value(repeated.value)}{sign} and took "
            f"place {repeat.place} of {len(again.rows)}; that figure is free of the advantage of having been picked."
        )
    return said


def _worse(row: RankRow, by: str) -> list[str]:
    """Measures, other than the one that ranks, in which a layout is below the baseline beyond doubt."""
    said = []
    for field in ("top1", "kspc"):
        difference = (row.to_baseline or {}).get(field)
        if difference is None or field == by:
            continue
        measure = MEASURES[field]
        if difference.low > 0 if measure.fewer_is_better else difference.high < 0:
            said.append(
                f"{measure.name} ({measure.change(difference.value)}"
                f"{' points' if measure.share else ''}, {span(difference, measure.change)})"
            )
    return said


def cautions(result: RankResult, *, touches: bool) -> dict[str, str]:
    """What the numbers of a `result` do not say, by name; `touches`: whether people's touches are shown."""
    n = len(result.rows)
    said = {
        "The best of many.": f"With {n} layouts the first owes part of its lead to luck (the winner's curse): expect "
        "its true value to be lower, the more so the closer the rivals. The differences hold for all layouts together, "
        "so none looks better than another by the number of comparisons alone. Rank the few best again with another "
        "seed, or other text, before choosing."
        if n > 2
        else "",
        "Noise that the decoder knows.": "Under the matched condition the decoder knows the hand: simulated touches "
        "come from the very model it assumes. Real touches have heavier tails, drift within a session and differ "
        "between people, so expect lower accuracy; layouts that live on fine distinctions lose most. The other "
        "conditions, where there are people, show how much.",
        "No person typed.": "Nobody searched for a letter, learned an arrangement, lifted a hand or looked away. How "
        "easily a layout is learned, comfort and slips of memory are not in these numbers; a study has to find them.",
        "Predicted speed (*).": "The constants of movement, of reading the list and of pressing keys are unverified "
        "for such a surface, and the same for all layouts. Compare layouts by it; do not quote it.",
        "Intervals.": "They cover the luck of words and touches in this simulation. They do not cover the choice of "
        "people, of text, of touch model or of pack.",
        "A touch for every letter.": "But from invented people, who miss and double some, every letter got exactly one "
        "touch: none left out, doubled or swapped. "
        "Numbers were not typed; a word that the lexicon lacks counts as missed, deleted and spelled letter by letter.",
        "People.": "Touches are records of how persons move. Share pictures and tables of single persons only as far "
        "as their consent goes, and under codes instead of names."
        if touches
        else "",
    }
    return {name: told for name, told in said.items() if told}
