"""Touches and words of one person together: what teaches, what is taken back, what is kept."""

from __future__ import annotations

import math
import stat
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from personal_doubles import TablePack

from nearkey.decode import Candidate, Decoder
from nearkey.layout import Layout
from nearkey.personal import (
    LivePerson,
    Person,
    PersonalError,
    PersonalLanguage,
    TouchLearner,
)
from nearkey.personal.touch_learner import key_responsibilities, meant, typed_letters
from nearkey.touch import PeopleTouch, TouchLog

LAYOUT = Layout.named("qwerty")
KEYS = LAYOUT.key_of_letter
LETTERS = LAYOUT.letters
SPREAD = 0.3


@dataclass(frozen=True)
class Confirmed:
    """As a session's observation."""

    word: str
    text: str
    context: str
    points: tuple[tuple[float, float], ...]
    kind: str = "word"
    explicit: bool = True


def population(seed: int = 0) -> PeopleTouch:
    rng = np.random.default_rng(seed)
    n = 150
    person, target, points = [], [], []
    for p in range(6):
        own = rng.normal(0, 0.25, 2)
        for letter in rng.choice(list(LETTERS), n):
            points.append(LAYOUT.centers[KEYS[letter]] + own + rng.normal(0, SPREAD, 2))
            person.append(f"p{p}")
            target.append(letter)
    xy = np.array(points)
    order = np.arange(len(xy))
    columns = {"participant": person, "session": ["1"] * len(xy), "trial": order, "order": order}
    columns |= {"time_s": order * 0.3, "x": xy[:, 0], "y": xy[:, 1], "target": target}
    return PeopleTouch().fit(TouchLog.from_columns(columns), LAYOUT)


PEOPLE = population()
PACK = TablePack()
DECODER = Decoder(LAYOUT, PEOPLE, PACK)
OWN_OFFSET = np.array([0.3, -0.25])


def touches(word: str, rng: np.random.Generator, offset: np.ndarray = OWN_OFFSET) -> np.ndarray:
    centers = LAYOUT.centers[[KEYS[c] for c in word]]
    return centers + offset + rng.normal(0, SPREAD, centers.shape)


def learner(**options) -> TouchLearner:
    return TouchLearner(DECODER, PEOPLE.person(), **options)


def model_of(person: TouchLearner) -> tuple[np.ndarray, np.ndarray]:
    touch = person.touch
    return touch.means_, touch.covariances_


# ---- labels ----


@pytest.mark.parametrize(
    ("word", "n", "typed"),
    [
        ("staff", 5, "staff"),
        ("staff", 4, None),
        ("don't", 4, "dont"),
        ("don't", 5, None),
        ("café", 4, "cafe"),
        ("e-mail", 5, "email"),
        ("42", 2, None),
        ("", 0, None),
    ],
)
def test_letters_are_matched_to_touches_where_there_is_one_each(word, n, typed) -> None:
    assert typed_letters(word, LETTERS, n) == typed


def test_a_mark_with_a_key_of_its_own_may_be_touched_or_left_out() -> None:
    assert typed_letters("don't", LETTERS + "'", 5) == "don't"
    assert typed_letters("don't", LETTERS + "'", 4) == "dont"


def candidate(word: str, probability: float, kind: str = "word") -> Candidate:
    return Candidate(word, word, math.log(probability), 0.0, 0.0, kind)


def test_a_doubtful_label_is_spread_by_bayes_rule() -> None:
    # Worked by hand: P(staff) .6, P(stuff) .3, P(shaft) .1; confirmed "stuff", mislabelling .2:
    # .3 * .8 = .24; others .6 * .1 = .06 and .1 * .1 = .01; sum .31.
    found = meant(
        "stuff",
        [candidate("staff", 0.6), candidate("stuff", 0.3), candidate("shaft", 0.1)],
        mislabelling=0.2,
    )
    assert found == pytest.approx({"staff": 6 / 31, "stuff": 24 / 31, "shaft": 1 / 31})


def test_without_other_readings_mislabelling_only_weighs_the_label() -> None:
    assert meant("staff", [], mislabelling=0.1) == {"staff": 0.9}
    assert meant("staff", [candidate("shaft", 0.5)], mislabelling=0.1) == {"staff": 0.9}
    edited = [candidate("staff", 0.5), candidate("staffs", 0.4, "completion")]
    assert meant("staff", edited, mislabelling=0.1) == {"staff": 0.9}


def test_responsibilities_of_keys_are_sums_over_words() -> None:
    column = {"a": 0, "b": 1, "c": 2}
    shares = key_responsibilities({"ab": 0.7, "cb": 0.2, "abc": 0.1}, column, n_touches=2, n_keys=4)
    np.testing.assert_allclose(shares, [[0.7, 0, 0.2, 0], [0, 0.9, 0, 0]])
    assert key_responsibilities({"abc": 1.0}, column, n_touches=2, n_keys=4) is None


# ---- touches ----


