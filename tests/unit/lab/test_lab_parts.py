"""The lab's pure parts: targets, places, strokes, affine maps, the way through a study, plans; and forgetting a
person.
"""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest
from lab_devices import PLAN, plan_file

import nearkey as nk
from nearkey.errors import LayoutError, NearkeyError, PlanError
from nearkey.lab import fit_affine, forget_participant
from nearkey.lab.activity import CloseTrial, OpenTrial
from nearkey.lab.calibrate_activity import balanced_targets
from nearkey.lab.lab_folder import LabFolder
from nearkey.lab.lab_messages import apply_affine
from nearkey.lab.lab_models import LabModels
from nearkey.lab.lab_plan import LabCondition, LabPlan, StrokeTable
from nearkey.lab.study_activity import StudyActivity
from nearkey.study import (
    WORKLOAD_SCALES,
    StudyLog,
    StudyLogWriter,
    StudyPlan,
    add_workload_answer,
    plan_study,
    read_workload_answers,
    workload_answer,
)
from nearkey.touch import TouchLogWriter


@pytest.mark.parametrize("seed", range(5))
def test_targets_are_balanced_round_by_round_and_none_follows_itself(seed):
    keys = [f"k{i}" for i in range(6)]
    order = balanced_targets(keys, 9, seed)
    for i in range(0, len(order), 6):
        assert sorted(order[i : i + 6]) == keys
    assert all(a != b for a, b in pairwise(order))
    assert order == balanced_targets(keys, 9, seed)
    # Each key stands in several places of its rounds.
    assert all(len({order.index(k, r * 6) % 6 for r in range(9)}) > 2 for k in keys)
    assert balanced_targets(["one"], 3, seed) == ("one",) * 3


@pytest.mark.parametrize(
    ("end", "action"),
    [
        (None, None),
        ((6.9, 5.0), None),
        ((7.0, 5.0), "accept"),
        ((3.0, 5.0), "delete"),
        ((5.0, 8.0), "next"),
        ((5.5, 2.0), "previous"),
        ((8.0, 8.0), "accept"),
        ((8.0, 8.1), "next"),
    ],
)
def test_a_contact_is_a_touch_or_a_stroke_by_its_length_and_direction(end, action):
    assert StrokeTable(min_mm=2).action((5.0, 5.0), end) == action


def test_an_affine_map_is_found_again():
    rng = np.random.default_rng(3)
    true = (0.01, 0.002, -1.0, -0.003, 0.02, 4.0)
    raw = rng.uniform(0, 1000, (9, 2))
    mm = [apply_affine(true, x, y) for x, y in raw]
    assert fit_affine(raw, mm) == pytest.approx(true)
    for bad in (raw[:2], np.column_stack([raw[:, 0], raw[:, 0]])):
        with pytest.raises(NearkeyError, match="; "):
            fit_affine(bad, mm[: len(bad)])


def test_everyone_types_every_trial_of_the_plan_once_in_its_order():
    phrases = [f"phrase {i}" for i in range(40)]
    plan = plan_study(
        ["a", "b"], ["x", "y"], phrases, seed=3, blocks=2, phrases_per_block=3, practice_phrases=1
    )
    for person in ("a", "b"):
        activity, deeds = StudyActivity(plan.of(person), frozenset(), "agree?").begin()
        opened, closed = [], 0
        for _ in range(200):
            opened += [(*d.trial.place, d.trial.phrase) for d in deeds if isinstance(d, OpenTrial)]
            closed += sum(isinstance(d, CloseTrial) for d in deeds)
            if activity.state == "end":
                break
            activity, deeds = activity.go_on()
        planned = [(b.position, i, p) for b in plan.of(person) for i, p in enumerate(b.phrases, 1)]
        assert opened == planned
        assert closed == len(planned)


