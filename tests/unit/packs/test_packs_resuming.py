"""Taking up an interrupted build. Yardstick: a build of the same inputs that was never interrupted."""

from __future__ import annotations

import os
import struct
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_packs import invented_notes, write_recipe

from nearkey.language import tokens
from nearkey.language.reading.streams import StreamReader, read_stream
from nearkey.language.reading.textfiles import ReadReport
from nearkey.packs import finished, intake
from nearkey.packs.builder import BuildReport, build_pack
from nearkey.packs.intake import KeptReading, kept_path, source_key
from nearkey.packs.recipe import Recipe, TextSource, read_recipe

SECOND_TEXT = """
[[text]]
name = "more"
title = "More invented notes"
origin = "here"
files = ["more.txt"]
licence = "CC0-1.0"
attribution = "invented"
"""


@pytest.fixture
def recipe(tmp_path) -> Path:
    path = write_recipe(tmp_path / "recipe")
    path.write_text(path.read_text() + SECOND_TEXT)
    notes = invented_notes(300, 3)
    (path.parent / "more.txt").write_text("\n".join([*notes, notes[0]]) + "\n")
    return path


@pytest.fixture
def read(monkeypatch) -> list[str]:
    """Names of the sources that are really read, in their order."""
    names: list[str] = []
    real = intake.reading

    def noting(source, files, recipe, parts=None, **options):
        names.append(source.name)
        return real(source, files, recipe, parts, **options)

    monkeypatch.setattr(intake, "reading", noting)
    return names


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def build(recipe: Path, out: Path, cache: Path) -> tuple[dict[str, bytes], BuildReport, list[str]]:
    notes: list[str] = []
    steps = build_pack(recipe, out, cache=cache, keep_texts=True)
    report = finished(steps, on_step=lambda step: notes.append(step.note))
    return contents(out), report, notes


def test_an_interrupted_build_reads_only_the_rest(tmp_path, recipe, read):
    whole, expected, _ = build(recipe, tmp_path / "whole", tmp_path / "other cache")
    assert read == ["notes", "more", "later"]
    read.clear()

    def stop_at_the_second_text() -> None:
        for step in build_pack(
            recipe, tmp_path / "pack", cache=tmp_path / "cache", keep_texts=True
        ):
            if step.note == "More invented notes":
                raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stop_at_the_second_text()
    assert read == ["notes"]
    assert not (tmp_path / "pack").exists()
    read.clear()

    resumed, report, notes = build(recipe, tmp_path / "pack", tmp_path / "cache")
    assert read == ["more", "later"]
    assert [note for note in notes if "earlier build" in note] == [
        "Invented field notes: read by an earlier build"
    ]
    assert resumed == whole
    assert report.dropped == expected.dropped
    assert report.dropped["more"]["repeated sentence"] > 0


def test_an_interrupted_text_goes_on_where_it_stopped(tmp_path, recipe, monkeypatch):
    monkeypatch.setattr(intake, "LINES", 40)
    whole, expected, notes = build(recipe, tmp_path / "whole", tmp_path / "other cache")
    assert "More invented notes: 40 lines" in notes

    def stop_at(note: str) -> None:
        for step in build_pack(
            recipe, tmp_path / "pack", cache=tmp_path / "cache", keep_texts=True
        ):
            if step.note == note:
                raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stop_at("More invented notes: 120 lines")
    with pytest.raises(KeyboardInterrupt):
        stop_at("More invented notes: 200 lines")
    (parts,) = (tmp_path / "cache").rglob("more.parts")
    assert len(list(parts.iterdir())) == 5
    assert parts.stat().st_mode & 0o077 == 0
    blocks: list[list[str]] = []
    real = tokens.sentences
    monkeypatch.setattr(
        tokens, "sentences", lambda lines, **rest: real(blocks.append(lines) or lines, **rest)
    )
    resumed, report, notes = build(recipe, tmp_path / "pack", tmp_path / "cache")
    assert "More invented notes: 200 lines read by an earlier build" in notes
    assert "More invented notes: 120 lines" not in notes
    assert resumed == whole
    assert report.dropped == expected.dropped
    assert report.dropped["more"]["repeated sentence"] > 0
    assert not parts.exists()
    text = (recipe.parent / "more.txt").read_text().splitlines(keepends=True)
    assert blocks[:3] == [text[200:240], text[240:280], text[280:]]


