"""`Key` and `Layout`: what they hold, refuse and derive."""

from __future__ import annotations

import copy
import pickle
from dataclasses import FrozenInstanceError, replace

import numpy as np
import pytest

from nearkey.errors import LayoutError
from nearkey.layout import Key, Layout, catalogue_names


def two_keys() -> Layout:
    keys = (
        Key("left", "AB", 0, 0, 2, 1, "ab"),
        Key("right", "C", 2, 0, 1, 1, "c"),
        Key("bar", "space", 0, 1, 3, 1, role="space"),
    )
    return Layout("two", 2, 3, 2, keys, alphabet="abc")


def test_derived_arrays() -> None:
    layout = two_keys()
    assert layout.key_ids == ("left", "right", "bar")
    assert layout.key_index("bar") == 2
    assert layout.letters == "abc"
    assert dict(layout.key_of_letter) == {"a": 0, "b": 0, "c": 1}
    np.testing.assert_array_equal(layout.centers, [(1, 0.5), (2.5, 0.5), (1.5, 1.5)])
    np.testing.assert_array_equal(layout.sizes, [(2, 1), (1, 1), (3, 1)])
    assert (layout.width_mm, layout.height_mm) == (6, 4)
    assert (layout.keys[1].cx, layout.keys[1].cy) == (2.5, 0.5)


def test_is_immutable_and_hashable() -> None:
    layout = two_keys()
    with pytest.raises(FrozenInstanceError):
        layout.name = "x"  # type: ignore[misc]
    with pytest.raises(ValueError, match="read-only"):
        layout.centers[0, 0] = 9
    with pytest.raises(TypeError):
        layout.key_of_letter["z"] = 0  # type: ignore[index]
    assert len({layout, two_keys(), layout.renamed("other")}) == 2


@pytest.mark.parametrize(
    "copier", [copy.copy, copy.deepcopy, lambda x: pickle.loads(pickle.dumps(x))]
)
def test_copies_are_equal_and_read_only(copier) -> None:  # type: ignore[no-untyped-def]
    twin = copier(two_keys())
    assert twin == two_keys()
    assert not twin.centers.flags.writeable


def test_nearest_key_goes_by_edges_not_centres() -> None:
    # (1.9, 0.5) is nearer to the centre of "right" (0.6 against 0.9) but lies on "left".
    layout = two_keys()
    points = [(1.9, 0.5), (2.1, 0.5), (9.0, 0.2), (0.1, 1.2), (-1, -1)]
    assert layout.nearest_key(points).tolist() == [0, 1, 1, 2, 0]
    assert layout.nearest_key(np.empty((0, 2))).shape == (0,)
    assert layout.nearest_key([(1e300, 0.5)]).shape == (1,)


@pytest.mark.parametrize("points", [[(np.nan, 0)], [(0, np.inf)], [1, 2], [(1, 2, 3)]])
def test_nearest_key_refuses(points: object) -> None:
    with pytest.raises(LayoutError, match="points: "):
        two_keys().nearest_key(points)  # type: ignore[arg-type]


def test_a_tie_on_a_shared_edge_goes_to_the_nearer_centre() -> None:
    assert two_keys().nearest_key([(2.0, 0.5)]).tolist() == [1]


def test_every_catalogue_layout_is_nearest_at_its_own_centres() -> None:
    for name in catalogue_names():
        layout = Layout.named(name)
        assert layout.nearest_key(layout.centers).tolist() == list(range(len(layout.keys)))


def test_unknown_key_names_the_known_ones() -> None:
    with pytest.raises(
        LayoutError, match=r'layout "two": key id: no key .x.; use one of left, right'
    ):
        two_keys().key_index("x")


def test_require_alphabet() -> None:
    two_keys().require_alphabet("ca")
    with pytest.raises(LayoutError, match="no key has 'd', 'e'; place these letters"):
        two_keys().require_alphabet("abcde")


def test_marks_are_not_letters() -> None:
    keys = (Key("a", "A", 0, 0, 1, 1, "a"), Key("m", ".,", 1, 0, 1, 1, ".,", "punctuation"))
    layout = Layout("marks", 1, 2, 1, keys, alphabet="a")
    assert layout.letters == "a"
    assert "." not in layout.key_of_letter


def test_fitted_has_the_surface_in_millimetres() -> None:
    fitted = two_keys().fitted(30, 10)
    assert (fitted.unit_mm, fitted.width, fitted.height) == (1, 30, 10)
    assert (fitted.keys[1].x, fitted.keys[1].w, fitted.keys[1].h) == (20, 10, 5)
    assert fitted.letters == "abc"


def test_scaled_multiplies_every_length() -> None:
    scaled = two_keys().scaled(2.5)
    np.testing.assert_allclose(scaled.centers, two_keys().centers * 2.5)
    np.testing.assert_allclose(scaled.sizes, two_keys().sizes * 2.5)
    assert scaled.unit_mm == 2
    assert scaled.width_mm == pytest.approx(15)


@pytest.mark.parametrize("factor", [0, -1, np.nan, np.inf, 1e9])
def test_scaled_refuses(factor: float) -> None:
    with pytest.raises(LayoutError):
        two_keys().scaled(factor)


