"""Scoring a layout: figures worked by hand, words outside the lexicon, the same figures every time."""

from __future__ import annotations

import json

import numpy as np
import pytest
from small_models import (
    PlainModel,
    PlainTouch,
    SmallLexicon,
    SmallPack,
    SmallTableModel,
    random_ngrams,
    row_layout,
)

from nearkey.decode import Decoder, EditCosts
from nearkey.errors import PlanError
from nearkey.simulate.completion import completion_savings
from nearkey.simulate.decoders import BASELINES, Answers, OwnDecoder, Queries
from nearkey.simulate.keystrokes import Selection
from nearkey.simulate.layout_score import latency_of, score_decoder
from nearkey.simulate.score import score_layout
from nearkey.simulate.trial import type_workload
from nearkey.simulate.workload import Corpus, make_workload
from nearkey.touch import GaussianTouch

LAYOUT = row_layout(["ab", "cd", "ef"])


def pack_of(shares):
    words = list(shares)
    return SmallPack(
        SmallLexicon(words, np.log(np.asarray(list(shares.values()), np.float32))),
        PlainModel(words),
    )


def table_pack(seed=2, n_words=40):
    rng = np.random.default_rng(seed)
    words = set()
    while len(words) < n_words:
        words.add("".join(rng.choice(list("abcdef"), rng.integers(1, 5))))
    ngrams = random_ngrams(rng, n_words, 2, 0.1)
    log_probs = np.asarray([ngrams[(3 + i,)][0] for i in range(n_words)], np.float32)
    return SmallPack(
        SmallLexicon(sorted(words), log_probs), SmallTableModel(sorted(words), ngrams, 2)
    )


class Scripted:
    """Answers word by word from a list."""

    def __init__(self, lists):
        self._lists = lists

    def answer(self, queries, k):
        words = list(dict.fromkeys(w for one in self._lists for w in one))
        index = np.full((len(queries), k), -1)
        for i, one in enumerate(self._lists):
            index[i, : len(one)] = [words.index(w) for w in one]
        return Answers(words, index)


@pytest.fixture
def typed():
    """The words ace, bd, ace, fee, of which the pack lacks fee; touches on the spot."""
    pack = pack_of({"ace": 0.5, "bd": 0.3, "ad": 0.2})
    corpus = Corpus.of("invented", ["ace bd ace fee"])
    words = make_workload(pack, corpus, words=4, seed=0, letters="abcdef", in_context=True)
    touch = GaussianTouch.from_layout(LAYOUT, spread=0.01, background=0.0)
    return type_workload(LAYOUT, touch, words, seed=0)


SHARES = {"ace": 0.5, "bd": 0.3, "ad": 0.2}


def scored(typed, decoder):
    return score_decoder(typed, decoder, lexicon=list(SHARES), name="x", selection=Selection(k=3))


def test_a_workload_holds_words_the_lexicon_lacks_and_what_stood_before(typed):
    words = typed.workload
    assert [words.text(i) for i in range(4)] == ["ace", "bd", "ace", "fee"]
    assert words.index.tolist() == [0, 1, 0, -1]
    assert words.contexts == ("", "ace", "ace bd", "ace bd ace")
    assert words.states == ((), ("ace",), ("bd",), ("ace",))


def test_measures_worked_by_hand(typed):
    """Ranks 1, 2, 4 and none.

    KSPC, three shown, spelled letter by letter with perfect touches (a letter's place on its key):
    ace 3 + 1; bd 2 + 1 + 1; ace beyond the list 3 + 1 + (1 + 1 + 1) + 1; fee 3 + 1 + (2 + 1 + 1) + 1; over
    4 + 3 + 4 + 4 characters. First texts ace, ad, bdf, nothing: 0 + 1 + 3 + 3 edits over 11 characters.
    """
    lists = [["ace"], ["ad", "bd"], ["bdf", "x", "y", "ace"], []]
    score = scored(typed, Scripted(lists))
    group = score.all
    assert [group.top[k].value for k in (1, 3, 5, 10)] == [0.25, 0.5, 0.75, 0.75]
    assert group.mean_rank.value == pytest.approx((1 + 2 + 4) / 3)
    assert group.kspc.value == pytest.approx((4 + 4 + 8 + 9) / 15)
    assert group.character_error_rate.value == pytest.approx(7 / 11)
    assert group.bits_per_character is None
    assert score.ranks[:4] == (1, 1, 0, 1)
    assert score.missed == 1
    assert (score.known.words, score.unknown.words) == (3, 1)
    assert {n: g.words for n, g in score.by_length.items()} == {2: 1, 3: 3}
    assert score.calibration is None


