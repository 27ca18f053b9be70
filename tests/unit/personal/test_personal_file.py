"""The store's file: private, whole after a crash at any byte, clear about damage."""

from __future__ import annotations

import json
import os
import random
import signal
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from personal_doubles import TinyPack

from nearkey.personal import PersonalError, PersonalLanguage, WordSettings

WORDS = ["set", "up", "the", "staff", "level", "Zeiss", "theodolite", "north", "Wild"]


def fill(store: PersonalLanguage, n: int, seed: int = 0) -> None:
    rng = random.Random(seed)
    for _ in range(n):
        store.learn(rng.choice(WORDS), tuple(w.lower() for w in rng.choices(WORDS, k=2)))
        if rng.random() < 0.2:
            store.retract()


def test_a_store_comes_back_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "words.jsonl"
    with PersonalLanguage.open(path, TinyPack(), language="en") as store:
        fill(store, 900)
        store.add_word("McAllister")
        store.add_word("Leica")
        store.remove_word("Leica")
        serial = store.learn("staff", ("the",))
        shown, overlay = store.export(), store.overlay(("the", "staff"))
    with PersonalLanguage.open(path, TinyPack(), language="en") as again:
        assert again.export() == shown
        assert again.overlay(("the", "staff")) == overlay
        assert again.form("mcallister") == "McAllister"
        assert again.retract(serial)
        assert again.learn("up") == serial + 1


def test_without_closing_nothing_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "words.jsonl"
    store = PersonalLanguage.open(path, TinyPack())
    fill(store, 700)
    other = PersonalLanguage.open(path, TinyPack(), read_only=True)
    assert other.export() == store.export()


def test_equal_learning_gives_equal_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        with PersonalLanguage.open(tmp_path / name, TinyPack()) as store:
            fill(store, 800)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


@pytest.mark.skipif(os.name != "posix", reason="file modes are POSIX")
def test_the_file_is_the_owner_s_alone(tmp_path: Path) -> None:
    path = tmp_path / "words.jsonl"
    old = os.umask(0)
    try:
        with PersonalLanguage.open(path, TinyPack()) as store:
            assert stat.S_IMODE(path.stat().st_mode) == 0o600
            fill(store, 700)
            store.flush()
            assert stat.S_IMODE(path.stat().st_mode) == 0o600
        path.chmod(0o644)
        PersonalLanguage.open(path, TinyPack()).close()
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    finally:
        os.umask(old)


def test_cut_at_any_byte_it_is_a_prefix_of_the_observations_or_a_clear_refusal(
    tmp_path: Path,
) -> None:
    path, cut = tmp_path / "words.jsonl", tmp_path / "cut.jsonl"
    store = PersonalLanguage.open(path, TinyPack(), settings=WordSettings(undo_words=10))
    fill(store, 30)
    store.flush()
    seen = {path.stat().st_size: store.export()}
    snapshot_bytes = path.read_bytes().index(b'{"type":')
    for word in ("Zeiss", "Zeiss", "the", "level", "Wild"):
        store.learn(word, ("the",))
        seen[path.stat().st_size] = store.export()
    store.retract()
    seen[path.stat().st_size] = store.export()
    store.add_word("McAllister")
    seen[path.stat().st_size] = store.export()
    whole = path.read_bytes()
    ends = sorted(seen)
    # Every byte of the tail; one in twenty of the snapshot.
    for n in [*range(1, snapshot_bytes, 20), *range(snapshot_bytes, len(whole) + 1)]:
        cut.write_bytes(whole[:n])
        if n < snapshot_bytes:
            # The snapshot came by a rename: no crash of ours can cut it.
            with pytest.raises(PersonalError, match=r"cut\.jsonl"):
                PersonalLanguage.open(cut, TinyPack())
            continue
        looked = PersonalLanguage.open(cut, TinyPack(), read_only=True)
        complete = [e for e in ends if e <= n]
        if complete:
            assert looked.export() == seen[complete[-1]]
        if n % 20 and n - 1 not in ends:  # going on from there is slow to try at every byte
            continue
        with PersonalLanguage.open(cut, TinyPack(), settings=WordSettings(undo_words=10)) as back:
            assert back.export() == looked.export()
            back.learn("north", ("the",))
        after = PersonalLanguage.open(cut, TinyPack(), read_only=True)
        assert after.words_typed == looked.words_typed + 1