def test_with_letters_regroups_and_labels_anew() -> None:
    layout = two_keys().with_letters(["c", "ba"], name="swapped")
    assert [key.letters for key in layout.keys] == ["c", "ba", ""]
    assert [key.label for key in layout.keys] == ["C", "BA", "space"]
    assert layout.name == "swapped"
    with pytest.raises(LayoutError, match="1 groups for 2 keys"):
        two_keys().with_letters(["abc"])
    with pytest.raises(LayoutError, match="no key has 'c'"):
        two_keys().with_letters(["a", "b"])


def test_distance_from() -> None:
    base = two_keys()
    assert base.distance_from(base) == 0
    assert base.fitted(80, 20).distance_from(base) == pytest.approx(0)
    # On a row 3 wide the centres lie at 1 and 2.5: a letter that changes keys moves half of 3.
    swapped = base.with_letters(["c", "ab"])
    assert swapped.distance_from(base) == pytest.approx(0.5)
    one = base.with_letters(["b", "ca"])
    assert one.distance_from(base) == pytest.approx(0.5 / 3)
    assert one.distance_from(base, weights={"a": 3, "b": 1}) == pytest.approx(0.5 * 3 / 4)


def test_distance_from_refuses() -> None:
    base = two_keys()
    small = Layout("small", 1, 3, 1, (Key("a", "A", 0, 0, 1, 1, "a"),), alphabet="a")
    with pytest.raises(LayoutError, match="no key has 'b', 'c'"):
        base.distance_from(small)
    with pytest.raises(LayoutError, match="weights: "):
        base.distance_from(base, weights={"a": -1})
    with pytest.raises(LayoutError, match="weights: "):
        base.distance_from(base, weights={})


BAD_KEYS = [
    ({"id": ""}, "key: id: "),
    ({"id": "a b"}, "key: id: "),
    ({"id": "\ud800"}, "key: id: "),
    ({"x": float("nan")}, 'key "left": x: '),
    ({"y": "1"}, 'key "left": y: '),
    ({"y": True}, 'key "left": y: '),
    ({"x": 10**5000}, 'key "left": x: '),
    ({"w": 0}, 'key "left": w: is 0; give a size above 0'),
    ({"h": -1}, 'key "left": h: '),
    ({"role": "fish"}, 'key "left": role: '),
    ({"letters": ""}, 'key "left": letters: '),
    ({"letters": "A"}, 'key "left": letters: .A. is a capital; write letters in lower case'),
    ({"letters": "a b"}, 'key "left": letters: '),
    ({"role": "space"}, 'key "left": letters: letters on a key of role space; remove them'),
    ({"label": 3}, 'key "left": label: '),
]


@pytest.mark.parametrize(("change", "message"), BAD_KEYS)
def test_a_bad_key_names_itself_and_the_field(change: dict[str, object], message: str) -> None:
    good = two_keys().keys[0]
    with pytest.raises(LayoutError, match=message) as caught:
        replace(good, **change)  # type: ignore[arg-type]
    assert caught.value.fix


BAD_LAYOUTS = [
    ({"name": " "}, "^name: "),
    ({"name": "a\nb"}, "^name: "),
    ({"unit_mm": 0}, "^unit_mm: "),
    ({"unit_mm": "6"}, "^unit_mm: "),
    ({"width": float("inf")}, "^surface: width: "),
    ({"height": 1e7}, "^surface: height: "),
    ({"language": "not a tag"}, "^language: "),
    ({"alphabet": "aab"}, "^alphabet: .a. is there twice"),
    ({"alphabet": "abC"}, "^alphabet: "),
    ({"alphabet": "abcd"}, "^keys: letters: no key has .d."),
    ({"note": "\udfff"}, "^note: "),
    ({"keys": ()}, "^keys: no keys"),
    ({"width": 2.5}, '^key "right": w: '),
    ({"height": 1}, '^key "bar": y: '),
]


@pytest.mark.parametrize(("change", "message"), BAD_LAYOUTS)
def test_a_bad_layout_names_the_field(change: dict[str, object], message: str) -> None:
    with pytest.raises(LayoutError, match=message) as caught:
        replace(two_keys(), **change)  # type: ignore[arg-type]
    assert caught.value.fix
    assert "\n" not in str(caught.value)


def moved(**change: float | str) -> Layout:
    layout = two_keys()
    return replace(
        layout, keys=(*layout.keys[:1], replace(layout.keys[1], **change), layout.keys[2])
    )


def test_across_keys() -> None:
    with pytest.raises(LayoutError, match='key "left": id: another key has this id'):
        moved(id="left")
    with pytest.raises(LayoutError, match='key "right": letters: \'b\' is already on key "left"'):
        moved(letters="bc")
    with pytest.raises(
        LayoutError, match="key \"right\": letters: 'c' is already on this key twice"
    ):
        moved(letters="cc")
    with pytest.raises(LayoutError, match='key "right": x: -1 lies outside'):
        moved(x=-1)


def test_overlap_has_a_tolerance_of_one_per_cent_of_a_side() -> None:
    moved(x=1.991)
    with pytest.raises(LayoutError, match=r"x, y, w, h: overlaps key .left. by 0\.1 x 1 units"):
        moved(x=1.9)
    # Over the whole width of "right", but no deeper than the tolerance.
    moved(y=0.009)
    with pytest.raises(LayoutError, match=r'key "bar": .* overlaps key "right"'):
        moved(y=0.02)
