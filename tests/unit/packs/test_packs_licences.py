"""Which licences go into which, by what the licences and those who publish them say; notices of packs and wheels."""

from __future__ import annotations

import zipfile
from email.parser import Parser
from pathlib import Path

import pytest
from small_packs import build_small_pack, write_recipe

from nearkey.errors import PackError
from nearkey.packs import finished
from nearkey.packs.builder import build_pack
from nearkey.packs.licences import combinable, licence_link, licence_names, spdx_expression
from nearkey.packs.pack_folder import write_wheel
from nearkey.packs.recipe import read_recipe

RECIPES = sorted((Path(__file__).parents[3] / "models").glob("*/recipe*.toml"))


@pytest.mark.parametrize(
    ("source", "pack", "expected"),
    [
        # Creative Commons, "Compatible Licenses"; section 4(b) of BY-SA 2.0 to 3.0: later versions.
        ("CC-BY-SA-3.0", "CC-BY-SA-4.0", True),
        ("CC-BY-SA-2.5", "CC-BY-SA-3.0", True),
        ("CC-BY-SA-4.0", "CC-BY-SA-3.0", False),
        ("CC-BY-SA-1.0", "CC-BY-SA-4.0", False),
        ("CC-BY-SA-4.0", "GPL-3.0-only", True),
        ("CC-BY-SA-3.0", "GPL-3.0-only", False),
        ("CC-BY-SA-4.0", "GPL-2.0-or-later", False),
        ("CC-BY-SA-4.0", "MIT", False),
        ("CC-BY-2.0-FR", "CC-BY-SA-4.0", True),
        ("CC-BY-4.0", "CC0-1.0", False),
        ("CC-BY-NC-4.0", "CC-BY-SA-4.0", False),
        ("CC-BY-NC-SA-4.0", "CC-BY-NC-SA-4.0", True),
        ("CC-BY-ND-4.0", "CC-BY-4.0", False),
        # GPL: what is made of it is under the GPL.
        ("GPL-2.0-or-later", "CC-BY-SA-4.0", False),
        ("GPL-2+", "GPL-3.0-only", True),
        ("GPL-2.0-only", "GPL-3.0-only", False),
        ("Apache-2.0", "GPL-2.0-only", False),
        ("Apache-2.0", "GPL-3.0-only", True),
        # MPL: what is made from the source may go under other terms.
        ("MPL-2.0", "CC-BY-SA-4.0", True),
        ("MPL-1.1", "GPL-3.0-only", False),
        # Free for any use.
        ("CC0-1.0", "MIT", True),
        ("MIT", "CC-BY-SA-4.0", True),
        ("MIT", "CC0-1.0", False),
        ("public domain", "CC0-1.0", True),
        # Expressions.
        ("CC-BY-SA-3.0 OR GPL-2.0-or-later", "CC-BY-SA-4.0", True),
        ("CC0-1.0 AND GPL-2.0-only", "CC-BY-SA-4.0", False),
        ("PDDL-1.0 AND (MIT OR GPL-2.0-only)", "CC-BY-4.0", True),
        ("ask us", "CC-BY-4.0", None),
        ("ask us AND GPL-2.0-only", "CC-BY-4.0", False),
        ("ask us OR CC0-1.0", "CC-BY-4.0", True),
        ("ask us", "ask us", True),
        ("CC-BY-SA-4.0", "not stated", True),
    ],
)
def test_what_goes_into_what(source, pack, expected):
    assert combinable(source, pack) is expected


def test_names_and_places():
    assert licence_names("CC0-1.0 AND (MIT OR CC0-1.0)") == ["CC0-1.0", "MIT"]
    assert licence_link("CC-BY-SA-4.0") == "https://creativecommons.org/licenses/by-sa/4.0/"
    assert licence_link("CC-BY-2.0-FR") == "https://creativecommons.org/licenses/by/2.0/fr/"
    assert licence_link("CC0-1.0") == "https://creativecommons.org/publicdomain/zero/1.0/"
    assert licence_link("LicenseRef-SCOWL") is None
    assert spdx_expression("public domain") == "LicenseRef-public-domain"
    assert spdx_expression("free for all who ask") is None
    assert spdx_expression("not stated") is None


@pytest.mark.parametrize("path", RECIPES, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_the_recipes_here_combine_what_may_be_combined(path):
    recipe = read_recipe(path)  # refuses what may not
    for source in (*recipe.text, *recipe.words):
        assert combinable(source.licence, recipe.licence) is True, source.name


def with_licence(text: str, name: str, licence: str) -> str:
    """The recipe's text with another licence of the source of this name."""
    before, found, after = text.partition(f'name = "{name}"')
    assert found
    return before + found + after.replace('licence = "CC0-1.0"', f'licence = "{licence}"', 1)


def test_a_recipe_that_mixes_what_may_not_be_mixed_is_refused(tmp_path):
    path = write_recipe(tmp_path)
    text = with_licence(path.read_text(), "notes", "CC-BY-SA-4.0")  # the pack's own
    path.write_text(with_licence(text, "rude", "GPL-2+"))
    with pytest.raises(PackError, match=r"is under GPL-2\+, which may not become part") as caught:
        read_recipe(path)
    assert caught.value.field == "rude: licence"
    assert "GPL-3.0-only" in caught.value.fix
    # Nothing of an evaluation text is in the pack.
    path.write_text(with_licence(text, "later", "GPL-2+"))
    assert read_recipe(path).evaluation[0].licence == "GPL-2+"


def test_notices_are_passed_on_whole(tmp_path):
    path = write_recipe(tmp_path / "recipe")
    (tmp_path / "recipe" / "COPYING").write_text("Invented licence.\n\nKeep this line.\n")
    text = with_licence(path.read_text(), "list", "ask them")
    kind = 'kind = "offensive"\n'
    path.write_text(text.replace(kind, f'{kind}notice_files = ["COPYING"]\n'))
    notes = []
    building = build_pack(path, tmp_path / "pack", cache=tmp_path / "cache")
    finished(building, on_step=lambda step: notes.append(step.note))
    written = (tmp_path / "pack" / "LICENCE.md").read_text("utf-8")
    assert "## Invented list\n\nInvented licence.\n\nKeep this line." in written
    assert "[CC0-1.0](https://creativecommons.org/publicdomain/zero/1.0/)" in written
    assert "**Before you pass this pack on**" in written
    assert any("'ask them' allows CC0-1.0 is not known" in note for note in notes)


def test_a_wheel_names_the_licence_of_its_data(tmp_path):
    folder, _ = build_small_pack(tmp_path)
    with zipfile.ZipFile(write_wheel(folder, tmp_path)) as wheel:
        (metadata,) = (name for name in wheel.namelist() if name.endswith("/METADATA"))
        fields = Parser().parsestr(wheel.read(metadata).decode())
        assert fields["License-Expression"] == "CC0-1.0"
        assert fields["License-File"] == "LICENCE.md"
        place = metadata.replace("METADATA", "licenses/LICENCE.md")
        assert wheel.read(place) == (folder / "LICENCE.md").read_bytes()
