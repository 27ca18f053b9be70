"""Dictionaries with affixes: invented rules, and what they derive by hunspell(5)."""

from __future__ import annotations

import pytest

from nearkey.errors import PackError
from nearkey.language.reading.corpus import ReadOptions
from nearkey.packs.recipe import LexiconPart
from nearkey.packs.vocabulary import CorpusWords, choose_words
from nearkey.packs.wordlists import read_spelling

# Invented. Flag A: plural; B: a diminutive that may take a plural in turn; P: a negation; N: no word by itself.
RULES = """\
SET ISO8859-2
NEEDAFFIX N
FORBIDDENWORD X
# comment
PFX P Y 1
PFX P 0 nie .
SFX A Y 3
SFX A a y [^ka]a
SFX A 0 ami [ka]a
SFX A ść ści ść
SFX B Y 1
SFX B a ka/A .
SFX C N 1
SFX C 0 x t
"""
STEMS = "7\nłata/A\nmiara/ABP\ndługość/A\nrdzeńa/AN\npunkt/PC\nmiary/X\nSlawa\n"


def dictionary(tmp_path, rules=RULES, stems=STEMS, encoding="iso8859-2"):
    (tmp_path / "pl.aff").write_bytes(rules.encode(encoding))
    (tmp_path / "pl.dic").write_bytes(stems.encode(encoding))
    return read_spelling([tmp_path / "pl.dic"], ReadOptions())


def test_words_are_recognised_by_taking_affixes_off(tmp_path):
    found = dictionary(tmp_path)
    assert {"łata", "miara", "długość", "punkt", "slawa"} == found.words
    for word in (
        "łata",
        "łaty",
        "miarka",
        "niemiara",
        "niemiarka",
        "długości",
        "punktx",
        "niepunkt",
    ):
        assert word in found, word
    for word, why in {
        "łatka": "its stem has no B",
        "łataami": "the rule's condition asks for k or a before the a",
        "niełata": "its stem has no P",
        "miary": "forbidden",
        "rdzeńa": "no word by itself",
        "niepunktx": "C goes with no prefix",
        "xyz": "unknown",
        "": "empty",
    }.items():
        assert word not in found, why
    assert "rdzeńy" in found  # derived from a stem that is none


def test_a_suffix_on_a_suffix(tmp_path):
    assert "miarkaami" in dictionary(tmp_path)  # miara + B -> miarka, which B's own flag gives A
    assert "łatkaami" not in dictionary(tmp_path)


@pytest.mark.parametrize(
    ("kind", "flag", "aliases"), [("num", "65", ""), ("long", "Aa", ""), ("num", "1", "AF 1\nAF 65\n")]
)  # fmt: skip
def test_flags_of_all_kinds(tmp_path, kind, flag, aliases):
    name = "65" if aliases else flag
    rules = f"SET UTF-8\nFLAG {kind}\n{aliases}SFX {name} Y 1\nSFX {name} 0 en .\n"
    found = dictionary(tmp_path, rules, f"1\npunkt/{flag}\n", "utf-8")
    assert "punkten" in found
    assert "punkter" not in found


def test_faulty_rules_are_named(tmp_path):
    with pytest.raises(PackError, match="encoding 'EBCDIC-X' is unknown"):
        dictionary(tmp_path, "SET EBCDIC-X\n", "1\npunkt\n", "ascii")


def test_without_rules_beside_it_a_dictionary_is_a_list(tmp_path):
    (tmp_path / "some.dic").write_text("2\npunkt/AB\nmiara\n")
    found = read_spelling([tmp_path / "some.dic"], ReadOptions())
    assert found.words == {"punkt", "miara"}
    assert "punkty" not in found


def test_words_that_rules_elide_are_read_as_two(tmp_path):
    (tmp_path / "fr.aff").write_text("SET UTF-8\nPFX L Y 1\nPFX L 0 l' .\n")
    (tmp_path / "fr.dic").write_text("1\nhomme/L\n")
    spelling = read_spelling([tmp_path / "fr.dic"], ReadOptions())
    assert "l'homme" in spelling
    counts = {"l'homme": 2, "homme": 2}
    corpus = CorpusWords(dict.fromkeys(counts, 0.5), counts, counts)
    chosen = {
        elisions: choose_words(
            {}, corpus, spelling, LexiconPart(), alphabet="lhome", elisions=elisions
        )[0]
        for elisions in ((), ("l'",))
    }
    assert chosen == {(): ["homme", "l'homme"], ("l'",): ["homme"]}
