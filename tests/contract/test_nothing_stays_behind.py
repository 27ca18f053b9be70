"""Writers that are killed, disks that are full, people who are wiped: nothing half-made, nothing lost, nothing left."""

from __future__ import annotations

import errno
import os
import random
import signal
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

if sys.platform == "win32":
    pytest.skip("needs fork", allow_module_level=True)

import nearkey as nk
from nearkey.errors import NearkeyError, PersonalError
from nearkey.files import atomic_path, atomic_write, remove_with_drafts
from nearkey.personal import Person, PersonalLanguage
from nearkey.simulate.outcomes import WordOutcomes
from nearkey.simulate.running import Checkpoint
from nearkey.study import StudyLogWriter, plan_study
from nearkey.touch import PeopleTouch

SECRET = "zyxquillon"


@pytest.fixture(scope="module")
def layout():
    return nk.Layout.named("qwerty")


@pytest.fixture(scope="module")
def decoder(layout):
    return nk.Decoder(layout, nk.GaussianTouch.from_layout(layout, spread=0.3), nk.load_pack("en"))


@pytest.fixture(scope="module")
def people(layout):
    rng = np.random.default_rng(3)
    touch = nk.GaussianTouch.from_layout(layout, spread=0.3)
    keys = np.tile(np.repeat(np.arange(26), 6), 3)
    person = np.repeat([0, 1, 2], 26 * 6)
    points = touch.sample(keys, rng) + 0.1 * (person - 1)[:, None]
    whole = nk.TouchLog.from_points(
        points, [layout.key_ids[k] for k in keys], participant=[f"p{i}" for i in person]
    )
    return PeopleTouch().fit(whole, layout)


def outcomes() -> WordOutcomes:
    one = np.arange(40)
    return WordOutcomes(one, one, one, one.astype(float), one.astype(float), one)


# ---- killed ----


def writers(
    folder: Path, layout, pack
) -> dict[str, tuple[Callable[[], None], Callable[[], object]]]:
    """Every kind of writer: what writes over and over, and what must read whatever a kill leaves."""
    model = nk.GaussianTouch.from_layout(layout, spread=0.3)
    keys = np.repeat(np.arange(26), 20)
    log = nk.TouchLog.from_points(
        model.sample(keys, np.random.default_rng(1)), [layout.key_ids[k] for k in keys]
    )
    plan = plan_study(["p1"], ["pad"], [f"we moved {i}" for i in range(60)], seed=1)

    def words() -> None:
        with PersonalLanguage.open(folder / "words.jsonl", pack) as store:
            store.learn("tripod")
            store.flush()

    def journal() -> None:
        path = folder / "journal.jsonl"
        path.unlink(missing_ok=True)
        with nk.Session(nk.Decoder(layout, model, pack), journal=path) as session:
            session.insert("level " * 20)

    def study() -> None:
        path = folder / "study.jsonl"
        path.unlink(missing_ok=True)
        with StudyLogWriter(path, participant="p", condition="c", origin="invented") as writer:
            writer.prompt("we moved", 0.0)
            writer.event("tap", 0.1, text="w")

    def checkpoint() -> None:
        with Checkpoint(folder / "run.jsonl", "mark") as kept:
            kept.put(("qwerty", 0), outcomes())

    def read_checkpoint() -> None:
        with Checkpoint(folder / "run.jsonl", "mark"):
            pass

    def reading(read: Callable[[Path], object], name: str) -> Callable[[], object]:
        return lambda: read(folder / name) if (folder / name).exists() else None

    return {
        "touch model": (
            lambda: model.save(folder / "model.json"),
            reading(nk.load_touch, "model.json"),
        ),
        "touch log": (lambda: log.write(folder / "log.csv"), reading(nk.TouchLog.read, "log.csv")),
        "layout": (lambda: layout.save(folder / "pad.toml"), reading(nk.Layout.load, "pad.toml")),
        "study plan": (
            lambda: plan.write(folder / "plan.json"),
            reading(type(plan).read, "plan.json"),
        ),
        "words": (words, lambda: PersonalLanguage.open(folder / "words.jsonl", pack).close()),
        "journal": (journal, lambda: None),
        "study log": (study, lambda: None),
        "checkpoint": (checkpoint, read_checkpoint),
    }


KILLED = [
    "touch model",
    "touch log",
    "layout",
    "study plan",
    "words",
    "journal",
    "study log",
    "checkpoint",
]


@pytest.mark.parametrize("name", KILLED)
def test_a_killed_writer_leaves_a_whole_file_and_nothing_beside_it(name, tmp_path, layout, decoder):
    write, read = writers(tmp_path, layout, decoder.pack)[name]
    rng = random.Random(name)
    write()
    for _ in range(12):
        child = os.fork()
        if child == 0:
            while True:
                write()
        time.sleep(0.005 + 0.03 * rng.random())
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        read()
    write()  # the next writer finds what the last one left, and takes it away
    read()
    left = [path.name for path in tmp_path.iterdir() if path.name.startswith(".")]
    assert left == []


# ---- full disks ----


@pytest.mark.parametrize("name", [name for name in KILLED if name not in ("journal", "study log")])
def test_a_full_disk_is_told_and_the_good_file_stays(name, tmp_path, layout, decoder, monkeypatch):
    write, read = writers(tmp_path, layout, decoder.pack)[name]
    write()
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(NearkeyError, match="cannot be written"):
        write()
    monkeypatch.undo()
    after = {path: path.read_bytes() for path in tmp_path.iterdir()}
    assert set(after) == set(before)
    for path, data in before.items():
        assert after[path].startswith(data[:40])
    read()


