"""RESULTS.md follows from the results files. Formatting rules are our own: no outside source."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

import nearkey

BENCHMARKS = Path(__file__).resolve().parents[3] / "benchmarks"
sys.path.insert(0, str(BENCHMARKS))

import make_results  # noqa: E402
import sections  # noqa: E402

GOOD = {
    "format": "nearkey-results-1",
    "title": "Invented | figures",
    "command": "python measure.py",
    "columns": ["method", {"name": "share", "percent": True}, {"name": "us", "digits": 2}],
    "rows": [["one", [0.5, 0.25, 0.75], 3.14159], ["two", None, 12]],
}


def put(folder: Path, name: str, **changes: object) -> Path:
    path = folder / name
    path.write_text(json.dumps({**GOOD, **changes}))
    return path


def test_sections_come_in_their_order_and_cells_as_their_columns_ask(tmp_path: Path) -> None:
    put(tmp_path, "a.json", title="Second", order=20)
    put(tmp_path, "b.json", title="First", order=10)
    page = make_results.document(make_results.load(tmp_path))
    assert page.index("## First") < page.index("## Second")
    assert "| one | 50.0 [25.0, 75.0] % | 3.14 |" in page
    assert "| two | – | 12 |" in page
    assert "|---|---:|---:|" in page


def test_the_page_says_with_which_pack_and_revision_figures_were_taken(tmp_path: Path) -> None:
    taken = sections.section("t", "x", [[1]], command="c").taken
    assert taken["English pack"] == nearkey.load_pack("en").info.version
    put(tmp_path, "a.json", taken={"English pack": "1.2.3", "revision": "abc1234+"})
    page = make_results.document(make_results.load(tmp_path))
    assert "from results/a.json, English pack 1.2.3, revision abc1234+" in page
    assert f"another English pack than {taken['English pack']}, which ships: a.json." in page
    put(tmp_path, "a.json", taken=taken)
    assert "another English pack" not in make_results.document(make_results.load(tmp_path))


def test_check_notices_a_page_edited_by_hand(tmp_path: Path) -> None:
    put(tmp_path, "a.json")
    page = tmp_path / "RESULTS.md"
    options = ["--results", str(tmp_path), "--output", str(page)]
    assert make_results.main([*options, "--check"]) == 1
    assert make_results.main(options) == 0
    assert make_results.main([*options, "--check"]) == 0
    page.write_text(page.read_text().replace("3.14", "3.15"))
    assert make_results.main([*options, "--check"]) == 1


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"format": "other"}, "format"),
        ({"rows": [["one", 1.0]]}, "row 0 has 2 cells"),
        ({"rows": [["one", [1.0, 2.0], 3]]}, "[estimate, low, high]"),
        ({"tittle": "x"}, "tittle"),
        ({"command": " "}, "command"),
    ],
)
def test_a_faulty_file_is_named_with_its_fault(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], changes: dict[str, object], message: str
) -> None:
    path = put(tmp_path, "bad.json", **changes)
    assert make_results.main(["--results", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert str(path) in said
    assert message in said


def test_a_written_file_reads_back_and_the_readme_example_is_valid(tmp_path: Path) -> None:
    readme = (BENCHMARKS / "README.md").read_text(encoding="utf-8")
    example = tmp_path / "example.json"
    example.write_text(readme.split("```json\n")[1].split("```")[0])
    (section,) = sections.read(example)
    copy = tmp_path / "copy.json"
    sections.write(copy, section)
    assert sections.read(copy) == [section]
    first = copy.read_bytes()
    sections.write(copy, section)
    assert copy.read_bytes() == first


def test_not_a_number_is_refused() -> None:
    with pytest.raises(sections.ResultsFileError, match="write null"):
        sections.Section(
            format=sections.FORMAT, title="t", command="c", columns=["x"], rows=[[float("nan")]]
        )


def test_a_machine_is_told_without_the_build_of_its_kernel(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sections.platform, "system", lambda: "Linux")
    monkeypatch.setattr(sections.platform, "release", lambda: "6.1.27-own-build")
    assert sections.this_machine()["system"] == "Linux 6.1"
