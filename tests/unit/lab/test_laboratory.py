"""A lab in this process: what devices say and hear, and what is in the logs then."""

from __future__ import annotations

import json
from itertools import pairwise

import pytest
from lab_devices import GROUPS, PHRASES, PLAN, Clock, Device, lab_in, place_of

import nearkey as nk
from nearkey.errors import NearkeyError
from nearkey.language.models import MixedModel
from nearkey.study import (
    WORKLOAD_PAIRS,
    WORKLOAD_SCALES,
    StudyLog,
    measures,
    read_workload_answers,
)


@pytest.fixture(scope="module")
def pack():
    return nk.load_pack("en")


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def lab(tmp_path, pack, clock):
    made = lab_in(tmp_path, pack, clock=clock)
    yield made
    made.close()


def log_of(lab, participant="p1", condition=None):
    condition = condition or first_condition(lab, participant)
    return StudyLog.read(lab.folder.study_log_path(participant, condition))


def first_condition(lab, participant="p1"):
    return lab.plan.study_plan.of(participant)[0].condition


def begin_study(device, participant="p1"):
    device.say("start", activity="study", participant=participant)
    for _ in range(3):  # consent, cautions, ready
        device.say("next")
    assert device.scene["step"] == "phrase", device.heard[-1]


def type_phrase(device, clock, layout=None):
    """Every letter of the phrase in the middle of its key; each word committed; done."""
    layout = layout or device.laboratory.plan.condition(device.scene["pads"][0]["condition"]).layout
    for word in device.scene["phrase"].split():
        for letter in word:
            clock.now += 0.3
            x, y = layout.centers[layout.key_of_letter[letter]] * layout.unit_mm
            device.touch(float(x), float(y))
        clock.now += 0.3
        device.n += 1
        device.say("press", action="commit", n=device.n)
    device.n += 1
    device.say("press", action="done", n=device.n)


def to_the_questions(device):
    """Phrases are given up until the lab asks about the work."""
    while device.scene["step"] != "workload":
        if device.scene["step"] == "phrase":
            device.n += 1
            device.say("press", action="done", n=device.n)
        else:
            device.say("next")


def test_calibration_goes_from_targets_to_a_log_and_a_fitted_model(lab):
    device = Device(lab, device="tablet", pixels_per_mm=5.5, calibrated=True)
    device.say(
        "start", activity="calibrate", participant="p7", conditions=["grid"], keys="invisible"
    )
    assert device.scene["keys"] == "invisible"
    device.say("next")
    targets = []
    while device.scene["step"] == "target":
        targets.append(device.scene["target"])
        x, y = place_of(GROUPS[int(targets[-1][1])][0])
        # Spread evenly about a point half a millimetre right of and a quarter above the middle.
        dx, dy = ((0.4, 0.3), (-0.4, -0.3))[targets.count(targets[-1]) - 1]
        device.touch(x + 0.5 + dx, y - 0.25 + dy, width=4.0, pressure=0.5)
    assert sorted(targets) == sorted(f"k{i}" for i in range(6) for _ in range(2))
    assert set(targets[:6]) == {f"k{i}" for i in range(6)}, "a round has every key once"
    log = nk.TouchLog.read(lab.folder.path / "p7" / "touches-grid.jsonl")
    assert log.unit == "mm"
    assert log.target.tolist() == targets
    assert log.participants == ("p7",)
    assert log.extra["pixels_per_mm"].tolist() == [5.5] * 12
    assert set(log.extra["keys"].tolist()) == {"invisible"}
    assert device.scene["step"] == "fitted", device.scene
    model = nk.load_touch(lab.folder.model_path("p7", "grid"))
    assert model.pooled_offset_ == pytest.approx([0.5, -0.25])
    assert any("0.5 mm right" in line for line in device.scene["lines"])
    for path in (lab.folder.path / "p7").iterdir():
        assert path.stat().st_mode & 0o777 == 0o600, path


