"""A headless Chromium with a phone's screen and a finger, and a lab to put in front of it."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def missing() -> str | None:
    """Why no browser can be driven here; None where one can. In CI (CI=true) its absence is a failure, not a reason."""
    for program in ("chromium", "chromedriver"):
        if shutil.which(program) is None:
            assert os.environ.get("CI") != "true", f"CI lacks {program}: .ci/run installs it"
            return f"{program} is not here: apt-get install chromium chromium-driver"
    return None


class Phone:
    """One page on a screen of its own, touched by a finger through the browser's own input events."""

    def __init__(
        self,
        folder: Path,
        *,
        width: int = 390,
        height: int = 844,
        dark: bool = False,
        touch: bool = True,
    ) -> None:
        from selenium import webdriver
        from selenium.webdriver.chrome.options import Options
        from selenium.webdriver.chrome.service import Service

        options = Options()
        options.binary_location = shutil.which("chromium") or ""
        for flag in (*FLAGS, f"--user-data-dir={folder}"):
            options.add_argument(flag)
        self.driver = webdriver.Chrome(options, Service(shutil.which("chromedriver")))
        self.command(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=3 if touch else 1,
            mobile=touch,
        )
        if touch:
            self.command("Emulation.setTouchEmulationEnabled", enabled=True, maxTouchPoints=5)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.command("Emulation.setEmulatedMedia", features=[scheme])

    def command(self, name: str, **fields: Any) -> Any:
        return self.driver.execute_cdp_cmd(name, fields)

    def run(self, script: str, *arguments: Any) -> Any:
        return self.driver.execute_script(script, *arguments)

    def open(self, url: str) -> None:
        self.driver.get(url)
        self.wait("return document.body.dataset.link === 'joined' && document.body.dataset.step")

    def wait(self, script: str, *arguments: Any, seconds: float = 15.0) -> Any:
        """What a script gives, as soon as that is true."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            found = self.run(script, *arguments)
            if found:
                return found
            time.sleep(0.004)
        raise AssertionError(f"never true: {script} {arguments}; step {self.step}, {self.problem}")

    @property
    def step(self) -> str:
        return str(self.run("return document.body.dataset.step"))

    @property
    def problem(self) -> str:
        return str(
            self.run(
                "const p = document.getElementById('problem'); return p.hidden ? '' : p.textContent"
            )
        )

    def at_step(self, step: str) -> None:
        self.wait("return document.body.dataset.step === arguments[0]", step)

    def click(self, selector: str) -> None:
        """A tap of the finger on the middle of an element."""
        self.wait("return document.querySelector(arguments[0])?.getClientRects().length", selector)
        # Two frames after scrolling, what is under the finger is where the page says it is.
        place = self.driver.execute_async_script(
            """const [selector, done] = arguments, e = document.querySelector(selector);
            e.scrollIntoView({block: "nearest"});
            requestAnimationFrame(() => requestAnimationFrame(() => {
                const b = e.getBoundingClientRect();
                done([b.x + b.width / 2, b.y + b.height / 2]);
            }));""",
            selector,
        )
        self.finger([place])

    def finger(self, places: list[tuple[float, float]], *, rests_s: float = 0.0) -> None:
        """A finger comes down at the first of these places on the screen, moves on to the others, rests, and
        goes up.
        """
        (x, y), *others = places
        self.command(
            "Input.dispatchTouchEvent",
            type="touchStart",
            touchPoints=[{"x": x, "y": y, "radiusX": 4, "radiusY": 5, "force": 0.4}],
        )
        for x, y in others:
            self.command(
                "Input.dispatchTouchEvent", type="touchMove", touchPoints=[{"x": x, "y": y}]
            )
        if rests_s:
            time.sleep(rests_s)
        self.command("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])

    def on_screen(self, x_mm: float, y_mm: float, pad: int = 0) -> tuple[float, float]:
        """Where a place on a pad that is not turned lies on the screen."""
        found = self.wait(
            """const s = document.querySelectorAll(".zone svg")[arguments[0]];
            if (!s) return null;
            const b = s.getBoundingClientRect(), v = s.viewBox.baseVal;
            return [b.x, b.y, b.width / v.width, b.height / v.height];""",
            pad,
        )
        left, top, across, down = found
        return left + x_mm * across, top + y_mm * down

    def touch(
        self,
        x_mm: float,
        y_mm: float,
        to: tuple[float, float] | None = None,
        pad: int = 0,
        rests_s: float = 0.0,
    ) -> None:
        """A touch, or a stroke, at a place of a pad in mm; returns when the lab answered and the page painted that."""
        before = self.painted
        places = [self.on_screen(x_mm, y_mm, pad)]
        if to is not None:
            places.append(self.on_screen(*to, pad))
        self.finger(places, rests_s=rests_s)
        self.wait("return (window.labDelays ?? []).length > arguments[0]", before)

    def press(self, selector: str) -> None:
        """A button that the lab answers for; returns when the answer is painted."""
        before = self.painted
        self.click(selector)
        self.wait("return (window.labDelays ?? []).length > arguments[0]", before)

    @property
    def painted(self) -> int:
        return int(self.run("return (window.labDelays ?? []).length"))

    def text(self, selector: str) -> str:
        return str(
            self.run("return document.querySelector(arguments[0])?.textContent ?? ''", selector)
        )

    def texts(self, selector: str) -> list[str]:
        """The texts of all elements that are shown."""
        script = """return [...document.querySelectorAll(arguments[0])]
            .filter((e) => e.getClientRects().length).map((e) => e.textContent);"""
        return list(self.run(script, selector))

    def close(self) -> None:
        self.driver.quit()


@contextmanager
def phone(**options: Any) -> Iterator[Phone]:
    """A phone with a profile of its own, switched off at the end."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        made = Phone(Path(folder), **options)
        try:
            yield made
        finally:
            made.close()


class RunningLab:
    """`nearkey lab` in a process of its own."""

    def __init__(self, *arguments: object, port: int = 0) -> None:
        command = [
            sys.executable,
            "-m",
            "nearkey.cli",
            "lab",
            *map(str, arguments),
            "--port",
            str(port),
        ]
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        assert self.process.stdout is not None
        self.said = ""
        found = None
        while found is None:
            line = self.process.stdout.readline()
            assert line, f"the lab did not start: {self.said}"
            self.said += line
            found = re.search(r"http://127\.0\.0\.1:(\d+)/", line)
        self.port = int(found.group(1))
        self.url = f"http://127.0.0.1:{self.port}/"

    def kill(self) -> None:
        """As a power cut would."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def stop(self) -> int:
        """As Ctrl-C would; the exit status."""
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(timeout=20)

    def __enter__(self) -> RunningLab:
        return self

    def __exit__(self, *fault: object) -> None:
        if self.process.poll() is None:
            self.stop()


def eventually(holds: Callable[[], Any], seconds: float = 15.0) -> Any:
    """What a call gives, as soon as that is true."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        found = holds()
        if found:
            return found
        time.sleep(0.01)
    raise AssertionError("it never came true")


def get(url: str, **headers: str) -> tuple[int, str]:
    """Status and text of a page."""
    try:
        with urllib.request.urlopen(urllib.request.Request(url, headers=headers)) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as fault:
        return fault.code, fault.read().decode()