def test_a_python_decoder_that_raises_or_lies_is_reported(typed):
    class Reading:
        def __init__(self, text, log_prob):
            self.text, self.log_prob = text, log_prob

    class Moody:
        def decode(self, points, *, context, k):
            if context == "ace":
                raise RuntimeError("no mood")
            if context == "ace bd":
                return [Reading("ace", float("nan"))]
            return [Reading("ACE", -1.0)]

    score = scored(typed, Moody())
    assert score.faults.counts == {"raised": 1, "not a number": 1}
    assert "RuntimeError: no mood" in score.faults.examples["raised"][0]
    assert score.ranks[0] == 1


def test_our_decoder_may_be_asked_like_any_other(typed):
    pack = pack_of({"ace": 0.5, "bd": 0.3, "ad": 0.2})
    decoder = Decoder(LAYOUT, GaussianTouch.from_layout(LAYOUT, spread=0.2), pack)
    one_by_one = scored(typed, decoder)
    together = scored(typed, OwnDecoder(decoder))
    assert one_by_one.ranks == together.ranks
    assert one_by_one.latency.words == 4


@pytest.mark.parametrize("use", ["words", "live"])
def test_words_that_ran_together_beyond_what_may_be_asked_are_missed(use):
    decoder = Decoder(LAYOUT, GaussianTouch.from_layout(LAYOUT, spread=0.2), pack_of({"ace": 1.0}))
    points = np.tile(LAYOUT.centers[:1], (104, 1))
    queries = Queries(points, np.array([0, 101, 104], np.uint32), ("", ""))
    own = OwnDecoder(decoder, use=use, context=False)
    assert (own.answer(queries, 2).index[0] == -1).all()
    assert latency_of(own, queries, 2) is not None


@pytest.mark.parametrize(("n", "kept"), [(0, 0), (1, 1), (2, 2), (5, 2)])
def test_the_first_questions_are_no_more_than_there_are(n, kept):
    asked = Queries(np.zeros((3, 2)), np.array([0, 1, 3], np.uint32), ("a", "b"))
    first = asked.head(n)
    assert len(first) == kept
    assert first.contexts == ("a", "b")[:kept]
    assert len(first.points) == (0, 1, 3)[kept]


def listed(answers):
    return [[answers.words[i] for i in row if i >= 0] for row in answers.index.tolist()]


@pytest.mark.parametrize("use", ["words", "live"])
def test_a_decoder_without_context_hears_none_whatever_way_it_is_asked(use):
    pack = table_pack()
    costs = EditCosts(completion=-1.0)
    decoder = Decoder(LAYOUT, GaussianTouch.from_layout(LAYOUT, spread=0.5), pack, edits=costs)
    words = pack.lexicon.words[:6]
    points = LAYOUT.centers[[LAYOUT.key_of_letter[letter] for letter in "".join(words)]]
    offsets = np.cumsum([0, *map(len, words)]).astype(np.uint32)
    told = Queries(points, offsets, tuple(words[::-1]))
    untold = Queries(points, offsets)
    deaf, hears = OwnDecoder(decoder, use=use, context=False), OwnDecoder(decoder, use=use)
    assert listed(deaf.answer(told, 3)) == listed(deaf.answer(untold, 3))
    assert listed(deaf.answer_live(told, 3)) == listed(
        deaf.answer_live(untold.placed() if use == "live" else untold, 3)
    )
    assert [deaf.answer_one(told, i, 3) for i in range(6)] == [
        deaf.answer_one(untold, i, 3) for i in range(6)
    ]
    assert [deaf.answer_one(told, i, 3) for i in range(6)] != [
        hears.answer_one(told, i, 3) for i in range(6)
    ]


