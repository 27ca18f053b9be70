"""Cleaning touch logs: what is dropped, what is only flagged, and whose it was."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from nearkey.errors import TouchDataError
from nearkey.frames import Tabular
from nearkey.text_table import text_table
from nearkey.touch.key_geometry import AnyLayout, Flags, Floats, Indices, geometry_of
from nearkey.touch.labelling import MOST_FAR_TO_CLEAN, consecutive, far_off, label
from nearkey.touch.touch_log import TouchLog

# 1 / quantile(3/4) of the standard normal: makes the median absolute deviation estimate an SD.
_MAD_TO_SD = 1.482602218505602

# How the limit grows for few touches: fits the simulated 99.73 % quantile of |touch - median| over the scaled MAD
# within 2 % from 20 touches up.
_FEW = 7.0

# The figures of a person in the report, besides her touches.
_COUNTED = ("far", "duplicate", "kept", "unlabelled", "backward_times", "absurd_times")

# Nobody types a touch every so many seconds: such times are in milliseconds.
_SLOWEST_TYPIST_S = 30.0

# A pause longer than this inside one session is taken for a wrong clock or a wrong unit.
_LONGEST_PAUSE_S = 86_400.0


@dataclass(frozen=True, slots=True)
class ParticipantCleaning:
    """One person's touches: `far` and `duplicate` were dropped, the rest kept."""

    participant: str
    n_touches: int
    far: int
    duplicate: int
    unlabelled: int
    backward_times: int
    absurd_times: int

    @property
    def kept(self) -> int:
        """How many touches were kept."""
        return self.n_touches - self.far - self.duplicate


@dataclass(frozen=True, slots=True)
class CleaningReport(Tabular):
    """What `clean` did, person by person. `str()` is a table.

    `dropped` holds (row of the log that was given, reason) for every dropped touch, the reason
    being "far" (beyond `max_sd` on an axis) or "duplicate"; `flagged` the rows whose time runs
    backwards within a session or is absurd (negative, or after a pause of more than a day). `notes` are sentences
    on the log as a whole: rows that reading left out, who has many touches far off, times that look like milliseconds.
    """

    max_sd: float
    participants: tuple[ParticipantCleaning, ...]
    dropped: tuple[tuple[int, str], ...]
    flagged: tuple[tuple[int, str], ...]
    notes: tuple[str, ...] = ()

    @property
    def n_touches(self) -> int:
        """Touches in the log that was given."""
        return sum(p.n_touches for p in self.participants)

    @property
    def n_dropped(self) -> int:
        """Touches dropped."""
        return len(self.dropped)

    @property
    def n_kept(self) -> int:
        """Touches kept."""
        return self.n_touches - self.n_dropped

    def to_dicts(self) -> list[dict[str, Any]]:
        """One row per person."""
        return [
            {"participant": p.participant, "touches": p.n_touches}
            | {name: getattr(p, name) for name in _COUNTED}
            for p in self.participants
        ]

    def __str__(self) -> str:
        rows = self.to_dicts()
        total = ["all", *(sum(row[name] for row in rows) for name in list(rows[0])[1:])]
        heads = [name.removesuffix("_times") for name in rows[0]]  # short: a row is one line
        return (
            f"Dropped {self.n_dropped} of {self.n_touches} touches "
            f"({100 * self.n_dropped / self.n_touches:.1f} %): beyond {self.max_sd:g} SD of their "
            "key on an axis, or exact duplicates. Kept: unlabelled touches, and times that go backward or are absurd.\n"
        ) + "\n".join(
            [text_table(heads, [*(list(row.values()) for row in rows), total]), *self.notes]
        )


