"""Recipes from strangers: nothing they name runs, and nothing outside their folder is read."""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile

import pytest
from command_line import done
from small_packs import build_small_pack, write_recipe

from nearkey.errors import PackError
from nearkey.packs import fetch, finished
from nearkey.packs.builder import build_pack
from nearkey.packs.context_data import write_training_data
from nearkey.packs.recipe import read_recipe

EVIL = [
    "pypi:./evil", "pypi:/tmp/evil", "pypi:../evil", "pypi:--help", "pypi:-r requirements.txt",
    "pypi:evil@file:///tmp/evil",
    "pypi:git+https://example.org/evil", "pypi:https://example.org/evil.whl", "pypi:evil==1 --index-url=x",
    "pypi:", "pypi:evil[extra]",
    "npm:./evil", "npm:--help", "npm:file:evil", "npm:https://example.org/evil.tgz", "npm:user/repository",
    "npm:evil@file:..", "npm:",
    "debian:--help", "debian:./evil.deb", "debian:Evil;touch x", "debian:evil/unstable", "debian:",
    "here:../x", "data:/etc", "moon", "", "pypi:" + "x" * 5000, "npm:a\\u001b[2J",
]  # fmt: skip


@pytest.mark.parametrize("origin", EVIL, ids=range(len(EVIL)))
def test_an_origin_is_a_package_or_nothing(tmp_path, origin, monkeypatch):
    def no_client(*command, **options):
        raise AssertionError(f"{command} was run")

    monkeypatch.setattr(subprocess, "run", no_client)
    recipe = write_recipe(tmp_path / "recipe")
    recipe.write_text(recipe.read_text().replace('origin = "here"', f'origin = "{origin}"', 1))
    with pytest.raises(PackError) as fault:
        finished(build_pack(recipe, tmp_path / "pack", cache=tmp_path / "cache"))
    assert len(str(fault.value)) < 300
    assert str(fault.value).isprintable()
    assert not (tmp_path / "pack").exists()


@pytest.mark.parametrize(
    "origin",
    ["pypi:wordfreq==3.1.1", "npm:@scope/some-thing@0.2.3", "npm:plain@1.2.0", "debian:gnome-user-docs",
     "debian:libc6=2.36-9+deb12u4",
     "hub:someone/notes@train", "nltk:brown", "data", "here"],
)  # fmt: skip
def test_packages_of_registries_are_taken(tmp_path, origin):
    recipe = write_recipe(tmp_path)
    recipe.write_text(recipe.read_text().replace('origin = "here"', f'origin = "{origin}"', 1))
    assert read_recipe(recipe).text[0].origin == origin


def test_an_evil_package_does_not_run(tmp_path, monkeypatch):
    evil = tmp_path / "evil-1.0"
    evil.mkdir()
    (evil / "setup.py").write_text(f"open({os.fspath(tmp_path / 'ran')!r}, 'w')\n")
    (evil / "PKG-INFO").write_text("Metadata-Version: 2.1\nName: evil\nVersion: 1.0\n")
    with tarfile.open(tmp_path / "evil-1.0.tar.gz", "w:gz") as archive:
        archive.add(evil, "evil-1.0")
    monkeypatch.setenv("PIP_NO_INDEX", "1")
    monkeypatch.setenv("PIP_FIND_LINKS", os.fspath(tmp_path))
    monkeypatch.chdir(tmp_path)
    recipe = write_recipe(tmp_path / "recipe")
    good = recipe.read_text()
    for package in ("evil==1.0", "evil", "./evil-1.0", "evil-1.0.tar.gz", "evil-1.0"):
        recipe.write_text(good.replace('origin = "here"', f'origin = "pypi:{package}"', 1))
        with pytest.raises(PackError):
            finished(build_pack(recipe, tmp_path / "pack", cache=tmp_path / "cache"))
        assert not (tmp_path / "ran").exists()


def test_clients_are_told_to_run_nothing_and_that_options_are_over(tmp_path, monkeypatch):
    commands = []
    monkeypatch.setattr(fetch, "_run", lambda *command, cwd: commands.append(command))
    for client in (fetch._npm, fetch._pypi, fetch._debian):
        with pytest.raises((StopIteration, IndexError)):
            client("thing", tmp_path, tmp_path)
    npm, pip, debian = commands
    assert npm[-3:] == ("--ignore-scripts", "--", "thing")
    assert pip[0] == sys.executable
    assert pip[-3:] == ("--only-binary=:all:", "--", "thing")
    assert debian[-2:] == ("--", "thing")


