"""Pages quote figures as the results have them. Rules of the quotes are our own: no outside source."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
sys.path.insert(0, str(ROOT / "benchmarks"))

import make_results  # noqa: E402

INVENTED = {
    "format": "nearkey-results-1",
    "title": "Invented figures",
    "command": "python measure.py",
    "columns": ["way", "size", {"name": "right", "percent": True}, {"name": "us", "digits": 1}],
    "rows": [
        ["one", 4.99, [0.8712, 0.8, 0.95], 1204.0],
        ["two", 4.99, 0.5, 310.0],
        ["two", 12.0, 0.25, 3_100_000],
    ],
}


@pytest.fixture
def results(tmp_path: Path) -> Path:
    (tmp_path / "invented.json").write_text(json.dumps(INVENTED))
    return tmp_path


def figure(**fields: object) -> make_results.QuotedFigure:
    return make_results.QuotedFigure(**({"file": "invented", "row": ["one"]} | fields))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("fields", "shown"),
    [
        ({"column": "right"}, "87"),
        ({"column": "right", "digits": 1}, "87.1"),
        ({"column": "right", "end": "low"}, "80"),
        ({"column": "right", "times": -1, "end": "high"}, "-95"),
        ({"column": "us", "times": 0.001, "digits": 1}, "1.2"),
        ({"column": "us", "times": 0.001, "digits": 1, "up": True}, "1.3"),
        ({"column": "us", "times": -0.00001, "digits": 1}, "0.0"),
        ({"column": "us", "row": ["two", 12.0]}, "3,100,000"),
        ({"column": "right", "row": ["two", 5.0]}, "50"),
    ],
)
def test_a_cell_is_shown_as_the_quote_asks(
    results: Path, fields: dict[str, object], shown: str
) -> None:
    assert figure(**fields).shown(results) == shown


@pytest.mark.parametrize(
    ("fields", "fault"),
    [
        ({"column": "right", "row": ["two"]}, "2 rows hold"),
        ({"column": "right", "row": ["three"]}, "0 rows hold"),
        ({"column": "wrong"}, "0 rows hold"),
        ({"column": "way"}, "is no figure"),
    ],
)
def test_a_cell_that_is_none_or_several_is_refused(
    results: Path, fields: dict[str, object], fault: str
) -> None:
    with pytest.raises(make_results.QuotedFigureError, match=fault):
        figure(**fields).shown(results)


def test_figures_are_put_right_and_the_words_and_lines_stay(results: Path) -> None:
    quote = make_results.Quote(
        "page.md",
        "right for {share} % in {us} ms.",
        {
            "share": figure(column="right", digits=1),
            "us": figure(column="us", times=0.001, digits=1),
        },
    )
    page = "Right for 1 %, it says.\nIt is right for 9.9 %\nin 1,000.05 ms. More 9.9."
    assert make_results.with_figures(page, quote, results) == (
        "Right for 1 %, it says.\nIt is right for 87.1 %\nin 1.2 ms. More 9.9."
    )
    with pytest.raises(make_results.QuotedFigureError, match="0 places read"):
        make_results.with_figures("right for many % in 2 ms.", quote, results)
    with pytest.raises(make_results.QuotedFigureError, match="2 places read"):
        make_results.with_figures(page + page, quote, results)


def test_results_page_and_quoting_pages_say_what_the_results_hold() -> None:
    assert make_results.main(["--check"]) == 0, "run python benchmarks/make_results.py"


def test_the_readme_quotes_every_figure_of_what_was_measured() -> None:
    page = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())
    section = page.split("## What was measured")[1].split("## Careful")[0]
    for quote in make_results.quotes():
        if quote.page == "README.md":
            pattern = re.sub(r"\\\{\w+\\\}", r"-?[\\d,.]+", re.escape(quote.text))
            section, found = re.subn(pattern, "", section)
            assert found == 1, quote.text
    assert not re.findall(r"[\d.]+ (?:%|ms|s|MB|nats|points|times|words)\b", section)
