"""From what a device asks to begin to the activity, checked against the plan and what the logs hold already."""

from __future__ import annotations

from nearkey.errors import PlanError, StudyLogError
from nearkey.lab.activity import Activity
from nearkey.lab.calibrate_activity import CalibrateActivity, balanced_targets
from nearkey.lab.lab_folder import LabFolder
from nearkey.lab.lab_messages import StartRequest
from nearkey.lab.lab_plan import LabCondition, LabPlan
from nearkey.lab.replay_activity import ReplayActivity
from nearkey.lab.study_activity import StudyActivity
from nearkey.lab.try_activity import TryActivity
from nearkey.layout import Layout
from nearkey.session.study_sitting import next_trial, told_trials
from nearkey.study import StudyLog, StudyPlan


def activity_for(
    start: StartRequest,
    plan: LabPlan,
    folder: LabFolder,
    study_plan: StudyPlan | None,
    *,
    again: bool = False,
) -> Activity:
    """The activity asked for, at its beginning, or where the participant's logs say it stopped.

    plan, folder : of the lab. study_plan : who types what. again : whether the lab stopped in the middle of it.
    Raises NearkeyError for what the lab does not have, and a missing code.
    """
    match start.activity:
        case "calibrate":
            (condition,) = _named(start, plan, 1)
            targets = [key.id for key in condition.layout.letter_keys]
            order = balanced_targets(targets, plan.calibration.each, plan.calibration.seed)
            labels = {key.id: key.label for key in condition.layout.keys}
            with folder.touch_log(_participant(start), condition.name) as log:
                at = len(log.rows) % len(order)
            state = "target" if again and at else "ready"
            return CalibrateActivity(condition.name, order, labels, at, state)
        case "try":
            return TryActivity(tuple(condition.name for condition in _named(start, plan, 2)))
        case "study":
            if study_plan is None or plan.study is None:
                raise PlanError(
                    "this lab has no study", field="study", fix="give the plan a [study] table"
                )
            participant = _participant(start)
            blocks = study_plan.of(participant)
            done, unfinished = told_trials(blocks, folder.study_logs(participant))
            trial = next_trial(blocks, done)
            return StudyActivity(
                blocks,
                done,
                plan.study.consent,
                open=trial is not None and trial.place == unfinished,
                workload=plan.study.workload,
                rated=folder.rated(participant),
            )
    played = folder.read_study_log(start.log)
    if not played.events:
        raise StudyLogError("holds no events", where=start.log, fix="choose another log")
    return ReplayActivity(start.log, played, _layout_of(played, plan))


def _participant(start: StartRequest) -> str:
    if start.participant is None:
        raise PlanError(
            "is missing", where="start", field="participant", fix="give a code, not a name"
        )
    return start.participant


def _named(start: StartRequest, plan: LabPlan, most: int) -> tuple[LabCondition, ...]:
    names = start.conditions or tuple(c.name for c in plan.conditions[:1])
    return tuple(plan.condition(name) for name in names[:most])


def _layout_of(log: StudyLog, plan: LabPlan) -> Layout | None:
    """What a log was typed on: its header says, or the lab has a layout of that name."""
    spec = (log.header.extra or {}).get("layout")
    if isinstance(spec, dict):
        return Layout.from_dict(spec, where="log's header")
    layouts = (condition.layout for condition in plan.conditions)
    return next((layout for layout in layouts if layout.name == log.header.layout), None)
