"""The spec file: read, checked with one-line errors, written back unchanged."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import pytest

from nearkey.errors import LayoutError, NearkeyError
from nearkey.layout import Layout, catalogue_names

SPEC = """\
name = "barrel pad"
language = "en"
alphabet = "abc"
note = "Invented."
unit_mm = 0.5

[surface]
width = 40
height = 16.5

[[keys]]
id = "one"
x = 0
y = 0
w = 20
h = 10
letters = "ab"

[[keys]]
id = "two"
label = "see"
x = 20
y = 0
w = 20
h = 10
letters = "c"

[[keys]]
id = "gap"
x = 0
y = 10
w = 40
h = 6.5
role = "space"
"""


@pytest.fixture
def spec_file(tmp_path: Path) -> Path:
    path = tmp_path / "pad.toml"
    path.write_text(SPEC, encoding="utf-8")
    return path


def test_reads_every_field(spec_file: Path) -> None:
    layout = Layout.load(spec_file)
    assert (layout.name, layout.language, layout.alphabet) == ("barrel pad", "en", "abc")
    assert (layout.unit_mm, layout.width, layout.height) == (0.5, 40, 16.5)
    assert [key.label for key in layout.keys] == ["AB", "see", "gap"]
    assert [key.role for key in layout.keys] == ["letters", "letters", "space"]
    assert layout.note == "Invented."


def test_a_canonical_file_is_written_back_unchanged(spec_file: Path, tmp_path: Path) -> None:
    Layout.load(spec_file).save(tmp_path / "again.toml")
    assert (tmp_path / "again.toml").read_bytes() == spec_file.read_bytes()


def test_the_catalogue_is_canonical(tmp_path: Path) -> None:
    import nearkey.layout

    folder = Path(nearkey.layout.__file__).parent / "catalogue"
    assert catalogue_names() == ("alphabetical", "azerty", "e161", "qwerty", "qwertz")
    for name in catalogue_names():
        layout = Layout.named(name)
        assert layout.name == name
        layout.save(tmp_path / "out.toml")
        assert Layout.load(tmp_path / "out.toml") == layout
        assert (tmp_path / "out.toml").read_text("utf-8") == layout.to_toml()
    keypad = folder / "e161.toml"
    assert keypad.read_text("utf-8") == Layout.named("e161").to_toml()
    assert Layout.load(keypad) == Layout.named("e161")


def test_catalogue_layouts_given_by_rows_have_whole_specs() -> None:
    spec = Layout.named("qwerty").to_dict()
    assert list(spec) == ["name", "note", "unit_mm", "surface", "keys"]
    assert (spec["unit_mm"], spec["surface"]) == (6, {"width": 10, "height": 3})
    rows = {0: (0, "qwertyuiop"), 1: (0.5, "asdfghjkl"), 2: (1.5, "zxcvbnm")}
    assert spec["keys"] == [
        {"id": letter, "x": start + i, "y": y, "w": 1, "h": 1, "letters": letter}
        for y, (start, row) in rows.items()
        for i, letter in enumerate(row)
    ]


def test_comments_and_other_order_read_the_same(spec_file: Path, tmp_path: Path) -> None:
    head, _, keys = SPEC.partition("[surface]")
    other = tmp_path / "other.toml"
    other.write_text(
        "# a pad\nsurface = { height = 16.5, width = 40.0 }\n"
        + head
        + keys.partition("height = 16.5")[2],
        encoding="utf-8",
    )
    assert Layout.load(other) == Layout.load(spec_file)


def test_unknown_catalogue_name() -> None:
    with pytest.raises(LayoutError, match="use one of alphabetical, azerty, e161, qwerty, qwertz"):
        Layout.named("qwery")


def test_to_dict_does_not_share(spec_file: Path) -> None:
    layout = Layout.load(spec_file)
    layout.to_dict()["keys"][0]["letters"] = "z"
    assert Layout.from_dict(layout.to_dict()) == layout


def change(path: tuple[str | int, ...], value: Any) -> dict[str, Any]:
    import tomllib

    data: Any = copy.deepcopy(tomllib.loads(SPEC))
    place = data
    for step in path[:-1]:
        place = place[step]
    if value is ...:
        del place[path[-1]]
    else:
        place[path[-1]] = value
    return data  # type: ignore[no-any-return]


BAD = [
    (("nmae",), "x", "nmae", "unknown field"),
    (("name",), ..., "name", "missing"),
    (("unit_mm",), "6", "unit_mm", "expected"),
    (("unit_mm",), -1, "unit_mm", "no usable length"),
    (("unit_mm",), float("nan"), "unit_mm", "no usable length"),
    (("surface", "width"), ..., "surface: width", "missing"),
    (("surface", "depth"), 3, "surface: depth", "unknown field"),
    (("surface",), 3, "surface", "expected"),
    (("keys",), {}, "keys", "expected"),
    (("keys",), [], "keys", "no keys"),
    (("keys", 0, "id"), ..., "keys[0]: id", "missing"),
    (("keys", 0, "id"), 7, "keys[0]: id", "expected"),
    (("keys", 1, "colour"), "red", 'key "two": colour', "unknown field"),
    (("keys", 1, "x"), "20", 'key "two": x', "expected"),
    (("keys", 1, "x"), float("inf"), 'key "two": x', "not a finite number"),
    (("keys", 1, "w"), ..., 'key "two": w', "missing"),
    (("keys", 1, "w"), 10**400, 'key "two": w', "out of range"),
    (("keys", 1, "w"), 30, 'key "two": w', "passes the surface's width"),
    (("keys", 1, "x"), 10, 'key "two": x, y, w, h', "overlaps"),
    (("keys", 1, "id"), "one", 'key "one": id', "another key"),
    (("keys", 1, "letters"), "b", 'key "two": letters', "already"),
    (("keys", 1, "letters"), "d", "keys: letters", "no key has 'c'"),
    (("keys", 2, "role"), "spaec", 'key "gap": role', "no such role"),
    (("alphabet",), ..., "keys: letters", "no key has 'd', 'e'"),
]


@pytest.mark.parametrize(("path", "value", "field", "problem"), BAD)
def test_errors_name_file_field_problem_and_fix(
    path: tuple[str | int, ...], value: Any, field: str, problem: str
) -> None:
    with pytest.raises(LayoutError) as caught:
        Layout.from_dict(change(path, value), where="pad.toml")
    error = caught.value
    assert (error.where, error.field) == ("pad.toml", field)
    assert problem in error.problem
    assert error.fix
    assert str(error).startswith(f"pad.toml: {field}: ")
    assert "\n" not in str(error)


def test_missing_file_and_broken_toml_name_the_file(tmp_path: Path) -> None:
    with pytest.raises(LayoutError, match="no such file"):
        Layout.load(tmp_path / "none.toml")
    broken = tmp_path / "broken.toml"
    for text in ("name = ", "x = " + "[" * 20_000, "x = " + "9" * 5_000):
        broken.write_text(text, encoding="utf-8")
        with pytest.raises(LayoutError) as caught:
            Layout.load(broken)
        assert str(caught.value).startswith(str(broken))


def test_a_failed_save_leaves_the_old_file(
    spec_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = spec_file.read_bytes()
    layout = Layout.load(spec_file)

    def fail(*_: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr("os.fsync", fail)
    with pytest.raises(NearkeyError, match="disk full"):
        layout.renamed("other").save(spec_file)
    assert spec_file.read_bytes() == before
    assert [path.name for path in spec_file.parent.iterdir()] == [spec_file.name]


@pytest.mark.parametrize("data", [None, 3, "text", [], [("name", "x")]])
def test_from_dict_refuses_what_is_no_mapping(data: Any) -> None:
    with pytest.raises(LayoutError, match="spec: "):
        Layout.from_dict(data)
