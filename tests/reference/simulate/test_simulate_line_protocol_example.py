"""The example decoder in JavaScript, an implementation of its own, against ours through the line protocol."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

import nearkey as nk
from nearkey.simulate.decoders import OutsideDecoder, OwnDecoder
from nearkey.simulate.layout_score import score_decoder
from nearkey.simulate.trial import type_workload
from nearkey.simulate.workload import make_workload
from nearkey.touch import GaussianTouch, StudentTouch

pytestmark = pytest.mark.reference
EXAMPLE = Path(__file__).parents[3] / "benchmarks" / "line_protocol" / "example.mjs"


def with_heavy_tails(layout, gaussian):
    """Student's t's fitted on invented touches, a tenth of them far off."""
    rng = np.random.default_rng(3)
    keys = rng.integers(0, len(layout.keys), 1500)
    points = gaussian.sample(keys, rng)
    points += np.where(rng.random(1500) < 0.1, 3.0, 0.0)[:, None] * rng.normal(0, 1, (1500, 2))
    log = nk.TouchLog.from_points(points, [layout.key_ids[k] for k in keys], participant="invented")
    return StudentTouch(background=0.01).fit(log, layout)


@pytest.mark.parametrize("name", ["qwerty", "grid", "heavy tails"])
def test_two_languages_find_the_same_words_with_the_same_probabilities(english, name):
    """Words drawn from the pack, background included; its log probabilities travel with six decimals."""
    if shutil.which("node") is None:
        pytest.skip("Node.js is not here")
    layout = nk.Layout.named("qwerty").fitted(24.0, 12.0)
    if name != "qwerty":
        layout = next(nk.grid_layouts(layout, rows=2, columns=3))
    touch = GaussianTouch.from_layout(layout, spread_mm=1.4, background=0.01)
    if name == "heavy tails":
        touch = with_heavy_tails(layout, touch)
        assert np.isfinite(touch.components().dof), "a Gaussian: the case tests nothing"
    workload = make_workload(
        english, None, words=60, seed=2, letters=layout.letters, in_context=False
    )
    typed = type_workload(layout, touch, workload, seed=2)
    lexicon = english.lexicon.words
    own = OwnDecoder(nk.Decoder(layout, touch, english))
    ours = score_decoder(typed, own, lexicon=lexicon, name="ours")
    command = ["node", str(EXAMPLE)]
    with OutsideDecoder(command, layout=layout, touch=touch, pack=english) as decoder:
        theirs = score_decoder(typed, decoder, lexicon=lexicon, name="theirs")
    assert decoder.name == "example in JavaScript"
    assert theirs.faults.total == 0
    assert theirs.outcomes.rank.tolist() == ours.outcomes.rank.tolist()
    first = theirs.outcomes.posterior.first
    assert first == pytest.approx(ours.outcomes.posterior.first, abs=1e-4)
    assert np.isfinite(theirs.outcomes.posterior.target).all()
