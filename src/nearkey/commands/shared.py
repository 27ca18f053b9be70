"""What all commands share: bars, standard streams as files, files that are not overwritten, layouts by name or file."""

from __future__ import annotations

import functools
import json
import math
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from nearkey.errors import NearkeyError, PackError, PlanError
from nearkey.layout import Layout
from nearkey.layout.layout import find_layout
from nearkey.text_table import field_lines, within_width

if TYPE_CHECKING:
    from nearkey.language import Pack

T = TypeVar("T", int, float)

_STREAM = "standard-"
"""How the names of files begin that stand for a standard stream."""


class InputFile(click.Path):
    """A file to read; "-" is standard input, which is put into a file whose suffix its first bytes tell."""

    name = "file"

    def __init__(self) -> None:
        super().__init__(dir_okay=False)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path; that of what came in for "-"."""
        return super().convert(stream_path(ctx) if value == "-" else value, param, ctx)


class NamedPath(click.Path):
    """A folder, or a file that a command comes back to: "-", which stands for a stream, is refused."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path; NearkeyError for "-"."""
        if value == "-":
            kind = "folder" if self.dir_okay else "file"
            raise NearkeyError(
                f"- is a stream, and a {kind} is meant",
                field=None if param is None else max(param.opts, key=len),
                fix=f"name a {kind} (./- for one of that name)",
            )
        return super().convert(value, param, ctx)


class OutputFile(click.Path):
    """A file to write; "-" is standard output, which gets the file's contents when the command ends well."""

    name = "file"

    def __init__(self, suffix: str) -> None:
        super().__init__(dir_okay=False)
        self.suffix = suffix

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path; for "-" that of a file whose contents go to standard output at the end."""
        if value != "-" or ctx is None:
            return super().convert(value, param, ctx)
        made = _scratch(ctx) / f"{_STREAM}output{self.suffix}"

        def hand_over() -> None:
            if made.exists():
                sys.stdout.buffer.write(made.read_bytes())

        ctx.call_on_close(hand_over)
        return str(made)


def _scratch(context: click.Context) -> Path:
    """A folder that goes when the command is over, after everything else that waits for that."""
    folder = Path(tempfile.mkdtemp(prefix="nearkey-"))
    context.find_root().call_on_close(lambda: shutil.rmtree(folder, ignore_errors=True))
    return folder


def stream_path(context: click.Context | None, *, plain: str = ".csv") -> str:
    """What standard input holds, as a file; its suffix follows from its first bytes.

    plain : the suffix of what begins as no known kind of file does.
    """
    data = sys.stdin.buffer.read()
    suffix = plain
    if data[:4] == b"PAR1":
        suffix = ".parquet"
    elif data[:2] == b"\x1f\x8b":
        suffix = ".gz"
    elif data.lstrip()[:1] == b"{":
        suffix = ".jsonl"
    path = _scratch(context or click.get_current_context()) / f"{_STREAM}input{suffix}"
    path.write_bytes(data)
    return str(path)


def is_stream(path: str | None) -> bool:
    """Whether an output `path` stands for standard output."""
    return path is not None and Path(path).name.startswith(f"{_STREAM}output")


def say_written(path: str | None, *, err: bool = False) -> None:
    """Print the path of what was written; nothing for none, and for what goes to standard output itself."""
    if path is not None and not is_stream(path):
        click.echo(path, err=err)


FILE, KEPT_FILE = InputFile(), NamedPath(dir_okay=False)
FOLDER, FOLDER_THERE = NamedPath(file_okay=False), NamedPath(exists=True, file_okay=False)

fit_option = click.option(
    "--fit-mm", nargs=2, type=float, help="Lay layouts on a surface of W x H mm first."
)
pack_option = click.option("--pack", default="en", help="Language pack: name or folder.")
force_option = click.option("--force", is_flag=True, help="Overwrite files that are there.")


def output_option(
    what: str,
    *flags: str,
    required: bool = False,
    suffix: str = ".txt",
    picture: bool = False,
) -> Callable[[Any], Any]:
    """The options -o and --force of a command that writes one file, checked before the work; it gets `output`.

    what : it is, and whether it is `required`. flags : in the place of -o and --output.
    suffix : of what goes to standard output for "-". picture : its name must end as a picture's.
    """

    def decorate(command: Callable[..., Any]) -> Any:
        @functools.wraps(command)
        def checked(*args: Any, output: str | None, force: bool, **kwargs: Any) -> Any:
            if output is not None:
                if picture and Path(output).suffix.lower() not in (".png", ".pdf", ".svg"):
                    fix = "end it in .png, .pdf or .svg"
                    raise NearkeyError("is no name of a picture", where=output, fix=fix)
                refuse_to_overwrite(Path(output), force)
            return command(*args, output=output, **kwargs)

        help_text = f"{what} - is standard output."
        option = click.option(
            *(flags or ("-o", "--output")),
            "output",
            type=OutputFile(suffix),
            required=required,
            help=help_text,
        )
        return option(force_option(checked))

    return decorate


def layout_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options --layout and --fit-mm of a command on one layout, which it gets as `layout`."""

    @functools.wraps(command)
    def with_layout(
        *args: Any, layout_name: str, fit_mm: tuple[float, float] | None, **kwargs: Any
    ) -> Any:
        return command(*args, layout=named_or_file(layout_name, fit_mm), **kwargs)

    name_option = click.option(
        "--layout", "layout_name", required=True, help="Spec file, or a name of the catalogue."
    )
    return name_option(fit_option(with_layout))