def test_a_study_runs_from_consent_to_the_end_and_its_measures_are_those_of_the_typist(lab, clock):
    device = Device(lab)
    device.say("start", activity="study", participant="p1")
    assert device.scene["step"] == "consent"
    device.say("next")
    assert device.scene["step"] == "cautions"
    assert any("Never while walking, driving" in line for line in device.scene["lines"])
    device.say("next")
    device.say("next")
    rests = 0
    while device.scene["step"] != "end":
        if device.scene["step"] == "rest":
            rests += 1
            assert device.scene["rest_s"] == 3
            device.say("next")
        elif device.scene["step"] == "ready":
            device.say("next")
        else:
            type_phrase(device, clock)
    assert rests == 3
    logs = [log_of(lab, condition=name) for name in ("grid", "letters")]
    found = measures(logs)
    assert len(found.phrases) == 4
    for phrase in found.phrases:
        assert phrase.transcribed == phrase.transcribed.lower(), (
            "the phrases shown have no capitals"
        )
        letters = phrase.presented.replace(" ", "")
        presses = len(letters) + len(phrase.presented.split())
        assert phrase.counts.keystrokes == presses
        # Every press 0.3 s after the one before; the last one, a commit, enters the space that closes the text.
        assert phrase.wpm == pytest.approx(len(phrase.transcribed) / (0.3 * (presses - 1)) * 12)
    extra = logs[0].events[1].extra
    assert {"client", "n", "x", "y"} <= set(extra)
    assert logs[0].header.extra["layout"]["name"]


def test_a_lab_started_again_goes_on_in_the_middle_of_a_phrase_and_no_touch_is_lost_or_counts_twice(
    tmp_path, pack, clock
):
    lab = lab_in(tmp_path, pack, clock=clock)
    device = Device(lab, client="phone")
    begin_study(device)
    phrase = device.scene["phrase"]
    condition = device.scene["pads"][0]["condition"]
    layout = lab.plan.condition(condition).layout
    places = [layout.centers[layout.key_of_letter[c]] for c in phrase.split()[0]]
    sent = []
    for x, y in places:
        clock.now += 0.2
        sent.append((float(x), float(y)))
        device.touch(*sent[-1])
    text = device.last("typed")["text"]
    lab.close()  # the file's lock; nothing else is told of the end
    again = lab_in(tmp_path, pack, clock=clock)
    back = Device(again, client="phone")
    assert (back.scene["step"], back.scene["phrase"]) == ("phrase", phrase)
    assert back.scene["pads"][0]["text"] == text
    assert back.heard[0]["last_n"] == len(sent)
    # The device sends again what it had no answer for: the last two were taken.
    for n, (x, y) in enumerate(sent[-2:], start=len(sent) - 1):
        assert back.say("touch", x=x, y=y, n=n)[0]["type"] == "ack"
    back.n = len(sent)
    clock.now += 0.5
    back.touch(*sent[0])
    back.n += 1
    back.say("press", action="done", n=back.n)
    trial = log_of(again, condition=condition).trials()[0]
    taps = [event for event in trial.events if event.__struct_config__.tag == "tap"]
    assert [event.extra["n"] for event in taps] == [*range(1, len(sent) + 2)]
    assert trial.state == "done"
    told = [e.extra["interruption"] for e in trial.events if "interruption" in (e.extra or {})]
    assert told == ["the lab was started again"]
    (end,) = [
        e for e in log_of(again, condition=condition).events if e.__struct_config__.tag == "end"
    ]
    assert end.extra == {"interruptions": 1}
    again.close()