def score(**options):
    pack = table_pack()
    lines = [" ".join(np.random.default_rng(i).choice(pack.lexicon.words, 6)) for i in range(60)]
    corpus = Corpus.of("invented", [*lines, "fade a cab", "bead deaf"])
    given = {"corpus": corpus, "words": 300, "seed": 4, "completion_words": 40, "latency_words": 30}
    given |= options
    return score_layout(
        LAYOUT, touch=GaussianTouch.from_layout(LAYOUT, spread=0.5), pack=pack, **given
    )


@pytest.fixture(scope="module")
def compared():
    return score(compare=True, compare_words=100)


def test_quality_is_the_same_every_time_and_holds_no_time(compared):
    again = score(compare=True, compare_words=100, threads=2)
    text = json.dumps(compared.to_dict(), allow_nan=False)
    assert text == json.dumps(again.to_dict(), allow_nan=False)
    assert "seconds" not in text
    assert "_us" not in text
    assert score(seed=5).to_dict() != compared.to_dict()


def test_conditions_name_all_that_a_citation_needs(compared):
    told = compared.conditions
    assert told["seed"] == 4
    assert told["corpus"] == "invented"
    assert told["nearkey"]
    assert len(told["pack"]["checksum"]) == 16
    assert score(lm_weight=0.5).conditions != told


def test_all_baselines_answer_the_same_words(compared):
    assert list(compared.compared) == ["nearkey", *BASELINES]
    assert not compared.skipped
    assert {c.score.all.words for c in compared.compared.values()} == {100}
    assert all(c.score.faults.total == 0 for c in compared.compared.values())


def test_the_exhaustive_optimum_is_what_our_search_finds(compared):
    ours, slow = compared.compared["nearkey"], compared.compared["exhaustive"]
    assert ours.score.ranks == slow.score.ranks
    assert ours.score.all.character_error_rate == slow.score.all.character_error_rate
    assert slow.top1_to_ours.value == 0.0


def test_leaving_something_out_never_helps_much_where_the_model_is_the_truth():
    """Bayes' rule: with words and touches from the decoder's own model nothing less can do better on average."""
    pack = table_pack()
    shares = np.exp(pack.lexicon.log_probs.astype(float))
    pack.lexicon.log_probs[:] = np.log(shares / shares.sum())
    found = score_layout(
        LAYOUT,
        touch=GaussianTouch.from_layout(LAYOUT, spread=0.5, background=0.0),
        pack=pack,
        words=2000,
        compare=True,
        compare_words=2000,
    )
    for name, other in found.compared.items():
        assert other.top1_to_ours.low <= 0.0, name
    for name in ("nearest key", "frequency only", "no language"):
        assert found.compared[name].top1_to_ours.high < 0.0, name


def test_the_table_reads_and_the_file_is_whole(compared, tmp_path):
    table = str(compared)
    for text in (
        "in lexicon",
        "outside",
        "length 3",
        "calibration",
        "no touch model",
        "exhaustive",
    ):
        assert text in table
    path = tmp_path / "score.json"
    compared.save(path)
    assert json.loads(path.read_text()) == json.loads(json.dumps(compared.to_dict()))
    speed = compared.speed()
    assert speed["decoders"][0]["latency"]["words"] == 30
    assert 0 < speed["overhead"] < 1


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"words": 1}, "no interval"),
        ({"k": 5}, "has no top 10"),
        ({"corpus": None, "in_context": True}, "have no context"),
        ({"corpus": Corpus.of("digits", ["12 34"])}, "no word of it can be typed"),
        ({"compare_words": 0}, "no interval"),
    ],
)
def test_bad_requests_say_what_to_do(options, message):
    with pytest.raises(PlanError, match=message):
        score(**options)


