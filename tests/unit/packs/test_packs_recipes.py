"""Recipes, fetching, and choosing words."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from small_packs import write_recipe

from nearkey.errors import PackError
from nearkey.language.reading.streams import read_stream
from nearkey.packs import finished
from nearkey.packs.builder import build_pack
from nearkey.packs.fetch import cache_folder, locate
from nearkey.packs.recipe import LexiconPart, TextSource, read_recipe
from nearkey.packs.vocabulary import (
    CorpusWords,
    choose_words,
    corpus_words,
)
from nearkey.packs.wordlists import SpellingWords

MODELS = Path(__file__).resolve().parents[3] / "models"


def source(**fields: object) -> TextSource:
    basic = {
        "name": "notes", "title": "Notes", "origin": "here", "files": ["*.txt"],
        "licence": "CC0-1.0", "attribution": "invented",
    }  # fmt: skip
    return TextSource(**{**basic, **fields})  # type: ignore[arg-type]


@pytest.mark.parametrize("path", sorted(MODELS.glob("*/recipe*.toml")), ids=str)
def test_the_recipes_in_the_repository_are_sound(path):
    recipe = read_recipe(path)
    assert recipe.name == path.parent.name
    for part in (*recipe.text, *recipe.words, *recipe.evaluation):
        assert part.licence, part.name
        assert part.attribution, part.name
    trained = {(s.origin, tuple(s.files)): s.part for s in recipe.text}
    for held in recipe.evaluation:
        low, high = trained.get((held.origin, tuple(held.files)), (0, 0))
        assert held.part[0] >= high or held.part[1] <= low, held.name


def test_registry_recipes_need_no_data_folder():
    for path in MODELS.glob("*/recipe*.toml"):
        if path == MODELS / "en" / "recipe.toml":
            continue
        for part in read_recipe(path).text:
            assert part.origin != "data" or part.optional, f"{path}: {part.name}"


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ('title = "Invented field notes"\nversion', 'tittle = "x"\nversion', "tittle: unknown field"),
        ("size = 60", 'size = "many"', "lexicon.size: expected `int`"),
        ("order = 3", "order = 6", "not within 1 … 5"),
        ("held_out_permille = 200", "held_out_permille = 0", "not within 1 … 500"),
        ("letter_order = 3", "letter_order = 9", "not within 2 … 5"),
        ('alphabet = "abc', 'alphabet = "aabc', "not distinct"),
        ("format = 1", "format = 2", "invalid enum value 2"),
        ('name = "notes"\nlanguage', 'name = "no tes"\nlanguage', "not a plain name"),
        ('kind = "offensive"', 'kind = "rude"', "invalid enum value"),
        ("[[evaluation]]", '[[evaluation]]\nkind = "stone"', "kind 'stone'"),
        ('name = "later"', 'name = "notes"', "there twice"),
        ('files = ["notes.txt.gz"]', "", "'notes' names no files"),
        ('files = ["list.msgpack.gz"]', "files = []", "'list' names no files"),
        ("deduplicate = false", "part = [5, 5]", "no part 5"),
        ("[lexicon]", "[lexicon", "not valid TOML"),
    ],
)  # fmt: skip
def test_a_fault_in_a_recipe_is_named(tmp_path, old, new, problem):
    recipe = write_recipe(tmp_path)
    text = recipe.read_text()
    assert old in text
    recipe.write_text(text.replace(old, new, 1))
    with pytest.raises(PackError, match=problem) as caught:
        read_recipe(recipe)
    assert caught.value.where == str(recipe)
    assert "\n" not in str(caught.value)


def test_files_beside_the_recipe(tmp_path):
    for name in ("b.txt", "a.txt", "c.dat", "off.txt"):
        (tmp_path / name).write_text("x")
    recipe = tmp_path / "recipe.toml"
    found = locate(
        source(files=["*.txt", "!off*"]), recipe=recipe, data=None, cache=tmp_path / "cache"
    )
    assert [path.name for path in found] == ["a.txt", "b.txt"]
    with pytest.raises(PackError, match=r"no file \*\.md"):
        locate(source(files=["*.md"]), recipe=recipe, data=None, cache=tmp_path)


def test_the_data_folder_is_asked_for(tmp_path):
    recipe = tmp_path / "recipe.toml"
    wanted = source(origin="data", title="Open notes")
    with pytest.raises(PackError, match="needs Open notes") as caught:
        locate(wanted, recipe=recipe, data=None, cache=tmp_path)
    assert "NEARKEY_DATA" in caught.value.fix
    optional = source(origin="data", optional=True)
    assert locate(optional, recipe=recipe, data=None, cache=tmp_path) == []
    assert locate(optional, recipe=recipe, data=tmp_path, cache=tmp_path) == []
    with pytest.raises(PackError, match="origin 'moon' is unknown"):
        locate(source(origin="moon"), recipe=recipe, data=None, cache=tmp_path)


def test_a_package_is_fetched_once(tmp_path, monkeypatch):
    calls = []

    def fake(command, cwd, **options):
        calls.append(command)
        if command[0] == "apt-get":
            (Path(cwd) / "x_1_all.deb").write_bytes(b"deb")
        else:
            (Path(command[3]) / "notes.txt").write_text("fetched")

    monkeypatch.setattr(subprocess, "run", fake)
    monkeypatch.setattr("shutil.which", lambda name: name)
    recipe = tmp_path / "recipe.toml"
    wanted = source(origin="debian:fortunes-xx")
    for _ in range(2):
        found = locate(wanted, recipe=recipe, data=None, cache=tmp_path / "cache")
        assert [path.read_text() for path in found] == ["fetched"]
    assert [call[0] for call in calls] == ["apt-get", "dpkg-deb"]


def test_a_package_that_cannot_be_fetched_leaves_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr("shutil.which", lambda name: None)
    with pytest.raises(PackError, match="'npm' is not installed") as caught:
        locate(
            source(origin="npm:x@1"), recipe=tmp_path / "r.toml", data=None, cache=tmp_path / "c"
        )
    assert "unpack it into" in caught.value.fix
    assert list((tmp_path / "c").iterdir()) == []

    def fails(command, **options):
        raise subprocess.CalledProcessError(1, command, stderr="npm error\n404 no such package\n")

    monkeypatch.setattr("shutil.which", lambda name: name)
    monkeypatch.setattr(subprocess, "run", fails)
    with pytest.raises(PackError, match="404 no such package"):
        locate(
            source(origin="npm:x@1"), recipe=tmp_path / "r.toml", data=None, cache=tmp_path / "c"
        )


def test_the_cache_folder(monkeypatch, tmp_path):
    monkeypatch.setenv("NEARKEY_CACHE", str(tmp_path))
    assert cache_folder() == tmp_path
    monkeypatch.delenv("NEARKEY_CACHE")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert cache_folder() == tmp_path / "nearkey"


def test_optional_texts_that_are_absent_are_reported(tmp_path):
    recipe = write_recipe(tmp_path / "recipe")
    extra = '\n[[text]]\nname = "more"\ntitle = "More notes"\norigin = "data"\nfiles = ["x"]\n'
    extra += 'optional = true\nlicence = "CC0-1.0"\nattribution = "invented"\n'
    recipe.write_text(recipe.read_text() + extra)
    report = finished(build_pack(recipe, tmp_path / "pack", cache=tmp_path / "cache"))
    assert report.left_out == ["More notes"]
    assert report.info is not None
    assert "More notes" not in [part.title for part in report.info.sources]


def test_a_text_without_words_is_named(tmp_path):
    recipe = write_recipe(tmp_path / "recipe", notes=["... 12 !!"])
    (tmp_path / "recipe" / "notes.txt.gz").unlink()
    import gzip

    (tmp_path / "recipe" / "notes.txt.gz").write_bytes(gzip.compress(b"\n\n"))
    with pytest.raises(PackError, match="holds no words") as caught:
        list(build_pack(recipe, tmp_path / "pack", cache=tmp_path / "cache"))
    assert caught.value.field == "notes"


ALPHABET = "abcdefghijklmnopqrstuvwxyz"
NO_TEXT = CorpusWords({}, {}, {})


def words(**counts: int) -> CorpusWords:
    total = sum(counts.values())
    return CorpusWords(
        {w.replace("_", "-"): c / total for w, c in counts.items()},
        {w.replace("_", "-"): c for w, c in counts.items()},
        {w.replace("_", "-"): 3 for w in counts},
    )


def test_choosing_words():
    options = LexiconPart(size=100, always=["a", "ok"], exclude=["teh"])
    corpus = words(tripod=30, teh=50, xqz=1, lol=25, well_known=40, odd_one=2, mm=99, b=99)
    corpus.count["l'homme"] = 30
    corpus.sources["l'homme"] = 2
    chosen, tally, _ = choose_words(
        {"the": 0.1, "theodolite": 1e-7, "gps": 1e-5, "rare": 1e-9, "tripod's": 1e-8, "straße": 1e-3},
        corpus,
        SpellingWords({"theodolite", "tripod", "homme"}),
        options,
        alphabet=ALPHABET,
        elisions=("l'",),
        language="en-GB",
    )  # fmt: skip
    assert chosen == [
        "a", "ok", "gps", "lol", "the", "l'homme", "tripod", "tripod's", "well-known", "theodolite",
    ]  # fmt: skip
    assert tally["taken"] == len(chosen)
    assert tally["dropped: excluded by the recipe"] == 1
    assert tally["dropped: rare compound"] == 1
    assert tally["dropped: not spelled with the alphabet"] == 1
    assert tally["dropped: single letter"] == 1


def test_the_most_frequent_words_fill_the_lexicon():
    frequencies = {"one": 0.5, "two": 0.4, "three": 0.3, "four": 0.2}
    chosen, _, _ = choose_words(
        frequencies,
        NO_TEXT,
        SpellingWords(set(frequencies)),
        LexiconPart(size=2),
        alphabet=ALPHABET,
    )
    assert sorted(chosen) == ["one", "two"]
    with pytest.raises(PackError, match="outside 1"):
        choose_words(
            frequencies, NO_TEXT, SpellingWords(), LexiconPart(size=99_999), alphabet=ALPHABET
        )


def test_each_source_weighs_the_same():
    streams = {"big": read_stream(["peg"] * 99), "small": read_stream(["Prism"])}
    found = corpus_words(streams)
    assert found.share == {"peg": 0.5, "prism": 0.5}
    assert found.count == {"peg": 99, "prism": 1}


def blocks(language: str) -> list[str]:
    """The code blocks of the page on packs."""
    page = (MODELS.parent / "docs" / "packs.md").read_text()
    return [part.split("```")[0] for part in page.split(f"```{language}\n")[1:]]


def test_the_recipe_on_the_page_is_sound(tmp_path):
    (example,) = blocks("toml")
    # The page shows an [[evaluation]] header with its fields "as for text": leave it out here.
    (tmp_path / "recipe.toml").write_text(example.split("[[evaluation]]")[0])
    recipe = read_recipe(tmp_path / "recipe.toml")
    for part in (recipe, recipe.lexicon, recipe.model):
        shown = set(example.replace(" =", "=").replace("\n", " ").split())
        for field in part.__struct_fields__:
            if field not in ("text", "words", "evaluation", "lexicon", "model"):
                assert f"{field}=" in shown, field


def test_possessives_are_english():
    chosen = {
        language: choose_words(
            {}, words(**{"lineal's": 2}), SpellingWords({"lineal"}), LexiconPart(), alphabet=ALPHABET,
            language=language,
        )[0]
        for language in ("en", "de", "")
    }  # fmt: skip
    assert chosen == {"en": ["lineal's"], "de": [], "": []}


def test_abbreviations_are_english_where_the_recipe_names_none(tmp_path):
    for language, expected in (("en-GB", True), ("pl", False)):
        recipe = read_recipe(write_recipe(tmp_path / language, language=language))
        assert ("co" in recipe.abbreviations) is expected


def test_marks_of_an_alphabet_rule_out_folding(tmp_path):
    path = write_recipe(tmp_path, language="hi", alphabet="कखगिी्")
    assert read_recipe(path).alphabet == "कखगिी्"
    path.write_text(path.read_text().replace("[lexicon]\n", "[lexicon]\nfold_accents = true\n"))
    with pytest.raises(PackError, match=r"takes off the marks .*◌ि") as caught:
        read_recipe(path)
    assert caught.value.field == "lexicon.fold_accents"
    many = "".join(chr(0x4E00 + i) for i in range(300))
    path.write_text(path.read_text().replace("कखगिी्", many))
    with pytest.raises(PackError, match="300 letters") as caught:
        read_recipe(path)
    assert caught.value.field == "alphabet"
