"""What a lab is set up with: conditions (a layout, a touch model), the pad, the strokes, the study; from a TOML
file.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec

from nearkey.errors import NearkeyError, PlanError
from nearkey.files import read_text
from nearkey.lab.lab_messages import Affine, Code, KeyVisibility, LabAction
from nearkey.layout import Layout
from nearkey.layout.layout import find_layout
from nearkey.schema import convert, read_toml
from nearkey.study import StudyPlan, draw_phrases, plan_study
from nearkey.touch import GaussianTouch, load_touch

CAUTIONS = (
    "A study with people needs their informed consent and, where your rules say so, an ethics approval. "
    "Ask before you record.",
    "Small surfaces strain hand and eye: take the breaks, and stop whenever you want to.",
    "Sit or stand still. Never while walking, driving, or working at a machine.",
    "What is typed is logged with every touch. Use codes, never names.",
)

Positive = Annotated[float, msgspec.Meta(gt=0, le=10_000)]


class _PlanTable(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    pass


class ConditionTable(_PlanTable, frozen=True, kw_only=True):
    """A condition: its name (as a study plan names it), a layout (of the catalogue, or a file), laid on `fit_mm`.

    touch : file of a fitted model; without it, circles of `spread_mm` about the keys' centres. A participant's own
    fitted model takes the place of either where there is one.
    """

    name: Code
    layout: str
    fit_mm: tuple[Positive, Positive] | None = None
    touch: str = ""
    spread_mm: Positive = 2.0


class PadTable(_PlanTable, frozen=True, kw_only=True):
    """How the pad is shown at first: see `ShowRequest`."""

    keys: KeyVisibility = "drawn"
    rotation_deg: Annotated[float, msgspec.Meta(ge=-180, le=180)] = 0.0
    scale: Annotated[float, msgspec.Meta(ge=0.25, le=20)] = 1.0
    right_mm: float = 0.0
    down_mm: float = 0.0


class StrokeTable(_PlanTable, frozen=True, kw_only=True):
    """What strokes of at least `min_mm` do; the actions are those of docs/lab.md."""

    min_mm: Positive = 4.0
    left: LabAction = "delete"
    right: LabAction = "accept"
    up: LabAction = "previous"
    down: LabAction = "next"

    def action(
        self, start: tuple[float, float], end: tuple[float, float] | None
    ) -> LabAction | None:
        """What a contact from `start` to `end` (mm on the pad, y downwards) does; None for a touch.

        A contact shorter than `min_mm` is a touch. A stroke has the direction nearest to it; exactly between two, the
        horizontal one.
        """
        if end is None:
            return None
        dx, dy = end[0] - start[0], end[1] - start[1]
        if math.hypot(dx, dy) < self.min_mm:
            return None
        if abs(dx) >= abs(dy):
            return self.right if dx > 0 else self.left
        return self.down if dy > 0 else self.up


class CalibrationTable(_PlanTable, frozen=True, kw_only=True):
    """Calibration: touches for every key, the seed of their order, and how the keys are drawn meanwhile."""

    each: Annotated[int, msgspec.Meta(ge=1, le=1000)] = 8
    seed: int = 1
    keys: KeyVisibility = "drawn"


WorkloadKind = Literal["", "raw", "weighted"]


class StudyTable(_PlanTable, frozen=True, kw_only=True):
    """The study: a plan that `StudyPlan.write` wrote, or what `plan_study` makes one of.

    plan : the file. Or participants : codes; phrases : a text file, a phrase a line; and the numbers of `plan_study`.
    consent : what participants are asked to agree to. workload : whether the NASA Task Load Index is asked for after
    each condition, "raw" or with weights; "" not at all.
    """

    plan: str = ""
    participants: tuple[Code, ...] = ()
    phrases: str = ""
    seed: int = 1
    blocks: Annotated[int, msgspec.Meta(ge=1)] = 4
    phrases_per_block: Annotated[int, msgspec.Meta(ge=1)] = 10
    practice_phrases: Annotated[int, msgspec.Meta(ge=0)] = 2
    rest_s: Annotated[float, msgspec.Meta(ge=0)] = 120.0
    workload: WorkloadKind = ""
    consent: str = (
        "Your touches and what you type are recorded under a code, not your name, and are deleted when you ask. "
        "Taking part is your choice; you may stop at any moment."
    )


class _LabSettings(_PlanTable, frozen=True, kw_only=True):
    name: str = "lab"
    pack: str = "en"
    k: Annotated[int, msgspec.Meta(ge=1, le=10)] = 5
    pad: PadTable = PadTable()
    strokes: StrokeTable = StrokeTable()
    calibration: CalibrationTable = CalibrationTable()
    study: StudyTable | None = None
    sensor_affine: Affine | None = None
    origin: Literal["person", "invented"] = "person"


class _File(_LabSettings, frozen=True, kw_only=True):
    folder: str = "lab-data"
    conditions: tuple[ConditionTable, ...]


class LabCondition(msgspec.Struct, frozen=True, kw_only=True):
    """A condition ready to use: name : of it. layout : its keys. touch : the model assumed. source : where that
    came from.
    """

    name: str
    layout: Layout
    touch: Any
    source: str


class LabPlan(_LabSettings, frozen=True, kw_only=True):
    """A lab's set-up, everything loaded and checked.

    name : shown. pack : name or folder of the language pack. folder : where logs go. k : candidates listed.
    conditions : at least one. pad, strokes, calibration : tables of the file. study : its table, None without one.
    study_plan : who types what. sensor_affine : for sensors that give none of their own.
    origin : what the logs say of where they come from: "person", or "invented" for trying things out.
    """

    folder: Path
    conditions: tuple[LabCondition, ...]
    study_plan: StudyPlan | None

    @classmethod
    def load(cls, path: str | os.PathLike[str], *, folder: str | None = None) -> LabPlan:
        """Read a plan file; names in it are looked for beside it.

        path : the TOML file. folder : for the logs, in the place of the plan's.
        Raises NearkeyError of the kind of what is wrong, with file, field and fix.
        """
        where = os.fspath(path)
        tables = convert(read_toml(path, PlanError), _File, error=PlanError, where=where)
        return cls._of(tables, Path(path).parent, where, folder)

    @classmethod
    def of_layouts(
        cls,
        layouts: Sequence[str],
        *,
        fit_mm: tuple[float, float] | None = None,
        touch: str = "",
        spread_mm: float = 2.0,
        pack: str = "en",
        folder: str = "lab-data",
    ) -> LabPlan:
        """A lab for one or two layouts without a plan file, every setting at its default.

        layouts : names of the catalogue or files. fit_mm : width and height they are laid on. touch : file of a
        fitted model, for all. spread_mm : without one. pack, folder : as in a plan. Raises as `load`.
        """
        alike = {"fit_mm": fit_mm, "touch": touch, "spread_mm": spread_mm}
        tables = [{"name": _condition_name(name), "layout": name, **alike} for name in layouts]
        found = {"name": "lab", "pack": pack, "folder": folder, "conditions": tables}
        checked = convert(found, _File, error=PlanError, where="nearkey lab")
        return cls._of(checked, Path(), "nearkey lab", folder)

    @classmethod
    def _of(cls, tables: _File, base: Path, where: str, folder: str | None) -> LabPlan:
        names = [table.name for table in tables.conditions]
        if not names or len(set(names)) != len(names):
            raise PlanError(
                "none, or a name stands twice",
                where=where,
                field="conditions",
                fix="give distinct names",
            )
        conditions = tuple(_condition(table, base) for table in tables.conditions)
        return cls(
            **{name: getattr(tables, name) for name in _LabSettings.__struct_fields__},
            folder=Path(folder) if folder else base / tables.folder,
            conditions=conditions,
            study_plan=study_plan_of(tables.study, names, base, where),
        )

    def condition(self, name: str) -> LabCondition:
        """The condition of this name; PlanError for another."""
        for condition in self.conditions:
            if condition.name == name:
                return condition
        names = ", ".join(condition.name for condition in self.conditions)
        raise PlanError(f"no {name!r}", field="conditions", fix=f"use one of {names}")


def _condition_name(layout: str) -> str:
    stem = Path(layout).stem
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in stem)[:64]


def _condition(table: ConditionTable, base: Path) -> LabCondition:
    layout = find_layout(table.layout, base, fit_mm=table.fit_mm)
    if table.touch:
        model = load_touch(base / table.touch).for_layout(layout)
        return LabCondition(name=table.name, layout=layout, touch=model, source=table.touch)
    model = GaussianTouch.from_layout(layout, spread_mm=table.spread_mm)
    source = f"circles of {table.spread_mm:g} mm"
    return LabCondition(name=table.name, layout=layout, touch=model, source=source)


def study_plan_of(
    table: StudyTable | None, conditions: Sequence[str], base: Path, where: str
) -> StudyPlan | None:
    """The study's plan, read or made; None without a table. PlanError where its conditions are not the lab's."""
    if table is None:
        return None
    if table.plan:
        plan = StudyPlan.read(base / table.plan)
        unknown = set(plan.conditions) - set(conditions)
        if unknown:
            raise PlanError(
                f"condition {min(unknown)!r} is not in the lab",
                where=str(base / table.plan),
                field="conditions",
                fix=f"name the lab's conditions alike: {', '.join(conditions)}",
            )
        return plan
    if not table.participants or not table.phrases:
        raise PlanError(
            "names neither a plan nor participants and phrases",
            where=where,
            field="study",
            fix='give plan = "study-plan.json", or participants = [...] and phrases = "phrases.txt"',
        )
    lines = [line.strip() for line in read_text(base / table.phrases, PlanError).splitlines()]
    needed = len(conditions) * (table.practice_phrases + table.blocks * table.phrases_per_block)
    try:
        drawn = draw_phrases([line for line in lines if line], needed, seed=table.seed)
        return plan_study(
            table.participants,
            conditions,
            drawn.phrases,
            seed=table.seed,
            blocks=table.blocks,
            phrases_per_block=table.phrases_per_block,
            practice_phrases=table.practice_phrases,
            rest_s=table.rest_s,
        )
    except NearkeyError as fault:
        raise fault.at(str(base / table.phrases)) from None
