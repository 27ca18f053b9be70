"""The one text table, against tables written out by hand."""

import math

import pytest

from nearkey.intervals import Estimate
from nearkey.text_table import (
    estimate_text,
    field_lines,
    half_text,
    interval_text,
    number,
    p_value,
    text_table,
    within_width,
)


def test_columns_stand_under_their_heads_without_trailing_spaces():
    text = text_table(("layout", "n", "KSPC"), [("pad-2x3", 12, "1.403"), ("e161", None, "-")])
    assert text.splitlines() == [
        "layout    n   KSPC",
        "pad-2x3  12  1.403",
        "e161      -      -",
    ]


def test_left_columns_rule_and_tables_without_heads():
    text = text_table(("", "layout"), [("1", "pad"), ("12", "barrel")], left=(1,), rule=True)
    assert text.splitlines() == ["    layout", "-" * 10, " 1  pad", "12  barrel"]
    assert text_table((), [("a", "b"), ("long", "c")], left=(0, 1)) == "a     b\nlong  c"
    assert text_table((), []) == ""
    assert text_table(("only", "heads"), []) == "only  heads"


def test_a_wide_table_goes_on_below_itself():
    text = text_table(
        ("", "layout", "first", "second", "third"),
        [(1, "pad", "a" * 30, "b" * 40, "c" * 31), (2, "barrel", "d", "e", "f" * 90)],
        left=(1,),
        named=2,
    )
    assert text.splitlines() == [
        f"   layout  {'first'.rjust(30)}",
        f"1  pad     {'a' * 30}",
        f"2  barrel  {'d'.rjust(30)}",
        "",
        f"   layout  {'second'.rjust(40)}",
        f"1  pad     {'b' * 40}",
        f"2  barrel  {'e'.rjust(40)}",
        "",
        f"   layout  {'third'.rjust(90)}",
        f"1  pad     {('c' * 31).rjust(90)}",
        f"2  barrel  {'f' * 90}",
    ]
    fits = text_table(("a", "b"), [("x" * 39, "y" * 39)])
    assert [len(line) for line in fits.splitlines()] == [80, 80]
    assert len(text_table(("a", "b"), [("x" * 39, "y" * 40)]).splitlines()) == 2  # nothing to part


def test_uneven_rows_are_refused():
    with pytest.raises(ValueError):
        text_table(("a", "b"), [("1",)])


def test_field_lines_give_nested_fields_a_line_each():
    text = field_lines({"pack": "en", "held_out": {"news": 81.5, "talks": 60.25}, "n": 3})
    assert text.splitlines() == [
        "pack      en",
        "held_out  news: 81.5",
        "held_out  talks: 60.25",
        "n         3",
    ]


def test_figures_signs_shares_and_what_is_missing():
    assert number(1.005, 1) == "1.0"
    assert number(None) == number(math.nan) == "-"
    assert number(0.1234, 1, percent=True) == "12.3"
    assert number(0.5, sign=True) == "+0.50"
    assert number(math.inf) == "inf"


def test_estimates_with_their_intervals():
    one = Estimate(0.5, 0.25, 0.75)
    assert estimate_text(one, 1, percent=True) == "50.0 [25.0, 75.0]"
    assert estimate_text(one, sign=True) == "+0.50 [+0.25, +0.75]"
    assert interval_text(one) == "[0.2500, 0.7500]"
    assert half_text(one, 1, percent=True) == "50.0 ± 25.0"
    assert half_text(one, 2, sign=True) == "+0.50 ± 0.25"
    alone = Estimate(0.5, math.nan, math.nan)
    assert estimate_text(alone) == "0.50"
    assert estimate_text(None) == estimate_text(Estimate(math.nan, math.nan, math.nan)) == "-"
    assert half_text(alone) == "0.500 ± -"


@pytest.mark.parametrize(
    ("p", "shown", "said"),
    [
        (0.00005, "< 0.0001", "< 0.0001"),
        (0.0123, "0.0123", "= 0.0123"),
        (math.nan, "-", "= -"),
    ],
)
def test_p_values(p: float, shown: str, said: str):
    assert p_value(p) == shown
    assert p_value(p, relation=True) == said


def test_prose_is_broken_at_spaces_and_tables_are_not():
    prose = "a caution: " + "very long words and more of them " * 4
    row = "name" + " " * 30 + "value  " * 9
    text = within_width(f"{prose}\n{row}\n  {prose}")
    lines = text.split("\n")
    assert row in lines
    assert [line for line in lines if len(line) > 80 and line != row] == []
    assert " ".join(text.split()) == " ".join(f"{prose} {row} {prose}".split())
    assert lines[1].startswith("  ")
    word = "x" * 100  # a path, say: it has no place to be broken at
    assert within_width(word) == word


def test_text_behind_a_label_goes_on_below_its_own_beginning():
    label = "  matched             "
    lines = within_width(f"{label}{'row leads by a little ' * 6}".rstrip()).split("\n")
    assert max(map(len, lines)) <= 80
    assert lines[0].startswith(f"{label}row")
    assert len(lines) > 1
    for line in lines[1:]:
        assert line[: len(label)].strip() == ""
        assert line[len(label)] != " "


def test_a_long_value_of_a_field_goes_on_below_itself():
    lines = field_lines({"licence": "words " * 30, "n": 1}).split("\n")
    assert max(map(len, lines)) <= 80
    assert lines[1].startswith(" " * 9 + "words")
    assert lines[-1] == "n        1"
