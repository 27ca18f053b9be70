"""From texts alone to a recipe, and from that to a pack that decodes."""

from __future__ import annotations

import json
from itertools import product

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from small_packs import grid_of, invented_notes

import nearkey as nk
from nearkey.commands.pack_command import pack
from nearkey.errors import NearkeyError, PackError
from nearkey.language.tokens import is_letter
from nearkey.packs.evaluate import score_text
from nearkey.packs.recipe import read_recipe
from nearkey.packs.starter import TOO_SMALL, draft_recipe, guess_alphabet, judge_pack, short_words

# Invented notes of surveyors.
GREEK = [f"{a} {b} {c}" for a, b, c in product(
    ["Μετρήσαμε", "Βρήκαμε ξανά", "Ελέγξαμε και"], ["τη στάθμη", "το πρίσμα", "τον τρίποδα"],
    ["στο ύψωμα.", "δίπλα στον δρόμο.", "μετά τη βροχή.", "ως το γεφύρι.", "με το laser."])]  # fmt: skip
CYRILLIC = [f"{a} {b} {c}." for a, b, c in product(
    ["Мы нашли", "Он проверил", "Я не вижу"], ["веху", "нивелир", "штатив и рейку"],
    ["у реки", "на холме", "за мостом", "в поле", "по пути"])]  # fmt: skip


def start(*arguments: object):
    return CliRunner().invoke(pack, ["start", *(str(a) for a in arguments)])


@pytest.mark.parametrize(
    ("language", "lines", "word"), [("el", GREEK, "πρίσμα"), ("ru", CYRILLIC, "нивелир")]
)
def test_one_command_makes_a_pack_that_decodes(tmp_path, language, lines, word):
    text = tmp_path / "notes [site 1].txt"
    text.write_text("\n".join(lines) + "\n")
    out = tmp_path / "made" / language
    done = start(text, "--language", language, "-o", out, "--wheel", tmp_path / "dist")
    assert done.exit_code == 0, done.output
    assert list((tmp_path / "dist").glob("*.whl"))
    made = nk.load_pack(out / "pack")
    assert made.info.name == made.info.language == language
    assert word in made.lexicon
    assert "laser" not in made.lexicon  # of another script
    layout = grid_of(made.alphabet)
    decoder = nk.Decoder(layout, nk.GaussianTouch.from_layout(layout, spread=0.3), made)
    points = np.array([layout.centers[layout.key_of_letter[c]] for c in word])
    assert decoder.decode(points)[0].word == word


def test_the_recipe_is_there_to_be_corrected(tmp_path):
    (tmp_path / "one.txt").write_text("\n".join(invented_notes(80, 1)))
    said = json.dumps([{"said": line} for line in invented_notes(40, 2)])
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "one.json").write_text(said)
    out = tmp_path / "made"
    arguments = (tmp_path / "one.txt", "--language", "en", "--name", "site", "-o", out, "--recipe-only",
                 "--licence", "CC0-1.0")  # fmt: skip
    assert start(*arguments).exit_code == 0
    recipe = read_recipe(out / "recipe.toml")
    assert (recipe.name, recipe.licence) == ("site", "CC0-1.0")
    assert recipe.alphabet == "abcdefghijklmnopqrstuvwxyz"
    assert recipe.text[0].files == ["../one.txt"]
    assert "is there already" in str(start(*arguments).exception)
    assert not (out / "pack").exists()
    assert start(*arguments, "--force").exit_code == 0
    twins = [tmp_path / "a" / "one.json", tmp_path / "b" / "one.json"]
    from_json = draft_recipe(twins, out, language="en", kind="json", column="said")
    assert 'column = "said"' in from_json
    assert 'name = "one_2"' in from_json


