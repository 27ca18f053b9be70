"""Write RESULTS.md from the files in results/: sections in order, nothing typed by hand; and the figures that other
pages quote from them.

python benchmarks/make_results.py           write benchmarks/RESULTS.md, and figures in the pages that quoted.toml names
python benchmarks/make_results.py --check   exit with 1 when these are not what the results give

A quote is a piece of a page with a name in braces in the place of each figure; the words stay as the page has them, the
figures follow from the results. So a page that says something else about a figure has to be written anew by hand.
"""

from __future__ import annotations

import argparse
import math
import re
import sys
import tomllib
from collections import Counter
from pathlib import Path
from typing import Literal

import msgspec
from sections import PACK, RESULTS, ROOT, Cell, Column, Section, read, this_tree

from nearkey.errors import NearkeyError
from nearkey.files import atomic_write
from nearkey.schema import convert

HERE = Path(__file__).resolve().parent
TARGET = HERE / "RESULTS.md"
QUOTED = HERE / "quoted.toml"
_FIGURE = r"(-?\d[\d,]*(?:\.\d+)?)"

PREAMBLE = """# Results

Made by `python benchmarks/make_results.py` from the files in `results/`; edit those, never this
page. [README.md](README.md) says what a file holds. A figure in brackets is the interval of the
figure before it. Figures of time or memory stand under the machine they were taken on.
"""


def load(folder: Path) -> list[tuple[Path, Section]]:
    """All sections with their files, by `order`, then file name, then place in the file."""
    found = [(path, section) for path in sorted(folder.glob("*.json")) for section in read(path)]
    return sorted(found, key=lambda pair: pair[1].order)


def number(value: float, column: Column) -> str:
    """A figure as its column asks: digits after the point, or four significant ones."""
    if column.percent:
        return f"{100 * value:.{1 if column.digits is None else column.digits}f} %"
    if isinstance(value, int):
        return f"{value:,}"
    return f"{value:.4g}" if column.digits is None else f"{value:,.{column.digits}f}"


def cell_text(cell: Cell, column: Column) -> str:
    """One cell of a Markdown table."""
    if cell is None:
        return "–"
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, str):
        return cell.replace("|", "\\|").replace("\n", " ")
    if isinstance(cell, list):
        middle, low, high = (
            "–" if one is None else number(one, column).removesuffix(" %") for one in cell
        )
        return f"{middle} [{low}, {high}]" + (" %" if column.percent else "")
    return number(cell, column)


def section_text(section: Section, path: Path) -> str:
    """A section as Markdown. Columns that hold no words are aligned to the right."""
    columns = section.headings
    lines = [f"## {section.title}", "", f"`{section.command}`", ""]
    if section.environment:
        facts = "; ".join(f"{name} {value}" for name, value in section.environment.items())
        lines += [f"Measured on: {facts}.", ""]
    if columns:
        worded = [any(isinstance(row[i], str) for row in section.rows) for i in range(len(columns))]
        lines.append("| " + " | ".join(column.name for column in columns) + " |")
        lines.append("|" + "|".join("---" if words else "---:" for words in worded) + "|")
        for row in section.rows:
            cells = (cell_text(cell, column) for cell, column in zip(row, columns, strict=True))
            lines.append("| " + " | ".join(cells) + " |")
        lines.append("")
    for note in section.notes:
        lines.append(f"- {note}")
    if section.notes:
        lines.append("")
    for picture in section.pictures:
        lines += [f"![{picture.caption}](results/{picture.file})", "", picture.caption, ""]
    taken = "".join(f", {name} {value}" for name, value in section.taken.items())
    lines.append(f"<sub>from results/{path.name}{taken}</sub>")
    return "\n".join(lines) + "\n"


def document(found: list[tuple[Path, Section]]) -> str:
    """The whole page: a list of sections, then each."""
    index = [
        f"- [{section.title}](#{anchor})"
        for (_, section), anchor in zip(
            found, anchors([section.title for _, section in found]), strict=True
        )
    ]
    ships = this_tree()[PACK]
    others = {path.name for path, section in found if section.taken.get(PACK, ships) != ships}
    note = (
        f"Taken with another English pack than {ships}, which ships: {', '.join(sorted(others))}.\n"
    )
    parts = [PREAMBLE, *[note] * bool(others), "\n".join(index) + "\n"]
    parts += [section_text(section, path) for path, section in found]
    return "\n".join(parts)


def anchors(titles: list[str]) -> list[str]:
    """Heading anchors by the common Markdown rule: lower case, spaces to hyphens, marks dropped."""
    seen = Counter[str]()
    made = []
    for title in titles:
        anchor = re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-")
        made.append(f"{anchor}-{seen[anchor]}" if seen[anchor] else anchor)
        seen[anchor] += 1
    return made


