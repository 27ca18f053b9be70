"""nearkey's own decoder behind its line protocol: what `nearkey serve-decoder` runs."""

from __future__ import annotations

from typing import IO, Any

import msgspec
import numpy as np
from msgspec import UNSET
from numpy.typing import ArrayLike

from nearkey.decode import Decoder, EditCosts, LanguagePack
from nearkey.errors import NearkeyError
from nearkey.layout import Key, Layout
from nearkey.schema import schema_error
from nearkey.simulate.columns import Floats
from nearkey.simulate.decoders.line_messages import (
    HELP,
    PROTOCOL,
    VERSIONS,
    Answer,
    Hello,
    Message,
    Ready,
    ToldKey,
    ToldLayout,
    ToldTouch,
    Word,
    from_benchmark,
)
from nearkey.simulate.decoders.own import OwnDecoder
from nearkey.touch.components import Components, gaussian_components, log_density
from nearkey.version import VERSION as RELEASE


def _wrong(problem: str, field: str) -> NearkeyError:
    return NearkeyError(problem, field=field, fix=HELP)


class GivenTouch:
    """The touch model that a `hello` describes.

    Raises NearkeyError, naming the field, where it is none, or of a kind that the protocol has no fields for.
    """

    def __init__(self, told: ToldTouch | None) -> None:
        if told is None:
            raise _wrong("is null: this decoder needs a touch model with components", "touch")
        gaussian = told.gaussians is not UNSET
        parts = (told.gaussians if gaussian else told.students) or []
        field = f"touch.{'gaussians' if gaussian else 'students'}"
        dof = float("inf") if gaussian else told.dof
        if not parts or dof is UNSET:
            raise _wrong("needs gaussians, or students and their dof", "touch")
        spread = [part.cov if gaussian else part.scale for part in parts]
        for number, one in enumerate(spread):
            if one is UNSET or not (one[0] > 0 and one[0] * one[2] > one[1] ** 2):
                name = "cov" if gaussian else "scale"
                raise _wrong("is no covariance xx, xy, yy", f"{field}[{number}].{name}")
        self.key_ids = tuple(dict.fromkeys(part.key for part in parts))
        column = {key: i for i, key in enumerate(self.key_ids)}
        key = np.asarray([column[part.key] for part in parts])
        order = np.argsort(key, kind="stable")
        xx, xy, yy = np.asarray(spread, dtype=np.float64)[order].T
        self._components = gaussian_components(
            key[order],
            np.asarray([part.weight for part in parts])[order],
            np.asarray([part.mean for part in parts])[order],
            np.stack([np.stack([xx, xy], 1), np.stack([xy, yy], 1)], 1),
            background_weight=told.background.weight,
            background_log_density=told.background.log_density,
            dof=dof,
        )

    def components(self) -> Components:
        """As the kernel takes them."""
        return self._components

    def log_prob(self, points: ArrayLike) -> Floats:
        """Natural log densities `(n, n_keys)` of points `(n, 2)`."""
        return log_density(self._components, points, len(self.key_ids))


def serve(
    questions: IO[bytes], answers: IO[bytes], pack: LanguagePack, *, edits: bool = False
) -> None:
    """Answer the line protocol until the input ends.

    Parameters
    ----------
    questions, answers : where lines come from and go to.
    pack : the language; the protocol's own `lexicon` is not read.
    edits : whether a missed, an extra or a swapped touch is allowed for.

    Raises NearkeyError, naming line and field, for a line that is no message of the protocol.
    """

    def say(message: Message) -> None:
        answers.write(message.line())
        answers.flush()

    decoder: OwnDecoder | None = None
    for number, line in enumerate(questions, start=1):
        place = f"line {number}"
        try:
            asked = from_benchmark.decode(line)
            if isinstance(asked, Hello):
                decoder, version = _decoder_for(asked, pack, edits)
                say(Ready(f"nearkey {RELEASE}", version))
            elif isinstance(asked, Word):
                if decoder is None:
                    raise _wrong("comes before hello", "type")
                say(_answer(decoder, asked))
        except NearkeyError as fault:
            field = f"{place}, {fault.field}" if fault.field else place
            raise NearkeyError(
                fault.problem, where="standard input", field=field, fix=fault.fix
            ) from None
        except (msgspec.MsgspecError, UnicodeError, RecursionError) as fault:
            told = schema_error(fault, error=NearkeyError, place=place)
            raise NearkeyError(
                f"is no message of the protocol: {told.problem}",
                where="standard input",
                field=told.field,
                fix=HELP,
            ) from None


def _decoder_for(told: Hello, pack: LanguagePack, edits: bool) -> tuple[OwnDecoder, int]:
    versions = {*(told.versions or (told.version,))} & {*VERSIONS}
    if told.protocol != PROTOCOL or not versions:
        raise NearkeyError(
            f"{told.protocol} {told.version} is not spoken here",
            field="protocol",
            fix=f"speak {PROTOCOL} {', '.join(map(str, VERSIONS))}",
        )
    layout = _layout_of(told.layout)
    costs = EditCosts.typical(layout) if edits else EditCosts()
    return OwnDecoder(Decoder(layout, GivenTouch(told.touch), pack, edits=costs)), max(versions)


def _layout_of(told: ToldLayout) -> Layout:
    return Layout(
        name=told.name,
        unit_mm=told.unit_mm,
        width=told.width,
        height=told.height,
        keys=tuple(Key(**_key_fields(key)) for key in told.keys),
        alphabet="".join(key.letters for key in told.keys if key.role == "letters"),
    )


def _key_fields(told: ToldKey) -> dict[str, Any]:
    label = told.letters.upper() or told.id if told.label is None else told.label
    return msgspec.structs.asdict(told) | {"label": label}


def _answer(own: OwnDecoder, asked: Word) -> Answer:
    if asked.use == "live":
        found = own.live(
            asked.points, asked.context, asked.k, completions=asked.completions is not False
        )
        return Answer(asked.id, [c.word for c in found], kinds=[c.kind for c in found])
    listed = own.decoder.decode(asked.points, context=asked.context, k=asked.k)
    return Answer(asked.id, [c.word for c in listed], [c.log_prob for c in listed])
