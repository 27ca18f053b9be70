"""A whole pack from an nltk corpus and a hub data set, through the real libraries.

Yardstick: the pack of the same texts from plain files.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from library_texts import nltk_data, quiet_hub, write_brown, write_hub_folder
from small_packs import invented_notes, write_recipe

import nearkey as nk
from nearkey.packs import finished
from nearkey.packs.builder import BuildReport, build_pack

pytest.importorskip("datasets")
pytest.importorskip("pyarrow")
pytest.importorskip("nltk")

SECOND_TEXT = """
[[text]]
name = "more"
title = "More invented notes"
origin = "here"
files = ["more.txt"]
licence = "CC0-1.0"
attribution = "invented"
"""
FILES = {
    "hub": ('origin = "here"\nfiles = ["notes.txt.gz"]', 'origin = "hub:{}@train"'),
    "nltk": ('origin = "here"\nfiles = ["more.txt"]', 'origin = "nltk:brown"'),
}


@pytest.fixture
def libraries(tmp_path):
    with quiet_hub(tmp_path / "hub"), nltk_data(tmp_path / "nltk_data") as corpora:
        yield corpora


def build(recipe: Path, out: Path) -> tuple[BuildReport, list[str]]:
    notes: list[str] = []
    steps = build_pack(recipe, out, cache=out.parent / "cache")
    return finished(steps, on_step=lambda step: notes.append(step.note)), notes


def test_a_pack_of_library_texts_is_that_of_the_same_files(libraries, tmp_path):
    notes, more = invented_notes(900, 1), invented_notes(300, 3)
    more = [*more, more[0]]
    recipe = write_recipe(tmp_path / "recipe", notes=notes)
    (recipe.parent / "more.txt").write_text("\n".join(more) + "\n")
    text = recipe.read_text() + SECOND_TEXT
    recipe.write_text(text)
    plain, _ = build(recipe, tmp_path / "files" / "pack")

    folder = write_hub_folder(tmp_path / "notes", [*notes, None, None], "parquet", split="train")
    write_brown(libraries, more)
    for old, new in FILES.values():
        assert old in text
        text = text.replace(old, new.format(folder))
    recipe.write_text(text)
    report, told = build(recipe, tmp_path / "libraries" / "pack")

    assert plain.dropped["more"]["repeated sentence"] >= 1
    assert report.dropped["more"] == plain.dropped["more"]
    assert report.dropped["notes"] == {**plain.dropped["notes"], "row without text": 2}
    assert {"Invented field notes", "More invented notes"} <= set(told)
    assert not any("earlier build" in note for note in told)

    pack = nk.load_pack(tmp_path / "libraries" / "pack")
    assert {source.origin for source in pack.info.sources} >= {f"hub:{folder}@train", "nltk:brown"}
    assert pack.lexicon.log_prob("tripod") > pack.lexicon.log_prob("theodolite's")
    for part in (
        "words.ngram",
        "letters.ngram",
        "lexicon.marisa",
        "words.bin",
        "case.bin",
        "marks.bin",
    ):
        made = (tmp_path / "libraries" / "pack" / part).read_bytes()
        assert made == (tmp_path / "files" / "pack" / part).read_bytes(), part

    # What was read is kept, until the texts change.
    again, told = build(recipe, tmp_path / "libraries" / "again")
    assert again.dropped == report.dropped
    assert [note for note in told if "earlier build" in note] == [
        "Invented field notes: read by an earlier build",
        "More invented notes: read by an earlier build",
    ]  # and not of the text beside the recipe, which is kept only where that is asked for
    write_brown(libraries, more[1:])
    _, told = build(recipe, tmp_path / "libraries" / "third")
    assert "More invented notes: read by an earlier build" not in told
    assert "Invented field notes: read by an earlier build" in told
    write_hub_folder(folder, notes[1:], "parquet", split="train")
    _, told = build(recipe, tmp_path / "libraries" / "fourth")
    assert "Invented field notes: read by an earlier build" not in told
