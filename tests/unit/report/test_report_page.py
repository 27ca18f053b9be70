"""The report page: whole, self-contained, accessible, and saying what the ranking says."""

from __future__ import annotations

import base64
import io
import re
import sys
import xml.etree.ElementTree as ElementTree
from html.parser import HTMLParser
from itertools import pairwise

import numpy as np
import pytest
from report_doubles import grids, pad, small_pack, small_ranking

import nearkey as nk
from nearkey.errors import NearkeyError, TouchDataError
from nearkey.report import LoggedTouches, page, rank_report
from nearkey.report.pictures import log_for
from nearkey.report.ranking_tables import ranking_table

VOID = {"meta", "img", "br", "link", "input", "hr"}


class Document(HTMLParser):
    """Elements in order, with text; refuses tags that do not match."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[tuple[str, str]] = []
        self._open: list[str] = []
        self.feed(text)
        assert not self._open, f"left open: {self._open}"

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag):
        assert self._open.pop() == tag, f"</{tag}> closes another element"

    def handle_data(self, data):
        if self._open:
            self.text.append((self._open[-1], data))

    def all(self, tag):
        return [attrs for name, attrs in self.found if name == tag]

    def words(self):
        kept = (data for tag, data in self.text if tag not in ("style", "script"))
        return " ".join(" ".join(kept).split())


def _logged() -> list[LoggedTouches]:
    layout = grids(2, 3, 1)[0]
    rng = np.random.default_rng(1)
    keys = np.tile(np.arange(len(layout.keys)), 60)
    log = nk.TouchLog.from_points(
        layout.centers[keys] + rng.normal(0, 1.4, (len(keys), 2)),
        [layout.key_ids[k] for k in keys],
        participant=[f"invented-{i % 3}" for i in range(len(keys))],
    )
    cleaned, report = nk.clean(log, layout)
    return [LoggedTouches(cleaned, layout, report)]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return rank_report(
        small_ranking(),
        tmp_path_factory.mktemp("report"),
        touches=_logged(),
        again=small_ranking(seed=6),
        pack=small_pack(),
        lm_weight=1.0,
        title="A test",
    )


@pytest.fixture(scope="module")
def document(made):
    return Document(made.page.read_text(encoding="utf-8"))


def test_the_page_needs_no_other_file_and_fetches_nothing(made, document):
    text = made.page.read_text(encoding="utf-8")
    for tag, attrs in document.found:
        for name in ("src", "href", "srcset", "action", "data", "poster"):
            value = attrs.get(name)
            assert value is None or value.startswith(("data:image/", "#")), (tag, value[:60])
    assert "@import" not in text
    assert "url(" not in text
    assert not re.search(r"\b(?:fetch|XMLHttpRequest|import)\s*\(", text)
    policy = next(m["content"] for m in document.all("meta") if m.get("http-equiv"))
    assert "default-src 'none'" in policy


@pytest.mark.reference
def test_structure_meets_wcags_rules_for_images_headings_tables_and_language(document):
    # Source: WCAG 2.1, criteria 1.1.1 (alternatives), 1.3.1 (structure), 3.1.1 (language).
    assert document.all("html") == [{"lang": "en"}]
    assert all(len(img["alt"]) > 40 for img in document.all("img"))
    levels = [int(tag[1]) for tag, _ in document.found if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert len(document.all("caption")) == len(document.all("table"))
    assert all(th.get("scope") in ("col", "row") for th in document.all("th"))


def test_ids_are_unique_and_links_inside_the_page_lead_somewhere(document):
    ids = [attrs["id"] for _, attrs in document.found if "id" in attrs]
    assert len(ids) == len(set(ids))
    assert {a["href"][1:] for a in document.all("a")} <= set(ids)
    assert {s["aria-labelledby"] for s in document.all("section")} <= set(ids)


def _luminance(colour: str) -> float:
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def _contrast(one: str, other: str) -> float:
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.reference
def test_text_and_marks_stand_out_as_wcag_asks(made):
    # Source: WCAG 2.1, criteria 1.4.3 (text, 4.5 : 1) and 1.4.11 (graphics, 3 : 1).
    from nearkey.report.style import key_colour

    assert _contrast("#000000", "#ffffff") == pytest.approx(21)
    text = made.page.read_text(encoding="utf-8")
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", text))
    for ink in ("ink", "quiet", "accent"):
        for paper in ("#ffffff", colours["mark"]):
            assert _contrast(colours[ink], paper) >= 4.5
    assert all(_contrast(key_colour(i), "#ffffff") >= 3 for i in range(6))


def test_pictures_are_whole_files_and_the_page_holds_the_same_ones(made, document):
    image = pytest.importorskip("matplotlib.image")
    embedded = [
        img for img in document.all("img") if "width" not in img
    ]  # drawings in rows have one
    assert len(embedded) == len(made.pictures)
    for path in made.pictures:
        pixels = image.imread(path)
        assert min(pixels.shape[:2]) > 200
        assert pixels.std() > 0.02
    for img in embedded:
        kind, data = re.fullmatch(r"data:image/([a-z+]+);base64,(.+)", img["src"]).groups()
        content = base64.b64decode(data, validate=True)
        if kind == "svg+xml":
            assert ElementTree.fromstring(content).tag.endswith("svg")
        else:
            assert image.imread(io.BytesIO(content)).size


def test_the_table_says_what_the_ranking_says(document):
    result = small_ranking()
    words = document.words()
    for row in result.rows:
        cells = [
            f"{100 * row.top1.value:.1f} {100 * row.top1.low:.1f} to {100 * row.top1.high:.1f}",
            f"{100 * row.top3.value:.1f} {100 * row.top3.low:.1f} to {100 * row.top3.high:.1f}",
            f"{100 * row.top5.value:.1f} {100 * row.top5.low:.1f} to {100 * row.top5.high:.1f}",
            f"{row.kspc.value:.3f} {row.kspc.low:.3f} to {row.kspc.high:.3f}",
        ]
        assert " ".join(cells) in words


def test_words_confused_are_counted_as_the_ranking_counts_them(document):
    result = small_ranking()
    worst = result.confusions(result.best.name, 1)[0]
    assert f"{worst.word} {worst.shown} {worst.count} of {worst.typed}" in document.words()


def test_how_it_was_made_and_what_it_does_not_say_stand_on_the_page(document):
    words = document.words()
    for said in (
        "18 x 12 mm",
        "Seed 5",
        "400 typed on each layout",
        "language weight 1",
        "winner's curse",
        "unverified",
        "very model it assumes",
        "No person typed",
        "consent",
    ):
        assert said in words
    assert "What cleaning dropped" in words
    assert "typed again" in words


def test_the_finding_is_no_stronger_than_the_interval():
    from nearkey.report.findings import findings

    result = small_ranking()
    best = result.rows[0]
    others = [r for r in result.rows[1:] if r.may_be_best]
    said = findings(result, None)
    assert any(s.startswith(f"{len(others)} of the other 4 layouts") for s in said)
    if best.layout != "qwerty":
        tells = best.over_baseline.low > 0
        text = "more than chance" if tells else "too little to distinguish"
        assert any(text in s for s in said)


def test_two_writings_of_one_ranking_are_the_same_bytes(made, tmp_path):
    again = rank_report(
        small_ranking(),
        tmp_path,
        touches=_logged(),
        again=small_ranking(seed=6),
        pack=small_pack(),
        lm_weight=1.0,
        title="A test",
    )
    assert again.page.read_bytes() == made.page.read_bytes()
    for one, other in zip(made.pictures, again.pictures, strict=True):
        assert one.name == other.name
        assert one.read_bytes() == other.read_bytes()


def test_text_from_outside_stays_text(tmp_path):
    evil = '<img src=x onerror="alert(1)">&'
    layouts = [grids(2, 3, 1)[0].renamed(evil), pad()]
    result = nk.rank_layouts(
        layouts,
        touch=lambda layout: nk.GaussianTouch.from_layout(layout, spread_mm=1.6),
        pack=small_pack(),
        words=50,
        seed=1,
        baseline="qwerty",
    )
    made = rank_report(result, tmp_path, title="</title><script>alert(2)</script>", note=evil)
    document = Document(made.page.read_text(encoding="utf-8"))
    assert len(document.all("script")) == 1
    assert not [attrs for _, attrs in document.found if "onerror" in attrs]
    assert evil in document.words()
    assert all(path.parent == tmp_path for path in made.pictures)


def test_without_baseline_logs_or_a_second_run_the_page_leaves_them_out(tmp_path):
    made = rank_report(small_ranking(baseline=False), tmp_path)
    assert not (tmp_path / "differences.png").exists()
    words = Document(made.page.read_text(encoding="utf-8")).words()
    assert "To the baseline" not in words
    assert "The leaders again" not in words
    assert "The touches behind it" not in words
    assert "touches drawn from the touch model" in words


@pytest.mark.parametrize(("by", "unit"), [("top1", "points"), ("kspc", "KSPC"), ("wpm", "WPM")])
def test_differences_are_told_in_the_unit_of_the_measure_that_ranks(by, unit):
    result = small_ranking(by=by)
    table = ranking_table(result, limit=2)
    assert table.head[-1] == f"To the baseline, {unit}"
    row = next(r for r in result.rows if r.layout != "qwerty" and r.place > 1)
    value = row.to_baseline[by].value * (100 if unit == "points" else 1)
    shown = next(cells for cells in ranking_table(result).rows if cells[1].text == row.layout)
    told = float(shown[-1].text.replace("\N{MINUS SIGN}", "-"))
    assert told == pytest.approx(value, abs=0.051 if unit != "KSPC" else 0.00051)


def test_a_ranking_of_one_layout_has_a_report_too(tmp_path):
    result = nk.rank_layouts(
        [pad()],
        touch=nk.GaussianTouch.from_layout(pad(), spread_mm=1.0),
        pack=small_pack(),
        words=30,
        seed=1,
        baseline="qwerty",
    )
    made = rank_report(result, tmp_path)
    words = Document(made.page.read_text(encoding="utf-8")).words()
    assert "winner's curse" not in words
    assert "no candidate did better" not in words


def test_touches_follow_the_rectangles_not_the_letters_ids_or_units():
    recorded_on = grids(2, 3, 1)[0]
    log = nk.TouchLog.from_points(
        recorded_on.centers, list(recorded_on.key_ids), participant="invented"
    )
    touches = [LoggedTouches(log, recorded_on)]
    # The same rectangles in another order, under other ids, in units of 3 mm.
    keys = tuple(
        nk.Key(f"k{i}", k.label, k.x / 3, k.y / 3, k.w / 3, k.h / 3, k.letters)
        for i, k in enumerate(reversed(recorded_on.keys))
    )
    layout = nk.Layout("other", 3.0, 6.0, 4.0, keys)
    found = log_for(layout, touches)
    assert found is not None
    assert found.points * 3 == pytest.approx(log.points)
    assert found.target.tolist() == [f"k{5 - i}" for i in range(6)]
    assert log_for(pad(), touches) is None


def test_letters_as_targets_become_keys():
    layout = pad()
    log = nk.TouchLog.from_points([[1.0, 1.0], [2.0, 2.0]], ["q", ""])
    found = log_for(layout.renamed("again"), [LoggedTouches(log, layout)])
    assert found is not None
    assert found.target.tolist() == [layout.keys[layout.key_of_letter["q"]].id, ""]


def test_a_log_that_does_not_fit_its_layout_is_refused_and_nothing_is_written(tmp_path):
    log = nk.TouchLog.from_points([[1.0, 1.0]], ["nowhere"])
    with pytest.raises(TouchDataError, match="nowhere"):
        rank_report(
            small_ranking(), tmp_path / "out", touches=[LoggedTouches(log, grids(2, 3, 1)[0])]
        )
    assert not (tmp_path / "out").exists()


def test_a_failure_while_drawing_leaves_the_old_report_alone(tmp_path, monkeypatch):
    (tmp_path / "report.html").write_text("old")

    def broken(*_):
        raise RuntimeError("out of ink")

    monkeypatch.setattr(page, "people_picture", broken)
    with pytest.raises(RuntimeError):
        rank_report(small_ranking(), tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]
    assert (tmp_path / "report.html").read_text() == "old"


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(NearkeyError, match=r"taken.*cannot be written"):
        rank_report(small_ranking(), tmp_path / "taken")


def test_no_rows_cannot_be_shown(tmp_path):
    with pytest.raises(NearkeyError, match="limit"):
        rank_report(small_ranking(), tmp_path, limit=0)


@pytest.mark.parametrize("library", ["jinja2", "matplotlib"])
def test_a_missing_library_is_told_with_the_extra_to_install(tmp_path, monkeypatch, library):
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(NearkeyError, match=r"pip install 'nearkey\[report\]'"):
        rank_report(small_ranking(), tmp_path)
    assert not list(tmp_path.iterdir())


def test_pictures_of_an_earlier_ranking_do_not_stay_beside_a_new_report(tmp_path):
    own = ["layout-notes.png", "my-layout-01-a.png", "layout-1-a.png", "layout-01-a.svg"]
    for name in (*own, "layout-98-qwerty-9x9-s01.png"):
        (tmp_path / name).write_bytes(b"somebody's own")
    made = rank_report(small_ranking(), tmp_path)
    # The folder held no report, so whatever lies there is somebody's own.
    assert (tmp_path / "layout-98-qwerty-9x9-s01.png").exists()
    stale = tmp_path / "layout-99-qwerty-9x9-s02.png"
    stale.write_bytes(b"of an earlier ranking")
    (tmp_path / "layout-97-folder.png").mkdir()
    again = rank_report(small_ranking(), tmp_path)
    assert not stale.exists()
    assert not (tmp_path / "layout-98-qwerty-9x9-s01.png").exists()
    kept = {p.name for p in tmp_path.iterdir()}
    assert kept == {
        *own,
        "layout-97-folder.png",
        "layouts",
        "report.html",
        *(p.name for p in again.pictures),
    }
    assert again.pictures == made.pictures