def test_patterns_stay_below_the_recipes_folder(tmp_path):
    (tmp_path / "secret.txt").write_text("We moved the secret benchmark.\n" * 400)
    recipe = write_recipe(tmp_path / "recipe")
    good = recipe.read_text()
    for pattern in (
        "../secret.txt",
        "sub/../../secret.txt",
        f"{tmp_path}/secret.txt",
        "",
        "x" * 1000,
        "a\\u0000b",
        "!/etc/*",
    ):
        recipe.write_text(good.replace('files = ["notes.txt.gz"]', f'files = ["{pattern}"]'))
        with pytest.raises(PackError) as fault:
            finished(build_pack(recipe, tmp_path / "pack", cache=tmp_path / "cache"))
        assert len(str(fault.value)) < 300
    (tmp_path / "recipe" / "link.txt").symlink_to(tmp_path / "secret.txt")
    recipe.write_text(good.replace('files = ["notes.txt.gz"]', 'files = ["*.txt"]'))
    with pytest.raises(PackError, match=r"link\.txt' is a link that leads out"):
        finished(build_pack(recipe, tmp_path / "pack", cache=tmp_path / "cache"))
    (tmp_path / "recipe" / "folder").symlink_to(tmp_path)
    recipe.write_text(good.replace('files = ["notes.txt.gz"]', 'files = ["folder/secret.txt"]'))
    with pytest.raises(PackError, match="leads out of"):
        finished(build_pack(recipe, tmp_path / "pack", cache=tmp_path / "cache"))
    # One's own recipe may.
    recipe.write_text(
        good.replace('files = ["notes.txt.gz"]', 'files = ["notes.txt.gz", "../secret.txt"]')
    )
    made = finished(
        build_pack(recipe, tmp_path / "pack", cache=tmp_path / "cache", allow_outside=True)
    )
    assert made.info.words


def test_links_in_a_fetched_package_lead_nowhere(tmp_path):
    secret = tmp_path / "secret.txt"
    secret.write_text("We moved the secret benchmark.\n" * 400)
    recipe = write_recipe(tmp_path / "recipe")
    recipe.write_text(recipe.read_text().replace('origin = "here"', 'origin = "debian:notes"', 1))
    package = tmp_path / "cache" / "debian_notes"
    package.mkdir(parents=True)
    (package / "notes.txt.gz").symlink_to(secret)
    with pytest.raises(PackError, match="is a link that leads out"):
        finished(build_pack(recipe, tmp_path / "pack", cache=tmp_path / "cache"))


def test_no_copy_of_a_text_beside_the_recipe_is_kept_unless_asked(tmp_path):
    build_small_pack(tmp_path)
    kept = [path for path in (tmp_path / "cache").rglob("*") if path.is_file()]
    assert kept == []
    recipe = tmp_path / "recipe" / "recipe.toml"
    finished(build_pack(recipe, tmp_path / "pack", cache=tmp_path / "cache", keep_texts=True))
    kept = [path for path in (tmp_path / "cache").rglob("*") if path.is_file()]
    assert kept
    assert all(path.stat().st_mode & 0o077 == 0 for path in kept)


def test_training_reads_no_more_of_a_stranger_than_building(tmp_path):
    build_small_pack(tmp_path)
    recipe = tmp_path / "recipe" / "recipe.toml"
    (tmp_path / "outside.txt").write_text("we moved the tripod\n" * 20)
    (recipe.parent / "linked.txt").symlink_to(tmp_path / "outside.txt")
    good = recipe.read_text("utf-8")
    name = read_recipe(recipe).text[0].files[0]
    for pattern in ("../outside.txt", "linked.txt"):
        recipe.write_text(good.replace(f'"{name}"', f'"{pattern}"', 1), "utf-8")
        options = {"cache": tmp_path / "other"}
        with pytest.raises(PackError, match="--allow-outside"):
            finished(write_training_data(recipe, tmp_path / "pack", tmp_path / "tokens", **options))
        assert not (tmp_path / "tokens").exists()
    done(
        "pack", "train", recipe, "--pack", tmp_path / "pack", "-o", tmp_path / "out", "--tokens-only",
        "--cache", tmp_path / "other", "--allow-outside",
    )  # fmt: skip
    written = [p for p in (tmp_path / "out").rglob("*") if p.is_file()]
    assert written
    assert {p.stat().st_mode & 0o777 for p in written} == {0o600}