def test_what_breaks_into_a_phrase_is_in_the_log_at_once_and_counted_over_crashes(
    tmp_path, pack, clock
):
    lab = lab_in(tmp_path, pack, clock=clock)
    watching = Device(lab, "experimenter")
    device = Device(lab, "pad", client="phone")
    display = Device(lab, "display")
    begin_study(device)
    device.touch(3, 3)
    lab.disconnect(watching.serial)  # nothing that the typist notices
    lab.disconnect(display.serial)
    Device(lab, "pad", client="tablet")
    lab.disconnect(device.serial)  # no pad any more

    def told():
        (trial,) = log_of(lab).trials()
        return [e.extra["interruption"] for e in trial.events if "interruption" in (e.extra or {})]

    assert told() == ["the connection to the display was lost", "another device became the pad"]
    lab.close()
    lab = lab_in(tmp_path, pack, clock=clock)
    assert len(told()) == 3
    lab.close()  # and once more
    lab = lab_in(tmp_path, pack, clock=clock)
    device = Device(lab, client="phone")
    device.say("touch", x=3, y=3)
    device.say("press", action="done")
    events = log_of(lab).events
    (end,) = [e for e in events if e.__struct_config__.tag == "end"]
    assert end.extra == {"interruptions": 4}
    # The next phrase has a count of its own; lists are no actions, so no press was made up.
    assert [e.__struct_config__.tag for e in events if "interruption" in (e.extra or {})] == [
        "candidates"
    ] * 4
    while device.scene["step"] != "phrase":
        device.say("next")
    device.say("press", action="done")
    assert [e.extra for e in log_of(lab).events if e.__struct_config__.tag == "end"][1] is None
    lab.close()


@pytest.mark.parametrize("weighted", [False, True])
def test_the_work_is_asked_about_after_each_condition_and_kept(tmp_path, pack, clock, weighted):
    kind = "weighted" if weighted else "raw"
    text = PLAN + f'workload = "{kind}"\n'
    lab = lab_in(tmp_path, pack, clock=clock, text=text)
    device = Device(lab)
    first, second = dict.fromkeys(b.condition for b in lab.plan.study_plan.of("p1"))
    ratings = {scale.name: 5.0 * i for i, scale in enumerate(WORKLOAD_SCALES)}
    chosen = [pair[0] for pair in WORKLOAD_PAIRS] if weighted else []

    assert "not asked" in device.say("workload", ratings=ratings)[0]["problem"]
    device.say("start", activity="study", participant="p1")
    to_the_questions(device)
    assert first in device.scene["title"]
    assert [scale[0] for scale in device.scene["workload"]["scales"]] == list(ratings)
    assert len(device.scene["workload"]["pairs"]) == len(chosen)
    for wrong in (
        {"ratings": {**ratings, "effort": 101}},
        {"ratings": {k: v for k, v in ratings.items() if k != "effort"}},
        {"ratings": {**ratings, "speed": 1}},
        *(
            [{"ratings": ratings}, {"ratings": ratings, "chosen": ["speed"] * 15}]
            if weighted
            else []
        ),
    ):
        said = device.say("workload", **wrong)
        assert said[0]["type"] == "problem", wrong
        assert "\n" not in said[0]["problem"]
    # A crash before the answer: asked again, with no phrase typed twice.
    lab.close()
    lab = lab_in(tmp_path, pack, clock=clock, text=text)
    device = Device(lab)
    assert device.scene["step"] == "workload"
    device.say("workload", ratings=ratings, chosen=chosen)
    assert device.scene["step"] == "rest"
    to_the_questions(device)
    assert second in device.scene["title"]
    device.say("next")  # rather not say
    assert device.scene["step"] == "end"
    lab.close()
    path = tmp_path / "data" / "p1" / "workload.jsonl"
    assert path.stat().st_mode & 0o777 == 0o600
    (answer,) = read_workload_answers(path)
    assert (answer.participant, answer.condition, answer.ratings) == ("p1", first, ratings)
    counts = {name: chosen.count(name) for name in ratings}
    assert answer.weights == (counts if weighted else None)


def test_a_phrase_left_open_goes_on_though_a_question_was_declined(tmp_path, pack, clock):
    text = PLAN + 'workload = "raw"\n'
    lab = lab_in(tmp_path, pack, clock=clock, text=text)
    device = Device(lab)
    device.say("start", activity="study", participant="p1")
    to_the_questions(device)
    while device.scene["step"] != "phrase":  # rather not say, the rest, ready
        device.say("next")
    device.touch(3, 3)
    phrase, condition = device.scene["phrase"], device.scene["pads"][0]["condition"]
    lab.close()
    lab = lab_in(tmp_path, pack, clock=clock, text=text)
    device = Device(lab)
    assert (device.scene["step"], device.scene["phrase"]) == ("phrase", phrase)
    (trial,) = log_of(lab, condition=condition).trials()
    assert trial.state == "unfinished"
    lab.close()


