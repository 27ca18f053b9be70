"""Layouts against sources outside the project; each is named beside its check."""

from __future__ import annotations

from math import comb, factorial

import pytest

from nearkey.layout import Layout, count_grids, grid_layouts

pytestmark = pytest.mark.reference

# ITU-T Recommendation E.161 (02/2001), the letters of its option A. Written from memory, and found
# equal to the alphabetic mapping of the phonenumbers library 9.0.43.
E161 = {
    "2": "abc",
    "3": "def",
    "4": "ghi",
    "5": "jkl",
    "6": "mno",
    "7": "pqrs",
    "8": "tuv",
    "9": "wxyz",
}

# Letter frequencies of English in per cent: Lewand, Cryptological Mathematics (2000).
LEWAND = {
    "a": 8.167, "b": 1.492, "c": 2.782, "d": 4.253, "e": 12.702, "f": 2.228, "g": 2.015,
    "h": 6.094, "i": 6.966, "j": 0.153, "k": 0.772, "l": 4.025, "m": 2.406, "n": 6.749,
    "o": 7.507, "p": 1.929, "q": 0.095, "r": 5.987, "s": 6.327, "t": 9.056, "u": 2.758,
    "v": 0.978, "w": 2.360, "x": 0.150, "y": 1.974, "z": 0.074,
}  # fmt: skip


def test_e161_letters() -> None:
    layout = Layout.named("e161")
    assert {key.id: key.letters for key in layout.letter_keys} == E161
    # The 4 x 3 arrangement of the standard: 1 top left, star and square beside 0 at the bottom.
    ids = [key.id for key in sorted(layout.keys, key=lambda key: (key.y, key.x))]
    assert ids == ["1", "2", "3", "4", "5", "6", "7", "8", "9", "star", "0", "hash"]


def test_e161_presses_a_letter_under_multi_tap() -> None:
    # Sum of p(c) times the place of c on its key: 2.1491 by hand from the table above.
    layout = Layout.named("e161")
    place = {c: i for key in layout.letter_keys for i, c in enumerate(key.letters, start=1)}
    presses = sum(share * place[letter] for letter, share in LEWAND.items()) / sum(LEWAND.values())
    assert presses == pytest.approx(2.1491, abs=5e-5)


@pytest.mark.parametrize(
    ("name", "rows"),
    [
        # Common practice, no source: the letter rows of English, German and French typewriters.
        ("qwerty", ["qwertyuiop", "asdfghjkl", "zxcvbnm"]),
        ("qwertz", ["qwertzuiop", "asdfghjkl", "yxcvbnm"]),
        ("azerty", ["azertyuiop", "qsdfghjklm", "wxcvbn"]),
        ("alphabetical", ["abcdefghij", "klmnopqrs", "tuvwxyz"]),
    ],
)
def test_typewriter_rows(name: str, rows: list[str]) -> None:
    layout = Layout.named(name)
    found = ["".join(k.letters for k in layout.keys if k.y == y) for y in range(3)]
    assert found == rows
    for y, row in enumerate(rows):  # each row centred on the surface
        xs = [key.cx for key in layout.keys if key.y == y]
        assert sum(xs) / len(row) == pytest.approx(layout.width / 2)


@pytest.mark.parametrize(("rows", "columns", "count"), [(1, 5, 16), (2, 3, 32), (3, 2, 2)])
def test_strict_grids_over_qwerty(rows: int, columns: int, count: int) -> None:
    # Common practice, no source.
    base = Layout.named("qwerty")
    assert count_grids(base, rows=rows, columns=columns) == count
    grids = list(grid_layouts(base, rows=rows, columns=columns))
    assert len({tuple(key.letters for key in grid.keys) for grid in grids}) == count


@pytest.mark.parametrize("cells", [(1, 1), (1, 5), (2, 3), (3, 3), (2, 13)])
def test_free_counts_are_stirling_numbers(cells: tuple[int, int]) -> None:
    # Letters into labelled cells, none empty: k! S(26, k); S from scipy.
    special = pytest.importorskip("scipy.special", reason="the extra 'stats' is not installed")
    k = cells[0] * cells[1]
    count = count_grids(Layout.named("qwerty"), rows=cells[0], columns=cells[1], rule="free")
    assert count == factorial(k) * special.stirling2(26, k, exact=True)


def test_ordered_counts_are_compositions() -> None:
    # Each row lies in one grid row, so it is a composition of its length into parts of at least 1:
    # C(n - 1, columns - 1) of them (Stanley, Enumerative Combinatorics 1, section 1.2).
    for columns in (1, 2, 3, 5):
        expected = comb(9, columns - 1) * comb(8, columns - 1) * comb(6, columns - 1)
        found = count_grids(Layout.named("qwerty"), rows=3, columns=columns, rule="ordered")
        assert found == expected
