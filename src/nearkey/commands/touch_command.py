"""`nearkey touch …`: clean, fit, compare and draw touch logs."""

from __future__ import annotations

from itertools import count
from typing import Any

import click

from nearkey.commands.shared import (
    FILE,
    is_stream,
    json_option,
    layout_options,
    output_option,
    progress_bar,
    raw_log_options,
    say,
    say_written,
    show,
)
from nearkey.errors import TouchModelError
from nearkey.extras import library
from nearkey.layout import Layout
from nearkey.text_table import text_table
from nearkey.touch import (
    AdaptingTouch,
    GaussianTouch,
    TouchLog,
    clean,
    ellipses,
    load_touch,
    touch_families,
    touch_family,
)
from nearkey.touch.cleaning import log_notes
from nearkey.touch.touch_models import current_name


@click.group(short_help="Clean touch logs; fit, compare and draw models.")
def touch() -> None:
    """Clean touch logs, fit touch models, compare them on held-out people.

    Touch logs are personal data: record them with consent, under your ethics board's rules.
    """


@touch.command("clean", short_help="Drop outliers and repeated touches, and say which.")
@click.argument("log", type=FILE)
@layout_options
@raw_log_options
@click.option("--max-sd", type=float, default=3.0, help="Touches beyond this many SD go.")
@output_option("Write the kept touches here: .csv, .jsonl or .parquet.", suffix=".csv")
@json_option("the report")
def touch_clean(
    log: str,
    layout: Layout,
    raw: dict[str, Any],
    max_sd: float,
    output: str | None,
    as_json: bool,
) -> None:
    """Drop outliers and repeated touches of LOG; print how many, whose and why."""
    read = TouchLog.read(log, **raw)
    kept, report = clean(read, layout, max_sd=max_sd)
    if output is not None:
        kept.write(output)
    data = {"participants": report.to_dicts(), "left_out": read.n_missing, "notes": report.notes}
    show(data, str(report), as_json, err=is_stream(output))
    say_written(output, err=as_json)


