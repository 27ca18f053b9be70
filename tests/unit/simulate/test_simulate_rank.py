"""Ranking: the table does not depend on workers, resumes, stops early honestly, and names bad input."""

from __future__ import annotations

import json
import threading
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

import numpy as np
import pytest
from small_models import SmallLexicon, SmallPack, SmallTableModel, random_ngrams, row_layout

from nearkey.errors import NearkeyError, PlanError
from nearkey.simulate import (
    HandTraits,
    InventedPeople,
    Selection,
    Speed,
    TypingTrial,
    invent_hands,
    rank_layouts,
)
from nearkey.simulate import workload as workload_module
from nearkey.touch import GaussianTouch

WORDS = ["a", "ab", "abc", "bca", "cab", "cba", "dab", "dad", "bad", "add", "abba"]


@pytest.fixture
def pack():
    rng = np.random.default_rng(3)
    ngrams = random_ngrams(rng, len(WORDS), 2, 0.3)
    unigram = np.asarray([ngrams[(3 + i,)][0] for i in range(len(WORDS))], np.float32)
    return SmallPack(SmallLexicon(WORDS, unigram), SmallTableModel(WORDS, ngrams, 2))


@pytest.fixture
def layouts():
    groups = {
        "four": ["a", "b", "c", "d"],
        "two": ["ab", "cd"],
        "odd": ["ad", "bc"],
        "one": ["abcd"],
    }
    return [row_layout(g, name=name).fitted(20, 5) for name, g in groups.items()]


@pytest.fixture(autouse=True)
def small_chunks(monkeypatch):
    monkeypatch.setattr(workload_module, "CHUNK_WORDS", 50)


def touch(layout):
    return GaussianTouch.from_layout(layout, spread_mm=2.5)


def run(layouts, pack, **options):
    settings = {"touch": touch, "words": 330, "seed": 4, "baseline": "four"} | options
    return rank_layouts(layouts, pack=pack, **settings)


def test_the_table_is_the_same_for_any_number_of_workers_and_executor(layouts, pack):
    one = run(layouts, pack)
    assert str(run(layouts, pack, workers=3)) == str(one)
    with ThreadPoolExecutor(2) as pool:
        assert run(layouts, pack, executor=pool).to_dicts() == one.to_dicts()
    assert run(layouts, pack, seed=5).to_dicts() != one.to_dicts()


def test_places_follow_the_measure(layouts, pack):
    for by, best in (("top1", max), ("top3", max), ("kspc", min), ("wpm", max)):
        result = run(layouts, pack, by=by)
        values = [getattr(row, by).value for row in result.rows]
        assert values[0] == best(values)
        assert result.best.name == result.rows[0].layout
        assert [row.place for row in result.rows] == [1, 2, 3, 4]
    row = result.row("four")
    assert row.to_baseline is not None
    assert row.to_baseline["top1"].value == 0
    with pytest.raises(PlanError, match="no layout is named 'x'"):
        result.row("x")


def test_outcomes_agree_with_decoding_word_by_word(layouts, pack):
    """Ranks, confusions and keystrokes recomputed from the single-word decoder."""
    from nearkey.decode import Decoder
    from nearkey.simulate import Typist, make_workload

    result = run(layouts, pack, words=100)
    scored = result.scored["two"]
    _, touch_seed = np.random.SeedSequence(4).spawn(2)
    sample = make_workload(pack, None, words=100, seed=4, letters="abcd")
    layout = scored.layout
    typist, decoder = Typist(layout, touch(layout), WORDS), Decoder(layout, touch(layout), pack)
    ranks = []
    for chunk, seed in enumerate(touch_seed.spawn(2)):
        index = sample.index[50 * chunk : 50 * chunk + 50]
        typing = typist.type(index, np.random.default_rng(seed))
        for i, word in enumerate(index):
            points = typing.points[typing.offsets[i] : typing.offsets[i + 1]]
            found = [c.word for c in decoder.decode(points, k=5)]
            ranks.append(found.index(WORDS[word]) + 1 if WORDS[word] in found else 0)
    assert scored.outcomes.rank.tolist() == ranks
    assert result.row("two").top3.value == np.mean([1 <= r <= 3 for r in ranks])
    wrong = sum(c.count for c in result.confusions("two", 1000))
    assert wrong == sum(r != 1 for r in ranks)


