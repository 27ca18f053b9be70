"""Whether two lists of candidates say the same, ties aside."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from nearkey.decode import Candidate


def assert_same_lists(one: Sequence[Candidate], two: Sequence[Candidate], *, within: float) -> None:
    """Scores agree place by place, and readings too, but for those whose scores are closer than `within`."""
    assert [c.log_prob for c in one] == pytest.approx([c.log_prob for c in two], abs=within)
    theirs = {(c.text, c.kind): c for c in two}
    # A spelling keeps the last place whatever its score.
    last = min((c.log_prob for c in one if c.kind != "spelled"), default=0.0)
    for c in one:
        other = theirs.get((c.text, c.kind))
        if other is None:  # tied with what stands last
            assert c.log_prob == pytest.approx(last, abs=within)
        else:
            assert (other.word, other.index) == (c.word, c.index)
            assert other.log_touch == pytest.approx(c.log_touch, abs=within)
            assert other.log_language == pytest.approx(c.log_language, abs=within)
