"""The tables of a ranking report, as plain data for the template."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from nearkey.report.pictures import Recorded
from nearkey.report.plots import MEASURE_NAMES
from nearkey.report.shapes import drawn_layouts, leading, shape_of
from nearkey.report.words import measure_form, measure_unit, percent, span
from nearkey.simulate import Estimate, RankResult, RankRow

__all__ = ["Cell", "Table", "again_table", "cleaning_tables", "confusion_tables", "ranking_table"]

_CONFUSED = 8  # words shown for a layout


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell: text, small print below it, and what it sorts by."""

    text: str
    small: str = ""
    order: float | str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A table: `marked` rows (positions) are set off; the cells of column `head_column` are row headers."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    marked: tuple[int, ...] = ()
    head_column: int = 0


def _estimate(estimate: Estimate, measure: str, *, difference: bool = False) -> Cell:
    form = measure_form(measure, difference=difference)
    return Cell(form(estimate.value), span(estimate, form), estimate.value)


def ranking_table(result: RankResult, *, most: int | None = None) -> Table:
    """The ranking, all of it or the first `most` and the baseline."""
    kept = [row.layout for row in result.rows] if most is None else leading(result, most)
    rows = [result.row(name) for name in kept]
    by, base = result.by, result.baseline
    head = ["Place", "Layout", "Shape", "Top-1, %", "Top-3, %", "Top-5, %", "KSPC", "WPM *"]
    head += ["Collisions, %", f"To the best, {measure_unit(by)}"]
    if base is not None:
        head.append(f"To the baseline, {measure_unit(by)}")
    caption = (
        f"All {len(rows)} layouts" if most is None else f"The first {min(most, len(rows))} layouts"
    )
    if most is not None and base is not None:
        caption += " and the baseline"
    return Table(
        caption=caption,
        head=tuple(head),
        rows=tuple(_ranking_row(result, row) for row in rows),
        marked=tuple(i for i, row in enumerate(rows) if row.layout == base),
        head_column=1,
    )


def _ranking_row(result: RankResult, row: RankRow) -> tuple[Cell, ...]:
    notes = ["baseline"] if row.layout == result.baseline else []
    if row.stopped_early:
        notes.append(f"stopped early, {row.words:,} words")
    shape = shape_of(result.scored[row.layout].layout)
    cells = [
        Cell(str(row.place), order=row.place),
        Cell(row.layout, ", ".join(notes), row.layout),
        Cell(shape, order=shape),
        *(_estimate(getattr(row, m), m) for m in RankResult.MEASURES),
        Cell(percent(row.collision), order=row.collision),
    ]
    for differences in (row.to_best, row.to_baseline):
        if differences is not None:
            one = differences[result.by]
            itself = differences is row.to_baseline and row.layout == result.baseline
            itself = itself or (differences is row.to_best and row.place == 1)
            cells.append(
                Cell("–", order=0.0) if itself else _estimate(one, result.by, difference=True)
            )
    return tuple(cells)


def again_table(result: RankResult, again: RankResult) -> Table:
    """The layouts of the second run, with their place and value in the first."""
    by = result.by
    form = measure_form(by)
    name = MEASURE_NAMES[by] + (", %" if by.startswith("top") else "")
    head = [
        "Place again",
        "Layout",
        "Place before",
        f"Before: {name}",
        f"Again: {name}",
        "KSPC again",
    ]
    if again.baseline is not None:
        head.append(f"Again: to the baseline, {measure_unit(by)}")
    rows = []
    for row in again.rows:
        before = result.row(row.layout) if row.layout in result.scored else None
        cells = [
            Cell(str(row.place), order=row.place),
            Cell(row.layout, "baseline" if row.layout == again.baseline else "", row.layout),
            Cell("–" if before is None else str(before.place)),
            Cell("–") if before is None else Cell(form(getattr(before, by).value)),
            _estimate(getattr(row, by), by),
            _estimate(row.kspc, "kspc"),
        ]
        if row.to_baseline is not None:
            itself = row.layout == again.baseline
            cells.append(
                Cell("–") if itself else _estimate(row.to_baseline[by], by, difference=True)
            )
        rows.append(tuple(cells))
    context = ", each decoded after the words before it" if again.sample.states is not None else ""
    return Table(
        f"{len(again.rows)} layouts typed again: {len(again.sample):,} words{context}; "
        f"{again.sample.source}; seed {again.seed}",
        tuple(head),
        tuple(rows),
        head_column=1,
    )


def confusion_tables(result: RankResult, *, most: int) -> list[tuple[bool, Table]]:
    """For each leading layout the words most often beaten, and whether it is among the layouts drawn."""
    drawn = {name for name, _ in drawn_layouts(result)}
    names = leading(result, most)
    names += [name for name, _ in drawn_layouts(result) if name not in names]
    tables = []
    for name in names:
        rows = tuple(
            (
                Cell(c.word),
                Cell(c.shown or "(nothing)"),
                Cell(f"{c.count} of {c.typed}", order=c.count),
            )
            for c in result.confusions(name, _CONFUSED)
        )
        place = result.row(name).place
        head = ("Meant", "Came first", "How often")
        tables.append((name in drawn, Table(f"{name}, place {place}", head, rows)))
    return tables


def cleaning_tables(touches: Sequence[Recorded]) -> list[Table]:
    """What was dropped of each touch log before the models were fitted."""
    tables = []
    for recorded in touches:
        report = recorded.cleaning
        if report is None:
            continue
        lines = report.to_dicts()
        head = tuple(name.replace("_", " ").capitalize() for name in lines[0])
        rows = tuple(
            tuple(Cell(f"{v:,}" if isinstance(v, int) else str(v)) for v in line.values())
            for line in lines
        )
        share = percent(report.n_dropped / report.n_touches)
        tables.append(
            Table(
                f"Touches on {shape_of(recorded.layout)}: dropped {report.n_dropped:,} of "
                f"{report.n_touches:,} ({share} %), beyond {report.max_sd:g} standard deviations of their key on an "
                "axis or exact repeats",
                head,
                rows,
            )
        )
    return tables