def clean(
    log: TouchLog,
    layout: AnyLayout,
    *,
    max_sd: float = 3.0,
    min_touches: int = 20,
) -> tuple[TouchLog, CleaningReport]:
    """Drop outliers and doubled touches; never silently. Returns the kept log and the report.

    A labelled touch is dropped when it lies more than `max_sd` standard deviations, on either
    axis, from the centre of its person's touches on its key (common practice). Centre and spread
    are the median and the scaled median absolute deviation, so that outliers do not move
    them. With fewer than `min_touches` on the key they come from the person's offsets on all
    keys, and failing that from everyone's. Since a spread of few touches is itself uncertain, the limit is `max_sd`
    times 1 + 7 / n for the n touches it comes from, so that as few good touches go from small groups as from large
    ones (benchmarks/touch/cleaning_limits.py). Rows that repeat an earlier row in every column are
    dropped. Times that run backwards or are absurd are flagged and kept.

    Parameters
    ----------
    log : touches, labelled or not.
    layout : the layout they were made on.
    max_sd : robust standard deviations from its group's centre at which a touch is an outlier; above 0.
    min_touches : touches a group needs to have a centre and a spread of its own.

    The kept log is in layout units. Raises TouchDataError as `label` does, and when `max_sd` is
    not above 0.
    """
    if not max_sd > 0:
        raise TouchDataError(f"is {max_sd}", field="max_sd", fix="give a number above 0")
    geometry = geometry_of(layout)
    touches = label(log, geometry, most_far=MOST_FAR_TO_CLEAN)
    n = len(log)
    doubled = np.zeros(n, dtype=bool)
    doubled[log.duplicates()] = True
    far = np.zeros(n, dtype=bool)
    people, who = np.unique(log.participant, return_inverse=True)
    use = ~doubled[touches.rows]
    rows = touches.rows[use]
    far[rows] = _beyond(
        touches.offsets[use], who[rows], touches.key[use], max_sd=max_sd, min_touches=min_touches
    )
    lost = far_off(touches.log.points, geometry)
    far |= lost & ~doubled
    backward, absurd = _odd_times(log)
    unlabelled = np.ones(n, dtype=bool)
    unlabelled[touches.rows] = False

    def count(mask: Flags) -> list[int]:
        return [int(c) for c in np.bincount(who, weights=mask, minlength=len(people))]

    every = np.ones(n, dtype=bool)
    counts = map(count, (every, far, doubled, unlabelled, backward, absurd))
    columns = zip(people.tolist(), *counts, strict=True)
    by_name = {row[0]: ParticipantCleaning(*row) for row in columns}
    report = CleaningReport(
        max_sd=max_sd,
        participants=tuple(by_name[name] for name in log.participants),
        dropped=_reasons({"far": far, "duplicate": doubled}),
        flagged=_reasons({"backward time": backward, "absurd time": absurd}),
        notes=(*log_notes(log), *_far_notes(log, lost)),
    )
    return touches.log.select(~(far | doubled)), report


def log_notes(log: TouchLog) -> tuple[str, ...]:
    """Sentences on what reading a log left out, and on times in a unit that cannot be meant.

    Parameters
    ----------
    log : as it was read.
    """
    notes = []
    if log.n_missing:
        total = log.n_missing + len(log)
        notes.append(f"Left out: {log.n_missing} of {total} rows without x or y.")
    later, earlier = consecutive(log, np.isfinite(log.time_s))
    if len(later) >= 10:
        pause = float(np.median(log.time_s[later] - log.time_s[earlier]))
        if pause > _SLOWEST_TYPIST_S:
            notes.append(
                f"Times look like milliseconds: half the touches come {pause:.0f} s or more after the one before. "
                "Say so when reading: --time-unit ms, or read(…, time_unit='ms')."
            )
    return tuple(notes)


def _far_notes(log: TouchLog, far: Flags) -> list[str]:
    """Whose touches lie far off the surface, where that is more than a tenth of hers."""
    shares = [(name, float(far[log.participant == name].mean())) for name in log.participants]
    return [
        f"{share:.0%} of the touches of '{name}' lie far off the surface and were dropped: check the device."
        for name, share in shares
        if share > 0.1
    ]


def _reasons(masks: dict[str, Flags]) -> tuple[tuple[int, str], ...]:
    found = [(int(row), why) for why, mask in masks.items() for row in np.flatnonzero(mask)]
    return tuple(sorted(found))


def _beyond(
    offsets: Floats,
    who: Indices,
    key: Indices,
    *,
    max_sd: float,
    min_touches: int,
) -> Flags:
    """Which touches lie beyond `max_sd` robust standard deviations of their group on an axis."""
    everyone = _centre_and_sd(offsets, None)
    far = np.zeros(len(offsets), dtype=bool)
    for person in np.unique(who):
        mine = np.flatnonzero(who == person)
        own, behind = everyone, len(offsets)
        if len(mine) >= min_touches:
            own, behind = _centre_and_sd(offsets[mine], everyone), len(mine)
        for k in np.unique(key[mine]):
            group = mine[key[mine] == k]
            (centre, sd), n = own, behind
            if len(group) >= min_touches:
                (centre, sd), n = _centre_and_sd(offsets[group], own), len(group)
            limit = max_sd * (1 + _FEW / n)
            far[group] = (np.abs(offsets[group] - centre) > limit * sd).any(axis=1)
    return far


def _centre_and_sd(offsets: Floats, wider: tuple[Floats, Floats] | None) -> tuple[Floats, Floats]:
    """Median and scaled MAD per axis; where more than half are equal, the wider group's spread."""
    centre = np.median(offsets, axis=0)
    sd = _MAD_TO_SD * np.median(np.abs(offsets - centre), axis=0)
    fallback = offsets.std(axis=0) if wider is None else wider[1]
    return centre, np.where(sd > 0, sd, fallback)


def _odd_times(log: TouchLog) -> tuple[Flags, Flags]:
    """Rows whose time runs backwards, and rows whose time is negative or follows an absurd pause."""
    known = np.isfinite(log.time_s)
    backward, absurd = np.zeros(len(log), dtype=bool), known & (log.time_s < 0)
    later, earlier = consecutive(log, known)
    gap = log.time_s[later] - log.time_s[earlier]
    backward[later] = gap < 0
    absurd[later] |= gap > _LONGEST_PAUSE_S
    return backward, absurd
