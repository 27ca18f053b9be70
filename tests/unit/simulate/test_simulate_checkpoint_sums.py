"""A line of a checkpoint that was changed is not believed."""

from __future__ import annotations

import numpy as np
import pytest

from nearkey.errors import PlanError
from nearkey.simulate.checkpoint import Checkpoint
from nearkey.simulate.outcomes import WordOutcomes


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
