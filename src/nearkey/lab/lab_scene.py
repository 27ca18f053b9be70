"""The scene that every device shows, made of an activity's step, the pads and how they are shown."""

from __future__ import annotations

import dataclasses

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
    now = activity.step
    step = {field.name: getattr(now, field.name) for field in dataclasses.fields(now)}
    return SceneReply(
        activity=activity.kind,
        step=step.pop("name"),
        participant=participant,
        pads=pads,
        buttons=step.pop("buttons") or (button("Stop", "leave"),),
        replay=activity.shown if isinstance(activity, ReplayActivity) else None,
        **step,
        **shown,
    )
