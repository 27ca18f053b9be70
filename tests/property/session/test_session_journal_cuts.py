"""Random sessions, journals cut or spoilt at random bytes."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from session_fakes import FakeStore
from session_strategies import PADS, any_events

from nearkey.errors import JournalError
from nearkey.session import Journal, Session

some = settings(max_examples=100, deadline=None)


@pytest.mark.parametrize("pad", PADS)
@some
@given(data=st.data())
def test_cut_anywhere_a_session_stands_as_after_its_last_whole_line(
    pad: str, data: st.DataObject
) -> None:
    decoder = PADS[pad]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.jsonl"
        session = Session(decoder, journal=path, personal=FakeStore())
        stood = {path.stat().st_size: session.state}
        for event in data.draw(any_events(decoder)):
            session.do(event)
            stood[path.stat().st_size] = session.state
        session.close()
        whole = path.read_bytes()
        at = data.draw(st.integers(0, len(whole)))
        path.write_bytes(whole[:at])
        lines = [end for end in stood if end <= at + 1]
        with Session.restore(path, decoder, personal=FakeStore()) as again:
            # A cut between a word's line and the line of what it taught falls between two states.
            kept = [end for end in sorted(stood) if end <= at + 1]
            following = [end for end in sorted(stood) if end > at + 1]
            allowed = [stood[kept[-1]]] if lines else [Session(decoder).state]
            allowed += [stood[following[0]]] if following else []
            assert again.state in allowed
            before = (again.state, again.text, again.cursor, again.candidates)
            again.insert("λ")
            again.undo()
        with Session.restore(path, decoder, personal=FakeStore()) as third:
            assert third.truncated is None
            assert third.state.content == before[0].content
            assert (third.text, third.cursor, third.candidates) == before[1:]


@some
@given(data=st.data())
def test_a_byte_spoilt_before_the_last_line_is_never_passed_over(data: st.DataObject) -> None:
    decoder = PADS["letters"]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.jsonl"
        with Session(decoder, journal=path, clock=lambda: 0.0) as session:
            session.insert("gate")
            for event in data.draw(any_events(decoder, 10)):
                session.do(event)
            session.insert("open")
        whole = path.read_bytes()
        last = whole[:-1].rindex(b"\n")
        at = data.draw(st.integers(0, last))
        spoilt = bytearray(whole)
        spoilt[at] ^= data.draw(st.integers(1, 255))
        path.write_bytes(bytes(spoilt))
        with pytest.raises(JournalError, match=r"run\.jsonl"):
            Journal.read(path)
