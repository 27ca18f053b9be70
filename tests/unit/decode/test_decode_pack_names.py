"""A pack's name in the place of a pack."""

from __future__ import annotations

import pytest

import nearkey as nk
from nearkey.errors import DecodeError


@pytest.mark.parametrize(
    "call",
    [
        lambda layout, touch: nk.Decoder(layout, touch, "de"),
        lambda layout, touch: nk.rank_layouts([layout], touch=touch, pack="de"),
        lambda layout, touch: nk.score_layout(layout, touch=touch, pack="de"),
    ],
)
def test_a_name_has_to_be_loaded_first(call):
    layout = nk.Layout.named("qwerty")
    with pytest.raises(DecodeError) as caught:
        call(layout, nk.GaussianTouch.from_layout(layout, spread=0.3))
    assert caught.value.field == "pack"
    assert caught.value.fix == "give nearkey.load_pack('de')"
