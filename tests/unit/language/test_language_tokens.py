"""Text to sentences of words: each rule by example."""

import pytest

from nearkey.language.tokens import (
    NUMBER,
    PUNCTUATION,
    fold_accents,
    letters_of,
    normalise_word,
    sentences,
    word_order,
)


def split(text: str) -> list[list[str]]:
    return [sentence.words for sentence in sentences([text])]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("I set up the tripod.", [["I", "set", "up", "the", "tripod"]]),
        ("Done. Next peg? Yes!", [["Done"], ["Next", "peg"], ["Yes"]]),
        ("Mr. Okafor came.", [["Mr", "Okafor", "came"]]),
        ("J. Okafor came.", [["J", "Okafor", "came"]]),
        ("well... maybe", [["well", "maybe"]]),
        ("well… maybe", [["well", "maybe"]]),
        ("don’t `stop´", [["don't", "stop"]]),
        ("rock 'n' roll, 'em", [["rock", "n", "roll", "em"]]),
        ("a well-known e-mail -- yes", [["a", "well-known", "e-mail", "yes"]]),
        ("before—after", [["before", "after"]]),
        ("wait.Then go", [["wait"], ["Then", "go"]]),
        ("at 10:30 on the 2nd, 3.5 m", [["at", NUMBER, "on", "the", NUMBER, NUMBER, "m"]]),
        ("see http://a.example/x now", [["see", NUMBER, "now"]]),
        ("mail me@a.example please", [["mail", NUMBER, "please"]]),
        ("in /etc/hosts there", [["in", NUMBER, "there"]]),
        ("and/or", [["and", "or"]]),
        ("the U.S. team", [["the", NUMBER, "team"]]),
        ("(yes) [no] :-) & +", [["yes", "no"]]),
        ("über Straße, naïve", [["über", "Straße", "naïve"]]),
        ("Καλημέρα, τι κάνεις;", [["Καλημέρα", "τι", "κάνεις"]]),
        ("", []),
        ("... !!", []),
    ],
)
def test_splitting(text, expected):
    assert split(text) == expected


def test_a_mark_belongs_to_the_word_before_it():
    (sentence,) = sentences(['he said: "yes, no (really)!"'])
    assert sentence.words == ["he", "said", "yes", "no", "really"]
    assert [PUNCTUATION[code] for code in sentence.punctuation] == ["", ":", ",", "", "!"]


def test_a_line_without_an_end_mark_gives_no_evidence_about_it():
    (sentence,) = sentences(["on my way"])
    assert sentence.punctuation == [0, 0, 255]


def test_decomposed_letters_are_composed():
    assert split("cafe\u0301") == [["café"]]


def test_normalising_a_word():
    assert normalise_word("Don’t") == "don't"
    assert normalise_word("CAFE\u0301") == "café"
    assert normalise_word("Café", fold=True) == "cafe"
    assert fold_accents("Ελλάδα") == "Ελλαδα"


def test_words_of_one_length_lie_together():
    words = ["bat", "a", "can't", "cant", "to", "e-mail", "email", "zebra", "abbey"]
    assert sorted(words, key=word_order) == [
        "a", "to", "bat", "can't", "cant", "abbey", "e-mail", "email", "zebra",
    ]  # fmt: skip
    assert letters_of("mother-in-law's") == "motherinlaws"
