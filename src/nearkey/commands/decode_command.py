"""`nearkey decode`, `nearkey try` and `nearkey serve-decoder`: the decoder at work, in a terminal or behind pipes."""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from nearkey.commands.shared import (
    FILE,
    json_option,
    json_text,
    layout_options,
    pack_option,
    raw_log_options,
    show,
    touch_on,
)
from nearkey.errors import NearkeyError
from nearkey.layout import Layout
from nearkey.text_table import number, text_table

if TYPE_CHECKING:
    from nearkey.decode import Decoder
    from nearkey.touch import TouchLog


_edits_option = click.option(
    "--edits", is_flag=True, help="Allow for a missed, an extra or a swapped touch."
)


def _decoder_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options that say what a decoder is made of; the command gets it as `decoder`."""

    @functools.wraps(command)
    def with_decoder(
        *args: Any,
        layout: Layout,
        spread_mm: float | None,
        touch_file: str | None,
        pack: str,
        edits: bool,
        **kwargs: Any,
    ) -> Any:
        from nearkey.decode import Decoder, EditCosts
        from nearkey.language import load_pack

        touch = touch_on(layout, spread_mm, touch_file)
        costs = replace(EditCosts.typical(layout), completion=None) if edits else EditCosts()
        decoder = Decoder(layout, touch, load_pack(pack), edits=costs)
        return command(*args, decoder=decoder, **kwargs)

    decorated: Callable[..., Any] = with_decoder
    spread = "Touches around key centres with this SD in mm."
    for option in (
        _edits_option,
        pack_option,
        click.option("--touch", "touch_file", type=FILE, help="A saved touch model."),
        click.option("--spread-mm", type=float, help=spread),
        layout_options,
    ):
        decorated = option(decorated)
    return decorated


@click.command("decode", short_help="Touches in, candidates out.")
@click.argument("log", type=FILE)
@_decoder_options
@raw_log_options
@click.option("--context", default="", help="Text before the first word.")
@click.option("-k", type=click.IntRange(1, 100), default=5, help="Candidates for each word.")
@json_option("the candidates")
def decode_command(
    log: str, decoder: Decoder, raw: dict[str, Any], context: str, k: int, as_json: bool
) -> None:
    """Decode the touches of LOG: each trial of a person's sitting is a word, in the order of the log.

    LOG needs columns x and y only; `trial` parts the words. The first candidate of a word is the context of the next.
    """
    from nearkey.decode.touches import MOST_TOUCHES
    from nearkey.touch import TouchLog

    raw["columns"] = raw["columns"] or {"x": "x", "y": "y"}
    touches = TouchLog.read(log, **raw).in_units_of(decoder.layout)
    answers: list[dict[str, Any]] = []
    sitting, before = None, context
    for (who, trial), rows in _words(touches):
        if who != sitting:
            sitting, before = who, context
        if len(rows) > MOST_TOUCHES:
            raise NearkeyError(
                f"holds {len(rows)} touches",
                where=log,
                field=f"trial {trial}",
                fix=f"give each word a trial of its own, of {MOST_TOUCHES} touches at most",
            )
        found = decoder.decode(touches.points[rows], context=before, k=k)
        answers.append(
            {
                "participant": who[0],
                "session": who[1],
                "trial": trial,
                "touches": len(rows),
                "context": before,
                "candidates": [
                    {"text": c.text, "kind": c.kind, "log_prob": c.log_prob} for c in found
                ],
            }
        )
        before = f"{before} {found[0].text}".strip() if found else before
    heads = ["word", "touches", "log P", "candidates"]
    table = [
        [
            answer["trial"],
            answer["touches"],
            number(answer["candidates"][0]["log_prob"], 1) if answer["candidates"] else None,
            _fitted([c["text"] for c in answer["candidates"]], 55),
        ]
        for answer in answers
    ]
    show(answers, text_table(heads, table, left=(3,)), as_json)


def _words(log: TouchLog) -> Iterable[tuple[tuple[tuple[str, str], int], list[int]]]:
    """Rows of each trial, in the order in which trials begin; touches of a trial in their own order."""
    found: dict[tuple[tuple[str, str], int], list[int]] = {}
    keys = zip(log.participant.tolist(), log.session.tolist(), log.trial.tolist(), strict=True)
    for row, (person, session, trial) in enumerate(keys):
        found.setdefault(((person, session), trial), []).append(row)
    for key, rows in found.items():
        yield key, sorted(rows, key=lambda row: int(log.order[row]))


@click.command("try", short_help="What the decoder makes of a line of text under noise.")
@click.argument("text", nargs=-1)
@_decoder_options
@click.option("--seed", type=int, default=0, help="Of the touches.")
@click.option("-k", type=click.IntRange(1, 20), default=3, help="Candidates shown.")
@json_option("the words")
def try_command(text: tuple[str, ...], decoder: Decoder, seed: int, k: int, as_json: bool) -> None:
    """Type TEXT with noisy touches and show what the decoder makes of it; without TEXT, lines of standard input.

    A word is read after those before it in TEXT, as if all had been put right.
    """
    import numpy as np

    rng = np.random.default_rng(seed)
    lines: Iterable[str] = [" ".join(text)] if text else _lines()
    for line in lines:
        rows = _typed(decoder, line, rng, k)
        if not rows:
            raise NearkeyError(
                "has no letter of the layout", field="TEXT", fix=f"type some of {decoder.letters}"
            )
        if as_json:
            click.echo(json_text(rows))
            continue
        right = sum(row["candidates"][:1] == [row["word"]] for row in rows)
        table = [
            [
                row["word"],
                row["touched"],
                row["place"],
                _fitted(row["candidates"], 79 - 34),
            ]
            for row in rows
        ]
        click.echo(text_table(["word", "touched", "place", "candidates"], table, left=(0, 1, 3)))
        click.echo(" ".join(row["candidates"][0] if row["candidates"] else "-" for row in rows))
        click.echo(f"{right} of {len(rows)} words right")


def _typed(decoder: Decoder, line: str, rng: Any, k: int) -> list[dict[str, Any]]:
    """A row for each word of a line: the letters that were touched, the word's place, and the candidates."""
    layout, rows, before = decoder.layout, list[dict[str, Any]](), ""
    for shown in line.split():
        word = "".join(c for c in shown.lower() if c in layout.key_of_letter)
        if word:
            keys = [layout.key_ids[layout.key_of_letter[letter]] for letter in word]
            points = decoder.touch.sample(keys, rng)  # type: ignore[attr-defined]
            found = [c.word for c in decoder.decode(points, context=before, k=max(k, 10))]
            rows.append(
                {
                    "word": word,
                    "touched": "".join(
                        layout.keys[int(i)].letters[:1] or "?" for i in layout.nearest_key(points)
                    )
                    if len(layout.letter_keys) == len(layout.letters)
                    else " ".join(layout.keys[int(i)].label for i in layout.nearest_key(points)),
                    "place": found.index(word) + 1 if word in found else None,
                    "candidates": found[:k],
                }
            )
        before = f"{before} {shown}".strip()
    return rows


def _lines() -> Iterable[str]:
    """Lines of standard input, with a prompt where somebody types them."""
    if sys.stdin.isatty():
        click.echo("Type a line; an empty one ends.", err=True)
    for line in sys.stdin:
        if not line.strip():
            return
        yield line.strip()


def _fitted(texts: list[str], width: int) -> str:
    """As many texts as fit the width."""
    shown = ""
    for text in texts:
        longer = f"{shown}, {text}" if shown else text
        if len(longer) > width:
            return f"{shown} …"
        shown = longer
    return shown


@click.command("serve-decoder", short_help="Run nearkey over its own line protocol.")
@pack_option
@_edits_option
def serve_command(pack: str, edits: bool) -> None:
    """Answer the line protocol (docs/line-protocol.md) on standard input and output with nearkey's own decoder.

    A program in any language asks the decoder so; `nearkey score --decoder own="nearkey serve-decoder"` checks the
    protocol itself.
    """
    from nearkey.language import load_pack
    from nearkey.simulate.decoders.serving import serve

    serve(sys.stdin.buffer, sys.stdout.buffer, load_pack(pack), edits=edits)
