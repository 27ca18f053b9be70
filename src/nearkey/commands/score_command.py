"""`nearkey score` and `nearkey compare`."""

from __future__ import annotations

import json
import shlex
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from nearkey.commands.shared import (
    FILE,
    FOLDER,
    fit_option,
    force_option,
    json_option,
    named_or_file,
    pack_option,
    progress_bar,
    refuse_to_overwrite,
    show,
    stream_path,
    touch_on,
)
from nearkey.errors import NearkeyError
from nearkey.files import atomic_write
from nearkey.plugins import DECODERS, load_plugin, plugin_names

if TYPE_CHECKING:
    from nearkey.layout import Layout
    from nearkey.simulate.layout_score import DecoderScore


@click.command("score", short_help="Score layouts, and decoders on them.")
@click.argument("layouts", nargs=-1, required=True, metavar="LAYOUT...")
@click.option("--spread-mm", type=float, help="Touches around key centres with this SD in mm.")
@click.option(
    "--touch", "touch_file", type=FILE, help="A saved touch model, or an installed one by name."
)
@fit_option
@pack_option
@click.option(
    "--corpus",
    help="Text to type: a file, a folder, -, nltk:NAME or hub:NAME@SPLIT. Without it, words are drawn from the pack.",
)
@click.option("--column", default="text", help="The corpus's text column.")
@click.option("--encoding", default="utf-8", help="The corpus's encoding.")
@click.option(
    "--seen/--unseen",
    "trained",
    default=None,
    help="Whether the pack was trained on this text; results repeat it.",
)
@click.option(
    "--held-out",
    type=click.IntRange(1, 999),
    metavar="PERMILLE",
    help="Only the sentences that were not counted for the pack, by the `held_out_permille` of its recipe.",
)
@click.option("--words", type=int, default=5000, help="Words typed.")
@click.option("--seed", type=int, default=0, help="Of words and touches.")
@click.option(
    "--in-context/--no-context", default=None, help="Use the words before (with a corpus)."
)
@click.option("--live", is_flag=True, help="Score what a live list shows, spelled words included.")
@click.option("--baselines", is_flag=True, help="Also the baselines, on the same touches.")
@click.option(
    "--decoder",
    "decoders",
    multiple=True,
    metavar="NAME[=COMMAND]",
    help="Also this command, over the line protocol, or an installed decoder by name; it runs with your rights.",
)
@click.option(
    "--compare-words", type=int, default=500, help="Words for baselines and other decoders."
)
@click.option(
    "--style",
    type=click.Choice(["next", "tap"]),
    default="next",
    help="Choosing a candidate: presses of next and a space, or one tap on it.",
)
@click.option("-k", type=int, default=5, help="Candidates shown.")
@click.option("--threads", type=int, default=1, help="No figure depends on them.")
@json_option("the results")
@click.option("-o", "--output", "folder", type=FOLDER, help="Write JSON here.")
@click.option("--figures", is_flag=True, help="With -o: pictures, too.")
@force_option
def score_command(
    layouts: tuple[str, ...],
    spread_mm: float | None,
    touch_file: str | None,
    fit_mm: tuple[float, float] | None,
    pack: str,
    corpus: str | None,
    column: str,
    encoding: str,
    trained: bool | None,
    held_out: int | None,
    live: bool,
    baselines: bool,
    decoders: tuple[str, ...],
    style: str,
    k: int,
    as_json: bool,
    folder: str | None,
    figures: bool,
    force: bool,
    **options: Any,
) -> None:
    """Score each LAYOUT (a spec file, or a name of the catalogue): accuracy, keystrokes, calibration.

    A simulated typist types words on it, and the decoder's answers are judged. With -o, what is the same on
    every machine goes to NAME.json, times go to NAME.speed.json.
    """
    from nearkey.language import load_pack
    from nearkey.simulate.decoders import OutsideDecoder
    from nearkey.simulate.keystrokes import Selection
    from nearkey.simulate.score import score_layout
    from nearkey.simulate.workload import held_out_part, read_source

    if figures and folder is None:
        raise NearkeyError("needs a folder", field="--figures", fix="add -o FOLDER")
    commands = dict(_named_command(text) for text in decoders)
    surfaces = [named_or_file(name, fit_mm) for name in layouts]
    touches = [touch_on(layout, spread_mm, touch_file) for layout in surfaces]
    targets = [_targets(folder, layout.name, force) for layout in surfaces]
    language = load_pack(pack)
    text = (
        None
        if corpus is None
        else read_source(
            stream_path(None, plain=".txt") if corpus == "-" else corpus,
            column=column,
            encoding=encoding,
            trained=trained,
        )
    )
    if held_out is not None:
        if text is None:
            raise NearkeyError("needs a text", field="--held-out", fix="add --corpus")
        text = held_out_part(text, fraction=held_out / 1000)
    use: Literal["live", "words"] = "live" if live else "words"
    results: list[Any] = []
    with progress_bar("score") as bar:
        for number, (layout, touch, target) in enumerate(
            zip(surfaces, touches, targets, strict=True)
        ):
            bar(number, len(surfaces))
            with ExitStack() as stack:
                others: dict[str, Any] = {}
                for name, command in commands.items():
                    if isinstance(command, str):
                        others[name] = plugged_decoder(command, layout, touch, language)
                        continue
                    outside = OutsideDecoder(
                        command, layout=layout, touch=touch, pack=language, use=use
                    )
                    others[name] = stack.enter_context(outside)
                    outside.check()
                result = score_layout(
                    layout,
                    touch=touch,
                    pack=language,
                    corpus=text,
                    use=use,
                    compare=others or baselines,
                    selection=Selection(style=style, k=k),  # type: ignore[arg-type]
                    **options,
                )
            results.append(result)
            if target is not None:
                result.save(target[0])
                with atomic_write(target[1]) as file:
                    json.dump(result.speed(), file, indent=1)
                    file.write("\n")
                if figures:
                    from nearkey.report.benchmark_figures import save_score_figures

                    save_score_figures(result, target[0].parent)
    show([r.to_dict() for r in results], "\n\n".join(map(str, results)), as_json)
    for result in results:
        for name in commands:
            _refuse_given_up(name, result.compared[name].score, result.layout)


