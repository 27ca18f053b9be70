"""Results as tables of other libraries, and as HTML in a notebook: what every result with `to_dicts` has."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from html import escape
from typing import Any

from nearkey.extras import library


def flat_rows(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Rows whose fields are single values: an inner mapping's fields get names such as `top1.low`.

    rows : as `to_dicts` gives them.
    """

    def flat(row: Mapping[str, Any], before: str) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for name, value in row.items():
            if isinstance(value, Mapping):
                found |= flat(value, f"{before}{name}.")
            else:
                found[f"{before}{name}"] = value
        return found

    return [flat(row, "") for row in rows]


class Tabular:
    """A result of rows: `to_frame`, `to_arrow`, and a table in notebooks."""

    __slots__ = ()

    to_dicts: Callable[..., list[dict[str, Any]]]

    def __repr__(self) -> str:
        return f"<{type(self).__name__}: {len(self.to_dicts())} rows>"

    def to_frame(self, *chosen: Any) -> Any:
        """The rows as a pandas DataFrame, an estimate as columns such as `top1.value`, `top1.low`, `top1.high`.

        chosen : which rows, where `to_dicts` takes that. Raises NearkeyError without pandas (the extra `frames`).
        """
        pandas = library("pandas", extra="frames", where="to_frame")
        return pandas.DataFrame(flat_rows(self.to_dicts(*chosen)))

    def to_arrow(self, *chosen: Any) -> Any:
        """The rows as a pyarrow Table, columns as of `to_frame`; NearkeyError without pyarrow (the extra `data`)."""
        pyarrow = library("pyarrow", extra="data", where="to_arrow")
        return pyarrow.Table.from_pylist(flat_rows(self.to_dicts(*chosen)))

    def _repr_html_(self) -> str:
        rows = flat_rows(self.to_dicts())
        if not rows:
            return "<p>no rows</p>"
        return html_table(rows[0], [[_shown(row.get(name)) for name in rows[0]] for row in rows])


def html_table(heads: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    """A table in HTML, its cells escaped."""
    head = "".join(f"<th>{escape(name)}</th>" for name in heads)
    body = "".join(
        f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _shown(value: Any) -> str:
    return f"{value:.4g}" if isinstance(value, float) else "" if value is None else str(value)