def test_the_activity_left_open_is_aborted_when_it_is_left(lab):
    device = Device(lab)
    begin_study(device)
    device.touch(3, 3)
    device.say("leave")
    (trial,) = log_of(lab).trials()
    assert trial.state == "aborted"
    device.say("start", activity="study", participant="p1")
    assert device.scene["step"] == "consent", "nothing is done yet"


def test_strokes_step_choose_delete_and_count_their_presses(lab):
    device = Device(lab)
    begin_study(device)
    layout = lab.plan.condition(device.scene["pads"][0]["condition"]).layout
    for letter in "peg":
        device.touch(*map(float, layout.centers[layout.key_of_letter[letter]]))
    listed = device.last("typed")["candidates"]
    assert device.touch(9, 3, to=(9, 9))[0]["chosen"] == 1
    assert device.touch(9, 3, to=(9, 9))[0]["chosen"] == 2
    assert device.touch(9, 9, to=(9, 3))[0]["chosen"] == 1
    for action in ("done", "undo"):
        said = device.say("press", action=action, pad=1, n=0)
        assert "no pad 1" in said[0]["problem"]
    taken = device.touch(3, 6, to=(12, 7))[0]
    assert (taken["action"], taken["text"]) == ("accept", listed[1] + " ")
    device.touch(12, 6, to=(3, 6))
    events = log_of(lab).events
    accept = next(e for e in events if e.__struct_config__.tag == "accept")
    assert (accept.rank, accept.presses) == (1, 4)
    commit = events[events.index(accept) + 1]
    assert (commit.__struct_config__.tag, commit.presses) == ("commit", 0)
    assert any(e.__struct_config__.tag == "delete" for e in events)
    # A short slip is a touch.
    assert device.touch(3, 3, to=(5, 3))[0]["action"] == "tap"
    # Steps that lead to no choice were pressed all the same.
    device.touch(9, 3, to=(9, 9))
    device.touch(3, 3)
    steps = [e for e in log_of(lab).events if e.__struct_config__.tag == "cursor"]
    assert [e.presses for e in steps] == [1]


def test_the_screen_says_when_it_painted_and_the_log_keeps_it(lab, clock):
    device = Device(lab, client="phone")
    begin_study(device)
    clock.now += 1
    device.touch(3, 3)
    clock.now += 0.02
    device.say("painted", n=1, ms=20.5, round_trip_ms=3.0)
    device.say("painted", n=77, ms=1.0)  # not of a touch the lab knows
    clock.now += 0.005
    device.touch(3, 9)
    painted = [e for e in log_of(lab).events if e.extra and "paint_ms" in e.extra]
    assert [(e.extra["n"], e.extra["paint_ms"], e.extra["round_trip_ms"]) for e in painted] == [
        (1, 20.5, 3.0)
    ]
    assert len(painted[0].words) == 5


def test_a_lab_at_rest_prepares_for_the_word_typed_so_that_taking_it_asks_the_model_nothing(
    lab, monkeypatch
):
    asked = []
    log_probs = MixedModel.log_probs

    def heard(model, state):
        asked.append(state)
        return log_probs(model, state)

    monkeypatch.setattr(MixedModel, "log_probs", heard)
    device = Device(lab)
    lab.prefetch()  # nothing is under way
    device.say("start", activity="try", conditions=["grid"])
    for letter in "gate":
        device.touch(*place_of(letter))
    before = len(asked)
    lab.prefetch()
    assert len(asked) == before + 1
    device.say("press", action="commit")
    assert len(device.last("typed")["candidates"]) == 5
    assert len(asked) == before + 1


def test_two_layouts_are_tried_side_by_side_and_nothing_is_kept(lab):
    device = Device(lab)
    device.say("start", activity="try", conditions=["grid", "letters"])
    assert [pad["condition"] for pad in device.scene["pads"]] == ["grid", "letters"]
    device.touch(3, 3, pad=0)
    one = device.last("typed")
    device.touch(3, 3, pad=1)
    two = device.last("typed")
    assert (one["pad"], two["pad"]) == (0, 1)
    assert all(len(pad["ellipses"]) == len(pad["keys"]) for pad in device.scene["pads"])
    device.say("leave")
    assert [p.name for p in lab.folder.path.rglob("*") if p.is_file()] == ["study-plan.json"]