def _refuse_given_up(name: str, score: DecoderScore, layout: str) -> None:
    """NearkeyError for a decoder that was given up, or answered no word: its figures say nothing of how it decodes."""
    counts = {kind: n for kind, n in score.faults.counts.items() if kind != "not asked"}
    given_up = "not asked" in score.faults.counts
    if not counts or not (given_up or score.missed == len(score.outcomes)):
        return
    kind = max(counts, key=lambda kind: counts[kind])
    raise NearkeyError(
        f"{'was given up' if given_up else 'answered no word right'} after {sum(counts.values())} faults: {kind}, "
        f"{score.faults.examples[kind][0]}",
        where=layout,
        field=f"--decoder {name}",
        fix="mend the decoder (docs/line-protocol.md)",
    )


def _targets(folder: str | None, name: str, force: bool) -> tuple[Path, Path] | None:
    if folder is None:
        return None
    targets = Path(folder) / f"{name}.json", Path(folder) / f"{name}.speed.json"
    for path in targets:
        refuse_to_overwrite(path, force)
    return targets


def plugged_decoder(name: str, layout: Layout, touch: Any, pack: Any) -> Any:
    """The decoder that another distribution brings under this name (entry points `nearkey.decoders`).

    name : of the entry point. layout, touch, pack : what the decoder is made for. NearkeyError where there is none.
    """

    def made(entry: Any) -> Any:
        decoder = entry(layout=layout, touch=touch, pack=pack)
        if not callable(getattr(decoder, "decode", None)):
            raise NearkeyError(
                "what it makes has no decode(points, *, context, k)", fix="see docs/extending.md"
            )
        return decoder

    decoder = load_plugin(DECODERS, name, use=made)
    if decoder is None:
        known = ", ".join(plugin_names(DECODERS)) or "none are installed"
        raise NearkeyError(
            f"{name!r} is no decoder by name ({known})",
            field="--decoder",
            fix="name an installed one, or give NAME=COMMAND: mine='./decoder -x'",
        )
    return decoder


def _named_command(text: str) -> tuple[str, list[str] | str]:
    if "=" not in text:
        return text, text
    name, equals, command = text.partition("=")
    try:
        parts = shlex.split(command)
    except ValueError:
        parts = []
    if not (equals and name.strip() and parts):
        raise NearkeyError(
            f"{text!r} is not NAME=COMMAND", field="--decoder", fix="name it: mine='./decoder -x'"
        )
    return name.strip(), parts


@click.command("compare", short_help="Say which figures of two results moved.")
@click.argument("before", type=FILE, metavar="A.json")
@click.argument("after", type=FILE, metavar="B.json")
@click.option("--tolerance", type=FILE, help="TOML file that changes the tolerances.")
@click.option("--strict", is_flag=True, help="Exit with 1 when a figure got worse.")
@json_option("the comparison")
def compare_command(
    before: str, after: str, tolerance: str | None, strict: bool, as_json: bool
) -> None:
    """Say which figures of two results of one layout or scenario moved beyond the tolerance of their measure."""
    from nearkey.simulate.results_comparison import TOLERANCE, compare_results, read_tolerance

    table = TOLERANCE if tolerance is None else read_tolerance(tolerance)
    found = compare_results(before, after, tolerance=table)
    if not found.compared:
        raise NearkeyError(
            "have no figure in common",
            where=f"{before}, {after}",
            fix="compare results of one layout or scenario; nearkey rank compares layouts",
        )
    show(found.to_dict(), str(found), as_json)
    if strict and (found.only_before or any(m.verdict == "worse" for m in found.moved)):
        raise SystemExit(1)