def test_an_error_about_another_file_passes_as_it_is(tmp_path):
    with pytest.raises(FileNotFoundError), atomic_write(tmp_path / "out.txt"):
        (tmp_path / "missing").read_text()
    assert list(tmp_path.iterdir()) == []


def test_a_session_types_on_where_nothing_can_be_learnt(
    tmp_path, decoder, people, layout, monkeypatch
):
    with Person.open(tmp_path, decoder, people=people) as person:
        session = nk.Session(person.live, personal=person.words, learners=person.learners)

        def full(*_: object, **__: object) -> None:
            raise OSError(errno.ENOSPC, "No space left on device")

        monkeypatch.setattr(os, "fsync", full)
        monkeypatch.setattr(os, "write", full)
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            for _ in range(120):
                for letter in "the":
                    session.tap(*layout.centers[layout.key_of_letter[letter]])
                assert session.commit()
        assert session.text.lower() == "the " * 120
        told = [str(warning.message) for warning in said if "not saved" in str(warning.message)]
        assert 1 <= len(told) <= 2  # once for words, once for touches
        assert isinstance(session.learn_fault, PersonalError)
        assert isinstance(person.save_fault, NearkeyError)
        monkeypatch.undo()
        person.save()
    assert (tmp_path / "touch.json").exists()


# ---- modes ----


def test_what_people_typed_and_touched_is_their_owners_alone(
    tmp_path, layout, decoder, people, monkeypatch
):
    def no_umask(*_: object) -> int:
        raise AssertionError("the umask belongs to the whole process")

    old = os.umask(0)
    try:
        monkeypatch.setattr(os, "umask", no_umask)
        seen = []
        real = os.open

        def noting(path, flags, mode=0o777, **rest):
            file = real(path, flags, mode, **rest)
            if flags & os.O_CREAT:
                seen.append((os.fspath(path), os.fstat(file).st_mode & 0o777))
            return file

        monkeypatch.setattr(os, "open", noting)
        for name in ("touch model", "touch log", "words", "journal", "study log"):
            writers(tmp_path, layout, decoder.pack)[name][0]()
        monkeypatch.undo()
    finally:
        os.umask(old)
    assert seen
    assert [entry for entry in seen if entry[1] & 0o077] == []
    assert [p for p in tmp_path.iterdir() if p.stat().st_mode & 0o077] == []


def test_other_files_get_the_mode_that_new_files_have(tmp_path):
    plain = tmp_path / "plain"
    plain.write_text("x")
    with atomic_path(tmp_path / "made") as draft:
        draft.write_text("x")
    assert (tmp_path / "made").stat().st_mode == plain.stat().st_mode


# ---- wiped ----


def test_a_wiped_person_is_gone(tmp_path, decoder, people, layout):
    folder = tmp_path / "person"
    with Person.open(folder, decoder, people=people) as person:
        for _ in range(60):
            points = layout.centers[[layout.key_of_letter[c] for c in "tripod"]]
            person.confirm("tripod", points=points, text=SECRET)
        person.words.add_word(SECRET)
        person.decoder.candidates(
            layout.centers[[3]], context=f"the {SECRET}", personal=person.words
        )
        person.save()
        assert (folder / "touch.json").exists()
        # What killed writers of this version and of earlier ones leave.
        for name in (
            ".touch.json.new",
            ".touch.json.a1b2c3d4",
            ".touch.json.0123.part",
            ".words.jsonl.new",
            ".words.jsonl.x.part",
        ):
            (folder / name).write_text(SECRET)
    # Opened without a population: its touches go all the same.
    with Person.open(folder, decoder) as person:
        person.wipe()
        assert SECRET not in person.words
        assert decoder._last_text is None
        assert person.words.export()["words"] == []
    assert [path.name for path in folder.iterdir()] == ["words.jsonl"]
    assert SECRET.encode() not in (folder / "words.jsonl").read_bytes()


# ---- links and devices ----


def test_what_a_link_leads_to_is_replaced_not_the_link(tmp_path, decoder):
    real, link = tmp_path / "real" / "run.jsonl", tmp_path / "run.jsonl"
    real.parent.mkdir()
    with nk.Session(decoder, journal=real, undo_limit=0) as session:
        session.insert(SECRET)
        session.clear()
    link.symlink_to(real)
    with nk.Session.restore(link, decoder) as session:
        session._shorten(session._journal)
    assert link.is_symlink()
    assert SECRET.encode() not in real.read_bytes()
    assert real.stat().st_mode & 0o777 == 0o600
    assert [path.name for path in real.parent.iterdir()] == ["run.jsonl"]
    remove_with_drafts(link)
    assert not link.is_symlink()
    assert not real.exists()


def test_a_pipe_or_a_device_is_not_replaced_by_a_file(tmp_path, layout):
    pipe = tmp_path / "pad.toml"
    os.mkfifo(pipe)
    with pytest.raises(NearkeyError, match="is a device or a pipe"):
        layout.save(pipe)
    assert pipe.is_fifo()
    assert [path.name for path in tmp_path.iterdir()] == ["pad.toml"]
