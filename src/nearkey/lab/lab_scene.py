"""The scene that every device shows, made of an activity's step, the pads and how they are shown."""

from __future__ import annotations

import msgspec

from nearkey.lab.activity import Activity, button
from nearkey.lab.lab_messages import DrawnPad, SceneReply
from nearkey.lab.lab_plan import PadTable
from nearkey.lab.replay_activity import ReplayActivity


def scene_of(
    activity: Activity | None,
    name: str,
    participant: str,
    view: PadTable,
    pads: tuple[DrawnPad, ...],
) -> SceneReply:
    """What is shown now. name : of the lab, shown while nothing is under way. view : how the pads are shown."""
    shown = msgspec.structs.asdict(view)
    if activity is None:
        return SceneReply(
            activity="", step="choose", title=name, lines=("Choose what to do.",), **shown
        )
    step = activity.step
    return SceneReply(
        activity=activity.kind,
        step=step.name,
        title=step.title,
        lines=step.lines,
        participant=participant,
        pads=pads,
        target=step.target,
        phrase=step.phrase,
        done=step.done,
        total=step.total,
        rest_s=step.rest_s,
        takes_touches=step.takes_touches,
        workload=step.workload,
        buttons=step.buttons or (button("Stop", "leave"),),
        replay=activity.shown if isinstance(activity, ReplayActivity) else None,
        **shown,
    )