def test_replay_shows_each_event_as_it_was(lab, clock):
    device = Device(lab)
    begin_study(device)
    type_phrase(device, clock)
    device.say("leave")
    watching = Device(lab, "experimenter")
    (name,) = watching.heard[0]["logs"]
    log = StudyLog.read(lab.folder.path / name)
    watching.say("start", activity="replay", log=name)
    texts = []
    for at, event in enumerate(log.events):
        watching.say("seek", at=at)
        shown = watching.scene["replay"]
        assert shown["event"] == event.__struct_config__.tag
        texts.append(shown["text"])
        if getattr(event, "text", None) and shown["event"] not in ("prompt", "end"):
            assert shown["text"] == event.text
    assert watching.scene["phrase"] in PHRASES
    assert watching.scene["pads"][0]["keys"]
    watching.say("seek", at=10_000)
    assert watching.scene["done"] == len(log.events)
    for bad in ("../lab.toml", "p1/../p1/study-grid.jsonl", "/etc/passwd", "p2/study-grid.jsonl"):
        watching.say("leave")
        assert "no such log" in watching.say("start", activity="replay", log=bad)[0]["problem"]


def test_pad_display_and_experimenter_are_devices_of_one_session(lab):
    display, watching = Device(lab, "display"), Device(lab, "experimenter")
    pad = Device(lab, "pad", device="phone", pixels_per_mm=6.0)
    display.say("start", activity="try")
    pad.touch(3, 3)
    for device in (display, watching, pad):
        assert device.last("typed")["n"] == 1
    display.say("press", action="choose", rank=1, n=1)
    assert pad.last("typed")["action"] == "choose"
    assert [c["is_pad"] for c in watching.last("clients")["clients"]] == [False, False, True]
    # A second tab on the session takes over; the first one is told, and its touches do not count.
    other = Device(lab, "both", device="laptop")
    assert pad.last("replaced")["by"] == "laptop"
    assert "another device is the pad" in pad.touch(3, 3)[0]["problem"]
    assert other.touch(3, 3)[0]["type"] == "typed"
    lab.disconnect(other.serial)
    pad.say("hello", role="pad")
    assert pad.touch(3, 3)[0]["type"] == "typed"


def test_a_sensor_speaks_its_own_units_and_its_clock_may_jump(lab, clock):
    sensor = Device(lab, "sensor", affine=[0.01, 0, -1, 0, 0.01, 2], t_ms=5000.0, client="probe")
    begin_study(sensor)
    clock.now += 1.0
    reply = sensor.touch(400, 100, t_ms=6000.0)[0]
    assert (reply["x"], reply["y"]) == pytest.approx((3.0, 3.0))
    clock.now += 1.0
    sensor.touch(400, 700, t_ms=6900.0)
    clock.now += 1.0
    sensor.touch(400, 700, t_ms=9_000_000.0)  # set to some other time
    clock.now += 1.0
    sensor.touch(400, 700, t_ms=1.0)  # started anew
    sensor.touch(400, 700)
    taps = [e for e in log_of(lab).events if e.__struct_config__.tag == "tap"]
    between = [b.t - a.t for a, b in pairwise(taps)]
    assert between == pytest.approx(
        [0.9, 1.1, 1.0, 0.0]
    )  # by the sensor's clock, then as they came
    lists = [e for e in log_of(lab).events if e.__struct_config__.tag == "candidates"]
    assert [e.extra["n"] for e in lists] == [e.extra["n"] for e in taps], (
        "what a sensor was told is in the log"
    )
    assert [e.extra.get("clock") for e in taps] == [None, None, "jumped", "jumped", None]
    assert sensor.say("affine", affine=[1, 2, 0, 2, 4, 0])[0]["problem"].startswith(
        "message: affine:"
    )


