"""A line of a checkpoint that was changed is not believed."""

from __future__ import annotations

from hashlib import sha256

import numpy as np
import pytest

from nearkey.errors import PlanError
from nearkey.simulate.keystrokes import Selection
from nearkey.simulate.outcomes import WordOutcomes
from nearkey.simulate.running import Checkpoint, fingerprint
from nearkey.simulate.workload import Workload


def test_a_changed_rank_is_noticed(tmp_path):
    path = tmp_path / "run.jsonl"
    one = np.arange(4)
    with Checkpoint(path, "mark") as kept:
        for chunk in range(2):
            kept.put(("pad", chunk), WordOutcomes(one, one, one, one * 1.0, one * 1.0, one))
    good = path.read_bytes()
    path.write_bytes(good.replace(b'"rank": [0, 1', b'"rank": [0, 0', 1))
    assert path.read_bytes() != good
    with (
        pytest.raises(PlanError, match="line 2: is damaged: its check sum"),
        Checkpoint(path, "mark"),
    ):
        pass
    path.write_bytes(good)
    with Checkpoint(path, "mark"):
        pass
    # One of an earlier version, which had no sums, is another run's.
    path.write_bytes(b'{"schema": "nearkey-ranking-checkpoint", "version": 1, "run": "mark"}\n')
    with pytest.raises(PlanError, match="belongs to another run"), Checkpoint(path, "mark"):
        pass


def test_a_run_goes_on_that_began_when_the_list_s_length_had_another_name():
    ten = np.arange(10)
    workload = Workload(("ace", "be"), ten, ten, None, None, "invented", False, 0)
    words = "(('ace', 'be'), None, (1, 1.0, Selection(style='next', listed=7, error=0.0)))"
    before = sha256(b"[]" + words.encode() + ten.tobytes() + ten.tobytes()).hexdigest()
    assert fingerprint([], workload, (1, 1.0, Selection(k=7))) == before
    assert fingerprint([], workload, (1, 1.0, Selection(k=8))) != before


@pytest.mark.parametrize(
    "content", [b'{"base": "qwerty", "rows": 2}', b'[space]\nbase = "qwerty"\n', b"x", b"\n"]
)
def test_a_file_that_is_no_checkpoint_stays_as_it_is(tmp_path, content):
    path = tmp_path / "plan.toml"
    path.write_bytes(content)
    with (
        pytest.raises(PlanError, match="is no checkpoint; name another file"),
        Checkpoint(path, "mark"),
    ):
        pass
    assert path.read_bytes() == content


def test_a_header_that_a_kill_cut_short_is_written_again(tmp_path):
    path = tmp_path / "run.jsonl"
    with Checkpoint(path, "mark"):
        pass
    whole = path.read_bytes()
    for end in (0, 1, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:end])
        with Checkpoint(path, "mark"):
            pass
        assert path.read_bytes() == whole