def test_savings_worked_by_hand():
    """Words ace (2/3) and be (1/3) on keys of one letter. Both start apart, so either is first after one touch.

    Each costs a touch and the accepting space: 2 + 2 keystrokes for 4 + 3 characters, 3/7 saved. Without
    completions they cost as many as they have characters, so as many are spared.
    """
    layout = row_layout(list("abcdef"))
    pack = pack_of({"ace": 2 / 3, "be": 1 / 3})
    decoder = Decoder(layout, PlainTouch(layout, 0.1), pack, edits=EditCosts(completion=-1.0))
    points = np.asarray([[0.5, 0.5], [2.5, 0.5], [4.5, 0.5], [1.5, 0.5], [4.5, 0.5]])
    queries = Queries(points, np.asarray([0, 3, 5], np.uint32))
    found = completion_savings(
        OwnDecoder(decoder), queries, ["ace", "be"], np.asarray([3.0, 2.0]), Selection()
    )
    assert found.savings.value == pytest.approx(3 / 7)
    assert found.spared.value == pytest.approx(3 / 7)
    assert found.kspc_without.value == pytest.approx(1.0)
    assert found.early == 1.0
    # A word nobody can list is spelled, 3 + 1 + 3 + 1, completions or not: less than none saved, and yet one spared.
    lost = completion_savings(
        OwnDecoder(decoder), queries, ["fed", "be"], np.asarray([3.0, 2.0]), Selection()
    )
    assert lost.kspc.value == pytest.approx((3 + 1 + 3 + 1 + 2) / 7)
    assert lost.kspc_without.value == pytest.approx((3 + 1 + 3 + 1 + 3) / 7)
    assert lost.savings.value == pytest.approx(1 - 10 / 7)
    assert lost.spared.value == pytest.approx(1 - 10 / 11)
    assert lost.spared.low <= lost.spared.value <= lost.spared.high


def test_a_finished_word_costs_no_press_more_with_completions_than_without():
    """The word a (1/12) goes on as ace (11/12), which is not twenty times as probable: a stays first."""
    layout = row_layout(list("abcdef"))
    decoder = Decoder(
        layout,
        PlainTouch(layout, 0.1),
        pack_of({"a": 1 / 12, "ace": 11 / 12}),
        edits=EditCosts(completion=-1.0),
    )
    points = np.asarray([[0.5, 0.5]])
    queries = Queries(points, np.asarray([0, 1], np.uint32))
    found = completion_savings(OwnDecoder(decoder), queries, ["a"], np.asarray([1.0]), Selection())
    assert found.kspc.value == found.kspc_without.value == 1.0
    by_score = decoder.with_edits(EditCosts(completion=-1.0, completion_first=-1.0))
    pushed = completion_savings(
        OwnDecoder(by_score), queries, ["a"], np.asarray([1.0]), Selection()
    )
    assert pushed.kspc.value == pytest.approx(3 / 2)


def test_the_table_says_what_was_typed_and_what_completions_save():
    pack = pack_of({"ace": 0.5, "bd": 0.3, "ad": 0.2})
    touch = GaussianTouch.from_layout(LAYOUT, spread=0.5)
    given = {"touch": touch, "pack": pack, "words": 60, "seed": 2, "latency_words": 0}
    drawn = str(score_layout(LAYOUT, **given))
    assert "3 keys: 60 words drawn by their probability in the pack, without context" in drawn
    text = Corpus.of("words apart", ["ace bd ad ad"] * 20)
    found = score_layout(LAYOUT, corpus=text, **given)
    assert "3 keys: 60 words of words apart, with context" in str(found)
    assert found.completion is not None
    saved = 100 * found.completion.savings.value
    assert f"savings against one keystroke a character: {saved:.1f} [" in str(found)