def test_confirmed_words_move_the_model_to_the_person() -> None:
    rng = np.random.default_rng(1)
    person = learner()
    for _ in range(60):
        word = str(rng.choice(["staff", "level", "north", "bevel"]))
        person.learn(word, touches(word, rng))
    mean, _ = model_of(person)
    used = [KEYS[c] for c in "staflevnorhb"]
    error = (mean - LAYOUT.centers - OWN_OFFSET)[used]
    # 300 touches: keys stand within two standard errors of their own few touches, of the person's
    # offset at least.
    assert np.abs(error.mean(axis=0)).max() < 2 * SPREAD / math.sqrt(60)
    # A key never touched follows the person too.
    assert np.abs(mean[KEYS["z"]] - LAYOUT.centers[KEYS["z"]] - OWN_OFFSET).max() < 0.15


def test_the_decoder_follows_and_decodes_better() -> None:
    rng = np.random.default_rng(2)
    person = learner()
    away = np.array([0.9, 0.0])  # nearly a key to the right
    words = ["staff", "shaft", "bevel", "level"]
    tests = [(w, touches(w, rng, away)) for w in words * 10]

    def right(decoder: Decoder) -> int:
        return sum(decoder.decode(p, k=1)[0].word == w for w, p in tests)

    before = right(person.decoder)
    for _ in range(40):
        word = str(rng.choice(words))
        person.learn(word, touches(word, rng, away))
    assert person.decoder is person.decoder
    assert right(person.decoder) > before
    assert right(DECODER) == before  # everybody's decoder stays as it was


@pytest.mark.parametrize("kind", ["edited", "completion", "prediction"])
def test_readings_whose_touches_are_not_one_a_letter_do_not_teach(kind: str) -> None:
    person = learner()
    before = model_of(person)
    points = touches("staff", np.random.default_rng(0))
    assert person.learn("staff", points, kind=kind) is None
    assert person.learn("staffs", points) is None
    assert person.learn("staff", ()) is None
    np.testing.assert_array_equal(model_of(person)[0], before[0])


def test_a_word_moved_on_from_teaches_less_than_one_chosen() -> None:
    points = touches("staff", np.random.default_rng(0))
    chosen, passed = learner(), learner()
    chosen.learn("staff", points, explicit=True)
    passed.learn("staff", points, explicit=False)
    start = model_of(learner())[0]
    far = np.abs(model_of(chosen)[0] - start).sum()
    near = np.abs(model_of(passed)[0] - start).sum()
    assert 0 < near < far


@pytest.mark.parametrize("back", [0, 3, 9])
def test_retracting_touches_is_as_if_they_had_not_been_learnt(back: int) -> None:
    rng = np.random.default_rng(3)
    observations = [(w, touches(w, rng)) for w in ["staff", "level", "north", "set", "the"] * 2]
    person = learner(first_id=0)
    without = learner(first_id=0)
    tokens = [person.learn(w, p) for w, p in observations]
    gone = len(observations) - 1 - back
    for i, (w, p) in enumerate(observations):
        if i != gone:
            without.learn(w, p)
    assert person.retract(tokens[gone])
    for mine, theirs in zip(model_of(person), model_of(without), strict=True):
        np.testing.assert_array_equal(mine, theirs)
    assert not person.retract(tokens[gone])


def test_touches_past_the_limit_stay_learnt() -> None:
    rng = np.random.default_rng(4)
    person = learner(undo_words=3, first_id=7)
    tokens = [person.learn("staff", touches("staff", rng)) for _ in range(5)]
    assert tokens == [7, 8, 9, 10, 11]
    assert not person.retract(tokens[1])
    assert all(person.retract(t) for t in reversed(tokens[2:]))
    two = learner(first_id=7)
    rng = np.random.default_rng(4)
    for _ in range(2):
        two.learn("staff", touches("staff", rng))
    np.testing.assert_allclose(model_of(person)[0], model_of(two)[0], rtol=1e-12)


def test_tokens_of_an_earlier_process_name_nothing_here() -> None:
    first = learner()
    update_id = first.learn("staff", touches("staff", np.random.default_rng(0)))
    second = learner()
    second.learn("staff", touches("staff", np.random.default_rng(0)))
    assert not second.retract(update_id)


def test_soft_labels_keep_a_word_the_touches_contradict_from_teaching_much() -> None:
    rng = np.random.default_rng(5)
    # She meant "bevel"; "level" was confirmed by mistake, again and again.
    hard, soft = learner(), learner(soft_labels=True)
    l_key = KEYS["l"]
    for _ in range(25):
        points = touches("bevel", rng, np.zeros(2))
        for person in (hard, soft):
            person.learn("level", points, explicit=False)
    gone_hard, gone_soft = (
        float(np.linalg.norm(model_of(p)[0][l_key] - LAYOUT.centers[l_key])) for p in (hard, soft)
    )
    assert gone_soft <= gone_hard + 1e-9
    assert gone_soft < 0.3


@pytest.mark.parametrize("field", ["mislabelling", "mislabelling_moved_on"])
def test_mislabelling_is_a_probability(field: str) -> None:
    with pytest.raises(PersonalError, match=field):
        learner(**{field: 1.0})


# ---- persons ----


