"""The append-only log: one writer, whole after a kill at any byte, private where that is asked for."""

from __future__ import annotations

import json
import os
import signal
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from nearkey.append_log import AppendLog, log_lines, read_log
from nearkey.errors import NearkeyError
from nearkey.files import atomic_path, atomic_write

posix = pytest.mark.skipif(os.name != "posix", reason="file modes, locks and SIGKILL are POSIX")


class LogError(NearkeyError):
    """The error class of the tests' log."""


def opened(path: Path, **options: object) -> AppendLog:
    return AppendLog(path, error=LogError, **options)  # type: ignore[arg-type]


def test_records_are_lines_and_stand_in_the_file_at_once(tmp_path: Path) -> None:
    path = tmp_path / "pad.jsonl"
    with opened(path, new=True) as log:
        log.append(b'{"n":1}')
        assert read_log(path, LogError) == log.read() == b'{"n":1}\n'
        log.append(b'{"n":2}')
    lines = list(log_lines(read_log(path, LogError)))
    assert [(line.number, line.offset, line.end, line.ended) for line in lines] == [
        (1, 0, 8, True),
        (2, 8, 16, True),
    ]
    assert [json.loads(line.data) for line in lines] == [{"n": 1}, {"n": 2}]


def test_blank_lines_are_lines_and_an_empty_file_has_none() -> None:
    assert list(log_lines(b"")) == []
    assert [line.data for line in log_lines(b"a\n\nb\n")] == [b"a", b"", b"b"]


def test_cut_at_every_byte_the_last_record_is_whole_or_truncated(tmp_path: Path) -> None:
    path = tmp_path / "pad.jsonl"
    records = [b'{"text":"p\xc3\xa9g","n":[1,2]}', b'{"a":{"b":"}"}}', b'{"x":3.25}']
    whole = b"".join(record + b"\n" for record in records)
    for n in range(len(whole) + 1):
        path.write_bytes(whole[:n])
        lines = list(log_lines(read_log(path, LogError)))
        good = [line for line in lines if line.whole]
        # Written out, a record counts even where its newline is missing.
        assert [line.data for line in good] == [r for r in records if r in whole[:n]]
        for line in lines[len(good) :]:
            assert line.truncated.n_bytes == n - line.offset
            assert "cut short" in str(line.truncated)
        with opened(path, new=False) as log:
            end, ended = (good[-1].end, good[-1].ended) if good else (0, True)
            log.resume(end, ended=ended)
            log.append(b'{"on":1}')
        again = path.read_bytes()
        assert again == b"".join(line.data + b"\n" for line in good) + b'{"on":1}\n'


def test_what_was_never_json_is_truncated_only_at_the_end() -> None:
    first, last = log_lines(b'nonsense\n{"a":"\xc3')
    assert (first.whole, last.whole) == (True, False)


def test_a_new_log_never_writes_over_a_file(tmp_path: Path) -> None:
    path = tmp_path / "pad.jsonl"
    path.write_text("mine")
    with pytest.raises(LogError, match=r"pad\.jsonl: exists already; choose another name"):
        opened(path, new=True)
    assert path.read_text() == "mine"


