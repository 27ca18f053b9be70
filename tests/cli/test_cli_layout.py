"""`nearkey layout …`"""

from __future__ import annotations

import math
import xml.etree.ElementTree as ElementTree

from command_line import done, listing, refused, run

import nearkey as nk


def test_list_names_layouts_that_can_be_had():
    names = done("layout", "list").stdout.split()
    assert {"qwerty", "qwertz", "azerty", "alphabetical", "e161"} <= set(names)
    for name in names:
        assert nk.Layout.named(name).name == name


def test_check_tells_what_a_spec_holds(tmp_path):
    path = tmp_path / "pad.toml"
    nk.Layout.named("qwerty").fitted(18, 12).save(path)
    found = done("layout", "check", "e161", path)
    assert found.stdout.splitlines()[1] == f"{path}: qwerty, 26 keys, 26 letters, 18 x 12 mm"
    assert found.stderr == ""


def test_check_names_the_fault_of_every_faulty_spec(tmp_path):
    good, *faulty = (tmp_path / f"{name}.toml" for name in ("good", "role", "twice"))
    nk.Layout.named("qwerty").save(good)
    text = good.read_text()
    faulty[0].write_text(text.replace('letters = "q"', 'letters = "q"\nrole = "spacebar"'))
    faulty[1].write_text(text.replace('letters = "q"', 'letters = "w"'))
    found = run("layout", "check", faulty[0], good, faulty[1])
    assert found.exit_code == 2
    assert found.stdout.startswith(f"{good}: qwerty")
    one, other = found.stderr.splitlines()
    assert one.startswith(f"nearkey: {faulty[0]}: ")
    assert "spacebar" in one
    assert other.startswith(f"nearkey: {faulty[1]}: ")


def test_draw_gives_svg_on_the_screen_or_in_a_file(tmp_path):
    shown = done("layout", "draw", "e161").stdout
    path = tmp_path / "pad.svg"
    assert done("layout", "draw", "e161", "-o", path).stdout == f"{path}\n"
    assert path.read_text().strip() == shown.strip()
    root = ElementTree.fromstring(shown)
    assert root.tag.endswith("svg")
    labels = {e.text for e in root.iter() if e.tag.endswith("text")}
    assert any("PQRS" in (label or "") for label in labels)  # ITU-T E.161: the letters of 7
    assert "is there already" in refused(tmp_path, "layout", "draw", "qwerty", "-o", path)
    done("layout", "draw", "qwerty", "-o", path, "--force")
    assert path.read_text().strip() != shown.strip()


def test_grids_are_counted_listed_and_saved(tmp_path):
    # Strict grids of QWERTY: 16 of 1 x 5, 32 of 2 x 3, 2 of 3 x 2 (common practice, no source).
    for rows, columns, count in ((1, 5, 16), (2, 3, 32), (3, 2, 2)):
        grid = ("layout", "grids", "qwerty", "--rows", rows, "--columns", columns)
        assert done(*grid, "--count").stdout == f"{count}\n"
        assert len(done(*grid).stdout.splitlines()) == count
        assert len(done(*grid, "--limit", 2).stdout.splitlines()) == 2
    # Letters into 2 cells freely, none empty: 2^26 - 2.
    free = done(
        "layout", "grids", "qwerty", "--rows", 1, "--columns", 2, "--rule", "free", "--count"
    )
    assert int(free.stdout) == 2**26 - 2
    # Each row of n letters is cut in n + 1 places, both cells filled: 11 * 10 * 8 - 2.
    ordered = (
        "layout", "grids", "qwerty", "--rows", 1, "--columns", 2, "--rule", "ordered", "--count"
    )  # fmt: skip
    assert int(done(*ordered).stdout) == math.prod((11, 10, 8)) - 2
    folder = tmp_path / "specs"
    three = ("layout", "grids", "qwerty", "--rows", 3, "--columns", 2, "-o", folder)
    listed = done(*three).stdout
    for line in listed.splitlines():
        name, letters = line.split("\t")
        again = nk.Layout.load(folder / f"{name}.toml")
        assert letters.split() == [key.letters for key in again.keys]
    assert len(listing(folder)) == 2
    assert "is there already" in refused(tmp_path, *three)
    done(*three, "--force")


def test_a_command_or_option_that_is_not_there_is_a_usage_error():
    for arguments in (("layout", "paint"), ("layout", "draw"), ("layout", "list", "--all")):
        found = run(*arguments)
        assert found.exit_code == 2
        assert "Usage: " in found.stderr
        assert found.stdout == ""


def test_grids_may_be_drawn_at_random(tmp_path):
    free = ("layout", "grids", "qwerty", "--rows", 2, "--columns", 3, "--rule", "free")
    drawn = [done(*free, "--limit", 3, "--seed", seed).stdout.splitlines() for seed in (1, 1, 2)]
    assert drawn[0] == drawn[1] != drawn[2]
    expected = nk.grid_layouts(
        nk.Layout.named("qwerty"), rows=2, columns=3, rule="free", limit=3, seed=1
    )
    assert [line.split("\t")[0] for line in drawn[0]] == [grid.name for grid in expected]
    assert "say how many" in refused(tmp_path, *free, "--seed", 1)
