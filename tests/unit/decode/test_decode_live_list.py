"""What a live list puts first, and what keeps a place in it: worked by hand, no source."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from small_models import (
    FIRST_WORD,
    PlainTouch,
    SmallLexicon,
    SmallPack,
    SmallTableModel,
    row_layout,
    table_bytes,
)

from nearkey._kernel import NgramTable, Penalties
from nearkey.decode import Decoder, EditCosts
from nearkey.decode.options import COMPLETION
from nearkey.errors import DecodeError
from nearkey.language.models import LetterModel

LAYOUT = row_layout(list("abcdefint"))


@dataclass
class SpellingPack(SmallPack):
    letter_model: Any = None


class Guarded(SmallLexicon):
    """Flags one word (invented) as offensive."""

    @property
    def offensive(self) -> frozenset[int]:
        return frozenset([self.words.index("ni")])


def pack_of(shares: dict[str, float], *, spelling: bool = False) -> SmallPack:
    words = sorted(shares)
    log_probs = {word: math.log(shares[word]) for word in words}
    ngrams = {(FIRST_WORD + i,): (log_probs[w], 0.0) for i, w in enumerate(words)}
    ngrams |= {(i,): (math.log(0.01), 0.0) for i in range(FIRST_WORD)}
    lexicon = SmallLexicon(words, np.asarray([log_probs[w] for w in words], np.float32))
    model = SmallTableModel(words, ngrams, 1)
    if not spelling:
        return SmallPack(lexicon, model)
    letters = "".join(sorted(LAYOUT.letters))
    even = {(i,): (-math.log(len(letters) + 1), 0.0) for i in range(3 + len(letters))}
    table = NgramTable(table_bytes(even, 3 + len(letters), 1))
    return SpellingPack(lexicon, model, LetterModel(table, letters))


def centres(letters: str) -> np.ndarray[Any, Any]:
    return np.asarray([LAYOUT.centers[LAYOUT.key_of_letter[c]] for c in letters]).reshape(-1, 2)


def shown(decoder: Decoder, letters: str, k: int = 5) -> list[str]:
    return [c.word for c in decoder.candidates(centres(letters), context="", k=k)]


COSTS = EditCosts(completion=math.log(1 / 6), completion_first=math.log(1 / 20))


@pytest.mark.parametrize(
    ("times", "expected"),
    [
        (5, ["in", "inn"]),  # below 6: last by score
        (10, ["in", "inn"]),  # leads by score, and would have been taken by a space
        (19, ["in", "inn"]),
        (21, ["inn", "in"]),
    ],
)
def test_a_finished_word_is_first_unless_an_unfinished_one_is_twenty_times_as_probable(
    times, expected
):
    pack = pack_of({"in": 0.02, "inn": 0.02 * times})
    decoder = Decoder(LAYOUT, PlainTouch(LAYOUT, 0.1), pack, edits=COSTS)
    assert shown(decoder, "in") == expected


def test_an_unfinished_word_may_be_kept_from_the_first_place_or_given_it_by_score():
    pack = pack_of({"in": 0.001, "inn": 0.9})
    never = Decoder(
        LAYOUT, PlainTouch(LAYOUT, 0.1), pack, edits=replace(COSTS, completion_first=None)
    )
    assert shown(never, "in") == ["in", "inn"]
    assert shown(never, "in", k=1) == ["in"]
    # Where nothing else can be read, it is what there is.
    assert shown(never, "i") == ["inn", "in"]
    close = pack_of({"in": 0.09, "inn": 0.9})
    by_score = replace(COSTS, completion_first=COSTS.completion)
    one = Decoder(LAYOUT, PlainTouch(LAYOUT, 0.1), close, edits=by_score)
    assert shown(one, "in") == ["inn", "in"]
    assert shown(one.with_edits(COSTS), "in") == ["in", "inn"]
    # A charge below that of the list is raised to it: what is listed last is not taken first.
    assert replace(COSTS, completion_first=0.0).completion_lead == 0.0


def test_the_first_place_is_found_behind_a_list_full_of_unfinished_words():
    many = {"in" + a + b: 0.03 for a in "abc" for b in "def"}
    decoder = Decoder(LAYOUT, PlainTouch(LAYOUT, 0.1), pack_of({"in": 0.002} | many), edits=COSTS)
    best = decoder.decode(centres("in"), context="", k=5, completions=True)
    assert "in" not in [c.word for c in best]  # by score alone it is not even listed
    found = decoder.candidates(centres("in"), context="", k=5)
    assert [c.kind for c in found] == ["word"] + 4 * ["completion"]
    assert found[0].word == "in"
    assert found[0].log_prob < found[1].log_prob


def test_a_word_that_is_not_shown_does_not_lead_either():
    shares = {"ni": 0.5, "in": 0.05, "inn": 0.4}
    pack = pack_of(shares)
    costs = replace(COSTS, swapped=-0.1)
    assert shown(Decoder(LAYOUT, PlainTouch(LAYOUT, 0.1), pack, edits=costs), "in")[0] == "ni"
    pack.lexicon = Guarded(pack.lexicon.words, pack.lexicon.log_probs)
    assert shown(Decoder(LAYOUT, PlainTouch(LAYOUT, 0.1), pack, edits=costs), "in") == ["in", "inn"]


def test_words_that_are_not_shown_leave_no_gap():
    # Four unfinished words above the two that may be shown, and no room for them in a list of two.
    bad = ["ninb", "ninc", "nind", "nine"]
    pack = pack_of(dict.fromkeys(bad, 0.2) | {"nint": 0.01, "ninn": 0.001})
    words = pack.lexicon.words

    class Flagged(SmallLexicon):
        offensive = frozenset(map(words.index, bad))

    decoder = Decoder(LAYOUT, PlainTouch(LAYOUT, 0.1), pack, edits=COSTS)
    assert shown(decoder, "nin", k=2) == ["ninb", "ninc"]
    pack.lexicon = Flagged(pack.lexicon.words, pack.lexicon.log_probs)
    decoder = Decoder(LAYOUT, PlainTouch(LAYOUT, 0.1), pack, edits=COSTS)
    assert shown(decoder, "nin", k=2) == ["nint", "ninn"]
    assert shown(decoder, "nine", k=2) == ["nine"]  # touched letter by letter
    # One reading of it that was not: a touch missing.
    missing = decoder.with_edits(replace(COSTS, omitted=-0.1, completion=None))
    assert shown(missing, "nie", k=2) == ["nint", "ninn"]


@pytest.mark.parametrize("k", [1, 2, 3, 5])
def test_words_that_are_not_shown_are_not_predicted_either(k):
    pack = pack_of({"ni": 0.5, "in": 0.3, "inn": 0.1, "fin": 0.05})
    decoder = Decoder(LAYOUT, PlainTouch(LAYOUT, 0.1), pack, edits=COSTS)
    assert shown(decoder, "", k=k) == ["ni", "in", "inn", "fin"][:k]
    pack.lexicon = Guarded(pack.lexicon.words, pack.lexicon.log_probs)
    decoder = Decoder(LAYOUT, PlainTouch(LAYOUT, 0.1), pack, edits=COSTS)
    assert shown(decoder, "", k=k) == ["in", "inn", "fin"][:k]


def test_what_live_lists_need_of_each_word_is_made_for_the_first_one():
    pack = pack_of({"in": 0.5, "inn": 0.4, "ni": 0.05})
    pack.lexicon = Guarded(pack.lexicon.words, pack.lexicon.log_probs)
    decoder = Decoder(LAYOUT, PlainTouch(LAYOUT, 0.1), pack, edits=COSTS)
    assert decoder.decode(centres("in"), context="")[0].word == "in"
    assert Penalties not in [type(value) for value in vars(decoder._live).values()]
    assert shown(decoder, "in") == ["in", "inn"]
    assert Penalties in [type(value) for value in vars(decoder._live).values()]


@pytest.mark.parametrize("place", [-1, 2])
def test_flags_of_words_that_are_not_there_are_refused(place):
    class Flagged(SmallLexicon):
        offensive = frozenset([0, place])

    pack = pack_of({"in": 0.5, "inn": 0.4})
    pack.lexicon = Flagged(pack.lexicon.words, pack.lexicon.log_probs)
    with pytest.raises(
        DecodeError, match=r"pack\.lexicon\.offensive: names a place that has no wo"
    ):
        Decoder(LAYOUT, PlainTouch(LAYOUT, 0.1), pack)


@pytest.mark.parametrize("before", ["", "in", "ef", "ait", "din"])
def test_equally_good_words_are_listed_by_number_whatever_was_asked_before(before):
    even = {a + "in" + b: 0.01 for a in "abcdef" for b in "abcdef"}
    costs = replace(COSTS, omitted=-3.0, extra=-3.0, swapped=-3.0)
    decoder = Decoder(LAYOUT, PlainTouch(LAYOUT, 0.1), pack_of(even), edits=costs)
    stream = decoder.start(k=3)
    for letter in before:
        stream.tap(*map(float, LAYOUT.centers[LAYOUT.key_of_letter[letter]]))
    assert shown(decoder, "cin", k=3) == ["cina", "cinb", "cinc"]
    assert shown(decoder, "bin", k=3) == ["bina", "binb", "binc"]


def test_a_spelling_is_the_same_whatever_was_spelled_before():
    pack = pack_of({"inn": 0.002, "bad": 0.5}, spelling=True)
    decoder = Decoder(LAYOUT, PlainTouch(LAYOUT, 0.3), pack, edits=COSTS)
    words = [
        "a",
        "ab",
        "abe",
        "ab",
        "abef",
        "f",
        "fi",
        "tabe",
        "fi",
        "abefin",
        "abe",
    ]  # grown, cut, others
    for word in words:
        afresh = Decoder(LAYOUT, PlainTouch(LAYOUT, 0.3), pack, edits=COSTS)
        found = decoder.candidates(centres(word))
        assert found == afresh.candidates(centres(word))
        assert word in [c.word for c in found if c.kind == "spelled"]


def test_a_spelling_leads_and_keeps_its_place():
    pack = pack_of({"inn": 0.002, "bad": 0.5}, spelling=True)
    decoder = Decoder(LAYOUT, PlainTouch(LAYOUT, 0.1), pack, edits=COSTS)
    # P(spelled) = 0.01 / 10^3 for two of nine letters and the end; 0.002 / 20 is more, so "inn" leads.
    assert shown(decoder, "in") == ["inn", "in"]
    rare = pack_of({"inn": 0.0001, "bad": 0.5}, spelling=True)
    assert shown(Decoder(LAYOUT, PlainTouch(LAYOUT, 0.1), rare, edits=COSTS), "in") == ["in", "inn"]
    # A list of one shows the best reading and not the way to a rarer one.
    assert shown(decoder, "in", k=1) == ["inn"]


def test_typical_costs_set_both_and_bad_ones_are_named():
    costs = EditCosts.typical(LAYOUT)
    assert costs.completion == COMPLETION
    assert costs.completion_first is not None
    assert costs.completion_first < COMPLETION < 0
    with pytest.raises(DecodeError, match="completion_first"):
        EditCosts(completion_first=math.inf)
