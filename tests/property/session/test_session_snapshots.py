"""Snapshots at any point, texts compressed at any point: a session stands as if there were neither."""

from __future__ import annotations

import base64
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
import zlib
from pathlib import Path
from unittest.mock import patch

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from session_fakes import FakeStore
from session_strategies import PADS, any_event, any_events

from nearkey.errors import JournalError
from nearkey.session import Journal, Session, State, content, messages
from nearkey.session.journal import _ENCODER, JournalReader, Snapshot

some = settings(max_examples=60, deadline=None)
LIMITS = st.integers(0, 6)


def shorten(session: Session) -> None:
    """What a session does by itself once its journal is long."""
    assert session._journal is not None
    session._shorten(session._journal)


@pytest.mark.parametrize("pad", PADS)
@some
@given(data=st.data())
def test_a_snapshot_and_the_rest_give_what_all_messages_give(pad: str, data: st.DataObject) -> None:
    decoder, limit = PADS[pad], data.draw(LIMITS)
    with tempfile.TemporaryDirectory() as folder, patch.object(content, "NEAR", 2):
        paths = [Path(folder) / "long.jsonl", Path(folder) / "short.jsonl"]
        stores = [FakeStore(), FakeStore()]
        sessions = [
            Session(decoder, journal=path, personal=store, undo_limit=limit, clock=lambda: 1.0)
            for path, store in zip(paths, stores, strict=True)
        ]
        for event in data.draw(any_events(decoder)):
            for session in sessions:
                session.do(event)
            if data.draw(st.integers(0, 4)) == 0:
                shorten(sessions[1])
        assert sessions[0].state == sessions[1].state
        for session in sessions:
            session.close()
        restored = [
            Session.restore(path, decoder, personal=store, clock=lambda: 1.0)
            for path, store in zip(paths, stores, strict=True)
        ]
        for again in restored:
            assert again.state == sessions[0].state
            assert (again.text, again.cursor, again.candidates) == (
                sessions[0].text, sessions[0].cursor, sessions[0].candidates,
            )  # fmt: skip
        # What comes after is the same as well: undo, redo, and what those who learn are told.
        for event in data.draw(any_events(decoder, 15)):
            for again in restored:
                again.do(event)
            assert restored[0].state == restored[1].state
            assert stores[0].calls == stores[1].calls
        for again in restored:
            again.close()


@pytest.mark.parametrize("pad", PADS)
@some
@given(data=st.data())
def test_compressed_pieces_change_nothing(pad: str, data: st.DataObject) -> None:
    decoder = PADS[pad]
    near, far = Session(decoder), Session(decoder)
    more = st.one_of(any_event(decoder), st.builds(messages.Move, st.integers(0, 120)))
    for event in data.draw(st.lists(more, max_size=60)):
        near.do(event)
        with patch.object(content, "NEAR", data.draw(st.sampled_from([1, 2, 5]))):
            far.do(event)
        assert far.state == near.state
        assert (far.text, far.cursor, far.word) == (near.text, near.cursor, near.word)


def test_pieces_are_compressed_where_they_become_many() -> None:
    with patch.object(content, "NEAR", 4):
        session = Session(PADS["letters"], undo_limit=0)
        for n in range(200):
            session.insert(f"{n} ")
        for position in (0, 300, 17, 690, 350):
            session.move(position)
            pieces = [session.state.content.before, session.state.content.after]
            cells = 0
            for cell in pieces:
                while cell is not None:
                    cells += isinstance(cell, content.Chain)
                    cell = cell.behind  # type: ignore[assignment]
            assert cells < 40
            assert session.text == "".join(f"{n} " for n in range(200))


@some
@given(data=st.data())
def test_a_forged_snapshot_is_refused_or_taken_in_one_line(data: st.DataObject) -> None:
    decoder = PADS["letters"]
    rng = random.Random(data.draw(st.integers(0, 10**6)))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.jsonl"
        session = Session(decoder, journal=path, undo_limit=2)
        for event in data.draw(any_events(decoder, 25)):
            session.do(event)
        shorten(session)
        session.close()
        reader = JournalReader(path.read_bytes(), "run")
        lines, check = b"", 0
        for record in (reader.header, *reader):
            fields = msgspec.json.decode(_ENCODER.encode(record))
            if (
                fields.get("type") in ("pieces", "snapshot", "counted", "taught")
                and rng.random() < 0.6
            ):
                _spoil(fields, rng)
            plain = msgspec.json.encode(fields)
            check = zlib.crc32(plain, check)
            lines += b'%b,"crc":"%08x"}\n' % (plain[:-1], check)
        path.write_bytes(lines)
        try:
            again = Session.restore(path, decoder)
        except JournalError as fault:
            told = str(fault)
        else:
            told = ""
        assert "\n" not in told
        assert len(told) < 300
        if told:
            return
        for event in data.draw(any_events(decoder, 15)):
            again.do(event)
            assert 0 <= again.cursor <= len(again.text)
        while again.undo():
            pass
        again.close()


