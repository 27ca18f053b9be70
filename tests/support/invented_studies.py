"""Invented study logs: letter by letter, with choices, slips and touches, for reports and statistics."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from nearkey.study import StudyLog, StudyLogRecorder, williams_design

PHRASES = ("level at the gate", "the peg by the road", "move the old staff", "read the datum twice")


def invented_study(
    *,
    people: int = 6,
    conditions: Sequence[str] = ("grid", "rows"),
    blocks: int = 2,
    seed: int = 1,
    touches: bool = True,
) -> list[StudyLog]:
    """One log for each person and condition; orders of conditions by Williams' design, told by `started`."""
    rng = np.random.default_rng(seed)
    logs = []
    orders = williams_design(len(conditions))
    for person in range(people):
        order = orders[person % len(orders)]
        skill = float(rng.normal(0.0, 0.15))
        for place, index in enumerate(order):
            log = StudyLogRecorder(
                participant=f"p{person + 1}",
                condition=conditions[index],
                origin="invented",
                started=f"2026-03-01T{10 + place}:00:00Z",
            )
            own = skill + 0.12 * index + float(rng.normal(0.0, 0.05))
            t = 0.0
            for block in range(1, blocks + 1):
                for trial, phrase in enumerate(PHRASES, start=1):
                    t += 1.0
                    log.prompt(phrase, t, block=block, trial=trial)
                    text = ""
                    pace = 0.6 * np.exp(own - 0.15 * np.log(block) + rng.normal(0.0, 0.08))
                    for word in phrase.split():
                        for letter in word:
                            if rng.random() < 0.06:
                                t += float(pace)
                                log.event("tap", t, text=text + "x", key="x")
                                if rng.random() < 0.7:
                                    t += float(pace)
                                    log.event("delete", t, text=text)
                                else:
                                    text += "x"
                                    continue
                            t += float(pace * rng.lognormal(0.0, 0.1))
                            text += letter
                            x, y = rng.normal((2.0 + ord(letter) % 5, 1.0 + ord(letter) % 2), 0.3)
                            place_of = {"x": float(x), "y": float(y)} if touches else {}
                            log.event("tap", t, text=text, key=letter, **place_of)
                        t += float(pace)
                        text += " "
                        rank = int(rng.choice(4, p=(0.7, 0.2, 0.07, 0.03)))
                        log.event("accept", t, text=text, rank=rank)
                    log.end(t)
            logs.append(log.log())
    return logs