def test_a_run_goes_on_from_its_checkpoint(layouts, pack, tmp_path, monkeypatch):
    whole = run(layouts, pack)
    path = tmp_path / "run.jsonl"

    class Stop(Exception):
        pass

    def stop_after(progress):
        if progress.done == 9:
            raise Stop

    with pytest.raises(Stop):
        run(layouts, pack, checkpoint=path, progress=stop_after)
    data = path.read_bytes()
    path.write_bytes(data[:-30])  # torn by a kill
    asked = []
    original = TypingTrial.run
    monkeypatch.setattr(TypingTrial, "run", lambda *a: asked.append(1) or original(*a))
    assert run(layouts, pack, checkpoint=path).to_dicts() == whole.to_dicts()
    assert len(asked) == 4 * 7 - 8
    with pytest.raises(PlanError, match="belongs to another run"):
        run(layouts, pack, checkpoint=path, seed=9)
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(lines[0] + b"{broken\n" + b"".join(lines[1:]))
    with pytest.raises(PlanError, match="line 2: is damaged"):
        run(layouts, pack, checkpoint=path)


def test_early_stopping_keeps_the_winner_and_says_who_was_dropped(layouts, pack):
    full = run(layouts, pack, words=2000)
    early = run(layouts, pack, words=2000, early_stop=True)
    assert early.rows[0].layout == full.rows[0].layout
    dropped = [row for row in early.rows if row.stopped_early]
    assert dropped, "nothing was dropped: the case tests nothing"
    assert all(row.words < 2000 for row in dropped)
    assert "stopped early" in str(early)
    assert not early.row("four").stopped_early  # the baseline goes on to the end


def test_people_type_on_layouts_that_stopped_early_for_one_may_win_with_them(layouts, pack):
    people = InventedPeople(invent_hands(HandTraits(spread_mm=2.5), 3))
    full = run(layouts, pack, words=2000, people=people)
    early = run(layouts, pack, words=2000, people=people, early_stop=True)
    assert any(row.stopped_early for row in early.rows)
    assert [c.to_dict() for c in early.conditions] == [c.to_dict() for c in full.conditions]
    assert early.winners == full.winners


def test_what_cannot_be_fitted_on_people_is_said_before_any_word_is_typed(layouts, pack):
    class Few(InventedPeople):
        def on(self, layout):
            found = super().on(layout)
            found._logs = [log.select([0]) for log in found._logs]
            return found

    steps = []
    few = Few(invent_hands(HandTraits(spread_mm=2.5), 3))
    with pytest.raises(NearkeyError, match="labelled touches"):
        run(layouts, pack, people=few, progress=steps.append)
    assert steps == []


def test_a_result_can_be_saved(layouts, pack, tmp_path):
    result = run(layouts, pack)
    result.save(tmp_path / "r.json")
    data = json.loads((tmp_path / "r.json").read_text())
    assert data["rows"] == json.loads(json.dumps(result.to_dicts()))


def test_models_by_name_and_one_for_all(layouts, pack):
    by_name = run(layouts, pack, touch={c.name: touch(c) for c in layouts})
    assert by_name.to_dicts() == run(layouts, pack).to_dicts()
    with pytest.raises(PlanError, match="two: touch: no touch model"):
        run(layouts, pack, touch={"four": touch(layouts[0])})


def test_a_decoder_that_believes_another_spread_does_worse(layouts, pack):
    matched = run(layouts[:1], pack, words=3000)
    wrong = run(
        layouts[:1],
        pack,
        words=3000,
        decoder_touch=lambda layout: GaussianTouch.from_layout(layout, spread_mm=0.5),
    )
    assert wrong.rows[0].top1.value < matched.rows[0].top1.value


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"baseline": "none"}, "baseline: no layout is named"),
        ({"by": "beauty"}, "by: 'beauty' is no measure"),
        ({"words": 1}, "words: 1 words"),
        ({"workers": 0}, "workers: 0 is out of range"),
        ({"in_context": True}, "in_context: words drawn one by one"),
    ],
)
def test_bad_settings_are_named(layouts, pack, options, says):
    with pytest.raises(PlanError, match=says):
        run(layouts, pack, **options)


def test_bad_layouts_are_named(layouts, pack):
    with pytest.raises(PlanError, match="no layout to rank"):
        run([], pack)
    with pytest.raises(PlanError, match="'four' names two layouts"):
        run([layouts[0], layouts[0]], pack)
    with pytest.raises(PlanError, match="surface"):
        run([*layouts, row_layout(["abcd"], name="large").fitted(30, 5)], pack)
    with pytest.raises(PlanError, match="b_s: -1"):
        Speed(b_s=-1)
    with pytest.raises(PlanError, match="blink"):
        Selection(style="blink")


def test_a_pack_of_ones_own_travels_to_another_process(layouts, pack):
    """The models that are there travel, not others made anew; the real pack: test_simulate_processes.py."""
    with ProcessPoolExecutor(1) as pool:
        assert run(layouts, pack, executor=pool).to_dicts() == run(layouts, pack).to_dicts()


def test_what_cannot_travel_to_another_process_fails_at_once(layouts, pack):
    pack.language_model.lock = threading.Lock()
    with ProcessPoolExecutor(1) as pool, pytest.raises((TypeError, NearkeyError), match="pickle"):
        run(layouts, pack, executor=pool)
