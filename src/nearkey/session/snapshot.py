"""Snapshots: a session's whole state as a few records of its journal, and the state they stand for. Pure.

A snapshot holds what stood in the editor before the oldest message that can still be undone. The messages since then
follow it, and those that were undone are done and undone again: so the history comes back by `reduce`, as from any
journal.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator, Sequence

import msgspec

from nearkey.errors import JournalError
from nearkey.session import messages as msg
from nearkey.session.content import (
    Compressed,
    Content,
    Piece,
    PieceList,
    Stroke,
    compress,
    compressed,
    decompress,
    iterate,
    near_expanded,
    run_of,
)
from nearkey.session.journal import Counted, JournalRecord, Pieces, Snapshot
from nearkey.session.reducer import State


def snapshot_records(state: State, time_s: float) -> Iterator[JournalRecord]:
    """What a journal needs to hold to restore a state: time_s is that of its last message."""
    done = list(iterate(state.past))[::-1]
    undone = list(iterate(state.future))
    content = done[0].content if done else state.content
    before = list(_blocks(content.before, ahead=False))
    for data in (*before, *_blocks(content.after, ahead=True)):
        yield Pieces(data=data, time_s=time_s)
    yield Snapshot(
        before=len(before),
        offset=content.offset,
        composition=content.composition,
        shift=content.shift,
        caps=content.caps,
        spell=content.spell,
        observations=state.observations,
        time_s=time_s,
    )
    observations = state.observations
    for step in (*done, *undone):
        for effect in step.effects:
            if isinstance(effect, msg.Learn):
                if effect.observation.serial != observations:
                    yield Counted(observations=effect.observation.serial, time_s=time_s)
                observations = effect.observation.serial + 1
        yield step.message
    for _ in undone:
        yield msg.Undo(time_s=time_s)
    if observations != state.observations:
        yield Counted(observations=state.observations, time_s=time_s)


def _blocks(pieces: PieceList | Compressed | None, *, ahead: bool) -> Iterator[bytes]:
    """The pieces of a list, compressed, in reading order."""
    found: list[bytes] = []
    while pieces is not None:
        run, far = run_of(pieces)
        if run:
            found.append(compress(run if ahead else run[::-1]))
        if far is not None:
            found.append(far.data)
        pieces = None if far is None else far.behind
    return iter(found if ahead else found[::-1])


def state_of(snapshot: Snapshot, blocks: Sequence[bytes], where: str) -> State:
    """The state a snapshot begins with; `blocks` are the data of the `Pieces` before it.

    Raises JournalError for what no session can have written.
    """
    if snapshot.before > len(blocks):
        raise _fault("names more pieces than there are", where, "before")
    before: PieceList | Compressed | None = None
    for data in blocks[: snapshot.before]:
        before = compressed(_sound(data, where), before, ahead=False, data=data)
    after: PieceList | Compressed | None = None
    for data in reversed(blocks[snapshot.before :]):
        after = compressed(_sound(data, where), after, ahead=True, data=data)
    near = near_expanded(after, ahead=True)
    word, offset = snapshot.composition, snapshot.offset
    if offset and (word is not None or near is None or offset >= len(near.item.text)):
        raise _fault("lies in no piece", where, "offset")
    if word is not None and not (_finite(word.all) and (word.all or word.locked is not None)):
        raise _fault("is no word", where, "composition")
    content = Content(
        near_expanded(before, ahead=False),
        near,
        offset,
        word,
        snapshot.shift,
        snapshot.caps,
        snapshot.spell,
    )
    return State(content, None, None, snapshot.observations)


def _sound(data: bytes, where: str) -> list[Piece]:
    try:
        pieces = decompress(data)
    except (ValueError, RecursionError, zlib.error, msgspec.MsgspecError):
        pieces = []
    if not pieces or not all(_finite(piece.strokes) for piece in pieces):
        raise _fault("are damaged", where, "pieces")
    return pieces


def _finite(strokes: Sequence[Stroke]) -> bool:
    return all(math.isfinite((s.x or 0.0) + (s.y or 0.0) + s.time_s) for s in strokes)


def _fault(problem: str, where: str, field: str) -> JournalError:
    return JournalError(problem, where=where, field=field, fix="restore the file from a copy")
