"""The main job from end to end, on a pad on the barrel of a stylus.

Surveyors write notes without taking their eyes off the site. Their pad is 18 x 12 mm: too small to hit
single letters. Which letters should share a key? This script makes invented calibration touches,
cleans them and fits touch models, ranks 50 grids against a 26-key baseline with a simulated typist and
the real decoder; by the eight people behind the touches, too, whom the decoder does not know exactly; types
a sentence on the best, and writes a report.

    python examples/demo.py --out demo-out
"""

from __future__ import annotations

import argparse
import shutil
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from make_calibration import PAD_MM, make_calibration

import nearkey as nk
from nearkey.report import (
    LoggedTouches,
    draw_touches,
    plot_ellipses,
    plot_people,
    rank_report,
    shape_of,
)
from nearkey.simulate import (
    RecordedPeople,
    SimulationProgress,
    TouchesOnLayout,
    noise_curves,
)

HERE = Path(__file__).parent
SEED = 7
SENTENCE = "the fence line is hidden by the hedge along the east side"
LEADERS = 5  # layouts that are typed again
MARKS = {"completion": "\N{HORIZONTAL ELLIPSIS}", "spelled": "?"}


@dataclass(frozen=True)
class Recorded:
    """A log as recorded and cleaned, the layout it was recorded on, and the model fitted to the cleaned one."""

    raw: nk.TouchLog
    log: nk.TouchLog
    layout: nk.Layout
    cleaning: nk.CleaningReport
    model: nk.GaussianTouch


class Narrator:
    """Headings with the time passed, and a progress bar where somebody watches."""

    def __init__(self) -> None:
        self.started = time.perf_counter()
        self.step = 0

    def heading(self, text: str) -> None:
        self.step += 1
        passed = time.perf_counter() - self.started
        print(f"\n{self.step}. {text}  [{passed:.0f} s]\n{'-' * (len(text) + 3)}", flush=True)

    @staticmethod
    def progress(done: SimulationProgress) -> None:
        if sys.stderr.isatty():
            end = "\n" if done.done == done.total else ""
            print(f"\r   {done.done} of {done.total} parts", end=end, file=sys.stderr, flush=True)


def describe_pad(out: Path) -> tuple[nk.Layout, list[nk.Layout]]:
    """The baseline and the candidates, all on the one pad."""
    qwerty = nk.Layout.named("qwerty")
    width, height = PAD_MM
    baseline = qwerty.fitted(width, height)
    (out / "pad.svg").write_text(baseline.to_svg(), encoding="utf-8")
    key = baseline.keys[0]
    print(f"The pad is {width:g} x {height:g} mm. With 26 letters on it, a key is")
    print(f"{key.w:.1f} x {key.h:.1f} mm; a finger that is not watched misses by about 2 mm.")
    candidates: list[nk.Layout] = []
    for rows, columns in ((1, 5), (2, 3), (3, 2)):
        grids = list(
            nk.grid_layouts(qwerty, rows=rows, columns=columns, width_mm=width, height_mm=height)
        )
        print(f"  {rows} x {columns}: {len(grids):2d} grids, such as", end=" ")
        print(" | ".join(key.label for key in grids[0].keys))
        candidates += grids
    print(f"Drawn: {out / 'pad.svg'}")
    return baseline, candidates


def calibrate(out: Path) -> list[Recorded]:
    """Touches made, read, cleaned and fitted."""
    recorded = []
    for path, layout in make_calibration(out / "stylus-pad" / "calibration").values():
        raw = nk.TouchLog.read(path)
        log, cleaning = nk.clean(raw, layout)
        model = nk.GaussianTouch().fit(log, layout)
        recorded.append(Recorded(raw, log, layout, cleaning, model))
        if len(recorded) == 1:
            print(f"{path.name}: {cleaning}\n")
        else:
            print(f"{path.name}: dropped {cleaning.n_dropped} of {cleaning.n_touches} touches")
    print("\nEllipses that hold 95 % of the touches meant for a key:")
    for one in recorded:
        shapes = nk.ellipses(one.model, coverage=0.95)
        area = float(np.mean([np.pi * s.semi_major * s.semi_minor for s in shapes]))
        key = float(np.mean([k.w * k.h for k in one.layout.letter_keys]))
        dx, dy = one.model.pooled_offset_
        name = shape_of(one.layout)
        print(
            f"  {name:7s}  {area:5.1f} mm2 on a key of {key:4.1f} mm2;"
            f"  touches land {dx:.1f} mm right of and {dy:.1f} mm below the centre"
        )
        stem = f"touches-{name.replace(' ', '')}"
        draw_touches(one.log, one.layout, one.model, title=f"Invented touches, {name}").savefig(
            out / f"{stem}.png", dpi=150
        )
    grid = recorded[1]
    plot_ellipses(grid.layout, grid.model).savefig(out / "ellipses.png", dpi=150)
    plot_people(grid.log, grid.layout).savefig(out / "people.png", dpi=150)
    print(f"Pictures: {out}/touches-*.png, ellipses.png, people.png")
    return recorded


def touch_for(recorded: list[Recorded], layout: nk.Layout) -> nk.GaussianTouch:
    """The model recorded on the layout's keys: grids of a shape differ only in letters."""
    fitting = next(r for r in recorded if shape_of(r.layout) == shape_of(layout))
    return fitting.model.for_layout(layout)


