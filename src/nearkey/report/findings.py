"""What a ranking report says in words: how it was made, what it found, and what it does not say."""

from __future__ import annotations

from collections import Counter

from nearkey.decode import LanguagePack
from nearkey.report.plots import MEASURE_NAMES
from nearkey.report.shapes import shape_of
from nearkey.report.words import measure_form, measure_unit, span
from nearkey.simulate import Estimate, RankResult, RankRow

__all__ = ["cautions", "facts", "findings"]


def facts(
    result: RankResult, *, pack: LanguagePack | None, lm_weight: float | None
) -> list[tuple[str, str]]:
    """What was ranked and how: name and value."""
    rows, sample = result.rows, result.sample
    layouts = [result.scored[row.layout].layout for row in rows]
    shapes = Counter(shape_of(layout) for layout in layouts)
    found = [
        (
            "Layouts",
            f"{len(rows)}: " + ", ".join(f"{n} of shape {s}" for s, n in sorted(shapes.items())),
        ),
        ("Baseline", result.baseline or "none"),
        ("Surface", f"{layouts[0].width_mm:g} x {layouts[0].height_mm:g} mm"),
        ("Ranked by", MEASURE_NAMES[result.by]),
        ("Words", f"{len(sample):,} typed on each layout; {sample.source}"),
        (
            "Context",
            "each word decoded after the words before it"
            if sample.states is not None
            else "none: each word decoded by itself",
        ),
        ("Seed", str(result.seed)),
    ]
    if sample.skipped:
        found.append(("Left out", f"{sample.skipped:,} running words the pack's lexicon lacks"))
    lexicon = f"{len(result.word_list):,} words in the lexicon"
    found.append(("Language pack", ", ".join([*_pack_names(pack), lexicon])))
    if lm_weight is not None:
        found.append(("Decoder", f"exact search, language weight {lm_weight:g}"))
    models = Counter(type(result.scored[row.layout].touch).__name__ for row in rows)
    found.append(("Touch model", ", ".join(sorted(models)) + ", one for each layout"))
    way = {
        "next": "a press of next moves one candidate down the list, the space accepts",
        "tap": "a tap on a candidate accepts it",
    }[result.selection.style]
    found.append(
        (
            "Selection",
            f"{way}; {result.selection.listed} candidates are listed, a word beyond them is deleted and spelled "
            "letter by letter",
        )
    )
    stopped = sum(row.stopped_early for row in rows)
    if stopped:
        found.append(
            (
                "Stopped early",
                f"{stopped} layouts judged out of reach of the best before all words were typed",
            )
        )
    return found


def _pack_names(pack: LanguagePack | None) -> list[str]:
    """Name, version and licence, as far as the pack states them."""
    info = getattr(pack, "info", None)
    if info is None:
        return []
    name = " ".join(str(getattr(info, part, "")) for part in ("name", "version")).strip()
    licence = getattr(info, "licence", "")
    return [part for part in (name, licence and f"licence {licence}") if part]


def findings(result: RankResult, again: RankResult | None) -> list[str]:
    """The ranking in a few sentences, no stronger than its intervals."""
    by, first = result.by, result.rows[0]
    name, unit = MEASURE_NAMES[by], measure_unit(by)
    value, change = measure_form(by), measure_form(by, difference=True)
    sign = " %" if by.startswith("top") else ""
    estimate: Estimate = getattr(first, by)
    said = [
        f"{first.layout} came first with {name} {value(estimate.value)}{sign} "
        f"(95 % interval {span(estimate, value)})."
    ]
    if result.baseline is not None and result.baseline != first.layout and first.to_baseline:
        difference = first.to_baseline[by]
        said.append(
            f"Against the baseline {result.baseline} that is {change(difference.value)} {unit} "
            f"({span(difference, change)}, paired): "
            + (
                "more than chance among these words explains, for this one comparison."
                if _apart(difference)
                else "too little to tell the two apart in this run."
            )
        )
        worse = _worse(first, by)
        if worse:
            said.append(f"It does worse than the baseline in {' and '.join(worse)}.")
    elif result.baseline == first.layout and len(result.rows) > 1:
        said.append("It is the baseline: no candidate did better in this run.")
    rivals = [row for row in result.rows[1:] if not _apart(row.to_best[by])]
    if len(result.rows) > 1:
        said.append(
            f"{len(rivals)} of the other {len(result.rows) - 1} layouts cannot be told from it "
            "(the paired 95 % interval of the difference reaches 0)."
        )
    if again is not None and first.layout in again.scored:
        repeat = again.row(first.layout)
        repeated: Estimate = getattr(repeat, by)
        said.append(
            f"Typed again with other words, {first.layout} had {value(repeated.value)}{sign} and took "
            f"place {repeat.place} of {len(again.rows)}; that figure is free of the advantage of having been picked."
        )
    return said


def _worse(row: RankRow, by: str) -> list[str]:
    """Measures, other than the one that ranks, in which a layout is below the baseline beyond doubt."""
    said = []
    for measure in ("top1", "kspc"):
        difference = (row.to_baseline or {}).get(measure)
        if difference is None or measure == by:
            continue
        low = difference.low > 0 if measure == "kspc" else difference.high < 0
        if low:
            change = measure_form(measure, difference=True)
            said.append(
                f"{MEASURE_NAMES[measure]} ({change(difference.value)}"
                f"{' points' if measure != 'kspc' else ''}, {span(difference, change)})"
            )
    return said


def _apart(estimate: Estimate) -> bool:
    return estimate.low > 0 or estimate.high < 0


def cautions(result: RankResult, *, touches: bool) -> list[tuple[str, str]]:
    """What the numbers do not say: a name and a sentence or two each."""
    n = len(result.rows)
    said = []
    if n > 2:
        by_chance = max(round(0.05 * (n - 1)), 1)
        said.append(
            (
                "The best of many.",
                f"With {n} layouts the first owes part of its lead to luck (the winner's curse): expect its "
                "true value to be lower, the more so the closer the rivals. Of "
                f"{n - 1} comparisons at 95 %, about {by_chance} would look different from 0 by chance "
                "alone. Rank the few best again with another seed, or other text, before choosing.",
            )
        )
    said += [
        (
            "Noise that the decoder knows.",
            "Unless the ranking was given another model for the decoder, the simulated touches come from the "
            "very model it assumes. Real touches have heavier tails, drift within a session and differ between "
            "people, so expect lower accuracy; layouts that live on fine distinctions lose most.",
        ),
        (
            "No person typed.",
            "Nobody searched for a letter, learned an arrangement, lifted a hand or looked away. How easily a "
            "layout is learned, comfort and slips of memory are not in these numbers; a study has to find them.",
        ),
        (
            "Predicted speed (*).",
            "The constants of movement, of reading the list and of pressing keys are unverified for such a "
            "surface, and the same for all layouts. Compare layouts by it; do not quote it.",
        ),
        (
            "Intervals.",
            "They cover the luck of words and touches in this simulation. They do not cover the choice of "
            "people, of text, of touch model or of pack.",
        ),
        (
            "Only words of the pack.",
            "Names, numbers and words that the lexicon lacks were not typed, and every letter got exactly one "
            "touch: none left out, doubled or swapped.",
        ),
    ]
    if touches:
        said.append(
            (
                "People.",
                "Touches are records of how persons move. Share pictures and tables of single persons only as far "
                "as their consent goes, and under codes instead of names.",
            )
        )
    return said