def test_lists_of_words_join_in(tmp_path):
    (tmp_path / "text.txt").write_text("\n".join(invented_notes(200, 1)))
    (tmp_path / "words.txt").write_text("tripod\nbaseline\nup\nof\n")
    (tmp_path / "counted.txt").write_text("tripod 9\nmonument 4\nbaseline 1\n")
    out = tmp_path / "made"
    done = start(tmp_path / "text.txt", "--language", "en", "-o", out, "--spelling",
                 tmp_path / "words.txt", "--frequencies", tmp_path / "counted.txt")  # fmt: skip
    assert done.exit_code == 0, done.output
    made = nk.load_pack(out / "pack")
    assert {"baseline", "monument", "theodolite", "of"} <= set(made.lexicon.words)


def test_what_cannot_be_used_is_named(tmp_path):
    for content, problem in (
        ("", "holds no words"),
        ("12 34\n", "no alphabet"),
        ("\0", "zero bytes"),
    ):
        (tmp_path / "bad.txt").write_text(content)
        done = start(tmp_path / "bad.txt", "--language", "xx", "-o", tmp_path / "out")
        assert isinstance(done.exception, NearkeyError), content
        assert problem in str(done.exception)
        assert not (tmp_path / "out" / "recipe.toml").exists()
    with pytest.raises(PackError, match="cannot be read"):
        draft_recipe([tmp_path / "none.txt"], tmp_path, language="xx")


def test_too_little_text_is_told_and_leaves_nothing_in_the_way(tmp_path):
    text, out = tmp_path / "notes.txt", tmp_path / "out"
    little = "one small text\nwith few words\n"  # none of it falls to the held-out part
    text.write_text(little)
    for _ in range(2):
        fault = start(text, "--language", "en", "-o", out).exception
        assert isinstance(fault, PackError)
        assert str(fault).startswith(f"{text}: holds too little text for a pack; give some hundred")
        assert not (out / "recipe.toml").exists()
    text.write_text("\n".join(invented_notes(300, 1)))
    assert start(text, "--language", "en", "-o", out).exit_code == 0
    # With --force there was a recipe, and there is one after.
    text.write_text(little)
    fault = start(text, "--language", "en", "-o", out, "--force").exception
    assert "too little text" in str(fault)
    assert (out / "recipe.toml").exists()


def test_many_texts_are_one_source(tmp_path):
    paths = [tmp_path / f"note{i}.txt" for i in range(12)]
    for i, path in enumerate(paths):
        path.write_text("\n".join(invented_notes(20, i)))
    (tmp_path / "recipe.toml").write_text(draft_recipe(paths, tmp_path, language="en"))
    recipe = read_recipe(tmp_path / "recipe.toml")
    assert [len(source.files) for source in recipe.text] == [12]


def test_the_alphabet_is_that_of_the_usual_script():
    # The letters of Icelandic; c, q, w and z stand in names only (common knowledge, no source).
    words = {"þjóðvegur": 50, "æðey": 50, "ómögulegt": 50, "fjórðungsöldu": 9, "ивана": 4, "ñ": 1}
    assert guess_alphabet(words) == "abcdefghijklmnopqrstuvwxyzæðóöþ"
    assert guess_alphabet({"дом": 900, "и": 900, "ёж": 2, "the": 90}) == "димо"
    assert guess_alphabet({}) == ""


def test_short_words_are_those_used_as_words():
    words = {"a": 60, "x": 4, "we": 9, "qz": 4, "é": 70, "tripod": 100_000}
    assert short_words(words, "aweqzx") == ["a", "we"]


@given(st.dictionaries(st.text(max_size=6), st.integers(1, 1000), max_size=20))
def test_any_alphabet_is_one_that_a_recipe_takes(words):
    letters = guess_alphabet(words)
    if letters:
        assert all(map(is_letter, letters))
        assert letters == letters.lower()
        assert len(set(letters)) == len(letters)


def test_a_faulty_draft_leaves_what_was_there(tmp_path):
    (tmp_path / "notes.txt").write_text("\n".join(invented_notes(80, 1)))
    out = tmp_path / "made"
    faulty = start(tmp_path / "notes.txt", "--language", "en", "-o", out, "--alphabet", "aab")
    assert isinstance(faulty.exception, PackError)
    assert faulty.exception.field == "alphabet"
    assert list(out.iterdir()) == []
    assert start(tmp_path / "notes.txt", "--language", "en", "-o", out).exit_code == 0
    before = (out / "recipe.toml").read_text()
    again = start(
        tmp_path / "notes.txt", "--language", "en", "-o", out, "--name", "no good", "--force"
    )
    assert isinstance(again.exception, PackError)
    assert (out / "recipe.toml").read_text() == before


