"""Watching a session: what observers are told, and a study log made of it."""

from __future__ import annotations

import pytest
from session_fakes import FakeDecoder, Typist, typist

from nearkey.session import Notice, Session, SessionLog
from nearkey.study import StudyLogRecorder, measures


def watched() -> tuple[Typist, list[Notice]]:
    t = typist(clock=iter(float(i) for i in range(1000)).__next__)
    seen: list[Notice] = []
    t.session.observe(seen.append)
    return t, seen


def test_a_notice_says_what_was_done_and_how_it_stands() -> None:
    t, seen = watched()
    t.type("gate")
    last = seen[-1]
    assert (last.kind, last.text, last.cursor, last.changed) == ("tap", "Gate", 4, True)
    assert (last.x, last.y) == t.decoder.center("e")
    assert last.key == "e"
    assert last.candidates == t.session.candidates
    assert last.time_s == 4.0
    t.session.accept(0)
    assert (seen[-1].kind, seen[-1].rank, seen[-1].word) == ("accept", 0, "Gate")
    assert seen[-1].committed is None
    t.type("o")
    committed = seen[-1].committed
    assert committed is not None
    assert (committed.text, committed.rank, committed.explicit) == ("Gate", 0, True)
    t.type("pen")
    t.session.commit()
    committed = seen[-1].committed
    assert committed is not None
    assert (committed.text, committed.rank, committed.explicit) == ("open", 0, False)


@pytest.mark.parametrize(
    ("key", "kind"),
    [
        ("space", "commit"),
        ("del", "delete"),
        ("shift", "shift"),
        ("cand1", "accept"),
        ("accept", "accept"),
        ("dot", "mark"),
        ("sym", "tap"),
        ("ask", "tap"),
    ],
)
def test_function_keys_are_told_as_what_they_do(key: str, kind: str) -> None:
    t, seen = watched()
    t.type("gate")
    t.key(key)
    assert (seen[-1].kind, seen[-1].key) == (kind, key)


def test_keys_that_change_nothing_are_told_too() -> None:
    t, seen = watched()
    t.key("del")
    assert (seen[-1].kind, seen[-1].changed) == ("delete", False)
    t.session.insert("x")
    t.session.move(0)
    t.session.delete()
    t.session.insert("ab")
    t.session.move(1)
    t.key("cand1")
    assert (seen[-1].kind, seen[-1].changed, seen[-1].rank) == ("accept", False, None)


def test_an_observer_can_stop() -> None:
    t = typist()
    seen: list[Notice] = []
    stop = t.session.observe(seen.append)
    t.type("g")
    stop()
    t.type("a")
    assert len(seen) == 1


def study_log(session: Session, log: StudyLogRecorder) -> None:
    """What a study needs, from notices alone."""

    def tell(notice: Notice) -> None:
        done = notice.committed
        word = {"rank": None if done.explicit else done.rank, "word": done.text} if done else {}
        t, text = notice.time_s, notice.text
        if notice.kind == "tap":
            if done is not None:
                log.event("commit", t, text=text, presses=0, **word)
            log.event("tap", t, text=text, x=notice.x, y=notice.y, key=notice.key)
        elif notice.kind == "accept":
            log.event("accept", t, text=text, rank=notice.rank, word=notice.word)
        elif notice.kind == "commit":
            log.event("commit", t, text=text, **word)
        elif notice.kind in ("delete", "undo", "redo"):
            log.event(notice.kind, t, text=text)
        log.event("candidates", t, words=[c.text for c in notice.candidates])

    session.observe(tell)


def test_a_scripted_typist_is_measured_as_the_script_says() -> None:
    # Formulas: KSPC = keystrokes / characters transcribed; WPM = (|T| - 1) / S * 60 / 5
    # (MacKenzie 2002; Soukoreff & MacKenzie 2003), worked out by hand for this script.
    decoder = FakeDecoder()
    ticks = iter(float(i) for i in range(1000))
    session = Session(decoder, clock=ticks.__next__)
    log = StudyLogRecorder(participant="s1", condition="test", origin="simulated")
    study_log(session, log)
    t = Typist(session, decoder)
    log.prompt("Gate open", 0.0)
    t.type("gate")  # 4 keystrokes, at 1 to 4 s
    session.commit()  # 1
    t.type("ox")  # 2
    session.delete()  # 1
    t.type("pen")  # 3
    session.accept([c.text for c in session.candidates].index("open"))  # 1, at 12 s
    log.end(13.0)
    found = measures(log.log()).phrases[0]
    assert session.text == "Gate open"
    assert found.kspc == pytest.approx(12 / 9)
    assert found.wpm == pytest.approx((9 - 1) / (12 - 1) * 60 / 5)
    assert found.msd_error_percent == 0
    assert found.counts.fixes == 1
    assert sum(found.counts.ranks.values()) == 2


def test_mode_keys_moves_and_presses_without_effect_are_logged_as_what_they_are() -> None:
    t = typist(clock=iter(float(i) for i in range(1000)).__next__)
    recorder = StudyLogRecorder(participant="p1", condition="pad", origin="invented")
    recorder.prompt("see", 0.0)
    t.session.observe(SessionLog(recorder, candidates=False))
    t.session.shift("upper")
    t.type("see")
    t.session.accept(99)  # the list has no such place
    t.session.commit()
    t.session.move(1)
    t.session.reopen()
    recorder.end(99.0)
    kinds = [
        (type(e).__name__, getattr(e, "position", None), e.extra) for e in recorder.log().events
    ]
    assert kinds == [
        ("PromptRecord", None, None),
        ("CursorRecord", None, {"key": "shift"}),
        *[("TapRecord", None, None)] * 3,
        ("CursorRecord", None, {"key": "accept"}),
        ("CommitRecord", None, None),
        ("CursorRecord", 1, None),
        ("CursorRecord", 1, None),
        ("EndRecord", None, None),
    ]
    counts = measures(recorder.log()).phrases[0].counts
    assert (counts.mode_keys, counts.fixes, dict(counts.ranks)) == (2, 2, {0: 1})
