"""The tables of a study as tidy files, one row an observation: CSV, and Parquet where pyarrow is installed."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from nearkey.files import atomic_path, atomic_write
from nearkey.study.phrase_observations import ConditionOrders, place_in
from nearkey.study.results import Measures
from nearkey.study.study_log import StudyLog

Rows = list[dict[str, Any]]


def tidy_tables(
    measured: Measures,
    logs: Iterable[StudyLog] = (),
    *,
    orders: ConditionOrders | None = None,
    texts: bool = False,
) -> dict[str, Rows]:
    """Name -> rows: phrases, blocks, participants, conditions, candidates (words by place in the list), touches.

    Parameters
    ----------
    measured : what `measures` returned. logs : the same logs, for the touches. orders : see `condition_orders`; adds
        each condition's `place`.
    texts : keep what was shown and typed in the rows of phrases; private, so left out unless asked for.
    """
    tables: dict[str, Rows] = {}
    for name, level in (
        ("phrases", "phrase"),
        ("blocks", "block"),
        ("participants", "participant"),
    ):
        rows = []
        for row in measured.to_dicts(level):  # type: ignore[arg-type]
            place = place_in(orders, row["participant"], row["condition"])
            without = ("ranks",) if texts else ("ranks", "presented", "transcribed")
            flat = {key: value for key, value in row.items() if key not in without}
            rows.append({"place": place, **flat})
        tables[name] = rows
    tables["conditions"] = [
        {
            "condition": one.condition,
            "measure": name,
            "mean": mean.mean,
            "low": mean.low,
            "high": mean.high,
            "sd": mean.sd,
            "participants": mean.n,
        }
        for one in measured.conditions
        for name, mean in one.estimates.items()
    ]
    tables["candidates"] = [
        {
            "participant": one.participant,
            "condition": one.condition,
            "place_in_list": rank + 1,
            "words": n,
        }
        for one in measured.participants
        for rank, n in one.counts.ranks.items()
    ]
    tables["touches"] = touch_rows(logs)
    return {name: rows for name, rows in tables.items() if rows}


def touch_rows(logs: Iterable[StudyLog]) -> Rows:
    """A row for each touch of `logs` that counts, see `StudyTrial.counted_touches`."""
    return [
        {
            "participant": trial.header.participant,
            "condition": trial.header.condition,
            "session": trial.header.session,
            "block": trial.block,
            "time_s": tap.t,
            "x": tap.x,
            "y": tap.y,
            "key": tap.key,
        }
        for log in logs
        for trial in log.trials()
        for tap in trial.counted_touches
    ]


def has_parquet() -> bool:
    """Whether pyarrow is installed, and Parquet files can be written."""
    return find_spec("pyarrow") is not None


def write_tidy_tables(
    tables: Mapping[str, Sequence[Mapping[str, Any]]], folder: Path, *, parquet: bool = True
) -> list[Path]:
    """Write each of the `tables` as NAME.csv into `folder`, and with `parquet` as NAME.parquet; the files written.

    What is no number (NaN, None) is an empty cell of CSV and null in Parquet. Files of the same names are replaced,
    each whole or not at all.
    """
    written = []
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in tables.items():
        heads = list(dict.fromkeys(key for row in rows for key in row))
        clean = [{key: _plain(row.get(key)) for key in heads} for row in rows]
        path = folder / f"{name}.csv"
        with atomic_write(path) as file:
            writer = csv.DictWriter(file, heads, lineterminator="\n")
            writer.writeheader()
            writer.writerows(clean)
        written.append(path)
        if parquet:
            import pyarrow
            import pyarrow.parquet

            path = folder / f"{name}.parquet"
            with atomic_path(path) as temporary:
                pyarrow.parquet.write_table(pyarrow.Table.from_pylist(clean), temporary)
            written.append(path)
    return written


def _plain(value: Any) -> Any:
    return None if isinstance(value, float) and math.isnan(value) else value
