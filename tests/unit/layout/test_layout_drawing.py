"""The picture: well-formed, self-contained, in true proportions."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from xml.etree import ElementTree

import numpy as np
import pytest

from nearkey.errors import LayoutError
from nearkey.layout import Key, Layout, catalogue_names, grid_layouts

SVG = "{http://www.w3.org/2000/svg}"


@dataclass(frozen=True)
class Oval:
    x: float
    y: float
    semi_major: float
    semi_minor: float
    angle_rad: float


def parsed(layout: Layout, **options: object) -> ElementTree.Element:
    return ElementTree.fromstring(layout.to_svg(**options))  # type: ignore[arg-type]


def test_every_key_is_drawn_with_its_label() -> None:
    for name in catalogue_names():
        layout = Layout.named(name)
        tree = parsed(layout)
        # One rectangle a key, one for the surface, one for the paper.
        assert len(tree.findall(f".//{SVG}rect")) == len(layout.keys) + 2
        texts = [text.text for text in tree.findall(f"{SVG}g/{SVG}text")]
        assert texts == [key.label for key in layout.keys]


def test_proportions_and_scale_bar_are_true() -> None:
    layout = replace(Layout.named("qwerty"), unit_mm=3.0)
    tree = parsed(layout, width_px=600)
    surface = tree.find(f"{SVG}g/{SVG}rect")
    assert surface is not None
    assert float(surface.attrib["width"]) == 600
    assert float(surface.attrib["height"]) == pytest.approx(600 * 3 / 10)
    path = tree.find(f"{SVG}path")
    assert path is not None
    bar_px = float(re.search(r"h([\d.]+)", path.attrib["d"])[1])  # type: ignore[index]
    label = next(t.text for t in tree.findall(f"{SVG}text") if t.text and t.text.endswith(" mm"))
    assert label == "10 mm"
    assert bar_px / 600 * 30 == pytest.approx(10, abs=0.01)


def test_keys_lie_where_the_layout_has_them() -> None:
    layout = next(grid_layouts(Layout.named("qwerty"), rows=2, columns=3))
    rects = parsed(layout, width_px=300).findall(f"{SVG}g/{SVG}rect")[1:]
    for key, rect in zip(layout.keys, rects, strict=True):
        x, w = float(rect.attrib["x"]), float(rect.attrib["width"])
        assert x + w / 2 == pytest.approx(key.cx * 30, abs=0.02)
        assert w == pytest.approx(key.w * 30, abs=4)


def test_text_is_escaped_and_control_characters_replaced() -> None:
    key = Key("a", "<&\x00\x0b\ufffe>", 0, 0, 1, 1, "a")
    layout = Layout('"<x>&', 1, 1, 1, (key,), alphabet="a", note="<!--")
    tree = parsed(layout)
    assert "".join(t.text or "" for t in tree.findall(f"{SVG}g/{SVG}text")) == (
        "<&\N{REPLACEMENT CHARACTER}\N{REPLACEMENT CHARACTER}\N{REPLACEMENT CHARACTER}>"
    )
    title = tree.find(f"{SVG}title")
    assert title is not None
    assert title.text == '"<x>&'


def test_needs_no_other_file() -> None:
    text = Layout.named("qwerty").to_svg()
    assert text == Layout.named("qwerty")._repr_svg_()
    assert not re.search(r"href|url\(|<script|<style|<image|@import", text)
    assert re.findall(r"https?://[^\"]+", text) == ["http://www.w3.org/2000/svg"]


def test_touches_and_ellipses() -> None:
    layout = Layout.named("e161")
    touches = np.array([(0.5, 0.5), (1.5, 0.5), (2.5, 3.5), (400, 400)])
    ovals = [Oval(*center, 0.5, 0.25, np.pi / 6) for center in layout.centers]
    tree = parsed(layout, points=touches, targets=[0, 1, 11, 0], ellipses=ovals)
    circles = tree.findall(f".//{SVG}circle")
    ellipses = tree.findall(f".//{SVG}ellipse")
    assert len(circles) == 3  # the wild one lies off the picture
    assert len(ellipses) == 12
    for circle, key in zip(circles, (0, 1, 11), strict=True):
        assert circle.attrib["fill"] == ellipses[key].attrib["stroke"]
    assert float(ellipses[0].attrib["rx"]) == pytest.approx(0.5 * 160)
    assert "rotate(30.00)" in ellipses[0].attrib["transform"]


@pytest.mark.parametrize(
    ("options", "field"),
    [
        ({"points": [1, 2]}, "points"),
        ({"points": [(np.nan, 0)]}, "points"),
        ({"points": [(0, 0)], "targets": [1, 2]}, "targets"),
        ({"width_px": 0}, "width_px"),
        ({"width_px": np.nan}, "width_px"),
    ],
)
def test_refuses(options: dict[str, object], field: str) -> None:
    with pytest.raises(LayoutError) as caught:
        Layout.named("qwerty").to_svg(**options)  # type: ignore[arg-type]
    assert caught.value.field == field


def test_long_labels_stay_inside_their_keys() -> None:
    for layout in grid_layouts(Layout.named("qwerty"), rows=1, columns=5):
        rects = parsed(layout).findall(f"{SVG}g/{SVG}rect")[1:]
        for text in parsed(layout).findall(f"{SVG}g/{SVG}text"):
            size, x = float(text.attrib["font-size"]), float(text.attrib["x"])
            rect = min(
                rects, key=lambda r: abs(float(r.attrib["x"]) + float(r.attrib["width"]) / 2 - x)
            )
            assert 0.7 * size * len(text.text or "") <= float(rect.attrib["width"])
            assert size >= 12
