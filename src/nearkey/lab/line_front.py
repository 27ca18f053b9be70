"""The lab's messages over a pair of byte streams, a message a line: for sensors joined by a pipe or a serial line."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from typing import IO, Any

from nearkey.lab.lab_messages import MAX_BYTES
from nearkey.lab.laboratory import Laboratory


async def run_lines(
    laboratory: Laboratory,
    read: IO[bytes],
    write: IO[bytes],
    *,
    until: asyncio.Future[Any],
    idle: Callable[[], None],
) -> None:
    """Take messages from `read` and answer on `write`, until `read` ends or `until` is done.

    idle : called after each message. A line that is too long is answered with a problem and left out.
    """
    loop = asyncio.get_running_loop()
    arrived: asyncio.Queue[bytes | None] = asyncio.Queue()

    def pump() -> None:
        # Reading a pipe blocks, so it has a thread of its own; it dies with the program.
        for line in _bounded_lines(read):
            loop.call_soon_threadsafe(arrived.put_nowait, line)
        loop.call_soon_threadsafe(arrived.put_nowait, None)

    def send(text: str) -> None:
        try:
            write.write(text.encode() + b"\n")
            write.flush()
        except (OSError, ValueError):  # nobody reads any more
            arrived.put_nowait(None)

    serial = laboratory.connect(send)
    threading.Thread(target=pump, daemon=True).start()
    try:
        while not until.done():
            coming = asyncio.ensure_future(arrived.get())
            await asyncio.wait({coming, until}, return_when=asyncio.FIRST_COMPLETED)
            if not coming.done():
                coming.cancel()
                return
            line = coming.result()
            if line is None:
                return
            if line.strip():
                laboratory.receive(serial, line)
                idle()
    finally:
        laboratory.disconnect(serial)


def _bounded_lines(read: IO[bytes]) -> Any:
    """Lines without their ends; of one that is too long, a beginning that is too long as well."""
    while True:
        line = read.readline(MAX_BYTES + 2)
        if not line:
            return
        while not line.endswith(b"\n") and len(line) > MAX_BYTES:
            rest = read.readline(MAX_BYTES + 2)
            if not rest or rest.endswith(b"\n"):
                break
        yield line.rstrip(b"\r\n")