def test_a_person_learns_both_and_takes_both_back() -> None:
    rng = np.random.default_rng(6)
    words = PersonalLanguage(PACK)
    person = Person(DECODER, words=words, learner=learner(words=words))
    before = words.export(), model_of(person.learner)
    receipts = [
        person.confirm("zeiss", text="Zeiss", context="set up the", points=touches("zeiss", rng))
        for _ in range(3)
    ]
    assert "zeiss" in words
    assert words.form("zeiss") == "Zeiss"
    assert [
        row["phrase"] for row in words.export()["phrases"] if row["phrase"].count(" ") == 1
    ] == ["the zeiss"]
    for receipt in reversed(receipts):
        person.retract(receipt)
        person.retract(receipt)
    person.retract(None)
    assert words.export() == before[0]
    np.testing.assert_array_equal(model_of(person.learner)[0], before[1][0])


def test_a_person_may_have_either_alone_or_none() -> None:
    points = touches("staff", np.random.default_rng(0))
    nothing = Person(DECODER)
    assert nothing.confirm("staff", points=points) is None
    assert nothing.decoder is DECODER
    assert nothing.learners == ()
    only_words = Person(DECODER, words=PersonalLanguage(PACK))
    assert only_words.confirm("staff", points=points).touch is None
    only_touch = Person(DECODER, learner=learner())
    assert only_touch.confirm("staff", points=points).words is None


def test_a_session_s_observations_are_understood() -> None:
    person = Person(DECODER, words=PersonalLanguage(PACK), learner=learner())
    points = tuple(map(tuple, touches("staff", np.random.default_rng(0)).tolist()))
    (taught,) = person.learners
    update_id = taught.confirm(Confirmed("staff", "Staff", "the", points))
    assert isinstance(update_id, int)
    assert taught.retract(update_id)
    assert taught.confirm(Confirmed("staff", "Staff", "the", (), kind="prediction")) is None


def test_the_live_face_is_the_adapted_decoder() -> None:
    rng = np.random.default_rng(7)
    person = Person(DECODER, words=PersonalLanguage(PACK), learner=learner())
    live = person.live
    assert isinstance(live, LivePerson)
    points = touches("staff", rng, np.array([0.9, 0.0]))
    before = live.candidates(points, context="the", k=3)
    for _ in range(40):
        person.confirm("staff", context="the", points=touches("staff", rng, np.array([0.9, 0.0])))
    after = live.candidates(points, context="the", k=3, personal=person.words)
    decoder = person.decoder
    assert after == decoder.candidates(points, context="the", k=3, personal=person.words)
    assert after != before
    assert live.layout is LAYOUT
    assert live.key_at(points[0]) == decoder.key_at(points[0])
    assert live.literal(points) == decoder.literal(points)
    assert live.letters_at(points[0]) == decoder.letters_at(points[0])
    assert live.marks("the") == decoder.marks("the")
    assert live.state_after("set the") == decoder.state_after("set the")


def test_a_person_comes_back_from_her_folder(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    folder = tmp_path / "anna"
    with Person.open(folder, DECODER, people=PEOPLE, language="en") as person:
        for _ in range(70):
            person.confirm("staff", context="the", points=touches("staff", rng))
        shown, model = person.words.export(), model_of(person.learner)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {p.name: stat.S_IMODE(p.stat().st_mode) for p in folder.iterdir()} == {
        "words.jsonl": 0o600,
        "touch.json": 0o600,
    }
    with Person.open(folder, DECODER, people=PEOPLE, language="en") as again:
        assert again.words.export() == shown
        np.testing.assert_allclose(model_of(again.learner)[0], model[0], rtol=1e-9)
        again.wipe()
        np.testing.assert_array_equal(model_of(again.learner)[0], PEOPLE.person().means_)
        assert again.words.export()["words"] == []
    assert [p.name for p in folder.iterdir()] == ["words.jsonl"]


def test_touches_are_saved_now_and_then_without_closing(tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    person = Person.open(tmp_path, DECODER, people=PEOPLE)
    for _ in range(49):
        person.confirm("staff", points=touches("staff", rng))
    assert not (tmp_path / "touch.json").exists()
    person.confirm("staff", points=touches("staff", rng))
    assert (tmp_path / "touch.json").exists()


def test_a_model_of_other_keys_or_another_kind_is_refused(tmp_path: Path) -> None:
    grid = Layout.named("e161")
    with pytest.raises(PersonalError, match="lacks the keys"):
        Person.open(tmp_path, Decoder(grid, _anybody(grid), PACK), people=PEOPLE)
    PEOPLE.save(tmp_path / "touch.json")
    with pytest.raises(PersonalError, match=r"touch\.json"):
        Person.open(tmp_path, DECODER, people=PEOPLE)
    # Refused before the words were opened: their file is not held.
    (tmp_path / "touch.json").unlink()
    Person.open(tmp_path, DECODER, people=PEOPLE).close()


def _anybody(layout: Layout):
    from nearkey.touch import GaussianTouch

    return GaussianTouch.from_layout(layout, spread=0.4)


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(PersonalError, match="file"):
        Person.open(tmp_path / "file" / "anna", DECODER)