def test_a_word_taken_out_leaves_the_file_at_once(tmp_path: Path) -> None:
    path = tmp_path / "words.jsonl"
    with PersonalLanguage.open(path, TinyPack()) as store:
        store.add_word("McAllister")
        assert b"McAllister" in path.read_bytes()
        store.remove_word("McAllister")
        assert b"mcallister" not in path.read_bytes().lower()
        assert "McAllister" not in store
    # As earlier versions wrote it: the record that takes it out stands in the tail.
    with path.open("ab") as file:
        file.write(b'{"type":"added","word":"mcallister","form":"McAllister"}\n')
        file.write(b'{"type":"removed","word":"mcallister"}\n')
    with PersonalLanguage.open(path, TinyPack()) as store:
        assert "McAllister" not in store


def test_every_damaged_byte_is_noticed_or_harmless(tmp_path: Path) -> None:
    path, hurt = tmp_path / "words.jsonl", tmp_path / "hurt.jsonl"
    with PersonalLanguage.open(path, TinyPack()) as store:
        fill(store, 60)
        store.add_word("McAllister")
    whole = path.read_bytes()
    rng = random.Random(4)
    refused = []
    for _ in range(400):
        data = bytearray(whole)
        at = rng.randrange(len(data))
        data[at] = rng.randrange(256)
        hurt.write_bytes(data)
        try:
            PersonalLanguage.open(hurt, TinyPack(), read_only=True).export()
        except PersonalError as fault:
            refused.append(str(fault))
    assert len(refused) > 100
    assert all("hurt.jsonl" in text and "\n" not in text for text in refused)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda lines: [b'{"format":"other","version":1}'], "no store of personal words"),
        (lambda lines: [b"\xff\xfe"], "no store of personal words"),
        (lambda lines: [lines[0].replace(b'"version":1', b'"version":2'), *lines[1:]], "version 2"),
        (lambda lines: [lines[0], *lines[2:]], "line|early"),
        (lambda lines: [*lines[:2], b"{", *lines[3:]], "line 3: damaged"),
        (lambda lines: [*lines, b"\x00\x00\x00"], "damaged"),
        (lambda lines: [*lines, b'{"type":"retracted","serial":99999}'], "was not learnt"),
        (lambda lines: [*lines, lines[-1]], "twice"),
        (lambda lines: [*lines, b'{"type":"learnt","serial":999,"clock":9000000000,"word":"a"}'], "clock"),
        (lambda lines: [*lines, b'{"type":"learnt","serial":9,"clock":9,"word":""}'], "damaged"),
        (lambda lines: [*lines, b"[" * 100_000], "damaged"),
    ],
)  # fmt: skip
def test_damage_is_named_with_file_line_and_fix(tmp_path: Path, change, message: str) -> None:
    path = tmp_path / "words.jsonl"
    with PersonalLanguage.open(path, TinyPack(), settings=WordSettings(undo_words=2)) as store:
        fill(store, 20)
    lines = path.read_bytes().splitlines()
    path.write_bytes(b"\n".join(change(lines)) + b"\n")
    before = path.read_bytes()
    with pytest.raises(PersonalError, match=message) as caught:
        PersonalLanguage.open(path, TinyPack())
    assert "words.jsonl" in str(caught.value)
    assert caught.value.fix
    assert path.read_bytes() == before  # refused files are left as they are
    # and the lock is let go
    with pytest.raises(PersonalError, match=message):
        PersonalLanguage.open(path, TinyPack())


