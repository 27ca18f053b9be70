"""`nearkey study run`: a participant's blocks typed in a terminal, through live sessions."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterable, Sequence
from functools import cache, partial
from pathlib import Path

import click

from nearkey.commands.shared import FILE, FOLDER, fit_option, named_or_file
from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.session import Session
from nearkey.session.resolving import next_rank
from nearkey.session.study_sitting import SittingTrial, StudySitting

CAUTIONS = (
    "A study with people needs their informed consent and, where your rules say so, an ethics approval.",
    "What is typed is logged, with the time of every key. Use a pseudonym, never a name.",
    "Take the breaks, and stop whenever you want to: Ctrl-C leaves, and the study goes on from there.",
)
HELP = (
    "letters type, 1 to 9 choose, Tab steps through the list, Space ends the word, Backspace deletes, Ctrl-Z takes "
    "back, Enter ends the phrase"
)
DEVICE = "terminal keyboard in the place of the pad: no touches"


@click.command("run", short_help="Type a participant's blocks in this terminal.")
@click.argument("plan", type=FILE)
@click.argument("participant")
@click.option(
    "--pad",
    "pads",
    multiple=True,
    metavar="CONDITION=LAYOUT",
    help="The layout of a condition: of the catalogue, or a file; once for each, where the condition is not its name.",
)
@fit_option
@click.option("--pack", default="en", show_default=True, help="The language pack.")
@click.option("--spread-mm", type=float, default=2.0, help="Spread of touches the decoder assumes.")
@click.option("--logs", "folder", type=FOLDER, default="logs", help="Folder of the study logs.")
@click.option(
    "--origin",
    type=click.Choice(["person", "invented"]),
    required=True,
    help="Whether a person types, or the logs are a trial run.",
)
@click.option(
    "--capitals/--no-capitals",
    default=None,
    show_default="as the phrases have them",
    help="Whether the decoder writes capitals of its own.",
)
def study_run(
    plan: str,
    participant: str,
    pads: tuple[str, ...],
    fit_mm: tuple[float, float] | None,
    pack: str,
    spread_mm: float,
    folder: str,
    origin: str,
    capitals: bool | None,
) -> None:
    """Take PARTICIPANT through their blocks of a PLAN, in this terminal.

    The terminal's keyboard stands in for the pad: a letter is a touch in the middle of its key, which the decoder reads
    with the keys' other letters. Timing, choices and corrections are the person's; touches are not, and are not
    logged. The study goes on where the logs say it stopped.
    """
    from nearkey.decode import Decoder
    from nearkey.language import load_pack
    from nearkey.study import StudyPlan
    from nearkey.touch import GaussianTouch

    loaded = StudyPlan.read(plan)
    loaded.of(participant)
    layouts = pads_of(loaded.conditions, pads, fit_mm)
    language = load_pack(pack)
    if capitals is None:
        capitals = any(
            c.isupper() for block in loaded.blocks for text in block.phrases for c in text
        )

    @cache
    def decoder(condition: str) -> Decoder:
        layout = layouts[condition]
        touch = GaussianTouch.from_layout(layout, spread_mm=spread_mm)
        return Decoder(layout, touch, language)

    sitting = StudySitting(
        loaded,
        participant,
        Path(folder),
        lambda condition: Session(decoder(condition), auto_capitals=bool(capitals)),
        origin=origin,  # type: ignore[arg-type]
        log_touches=False,
        device=DEVICE,
    )
    with sitting:
        if origin == "person":
            for line in CAUTIONS:
                click.echo(line)
            click.echo("Enter: I have read this and agree.")
            if not _agreed():
                return
        run_in_terminal(sitting)


def pads_of(
    conditions: Sequence[str],
    pads: Iterable[str],
    fit_mm: tuple[float, float] | None,
    *,
    source: str = "the plan",
    own_names: bool = True,
) -> dict[str, Layout]:
    """Condition -> layout, from `--pad CONDITION=LAYOUT`; with `own_names` a condition that names a layout needs none.

    Raises PlanError for a condition that the `source` does not have.
    """
    named = {name: name for name in conditions if own_names}
    for pad in pads:
        condition, equals, name = pad.partition("=")
        if not equals or condition not in conditions:
            raise PlanError(
                f"{pad!r} names no condition of {source}",
                where="--pad",
                fix=f"write CONDITION=LAYOUT with one of {', '.join(conditions)}",
            )
        named[condition] = name
    return {condition: named_or_file(name, fit_mm) for condition, name in named.items()}


def _agreed() -> bool:
    try:
        return click.getchar() in ("\r", "\n")
    except (EOFError, KeyboardInterrupt):
        return False


def run_in_terminal(sitting: StudySitting) -> None:
    """Trial after trial, until all are done or the person leaves."""
    click.echo(HELP)
    screen = Screen()
    while (trial := sitting.next()) is not None:
        try:
            if trial.rest_s and trial.done:
                _rest(sitting, trial)
            session = sitting.begin(trial)
            screen.show(trial, session)
            now = partial(sitting.now, trial.block.condition)
            while press(session, click.getchar(), now):
                screen.show(trial, session)
            typed = sitting.end()
        except (EOFError, KeyboardInterrupt):
            sitting.close()
            click.echo("\nleft; the same command goes on from here")
            return
        screen.finish(trial, typed)
    click.echo("all phrases are done: thank you")


def _rest(sitting: StudySitting, trial: SittingTrial) -> None:
    click.echo(f"rest {trial.rest_s:g} s or longer, then press any key")
    start = time.monotonic()
    click.getchar()
    sitting.rest(trial, time.monotonic() - start)


def press(session: Session, key: str, now: Callable[[], float]) -> bool:
    """Do what a key of the terminal stands for; False where it ends the phrase."""
    if key in ("\r", "\n"):
        return False
    if key in ("", "\x03", "\x04"):  # no more input, Ctrl-C, Ctrl-D
        raise KeyboardInterrupt
    layout, t = session.layout, now()
    column = layout.key_of_letter.get(key.lower()) if len(key) == 1 else None
    if column is not None:
        if key != key.lower():
            session.shift("upper", time_s=t)
        x, y = layout.centers[column].tolist()
        session.tap(x, y, t)
    elif key in ("\x7f", "\b"):
        session.delete(time_s=t)
    elif key == " ":
        session.space(time_s=t)
    elif key == "\t":
        session.accept(next_rank(session.state.content, len(session.candidates)), time_s=t)
    elif key == "\x1a":
        session.undo(time_s=t)
    elif key == "\x19":
        session.redo(time_s=t)
    elif len(key) == 1 and key in "123456789":
        session.accept(int(key) - 1, time_s=t)
    elif len(key) == 1 and key.isprintable():
        session.mark(key, time_s=t)
    return True


class Screen:
    """The phrase, the text and the list, drawn over what was drawn before; once a phrase where this is no terminal."""

    def __init__(self) -> None:
        self._drawn = 0
        self._live = sys.stdout.isatty()

    def show(self, trial: SittingTrial, session: Session) -> None:
        """Draw how a trial stands."""
        if not self._live:
            return
        block = trial.block
        words = "  ".join(f"{i} {c.text}" for i, c in enumerate(session.candidates, start=1))
        lines = [
            f"{block.condition}, {'practice' if block.practice else f'block {block.block}'}, "
            f"phrase {trial.trial} of {len(block.phrases)} ({trial.done + 1} of {trial.total} in all)",
            f"  {trial.phrase}",
            f"> {session.text}_",
            f"  {words}",
        ]
        if self._drawn:
            click.echo(f"\x1b[{self._drawn}A\r\x1b[J", nl=False)
        click.echo("\n".join(lines))
        self._drawn = len(lines)

    def finish(self, trial: SittingTrial, typed: str) -> None:
        """The next trial is drawn below."""
        self._drawn = 0
        if not self._live:
            click.echo(f"{trial.phrase}\n> {typed}")