class ModelName(click.Choice[str]):
    """A model by its name; one that comparisons had before is taken, too."""

    def __init__(self) -> None:
        super().__init__(touch_families())

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The name of today."""
        return super().convert(current_name(value), param, ctx)


@touch.command("fit")
@click.argument("log", type=FILE)
@layout_options
@raw_log_options
@click.option("--keep-all", is_flag=True, help="Fit on all touches, without cleaning.")
@click.option(
    "--model",
    "kind",
    type=ModelName(),
    metavar="NAME",
    default="gaussian",
    show_default=True,
    help="Kind of model, as in `touch compare`; docs/touch.md says when which.",
)
@click.option(
    "--participant", help="With --model person: who is learnt, the others being the population."
)
@output_option("Model file (JSON).", required=True, suffix=".json")
def touch_fit(
    log: str,
    layout: Layout,
    raw: dict[str, Any],
    keep_all: bool,
    kind: str,
    participant: str | None,
    output: str,
) -> None:
    """Fit a touch model on LOG and save it; a Gaussian for each key unless --model names another kind."""
    family = touch_family(kind)
    if participant is not None and not isinstance(family, AdaptingTouch):
        raise TouchModelError(
            f"{kind} learns nobody by name", where="--participant", fix="use it with --model person"
        )
    touches, report = _read(log, layout, raw, cleaned=not keep_all)
    if participant is None:
        model: Any = family.fit(touches, layout)
    else:
        own = touches.of_participant(participant)
        model = family.fit(touches.without_participant(participant), layout).partial_fit(own)
    model.save(output)
    if report:
        say(report, err=True)
    click.echo(
        f"{output}: {len(model.key_ids)} keys, {len(touches)} touches", err=is_stream(output)
    )
    if getattr(model, "fallback_keys_", ()):
        say(
            "with too few touches, taken from the key's centre and the common offset and spread: "
            + ", ".join(model.fallback_keys_),
            err=True,
        )


@touch.command("ellipses", short_help="Print the ellipses of a saved model.")
@click.argument("model", type=FILE)
@click.option("--coverage", type=float, default=0.95, help="Share of touches inside.")
@json_option("the ellipses")
def touch_ellipses(model: str, coverage: float, as_json: bool) -> None:
    """Print the ellipse of each key of a saved MODEL, a line a key.

    Key, centre x and y, greater and lesser half axis, all in layout units, and the angle of the greater
    axis in radians from the x axis towards y (downwards).
    """
    names = ("key_id", "x", "y", "semi_major", "semi_minor", "angle_rad")
    rows = [
        {name: getattr(ellipse, name) for name in names}
        for ellipse in ellipses(load_touch(model), coverage=coverage)
    ]
    heads = [name.replace("_", " ").removesuffix(" id") for name in names]
    cells = [[key, *(f"{v:.3f}" for v in values)] for key, *values in map(dict.values, rows)]
    show(rows, text_table(heads, cells), as_json)


@touch.command("compare", short_help="Compare touch models on held-out people.")
@click.argument("log", type=FILE)
@layout_options
@raw_log_options
@click.option("--clean/--no-clean", "cleaned", default=False, help="Clean the log first.")
@click.option("--pack", "pack_name", help="Also decode words of this pack with each model (top-1).")
@click.option("--words", type=int, default=200, help="Words decoded for each person.")
@click.option("--seed", type=int, default=0)
@click.option("--baseline", help="Model that gains are against; nearest-key without it.")
@json_option("the rows")
@output_option(
    "Draw the comparison into this file: .png, .pdf or .svg.", "--draw", suffix=".png", picture=True
)
def touch_compare(
    log: str,
    layout: Layout,
    raw: dict[str, Any],
    cleaned: bool,
    pack_name: str | None,
    words: int,
    seed: int,
    baseline: str | None,
    as_json: bool,
    output: str | None,
) -> None:
    """Compare all touch models on people they were not fitted on.

    Held-out log-likelihood, key hits, how often the 95 % ellipse is hit, and with --pack how
    often the intended word comes first.
    """
    from nearkey.touch import compare_touch, default_models

    if output is not None:
        library("matplotlib", extra="report", where="--draw")
    touches, report = _read(log, layout, raw, cleaned=cleaned)
    decode = None
    if pack_name is not None:
        from nearkey.language import load_pack
        from nearkey.simulate.replay import RecordedWords

        decode = RecordedWords(layout, load_pack(pack_name), words=words, seed=seed)
    models = default_models()
    baseline = None if baseline is None else current_name(baseline)
    if baseline is not None and baseline not in models:
        raise TouchModelError(
            f"{baseline!r} is not compared",
            field="baseline",
            fix=f"use one of {', '.join(map(repr, models))}",
        )
    people = len(touches.participants)
    total = len(models) * (people if people > 1 else 5)  # the log of one is parted into blocks
    done = count(1)
    with progress_bar("compare") as bar:
        comparison = compare_touch(
            touches,
            layout,
            models,
            decode=decode,
            baseline=baseline,
            progress=lambda _: bar(next(done), total),
        )
    if report:
        say(report, err=True)
    show(comparison.to_dicts(), str(comparison), as_json, err=is_stream(output))
    if output is not None:
        from nearkey.report import plot_touch_comparison, save_figure

        save_figure(plot_touch_comparison(comparison), output)
        say_written(output, err=True)


@touch.command("draw", short_help="Draw touches, ellipses, or people.")
@click.argument("log", type=FILE)
@layout_options
@raw_log_options
@click.option(
    "--participants",
    "people",
    is_flag=True,
    help="One small picture a participant, offsets as arrows.",
)
@click.option("--ellipses", "shapes", is_flag=True, help="Only ellipses, and offsets as arrows.")
@output_option("Picture: .png, .pdf or .svg.", required=True, suffix=".png", picture=True)
def touch_draw(
    log: str,
    layout: Layout,
    raw: dict[str, Any],
    people: bool,
    shapes: bool,
    output: str,
) -> None:
    """Draw the touches of LOG on the layout, with the 95 % ellipses of those that cleaning keeps."""
    library("matplotlib", extra="report", where="touch draw")
    from nearkey.report import draw_touches, plot_ellipses, plot_people, save_figure

    touches = TouchLog.read(log, **raw)
    if people:
        figure = plot_people(touches, layout)
    else:
        model = GaussianTouch().fit(clean(touches, layout)[0], layout)
        figure = plot_ellipses(layout, model) if shapes else draw_touches(touches, layout, model)
    save_figure(figure, output)
    say_written(output)


def _read(path: str, layout: Layout, raw: dict[str, Any], *, cleaned: bool) -> tuple[TouchLog, str]:
    """A log, cleaned where asked for, and what is to be said of it."""
    log = TouchLog.read(path, **raw)
    if not cleaned:
        return log, "\n".join(log_notes(log))
    kept, report = clean(log, layout)
    return kept, str(report)