def test_touches_that_come_one_by_one_read_back_as_a_log(tmp_path):
    path = tmp_path / "touches.jsonl"
    row = {
        "participant": "p1",
        "session": "1",
        "trial": 0,
        "order": 0,
        "time_s": 0.5,
        "x": 1.25,
        "y": 2.5,
        "target": "k1",
    }
    with TouchLogWriter(path, unit="mm") as log:
        log.add(row | {"device": "phone", "pressure": None})
        with pytest.raises(NearkeyError, match="y: column is missing"):
            log.add({k: v for k, v in row.items() if k != "y"})
        with pytest.raises(NearkeyError, match="x: is nan"):
            log.add(row | {"x": float("nan")})
    assert path.stat().st_mode & 0o777 == 0o600
    whole = path.read_bytes()
    path.write_bytes(whole + b'{"participant": "p1", "sess')
    with TouchLogWriter(path, unit="mm") as log:
        assert len(log.rows) == 1
        log.add(row | {"order": 1, "pressure": 0.5})
    read = nk.TouchLog.read(path)
    assert (len(read), read.unit, read.order.tolist()) == (2, "mm", [0, 1])
    with pytest.raises(NearkeyError, match="unit: is 'mm', not 'layout'"):
        TouchLogWriter(path)
    with pytest.raises(NearkeyError, match="suffix"):
        TouchLogWriter(tmp_path / "touches.csv")


def test_a_study_log_is_gone_on_with_in_the_middle_of_a_trial_where_that_is_asked_for(tmp_path):
    path = tmp_path / "study.jsonl"
    with StudyLogWriter(path, participant="p1", condition="x", origin="invented") as log:
        log.prompt("gate", 1.0)
        log.event("tap", 2.0, text="g")
    with StudyLogWriter.resume(path, keep_open=True) as log:
        assert log.earlier is not None
        assert log.earlier.trials()[0].state == "unfinished"
        with pytest.raises(NearkeyError, match="time goes back"):
            log.event("tap", 1.5, text="ga")
        log.event("tap", 3.0, text="ga")
        log.end(4.0)
    (trial,) = StudyLog.read(path).trials()
    assert (trial.state, trial.transcribed) == ("done", "ga")


@pytest.mark.parametrize(
    ("change", "error", "says"),
    [
        (("pack", "langauge"), PlanError, "langauge"),
        (('layout = "qwerty"', 'layout = "qwertz2"'), LayoutError, "neither a file nor"),
        (("fit_mm = [18, 12]", "fit_mm = [18]"), PlanError, "fit_mm"),
        (("each = 2", "each = 0"), PlanError, "each"),
        (('name = "letters"', 'name = "grid"'), PlanError, "stands twice"),
        (('name = "letters"', 'name = "../letters"'), PlanError, "name"),
        (
            ('participants = ["p1", "p2"]', 'participants = ["Anna Berg"]'),
            PlanError,
            "participants",
        ),
        (("phrases_per_block = 2", "phrases_per_block = 20"), PlanError, "phrases"),
        (('phrases = "phrases.txt"', 'phrases = "none.txt"'), PlanError, "no such file"),
        (('phrases = "phrases.txt"', ""), PlanError, "neither a plan nor"),
    ],
)
def test_a_plan_that_cannot_be_carried_out_is_refused_in_one_line(tmp_path, change, error, says):
    text = 'pack = "en"\n' + PLAN
    with pytest.raises(error, match="; ") as fault:
        LabPlan.load(plan_file(tmp_path, text.replace(*change)))
    assert says in str(fault.value)
    assert "\n" not in str(fault.value)


def test_a_study_plan_from_a_file_must_name_the_lab_s_conditions(tmp_path):
    plan = plan_study(
        ["p1", "p2"],
        ["grid", "letters"],
        ["a b", "c d", "e f", "g h"],
        seed=1,
        blocks=1,
        phrases_per_block=1,
        practice_phrases=0,
    )
    plan.write(tmp_path / "plan.json")
    head = PLAN[: PLAN.index("[study]")]
    loaded = LabPlan.load(plan_file(tmp_path, head + '[study]\nplan = "plan.json"\n'))
    assert loaded.study_plan == plan
    with pytest.raises(PlanError, match="'letters' is not in the lab"):
        LabPlan.load(
            plan_file(
                tmp_path, head.replace('"letters"', '"rows"') + '[study]\nplan = "plan.json"\n'
            )
        )


