"""What a lab reads touches with: each condition's touch model, or the participant's own, and its decoder."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from nearkey.decode import Decoder, EditCosts, LanguagePack
from nearkey.errors import NearkeyError
from nearkey.lab.lab_folder import LabFolder
from nearkey.lab.lab_messages import DrawnEllipse, DrawnPad
from nearkey.lab.lab_plan import LabCondition
from nearkey.lab.typing_pad import TypingPad
from nearkey.layout import Layout
from nearkey.touch import GaussianTouch, TouchLog, clean, ellipses, load_touch


class LabModels:
    """pack : the language. folder : where participants' fitted models lie.

    Models, decoders and drawings are made when first needed and kept until the participant's model is fitted anew, or
    its file is gone: a person who is forgotten is forgotten here too.
    """

    def __init__(self, pack: LanguagePack, folder: LabFolder) -> None:
        self._pack, self._folder = pack, folder
        self._models: dict[tuple[str, str], tuple[Any, str]] = {}
        self._decoders: dict[tuple[str, str], Decoder] = {}
        self._drawings: dict[tuple[str, str], DrawnPad] = {}

    def model(self, condition: LabCondition, participant: str) -> tuple[Any, str]:
        """The touch model assumed for a participant ("" for nobody), and where it comes from: "own" is fitted."""
        key = condition.name, participant
        for name, code in [k for k, (_, source) in self._models.items() if source == "own"]:
            if not self._folder.model_path(code, name).exists():
                self._drop(name, code)
        if key not in self._models:
            found = condition.touch, condition.source
            if participant:
                path = self._folder.model_path(participant, condition.name)
                if path.exists():
                    found = load_touch(path).for_layout(condition.layout), "own"
            self._models[key] = found
        return self._models[key]

    def decoder(self, condition: LabCondition, participant: str) -> Decoder:
        """Reads the participant's touches; one for all who have no model of their own."""
        model, source = self.model(condition, participant)
        key = condition.name, participant if source == "own" else ""
        if key not in self._decoders:
            edits = EditCosts.typical(condition.layout)
            self._decoders[key] = Decoder(condition.layout, model, self._pack, edits=edits)
        return self._decoders[key]

    def drawn(self, condition: LabCondition, participant: str, pad: TypingPad) -> DrawnPad:
        """A pad as it is shown: its keys, its model's ellipses, and what is typed on it."""
        key = condition.name, participant
        if key not in self._drawings:
            model, _ = self.model(condition, participant)
            self._drawings[key] = drawn_pad(condition.name, condition.layout, model)
        return msgspec.structs.replace(
            self._drawings[key],
            text=pad.session.text,
            candidates=pad.candidates,
            chosen=pad.chosen,
        )

    def fit(self, condition: LabCondition, participant: str, touches: Path) -> tuple[str, ...]:
        """Clean the `touches` of a log, fit a model to them and keep it; what is to be said of it, in lines."""
        layout = condition.layout
        try:
            log, report = clean(TouchLog.read(touches), layout)
            model = GaussianTouch().fit(log, layout)
        except NearkeyError as fault:
            return (f"No model: {fault}", "The touches are kept.")
        path = self._folder.model_path(participant, condition.name)
        model.save(path)
        path.chmod(0o600)
        self._drop(condition.name, participant)
        off = np.asarray(model.pooled_offset_) * layout.unit_mm
        areas = [np.pi * e.semi_major * e.semi_minor for e in ellipses(model)]
        return (
            f"{len(log)} touches kept, {report.n_dropped} left out.",
            f"On the average they land {abs(off[0]):.1f} mm {'right' if off[0] >= 0 else 'left'} of and "
            f"{abs(off[1]):.1f} mm {'below' if off[1] >= 0 else 'above'} the middle of a key.",
            f"95 % of them lie in {float(np.mean(areas)) * layout.unit_mm**2:.0f} square mm about it.",
            "Typing and studies under this code use the fitted model from now on.",
        )

    def _drop(self, condition: str, participant: str) -> None:
        for kept in (self._models, self._decoders, self._drawings):
            kept.pop((condition, participant), None)


def drawn_pad(condition: str, layout: Layout, model: Any = None) -> DrawnPad:
    """A pad in millimetres, with the ellipses of a `model` that has some."""
    mm = layout.unit_mm
    shapes = ellipses(model) if hasattr(model, "covariances_") else ()
    return DrawnPad(
        condition=condition,
        layout=layout.name,
        width=layout.width_mm,
        height=layout.height_mm,
        keys=layout.fitted(layout.width_mm, layout.height_mm).keys,
        ellipses=tuple(
            DrawnEllipse(
                key=e.key_id, angle=e.angle_rad,
                x=e.x * mm, y=e.y * mm, rx=e.semi_major * mm, ry=e.semi_minor * mm,
            )
            for e in shapes
        ),
    )  # fmt: skip
