"""nearkey behind its own line protocol against nearkey inside: one decoder by two ways."""

from __future__ import annotations

import sys
from typing import Any

import pytest

import nearkey as nk
from nearkey.simulate import Corpus
from nearkey.simulate.decoders import OutsideDecoder

pytestmark = pytest.mark.reference
SERVED = [sys.executable, "-m", "nearkey.cli", "serve-decoder"]
# Invented; "kellerby" is in no lexicon, so live lists spell it.
NOTES = Corpus.of(
    "invented notes",
    [
        "ask kellerby to bring the long staff",
        "peg seven is near the kerb and the level is set",
        "the second point reads 12 over the mark",
    ],
)


def layouts() -> dict[str, nk.Layout]:
    pad = nk.Layout.named("qwerty").fitted(24, 12)
    return {"26 keys": pad, "2 x 3": next(nk.grid_layouts(pad, rows=2, columns=3))}


@pytest.mark.parametrize(
    ("name", "use", "edits", "corpus"),
    [
        ("26 keys", "words", False, NOTES),
        ("2 x 3", "words", False, None),
        ("2 x 3", "live", True, NOTES),
        ("26 keys", "live", False, None),
    ],
)
def test_the_served_decoder_scores_as_the_one_inside(english, name, use, edits, corpus):
    layout = layouts()[name]
    touch = nk.GaussianTouch.from_layout(layout, spread_mm=1.0, background=0.01)
    command = [*SERVED, *(["--edits"] if edits else [])]
    given: dict[str, Any] = {"edits": nk.EditCosts.typical(layout)} if edits else {}
    with OutsideDecoder(command, layout=layout, touch=touch, pack=english) as served:
        served.check()
        score = nk.score_layout(
            layout, touch=touch, pack=english, corpus=corpus, words=40, compare_words=40, seed=4,
            use=use, completion_words=24, latency_words=0, compare={"served": served}, **given,
        )  # fmt: skip
    own, other = (
        score.compared["nearkey live" if use == "live" else "nearkey"],
        score.compared["served"],
    )
    assert other.score.faults.counts == {}
    assert other.score.outcomes.rank.tolist() == own.score.outcomes.rank.tolist()
    assert other.top1_to_ours.value == other.kspc_to_ours.value == 0.0
    one, two = (each.score.to_dict(brief=True) for each in (own, other))
    for group in ("all", "known", "unknown"):
        # The list tells less of the probabilities than the whole posterior, which no decoder has to send.
        assert one[group] | {"bits_per_character": None} == two[group] | {
            "bits_per_character": None
        }
    measured = use == "words" or edits
    assert (score.completion is not None) == measured
    if measured:
        assert own.completion is score.completion
        assert other.completion.to_dict() == score.completion.to_dict()
        assert other.completion.spared.value > 0.1
        # The summary, and a row for each of the two.
        assert str(score).count(f"{100 * other.completion.spared.value:.1f} [") >= 3
