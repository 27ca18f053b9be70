"""Cleaning drops what it says, reports whose it was, and flags odd times."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from nearkey.errors import TouchDataError
from nearkey.layout import Layout
from nearkey.touch import GaussianTouch, TouchLog, clean, concat

LAYOUT = Layout.named("qwerty")


def invented_touches(person: str, n: int, seed: int, offset: tuple[float, float]) -> TouchLog:
    rng = np.random.default_rng(seed)
    keys = np.arange(n) % len(LAYOUT.key_ids)
    points = GaussianTouch.from_layout(LAYOUT, spread=0.2).sample(keys, rng) + offset
    return TouchLog.from_points(
        points, [LAYOUT.key_ids[k] for k in keys], participant=person, time_s=np.arange(n) * 0.3
    )


def test_wild_touches_and_duplicates_go_and_are_counted_per_person() -> None:
    ann = invented_touches("ann", 600, 1, (0.0, 0.0))
    bo = invented_touches("bo", 600, 2, (0.4, 0.0))
    wild = ann.points
    wild[5] += [3.0, 0.0]
    log = concat([ann.with_points(wild), bo, bo.select([7])])
    kept, report = clean(log, LAYOUT)
    reasons = dict(report.dropped)
    assert reasons[5] == "far"
    assert reasons[1200] == "duplicate"
    assert len(kept) == report.n_kept == len(log) - report.n_dropped
    # Bo's touches lie 2 of Ann's standard deviations to the right; a common centre would drop many.
    by_name = {p.participant: p for p in report.participants}
    assert by_name["bo"].duplicate == 1
    assert by_name["bo"].far < 0.02 * 600
    assert by_name["ann"].kept == 600 - by_name["ann"].far
    text = str(report)
    assert f"Dropped {report.n_dropped} of 1201 touches" in text
    assert "ann" in text
    assert "bo" in text
    assert text.splitlines()[-1].startswith("all")


def test_a_person_with_few_touches_is_judged_by_everyone() -> None:
    many = invented_touches("ann", 500, 3, (0.0, 0.0))
    centre = LAYOUT.centers[0]
    few = TouchLog.from_points([centre, centre + 2.5], ["q", "q"], participant="bo")
    kept, report = clean(concat([many, few]), LAYOUT)
    assert dict(report.dropped)[501] == "far"
    assert 500 not in dict(report.dropped)
    assert len(kept.of_participant("bo")) == 1


def test_equal_coordinates_are_not_all_wild() -> None:
    points = np.repeat(LAYOUT.centers[:1], 30, axis=0)
    kept, report = clean(TouchLog.from_points(points, ["q"] * 30, participant="ann"), LAYOUT)
    assert report.n_dropped == 0
    assert len(kept) == 30


def test_times_out_of_order_are_flagged_not_dropped() -> None:
    log = invented_touches("ann", 60, 4, (0.0, 0.0))
    times = log.time_s.copy()
    times[10], times[11] = times[11], times[10]
    times[50:] += 1e9
    odd = TouchLog.from_columns(log.columns() | {"time_s": times})
    kept, report = clean(odd, LAYOUT)
    assert (11, "backward time") in report.flagged
    assert (50, "absurd time") in report.flagged
    assert report.participants[0].backward_times == 1
    assert report.participants[0].absurd_times == 1
    assert len(kept) == len(log) - report.n_dropped


def test_unlabelled_touches_are_kept_and_counted() -> None:
    log = concat(
        [
            invented_touches("ann", 100, 5, (0.0, 0.0)),
            TouchLog.from_points([(1.0, 1.0)], [""], participant="ann"),
        ]
    )
    kept, report = clean(log, LAYOUT)
    assert report.participants[0].unlabelled == 1
    assert "" in kept.target.tolist()


def test_what_was_counted_of_a_person_is_one_line() -> None:
    names = ("surveyor-01", "surveyor-02")
    _, report = clean(concat([invented_touches(n, 60, 4, (0.0, 0.0)) for n in names]), LAYOUT)
    large = [replace(one, n_touches=13_500, far=283) for one in report.participants]
    lines = str(replace(report, participants=tuple(large))).splitlines()
    assert [line.split()[0] for line in lines[1:]] == ["participant", *names, "all"]
    assert lines[1].split()[-2:] == ["backward", "absurd"]


def test_the_kept_log_is_in_layout_units() -> None:
    log = invented_touches("ann", 100, 6, (0.0, 0.0))
    in_mm = log.with_points(log.points * LAYOUT.unit_mm, unit="mm")
    kept, _ = clean(in_mm, LAYOUT)
    assert kept.unit == "layout"
    np.testing.assert_allclose(kept.points, clean(log, LAYOUT)[0].points)


def test_touches_in_another_unit_are_refused() -> None:
    log = invented_touches("ann", 100, 7, (0.0, 0.0))
    bo = invented_touches("bo", 100, 8, (0.0, 0.0))
    mixed = concat([log, bo.with_points(bo.points * 50)])
    with pytest.raises(TouchDataError, match=r"row \d+, x, y: .*'bo'.*check the unit of the log"):
        clean(mixed, LAYOUT)
    with pytest.raises(TouchDataError, match="max_sd"):
        clean(log, LAYOUT, max_sd=0)
