"""The line protocol, versions 1 and 2: JSON objects, one a line, UTF-8, over a decoder's stdin and stdout.

Described for readers, message by message, in docs/line-protocol.md. The benchmark speaks first; every line has a
`type`. A decoder may write what it likes to stderr. Lengths are in layout units, logs are natural.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

import msgspec
import numpy as np
from msgspec import UNSET, Meta, UnsetType

from nearkey.decode import LanguagePack
from nearkey.decode.protocols import TextLanguageModel
from nearkey.layout import Layout

PROTOCOL = "nearkey-lines"
VERSION = 1
VERSIONS = (1, 2)
"""Versions spoken; a decoder of either gets the same lines, and one of version 2 may ask for more."""

HELP = "see docs/line-protocol.md"

_Positive = Annotated[float, Meta(gt=0)]


class Message(msgspec.Struct, frozen=True, tag_field="type"):
    """One line."""

    def line(self) -> bytes:
        """As it is sent."""
        return msgspec.json.encode(self) + b"\n"


# ---- what the benchmark says ----


class ToldKey(msgspec.Struct, frozen=True):
    """A key: y grows downwards, (x, y) is the upper left corner. label : what is written on it."""

    id: str
    role: str
    letters: str
    x: float
    y: float
    w: float
    h: float
    label: str | None = None


class ToldLayout(msgspec.Struct, frozen=True):
    """The surface and its keys. unit_mm : millimetres of a layout unit."""

    name: str
    unit_mm: float
    width: float
    height: float
    keys: list[ToldKey]


class ToldComponent(msgspec.Struct, frozen=True):
    """A Gaussian (`cov`: xx, xy, yy) or a bivariate t (`scale`) of the touches meant for a key."""

    key: str
    weight: _Positive
    mean: tuple[float, float]
    cov: tuple[float, float, float] | UnsetType = UNSET
    scale: tuple[float, float, float] | UnsetType = UNSET


class ToldBackground(msgspec.Struct, frozen=True):
    """Touches that are meant for no place: their share, and their log density, the same everywhere."""

    weight: Annotated[float, Meta(ge=0, lt=1)]
    log_density: float


class ToldTouch(msgspec.Struct, frozen=True):
    """Touches meant for each key: `gaussians`, or `students` with their `dof`, over a flat background.

    Gaussians and Student's t's have fields of their own, so that a decoder which knows only the former finds none
    in a model of the latter, and cannot take it for what it is not.
    """

    background: ToldBackground
    gaussians: list[ToldComponent] | UnsetType = UNSET
    students: list[ToldComponent] | UnsetType = UNSET
    dof: _Positive | UnsetType = UNSET


class Hello(Message, frozen=True, tag="hello"):
    """The first line: keys, touch model, language, and how many texts will be asked for.

    lexicon : path of a text file with a word, a tab and its log probability a line.
    """

    protocol: str
    version: int
    layout: ToldLayout
    touch: ToldTouch | None
    lexicon: str | None
    k: int
    versions: tuple[int, ...] = ()


class Word(Message, frozen=True, tag="word"):
    """A question: the touches of a word, and the text before it ("" starts a sentence; None: nothing is known).

    use : what is asked for, finished "words", or "live" for a live list. completions : in live use, whether unfinished
    words are to be listed.
    """

    id: int
    points: list[tuple[float, float]]
    context: str | None
    k: Annotated[int, Meta(ge=1)]
    use: Literal["words", "live"] = "words"
    completions: bool | UnsetType = UNSET


class LogProbs(Message, frozen=True, tag="log_probs"):
    """What the pack's language model says after a context: of the words asked for, None for one it lacks, and of all
    words outside the lexicon together."""

    log_probs: list[float | None]
    unknown: float | None


class ArpaFile(Message, frozen=True, tag="arpa"):
    """Path of the pack's n-grams as an ARPA file; None where it has none, and why."""

    path: str | None
    why: str | None = None


# ---- what a decoder says ----


class Ready(Message, frozen=True, tag="ready"):
    """The decoder is ready: its name, and the version of the protocol it speaks."""

    name: str
    version: int


class AskedWords(Message, frozen=True, tag="ask"):
    """From version 2 on, before `ready` or an answer: what the pack's language model says after a context, of these
    words, or of the whole lexicon in its order."""

    context: str
    words: list[str] | None = None


class AskedArpa(Message, frozen=True, tag="ask_arpa"):
    """From version 2 on, before `ready` or an answer: the pack's n-grams as an ARPA file."""


class Answer(Message, frozen=True, tag="answer", omit_defaults=True):
    """The ranked texts of a question, best first.

    log_probs : as many as texts. log_total : log of the sum of exp over everything the decoder holds possible, where it
    knows it. kinds : in live use, what each text is ("word", "completion" …).
    """

    id: int
    texts: list[Any]
    log_probs: list[Any] | None = None
    log_total: Any = None
    kinds: list[Any] | None = None


FromDecoder = Ready | Answer | AskedWords | AskedArpa
from_decoder: msgspec.json.Decoder[FromDecoder] = msgspec.json.Decoder(FromDecoder)
FromBenchmark = Hello | Word | LogProbs | ArpaFile
from_benchmark: msgspec.json.Decoder[FromBenchmark] = msgspec.json.Decoder(FromBenchmark)


def hello(layout: Layout, touch: Any, *, lexicon: str | None, k: int) -> Hello:
    """The first line of a benchmark on a layout; see `Hello`."""
    told = msgspec.convert(layout, ToldLayout, from_attributes=True)
    return Hello(PROTOCOL, VERSION, told, _told_touch(touch), lexicon, k, VERSIONS)


def _told_touch(touch: Any) -> ToldTouch | None:
    """The touch model, where it is made of components over a flat background; None for others."""
    parts = getattr(touch, "components", lambda: None)()
    if parts is None:
        return None
    dof = float(getattr(parts, "dof", math.inf))
    shape = "cov" if math.isinf(dof) else "scale"
    xx, xy, yy = np.asarray(parts.precision).T
    spread = np.column_stack([yy, -xy, xx]) / (xx * yy - xy * xy)[:, None]
    rows = zip(
        np.asarray(parts.key).tolist(),
        np.exp(parts.log_weight).tolist(),
        np.asarray(parts.mean).tolist(),
        spread.tolist(),
        strict=True,
    )
    listed = [
        ToldComponent(touch.key_ids[key], weight, mean, **{shape: matrix})
        for key, weight, mean, matrix in rows
    ]
    flat = ToldBackground(float(parts.background_weight), float(parts.background_log_density))
    if math.isinf(dof):
        return ToldTouch(flat, gaussians=listed)
    return ToldTouch(flat, students=listed, dof=dof)


def language_reply(pack: LanguagePack | None, asked: AskedWords) -> LogProbs:
    """What the pack's model says of the words asked for; nothing of any where there is no pack."""
    if pack is None:
        return LogProbs([None] * len(asked.words or ()), None)
    model = pack.language_model
    if isinstance(model, TextLanguageModel):
        state = model.state_after(asked.context)
    else:
        state = model.start()
        for word in asked.context.split():
            state = model.advance(state, word.lower())
    scores = model.log_probs(state)
    if asked.words is None:
        found = scores.tolist()
    else:
        index = [pack.lexicon.index(word.lower()) for word in asked.words]
        found = [None if i is None else float(scores[i]) for i in index]
    return LogProbs(found, float(model.log_unknown(state)))
