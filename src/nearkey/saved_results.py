"""Results in files: written whole, and read back as rows and fields, whatever they are results of."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from os import PathLike
from typing import Any

from nearkey.errors import NearkeyError
from nearkey.files import atomic_write
from nearkey.frames import Tabular, flat_rows
from nearkey.schema import read_json
from nearkey.text_table import number, text_table

Rows = list[dict[str, Any]]


def score_rows(data: Mapping[str, Any]) -> Rows:
    """Rows of a score's plain data: each group of words of our decoder, and all words of each other decoder."""
    own = data["score"]
    groups = {"all": own["all"], "in lexicon": own["known"], "outside": own["unknown"]}
    groups |= {f"length {n}": group for n, group in own["by_length"].items()}
    found = [(own["decoder"], name, group) for name, group in groups.items()]
    found += [(name, "all", other["all"]) for name, other in data["compared"].items()]
    return [
        {"layout": data["layout"], "decoder": decoder, "group": name, **group}
        for decoder, name, group in found
    ]


_ROWS: Mapping[str, Callable[[Mapping[str, Any]], Rows]] = {
    "nearkey-ranking": lambda data: [{**row} for row in data["rows"]],
    "nearkey-score": score_rows,
    "nearkey-search": lambda data: [{**row} for row in data["layouts"]],
}
"""The rows of each kind of result."""


def write_result(path: str | PathLike[str], data: Mapping[str, Any]) -> None:
    """Write a result's plain data as JSON, whole or not at all."""
    with atomic_write(path) as file:
        json.dump(data, file, indent=1, ensure_ascii=False, allow_nan=False)
        file.write("\n")


@dataclass(frozen=True, slots=True, repr=False)
class SavedResult(Tabular):
    """A result as its file has it. `to_dicts()` are its rows, `str()` is a table of them.

    kind : "nearkey-ranking", "nearkey-score" or "nearkey-search". data : all the file says, estimates as
    mappings of value, low and high.
    """

    kind: str
    data: Mapping[str, Any]

    def to_dicts(self) -> Rows:
        """The rows as plain data."""
        return _ROWS[self.kind](self.data)

    def __str__(self) -> str:
        rows = flat_rows(self.to_dicts())
        if not rows:
            return "no rows"
        cells = [
            [
                number(row.get(name), 4) if isinstance(row.get(name), float) else row.get(name)
                for name in rows[0]
            ]
            for row in rows
        ]
        return text_table(list(rows[0]), cells)


def load_result(path: str | PathLike[str], kind: str | None = None) -> SavedResult:
    """A result that `save` of a ranking, a score or a search wrote.

    Parameters
    ----------
    path : the file. kind : the one kind that is wanted, as of `SavedResult`; any without it.

    Raises NearkeyError for a file that is not there, is no JSON, is of no such kind, of a later version, or damaged.
    """
    data = read_json(path, NearkeyError)
    found = data.get("schema") if isinstance(data, dict) else None
    if found not in _ROWS or kind not in (None, found):
        wanted = kind or ", ".join(_ROWS)
        raise NearkeyError(
            "is no saved result", where=path, field="schema", fix=f"name a file of {wanted}"
        )
    version = data.get("version")
    if version != 1:
        later = isinstance(version, int) and version > 1
        raise NearkeyError(
            f"is of version {version!r}",
            where=path,
            field="version",
            fix="use a later nearkey" if later else "save the result again",
        )
    result = SavedResult(str(found), data)
    try:
        flat_rows(result.to_dicts())
    except (KeyError, TypeError, AttributeError) as fault:
        raise NearkeyError(
            f"is damaged ({fault})", where=path, field="rows", fix="save the result again"
        ) from None
    return result