def _spoil(fields: dict[str, object], rng: random.Random) -> None:
    """Another value for one field; pieces get other pieces, packed as they should be."""
    name = rng.choice([key for key in fields if key != "type"])
    if name != "data":
        fields[name] = rng.choice([0, 1, -1, 3, 10**9, 2**70, "", "upper", None, {}, [], [1, None]])
        return
    inflated = zlib.decompress(base64.b64decode(str(fields[name]))[1:])
    pieces, planes = msgspec.msgpack.decode(inflated)
    if rng.random() < 0.3:
        planes = rng.choice(
            [planes[8:], planes * 2, b"\xff" * len(planes), rng.randbytes(len(planes))]
        )
    for _ in range(rng.randrange(1, 4)):
        place = pieces[rng.randrange(len(pieces))]
        place[rng.randrange(len(place))] = rng.choice(
            ["", "x", "ab", -1, 7, float("nan"), None, [], [[None, None, 0.0, "letter", "", "", ""]], "mark", True]
        )  # fmt: skip
    if rng.random() < 0.2:
        pieces = []
    data = b"z" + zlib.compress(msgspec.msgpack.encode((pieces, planes)))
    if rng.random() < 0.2:
        data = data[: rng.randrange(len(data))]
    fields[name] = base64.b64encode(data).decode()


def test_a_few_bytes_stand_for_no_more_than_the_largest_block() -> None:
    for size in (1 << 23, 1 << 30):
        deflater = zlib.compressobj()
        bomb = b"z" + b"".join(
            [*(deflater.compress(bytes(1 << 20)) for _ in range(size >> 20)), deflater.flush()]
        )
        with pytest.raises(ValueError, match="cut short"):
            content.decompress(bomb)


def test_a_long_journal_is_shortened_and_a_short_one_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    with patch("nearkey.session.journal.TAIL_BYTES", 20_000):
        session = Session(PADS["letters"], journal=path, undo_limit=20)
        largest = 0
        for n in range(2000):
            session.insert(f"{n} ")
            largest = max(largest, path.stat().st_size)
        session.close()
    assert largest < 80_000
    journal = Journal.read(path)
    assert journal.header is not None
    assert journal.header.version == 2
    assert sum(isinstance(record, Snapshot) for record in journal.records) == 1
    assert path.stat().st_mode & 0o777 == 0o600
    assert [p.name for p in tmp_path.iterdir()] == ["run.jsonl"]
    with Session.restore(path, PADS["letters"]) as again:
        assert again.state == session.state
        assert again.undo()


def test_a_journal_of_a_session_without_a_bound_keeps_every_line(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    with patch("nearkey.session.journal.TAIL_BYTES", 1000):
        session = Session(PADS["letters"], journal=path, undo_limit=None)
        for n in range(200):
            session.insert(f"{n} ")
        session.close()
    assert len(Journal.read(path).records) == 200


def test_where_the_disk_is_full_the_long_journal_stays_and_typing_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    session = Session(PADS["letters"], journal=path, undo_limit=3)
    for n in range(50):
        session.insert(f"{n} ")
    before = path.read_bytes()
    with (
        patch.object(os, "fsync", side_effect=OSError(28, "No space left on device")),
        pytest.warns(RuntimeWarning, match="the journal stays long: .*No space left"),
    ):
        shorten(session)
    assert path.read_bytes() == before
    session.insert("after")
    shorten(session)
    session.insert("wards")
    state: State = session.state
    session.close()
    assert [p.name for p in tmp_path.iterdir()] == ["run.jsonl"]
    with Session.restore(path, PADS["letters"]) as again:
        assert again.state == state


TYPES_UNTIL_KILLED = """
import sys
from itertools import count
from unittest.mock import patch
sys.path.insert(0, {here!r})
from session_fakes import FakeDecoder
from nearkey.session import Session
with patch("nearkey.session.journal.TAIL_BYTES", 3000):
    session = Session(FakeDecoder(), journal={path!r}, undo_limit=5)
    for n in count():
        session.insert(f"{{n}} ")
        print(n, flush=True)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
@pytest.mark.parametrize("wait_s", [0.003, 0.041, 0.11, 0.23])
def test_killed_while_it_shortens_a_session_loses_no_word(tmp_path: Path, wait_s: float) -> None:
    path = tmp_path / "run.jsonl"
    here = Path(__file__).parents[2] / "unit" / "session"
    code = TYPES_UNTIL_KILLED.format(here=str(here), path=str(path))
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        while int(child.stdout.readline()) < 40:
            pass
        time.sleep(wait_s)
        child.send_signal(signal.SIGKILL)
        said = child.stdout.read().split(b"\n")
    with Session.restore(path, PADS["letters"]) as again:
        words = again.text.split()
        assert words == [str(n) for n in range(len(words))]
        assert len(words) > max((int(n) for n in said[:-1] if n), default=0)
    assert [p.name for p in tmp_path.iterdir()] == ["run.jsonl"]
