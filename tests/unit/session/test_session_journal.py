"""The journal: what it holds, restoring from it, and damage of every kind."""

from __future__ import annotations

import json
import os
import signal
import stat
import subprocess
import sys
import time
import zlib
from pathlib import Path

import pytest
from session_fakes import FakeDecoder, FakeStore, Typist, barrel_pad

from nearkey.decode import Candidate
from nearkey.errors import JournalError
from nearkey.session import Journal, Observation, Session, Spacing
from nearkey.session.messages import Commit

HERE = Path(__file__).parent


def started(path: Path, **options: object) -> Typist:
    decoder = FakeDecoder()
    return Typist(Session(decoder, journal=path, **options), decoder)  # type: ignore[arg-type]


def write_something(t: Typist) -> None:
    t.words("see you")
    t.key("dot", "shift")
    t.type("gate")
    t.session.accept(0)
    t.type("o")
    t.session.delete()
    t.session.undo()
    t.session.spell(True)
    t.session.mark("@")
    t.session.pick("p", at=0)
    t.session.spell(False)
    t.session.move(5)
    t.session.reopen()
    t.session.undo()
    t.session.caps_lock(True)
    t.type("lat")


def standing(session: Session) -> tuple[object, ...]:
    return (session.state, session.text, session.cursor, session.candidates, session.touches)


def test_a_restored_session_stands_as_it_stood_and_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    t = started(path, k=4, undo_limit=50, spacing=Spacing(closers=".,"))
    write_something(t)
    before = standing(t.session)
    settings = t.session.settings
    t.session.close()
    again = Session.restore(path, t.decoder)
    assert standing(again) == before
    assert again.settings == settings
    assert again.truncated is None
    assert again.journal_path == path
    n = 0
    while again.undo():
        n += 1
    assert n > 10
    while again.redo():
        pass
    assert standing(again)[1:] == before[1:]
    Typist(again, t.decoder).type("er")
    before = standing(again)
    again.close()
    third = Session.restore(path, t.decoder)
    assert standing(third) == before
    third.close()


def test_case_left_alone_is_kept_in_the_header_and_its_absence_means_the_decoders(
    tmp_path: Path,
) -> None:
    for name, alone in (("plain", False), ("alone", True)):
        t = started(tmp_path / name, auto_capitals=not alone)
        t.type("gate")
        t.session.commit()
        t.session.close()
        header = json.loads((tmp_path / name).read_text("utf-8").splitlines()[0])
        assert ("auto_capitals" in header) is alone
        again = Session.restore(tmp_path / name, t.decoder)
        assert again.settings.auto_capitals is not alone
        Typist(again, t.decoder).type("london")
        assert again.text == ("gate london" if alone else "Gate London")
        again.close()