def type_sentence(decoder: nk.Decoder, model: nk.GaussianTouch, sentence: str) -> str:
    """Type through the decoder touch by touch; returns what was written."""
    layout, rng = decoder.layout, np.random.default_rng(SEED)
    written = ""
    for word in sentence.split():
        keys = [layout.key_ids[layout.key_of_letter[letter]] for letter in word]
        points = model.sample(keys, rng)
        print(f'  after "{written}" comes {word!r}')
        for n in range(1, len(points) + 1):
            offered = decoder.candidates(points[:n], context=written, k=4)
            x, y = points[n - 1]
            hit = layout.keys[int(layout.nearest_key(points[n - 1 : n])[0])].label
            aim = layout.keys[layout.key_index(keys[n - 1])].label
            landed = "hit" if hit == aim else f"landed on {hit}"
            print(
                f"    {n}  aimed at {aim:8s} ({x:5.1f}, {y:5.1f}) mm  {landed:20s}"
                f" {'  '.join(c.text + MARKS.get(c.kind, '') for c in offered)}"
            )
        final = [c.word for c in decoder.candidates(points, context=written, k=5)]
        if word in final:
            print(f"    -> place {final.index(word) + 1} of the list")
        else:
            print("    -> not on the list: deleted and spelled letter by letter")
        written = f"{written} {word}".strip()
    return written


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", default="demo-out", help="folder for everything made")
    parser.add_argument("--words", type=int, default=20_000, help="words typed on each layout")
    parser.add_argument("--workers", type=int, default=2, help="threads; no result depends on them")
    options = parser.parse_args()
    out = Path(options.out)
    out.mkdir(parents=True, exist_ok=True)
    say = Narrator()

    say.heading("The pad, and the layouts that could be printed on it")
    baseline, candidates = describe_pad(out)

    say.heading("Calibration touches (invented) of eight people: read, cleaned, fitted")
    recorded = calibrate(out)

    say.heading(f"{len(candidates)} grids and the 26-key baseline, ranked")
    pack = nk.load_pack("en")
    print(f"English pack: {len(pack.lexicon):,} words. A simulated typist types {options.words:,}")
    print("words on each layout, with common random numbers; the real decoder reads the touches.")
    people = RecordedPeople([TouchesOnLayout(r.raw, r.layout) for r in recorded])
    print(
        "Then the eight people type, with their own touches: read by a decoder that knows only the"
    )
    print("others, and by one calibrated on 60 touches of the person.\n")
    result = nk.rank_layouts(
        candidates,
        touch=lambda layout: touch_for(recorded, layout),
        pack=pack,
        words=options.words,
        seed=SEED,
        baseline=baseline,
        by="top3",
        people=people,
        workers=options.workers,
        progress=say.progress,
    )
    result.save(out / "ranking.json")
    print(result.table(10))
    best = result.best
    print(f"\nThe words that {best.name} confuses most:")
    for c in result.confusions(best.name, 5):
        print(f"  {c.word} was read as {c.shown or 'nothing'} {c.count} of {c.typed} times")

    say.heading("What the lead owes to noise")
    leader = next(name for name in result.scored if name != baseline.name)
    curves = noise_curves(
        result.scored[leader].layout,
        baseline,
        touch={name: result.scored[name].touch for name in (leader, baseline.name)},
        pack=pack,
        words=min(options.words, 4_000),
        seed=SEED + 2,
        workers=options.workers,
        progress=say.progress,
    )
    print(curves)

    say.heading("The leaders again: field notes (invented), each word read in its context")
    leaders = [layout for layout in result.layouts if layout.name != baseline.name][:LEADERS]
    again = nk.rank_layouts(
        leaders,
        touch=lambda layout: touch_for(recorded, layout),
        pack=pack,
        corpus=HERE / "stylus-pad" / "field_notes.txt",
        in_context=True,
        words=min(options.words, 1_400),
        seed=SEED + 1,
        baseline=baseline,
        by="top3",
        workers=options.workers,
        progress=say.progress,
    )
    print("The first of fifty was also lucky; these figures are free of that.\n")
    print(again)

    say.heading(f"A sentence on {best.name}, touch by touch")
    print(" | ".join(key.label for key in best.keys))
    model = touch_for(recorded, best)
    print(
        f"{MARKS['completion']} a word that goes on    {MARKS['spelled']} letters that make no known word\n"
    )
    decoder = nk.Decoder(best, model, pack, edits=nk.EditCosts(completion=-2.0))
    written = type_sentence(decoder, model, SENTENCE)
    print(f"\n  written: {written}")

    say.heading("The report")
    made = rank_report(
        result,
        out / "report",
        touches=[LoggedTouches(r.log, r.layout, r.cleaning) for r in recorded],
        again=again,
        pack=pack,
        lm_weight=1.0,
        curves=curves,
        title="Letters on a stylus barrel",
        note="All touches are invented: this shows the method, not a finding.",
    )
    for name in ("plan.toml", "field-notes.toml", "field_notes.txt"):
        shutil.copy(HERE / "stylus-pad" / name, out / "stylus-pad" / name)
    print("The same ranking from a plan file:")
    print(f"  nearkey rank {out / 'stylus-pad' / 'plan.toml'}")
    best.save(out / "best.toml")
    model.save(out / "touch.json")
    print(
        f"\nThe report lies at {made.page.resolve()}; the spec of every layout beside it, in layouts/"
    )
    print(f"Under a finger: nearkey lab --layout {out / 'best.toml'} --touch {out / 'touch.json'}")


if __name__ == "__main__":
    main()
