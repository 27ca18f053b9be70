"""The report of a ranking: one self-contained page and its pictures as files."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from nearkey.decode import LanguagePack
from nearkey.errors import NearkeyError
from nearkey.report.findings import cautions, facts, findings
from nearkey.report.page_files import check_report_extra, rendered, write_page, writing_to
from nearkey.report.pictures import Recorded, layout_pictures, people_picture, ranking_pictures
from nearkey.report.ranking_tables import (
    again_table,
    cleaning_tables,
    conditions_table,
    confusion_tables,
    ranking_table,
)
from nearkey.simulate import NoiseCurves, RankResult
from nearkey.simulate.rank_result import verdict

_DRAWING = re.compile(r"layout-[0-9]{2,}-[a-z0-9]+(-[a-z0-9]+)*\.png")
"""Names of the pictures of layouts, as `pictures.layout_pictures` gives them."""


@dataclass(frozen=True, slots=True)
class ReportFiles:
    """Where a report lies: the page, which needs no other file, and its pictures."""

    page: Path
    pictures: tuple[Path, ...]


def rank_report(
    result: RankResult,
    folder: str | os.PathLike[str],
    *,
    touches: Iterable[Recorded] = (),
    again: RankResult | None = None,
    pack: LanguagePack | None = None,
    lm_weight: float | None = None,
    title: str = "Layouts ranked",
    note: str = "",
    limit: int = 12,
    curves: NoiseCurves | None = None,
    warnings: Sequence[str] = (),
) -> ReportFiles:
    """Write the report of a ranking: `report.html`, and every picture as a PNG file beside it.

    Parameters
    ----------
    result : the ranking.
    folder : made where it is not there; files of the same names are replaced, each whole or not at all.
        Pictures of layouts (`layout-NN-NAME.png`) that an earlier report left there are removed.
    touches : logs (cleaned) with the layouts they were recorded on and their cleaning reports, such as
        `LoggedTouches` or a plan's recordings. A layout whose keys lie as those of a log is drawn with
        its touches; the others with touches drawn from their models.
    again : a second ranking of the leaders with other words, whose figures are free of selection.
    pack, lm_weight : named in the report where given.
    title, note : heading, and a sentence below it (where the data come from, say).
    limit : rows of the short table and of the plots.
    curves : the lead over the baseline against noise (`noise_curves`), drawn where given.
    warnings : of the plan, shown first.

    The spec of each layout is written beside the page (`layouts/NAME.toml`), so that other commands go on from it.

    Returns
    -------
    ReportFiles

    Raises
    ------
    NearkeyError
        When matplotlib or jinja2 is missing (``pip install 'nearkey[report]'``), `limit` is below 1, or
        the folder cannot be written.
    TouchDataError
        When a log does not fit the layout it comes with.
    """
    check_report_extra(folder)
    if limit < 1:
        raise NearkeyError(f"is {limit}", field="limit", fix="show 1 row or more")
    logs = list(touches)
    plots = list(ranking_pictures(result, curves, limit=limit))
    drawings = list(layout_pictures(result, logs))
    people = people_picture(result, logs)

    confused = confusion_tables(result, limit=limit)
    page = rendered(
        "page.html.j2",
        title=title,
        note=note,
        verdict=[line.strip() for line in verdict(result)],
        warnings=list(warnings),
        curves="" if curves is None else str(curves),
        conditions=conditions_table(result, limit=limit),
        findings=findings(result, again),
        facts=facts(result, pack=pack, lm_weight=lm_weight),
        top=ranking_table(result, limit=limit),
        everything=ranking_table(result),
        again=None if again is None else again_table(result, again),
        drawings=drawings,
        plots=plots,
        confused=[table for drawn, table in confused if drawn],
        more_confused=[table for drawn, table in confused if not drawn],
        cleaning=cleaning_tables(logs),
        people=people,
        cautions=cautions(result, touches=bool(logs)),
    )
    place = Path(folder)
    pictures = [*plots, *drawings, *([people] if people is not None else [])]
    again_here = (place / "report.html").is_file()
    with writing_to(folder):
        write_page(place, page, pictures)
        (place / "layouts").mkdir(exist_ok=True)
        for row in result.rows:
            result.scored[row.layout].layout.save(place / "layouts" / spec_name(row.layout))
        if again_here:  # in any other folder such files may be somebody's own
            _remove_drawings(place, keep={picture.name for picture in pictures})
    return ReportFiles(place / "report.html", tuple(place / p.name for p in pictures))


def spec_name(layout: str) -> str:
    """The file name of a layout's spec beside the report."""
    return f"{re.sub(r'[^A-Za-z0-9._-]+', '-', layout).strip('.-') or 'layout'}.toml"


def _remove_drawings(place: Path, *, keep: set[str]) -> None:
    """Remove an earlier report's pictures of layouts: they would pass for layouts of this one."""
    for file in sorted(place.iterdir()):
        if _DRAWING.fullmatch(file.name) and file.name not in keep and file.is_file():
            file.unlink()
