"""How long the lab takes: from a touch to its answer over loopback, and to painted candidates in a browser.

    python benchmarks/lab/delays.py [--touches 600] [--pages 300]

A running lab (its own process) in a study, so that every touch is on the disk before it is answered. The sockets' client
and the browser are on this machine. In the browser the finger rests 70 ms, and touches come 0.25 to 0.4 s apart, as of people
who type; over the socket 80 ms apart, and once 10 ms apart, so that the lab has no time to prepare for the next word.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "tests" / "support")]

from harness import options
from lab_devices import plan_file
from phone import RunningLab, phone
from sections import save_section
from websockets.sync.client import connect

SHARES = (0.5, 0.95, 0.99)


def disk_delays(folder: Path, times: int) -> np.ndarray:
    """Milliseconds the disk takes to keep a line."""
    found = []
    with (folder / "probe").open("wb", buffering=0) as file:
        for _ in range(times):
            file.write(b"x" * 300 + b"\n")
            began = time.perf_counter()
            os.fsync(file.fileno())
            found.append((time.perf_counter() - began) * 1000)
            time.sleep(0.01)
    return np.array(found)


def socket_delays(
    lab: RunningLab, touches: int, rng: np.random.Generator, *, kept: bool, apart_s: float = 0.08
) -> np.ndarray:
    """Milliseconds from sending a touch to having its answer, in a study (`kept`) or just trying."""
    found = []
    with connect(f"ws://127.0.0.1:{lab.port}/messages") as socket:

        def until(kind: str) -> None:
            while json.loads(socket.recv(timeout=30))["type"] != kind:
                pass

        socket.send('{"type": "hello", "role": "both"}')
        until("scene")
        if kept:
            socket.send('{"type": "start", "activity": "study", "participant": "p1"}')
            for _ in range(3):
                socket.send('{"type": "next"}')
        else:
            socket.send('{"type": "start", "activity": "try"}')
        time.sleep(0.5)
        for n in range(1, touches + 1):
            x, y = rng.uniform(0, (18, 12))
            kind = (
                {"type": "press", "action": "commit"}
                if n % 6 == 0
                else {"type": "touch", "x": x, "y": y}
            )
            began = time.perf_counter()
            socket.send(json.dumps({**kind, "n": n}))
            until("typed")
            found.append((time.perf_counter() - began) * 1000)
            time.sleep(apart_s)
        socket.send('{"type": "leave"}')
        until("scene")
    return np.array(found)


def page_delays(
    lab: RunningLab, touches: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Milliseconds from the end of a touch to painted candidates, and of that to the lab and back, as the page measures."""
    with phone() as handset:
        handset.open(lab.url)
        handset.run("document.getElementById('study-code').value = 'p2'")
        handset.click("#study-start")
        for step in ("consent", "cautions", "ready"):
            handset.at_step(f"study/{step}")
            handset.click("[data-send=next]")
        handset.at_step("study/phrase")
        for n in range(1, touches + 1):
            time.sleep(rng.uniform(0.25, 0.4))
            if n % 6:
                handset.touch(*rng.uniform(0, (18, 12)), rests_s=0.07)
            else:
                handset.touch(4, 6, to=(13, 6), rests_s=0.07)
        told = handset.run("return labDelays")
    return np.array([one["ms"] for one in told]), np.array([one["round_trip_ms"] for one in told])


def main() -> None:
    asked = options(__doc__, touches=(600, "over the socket"), pages=(300, "in the browser"))
    rng = np.random.default_rng(13)
    with tempfile.TemporaryDirectory() as folder, RunningLab(plan_file(Path(folder))) as lab:
        disk = disk_delays(Path(folder), 200)
        tried = socket_delays(lab, asked.touches, rng, kept=False)
        studied = socket_delays(lab, asked.touches, rng, kept=True)
        hurried = socket_delays(lab, asked.touches, rng, kept=True, apart_s=0.01)
        page, trip = page_delays(lab, asked.pages, rng)
    rows = [
        [name, len(values), *np.quantile(values, SHARES)]
        for name, values in (
            ("socket: touch sent to candidates received, nothing kept", tried),
            ("socket: the same in a study, each touch on the disk before the answer", studied),
            ("socket: the same, touches 10 ms apart, so that nothing is prepared", hurried),
            ("of that, the disk: one line forced to it, measured alone", disk),
            ("page, in a study: touch ended to candidates painted", page),
            ("page: of that, to the lab and back", trip),
        )
    ]
    notes = [
        "A study under way: every touch is forced to the disk before it is answered. Loopback; headless Chromium, a screen "
        "of 390 x 844 points at three pixels a point, drawn without a graphics card at 60 frames a second: a touch waits up "
        "to 17 ms for the next frame, whatever the lab does.",
    ]
    save_section(
        "lab_delays",
        "The lab: from a touch to candidates",
        "from ... to; touches; half within ms|1; 95 in 100 within ms|1; 99 in 100 within ms|1",
        rows,
        more=f"--touches {asked.touches} --pages {asked.pages}",
        order=85,
        notes=notes,
        timed=True,
    )


if __name__ == "__main__":
    main()
