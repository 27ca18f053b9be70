"""Figures that pages quote from results: `quoted.toml` says which, `make_results.py` writes them into the pages.

A quote is a piece of a page with a name in braces in the place of each figure; the words stay as the page has them, the
figures follow from the results. So a page that says something else about a figure has to be written anew by hand.
"""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path
from typing import Literal

import msgspec
from sections import ROOT, Cell, read

from nearkey.errors import NearkeyError
from nearkey.schema import convert

QUOTED = Path(__file__).resolve().parent / "quoted.toml"
_FIGURE = r"(-?\d[\d,]*(?:\.\d+)?)"


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