# Invented Polish notes: forms of a few stems, of which each text has only some.
STEMS = ["łata", "miara", "niwela", "tyka", "skarpa", "rzeka", "droga", "granica", "szyna", "mapa"]
ENDS = ["a", "y", "ę", "ą", "o", "om", "ami", "ach"]


def polish_notes(count: int, seed: int) -> list[str]:
    rng = np.random.default_rng(seed)
    forms = [stem[:-1] + end for stem in STEMS for end in ENDS]
    return [
        f"przy nas {forms[a]} jest {forms[b]} obok {forms[c]} dziś"
        for a, b, c in rng.integers(0, len(forms), (count, 3))
    ]


def test_a_dictionary_with_its_rules_leaves_fewer_words_unknown(tmp_path):
    text = tmp_path / "notes.txt"
    text.write_text("\n".join(polish_notes(260, 1)) + "\n")
    rules = [f"SFX A a {'0' if end == 'a' else end} a" for end in ENDS[1:]]
    (tmp_path / "pl.aff").write_text(f"SET UTF-8\nSFX A Y {len(rules)}\n" + "\n".join(rules))
    (tmp_path / "pl.dic").write_text("10\n" + "".join(f"{stem}/A\n" for stem in STEMS))
    unknown, bits = {}, {}
    later = polish_notes(400, 2)
    for name, lists in (("without", ()), ("with", ("--spelling", tmp_path / "pl.dic"))):
        done = start(text, "--language", "pl", "-o", tmp_path / name, *lists)
        assert done.exit_code == 0, done.output
        score = score_text(nk.load_pack(tmp_path / name / "pack"), later)
        unknown[name], bits[name] = score.oov_rate, score.bits_per_letter
    assert unknown["with"] <= unknown["without"]
    assert bits["with"] <= bits["without"]


def test_a_dictionary_hides_no_unknown_words(tmp_path):
    # Words of an invented language: many stems, few of them frequent, so that new text brings new ones.
    rng = np.random.default_rng(5)
    stems = [
        "".join(rng.choice(list("bdgklmnprst"), 3)) + str(rng.choice(list("aeiou")))
        for _ in range(9000)
    ]
    shares = 1 / np.arange(20, len(stems) + 20)
    ends = ("m", "n", "s", "r")

    def notes(count):
        words = rng.choice(stems, (count, 6), p=shares / shares.sum())
        return [
            " ".join(w + ends[i] for w, i in zip(row, rng.integers(0, 4, 6), strict=True))
            for row in words
        ]

    text = tmp_path / "notes.txt"
    text.write_text("\n".join(notes(1500)) + "\n")
    rules = "".join(f"SFX A 0 {end} .\n" for end in ends)
    (tmp_path / "x.aff").write_text(f"SET UTF-8\nSFX A Y {len(ends)}\n{rules}")
    (tmp_path / "x.dic").write_text("9000\n" + "".join(f"{stem}/A\n" for stem in stems))
    for name, lists in (("without", ()), ("with", ("--spelling", tmp_path / "x.dic"))):
        done = start(text, "--language", "x", "-o", tmp_path / name, *lists)
        assert done.exit_code == 0, done.output
        record = nk.load_pack(tmp_path / name / "pack").info.held_out[0]
        assert record.unknown_predicted > 0.6 * record.oov_rate


