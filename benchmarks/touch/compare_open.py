"""Touch models on the open phone touches: held-out people, decoding, calibration, adaptation.

NEARKEY_DATA=... python benchmarks/touch/compare_open.py [--keep scores.jsonl]

Writes benchmarks/results/touch_open.json and prints the tables. NEARKEY_DATA names the folder with
touch_accuracy/ (see open_touches.py for the source and licence of the data). `--keep` appends each
score to a file and takes up from it after an interruption. Nothing here is random but the words
that are decoded, whose seed is 0.
"""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from open_touches import ABSENT, data_folder, open_touches, phone_grid, phone_keyboard
from tqdm import tqdm

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from harness import add_kept, kept, options, refused
from sections import Section, save, section

from nearkey.intervals import mean_over_people
from nearkey.language import load_pack
from nearkey.simulate.replay import RecordedWords
from nearkey.touch import (
    AdaptingTouch,
    FingerTouch,
    GaussianTouch,
    MixtureTouch,
    PeopleTouch,
    StudentTouch,
    TouchLog,
    clean,
    default_models,
)
from nearkey.touch.labelling import label
from nearkey.touch.model_comparison import FoldScore, TouchComparison, compare_folds, summarise
from nearkey.touch.touch_models import prequential_log_prob

SOURCE = (
    "Data: Larsen et al., The Influence of Hand Size on Touch Accuracy, MobileHCI 2019, "
    "doi:10.1145/3338286.3340115, CC BY 4.0: 13,500 thumb taps of 27 people at random points of a "
    "phone's screen, a virtual key at each. No evidence about a stylus barrel or a fingertip."
)
COVERAGES = (0.5, 0.8, 0.95, 0.99)
STEPS = (0, 10, 25, 50, 100, 200, 350, 500)
WORDS = 300
OTHER_SETTINGS = ("gaussian-no-background", "gaussian-no-shrinkage", "regression")


def models() -> dict[str, Any]:
    return default_models() | {
        "mixture of 3": MixtureTouch(n_components=3),
        "finger width": FingerTouch(),
        "finger width, power learnt": FingerTouch(exponent="auto"),
        "people, adapting, no doubt": AdaptingTouch(mislabelling=0.0),
        "people, adapting, forgetting": AdaptingTouch(forgetting=0.995),
    }


def models_but(*names: str) -> dict[str, Any]:
    """The default models without these and without other settings of one of them."""
    left_out = {*names, *OTHER_SETTINGS}
    return {name: model for name, model in default_models().items() if name not in left_out}


def compare(
    name: str,
    log: TouchLog,
    keys: Any,
    chosen: dict[str, Any],
    keep: Path | None,
    decode: Any = None,
) -> TouchComparison:
    done = [score for one, score in kept(keep, tuple[str, FoldScore]) if one == name]
    steps = compare_folds(log, keys, chosen, decode=decode, done=done)
    scores = []
    for score in tqdm(steps, desc=name, total=len(chosen) * len(log.participants), file=sys.stderr):
        if score not in done:
            add_kept(keep, (name, score))
        scores.append(score)
    return summarise(scores, scheme=f"Leave one person out, {len(log.participants)} people")


def interval(mean: float, half: float) -> list[float | None]:
    return [float(mean), float(mean - half), float(mean + half)]


def likelihood_section(
    result: TouchComparison, title: str, order: int, notes: list[str]
) -> Section:
    columns = (
        "model; log likelihood a touch, per mm²|3; gain on nearest key|3; key hit|%; "
        "touches in 95 % ellipse|%"
    )
    rows: list[Any] = [
        [
            r.model,
            interval(r.log_likelihood, r.log_likelihood_half),
            interval(r.gain, r.gain_half),
            interval(r.key_hit, r.key_hit_half),
            r.inside_95,
        ]
        for r in result.rows
    ]
    return section(title, columns, rows, notes=[*notes, SOURCE], order=order)


def finger_note(log: TouchLog, grid: Any) -> str:
    """How thumb width and spread go together over people."""
    widths, spreads = [], []
    for _, mine in log.by_participant():
        offsets = label(mine, grid).offsets
        widths.append(float(mine.width_mm[0]) if mine.width_mm is not None else np.nan)
        spreads.append(float(np.sqrt(offsets.var(axis=0).mean())))
    r = np.corrcoef(np.log(widths), np.log(spreads))[0, 1]
    return f"Log thumb width and log spread correlate {r:.2f} over {len(widths)} people."


def decoding_section(folder: Path, keep: Path | None) -> Section:
    keyboard = phone_keyboard()
    log, _ = clean(open_touches(folder, keyboard), keyboard)
    decode = RecordedWords(keyboard, load_pack("en"), words=WORDS, seed=0)
    chosen = models_but("size-scaled")
    result = compare("decoding", log, keyboard, chosen, keep, decode)
    print(result, file=sys.stderr)
    base = [s.decoded / s.words for s in result.folds if s.model == "nearest-key"]
    rows: list[Any] = []
    for r in result.rows:
        mine = [s.decoded / s.words for s in result.folds if s.model == r.model]
        gap = np.array(mine) - base
        rows.append([r.model, interval(r.top1, r.top1_half), mean_over_people(gap)])
    return section(
        "Words of real touches decoded by each touch model, 26 keys of 5.8 mm",
        "model; top-1|%; over nearest key|%",
        rows,
        notes=[
            f"{WORDS} words of the English pack a person, drawn by frequency (seed 0), each letter one of "
            "the held-out person's touches for its key; no context; the touches of a word were not "
            "made in that order. Cleaned touches. The adapting model decodes each half of a "
            "person's touches by what the other half taught.",
            SOURCE,
        ],
        order=72,
    )