def invented_data(folder):
    """Two people's data in a lab's folder and outside it."""
    lab = folder / "lab-data"
    for code in ("p1", "p2"):
        (lab / code).mkdir(parents=True)
        with StudyLogWriter(
            lab / code / "study-grid.jsonl", participant=code, condition="grid", origin="invented"
        ) as log:
            log.prompt("gate", 0.0)
        with TouchLogWriter(lab / code / "touches-grid.jsonl", unit="mm") as log:
            log.add(
                {
                    "participant": code,
                    "session": "1",
                    "trial": 0,
                    "order": 0,
                    "time_s": 0,
                    "x": 1,
                    "y": 1,
                    "target": "a",
                }
            )
        (lab / code / "model-grid.json").write_text("{}")
        scales = dict.fromkeys((scale.name for scale in WORKLOAD_SCALES), 40)
        answer = workload_answer({"participant": code, "condition": "grid", **scales})
        for path in (lab / code / "workload.jsonl", folder / "everybody.jsonl"):
            add_workload_answer(path, answer)
    plan_study(
        ["p1", "p2"],
        ["grid"],
        ["a b", "c d"],
        seed=1,
        blocks=1,
        phrases_per_block=1,
        practice_phrases=0,
    ).write(lab / "study-plan.json")
    (lab / "lab-state.json").write_text('{"type":"start","activity":"study","participant":"p1"}')
    both = nk.TouchLog.from_points(
        [[1, 1], [2, 2], [3, 3]], ["a", "b", "c"], participant=["p1", "p2", "p1"]
    )
    both.write(folder / "pooled.csv")
    nk.TouchLog.from_points([[1, 1]], ["a"], participant="p1").write(folder / "alone.csv")
    (folder / "notes.json").write_text('{"people": ["p1"]}')
    (folder / "p1").mkdir()
    (folder / "p1" / "holiday.txt").write_text("not the lab's")
    return lab


def test_a_person_is_forgotten_everywhere_and_the_others_are_not(tmp_path):
    lab = invented_data(tmp_path)
    told = forget_participant("p1", [tmp_path], dry_run=True)
    assert (lab / "p1" / "study-grid.jsonl").exists()
    assert forget_participant("p1", [tmp_path]) == told
    assert {str(one.path.relative_to(tmp_path)): one.deleted for one in told} == {
        "lab-data/p1/study-grid.jsonl": True,
        "lab-data/p1/touches-grid.jsonl": True,
        "lab-data/p1/model-grid.json": True,
        "lab-data/p1/workload.jsonl": True,
        "everybody.jsonl": False,
        "lab-data/lab-state.json": True,
        "lab-data/study-plan.json": False,
        "pooled.csv": False,
        "alone.csv": True,
    }
    assert not (lab / "p1").exists()
    assert nk.TouchLog.read(tmp_path / "pooled.csv").participants == ("p2",)
    assert [b.participant for b in StudyPlan.read(lab / "study-plan.json").blocks] == ["p2"]
    assert len(list((lab / "p2").iterdir())) == 4
    assert [a.participant for a in read_workload_answers(tmp_path / "everybody.jsonl")] == ["p2"]
    # What is no log stays, whatever its name.
    assert (tmp_path / "p1" / "holiday.txt").exists()
    assert forget_participant("p1", [tmp_path]) == ()


def test_a_running_lab_forgets_a_person_s_fitted_model(tmp_path):
    layout = nk.Layout.named("qwerty")
    everybody = nk.GaussianTouch.from_layout(layout, spread=0.4)
    condition = LabCondition(name="grid", layout=layout, touch=everybody, source="assumed")
    models = LabModels(None, LabFolder(tmp_path))
    fitted = tmp_path / "p1" / "model-grid.json"
    fitted.parent.mkdir()
    everybody.save(fitted)
    assert models.model(condition, "p1")[1] == "own"
    forget_participant("p1", [tmp_path])
    assert models.model(condition, "p2") == (everybody, "assumed")
    assert ("grid", "p1") not in models._models
    assert models.model(condition, "p1") == (everybody, "assumed")


def test_nothing_is_forgotten_while_a_log_is_being_written(tmp_path):
    lab = invented_data(tmp_path)
    with (
        StudyLogWriter.resume(lab / "p1" / "study-grid.jsonl"),
        pytest.raises(NearkeyError, match="in use"),
    ):
        forget_participant("p1", [tmp_path])
    assert (lab / "p1" / "model-grid.json").exists()


def test_order_counts_of_conditions_are_balanced_over_the_lab_s_participants(tmp_path):
    text = PLAN.replace('["p1", "p2"]', '["p1", "p2", "p3", "p4"]')
    plan = LabPlan.load(plan_file(tmp_path, text)).study_plan
    assert plan is not None
    firsts = Counter(plan.of(f"p{i}")[0].condition for i in range(1, 5))
    assert firsts == {"grid": 2, "letters": 2}