@pytest.mark.parametrize("own", [True, False])
def test_a_participant_s_own_model_is_used_from_then_on_and_nobody_else_s(lab, own):
    # Orders are balanced, so one of two participants begins with the grid.
    first = "p1" if first_condition(lab, "p1") == "grid" else "p2"
    code = first if own else "other"
    device = Device(lab)
    device.say("start", activity="calibrate", participant=code, conditions=["grid"])
    device.say("next")
    seen = 0
    while device.scene["step"] == "target":
        x, y = place_of(GROUPS[int(device.scene["target"][1])][0])
        seen += 1
        device.touch(x + (1.5 if seen <= 6 else 2.5), y + (0.3 if seen <= 6 else -0.3))
    device.say("leave")
    device.say("start", activity="try", conditions=["grid"])
    theirs = device.scene["pads"][0]["ellipses"]
    assert theirs[0]["x"] == pytest.approx(3.0), "trying is nobody's"
    device.say("leave")
    device.say("start", activity="study", participant=first)
    (pad,) = device.scene["pads"]
    assert pad["condition"] == "grid"
    assert pad["ellipses"][0]["x"] == pytest.approx(5.0 if own else 3.0)


@pytest.mark.parametrize(
    ("message", "says"),
    [
        ("{", "not valid JSON"),
        ("[]", "object"),
        ('{"type": "explode"}', "type"),
        ('{"type": "touch", "x": 1}', "y: is missing"),
        ('{"type": "touch", "x": 1e300, "y": 0}', "x: is 1e+300"),
        ('{"type": "touch", "x": NaN, "y": 0}', "not valid JSON"),
        ('{"type": "touch", "x": 1, "y": 2, "z": 3}', "unknown field"),
        ('{"type": "touch", "x": 1, "y": 2, "pressure": 7}', "pressure"),
        ('{"type": "start", "activity": "calibrate", "participant": "Anna Berg"}', "participant"),
        ('{"type": "start", "activity": "calibrate", "participant": ".."}', "participant"),
        ('{"type": "start", "activity": "calibrate"}', "code"),
        ('{"type": "start", "activity": "study", "participant": "p9"}', "not in the plan"),
        ('{"type": "start", "activity": "try", "conditions": ["ring"]}', "ring"),
        ('{"type": "invite"}', "--share"),
        ('{"type": "hello", "role": "pad", "version": 2}', "version: is 2"),
        ("x" * 40_000, "40000 bytes"),
        (b"\xff\xfe", "not valid JSON"),
    ],
)
def test_a_bad_message_is_answered_in_one_line_and_changes_nothing(lab, message, says):
    device = Device(lab)
    lab.receive(device.serial, message)
    problem = device.heard[-1]["problem"]
    assert says in problem
    assert "\n" not in problem
    assert device.say("ping", t_ms=1.0)[0]["type"] == "pong"
    assert lab.activity is None


def test_nothing_is_taken_before_hello(lab):
    heard = []
    serial = lab.connect(lambda text: heard.append(json.loads(text)))
    lab.receive(serial, '{"type": "touch", "x": 1, "y": 1}')
    assert "hello" in heard[0]["problem"]


def test_one_activity_is_left_before_another_begins(lab):
    device = Device(lab)
    device.say("start", activity="try")
    assert "under way" in device.say("start", activity="try")[0]["problem"]


def test_the_view_changes_for_every_device(lab):
    device, other = Device(lab), Device(lab, "display")
    device.say("show", rotation_deg=90, scale=2)
    device.say("show", keys="faint", right_mm=-4)
    shown = {k: other.scene[k] for k in ("rotation_deg", "scale", "keys", "right_mm", "down_mm")}
    assert shown == {"rotation_deg": 90, "scale": 2, "keys": "faint", "right_mm": -4, "down_mm": 0}


def test_a_plan_that_has_logs_is_not_changed_behind_their_back(tmp_path, pack):
    lab = lab_in(tmp_path, pack)
    device = Device(lab)
    begin_study(device)
    device.touch(3, 3)
    device.say("leave")
    lab.close()
    with pytest.raises(NearkeyError, match="differs from the plan"):
        lab_in(tmp_path, pack, text=PLAN.replace("rest_s = 3", "rest_s = 4"))
