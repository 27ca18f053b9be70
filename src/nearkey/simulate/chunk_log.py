"""Finished chunks of long work on disk, a record a line with its check sum, so that an interrupted run goes on."""

from __future__ import annotations

import json
import os
import re
import zlib
from collections.abc import Callable
from typing import Any

from nearkey.append_log import AppendLog, log_lines
from nearkey.closing import Closable
from nearkey.errors import PlanError

_CHECK = re.compile(rb',"crc":"([0-9a-f]{8})"\}$')


class ChunkLog(Closable):
    """An append-only log of records; one that a kill cut short is dropped. Use it with `with`.

    Parameters
    ----------
    path : made where it is not there. header : its first record, which tells what work it belongs to.
    take : gets every record that is there; ValueError, KeyError or TypeError for one that is none.
    work : "run" or "search", for messages.

    Raises
    ------
    PlanError
        When the file is no checkpoint, belongs to other work, is in use, or is damaged before its last line. It is left
        as it was.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        header: dict[str, Any],
        take: Callable[[dict[str, Any]], None],
        *,
        work: str = "run",
    ) -> None:
        self._log = AppendLog(path, error=PlanError, private=False, fsync=True)
        self._work = work
        try:
            end = 0
            for line in log_lines(self._log.read()):
                if not line.ended:
                    if line.number == 1 and not _line_of(header).startswith(line.data):
                        raise self._no_checkpoint()
                    break
                self._read(line.number, line.data, header, take)
                end = line.end
            self._log.resume(end)
            if end == 0:
                self.append(header)
        except BaseException:
            self._log.close()
            raise

    def append(self, record: dict[str, Any]) -> None:
        """Keep a record: on disk when this returns."""
        self._log.append(_line_of(record))

    def close(self) -> None:
        """Let go of the file."""
        self._log.close()

    def _read(
        self,
        number: int,
        data: bytes,
        header: dict[str, Any],
        take: Callable[[dict[str, Any]], None],
    ) -> None:
        match = _CHECK.search(data)
        body = data if match is None else data[: match.start()] + b"}"
        record = None
        try:
            record = json.loads(body)
            if match is None or int(match[1], 16) != zlib.crc32(body):
                if number > 1 or record == header:
                    raise ValueError
            elif number > 1:
                take(record)
                return
        except (KeyError, TypeError, ValueError, OverflowError, RecursionError):
            if number == 1 and record is None:  # no JSON
                raise self._no_checkpoint() from None
            raise PlanError(
                "is damaged: its check sum does not fit it",
                where=str(self._log.path),
                field=f"line {number}",
                fix="remove the file and run again",
            ) from None
        if record != header:
            raise PlanError(
                f"belongs to another {self._work}",
                where=str(self._log.path),
                fix=f"name another file, or repeat the {self._work} with the settings it was made with",
            )

    def _no_checkpoint(self) -> PlanError:
        return PlanError("is no checkpoint", where=str(self._log.path), fix="name another file")


def _line_of(record: dict[str, Any]) -> bytes:
    """A record and its check sum, without the newline."""
    body = json.dumps(record, ensure_ascii=False).encode()
    return b'%b,"crc":"%08x"}' % (body[:-1], zlib.crc32(body))
