"""Finished chunks of a ranking on disk, so that an interrupted run goes on where it stopped."""

from __future__ import annotations

import hashlib
import json
import os
import re
import zlib
from collections.abc import Sequence
from typing import Any

import numpy as np

from nearkey.append_log import AppendLog, log_lines
from nearkey.closing import Closable
from nearkey.errors import PlanError
from nearkey.simulate.condition import Condition
from nearkey.simulate.outcomes import WordOutcomes
from nearkey.simulate.trial import Judged
from nearkey.simulate.workload import Workload

SCHEMA = "nearkey-ranking-checkpoint"
VERSION = 2
"""1 had no check sums: a changed rank was believed."""

_CHECK = re.compile(rb',"crc":"([0-9a-f]{8})"\}$')


def fingerprint(
    conditions: Sequence[Condition], workload: Workload, settings: tuple[Any, ...]
) -> str:
    """A digest of all that decides a ranking's numbers. Touch models are known by what they draw and say."""
    layouts = [condition.layout.to_dict() for condition in conditions]
    digest = hashlib.sha256(json.dumps(layouts, sort_keys=True, ensure_ascii=False).encode())
    digest.update(repr((workload.vocabulary, workload.states, settings)).encode())
    digest.update(workload.word.tobytes() + workload.index.tobytes())
    for condition in conditions:
        touch = condition.generating
        keys = np.repeat(np.arange(len(touch.key_ids)), 4)
        points = np.ascontiguousarray(touch.sample(keys, np.random.default_rng(0)))
        digest.update(points.tobytes())
        digest.update(np.ascontiguousarray(condition.assumed.log_prob(points)).tobytes())
    return digest.hexdigest()


class Checkpoint(Closable):
    """An append-only log of outcomes, a chunk a line; a record that a kill cut short is dropped. Use it with `with`.

    Raises PlanError when the file belongs to another run, is in use, or is damaged before its last line.
    """

    def __init__(self, path: str | os.PathLike[str], mark: str) -> None:
        self._done: dict[tuple[str, int], dict[str, Any]] = {}
        self._log = AppendLog(path, error=PlanError, private=False, fsync=True)
        try:
            self._read({"schema": SCHEMA, "version": VERSION, "run": mark})
        except BaseException:
            self._log.close()
            raise

    def close(self) -> None:
        """Let go of the file."""
        self._log.close()

    def get(self, job: tuple[str, int], chunk: Workload) -> Judged | None:
        """A finished chunk of a layout, or None. `chunk` : the words it typed."""
        kept = self._done.get(job)
        if kept is None:
            return None
        return Judged(
            WordOutcomes(
                np.asarray(kept["rank"], dtype=np.int64),
                np.asarray(kept["first"], dtype=np.int64),
                chunk.characters,
                np.asarray(kept["keystrokes"], dtype=np.float64),
                np.asarray(kept["seconds"], dtype=np.float64),
                chunk.origin,
                line=chunk.line,
            )
        )

    def put(self, job: tuple[str, int], outcomes: WordOutcomes) -> None:
        """Keep a finished chunk."""
        self._append(
            {
                "layout": job[0],
                "chunk": job[1],
                "rank": outcomes.rank.tolist(),
                "first": outcomes.first.tolist(),
                "keystrokes": outcomes.keystrokes.tolist(),
                "seconds": outcomes.seconds.tolist(),
            }
        )

    def _append(self, record: dict[str, Any]) -> None:
        body = json.dumps(record, ensure_ascii=False).encode()
        self._log.append(b'%b,"crc":"%08x"}' % (body[:-1], zlib.crc32(body)))

    def _read(self, header: dict[str, Any]) -> None:
        end = 0
        for line in log_lines(self._log.read()):
            if not line.ended:
                break
            self._take(line.number, line.data, header)
            end = line.end
        self._log.resume(end)
        if end == 0:
            self._append(header)

    def _take(self, number: int, data: bytes, header: dict[str, Any]) -> None:
        match = _CHECK.search(data)
        body = data if match is None else data[: match.start()] + b"}"
        try:
            record = json.loads(body)
            if match is None or int(match[1], 16) != zlib.crc32(body):
                if number > 1 or record == header | {"version": 2}:
                    raise ValueError
            elif number > 1:
                self._done[str(record["layout"]), int(record["chunk"])] = {
                    name: record[name] for name in ("rank", "first", "keystrokes", "seconds")
                }
                return
        except (KeyError, TypeError, ValueError, RecursionError):
            raise PlanError(
                "is damaged: its check sum does not fit it",
                where=str(self._log.path),
                field=f"line {number}",
                fix="remove the file and run again",
            ) from None
        if record != header:
            raise PlanError(
                "belongs to another run",
                where=str(self._log.path),
                fix="name another file, or repeat the run with the settings it was made with",
            )