def test_a_folder_a_missing_folder_and_a_forbidden_one(tmp_path: Path) -> None:
    with pytest.raises(PersonalError, match="folder"):
        PersonalLanguage.open(tmp_path, TinyPack())
    with pytest.raises(PersonalError, match="folder"):
        PersonalLanguage.open(tmp_path, TinyPack(), read_only=True)
    deep = tmp_path / "not" / "there" / "words.jsonl"
    PersonalLanguage.open(deep, TinyPack()).close()
    assert deep.exists()
    file = tmp_path / "file"
    file.write_text("x")
    with pytest.raises(PersonalError, match="cannot be opened"):
        PersonalLanguage.open(file / "words.jsonl", TinyPack())


def test_one_writer_at_a_time(tmp_path: Path) -> None:
    pytest.importorskip("fcntl", reason="no advisory locks here")
    path = tmp_path / "words.jsonl"
    store = PersonalLanguage.open(path, TinyPack())
    with pytest.raises(PersonalError, match="in use"):
        PersonalLanguage.open(path, TinyPack())
    store.flush()  # the lock goes over to the new file
    with pytest.raises(PersonalError, match="in use"):
        PersonalLanguage.open(path, TinyPack())
    PersonalLanguage.open(path, TinyPack(), read_only=True)
    store.close()
    PersonalLanguage.open(path, TinyPack()).close()


def test_read_only_and_closed_stores_refuse_to_learn(tmp_path: Path) -> None:
    path = tmp_path / "words.jsonl"
    with PersonalLanguage.open(path, TinyPack()) as store:
        store.learn("staff", ("the",))
    before = path.read_bytes()
    for closed in (store, PersonalLanguage.open(path, TinyPack(), read_only=True)):
        for act in (
            lambda s: s.learn("staff"),
            lambda s: s.retract(),
            lambda s: s.add_word("Zeiss"),
            lambda s: s.forget("staff"),
            lambda s: s.wipe(),
            lambda s: s.flush(),
        ):
            with pytest.raises(PersonalError, match=r"read-only|closed"):
                act(closed)
        assert "staff" in closed.overlay(())[1]
        closed.close()
    assert path.read_bytes() == before
    missing = PersonalLanguage.open(tmp_path / "none", TinyPack(), read_only=True)
    assert missing.overlay(()) == (0.0, {})
    assert not (tmp_path / "none").exists()


def test_forgotten_and_wiped_words_leave_the_file_at_once(tmp_path: Path) -> None:
    path = tmp_path / "words.jsonl"
    with PersonalLanguage.open(path, TinyPack()) as store:
        store.learn("Zeiss", ("the",))
        store.learn("level", ("the", "zeiss"))
        store.learn("Wild")
        store.retract()
        assert b"eiss" in path.read_bytes()
        store.forget("zeiss")
        store.forget("wild")
        data = path.read_bytes().lower()
        assert b"zeiss" not in data
        assert b"wild" not in data
        assert b"level" in data
        store.wipe()
        assert b"level" not in path.read_bytes()
    assert [p.name for p in tmp_path.iterdir()] == ["words.jsonl"]


def test_what_a_crash_during_a_rewrite_left_is_removed(tmp_path: Path) -> None:
    path = tmp_path / "words.jsonl"
    PersonalLanguage.open(path, TinyPack()).close()
    (tmp_path / ".words.jsonl.new").write_text("half a snapshot with private words")
    PersonalLanguage.open(path, TinyPack()).close()
    assert [p.name for p in tmp_path.iterdir()] == ["words.jsonl"]


def test_another_language_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "words.jsonl"
    PersonalLanguage.open(path, TinyPack(), language="de").close()
    with pytest.raises(PersonalError, match="'de'"):
        PersonalLanguage.open(path, TinyPack(), language="en")


def test_another_half_life_takes_the_counts_over(tmp_path: Path) -> None:
    path = tmp_path / "words.jsonl"
    with PersonalLanguage.open(path, TinyPack()) as store:
        fill(store, 100)
        shown = store.export()
    with PersonalLanguage.open(
        path, TinyPack(), settings=WordSettings(half_life_words=200)
    ) as again:
        rows = {row["word"]: row["uses"] for row in again.export()["words"]}
    for row in shown["words"]:
        assert rows[row["word"]] == pytest.approx(row["uses"], abs=0.002)


