"""Rankings by people whom the decoder does not know: who types, what is fitted, and what does not depend on what."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from importlib.resources import files as package_files

import numpy as np
import pytest
from small_models import PlainModel, SmallLexicon, SmallPack, row_layout

from nearkey.errors import PlanError
from nearkey.simulate import (
    PLAUSIBLE_SD,
    PLAUSIBLE_TRAITS,
    DecoderModel,
    HandTouch,
    HandTraits,
    InventedPeople,
    LayoutNoise,
    RecordedPeople,
    TouchesOnLayout,
    invent_hands,
    noise_curves,
    rank_layouts,
)
from nearkey.simulate.people_ranking import CALIBRATED, LEFT_OUT
from nearkey.simulate.rank_plan import RankPlan
from nearkey.simulate.spread_curves import ScaledTouch
from nearkey.simulate.typing_people import fit_carried
from nearkey.simulate.typist import Aims
from nearkey.touch import (
    GaussianTouch,
    MixtureTouch,
    PooledTouch,
    TouchLog,
    concat,
    touch_families,
)

WORDS = ["ace", "bd", "ad", "bed", "fee", "cab", "dad", "face", "fade", "beef"]
PACK = SmallPack(
    SmallLexicon(WORDS, np.log(np.full(len(WORDS), 0.1, np.float32))), PlainModel(WORDS)
)
PAIRS = row_layout(["ab", "cd", "ef"], name="pairs").fitted(18, 6)
SINGLE = row_layout(list("abcdef"), name="single").fitted(18, 6)


def touch(layout):
    return GaussianTouch.from_layout(layout, spread_mm=1.2)


def recorded(layout, people=4, each=20, seed=0, lean=0.0):
    rng = np.random.default_rng(seed)
    logs = []
    for number in range(people):
        keys = rng.permutation(np.repeat(np.arange(len(layout.keys)), each))
        points = touch(layout).sample(keys, rng) + lean * (number - (people - 1) / 2)
        logs.append(
            TouchLog.from_points(
                points, [layout.key_ids[k] for k in keys], participant=f"invented-{number}"
            )
        )
    return TouchesOnLayout(concat(logs), layout)


def ranked(people, **changes):
    settings = {"words": 400, "seed": 3, "baseline": "single"} | changes
    return rank_layouts([PAIRS, SINGLE], touch=touch, pack=PACK, people=people, **settings)


def test_three_conditions_stand_side_by_side_and_the_first_lines_say_who_wins():
    people = RecordedPeople([recorded(PAIRS), recorded(SINGLE)])
    found = ranked(people)
    assert list(found.winners) == ["matched", LEFT_OUT, CALIBRATED]
    lines = str(found).splitlines()
    assert lines[0] == "winner by top3:"
    for line, (name, winner) in zip(lines[1:4], found.winners.items(), strict=True):
        assert line.split(":")[0].split() == [*name.split(), winner]
    assert "winner" in lines[4].lower()
    for condition in found.conditions:
        assert condition.people == people.names
        assert condition.words_each == 50
        for row in condition.rows:
            column = condition.layouts.index(row.layout)
            own = condition.each["top3"][:, column]
            assert row.values["top3"].value == pytest.approx(own.mean())
    assert "conditions" not in ranked(None).table()


def test_a_first_layout_that_alone_may_be_the_best_is_told_apart_from_the_others():
    found = ranked(None, words=3000, by="top1")
    assert found.winners == {"matched": "single"}  # which is the baseline
    assert [row.may_be_best for row in found.rows] == [True, False]
    line = str(found).splitlines()[1]
    assert "over pairs; 1 of 2 layouts may be the best" in line
    near = ranked(None, words=40, by="top1")
    assert all(row.may_be_best for row in near.rows)
    assert "not distinguished" in str(near).splitlines()[1]


@pytest.mark.parametrize(
    ("settings", "each"),
    [
        ({"words": 40}, 5),
        ({"words": 40, "people_words": 40}, 10),
        ({"words": 40, "people_words": 4000}, 10),  # no more than there are
        ({"words": 9}, 2),
        ({"words": 7}, "words: 0 words a person; type 8 or more, 2 a person"),
        ({"words": 40, "people_words": 7}, "people_words: 1 words a person; type 8 or more"),
    ],
)
def test_people_share_the_words_there_are_two_each_at_least(settings, each):
    people = InventedPeople(invent_hands(HandTraits(spread_mm=1.0), 4))
    if isinstance(each, int):
        assert ranked(people, **settings).conditions[0].words_each == each
    else:
        with pytest.raises(PlanError, match=each):
            ranked(people, **settings)


def test_who_is_left_out_is_decoded_by_the_others_and_calibration_by_the_person():
    """Two leans, far apart: the others' model has the wrong one, the person's own the right one."""
    log = recorded(SINGLE, people=2, each=40, lean=3.0)
    on = RecordedPeople([log], DecoderModel(n_touches=60)).on(SINGLE)
    for person, lean in enumerate((-1.5, 1.5)):
        offset = (on.calibrated(person).means_ - SINGLE.centers)[:, 0].mean()
        others = (on.without(person).means_ - SINGLE.centers)[:, 0].mean()
        assert offset == pytest.approx(lean, abs=0.4)
        assert others == pytest.approx(-lean, abs=0.4)


def test_people_type_with_touches_that_no_model_of_theirs_was_fitted_on():
    log = recorded(SINGLE)
    people = RecordedPeople([log], DecoderModel(n_touches=30))
    parts = people._parts[0]
    for person, name in enumerate(people.names):
        calibration, typed = parts.calibrations[person], parts.log.select(parts.typed[person])
        assert len(calibration) == 30
        assert len(calibration) + len(typed) == len(log.log.of_participant(name))
        one = {tuple(p) for p in calibration.points.tolist()}
        assert not one & {tuple(p) for p in typed.points.tolist()}
        keys, counts = np.unique(calibration.target, return_counts=True)
        assert len(keys) == 6
        assert set(counts.tolist()) == {5}


@pytest.mark.parametrize("model", touch_families())
def test_every_touch_model_serves_as_the_family_of_a_ranking(model):
    def wide(one):
        return TouchesOnLayout(replace(one.log, width_mm=np.full(len(one.log), 12.0)), one.layout)

    people = RecordedPeople([wide(recorded(SINGLE, each=30))], DecoderModel(model=model))
    on = people.on(SINGLE)
    assert on.without(0).key_ids == on.calibrated(0).key_ids == SINGLE.key_ids
    found = rank_layouts([SINGLE], touch=touch, pack=PACK, people=people, words=40, seed=3)
    # Words by chance alone are among the first three in three of ten.
    assert all(c.rows[0].values["top3"].value > 0.5 for c in found.conditions)


def test_recorded_touches_are_typed_uncleaned():
    log = recorded(SINGLE, each=40)
    wild = log.log.points.copy()
    wild[5::40] = [17.9, 0.1]
    dirty = TouchesOnLayout(log.log.with_points(wild), SINGLE)
    people = RecordedPeople([dirty])
    typed = sum(
        (people._parts[0].log.points[rows] == [17.9, 0.1]).all(axis=1).sum()
        for rows in people._parts[0].typed
    )
    assert typed > 8
    assert not (people._parts[0].cleaned.points == [17.9, 0.1]).all(axis=1).all()
    assert len(people._parts[0].cleaned) < len(dirty.log)


def test_the_figures_do_not_depend_on_workers_and_follow_the_seed():
    people = InventedPeople(invent_hands(HandTraits(spread_mm=1.0, slip=0.02), 3))
    one, two = ranked(people), ranked(people, workers=2)
    assert [c.to_dict() for c in one.conditions] == [c.to_dict() for c in two.conditions]
    other = ranked(people, seed=4)
    assert [c.to_dict() for c in one.conditions] != [c.to_dict() for c in other.conditions]
    assert one.to_dicts() == ranked(None).to_dicts()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"spread_mm": 0.0}, "spread_mm: is 0; give millimetres above 0"),
        ({"slip": 1.0}, "slip: is 1; give a share from 0, below 1"),
        ({"tails": 2.0}, "tails: is 2; give degrees of freedom above 2"),
        ({"aim": 1.5}, "aim: is 1.5; give a share from 0 to 1"),
        ({"slant": 1.0}, "slant: is 1; give a correlation above -1, below 1"),
        ({"spread_y": 0.0}, "spread_y: is 0; give a factor above 0"),
    ],
)
def test_traits_that_cannot_be_meant_are_refused(change, says):
    with pytest.raises(PlanError) as fault:
        HandTraits(**change)
    assert says in str(fault.value)


def performed(traits, layout=SINGLE, words=3000):
    hand = HandTouch(layout, traits)
    keys = np.tile([0, 3, 5], words)
    aims = Aims(keys, keys, "abcdef", np.repeat(np.arange(words), 3))
    points, letter = hand.perform(aims, np.random.default_rng(1))
    return aims, points, letter


def test_touches_are_missed_doubled_and_slip_as_often_as_stated():
    aims, points, letter = performed(
        HandTraits(spread_mm=0.05, missed=0.06, doubled=0.1, slip=0.08)
    )
    times = np.bincount(letter, minlength=len(aims.keys)).reshape(-1, 3)
    assert (times[:, 0] >= 1).all()
    assert (times[:, 1:] == 0).mean() == pytest.approx(0.06, abs=0.01)
    assert (times == 2).mean() == pytest.approx(0.1, abs=0.012)
    away = np.abs(points - np.asarray(SINGLE.centers)[aims.keys[letter]])[:, 0]
    assert (away > 1.0).mean() == pytest.approx(0.08, abs=0.01)
    assert (away[away > 1.0] < 1.05 * 3.0 + 0.3).all()  # a neighbour, not any key


@pytest.mark.parametrize("tails", [math.inf, 4.0])
def test_spread_offset_and_tails_are_as_stated(tails):
    traits = HandTraits(spread_mm=0.8, offset_x_mm=0.3, offset_y_mm=-0.2, tails=tails)
    aims, points, letter = performed(traits)
    away = points - np.asarray(SINGLE.centers)[aims.keys[letter]]
    assert away.mean(axis=0) == pytest.approx([0.3, -0.2], abs=0.05)
    assert away.std(axis=0) == pytest.approx([0.8, 0.8], rel=0.1)
    far = (np.hypot(*(away - away.mean(axis=0)).T) > 3.2).mean()
    assert far < 0.002 if math.isinf(tails) else far > 0.003
    # The density is that of the draws: its mean log is the negative entropy within noise.
    hand = HandTouch(SINGLE, traits)
    grid = np.stack(np.meshgrid(np.linspace(-20, 40, 800), np.linspace(-25, 35, 800)), -1)
    mass = np.exp(hand.log_prob(grid.reshape(-1, 2))).sum(axis=0) * (60 / 799) ** 2
    assert mass == pytest.approx(np.ones(6), abs=0.01)


def test_spread_grows_with_the_key_and_aim_goes_to_the_letters_place():
    wide, narrow = (
        HandTouch(PAIRS, HandTraits(spread_of_key=0.2)),
        HandTouch(SINGLE, HandTraits(spread_of_key=0.2)),
    )
    assert wide._spread[0, 0] == pytest.approx(math.hypot(2.0, 0.2 * 6))
    assert narrow._spread[0, 0] == pytest.approx(math.hypot(2.0, 0.2 * 3))
    places = SINGLE
    hand = HandTouch(PAIRS, HandTraits(spread_mm=0.01, aim=1.0), places=places)
    aims = Aims(np.array([0, 0]), np.array([0, 1]), "abcdef", np.array([0, 0]))
    points, _ = hand.perform(aims, np.random.default_rng(0))
    assert points == pytest.approx(np.asarray(SINGLE.centers)[:2], abs=0.1)


def test_scatter_is_as_slanted_as_stated_and_its_density_is_that_of_the_draws():
    traits = HandTraits(spread_mm=0.8, spread_y=0.7, slant=0.5, tails=9.0)
    aims, points, letter = performed(traits, words=20_000)
    away = points - np.asarray(SINGLE.centers)[aims.keys[letter]]
    assert away.std(axis=0) == pytest.approx([0.8, 0.56], rel=0.03)
    assert np.corrcoef(away.T)[0, 1] == pytest.approx(0.5, abs=0.02)
    hand = HandTouch(SINGLE, traits)
    grid = np.stack(np.meshgrid(np.linspace(-20, 40, 800), np.linspace(-25, 35, 800)), -1)
    mass = np.exp(hand.log_prob(grid.reshape(-1, 2))).sum(axis=0) * (60 / 799) ** 2
    assert mass == pytest.approx(np.ones(6), abs=0.01)
    # The mean log density of the draws falls if the slant is taken for its mirror image.
    mirrored = HandTouch(SINGLE, replace(traits, slant=-0.5))
    own, other = (
        h.log_prob(points)[np.arange(len(letter)), aims.keys[letter]].mean()
        for h in (hand, mirrored)
    )
    assert own > other + 0.2
    stated = hand.stated().covariances_[0]
    assert stated == pytest.approx(np.array([[0.64, 0.224], [0.224, 0.3136]]))


def test_people_differ_in_traits_as_far_as_stated_and_keep_the_offsets_of_the_seed():
    traits = HandTraits(tails=8.0, slip=0.01, drift_mm=0.3, aim=0.3)
    sd = {"tails": 0.5, "slip": 0.4, "slant": 0.2, "missed": 0.5, "aim": 3.0}
    plain, varied = invent_hands(traits, 600), invent_hands(traits, 600, traits_sd=sd)
    for one, two in zip(plain, varied, strict=True):
        assert (one.offset_x_mm, one.spread_mm) == (two.offset_x_mm, two.spread_mm)
        assert (two.drift_mm, two.missed) == (0.3, 0.0)
    assert np.std([math.log(h.slip / 0.01) for h in varied]) == pytest.approx(0.4, rel=0.1)
    assert np.std([math.log((h.tails - 2) / 6) for h in varied]) == pytest.approx(0.5, rel=0.1)
    assert np.std([h.slant for h in varied]) == pytest.approx(0.2, rel=0.1)
    assert max(h.aim for h in varied) == 1.0
    # A trait's numbers do not hang on which others differ.
    alone = invent_hands(traits, 600, traits_sd={"slip": 0.4})
    assert [h.slip for h in alone] == [h.slip for h in varied]


def test_the_plausible_hand_and_its_differences_are_traits_that_can_be_meant():
    hands = invent_hands(HandTraits(**PLAUSIBLE_TRAITS), 50, traits_sd=PLAUSIBLE_SD)
    for name in PLAUSIBLE_SD:
        assert len({getattr(hand, name) for hand in hands}) > 40


def test_the_pad_wanders_slowly_about_where_it_is():
    _, points, letter = performed(HandTraits(spread_mm=0.01, drift_mm=1.0), words=20_000)
    away = (points - np.asarray(SINGLE.centers)[np.tile([0, 3, 5], 20_000)[letter]])[:, 0]
    assert away.std() == pytest.approx(1.0, rel=0.2)
    assert np.corrcoef(away[:-1], away[1:])[0, 1] > 0.98
    assert abs(np.corrcoef(away[:-3000], away[3000:])[0, 1]) < 0.3


def test_invented_hands_draw_the_same_luck_on_every_layout():
    """Common random numbers: the n-th letter lands as far from its aim on any layout."""
    traits = HandTraits(spread_mm=1.0, slip=0.0, missed=0.1, doubled=0.1)
    _, one, letters_one = performed(traits, SINGLE)
    hand = HandTouch(PAIRS, traits)
    keys = np.tile([0, 1, 2], 3000)
    aims = Aims(keys, np.tile([0, 3, 5], 3000), "abcdef", np.repeat(np.arange(3000), 3))
    two, letters_two = hand.perform(aims, np.random.default_rng(1))
    assert (letters_one == letters_two).all()
    away_one = one - np.asarray(SINGLE.centers)[np.tile([0, 3, 5], 3000)[letters_one]]
    away_two = two - np.asarray(PAIRS.centers)[keys[letters_two]]
    assert away_one == pytest.approx(away_two)


def test_a_model_carried_to_new_keys_is_wider_where_carrying_goes_wrong():
    steady = [recorded(PAIRS, seed=1), recorded(SINGLE, seed=2)]
    leaning = [recorded(PAIRS, seed=1), recorded(SINGLE, seed=2)]
    leaning[1] = TouchesOnLayout(leaning[1].log.with_points(leaning[1].log.points + 1.5), SINGLE)
    other = row_layout(["abc", "def"], name="halves").fitted(18, 6)
    spreads = []
    for logs in (steady, leaning):
        model = fit_carried(
            PooledTouch(), [one.log for one in logs], [one.layout for one in logs], other
        )
        spreads.append(LayoutNoise.of(other, model).spread_mm)
    assert spreads[0] == pytest.approx(1.2, rel=0.1)
    assert spreads[1] > 1.5 * spreads[0]
    with pytest.raises(PlanError, match="carries over"):
        RecordedPeople(steady).on(other)
    carried = RecordedPeople(steady, DecoderModel(model="pooled")).on(other)
    assert carried.without(0).key_ids == other.key_ids


def test_a_scaled_model_has_the_same_means_and_so_many_times_the_spread():
    log = recorded(PAIRS, each=60)
    for model in (GaussianTouch(), MixtureTouch()):
        fitted = model.fit(log.log, PAIRS)
        scaled = ScaledTouch(fitted, 1.5)
        keys = np.repeat([0, 1, 2], 4000)
        one = fitted.sample(keys, np.random.default_rng(0)).reshape(3, -1, 2)
        two = scaled.sample(keys, np.random.default_rng(0)).reshape(3, -1, 2)
        assert two.std(axis=1) == pytest.approx(1.5 * one.std(axis=1), rel=1e-6)
        assert two.mean(axis=1) == pytest.approx(one.mean(axis=1), abs=0.05)
    same = ScaledTouch(fitted, 1.0)
    points = one.reshape(-1, 2)
    assert same.log_prob(points) == pytest.approx(fitted.log_prob(points))


def test_curves_cross_where_the_spread_makes_the_layouts_equal():
    curves = noise_curves(
        PAIRS,
        SINGLE,
        touch=touch,
        pack=PACK,
        by="top1",
        words=600,
        seed=1,
        spreads=(0.2, 1.0, 3.0),
        beliefs=(0.4, 1.0, 1.5),
    )
    first = curves.spread.leads[0]
    assert first.value < 0  # with hardly any noise single letters are never ambiguous
    assert curves.spread_mm == pytest.approx(1.2)
    crossing = curves.spread.crossing
    assert crossing is None or crossing.low <= crossing.value <= crossing.high
    assert curves.belief.leads[1] == curves.spread.leads[1]
    with pytest.raises(PlanError, match="spreads"):
        noise_curves(PAIRS, SINGLE, touch=touch, pack=PACK, spreads=(1.0,))


def test_leaders_are_chosen_on_one_half_and_measured_on_the_other():
    found = ranked(None)
    confirmed = found.confirmed()
    half = len(found.workload) // 2
    rank = found.scored[confirmed.layout].outcomes.rank
    assert confirmed.words == half
    assert confirmed.value.value == pytest.approx(((rank[half:] >= 1) & (rank[half:] <= 3)).mean())
    first = {
        n: ((s.outcomes.rank[:half] >= 1) & (s.outcomes.rank[:half] <= 3)).mean()
        for n, s in found.scored.items()
    }
    assert first[confirmed.layout] == max(first.values())


def test_accuracy_over_types_weighs_each_word_the_same():
    found = ranked(None)
    row, word = found.rows[0], found.workload.word
    hits = found.scored[row.layout].outcomes.rank == 1
    each = [hits[word == w].mean() for w in np.unique(word)]
    assert row.types["top1"].value == pytest.approx(np.mean(each))


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: RecordedPeople([recorded(PAIRS, people=1)]), "1 people are in all the logs"),
        (lambda: RecordedPeople([recorded(SINGLE, each=3)]), "too few to learn from"),
        (lambda: InventedPeople([HandTraits()]), "1 people give no interval"),
        (
            lambda: invent_hands(HandTraits(), 3, traits_sd={"slips": 1.0}),
            "traits_sd.slips: is no trait that differs; write one of spread_y, slant",
        ),
        (
            lambda: invent_hands(HandTraits(), 3, traits_sd={"slip": -1.0}),
            "traits_sd.slip: is -1; give 0 or more",
        ),
        (lambda: DecoderModel(model="circles"), "model: 'circles' is no model; write one of"),
        (lambda: DecoderModel(options={"shrink": 1}), "options.shrink: is no parameter of this"),
        (lambda: DecoderModel(model="person", options={"doubt": 1}), "options.doubt: is no param"),
        (lambda: DecoderModel(model="nearest key", options={"spread": 1}), "options.spread: is no"),
        (
            lambda: InventedPeople([HandTraits()] * 2, DecoderModel(model="finger")),
            "decoder.model: invented people have no finger widths",
        ),
        (lambda: DecoderModel(options={"shrinkage": 2}), "options.shrinkage: is 2"),
        (lambda: DecoderModel(n_touches=3), "touches: too few touches to fit on"),
    ],
)
def test_people_that_cannot_be_meant_are_refused(make, says):
    with pytest.raises(PlanError) as fault:
        make()
    assert says in str(fault.value)


def test_the_example_plan_shows_the_defaults_of_people(tmp_path):
    text = package_files("nearkey.simulate").joinpath("example_plan.toml").read_text("utf-8")
    before, people, after = re.split(r"(?=# \[people\])|(?=# \[corpus\])", text)
    shown = "\n".join(line.removeprefix("# ") for line in people.splitlines())
    (tmp_path / "plan.toml").write_text(text)
    (tmp_path / "shown.toml").write_text(f"{before}{shown}\n{after}")
    default, told = (RankPlan.load(tmp_path / name) for name in ("plan.toml", "shown.toml"))
    assert default.people == told.people
    assert default.file.people.count == len(told.people.hands)
