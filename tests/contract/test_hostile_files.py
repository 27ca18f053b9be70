"""Damaged and forged files of every format: taken, or refused by one short line that quotes nothing private.

`make torture` tries many more, with other seeds.
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("needs fork and alarms", allow_module_level=True)

from hostile_files import SECRET, Reader, answer, fuzz, fuzz_packs, in_child, readers
from small_context import with_context
from small_packs import build_small_pack

from nearkey.errors import NearkeyError

CASES = 2000
PACKS = 160


@pytest.fixture(scope="module")
def every(tmp_path_factory) -> dict[str, Reader]:
    found = readers(tmp_path_factory.mktemp("good"))
    return {reader.name: reader for reader in found}


NAMES = [
    "touch log .csv", "touch log .jsonl", "touch log .parquet", "touch model", "personal words", "journal",
    "journal, forged check sums", "journal, shortened", "layout", "recipe",
    "study log", "study plan", "ranking plan", "checkpoint",
    "results comparison", "tolerance", "ARPA", "KenLM", "text .txt", "text .csv", "text .tsv", "text .json",
    "text .jsonl", "text .txt.gz", "text .jsonl.gz", "text .parquet",
    "counted words", "spelling list", "word frequencies",
    "search plan", "search checkpoint", "search checkpoint, forged check sums", "saved result", "predictions",
    "lab plan", "lab message", "workload answers",
    "context model", "training: report.json", "training: weights8.npz", "training: data.json", "training: notes.xz",
]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_a_reader_takes_a_file_or_refuses_it_in_one_line(every, name, tmp_path):
    if name not in every:
        pytest.skip("its library is not installed")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        failed, told = fuzz(every[name], tmp_path, cases=CASES, seed=11)
    assert failed == 0, "\n".join(told)


@pytest.mark.parametrize("name", NAMES)
def test_the_good_files_are_taken(every, name, tmp_path):
    if name not in every:
        pytest.skip("its library is not installed")
    reader = every[name]
    for data in reader.good:
        path = tmp_path / f"good{reader.suffix}"
        path.unlink(missing_ok=True)
        path.write_bytes(data)
        reader.read(path)


def test_every_reader_is_named_here(every):
    assert set(every) <= set(NAMES)


def test_forged_packs_end_no_process(tmp_path):
    small, _ = build_small_pack(tmp_path / "small")
    good = with_context(small, tmp_path / "mixed")
    tally, told = fuzz_packs(good, tmp_path, cases=PACKS, seed=11)
    assert sum(failed for _, failed in tally.values()) == 0, "\n".join(told)
    assert all(cases for cases, _ in tally.values())


def test_what_watches_sees_what_goes_wrong(tmp_path):
    # The watch itself: a crash, a hang, another exception, a long line, a quoted secret are all told.
    import os
    import signal
    import time

    def failing(fault: BaseException):
        def read(path: Path) -> None:
            raise fault

        return read

    assert answer(lambda path: None, tmp_path) is None
    assert answer(failing(NearkeyError("is damaged", where="x", fix="y")), tmp_path) is None
    assert answer(failing(KeyError("a")), tmp_path).startswith("KeyError")
    assert answer(failing(RecursionError()), tmp_path).startswith("RecursionError")
    assert "private" in answer(failing(NearkeyError(f"has {SECRET}")), tmp_path)
    assert in_child(lambda: os.kill(os.getpid(), signal.SIGSEGV)) == "killed by SIGSEGV"
    assert in_child(lambda: time.sleep(30), seconds=1) == "more than 1 s"
    assert in_child(lambda: "said") == "said"
    assert in_child(lambda: None) is None


@pytest.mark.parametrize("name", ["9" * 5000, "a/" * 3000, "~" * 300, "\0"])
def test_names_that_no_file_can_have_are_refused(name, tmp_path):
    import nearkey as nk
    from nearkey.layout.layout import find_layout

    reads = [nk.load_pack, nk.Layout.load, nk.TouchLog.read, nk.load_touch]
    reads += [lambda name: find_layout(name, tmp_path), lambda name: nk.Session.restore(name, None)]
    for read in reads:
        with pytest.raises(NearkeyError) as fault:
            read(name)
        assert str(fault.value).isprintable()
        assert len(str(fault.value)) < 300