@pytest.mark.parametrize("damage", ["flipped", "gone", "key"])
def test_a_damaged_part_costs_itself_and_what_follows(tmp_path, recipe, monkeypatch, damage):
    monkeypatch.setattr(intake, "LINES", 40)
    whole, _, _ = build(recipe, tmp_path / "whole", tmp_path / "other cache")
    source = read_recipe(recipe).text[1]
    files = [recipe.parent / "more.txt"]
    key = source_key(source, files, read_recipe(recipe))
    assert key is not None
    parts = KeptReading(kept_path(tmp_path / "cache", read_recipe(recipe), source), key)
    steps = intake.reading(source, files, read_recipe(recipe), parts)
    for _ in range(5):
        next(steps)
    third = parts.folder / "000002.bin"
    data = bytearray(third.read_bytes())
    if damage == "flipped":
        data[-40] ^= 4
        third.write_bytes(data)
    elif damage == "gone":
        third.unlink()
    else:
        files[0].write_text(files[0].read_text() + "We carried the prism to the ridge.\n")
        whole, _, _ = build(recipe, tmp_path / "whole", tmp_path / "third cache")
    resumed, _, notes = build(recipe, tmp_path / "pack", tmp_path / "cache")
    told = "More invented notes: 80 lines read by an earlier build"
    assert (told in notes) == (damage != "key")
    assert resumed == whole


def test_parts_that_cannot_be_kept_are_told_of_once(tmp_path, recipe, monkeypatch):
    monkeypatch.setattr(intake, "LINES", 40)
    source, files = read_recipe(recipe).text[1], [recipe.parent / "more.txt"]
    (tmp_path / "more.parts").write_text("a file in the folder's place")
    parts = KeptReading(tmp_path / "more.bin", "key")
    notes = [step.note for step in intake.reading(source, files, read_recipe(recipe), parts)]
    assert [note for note in notes if "cannot be kept" in note] == [
        "More invented notes: what is read cannot be kept: File exists"
    ]
    assert notes[-1] == "More invented notes: 280 lines"


@given(st.data())
def test_a_text_read_in_parts_is_the_text_read_at_once(data):
    words = st.sampled_from(["Peg", "peg", "prism", "Ω", "the", "12", "isn’t", "stop."])
    line = st.lists(words, max_size=8).map(" ".join)
    lines = data.draw(st.lists(line, max_size=30))
    settings = {"longest_repeat": 2, "alphabet": "abcdefghijklmnopqrstuvwxyz"}
    whole = StreamReader(**settings)
    whole.read(lines)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(lines)), max_size=4)))
    earlier, parts, start = StreamReader(**settings), [], 0
    for cut in cuts:
        earlier.read(lines[start:cut])
        parts.append(earlier.part())
        start = cut
    later = StreamReader(**settings)
    for part in parts:
        later.take_up(part)
    later.read(lines[start:])
    assert later.dropped == whole.dropped
    ours, theirs = later.stream(), whole.stream()
    assert ours.surfaces == theirs.surfaces
    for name in ("ids", "punctuation", "starts", "bucket"):
        assert getattr(ours, name).tolist() == getattr(theirs, name).tolist()


def test_a_finished_build_is_read_from_what_was_kept(tmp_path, recipe, read):
    first, _, _ = build(recipe, tmp_path / "pack", tmp_path / "cache")
    read.clear()
    second, _, _ = build(recipe, tmp_path / "pack", tmp_path / "cache")
    assert read == []
    assert second == first
    assert (tmp_path / "cache" / "read").stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("damage", ["empty", "cut", "flipped", "folder"])