def plan_pack(name: str, plan: str) -> Pack:
    """The pack that a plan names; PlanError names the `plan` where there is none of that name."""
    from nearkey.language import load_pack
    from nearkey.language.pack import find_pack

    try:
        folder = find_pack(name)
    except PackError as fault:
        problem = f"{fault.where}: {fault.problem}" if fault.where else fault.problem
        raise PlanError(problem, where=plan, field="pack", fix=fault.fix) from None
    return load_pack(folder)


def touch_on(layout: Layout, spread_mm: float | None, touch_file: str | None) -> Any:
    """The touch model that --spread-mm or --touch means on a layout; NearkeyError for both or neither."""
    from nearkey.touch import GaussianTouch
    from nearkey.touch.touch_models import touch_named

    if (spread_mm is None) == (touch_file is None):
        raise NearkeyError(
            "give one of the two", field="--spread-mm, --touch", fix="say where touches land"
        )
    if touch_file is not None:
        return touch_named(touch_file, layout)
    return GaussianTouch.from_layout(layout, spread_mm=spread_mm)


def raw_log_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options of a command that reads a touch log, for one that a device wrote; the command gets them as `raw`.

    `raw` is a dict of the keywords of `TouchLog.read`.
    """

    @functools.wraps(command)
    def with_raw(
        *args: Any, columns: str | None, affine: str | None, drop_missing: bool, **kwargs: Any
    ) -> Any:
        from nearkey.touch.raw_logs import affine_of, column_names

        raw = {name: kwargs.pop(name) for name in ("unit", "dpi", "scale", "time_unit")}
        raw["columns"] = None if columns is None else column_names(columns)
        raw["affine"] = None if affine is None else affine_of(affine.split(","))
        # A log that needs its columns named is no file of ours: rows without a place are counted, not refused.
        raw["missing"] = "drop" if drop_missing or columns is not None else "refuse"
        return command(*args, raw=raw, **kwargs)

    for option in (
        click.option("--drop-missing", is_flag=True,
                     help="Leave out and count rows without x or y (--columns does, too)."),
        click.option("--affine", metavar="A,B,C,D,E,F",
                     help="First x' = A x + B y + C, y' = D x + E y + F."),
        click.option("--time-unit", type=click.Choice(["s", "ms", "us"]), default="s",
                     help="Unit of the log's times."),
        click.option("--scale", type=float, help="Millimetres in one unit of the log's x and y."),
        click.option("--dpi", type=float, help="With --unit px: pixels per inch."),
        click.option("--unit", type=click.Choice(["layout", "mm", "px"]),
                     help="Unit of the log's x and y, in the place of what the file says."),
        click.option("--columns", metavar="OURS=THEIRS,…",
                     help="Names of the log's columns, such as x=px_x,y=px_y,target=key."),
    ):  # fmt: skip
        with_raw = option(with_raw)
    return with_raw


def numbers(kind: type[T], example: str) -> Callable[..., list[T]]:
    """The callback of an option whose text is numbers of a `kind`, parted by commas, none where it is not given;
    NearkeyError gives the `example` for another text."""

    def read(_: click.Context, option: click.Parameter, text: str | None) -> list[T]:
        try:
            return [] if text is None else [kind(part) for part in text.split(",")]
        except ValueError:
            raise NearkeyError(
                f"{text!r} are {'no whole' if kind is int else 'not'} numbers",
                where=option.opts[0],
                fix=f"write them parted by commas, such as {example}",
            ) from None

    return read


def compared_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that say what texts are compared without."""
    for option in (
        click.option("--ignore-punctuation", is_flag=True, help="Compare texts without punctuation."),
        click.option("--ignore-case", is_flag=True, help="Compare texts without regard to case."),
    ):  # fmt: skip
        command = option(command)
    return command


