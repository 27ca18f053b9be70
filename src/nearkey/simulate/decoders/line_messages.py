"""The line protocol, versions 1 and 2: JSON objects, one a line, UTF-8, over a decoder's stdin and stdout.

Described for readers in docs/benchmarking.md. The benchmark speaks first; every line it sends has a
`type`. A decoder may write what it likes to stderr.
"""

from __future__ import annotations

import math
from typing import Any

import msgspec
import numpy as np

from nearkey.decode import LanguagePack
from nearkey.layout import Layout

PROTOCOL = "nearkey-lines"
VERSION = 1
VERSIONS = (1, 2)
"""Versions spoken; a decoder of either gets the same lines, and one of version 2 may ask for more."""


class Ready(msgspec.Struct, frozen=True, tag_field="type", tag="ready"):
    """The decoder is ready: its name, and the version of the protocol it speaks."""

    name: str
    version: int


class AskedWords(msgspec.Struct, frozen=True, tag_field="type", tag="ask"):
    """From version 2 on, before an answer: what the pack's language model says of words after a context."""

    context: str
    words: list[str]


class Answer(msgspec.Struct, frozen=True, tag_field="type", tag="answer"):
    """The ranked texts of a question, best first.

    log_probs : natural logs, as many as texts. log_total : log of the sum of exp over everything the
    decoder holds possible, where it knows it. kinds : in live use, what each text is ("word", "completion" …).
    """

    id: int
    texts: list[Any]
    log_probs: list[Any] | None = None
    log_total: Any = None
    kinds: list[Any] | None = None


def hello(
    layout: Layout, touch: Any, pack: LanguagePack | None, *, lexicon: str | None, k: int
) -> bytes:
    """The first line: keys, touch model, language, and how many texts will be asked for.

    lexicon : path of a text file with a word, a tab and its natural log probability a line.
    """
    keys = [
        {
            "id": key.id,
            "role": key.role,
            "letters": key.letters,
            "x": key.x,
            "y": key.y,
            "w": key.w,
            "h": key.h,
        }
        for key in layout.keys
    ]
    message = {
        "type": "hello",
        "protocol": PROTOCOL,
        "version": VERSION,
        "versions": VERSIONS,
        "layout": {
            "name": layout.name,
            "unit_mm": layout.unit_mm,
            "width": layout.width,
            "height": layout.height,
            "keys": keys,
        },
        "touch": _components(touch),
        "lexicon": lexicon,
        "k": k,
    }
    return msgspec.json.encode(message) + b"\n"


def _components(touch: Any) -> dict[str, Any] | None:
    """Touches meant for each key, for models made of components over a flat background; None for others.

    Gaussians and Student's t's have fields of their own, so that a decoder which knows only the former finds none
    in a model of the latter, and cannot take it for what it is not.
    """
    parts = getattr(touch, "components", lambda: None)()
    if parts is None:
        return None
    dof = float(getattr(parts, "dof", math.inf))
    gaussian = math.isinf(dof)
    xx, xy, yy = np.asarray(parts.precision).T
    determinant = xx * yy - xy * xy
    rows = zip(
        np.asarray(parts.key).tolist(),
        np.exp(parts.log_weight).tolist(),
        np.asarray(parts.mean).tolist(),
        (np.column_stack([yy, -xy, xx]) / determinant[:, None]).tolist(),
        strict=True,
    )
    shape = "cov" if gaussian else "scale"
    listed = [
        {"key": touch.key_ids[key], "weight": weight, "mean": mean, shape: matrix}
        for key, weight, mean, matrix in rows
    ]
    return {
        **({"gaussians": listed} if gaussian else {"students": listed, "dof": dof}),
        "background": {
            "weight": float(parts.background_weight),
            "log_density": float(parts.background_log_density),
        },
    }


def question(
    number: int,
    points: np.ndarray[Any, Any],
    context: str | None,
    k: int,
    *,
    use: str = "words",
) -> bytes:
    """A question: the touches (x, y in layout units), and the text before the word.

    use : what is asked for, "words", or "live" for all that a live list shows.
    """
    message = {
        "type": "word",
        "id": number,
        "points": points.tolist(),
        "context": context,
        "k": k,
        "use": use,
    }
    return msgspec.json.encode(message) + b"\n"


def language_reply(pack: LanguagePack | None, asked: AskedWords) -> bytes:
    """What the pack's model says of the words asked for: natural logs, null for words it does not have."""
    found: list[float | None] = [None] * len(asked.words)
    if pack is not None:
        model = pack.language_model
        state = model.start()
        for word in asked.context.split():
            state = model.advance(state, word.lower())
        scores = model.log_probs(state)
        index = [pack.lexicon.index(word.lower()) for word in asked.words]
        found = [None if i is None else float(scores[i]) for i in index]
    return msgspec.json.encode({"type": "log_probs", "log_probs": found}) + b"\n"


_Reply = Ready | Answer | AskedWords
_decoder: msgspec.json.Decoder[_Reply] = msgspec.json.Decoder(_Reply)


def parse_reply(line: bytes) -> Ready | Answer | AskedWords:
    """A line of a decoder; msgspec.DecodeError where it is not one."""
    return _decoder.decode(line)
