"""The code blocks of README.md, docs/decoding.md and docs/packs.md run as printed."""

from __future__ import annotations

import json
import re

import pytest
from pages import ROOT, run_page


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path, monkeypatch):
    """Pages write files."""
    monkeypatch.chdir(tmp_path)


def test_the_readme_runs(tmp_path):
    printed = "".join(p for p, _ in run_page("README.md", at_least=5))
    assert "32 qwerty-2x3-s01" in printed
    assert "level word" in printed
    assert (tmp_path / "touch.json").is_file()
    assert (tmp_path / "fitted.json").is_file()
    assert (tmp_path / "grid.svg").is_file()
    assert re.search(r"^Level ", printed, re.MULTILINE)  # the session's text


def test_the_page_on_decoding_runs():
    printed = "".join(p for p, _ in run_page("docs/decoding.md", at_least=4))
    assert "quick word" in printed
    assert "('instrument', 'edited')" in printed
    assert "The pole is level" in printed


def test_the_page_on_packs_runs_and_prints_what_it_shows():
    for printed, shown in run_page("docs/packs.md", at_least=1):
        assert shown is not None
        assert printed == shown


def test_the_page_on_searching_runs_and_prints_what_it_shows():
    for printed, shown in run_page("docs/search.md", at_least=1):
        assert printed == shown


def test_the_page_on_parts_of_your_own_runs_and_its_examples_are_short():
    for printed, shown in run_page("docs/extending.md", at_least=4):
        assert shown is None or printed == shown
    text = (ROOT / "docs" / "extending.md").read_text(encoding="utf-8")
    classes = re.findall(r"^class \w+.*?(?=^\S|\Z)", text, re.M | re.S)
    assert len(classes) == 3
    for part in ("language_model", "pack", "touch_model", "decoder"):
        assert f"nk.check_{part}(" in text
    assert all(len(found.strip().splitlines()) <= 15 for found in classes)


def test_the_page_on_the_line_protocol_runs():
    run_page("docs/line-protocol.md", at_least=0)


def test_the_page_on_parts_of_your_own_takes_a_model_of_kenlm(tmp_path):
    pytest.importorskip("kenlm")
    page = (ROOT / "docs" / "extending.md").read_text(encoding="utf-8")
    names: dict[str, object] = {}
    for block in re.findall(r"```python\n(.*?)```", page, re.S)[:2]:
        exec(compile(block, "docs/extending.md", "exec"), names)
    path = tmp_path / "small.arpa"
    path.write_text(
        "\\data\\\nngram 1=5\nngram 2=1\n\n\\1-grams:\n-99\t<s>\t-0.1\n-1\t</s>\n-1.5\t<unk>\n"
        "-0.5\tlevel\n-0.6\tpole\n\n"
        "\\2-grams:\n-0.1\t<s> pole\n\n\\end\\\n"
    )
    assert names["with_kenlm"](path).decode([(1.0, 1.0)])  # type: ignore[operator]


def test_the_page_on_the_command_line_runs(tmp_path):
    run_page("docs/command-line.md", at_least=0)
    assert (tmp_path / "grid.png").read_bytes()[:4] == b"\x89PNG"
    assert "kellerby" in (tmp_path / "anna.json").read_text()
    assert "kellerby" not in (tmp_path / "anna" / "words.jsonl").read_text()


# What these blocks need is not at hand in a test: a checkout and minutes, the data of others, a cluster, a shell of
# one's own, a person in front of a server that runs until it is stopped.
NOT_RUN = {
    "README.md": 2, "docs/benchmarking.md": 2, "docs/command-line.md": 1, "docs/lab.md": 1, "docs/packs.md": 1,
    "docs/search.md": 2, "docs/touch.md": 1, "examples/README.md": 1,
}  # fmt: skip


def test_few_shell_blocks_are_excused_from_running():
    for path in [*ROOT.glob("*.md"), *ROOT.glob("docs/*.md"), *ROOT.glob("examples/*.md")]:
        name = str(path.relative_to(ROOT))
        excused = len(
            re.findall(r"^```(?:bash|shell|console)\n", path.read_text(encoding="utf-8"), re.M)
        )
        assert excused <= NOT_RUN.get(name, 0), name


@pytest.mark.parametrize("name", ["choose-a-layout", "analyse-a-study"])
def test_a_notebook_runs_from_top_to_bottom(name, tmp_path):
    book = json.loads((ROOT / "docs" / "notebooks" / f"{name}.ipynb").read_text(encoding="utf-8"))
    cells = ["".join(cell["source"]) for cell in book["cells"] if cell["cell_type"] == "code"]
    assert len(cells) >= 4
    names: dict[str, object] = {}
    for cell in cells:
        exec(compile(cell, name, "exec"), names)
    assert all(not cell.get("outputs") for cell in book["cells"])  # outputs are made, not kept