class QuotedFigureError(NearkeyError):
    """A figure that a page quotes is not in the results, or not in the page."""


class QuotedFigure(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A cell: the one row of a file that has all these cells, and how its figure is shown.

    row : words as they stand, numbers within half a percent. section : the beginning of a title, where a file has several
    sections. end : of a cell with an interval. up : rounded up, for "under so much". times : 0.001 for microseconds shown as
    milliseconds; -1 for a loss.
    """

    file: str
    row: list[str | int | float]
    column: str
    section: str = ""
    digits: int = 0
    end: Literal["value", "low", "high"] = "value"
    up: bool = False
    times: float = 1.0

    def shown(self, results: Path) -> str:
        """The figure as the page has it; QuotedFigureError where there is no such cell, or more than one."""
        path = results / f"{self.file}.json"
        found = []
        for section in read(path):
            columns = section.headings
            places = [i for i, column in enumerate(columns) if column.name == self.column]
            for row in section.rows if section.title.startswith(self.section) else ():
                if places and all(any(_is(cell, one) for cell in row) for one in self.row):
                    found.append((row[places[0]], columns[places[0]].percent))
        if len(found) != 1:
            raise QuotedFigureError(
                f"{len(found)} rows hold {self.row} and have a column {self.column!r}",
                where=str(path),
                fix=f"name one row in {QUOTED.name}",
            )
        cell, percent = found[0]
        value = cell[("value", "low", "high").index(self.end)] if isinstance(cell, list) else cell
        if not isinstance(value, int | float):
            raise QuotedFigureError(f"{self.column!r} of {self.row} is no figure", where=str(path))
        value *= self.times * (100 if percent else 1)
        if self.up:
            value = math.ceil(value * 10**self.digits) / 10**self.digits
        return f"{value:z,.{self.digits}f}"


def _is(cell: Cell, wanted: str | int | float) -> bool:
    if isinstance(wanted, str) or not isinstance(cell, int | float):
        return cell == wanted
    return math.isclose(cell, wanted, rel_tol=0.005)


class Quote(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A piece of a page and its figures by name."""

    page: str
    text: str
    figures: dict[str, QuotedFigure]


def quotes(path: Path = QUOTED) -> list[Quote]:
    """The quotes of a file. Raises QuotedFigureError."""
    with path.open("rb") as stream:
        listed = tomllib.load(stream).get("quote", [])
    return convert(
        listed, list[Quote], error=QuotedFigureError, where=str(path), fix="see the others"
    )


def with_figures(text: str, quote: Quote, results: Path) -> str:
    """The page's text with the quote's figures as the results have them. Raises QuotedFigureError."""
    names = re.findall(r"\{(\w+)\}", quote.text)
    pieces = [
        r"\s+".join(map(re.escape, piece.split(" "))) for piece in re.split(r"\{\w+\}", quote.text)
    ]
    matches = list(re.finditer(_FIGURE.join(pieces), text))
    if len(matches) != 1 or sorted(names) != sorted(quote.figures):
        raise QuotedFigureError(
            f"{len(matches)} places read {quote.text!r}",
            where=quote.page,
            fix=f"write it so there, or mend {QUOTED.name}",
        )
    (match,) = matches
    for group in range(
        len(names), 0, -1
    ):  # from the end, so that places before stay where they are
        shown = quote.figures[names[group - 1]].shown(results)
        text = text[: match.start(group)] + shown + text[match.end(group) :]
    return text


def quoting_pages(results: Path, root: Path = ROOT) -> dict[Path, str]:
    """Every page that quotes figures, as it should be. Raises QuotedFigureError or ResultsFileError."""
    pages: dict[Path, str] = {}
    for quote in quotes():
        path = root / quote.page
        text = pages.get(path) or path.read_text(encoding="utf-8")
        pages[path] = with_figures(text, quote, results)
    return pages


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="only say whether the page is current")
    parser.add_argument("--results", type=Path, default=RESULTS)
    parser.add_argument("--output", type=Path, default=TARGET)
    options = parser.parse_args(arguments)
    try:
        pages = {options.output: document(load(options.results))}
        if options.results == RESULTS:
            pages |= quoting_pages(RESULTS)
    except NearkeyError as fault:
        print(f"make_results: {fault}", file=sys.stderr)
        return 2
    stale = [
        path
        for path, text in pages.items()
        if not path.exists() or path.read_text(encoding="utf-8") != text
    ]
    for path in stale:
        if options.check:
            print(f"{path} is not what the results give; run make_results.py")
        else:
            with atomic_write(path) as stream:
                stream.write(pages[path])
            print(path)
    return int(options.check and bool(stale))


if __name__ == "__main__":
    sys.exit(main())
