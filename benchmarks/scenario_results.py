"""A benchmark run as sections and pictures of the results page."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from scenarios import LAYOUTS, PAD_MM, SPREADS_MM, TEXTS
from sections import Cell, PagePicture, Section, saved_picture, section, write

from nearkey.report.benchmark_figures import (
    plot_accuracy_by_noise,
    plot_keystrokes_by_keys,
    plot_ranks,
    plot_reliability,
)


def write_sections(
    run: dict[str, Any], timing: dict[str, Any], folder: Path, which: str = "all"
) -> None:
    """The sections of one run, with their pictures; `which`: all, or those of "accuracy" or "speed" alone."""
    told = partial(section, command=f"python benchmarks/run.py {run['set']} --page")
    if which != "accuracy":
        write(folder / "scenarios_speed.json", _speed(timing, told))
    if which == "speed":
        return
    scored = {name: s for name, s in run["scenarios"].items() if "replay" not in s}
    words = {n: s for n, s in scored.items() if not n.endswith(".live")}
    about = _about(run)
    write(folder / "scenarios.json", _scores(words, told, about, _draw(words, folder)))
    write(folder / "scenarios_decoders.json", _decoders(words, told))
    write(folder / "scenarios_calibration.json", _calibration(words, told, folder))
    live = {n: s for n, s in scored.items() if n.endswith(".live")}
    if live:
        write(folder / "scenarios_live.json", _live(live, words, told))
    replays = {n: s["replay"] for n, s in run["scenarios"].items() if "replay" in s}
    if replays:
        write(folder / "scenarios_replay.json", _replay(replays, told))


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
        "e161 alone has a key for space and one for delete: a slip onto either, and a space that is missed, cost it words.",
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


def _value(estimate: dict[str, Any] | None) -> Cell:
    return None if estimate is None else estimate["value"]


def _scores(
    scores: dict[str, dict[str, Any]],
    told: Callable[..., Section],
    notes: list[str],
    pictures: list[PagePicture],
) -> Section:
    read: dict[str, Callable[..., Any]] = {
        "scenario": lambda name, _, __: name,
        "keys": lambda _, score, __: score["keys"],
        "top-1|%": lambda _, __, own: _cell(own["all"]["top1"]),
        "top-3|%": lambda _, __, own: own["all"]["top3"]["value"],
        "top-10|%": lambda _, __, own: own["all"]["top10"]["value"],
        "in lexicon, top-1|%": lambda _, __, own: own["known"]["top1"]["value"],
        "outside lexicon|%": lambda _, __, own: own["unknown"]["words"] / own["all"]["words"],
        "KSPC|3": lambda _, __, own: own["all"]["kspc"]["value"],
        "perfect touches|4": lambda _, score, __: score["static"]["kspc"],
        "CER|%": lambda _, __, own: own["all"]["character_error_rate"]["value"],
        "bits|3": lambda _, __, own: _value(own["known"]["bits_per_character"]),
        "spared|%": lambda _, score, __: _value((score["completion"] or {}).get("spared")),
    }
    items = [(name, score, score["score"]) for name, score in scores.items()]
    return told(
        "Scenarios: our decoder",
        read,
        items,
        notes=notes,
        order=10,
        pictures=pictures,
    )


def _draw(scores: dict[str, dict[str, Any]], folder: Path) -> list[PagePicture]:
    """Pictures of the section: accuracy against noise, ranks, keystrokes against keys."""
    made = []
    if noise := _by_noise(scores):
        caption = (
            "Top-1 accuracy against the spread of touches, for each decoder, on the mail text."
        )
        figure = plot_accuracy_by_noise(noise)
        made.append(saved_picture(figure, "accuracy_by_noise.svg", caption, folder))
    ids = {layout: f"en.{layout}.s10.mail" for layout in LAYOUTS}
    if mail := {layout: scores[name] for layout, name in ids.items() if name in scores}:
        lists = {f"{name}, {s['keys']} keys": s["score"] for name, s in mail.items()}
        caption = "Where the word meant stood, mail text, spread 1.0 mm."
        made.append(saved_picture(plot_ranks(lists), "ranks.svg", caption, folder))
        points = [
            {
                "layout": name,
                "keys": s["keys"],
                "static": s["static"]["kspc"],
                "multi_tap": s["static"]["multi_tap_kspc"],
                "noisy": s["score"]["all"]["kspc"],
            }
            for name, s in mail.items()
        ]
        caption = "Keystrokes per character against keys, mail text, spread 1.0 mm."
        figure = plot_keystrokes_by_keys(points)
        made.append(saved_picture(figure, "kspc_by_keys.svg", caption, folder))
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


def _decoders(scores: dict[str, dict[str, Any]], told: Callable[..., Section]) -> Section:
    read: dict[str, Callable[..., Any]] = {
        "scenario": lambda scenario, *_: scenario,
        "decoder": lambda _, __, name, ___: name,
        "words": lambda *item: item[3]["all"]["words"],
        "top-1|%": lambda *item: _cell(item[3]["all"]["top1"]),
        "top-3|%": lambda *item: item[3]["all"]["top3"]["value"],
        "top-1 to ours|3": lambda _, score, name, other: (
            None if name == score["score"]["decoder"] else _cell(other["top1_to_ours"])
        ),
        "CER|%": lambda *item: item[3]["all"]["character_error_rate"]["value"],
        "KSPC|3": lambda *item: item[3]["all"]["kspc"]["value"],
        "faults": lambda *item: sum(fault["count"] for fault in item[3]["faults"].values()),
    }
    items = [
        (scenario, score, name, other)
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
    return told(
        "Scenarios: decoders beside ours",
        read,
        items,
        notes=notes,
        order=12,
    )


def _calibration(
    scores: dict[str, dict[str, Any]], told: Callable[..., Section], folder: Path
) -> Section:
    read: dict[str, Callable[..., Any]] = {
        "scenario": lambda name, _, __: name,
        "error, all words|4": lambda _, everyone, __: everyone["error"],
        "error, in lexicon|4": lambda _, __, known: known["error"],
        "by chance, mean|4": lambda _, __, known: known["by_chance"]["mean"],
        "by chance, 95 % below|4": lambda _, __, known: known["by_chance"]["high"],
        "mean probability|3": lambda _, __, known: known["confidence"],
        "share right|3": lambda _, __, known: known["accuracy"],
    }
    items = [
        (name, score["score"]["calibration"], score["score"]["calibration_known"])
        for name, score in scores.items()
        if name.split(".")[-1] in ("mail", "drawn")
    ]
    pictures = []
    shown = {
        f"{layout}, {words}": scores[f"en.{layout}.s10.mail"]["score"][field]
        for layout in ("q26", "g2x3")
        for words, field in (("all words", "calibration"), ("in lexicon", "calibration_known"))
        if f"en.{layout}.s10.mail" in scores
    }
    if shown:
        caption = "Reliability of the first candidate's probability, mail text, spread 1.0 mm."
        pictures.append(saved_picture(plot_reliability(shown), "reliability.svg", caption, folder))
    notes = [
        "Expected calibration error over 15 equal bins of the first candidate's probability; by chance: what a "
        "calibrated decoder with these probabilities and as many words would show. Columns after the second: words of "
        "the lexicon.",
        "A word outside the lexicon is never first, so over all words the decoder is overconfident by their share.",
        "Texts left out here are in the run's own file. The probabilities are exact: the sum runs over every word with as many letters as touches.",
    ]
    return told(
        "Scenarios: calibration",
        read,
        items,
        notes=notes,
        order=14,
        pictures=pictures,
    )


def _live(
    live: dict[str, dict[str, Any]], words: dict[str, dict[str, Any]], told: Callable[..., Section]
) -> Section:
    def value(score: dict[str, Any] | None, group: str, measure: str) -> Cell:
        return _value(score["score"][group][measure] if score else None)

    read: dict[str, Callable[..., Any]] = {
        "scenario": lambda name, _, __: name,
        "top-1|%": lambda _, score, __: _cell(score["score"]["all"]["top1"]),
        "top-3|%": lambda _, score, __: value(score, "all", "top3"),
        "in lexicon, top-1|%": lambda _, score, __: value(score, "known", "top1"),
        "outside, top-1|%": lambda _, score, __: value(score, "unknown", "top1"),
        "outside, listed|%": lambda _, score, __: value(score, "unknown", "found"),
        "top-1, words alone|%": lambda _, __, plain: value(plain, "all", "top1"),
        "KSPC|3": lambda _, score, __: value(score, "all", "kspc"),
        "KSPC, words alone|3": lambda _, __, plain: value(plain, "all", "kspc"),
    }
    items = [(name, score, words.get(name.removesuffix(".live"))) for name, score in live.items()]
    notes = ["What a live list shows: words and, in one place, the best spelling that is no word."]
    return told("Scenarios: the live list", read, items, notes=notes, order=16)


def _replay(replays: dict[str, dict[str, Any]], told: Callable[..., Section]) -> Section:
    read: dict[str, Callable[..., Any]] = {
        "scenario": lambda name, _: name,
        "condition": lambda _, row: row["condition"],
        "people": lambda _, row: row["people"],
        "words": lambda _, row: row["words"],
        "top-1|%": lambda _, row: _cell(row["top1"]),
        "top-3|%": lambda _, row: _cell(row["top3"]),
        "top-1 to matched|3": lambda _, row: (
            None if row["condition"] == "matched" else _cell(row["to_matched"])
        ),
    }
    items = [(name, row) for name, replay in replays.items() for row in replay["rows"]]
    notes = [
        "Touches: thumbs on a phone, Larsen, Jacobsen, Boring, Bergström & Pohl, MobileHCI 2019, article 4, "
        "doi:10.1145/3338286.3340115, CC BY 4.0. The layout lies on a strip at the bottom of the screen.",
        "matched: touches drawn from the Gaussian the decoder assumes, fitted on half of a person's touches; replayed: "
        "the other half, as they were; leave-one-person-out: the model was fitted on everyone else. Intervals are over people.",
        "The gap between matched and replayed is what a result with drawn touches leaves out. Targets were random "
        "points, not keys, and order and rhythm are lost; it is no evidence about a pad on a stylus.",
    ]
    return told(
        "Scenarios: matched and replayed",
        read,
        items,
        notes=notes,
        order=18,
    )


def _speed(timing: dict[str, Any], told: Callable[..., Section]) -> Section:
    stages = [speed["stages_s"] for speed in timing["scenarios"].values()]
    decoder = sum(one["decoder"] for one in stages)
    other = (
        sum(timing["shared_stages_s"].values())
        + sum(map(sum, (s.values() for s in stages)))
        - decoder
    )
    read: dict[str, Callable[..., Any]] = {
        "scenario": lambda name, _, __: name,
        "words a second, in one call|0": lambda _, __, own: own["words"] / own["seconds"],
        "one word, median us|0": lambda _, __, own: (own["latency"] or {}).get("median_us"),
        "99 % within, us|0": lambda _, __, own: (own["latency"] or {}).get("p99_us"),
        "outside the decoder|%": lambda _, speed, __: speed["overhead"],
    }
    items = [
        (name, speed, speed["decoders"][0])
        for name, speed in timing["scenarios"].items()
        if ".s10." in name
    ]
    notes = [
        f"The {timing['set']} set took {timing['seconds']:.0f} s, baselines and replays included, and "
        f"{timing['peak_memory_mib']:.0f} MiB at most.",
        f"Our decoder's share of what it took to score it: {decoder:.1f} of {decoder + other:.1f} processor seconds; the harness, "
        f"reading text included, {100 * other / (decoder + other):.0f} %.",
        "Shown with a spread of 1.0 mm alone. In the decoder's time: the list of ten, the exact posterior, completions, single calls, building the decoder.",
    ]
    return told(
        "Scenarios: speed",
        read,
        items,
        notes=notes,
        order=34,
        environment=timing["environment"],
    )