def test_the_lines_are_json_with_a_header_and_a_caution(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    t = started(path)
    t.type("no")
    t.session.commit(time_s=9.5)
    header, *lines = map(json.loads, path.read_text("utf-8").splitlines())
    assert header["format"] == "nearkey-journal"
    assert header["version"] == 1
    assert header["layout"] == "test pad"
    assert "private" in header["caution"]
    assert [line["type"] for line in lines] == ["touch", "touch", "commit"]
    assert (lines[0]["x"], lines[0]["y"]) == t.decoder.center("n")
    assert lines[2]["t"] == 9.5
    assert lines[2]["close"]["text"] == "No"
    journal = Journal.read(path)
    assert isinstance(journal.records[-1], Commit)
    assert journal.records[-1].close.text == "No"


def test_the_check_sum_is_the_crc_of_all_lines_so_far(tmp_path: Path) -> None:
    # CRC-32 as in zlib (RFC 1952), over each line without its own check sum, one after another.
    path = tmp_path / "run.jsonl"
    started(path).type("no")
    check = 0
    for line in path.read_bytes().splitlines():
        body, _, rest = line.rpartition(b',"crc":"')
        check = zlib.crc32(body + b"}", check)
        assert int(rest[:8], 16) == check
        assert rest[8:] == b'"}'


def test_only_the_owner_may_read_it(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    started(path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_words_are_restored_as_they_were_committed_whatever_the_decoder_says_now(
    tmp_path: Path,
) -> None:
    class Other(FakeDecoder):
        def candidates(self, points: object, **_: object) -> list[Candidate]:  # type: ignore[override]
            return [Candidate("other", "other", 0.0, 0.0, 0.0, "word")]

        def key_at(self, point: object) -> object:  # type: ignore[override]
            raise AssertionError("a restored touch is not asked about again")

    path = tmp_path / "run.jsonl"
    t = started(path)
    t.words("see you")
    t.key("sym")
    t.session.commit()
    t.type("lat")
    t.session.close()
    again = Session.restore(path, Other())
    assert again.text == "See you? other"
    again.undo()
    again.undo()
    again.undo()
    assert again.text == "See you? "
    again.close()


def test_what_was_learnt_before_a_crash_can_be_taken_back_after_it(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    store = FakeStore()
    t = started(path, personal=store)
    t.words("gate open")
    t.session.close()
    again = Session.restore(path, t.decoder, personal=store)
    assert len(store.calls) == 2  # restoring teaches nothing anew
    again.delete()
    assert [word for word, _ in store.learnt.values()] == ["Gate"]
    again.undo()
    assert [word for word, _ in store.learnt.values()] == ["Gate", "open"]
    while again.undo():
        pass
    assert store.learnt == {}
    again.close()


def test_learners_are_distinguished_by_their_place(tmp_path: Path) -> None:
    class Named:
        def __init__(self, name: str) -> None:
            self.name = name
            self.back: list[object] = []

        def confirm(self, observation: Observation) -> str:
            return f"{self.name}{observation.serial}"

        def retract(self, update_id: object) -> None:
            self.back.append(update_id)

    path = tmp_path / "run.jsonl"
    t = started(path, learners=[Named("a"), Named("b")])
    t.words("gate")
    t.session.close()
    a, b = Named("a"), Named("b")
    again = Session.restore(path, t.decoder, learners=[a, b])
    again.undo()
    assert (a.back, b.back) == (["a0"], ["b0"])
    again.close()


# ---- damage ----


def test_a_truncated_last_record_is_left_out_and_reported(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    t = started(path)
    t.words("gate")
    state = t.session.state
    t.type("n")
    t.session.close()
    data = path.read_bytes()
    path.write_bytes(data[:-10])
    again = Session.restore(path, t.decoder)
    assert again.state == state
    assert again.truncated is not None
    assert again.truncated.line == len(data.splitlines())
    assert "cut short" in str(again.truncated)
    again.insert("λ")
    again.close()
    third = Session.restore(path, t.decoder)
    assert third.truncated is None
    assert third.text == "Gate λ"
    third.close()


def test_cut_at_every_byte_the_session_stands_as_after_its_last_whole_line(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    t = started(path)
    states = {path.stat().st_size: t.session.state}
    t.session.observe(lambda _: states.__setitem__(path.stat().st_size, t.session.state))
    write_something(t)
    t.session.close()
    data = path.read_bytes()
    ends = sorted(states)
    cut = tmp_path / "cut.jsonl"
    for n in range(len(data) + 1):
        cut.write_bytes(data[:n])
        again = Session.restore(cut, t.decoder)
        # A line whose newline alone is missing is whole.
        whole = [end for end in ends if end <= n + 1]
        expected = states[whole[-1]] if whole else Session(t.decoder).state
        assert again.state == expected, n
        assert (again.truncated is None) == (n in (0, *ends) or n + 1 in ends), n
        again.close()
        assert Journal.read(cut).truncated is None


def test_damage_before_the_last_line_is_named_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    t = started(path)
    t.words("gate open")
    t.session.close()
    data = path.read_bytes()
    lines = data.splitlines(keepends=True)
    at = sum(map(len, lines[:4]))
    for position in range(at, at + len(lines[4]) - 1):
        spoilt = bytearray(data)
        spoilt[position] ^= 0x01
        path.write_bytes(bytes(spoilt))
        # A newline made of another byte splits the line; the first half is then the damaged one.
        with pytest.raises(JournalError, match=r"run\.jsonl, line 5: is damaged"):
            Session.restore(path, t.decoder)
        assert path.read_bytes() == bytes(spoilt)


@pytest.mark.parametrize("change", ["lost", "doubled", "swapped", "emptied"])
def test_lines_lost_doubled_or_moved_are_found(tmp_path: Path, change: str) -> None:
    path = tmp_path / "run.jsonl"
    t = started(path)
    t.words("gate open")
    t.session.close()
    lines = path.read_bytes().splitlines(keepends=True)
    changed = {
        "lost": lines[:3] + lines[4:],
        "doubled": lines[:4] + lines[3:],
        "swapped": [*lines[:3], lines[4], lines[3], *lines[5:]],
        "emptied": [*lines[:3], b"\n", *lines[3:]],
    }[change]
    path.write_bytes(b"".join(changed))
    with pytest.raises(JournalError, match=r"run\.jsonl, line [45]: is damaged"):
        Journal.read(path)


def checked(*bodies: bytes) -> bytes:
    """Lines with check sums that fit, whatever they say."""
    out, check = b"", 0
    for body in bodies:
        check = zlib.crc32(body, check)
        out += body[:-1] + b',"crc":"%08x"}\n' % check
    return out


def test_what_no_version_of_this_program_writes_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    started(path).session.close()
    head = json.loads(path.read_bytes())
    del head["crc"]
    good = json.dumps(head, separators=(",", ":")).encode()
    newer = json.dumps({**head, "version": 3}, separators=(",", ":")).encode()
    cases = {
        checked(newer): "line 1: version: is 3",
        checked(b'{"format":"nearkey-journal"}'): "line 1: started: is missing",
        checked(good, b'{"type":"dance","t":0.0}'): "line 2: type: invalid value",
        checked(good, b'{"type":"touch","t":0.0,"x":1.0}'): "line 2: y: is missing",
        checked(good, b'{"type":"undo","t":0.0,"more":1}'): "line 2: more: unknown field",
        checked(good, b'{"type":"snapshot","t":0.0,"before":1,"observations":0}'): "names more",
        checked(
            good, b'{"type":"snapshot","t":0.0,"before":0,"observations":0,"offset":1}'
        ): "offset",
        checked(
            good, b'{"type":"snapshot","t":0.0,"before":0,"observations":0,"composition":{}}'
        ): "composition",
        # Messages that leave a decoder something to say are no lines.
        checked(good, b'{"type":"choose","t":0.0}'): "line 2: leaves open",
        checked(good, b'{"type":"commit","t":0.0}'): "line 2: leaves open",
        checked(good, b'{"type":"pick","t":0.0,"at":0,"letter":1}'): "line 2: leaves open",
        checked(good, b'{"type":"spell","t":0.0}'): "line 2: leaves open",
        checked(good, b'{"type":"shift","t":0.0}'): "line 2: leaves open",
        checked(good, b'{"type":"move","t":0.0,"position":-1}'): "line 2: leaves open",
        b"some notes of mine": "is not a session's journal",
        b'{"format":"other"}\n': "is not a session's journal",
    }
    for data, message in cases.items():
        path.write_bytes(data)
        with pytest.raises(JournalError, match=message):
            Session.restore(path, FakeDecoder())
        assert path.read_bytes() == data


def test_a_journal_of_another_layout_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    t = started(path)
    t.words("gate")
    t.session.close()
    data = path.read_bytes()[:-5]
    path.write_bytes(data)
    with pytest.raises(JournalError, match="line 1: layout: is 'test pad'"):
        Session.restore(path, FakeDecoder(barrel_pad()))
    assert path.read_bytes() == data


# ---- the file ----


def test_a_file_that_is_there_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    path.write_text("mine")
    with pytest.raises(JournalError, match="exists already"):
        started(path)
    assert path.read_text() == "mine"


def test_places_where_no_journal_can_be(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="no such folder"):
        started(tmp_path / "none" / "run.jsonl")
    with pytest.raises(JournalError, match="no such file"):
        Session.restore(tmp_path / "run.jsonl", FakeDecoder())
    with pytest.raises(JournalError, match="is a folder"):
        Session.restore(tmp_path, FakeDecoder())
    with pytest.raises(JournalError, match="no such file"):
        Journal.read(tmp_path / "run.jsonl")
    with pytest.raises(JournalError, match="is a folder"):
        Journal.read(tmp_path)


@pytest.mark.skipif(sys.platform == "win32", reason="no advisory locks there")
def test_two_sessions_do_not_write_one_journal(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    t = started(path)
    with pytest.raises(JournalError, match="in use by another session"):
        Session.restore(path, t.decoder)
    t.session.close()
    t.session.close()
    with Session.restore(path, t.decoder) as again:
        again.insert("x")
    with pytest.raises(JournalError, match="is closed"):
        again.insert("y")
    assert again.text == "x"


def test_an_event_that_cannot_be_written_is_not_carried_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "run.jsonl"
    store = FakeStore()
    t = started(path, personal=store)
    t.words("gate")
    state, size = t.session.state, path.stat().st_size
    real = os.write

    def full(file: int, data: bytes) -> int:
        if len(data) > 20:
            return real(file, data[:20])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    for verb in (lambda: t.type("n"), lambda: t.session.add_word("tarn")):
        with pytest.raises(JournalError, match="No space left on device"):
            verb()
        assert t.session.state is state
        assert path.stat().st_size == size
    assert store.words == set()
    monkeypatch.undo()
    t.type("no")
    t.session.close()
    with Session.restore(path, t.decoder) as again:
        assert again.text == "Gate no"


def test_a_journal_that_cannot_be_begun_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(file: int, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(JournalError, match="No space left on device"):
        started(tmp_path / "run.jsonl")
    assert list(tmp_path.iterdir()) == []


def test_every_line_reaches_the_disk_where_that_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    monkeypatch.setattr(os, "fsync", synced.append)
    t = started(tmp_path / "a.jsonl", fsync=True)
    n = len(synced)
    t.type("no")
    assert len(synced) == n + 2
    started(tmp_path / "b.jsonl").type("no")
    assert len(synced) == n + 2


TYPES_UNTIL_KILLED = """
import sys
sys.path.insert(0, {here!r})
from session_fakes import WORDS, FakeDecoder, Typist
from nearkey.session import Session
decoder = FakeDecoder()
session = Session(decoder, journal={path!r}, clock=iter(range(10**9)).__next__)
t = Typist(session, decoder)
print("ready", flush=True)
while True:
    for word in WORDS:
        if word.isascii() and word.isalpha():
            t.words(word.lower())
            session.undo()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
@pytest.mark.parametrize("wait_s", [0.0, 0.013, 0.11])
def test_a_session_killed_in_the_middle_is_restored(tmp_path: Path, wait_s: float) -> None:
    path = tmp_path / "run.jsonl"
    code = TYPES_UNTIL_KILLED.format(here=str(HERE), path=str(path))
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == b"ready\n"
        while path.stat().st_size < 4000:
            time.sleep(0.002)
        time.sleep(wait_s)
        child.send_signal(signal.SIGKILL)
    journal = Journal.read(path)
    assert len(journal.records) > 20
    decoder = FakeDecoder()
    with Session.restore(path, decoder) as again:
        kinds = [type(record).__name__ for record in journal.records]
        assert len(again.text.split()) > kinds.count("Commit") - kinds.count("Undo") - 2
        before = standing(again)
    with Session.restore(path, decoder) as third:
        assert standing(third) == before


def test_times_go_on_where_they_stopped(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    t = started(path, clock=iter([100.0, 101.0, 107.5]).__next__)
    t.type("no")
    t.session.close()
    with Session.restore(path, t.decoder, clock=iter([3.0, 5.0]).__next__) as again:
        again.commit()
    times = [record.time_s for record in Journal.read(path).records]
    assert times == [1.0, 7.5, 7.5, 9.5]


def test_a_journal_shortened_without_a_learner_keeps_what_it_can_take_back(tmp_path: Path) -> None:
    path, store = tmp_path / "pad.jsonl", FakeStore()
    t = started(path, personal=store)
    t.words("see you")
    t.session.close()
    alone = Session.restore(path, t.decoder)
    assert alone._journal is not None
    alone._shorten(alone._journal)
    alone.close()
    with Session.restore(path, t.decoder, personal=store) as again:
        again.undo()
        again.undo()
    assert ("retract", 2) in store.calls
