"""What a session adds to a touch, beyond what the decoder takes: run as a script.

A touch is timed from `tap` to a ready list of candidates and the text. The decoder's own time
(`candidates`, `key_at`) is taken off. No test: a busy machine would fail it.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from session_fakes import qwerty_pad

from nearkey.decode import Decoder, EditCosts
from nearkey.language import load_pack
from nearkey.layout import Layout
from nearkey.session import Session
from nearkey.touch import GaussianTouch

# Invented.
WORDS = [
    "i",
    "think",
    "we",
    "will",
    "meet",
    "you",
    "at",
    "the",
    "gate",
    "later",
    "and",
    "fix",
    "the",
    "north",
    "stake",
    "before",
    "the",
    "bridge",
]
ROUNDS = 40
SEED = 3


class Clocked:
    """A decoder that knows how long it was asked."""

    def __init__(self, decoder: Decoder) -> None:
        self._decoder = decoder
        self.spent_s = 0.0
        self.layout = decoder.layout

    def _clocked(self, ask: Callable[..., Any], *args: Any, **options: Any) -> Any:
        start = time.perf_counter()
        answer = ask(*args, **options)
        self.spent_s += time.perf_counter() - start
        return answer

    def candidates(self, points: Any, **options: Any) -> Any:
        return self._clocked(self._decoder.candidates, points, **options)

    def key_at(self, point: Any) -> Any:
        return self._clocked(self._decoder.key_at, point)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._decoder, name)


def overheads_us(layout: Layout, pack: Any, journal: Path | None) -> list[float]:
    """Microseconds a touch, sorted."""
    touch = GaussianTouch.from_layout(layout, spread=0.25)
    edits = EditCosts(omitted=-6.0, extra=-9.0, swapped=-6.0, completion=-4.0)
    decoder = Clocked(Decoder(layout, touch, pack, edits=edits))
    rng = np.random.default_rng(SEED)
    spent = []
    with Session(decoder, journal=journal) as session:
        for word in WORDS * ROUNDS:
            for letter in word:
                key = layout.keys[layout.key_of_letter[letter]]
                x, y = rng.normal((key.cx, key.cy), 0.2).tolist()
                decoder.spent_s = 0.0
                start = time.perf_counter()
                session.tap(x, y)
                session.candidates, session.text  # noqa: B018
                spent.append((time.perf_counter() - start - decoder.spent_s) * 1e6)
            session.commit()
    return sorted(spent)


def main() -> None:
    pack = load_pack("en")
    print("layout             journal  median us  p99 us  touches")
    for name, layout in (("26 keys", Layout.named("qwerty")), ("26 + functions", qwerty_pad())):
        for journal in (False, True):
            with tempfile.TemporaryDirectory() as folder:
                found = overheads_us(layout, pack, Path(folder) / "run.jsonl" if journal else None)
            n = len(found)
            row = f"{found[n // 2]:9.1f} {found[n * 99 // 100]:7.1f} {n:8}"
            print(f"{name:18} {'yes' if journal else 'no':7} {row}")


if __name__ == "__main__":
    main()