@pytest.mark.skipif(not hasattr(os, "ftruncate"), reason="needs POSIX files")
def test_a_disk_that_refuses_leaves_store_and_file_as_they_were(
    tmp_path: Path, monkeypatch
) -> None:
    path = tmp_path / "words.jsonl"
    store = PersonalLanguage.open(path, TinyPack())
    store.learn("staff", ("the",))
    shown, data = store.export(), path.read_bytes()
    real = os.write

    def short(handle: int, line: bytes) -> int:
        return real(handle, bytes(line)[: len(line) // 2])

    with monkeypatch.context() as patch:
        patch.setattr(os, "write", short)
        with pytest.raises(PersonalError, match="cannot be written"):
            store.learn("level", ("the",))
    assert (store.export(), path.read_bytes()) == (shown, data)

    def full(handle: int, line: bytes) -> int:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "write", full)
        for act in (lambda: store.learn("level"), lambda: store.flush()):
            with pytest.raises(PersonalError, match="No space left"):
                act()
    assert (store.export(), path.read_bytes()) == (shown, data)
    assert store.learn("level", ("the",)) is not None
    store.close()
    assert PersonalLanguage.open(path, TinyPack(), read_only=True).words_typed == 2


@pytest.mark.parametrize("act", ["forget", "wipe"])
def test_what_a_full_disk_kept_from_being_forgotten_is_forgotten_later(
    tmp_path: Path, monkeypatch, act: str
) -> None:
    path = tmp_path / "words.jsonl"
    store = PersonalLanguage.open(path, TinyPack())
    store.learn("Zeiss", ("the",))

    def full(handle: int, line: bytes) -> int:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "write", full)
        with pytest.raises(PersonalError, match="No space left"):
            store.forget("zeiss") if act == "forget" else store.wipe()
        with pytest.raises(PersonalError, match="No space left"):
            store.learn("staff")
    assert store.learn("level") is not None
    assert b"eiss" not in path.read_bytes()
    looked = PersonalLanguage.open(path, TinyPack(), read_only=True)
    assert [row["word"] for row in looked.export()["words"]] == ["level"]


def test_the_file_stays_bounded_and_readable(tmp_path: Path) -> None:
    path = tmp_path / "words.jsonl"
    settings = WordSettings(max_words=40, max_phrases=50, undo_words=10)
    with PersonalLanguage.open(path, TinyPack(), settings=settings) as store:
        largest = 0
        letters = "abcdefghijklmnopqrstuvwxyz"
        for i in range(2500):
            store.learn(letters[i % 26] + letters[i // 26 % 26] + letters[i // 676], ("the",))
            largest = max(largest, path.stat().st_size)
    assert largest < 80_000
    for line in path.read_text(encoding="utf-8").splitlines():
        assert isinstance(json.loads(line), dict)


CHILD = """
import sys
sys.path.insert(0, sys.argv[2])
from personal_doubles import TinyPack
from nearkey.personal import PersonalLanguage, WordSettings
store = PersonalLanguage.open(sys.argv[1], TinyPack(), settings=WordSettings(undo_words=5))
words = ["set", "up", "the", "staff", "Zeiss"]
n = store.words_typed
while True:
    store.learn(words[n % 5], ("the",))
    n += 1
    if n % 7 == 0:
        store.flush()
    print(n, flush=True)
"""


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is POSIX")
def test_killed_while_writing_it_keeps_every_word_that_was_acknowledged(tmp_path: Path) -> None:
    path = tmp_path / "words.jsonl"
    rng = random.Random(9)
    for _ in range(6):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(path), str(Path(__file__).parent)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert child.stdout is not None
        acknowledged = 0
        for _ in range(rng.randrange(3, 60)):
            acknowledged = int(child.stdout.readline())
        child.send_signal(signal.SIGKILL)
        rest = child.stdout.read()
        child.wait()
        for line in rest.splitlines(keepends=True):
            if line.endswith("\n"):
                acknowledged = int(line)
        store = PersonalLanguage.open(path, TinyPack(), read_only=True)
        # The word being learnt at the kill may stand in the file without having been acknowledged.
        assert store.words_typed in (acknowledged, acknowledged + 1)
