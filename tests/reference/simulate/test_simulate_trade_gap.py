"""The gap of the trade between 26 keys and a 2 x 3 grouping on a fingertip-sized pad, and where it comes from.

Common practice, no source: a 2 x 3 grouping beats 26 keys by about eleven points of top-three accuracy at about 82 %. A
decoder that knows the hand shows no such gap; one that believes in less spread than there is does.
"""

from __future__ import annotations

import nearkey as nk
from nearkey.simulate import noise_curves

PAD = nk.Layout.named("qwerty").fitted(18, 12)


def test_eleven_points_of_the_trade_come_from_a_decoder_that_believes_in_too_little_spread(english):
    pack = english
    grids = nk.grid_layouts(nk.Layout.named("qwerty"), rows=2, columns=3, width_mm=18, height_mm=12)
    grid = list(grids)[13]
    curves = noise_curves(
        grid,
        PAD,
        touch=lambda layout: nk.GaussianTouch.from_layout(layout, spread_mm=2.6),
        pack=pack,
        spreads=(0.5, 1.0),
        beliefs=(0.4, 1.0),
        words=3000,
        seed=1,
    )
    mismatched, matched = curves.belief.leads
    # Common practice, no source: about eleven points.
    assert 0.08 < mismatched.value < 0.15
    assert mismatched.low > matched.high
    assert matched.value < 0.05
