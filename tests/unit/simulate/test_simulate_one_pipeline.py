"""A ranking is a comparison of scores: the same words, touches and answers, so the same figures to the last digit."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from small_models import SmallLexicon, SmallPack, SmallTableModel, random_ngrams, row_layout

from nearkey.errors import PlanError
from nearkey.simulate import Corpus, Selection, SimulationOptions, rank_layouts, score_layout
from nearkey.simulate import workload as workload_module
from nearkey.touch import GaussianTouch, StudentTouch, TouchLog

WORDS = ["a", "ab", "abc", "bca", "cab", "cba", "dab", "dad", "bad", "add", "abba", "daabb"]
TEXT = ["dad abba 12 cab, a bad dab", "Abba: add a cab-dad", "bbb daabb ab", "ab abc bca. cba dad"]
GROUPS = {
    "four": ["a", "b", "c", "d"],
    "two": ["ab", "cd"],
    "odd": ["ad", "bc"],
    "three": ["a", "bc", "d"],
    "one": ["abcd"],
}
LAYOUTS = [row_layout(groups, name=name).fitted(20, 5) for name, groups in GROUPS.items()]


@pytest.fixture(scope="module")
def pack():
    ngrams = random_ngrams(np.random.default_rng(3), len(WORDS), 2, 0.3)
    unigram = np.asarray([ngrams[(3 + i,)][0] for i in range(len(WORDS))], np.float32)
    return SmallPack(SmallLexicon(WORDS, unigram), SmallTableModel(WORDS, ngrams, 2))


@pytest.fixture(autouse=True)
def small_chunks(monkeypatch):
    monkeypatch.setattr(workload_module, "CHUNK_WORDS", 70)


def drawn(layout):
    return GaussianTouch.from_layout(layout, spread_mm=2.0)


def fitted(layout):
    """A model with heavy tails, fitted on invented touches."""
    rng = np.random.default_rng(9)
    keys = rng.integers(0, len(layout.keys), 400)
    points = drawn(layout).sample(keys, rng)
    log = TouchLog.from_points(points, [layout.key_ids[k] for k in keys], participant="invented")
    return StudentTouch().fit(log, layout)


def narrow(layout):
    return GaussianTouch.from_layout(layout, spread_mm=1.0)


CASES = {
    "drawn": {"touch": drawn},
    "text": {"touch": drawn, "corpus": Corpus.of("notes", TEXT)},
    "text without context": {"touch": drawn, "corpus": TEXT, "in_context": False},
    "fitted": {"touch": fitted, "corpus": TEXT},
    "another model assumed": {"touch": drawn, "decoder_touch": narrow, "lm_weight": 0.5},
    "a tap accepts": {"touch": drawn, "selection": Selection("tap", 7)},
}


@pytest.mark.parametrize("case", CASES)
def test_a_ranking_and_a_score_give_the_same_figures(pack, case):
    options = {"pack": pack, "words": 250, "seed": 6, **CASES[case]}
    ranking = rank_layouts(LAYOUTS, **options)
    assert len(ranking.rows) == 5
    for layout in LAYOUTS:
        row, score = ranking.row(layout.name), score_layout(layout, latency_words=0, **options)
        group = score.score.all
        assert (row.top1, row.top3, row.top5) == (group.top[1], group.top[3], group.top[5])
        assert row.kspc == group.kspc
        assert row.collision == score.static.collision_rate
        assert row.words == group.words
        listed = ranking.scored[layout.name].outcomes
        np.testing.assert_array_equal(listed.keystrokes, score.score.outcomes.keystrokes)
    if "corpus" in options:
        assert score.score.unknown.words > 0, "every word is known: the case tests nothing"


def test_text_seed_and_workers_are_told_alike(pack, tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("\n".join(TEXT))
    layout = LAYOUTS[1]
    with ThreadPoolExecutor(2) as pool:
        rows, groups = [], []
        for told in (
            {"corpus": TEXT},
            {"corpus": str(path)},
            {"corpus": path, "workers": 3},
            {"corpus": Corpus.of("x", TEXT), "executor": pool},
            {"corpus": TEXT, "executor": pool, "workers": 3, "in_context": True},
        ):
            options = {"touch": drawn, "pack": pack, "words": 200, "seed": 2, **told}
            rows.append(rank_layouts([layout], **options).rows[0].to_dict())
            groups.append(score_layout(layout, latency_words=0, **options).score.to_dict())
    assert all(row == rows[0] for row in rows)
    assert all(group == groups[0] for group in groups)
    # A generator gives a seed, and the next call another one.
    rng = np.random.default_rng(1)
    options = {"touch": drawn, "pack": pack, "words": 200}
    one, two = (rank_layouts([layout], seed=rng, **options) for _ in range(2))
    again = rank_layouts([layout], seed=one.options.seed, **options)
    assert one.to_dicts() == again.to_dicts() != two.to_dicts()
    rng = np.random.default_rng(1)
    score = score_layout(layout, seed=rng, latency_words=0, **options)
    assert score.conditions["seed"] == one.options.seed


def test_progress_is_told_alike(pack):
    told: list[object] = []
    options = {"touch": drawn, "pack": pack, "words": 200, "progress": told.append}
    rank_layouts(LAYOUTS[:2], **options)
    assert [(p.done, p.total) for p in told] == [(i, 6) for i in range(1, 7)]
    told.clear()
    score_layout(LAYOUTS[1], compare=True, **options)
    assert {p.layout for p in told} == {"two"}
    assert [(p.done, p.total) for p in told[:3]] == [(1, 3), (2, 3), (3, 3)]
    assert {"latency", "completions", "nearest key"} <= {p.step for p in told}


@pytest.mark.parametrize("call", [rank_layouts, score_layout])
def test_settings_are_checked_alike(pack, call):
    what = [LAYOUTS[0]] if call is rank_layouts else LAYOUTS[0]
    for options, says in (
        ({"words": 1}, "words: 1 words give no interval"),
        ({"seed": -1}, "seed: is -1"),
        ({"seed": 2.5}, "seed: 2.5 is out of range"),
        ({"words": 2**70}, "words: 1180591620717411303424 is out of range"),
        ({"workers": 0}, "workers: 0 is out of range"),
        ({"in_context": True}, "in_context: words drawn one by one"),
        ({"corpus": ["", " "]}, "text: holds no text"),
    ):
        with pytest.raises(PlanError, match=says):
            call(what, touch=drawn, pack=pack, **options)
    with pytest.raises(TypeError, match="no such keyword: wrods"):
        call(what, touch=drawn, pack=pack, wrods=3)


def test_words_outside_the_lexicon_are_typed_and_missed(pack):
    """`bbb` is no word of the pack: spelled letter by letter, it costs what no list can spare."""
    perfect = GaussianTouch.from_layout(LAYOUTS[0], spread_mm=0.01)
    text = ["bbb dad"] * 30
    row = rank_layouts([LAYOUTS[0]], touch=perfect, pack=pack, corpus=text, words=60).rows[0]
    assert row.top1.value == 0.5
    # dad: three touches and the space. bbb: the same, then the press that deletes it and three letters.
    assert row.kspc.value == pytest.approx((4 + 3 + 1 + 3 + 1) / 8)


def test_settings_travel_in_one_object_of_which_keywords_change_single_ones(pack):
    options = SimulationOptions(words=150, seed=8, corpus=TEXT, selection=Selection("tap", 4))
    assert options.corpus == Corpus.of("text", TEXT)
    assert options.with_context
    spelled_out = {"words": 150, "seed": 8, "corpus": TEXT, "selection": Selection("tap", 4)}
    what = {"touch": drawn, "pack": pack}
    one = rank_layouts(LAYOUTS, options=options, **what)
    assert one.to_dicts() == rank_layouts(LAYOUTS, **spelled_out, **what).to_dicts()
    other = rank_layouts(LAYOUTS, options=options, seed=9, **what)
    assert (
        other.to_dicts() == rank_layouts(LAYOUTS, **(spelled_out | {"seed": 9}), **what).to_dicts()
    )
    score = score_layout(LAYOUTS[0], options=options, latency_words=0, **what)
    assert score.score.all.kspc == one.row("four").kspc
