"""nearkey's own decoder behind its line protocol: what `nearkey serve-decoder` runs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import IO, Any

import msgspec
import numpy as np
from numpy.typing import ArrayLike

from nearkey.decode import Decoder, EditCosts, LanguagePack
from nearkey.errors import NearkeyError
from nearkey.layout import Key, Layout
from nearkey.simulate.decoders.line_messages import PROTOCOL, VERSIONS
from nearkey.version import VERSION as RELEASE


class GivenTouch:
    """The touch model that a `hello` describes: Gaussians or Student's t's over a flat background.

    Parameters
    ----------
    told : the field `touch` of a `hello`. key_ids : of the layout, in order.

    Raises NearkeyError where the model is of a kind that the protocol has no fields for.
    """

    def __init__(self, told: Mapping[str, Any] | None, key_ids: tuple[str, ...]) -> None:
        if told is None:
            raise NearkeyError(
                "no touch model in the hello", field="touch", fix="give one with components"
            )
        parts = told.get("gaussians") or told["students"]
        self.key_ids = key_ids
        column = {key: i for i, key in enumerate(key_ids)}
        self._dof = float(told.get("dof", math.inf))
        self._key = np.array([column[p["key"]] for p in parts])
        self._mean = np.array([p["mean"] for p in parts], dtype=np.float64)
        spread = np.array([p.get("cov") or p["scale"] for p in parts], dtype=np.float64)
        xx, xy, yy = spread.T
        determinant = xx * yy - xy * xy
        self._precision = np.column_stack([yy, -xy, xx]) / determinant[:, None]
        self._log_scale = (
            np.log([p["weight"] for p in parts]) - math.log(2 * math.pi) - 0.5 * np.log(determinant)
        )
        self._background = float(told["background"]["weight"])
        self._flat = float(told["background"]["log_density"])

    def log_prob(self, points: ArrayLike) -> Any:
        """Natural log densities `(n, n_keys)` of points `(n, 2)`."""
        apart = np.asarray(points, dtype=np.float64)[:, None, :] - self._mean
        dx, dy = apart[..., 0], apart[..., 1]
        xx, xy, yy = self._precision.T
        square = xx * dx * dx + 2 * xy * dx * dy + yy * dy * dy
        if math.isinf(self._dof):
            log = self._log_scale - square / 2
        else:
            log = self._log_scale - (self._dof + 2) / 2 * np.log1p(square / self._dof)
        found = np.full((len(apart), len(self.key_ids)), -np.inf)
        for part, key in enumerate(self._key.tolist()):
            found[:, key] = np.logaddexp(found[:, key], log[:, part])
        outside = math.log(self._background) + self._flat if self._background > 0 else -math.inf
        return np.logaddexp(found + math.log1p(-self._background), outside)


def serve(
    questions: IO[bytes], answers: IO[bytes], pack: LanguagePack, *, edits: bool = False
) -> None:
    """Answer the line protocol until the input ends.

    Parameters
    ----------
    questions, answers : where lines come from and go to.
    pack : the language; the protocol's own `lexicon` is not read.
    edits : whether a missed, an extra or a swapped touch is allowed for.

    Raises NearkeyError for a line that is no message of the protocol.
    """

    def say(message: dict[str, Any]) -> None:
        answers.write(msgspec.json.encode(message) + b"\n")
        answers.flush()

    decoder: Decoder | None = None
    for number, line in enumerate(questions, start=1):
        try:
            message = msgspec.json.decode(line)
            kind = message["type"]
            if kind == "hello":
                decoder, version = _decoder_for(message, pack, edits)
                say({"type": "ready", "name": f"nearkey {RELEASE}", "version": version})
            elif kind == "word" and decoder is not None:
                say(_answer(decoder, message))
        except (KeyError, TypeError, msgspec.DecodeError) as fault:
            raise NearkeyError(
                f"is no message of the protocol: {fault}",
                where="standard input",
                field=f"line {number}",
                fix="see docs/benchmarking.md",
            ) from None


def _decoder_for(hello: dict[str, Any], pack: LanguagePack, edits: bool) -> tuple[Decoder, int]:
    versions = set(hello.get("versions", [hello["version"]])) & set(VERSIONS)
    if hello["protocol"] != PROTOCOL or not versions:
        raise NearkeyError(
            f"{hello['protocol']} {hello['version']} is not spoken here",
            field="hello",
            fix=f"speak {PROTOCOL} {', '.join(map(str, VERSIONS))}",
        )
    told = hello["layout"]
    letters = "".join(key["letters"] for key in told["keys"] if key["role"] == "letters")
    layout = Layout(
        name=told["name"],
        unit_mm=told["unit_mm"],
        width=told["width"],
        height=told["height"],
        keys=tuple(Key(label=key["letters"].upper() or key["id"], **key) for key in told["keys"]),
        alphabet=letters,
    )
    touch = GivenTouch(hello["touch"], layout.key_ids)
    costs = EditCosts.typical(layout) if edits else EditCosts()
    return Decoder(layout, touch, pack, edits=costs), max(versions)


def _answer(decoder: Decoder, asked: dict[str, Any]) -> dict[str, Any]:
    context = asked.get("context")
    answer: dict[str, Any] = {"type": "answer", "id": asked["id"]}
    if asked.get("use") == "live":
        found = decoder.candidates(asked["points"], context=context or "", k=asked["k"])
        kinds: dict[str, str] = {}
        for candidate in found:
            kinds.setdefault(candidate.word, candidate.kind)
        return answer | {"texts": list(kinds), "kinds": list(kinds.values())}
    listed = decoder.decode(asked["points"], context=context, k=asked["k"])
    return answer | {
        "texts": [c.word for c in listed],
        "log_probs": [c.log_prob for c in listed],
    }