def test_a_damaged_file_is_ignored(tmp_path, recipe, read, damage):
    first, _, _ = build(recipe, tmp_path / "pack", tmp_path / "cache")
    (kept,) = (tmp_path / "cache").rglob("notes.bin")
    data = bytearray(kept.read_bytes())
    if damage == "flipped":
        data[len(data) // 2] ^= 1
    if damage == "folder":
        kept.unlink()
        kept.mkdir()
    else:
        kept.write_bytes({"empty": b"", "cut": data[:-100], "flipped": data}[damage])
    read.clear()
    second, _, notes = build(recipe, tmp_path / "pack", tmp_path / "cache")
    assert read == ["notes"]
    assert second == first
    # A folder in the way can be neither read nor replaced: the build says so and goes on.
    assert any("cannot be kept" in note for note in notes) == (damage == "folder")


def test_a_changed_text_or_recipe_is_read_again(tmp_path, recipe, read):
    build(recipe, tmp_path / "pack", tmp_path / "cache")
    more = recipe.parent / "more.txt"
    more.write_text(more.read_text() + "We carried the prism to the ridge.\n")
    read.clear()
    changed, _, _ = build(recipe, tmp_path / "pack", tmp_path / "cache")
    assert read == ["more"]
    assert changed == build(recipe, tmp_path / "whole", tmp_path / "other cache")[0]
    recipe.write_text(recipe.read_text().replace("size = 60", "size = 50"))
    read.clear()
    build(recipe, tmp_path / "pack", tmp_path / "cache")
    assert read == []  # the lexicon's size does not change what is read
    recipe.write_text(recipe.read_text().replace("[lexicon]", 'abbreviations = ["mr"]\n[lexicon]'))
    build(recipe, tmp_path / "pack", tmp_path / "cache")
    assert read == ["notes", "more", "later"]


def varied(source: TextSource, **changes: object) -> TextSource:
    fields = {name: getattr(source, name) for name in source.__struct_fields__}
    return TextSource(**{**fields, **changes})


def test_the_key_names_all_that_reading_depends_on(tmp_path, recipe):
    settings: Recipe = read_recipe(recipe)
    source = settings.text[1]
    files = [recipe.parent / "more.txt"]
    key = source_key(source, files, settings)
    for change in (
        {"kind": "paragraphs"}, {"encoding": "latin-1"}, {"undecodable": "drop"},
        {"column": "gloss"}, {"deduplicate": False}, {"part": (0, 900)},
    ):  # fmt: skip
        assert source_key(varied(source, **change), files, settings) != key, change
    assert source_key(varied(source, title="x", cased=False), files, settings) == key
    assert source_key(source, [recipe.parent / "none.txt"], settings) is None

    # A Sword module's text lies beside the index that is named.
    block = zlib.compress(b"In the field, they rested.")
    (tmp_path / "nt.bzs").write_bytes(struct.pack("<III", 0, len(block), 26))
    (tmp_path / "nt.bzz").write_bytes(block)
    sword = varied(source, kind="sword")
    before = source_key(sword, [tmp_path / "nt.bzs"], settings)
    (tmp_path / "nt.bzz").write_bytes(zlib.compress(b"In the field, they waited."))
    assert source_key(sword, [tmp_path / "nt.bzs"], settings) != before


def test_what_is_kept_comes_back_whole(tmp_path):
    stream = read_stream(["Où est l’étai? Là-bas, à Σίφνος.", "Peg 12 is in."])
    report = ReadReport(files=2, lines=5)
    report.drop("second reason", 2)
    report.drop("first reason")
    path = tmp_path / "read" / "x" / "a.bin"
    KeptReading(path, "key").keep_whole(stream, report)
    assert KeptReading(path, "other key").whole() is None
    found = KeptReading(path, "key").whole()
    assert found is not None
    assert found[0].surfaces == stream.surfaces
    for name in ("ids", "punctuation", "starts", "bucket"):
        ours, theirs = getattr(found[0], name), getattr(stream, name)
        assert ours.dtype == theirs.dtype
        assert ours.tolist() == theirs.tolist()
    assert list(found[1].dropped.items()) == list(report.dropped.items())
    assert (found[1].files, found[1].lines) == (2, 5)


def test_what_killed_builds_left_goes_with_the_next_build(tmp_path, recipe):
    old, young = tmp_path / ".pack.abc", tmp_path / ".pack.xyz"
    for left in (old, young):
        (left / "pack").mkdir(parents=True)
    os.utime(old, (0, 0))
    build(recipe, tmp_path / "pack", tmp_path / "cache")
    assert not old.exists()
    assert young.exists()