def background_section(raw: TouchLog, cleaned: TouchLog, grid: Any, keep: Path | None) -> Section:
    shares = (0.0, 0.001, 0.003, 0.01, 0.03)
    rows: list[Any] = []
    for b in shares:
        row: list[Any] = [b]
        for name, log in (("raw", raw), ("cleaned", cleaned)):
            for kind, model in (
                ("Gaussian", GaussianTouch(background=b)),
                ("t", StudentTouch(background=b)),
            ):
                key = f"background {b} {name} {kind}"
                row.append(compare(key, log, grid, {kind: model}, keep).rows[0].log_likelihood)
        rows.append(row)
    columns = [
        "background",
        *(f"{kind}, {name}|3" for name in ("all touches", "cleaned") for kind in ("Gaussian", "t")),
    ]
    return section(
        "How large a background: held-out log likelihood a touch, per mm²",
        columns,
        rows,
        notes=["Leave one person out, 27 people, mean over people.", SOURCE],
        order=73,
    )


def learning_section(log: TouchLog, grid: Any) -> Section:
    """Gain of the adapting model over its own start, by touches seen, against a personal ceiling."""
    gains: list[list[float]] = []
    ceilings: list[float] = []
    for name in tqdm(log.participants, desc="adaptation", file=sys.stderr):
        people = PeopleTouch().fit(log.without_participant(name), grid)
        person = people.person()
        touches = label(log.of_participant(name), grid)
        rows = np.arange(len(touches.rows))
        start = people.log_prob(touches.points)[rows, touches.key]
        gain = prequential_log_prob(person, touches)[0][rows, touches.key] - start
        gains.append([float(gain[a:b].mean()) for a, b in pairwise(STEPS)])
        half = rows % 2 == 0
        own = log.of_participant(name)
        best = np.empty(len(rows))
        for mine in (half, ~half):
            taught = people.person().partial_fit(own.select(~mine))
            best[mine] = taught.log_prob(touches.points[mine])[
                np.arange(int(mine.sum())), touches.key[mine]
            ]
        ceilings.append(float((best - start).mean()))
    table = np.array(gains)
    columns = {
        f"{a + 1} to {b}": column for (a, b), column in zip(pairwise(STEPS), table.T, strict=True)
    }
    columns["other half of the touches, about 245"] = np.array(ceilings)
    rows_out: list[Any] = [
        [name, mean_over_people(column), float((column > 0).mean())]
        for name, column in columns.items()
    ]
    return section(
        "Learning a person touch by touch: gain in log likelihood over the population model",
        "touches of the person; gain a touch|3; people who gain|%",
        rows_out,
        notes=[
            "Each touch is scored before it is learnt; labels are right. Cleaned touches.",
            SOURCE,
        ],
        order=74,
    )


def calibration_section(log: TouchLog, grid: Any) -> Section:
    chosen = models_but("nearest-key", "person")
    rows: list[Any] = []
    for name, model in tqdm(chosen.items(), desc="calibration", file=sys.stderr):
        found = []
        for person in log.participants:
            fitted = model.fit(log.without_participant(person), grid)
            touches = label(log.of_participant(person), grid)
            found.append([fitted.inside_of(touches, c).mean() for c in COVERAGES])
        rows.append([name, *np.mean(found, axis=0).tolist()])
    return section(
        "Do ellipses hold what they claim: share of held-out touches inside",
        ["model", *(f"{100 * c:g} % ellipse|%" for c in COVERAGES)],
        rows,
        notes=["Leave one person out, mean over people, cleaned touches.", SOURCE],
        order=75,
    )


def main() -> None:
    asked = options(__doc__, keep=(Path, "append scores here and take up from them"))
    folder = data_folder()
    if folder is None:
        refused(ABSENT)
    keep = asked.keep
    grid = phone_grid()
    raw = open_touches(folder, grid)
    cleaned, report = clean(raw, grid)
    every = compare("all touches", raw, grid, models(), keep)
    tidy = compare("cleaned", cleaned, grid, models(), keep)
    drop = f"Cleaning dropped {report.n_dropped} of {report.n_touches} touches beyond 3 SD."
    width = finger_note(cleaned, grid)
    place = "60 keys of 9.7 x 10.4 mm over the whole screen."
    sections = [
        likelihood_section(every, "Touch models on held-out people, all touches", 70, [place]),
        likelihood_section(
            tidy, "Touch models on held-out people, cleaned", 71, [place, drop, width]
        ),
        decoding_section(folder, keep),
        background_section(raw, cleaned, grid, keep),
        learning_section(cleaned, grid),
        calibration_section(cleaned, grid),
    ]
    save("touch_open", *sections)


if __name__ == "__main__":
    main()
