"""The tables of a ranking report, as plain data for the template."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable, Iterator, Sequence

from nearkey.layout.drawing import keys_svg
from nearkey.report.page_files import ReportTable, TableCell
from nearkey.report.pictures import Recorded
from nearkey.report.wording import MEASURES, drawn_layouts, leading, percent, shape_of, span
from nearkey.simulate import Estimate, PeopleRow, RankResult, RankRow
from nearkey.text_table import number

_CONFUSED = 8  # words shown for a layout


_NONE = TableCell("–", order=0.0)


def _estimate(estimate: Estimate, form: Callable[[float], str]) -> TableCell:
    return TableCell(form(estimate.value), span(estimate, form), estimate.value)


def _layout(result: RankResult, row: RankRow) -> TableCell:
    notes = ["baseline"] if row.layout == result.baseline else []
    if row.stopped_early:
        notes.append(f"stopped early, {row.words:,} words")
    layout = result.scored[row.layout].layout
    drawn = keys_svg(layout, width_px=132)
    return TableCell(
        row.layout,
        ", ".join(notes),
        row.layout,
        "data:image/svg+xml;base64," + b64encode(drawn.encode()).decode("ascii"),
        "keys " + ", ".join(key.label for key in layout.letter_keys),
    )


def _to_baseline(result: RankResult, row: RankRow) -> Iterator[TableCell]:
    """The last cell of a row, where there is a baseline."""
    if result.baseline is not None:
        itself = row.layout == result.baseline or row.over_baseline is None
        yield (
            _NONE
            if itself
            else _estimate(row.over_baseline or row.behind, MEASURES[result.by].change)
        )


def ranking_table(result: RankResult, *, limit: int | None = None) -> ReportTable:
    """The ranking of a `result`, all of it or the first `limit` and the baseline."""
    kept = [row.layout for row in result.rows] if limit is None else leading(result, limit)
    rows = [result.row(name) for name in kept]
    by, base = result.by, result.baseline
    head = ["Place", "Layout", "Shape", "Top-1, %", "Top-3, %", "Top-5, %", "KSPC", "WPM *"]
    head += ["Spread, mm", "Offset, mm", "Touches a key"]
    head += ["Collisions, %", f"To the best of the others, {MEASURES[by].unit}"]
    if base is not None:
        head.append(f"To the baseline, {MEASURES[by].unit}")
    caption = (
        f"All {len(rows)} layouts"
        if limit is None
        else f"The first {min(limit, len(rows))} layouts"
    )
    if limit is not None and base is not None:
        caption += " and the baseline"
    return ReportTable(
        caption=caption,
        head=tuple(head),
        rows=tuple(_ranking_row(result, row) for row in rows),
        marked=tuple(i for i, row in enumerate(rows) if row.layout == base),
        head_column=1,
    )


def _ranking_row(result: RankResult, row: RankRow) -> tuple[TableCell, ...]:
    shape, noise = shape_of(result.scored[row.layout].layout), row.noise
    return (
        TableCell(str(row.place), "" if row.may_be_best else "not the best", order=row.place),
        _layout(result, row),
        TableCell(shape, " ".join(row.letters), order=shape),
        *(_estimate(getattr(row, field), one.value) for field, one in MEASURES.items()),
        TableCell(number(noise.spread_mm, 2), order=noise.spread_mm),
        TableCell(number(noise.offset_mm, 2), order=noise.offset_mm),
        TableCell(number(noise.touches_a_key, 0), order=noise.touches_a_key),
        TableCell(percent(row.collision), order=row.collision),
        _estimate(row.behind, MEASURES[result.by].change),
        *_to_baseline(result, row),
    )


def conditions_table(result: RankResult, *, limit: int) -> ReportTable | None:
    """The leading layouts of a `result` under every condition side by side; None where there is but one."""
    if not result.conditions:
        return None
    by, measure = result.by, MEASURES[result.by]
    names = list(leading(result, limit))
    names += [c.winner for c in result.conditions if c.winner not in names]
    unit = f"{measure.name}{', %' if measure.share else ''}"
    head = ["Layout"]
    for name in ("matched", *(c.condition for c in result.conditions)):
        head += [f"{name[0].upper()}{name[1:]}: place", unit]
        if result.baseline is not None:
            head.append(f"to the baseline, {measure.unit}")
    rows = []
    for name in names:
        row = result.row(name)
        cells = [_layout(result, row), _place(row), _estimate(getattr(row, by), measure.value)]
        cells += _to_baseline(result, row)
        for condition in result.conditions:
            if name not in condition.layouts:
                cells += [_NONE] * (3 if result.baseline is not None else 2)
                continue
            there = condition.row(name)
            cells += [_place(there), _estimate(there.values[by], measure.value)]
            if result.baseline is not None:
                over = None if name == result.baseline else (there.to_baseline or {}).get(by)
                cells.append(_NONE if over is None else _estimate(over, measure.change))
        rows.append(tuple(cells))
    how = result.conditions[0]
    return ReportTable(
        f"{len(rows)} layouts under {1 + len(result.conditions)} conditions; {how.how}; {how.words_each:,} words each",
        tuple(head),
        tuple(rows),
        marked=tuple(i for i, name in enumerate(names) if name == result.baseline),
    )


def _place(row: RankRow | PeopleRow) -> TableCell:
    return TableCell(f"{row.place}{'' if row.may_be_best else '-'}", order=row.place)


def again_table(result: RankResult, again: RankResult) -> ReportTable:
    """The layouts of the second run, `again`, with their place and value in the first, the `result`."""
    by, measure = result.by, MEASURES[result.by]
    name = measure.name + (", %" if measure.share else "")
    head = ["Place again", "Layout", "Place before", f"Before: {name}", f"Again: {name}"]
    head.append("KSPC again")
    if again.baseline is not None:
        head.append(f"Again: to the baseline, {measure.unit}")
    rows = []
    for row in again.rows:
        before = result.row(row.layout) if row.layout in result.scored else None
        rows.append(
            (
                TableCell(str(row.place), order=row.place),
                _layout(again, row),
                TableCell("–" if before is None else str(before.place)),
                TableCell("–" if before is None else measure.value(getattr(before, by).value)),
                _estimate(getattr(row, by), measure.value),
                _estimate(row.kspc, MEASURES["kspc"].value),
                *_to_baseline(again, row),
            )
        )
    context = (
        ", each decoded after the words before it" if again.workload.states is not None else ""
    )
    return ReportTable(
        f"{len(again.rows)} layouts typed again: {len(again.workload):,} words{context}; "
        f"{again.workload.source}; seed {again.options.seed}",
        tuple(head),
        tuple(rows),
        head_column=1,
    )


def confusion_tables(result: RankResult, *, limit: int) -> list[tuple[bool, ReportTable]]:
    """For each leading layout of a `result` the words most often beaten, and whether it is among the layouts drawn."""
    drawn = [name for name, _ in drawn_layouts(result)]
    head = ("Meant", "Came first", "How often")
    tables = []
    for name in dict.fromkeys([*leading(result, limit), *drawn]):
        rows = tuple(
            (
                TableCell(c.word),
                TableCell(c.shown or "(nothing)"),
                TableCell(f"{c.count} of {c.typed}", order=c.count),
            )
            for c in result.confusions(name, _CONFUSED)
        )
        caption = f"{name}, place {result.row(name).place}"
        tables.append((name in drawn, ReportTable(caption, head, rows)))
    return tables


def cleaning_tables(touches: Sequence[Recorded]) -> list[ReportTable]:
    """What was dropped of each log of `touches` before the models were fitted."""
    tables = []
    for recorded in touches:
        report = recorded.cleaning
        if report is None:
            continue
        lines = report.to_dicts()
        share = percent(report.n_dropped / report.n_touches)
        tables.append(
            ReportTable(
                f"Touches on {shape_of(recorded.layout)}: dropped {report.n_dropped:,} of "
                f"{report.n_touches:,} ({share} %), beyond {report.max_sd:g} standard deviations of their key on an "
                "axis or exact repeats",
                tuple(name.replace("_", " ").capitalize() for name in lines[0]),
                tuple(
                    tuple(
                        TableCell(f"{v:,}" if isinstance(v, int) else str(v)) for v in line.values()
                    )
                    for line in lines
                ),
            )
        )
    return tables