def test_a_list_helps_or_at_least_does_not_hurt(tmp_path):
    # Words of an invented language, and a list of words it does not have.
    rng = np.random.default_rng(6)

    def spelled(count, of):
        return list(dict.fromkeys("".join(of()) for _ in range(count)))

    consonants, vowels = list("bdgklmnprst"), list("aeiou")
    words = spelled(
        9000,
        lambda: (
            rng.choice(letters)
            for _ in range(rng.integers(1, 5))
            for letters in (consonants, vowels)
        ),
    )
    others = spelled(9000, lambda: rng.choice(consonants + vowels, rng.integers(3, 8)))
    shares = 1 / np.arange(20, len(words) + 20)
    notes = [" ".join(row) for row in rng.choice(words, (3500, 6), p=shares / shares.sum())]
    text, later = tmp_path / "notes.txt", notes[1500:]
    text.write_text("\n".join(notes[:1500]) + "\n")
    bits = {}
    for name, listed in (("none", []), ("its own", words), ("others", others)):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "list.txt").write_text("\n".join(listed))
        lists = ("--spelling", folder / "list.txt") if listed else ()
        done = start(text, "--language", "x", "-o", folder, *lists)
        assert done.exit_code == 0, done.output
        bits[name] = score_text(nk.load_pack(folder / "pack"), later).bits_per_letter
    assert bits["its own"] < bits["none"] - 0.1
    assert bits["others"] < bits["none"] + 0.01


def test_a_verdict_ends_the_start(tmp_path):
    text = tmp_path / "notes.txt"
    text.write_text("\n".join(invented_notes(900, 1)) + "\n")
    done = start(text, "--language", "en", "-o", tmp_path / "made")
    assert done.exit_code == 0, done.output
    # A field a line; a long value goes on below itself.
    said = dict(
        line.split(maxsplit=1)
        for line in done.stdout.splitlines()
        if line[:1].strip() and " " in line
    )
    assert said["verdict"] == f"too small: below {TOO_SMALL:,} words"
    recipe = read_recipe(tmp_path / "made" / "recipe.toml")
    assert recipe.text[0].part == (0, 900)
    assert recipe.evaluation[0].part == (900, 1000)
    verdict = judge_pack(tmp_path / "made" / "recipe.toml", tmp_path / "made" / "pack")
    pack = nk.load_pack(tmp_path / "made" / "pack")
    # What the pack's own record measured on the same text.
    record = pack.info.held_out[0]
    assert verdict.score.words == record.words
    assert verdict.score.perplexity == pytest.approx(record.perplexity, abs=0.06)
    assert verdict.score.bits_per_letter == pytest.approx(float(said["bits_per_letter"]), abs=5e-4)
    assert verdict.advice[0].startswith("give more text")
    assert any("name the licence" in advice for advice in verdict.advice)


def test_a_text_too_short_to_judge_is_not_judged(tmp_path):
    text = tmp_path / "notes.txt"
    text.write_text("\n".join(invented_notes(100, 1)) + "\n")
    done = start(text, "--language", "en", "-o", tmp_path / "made")
    assert "not measured" in done.stdout
    assert "--spelling" in done.stdout


@pytest.mark.parametrize("encoding", ["iso8859-2", "utf-16", "cp1250"])
def test_texts_and_lists_of_other_encodings(tmp_path, encoding):
    text, words = tmp_path / "notes.txt", tmp_path / "words.txt"
    text.write_bytes("\n".join(polish_notes(300, 1)).encode(encoding))
    words.write_bytes("łąka\nskarpą\n".encode(encoding))
    out = tmp_path / "made"
    done = start(text, "--language", "pl", "-o", out, "--encoding", encoding, "--spelling", words)
    assert done.exit_code == 0, done.output
    made = nk.load_pack(out / "pack")
    assert {"łąka", "skarpą", "rzekę"} <= set(made.lexicon.words)
    plain = start(text, "--language", "pl", "-o", tmp_path / "other", "--spelling", words)
    assert "encoding" in str(plain.exception)


def test_an_unknown_encoding_is_named(tmp_path):
    (tmp_path / "notes.txt").write_text("one text\n")
    fault = start(
        tmp_path / "notes.txt", "--language", "en", "-o", tmp_path, "--encoding", "utf-81"
    ).exception
    assert isinstance(fault, PackError)
    assert "'utf-81' is unknown" in str(fault)