def test_places_where_no_log_can_be(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("x")
    for path, new, message in (
        (tmp_path / "none" / "pad.jsonl", True, "no such folder"),
        (tmp_path / "pad.jsonl", False, "no such file"),
        (tmp_path, False, "is a folder"),
        (tmp_path, None, "is a folder"),
        (file / "pad.jsonl", None, "cannot be opened"),
        (file / "pad.jsonl", True, "cannot be opened"),
    ):
        with pytest.raises(LogError, match=message) as caught:
            opened(path, new=new)
        assert caught.value.fix
        assert "\n" not in str(caught.value)
    with pytest.raises(LogError, match="no such file"):
        read_log(tmp_path / "pad.jsonl", LogError)
    with pytest.raises(LogError, match="is a folder"):
        read_log(tmp_path, LogError)
    with pytest.raises(LogError, match="too large"):
        read_log(file, LogError, largest_bytes=0)
    deep = tmp_path / "a" / "b" / "pad.jsonl"
    opened(deep).close()
    assert deep.exists()


@posix
def test_one_writer_at_a_time(tmp_path: Path) -> None:
    path = tmp_path / "pad.jsonl"
    log = opened(path)
    with pytest.raises(LogError, match="in use by another session or program"):
        opened(path)
    log.replace([b'{"n":0}\n'])  # the lock goes over to the new file
    with pytest.raises(LogError, match="in use by another session or program"):
        opened(path)
    log.close()
    log.close()
    with pytest.raises(LogError, match="is closed"):
        log.append(b"{}")
    with pytest.raises(LogError, match="is closed"):
        log.replace([b""])
    opened(path).close()


@posix
def test_a_private_log_is_its_owners_from_the_first_byte(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    modes: list[int] = []
    real = os.write

    def watched(file: int, data: bytes) -> int:
        modes.append(stat.S_IMODE(os.fstat(file).st_mode))
        return real(file, data)

    monkeypatch.setattr(os, "write", watched)
    old = os.umask(0)
    try:
        with opened(tmp_path / "own.jsonl") as log:
            log.append(b"{}")
            log.replace([b"{}\n"])
            log.append(b"{}")
        assert modes == [0o600] * 3
        assert stat.S_IMODE(log.path.stat().st_mode) == 0o600
        with opened(tmp_path / "all.jsonl", private=False) as log:
            log.append(b"{}")
            log.replace([b"{}\n"])
        assert modes[3] == 0o666
        assert stat.S_IMODE(log.path.stat().st_mode) == 0o666
    finally:
        os.umask(old)


def test_a_disk_that_refuses_leaves_the_log_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "pad.jsonl"
    log = opened(path)
    log.append(b'{"n":1}')
    before = path.read_bytes()
    real = os.write

    def short(file: int, data: bytes) -> int:
        return real(file, data[: len(data) // 2])

    def full(file: int, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    for write, message in ((short, "no room left"), (full, "No space left")):
        with monkeypatch.context() as patch:
            patch.setattr(os, "write", write)
            with pytest.raises(LogError, match=f"cannot be written .*{message}"):
                log.append(b'{"long":"enough to be cut"}')
            with pytest.raises(LogError, match="cannot be written"):
                log.replace([b'{"n":2}\n'])
        assert path.read_bytes() == before
        assert [p.name for p in tmp_path.iterdir()] == ["pad.jsonl"]
    log.append(b'{"n":3}')
    assert path.read_bytes() == before + b'{"n":3}\n'


@posix
def test_a_replacement_that_is_locked_is_closed_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import fcntl

    log = opened(tmp_path / "pad.jsonl")
    real, closed = os.close, []

    def close(file: int) -> None:
        closed.append(file)
        real(file)

    def held(file: int, how: int) -> None:
        raise BlockingIOError

    with monkeypatch.context() as patch:
        patch.setattr(os, "close", close)
        patch.setattr(fcntl, "flock", held)
        with pytest.raises(LogError, match="is in use"):
            log.replace([b""])
    # A second close would hit whatever file another thread has opened under that number.
    assert len(closed) == len(set(closed))
    log.append(b"{}")
    log.close()


def test_every_record_reaches_the_disk_where_that_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    monkeypatch.setattr(os, "fsync", synced.append)
    log = opened(tmp_path / "a.jsonl", fsync=True)
    assert len(synced) == 1  # the new file's name, in its folder
    log.append(b"{}")
    log.append(b"{}")
    assert len(synced) == 3
    opened(tmp_path / "b.jsonl").append(b"{}")
    assert len(synced) == 3


def test_what_a_crash_during_a_replacement_left_is_removed(tmp_path: Path) -> None:
    (tmp_path / ".pad.jsonl.new").write_text("half of some private words")
    opened(tmp_path / "pad.jsonl").close()
    assert [p.name for p in tmp_path.iterdir()] == ["pad.jsonl"]


CHILD = """
import sys
from nearkey.append_log import AppendLog
from nearkey.errors import NearkeyError
log = AppendLog(sys.argv[1], error=NearkeyError)
data = log.read()
whole = data.rfind(b"\\n") + 1
log.resume(whole)
n = data[:whole].count(b"\\n")
while True:
    log.append(b'{"n":%d,"more":"%s"}' % (n, b"x" * (n % 50)))
    n += 1
    if n % 7 == 0:
        log.replace([log.read()])
    print(n, flush=True)
"""


@posix
def test_killed_while_writing_or_replacing_it_keeps_what_was_acknowledged(tmp_path: Path) -> None:
    path = tmp_path / "pad.jsonl"
    for reads in (3, 20, 41):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(path)], stdout=subprocess.PIPE, text=True
        )
        assert child.stdout is not None
        acknowledged = 0
        for _ in range(reads):
            acknowledged = int(child.stdout.readline())
        child.send_signal(signal.SIGKILL)
        told = [
            int(line) for line in child.stdout.read().splitlines(keepends=True) if line[-1] == "\n"
        ]
        child.wait()
        lines = [line for line in log_lines(read_log(path, LogError)) if line.ended]
        assert [json.loads(line.data)["n"] for line in lines] == list(range(len(lines)))
        acknowledged = max(told, default=acknowledged)
        assert len(lines) in (acknowledged, acknowledged + 1)


@posix
def test_files_replaced_whole_get_the_mode_asked_for(tmp_path: Path) -> None:
    old = os.umask(0o022)
    try:
        with atomic_write(tmp_path / "plan.txt") as file:
            file.write("peg")
        with atomic_write(tmp_path / "words.txt", private=True) as file:
            file.write("peg")
        with atomic_path(tmp_path / "words.txt", private=True) as draft:
            assert stat.S_IMODE(draft.stat().st_mode) == 0o600
            draft.write_text("rod")
        assert stat.S_IMODE((tmp_path / "plan.txt").stat().st_mode) == 0o644
        assert stat.S_IMODE((tmp_path / "words.txt").stat().st_mode) == 0o600
        with (
            pytest.raises(ZeroDivisionError),
            atomic_path(tmp_path / "words.txt", private=True) as draft,
        ):
            draft.write_text(str(1 / 0))
        assert (tmp_path / "words.txt").read_text() == "rod"
        assert sorted(p.name for p in tmp_path.iterdir()) == ["plan.txt", "words.txt"]
    finally:
        os.umask(old)