def json_option(what: str) -> Callable[[Any], Any]:
    """The option --json of a command that prints `what` as text without it."""
    return click.option("--json", "as_json", is_flag=True, help=f"Print {what} as JSON.")


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[int, int], None]]:
    """A bar with a `label` on standard error when that is a terminal: call it with (done, total)."""
    try:
        from tqdm import tqdm
    except ImportError:
        tqdm = None
    if tqdm is None or not sys.stderr.isatty():
        yield lambda done, total: None
        return
    with tqdm(desc=label, unit="part", leave=False) as bar:

        def show(done: int, total: int) -> None:
            bar.total = total
            bar.n = done
            bar.refresh()

        yield show


def refuse_to_overwrite(path: Path, force: bool) -> None:
    """NearkeyError where there is something at `path` already, unless `force` is said."""
    if path.exists() and not force:
        raise NearkeyError(
            "is there already", where=str(path), fix="name another file, or say --force"
        )


def json_text(data: Any) -> str:
    """Plain data as JSON that any reader takes: what is not a finite number becomes null."""
    return json.dumps(_finite(data), indent=1, ensure_ascii=False, allow_nan=False)


def _finite(data: Any) -> Any:
    if isinstance(data, dict):
        return {name: _finite(value) for name, value in data.items()}
    if isinstance(data, list | tuple):
        return [_finite(value) for value in data]
    return None if isinstance(data, float) and not math.isfinite(data) else data


def named_or_file(name: str, fit_mm: tuple[float, float] | None = None) -> Layout:
    """A layout of the catalogue by name, else a spec file ("-": standard input).

    fit_mm : width and height of the surface it is laid on first.
    """
    return find_layout(stream_path(None) if name == "-" else name, fit_mm=fit_mm)


def say(text: str, *, err: bool = False) -> None:
    """Print a `text` within 80 columns; `err` to standard error."""
    click.echo(within_width(text), err=err)


def show(data: Any, text: str, as_json: bool, *, err: bool = False) -> None:
    """Print what a command found: `as_json` its plain `data`, else its `text`; `err` to standard error."""
    if as_json:
        click.echo(json_text(data), err=err)
    elif text:
        say(text, err=err)


def show_fields(fields: dict[str, Any], as_json: bool) -> None:
    """Print named values, a line for each of the `fields` or, `as_json`, as JSON."""
    show(fields, field_lines(fields), as_json)
