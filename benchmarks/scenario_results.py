"""A benchmark run as sections and pictures of the results page."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from scenarios import LAYOUTS, PAD_MM, SPREADS_MM, TEXTS
from sections import FORMAT, Cell, Column, Picture, Section, write

from nearkey.report.benchmark_figures import (
    plot_accuracy_by_noise,
    plot_keystrokes_by_keys,
    plot_ranks,
    plot_reliability,
    save_figure,
)

PICTURES = "pictures"


def write_sections(run: dict[str, Any], timing: dict[str, Any], folder: Path) -> None:
    """The sections of one run, with their pictures."""
    command = f"python benchmarks/run.py {run['set']} --page"
    scored = {name: s for name, s in run["scenarios"].items() if "replay" not in s}
    words = {n: s for n, s in scored.items() if not n.endswith(".live")}
    about = _about(run)
    write(folder / "scenarios.json", _scores(words, command, about, _draw(words, folder)))
    write(folder / "scenarios_decoders.json", _decoders(words, command, folder))
    write(folder / "scenarios_calibration.json", _calibration(words, command, folder))
    live = {n: s for n, s in scored.items() if n.endswith(".live")}
    if live:
        write(folder / "scenarios_live.json", _live(live, words, command))
    replays = {n: s["replay"] for n, s in run["scenarios"].items() if "replay" in s}
    if replays:
        write(folder / "scenarios_replay.json", _replay(replays, command))
    write(folder / "scenarios_speed.json", _speed(timing, command))


def _about(run: dict[str, Any]) -> list[str]:
    packs = "; ".join(
        f"{name} {pack['version']} ({pack['checksum']})" for name, pack in run["packs"].items()
    )
    texts = {
        text: spec
        for language in {n.split(".")[0] for n in run["scenarios"]}
        for text, spec in TEXTS[language].items()
        if spec.file
    }
    skipped: dict[str, list[str]] = {}
    for name, why in run["skipped"].items():
        skipped.setdefault(why, []).append(name)
    return [
        f"nearkey {run['nearkey']}; packs {packs}; seed {run['seed']}. Ids: language.layout.touches.text.",
        f"Surface: an invented pad of {PAD_MM[0]:g} x {PAD_MM[1]:g} mm; touches are drawn around key centres, "
        + ", ".join(f"{k} with {v:g} mm" for k, v in SPREADS_MM.items())
        + " standard deviation; the decoder knows the spread. No person typed any of this.",
        "Layouts: " + "; ".join(f"{k}, {v}" for k, v in LAYOUTS.items()) + ".",
        "Texts the pack was not trained on: "
        + "; ".join(
            f"{k}, {spec.register} ({spec.attribution}"
            + (
                "; the part held out of the pack, which weighed its sources"
                if spec.held_out
                else ""
            )
            + ")"
            for k, spec in texts.items()
        )
        + ". drawn: words from the pack itself, all in its lexicon.",
        "KSPC: keystrokes per character, spaces and corrections included; next presses move down a list of "
        "five, a word not in it is deleted and spelled letter by letter. CER: edits the first candidate needs, per "
        "character. Bits: -log2 probability of the word meant per character. Spared: keystrokes that completions in the "
        "live list spare whoever takes each word where that is shortest, against the same list without them.",
        *(
            f"Skipped, {len(names)} scenarios ({names[0]}{' …' if len(names) > 1 else ''}): {why}"
            for why, names in skipped.items()
        ),
    ]


def _cell(estimate: dict[str, float | None] | None) -> Cell:
    return None if estimate is None else [estimate["value"], estimate["low"], estimate["high"]]


def _scores(
    scores: dict[str, dict[str, Any]], command: str, notes: list[str], pictures: list[Picture]
) -> Section:
    columns: list[str | Column] = [
        "scenario",
        "keys",
        Column("top-1", percent=True),
        Column("top-3", percent=True),
        Column("top-10", percent=True),
        Column("in lexicon, top-1", percent=True),
        Column("outside lexicon", percent=True),
        Column("KSPC", digits=3),
        Column("perfect touches", digits=4),
        Column("CER", percent=True),
        Column("bits", digits=3),
        Column("spared", percent=True),
    ]
    rows: list[list[Cell]] = []
    for name, score in scores.items():
        own = score["score"]
        group = own["all"]
        done = score["completion"]
        bits = own["known"]["bits_per_character"]
        rows.append(
            [
                name,
                score["keys"],
                _cell(group["top1"]),
                group["top3"]["value"],
                group["top10"]["value"],
                own["known"]["top1"]["value"],
                own["unknown"]["words"] / group["words"],
                group["kspc"]["value"],
                score["static"]["kspc"],
                group["character_error_rate"]["value"],
                None if bits is None else bits["value"],
                None if done is None else done["spared"]["value"],
            ]
        )
    return Section(
        FORMAT,
        "Scenarios: our decoder",
        command,
        columns,
        rows,
        notes=notes,
        order=10,
        pictures=pictures,
    )


def _draw(scores: dict[str, dict[str, Any]], folder: Path) -> list[Picture]:
    """Pictures of the section: accuracy against noise, ranks, keystrokes against keys."""
    made = []
    noise = _by_noise(scores)
    if noise:
        save_figure(plot_accuracy_by_noise(noise), folder / PICTURES / "accuracy_by_noise.svg")
        made.append(
            Picture(
                f"{PICTURES}/accuracy_by_noise.svg",
                "Top-1 accuracy against the spread of touches, for each decoder, on the mail text.",
            )
        )
    mail = {layout: scores.get(f"en.{layout}.s10.mail") for layout in LAYOUTS}
    mail = {name: score for name, score in mail.items() if score is not None}
    if mail:
        lists = {f"{name}, {s['keys']} keys": s["score"] for name, s in mail.items() if s}
        save_figure(plot_ranks(lists), folder / PICTURES / "ranks.svg")
        points = [
            {
                "layout": name,
                "keys": s["keys"],
                "static": s["static"]["kspc"],
                "multi_tap": s["static"]["multi_tap_kspc"],
                "noisy": s["score"]["all"]["kspc"],
            }
            for name, s in mail.items()
            if s
        ]
        save_figure(plot_keystrokes_by_keys(points), folder / PICTURES / "kspc_by_keys.svg")
        made += [
            Picture(
                f"{PICTURES}/ranks.svg", "Where the word meant stood, mail text, spread 1.0 mm."
            ),
            Picture(
                f"{PICTURES}/kspc_by_keys.svg",
                "Keystrokes per character against keys, mail text, spread 1.0 mm.",
            ),
        ]
    return made


def _by_noise(
    scores: dict[str, dict[str, Any]],
) -> dict[str, dict[str, list[tuple[float, dict[str, float]]]]]:
    panels: dict[str, dict[str, list[tuple[float, dict[str, float]]]]] = {}
    for layout, title in (("q26", "26 keys"), ("g2x3", "grid of 2 x 3")):
        for touches, spread in SPREADS_MM.items():
            score = scores.get(f"en.{layout}.{touches}.mail")
            if score is None:
                continue
            panel = panels.setdefault(title, {})
            for name, other in score["compared"].items():
                panel.setdefault(name, []).append((spread, other["all"]["top1"]))
    return panels


def _decoders(scores: dict[str, dict[str, Any]], command: str, folder: Path) -> Section:
    columns: list[str | Column] = [
        "scenario",
        "decoder",
        "words",
        Column("top-1", percent=True),
        Column("top-3", percent=True),
        Column("top-1 to ours", digits=3),
        Column("CER", percent=True),
        Column("KSPC", digits=3),
        "faults",
    ]
    rows: list[list[Cell]] = [
        [
            scenario,
            name,
            other["all"]["words"],
            _cell(other["all"]["top1"]),
            other["all"]["top3"]["value"],
            None if name == score["score"]["decoder"] else _cell(other["top1_to_ours"]),
            other["all"]["character_error_rate"]["value"],
            other["all"]["kspc"]["value"],
            sum(fault["count"] for fault in other["faults"].values()),
        ]
        for scenario, score in scores.items()
        if scenario.startswith("en.") and scenario.endswith(".s10.mail")
        for name, other in score["compared"].items()
    ]
    notes = [
        "All decoders answer the same words and touches. `exhaustive` scores the whole lexicon in numpy: where its "
        "difference to ours is 0, our search lost nothing.",
        "`frequency only` looks at the number of touches alone; `no touch model` knows which key was hit, not where.",
        "`nearest key` reads the first letter of a key, so it cannot serve grouped keys.",
    ]
    return Section(
        FORMAT, "Scenarios: decoders beside ours", command, columns, rows, notes=notes, order=12
    )


def _calibration(scores: dict[str, dict[str, Any]], command: str, folder: Path) -> Section:
    columns: list[str | Column] = [
        "scenario",
        Column("error, all words", digits=4),
        Column("error, in lexicon", digits=4),
        Column("by chance, mean", digits=4),
        Column("by chance, 95 % below", digits=4),
        Column("mean probability", digits=3),
        Column("share right", digits=3),
    ]
    rows: list[list[Cell]] = []
    for name, score in scores.items():
        if name.split(".")[-1] not in ("mail", "drawn"):
            continue
        everyone, known = score["score"]["calibration"], score["score"]["calibration_known"]
        rows.append(
            [
                name,
                everyone["error"],
                known["error"],
                known["by_chance"]["mean"],
                known["by_chance"]["high"],
                known["confidence"],
                known["accuracy"],
            ]
        )
    pictures = []
    shown = {
        f"{layout}, {words}": scores[f"en.{layout}.s10.mail"]["score"][field]
        for layout in ("q26", "g2x3")
        for words, field in (("all words", "calibration"), ("in lexicon", "calibration_known"))
        if f"en.{layout}.s10.mail" in scores
    }
    if shown:
        save_figure(plot_reliability(shown), folder / PICTURES / "reliability.svg")
        pictures.append(
            Picture(
                f"{PICTURES}/reliability.svg",
                "Reliability of the first candidate's probability, mail text, spread 1.0 mm.",
            )
        )
    notes = [
        "Expected calibration error over 15 equal bins of the first candidate's probability; by chance: what a "
        "calibrated decoder with these probabilities and as many words would show. Columns after the second: words of "
        "the lexicon.",
        "A word outside the lexicon is never first, so over all words the decoder is overconfident by their share.",
        "Texts left out here are in the run's own file. The probabilities are exact: the sum runs over every word with as many letters as touches.",
    ]
    return Section(
        FORMAT,
        "Scenarios: calibration",
        command,
        columns,
        rows,
        notes=notes,
        order=14,
        pictures=pictures,
    )


def _live(
    live: dict[str, dict[str, Any]], words: dict[str, dict[str, Any]], command: str
) -> Section:
    columns: list[str | Column] = [
        "scenario",
        Column("top-1", percent=True),
        Column("top-3", percent=True),
        Column("in lexicon, top-1", percent=True),
        Column("outside, top-1", percent=True),
        Column("outside, listed", percent=True),
        Column("top-1, words alone", percent=True),
        Column("KSPC", digits=3),
        Column("KSPC, words alone", digits=3),
    ]
    rows: list[list[Cell]] = []
    for name, score in live.items():
        own = score["score"]
        plain = words.get(name.removesuffix(".live"))
        rows.append(
            [
                name,
                _cell(own["all"]["top1"]),
                own["all"]["top3"]["value"],
                own["known"]["top1"]["value"],
                own["unknown"]["top1"]["value"] if own["unknown"]["top1"] else None,
                own["unknown"]["found"]["value"] if own["unknown"]["found"] else None,
                plain["score"]["all"]["top1"]["value"] if plain else None,
                own["all"]["kspc"]["value"],
                plain["score"]["all"]["kspc"]["value"] if plain else None,
            ]
        )
    notes = ["What a live list shows: words and, in one place, the best spelling that is no word."]
    return Section(
        FORMAT, "Scenarios: the live list", command, columns, rows, notes=notes, order=16
    )


def _replay(replays: dict[str, dict[str, Any]], command: str) -> Section:
    columns: list[str | Column] = [
        "scenario",
        "condition",
        "people",
        "words",
        Column("top-1", percent=True),
        Column("top-3", percent=True),
        Column("top-1 to matched", digits=3),
    ]
    rows: list[list[Cell]] = [
        [
            name,
            row["condition"],
            row["people"],
            row["words"],
            _cell(row["top1"]),
            _cell(row["top3"]),
            None if row["condition"] == "matched" else _cell(row["to_matched"]),
        ]
        for name, replay in replays.items()
        for row in replay["rows"]
    ]
    notes = [
        "Touches: thumbs on a phone, Larsen, Jacobsen, Boring, Bergström & Pohl, MobileHCI 2019, article 4, "
        "doi:10.1145/3338286.3340115, CC BY 4.0. The layout lies on a strip at the bottom of the screen.",
        "matched: touches drawn from the Gaussian the decoder assumes, fitted on half of a person's touches; replayed: "
        "the other half, as they were; stranger's model: fitted on everyone else. Intervals are over people.",
        "The gap between matched and replayed is what a result with drawn touches leaves out. Targets were random "
        "points, not keys, and order and rhythm are lost; it is no evidence about a pad on a stylus.",
    ]
    return Section(
        FORMAT, "Scenarios: matched and replayed", command, columns, rows, notes=notes, order=18
    )


def _speed(timing: dict[str, Any], command: str) -> Section:
    columns: list[str | Column] = [
        "scenario",
        Column("words a second, in one call", digits=0),
        Column("one word, median us", digits=0),
        Column("99 % within, us", digits=0),
        Column("outside the decoder", percent=True),
    ]
    rows: list[list[Cell]] = []
    decoder, other = 0.0, sum(timing["shared_stages_s"].values())
    for name, speed in timing["scenarios"].items():
        own = speed["decoders"][0]
        late = own["latency"]
        decoder += speed["stages_s"]["decoder"]
        other += sum(s for stage, s in speed["stages_s"].items() if stage != "decoder")
        if ".s10." not in name:
            continue
        rows.append(
            [
                name,
                own["words"] / own["seconds"],
                late["median_us"] if late else None,
                late["p99_us"] if late else None,
                speed["overhead"],
            ]
        )
    notes = [
        f"The {timing['set']} set took {timing['seconds']:.0f} s, baselines and replays included, and "
        f"{timing['peak_memory_mib']:.0f} MiB at most.",
        f"Our decoder's share of what it took to score it: {decoder:.1f} of {decoder + other:.1f} processor seconds; the harness, "
        f"reading text included, {100 * other / (decoder + other):.0f} %.",
        "Shown with a spread of 1.0 mm alone. In the decoder's time: the list of ten, the exact posterior, completions, single calls, building the decoder.",
    ]
    return Section(
        FORMAT,
        "Scenarios: speed",
        command,
        columns,
        rows,
        notes=notes,
        order=34,
        environment=timing["environment"],
    )
