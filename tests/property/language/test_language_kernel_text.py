"""The kernel's ends of the estimator against Python's and numpy's own ways."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearkey._kernel import ArpaWriter, TokenReader, find_sorted, runs
from nearkey.errors import PackError
from nearkey.language.reading import textfiles
from nearkey.language.reading.textfiles import ReadOptions, ReadReport, read_blocks, read_plain

FIRST = ["<unk>", "<s>", "</s>"]
SPACES = "".join(c for c in map(chr, range(0x110000)) if c.isspace())
"""White space as `str` sees it (Python's documentation of str.isspace and str.split)."""
text_with_spaces = st.text(
    st.one_of(
        st.sampled_from(SPACES + "\n\nab\u2007\u200b\u00e9\u3042"), st.characters(codec="utf-8")
    )
)


@given(st.lists(text_with_spaces, max_size=4))
def test_tokens_are_those_of_str_split(blocks):
    reader = TokenReader(FIRST, 1, 2)
    ids = [reader.read(block) for block in blocks]
    names = reader.tokens()
    assert len(set(names)) == len(names) == len(reader)
    for block, found in zip(blocks, ids, strict=True):
        lines = block.split("\n")
        if not lines[-1]:
            lines.pop()
        expected = [token for line in lines for token in ("<s>", *line.split(), "</s>")]
        assert [names[i] for i in found] == expected
    seen = [names[i] for found in ids for i in found]
    assert names[3:] == [name for name in dict.fromkeys(seen) if name not in FIRST]


def test_a_reader_keeps_many_tokens_apart():
    words = [f"w{i}" for i in range(20_000)]
    reader = TokenReader(FIRST, 1, 2)
    assert list(reader.read(" ".join(words))[1:-1]) == list(range(3, 20_003))
    assert list(reader.read(" ".join(reversed(words)))[1:-1]) == list(range(20_002, 2, -1))
    assert reader.tokens() == [*FIRST, *words]


@pytest.mark.parametrize(("first", "begin"), [(["a", "a"], 0), (["a", "b"], 2)])
def test_a_reader_refuses_what_it_cannot_number(first, begin):
    with pytest.raises(ValueError, match=r"distinct|among"):
        TokenReader(first, begin, 0)


def written(value: float) -> str:
    return ArpaWriter(["a"]).rows(np.array([value]), np.zeros((1, 1), np.int64)).decode()[:-3]


@given(st.floats(-99.9, 9.9))
def test_numbers_of_an_arpa_file_are_right_to_their_seventh_digit(value):
    found = written(value)
    assert len(found) == 9
    assert abs(float(found) - value) <= 0.5000001 * 10.0 ** -len(found.partition(".")[2])


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (0.0, "-0.000000"),
        (-1.0, "-1.000000"),
        (-9.9999996, "-10.00000"),
        (-9.9999994, "-9.999999"),
        (-99.0, "-99.00000"),
        (0.25, "0.2500000"),
        (-123.5, "-123.5"),
        (12.25, "12.25"),
    ],
)
def test_numbers_at_the_edges(value, expected):
    assert written(value) == expected


def test_rows_of_an_arpa_file_show_back_offs_where_told():
    writer = ArpaWriter(["<unk>", "naïve", "b"])
    found = writer.rows(
        np.array([-0.5, -2.0]),
        np.array([[1, 2], [2, 0]]),
        np.array([-0.25, 7.0]),
        np.array([1, 0], dtype=np.uint8),
    )
    assert found.decode() == "-0.500000\tnaïve b\t-0.250000\n-2.000000\tb <unk>\n"
    with pytest.raises(ValueError, match="no text"):
        writer.rows(np.array([-0.5]), np.array([[3]]))
    with pytest.raises(ValueError, match="number"):
        writer.rows(np.array([-0.5]), np.array([[1], [2]]))


keys = st.lists(st.integers(-50, 60), max_size=300).map(lambda v: np.array(v, dtype=np.int64))


@given(keys, keys)
def test_keys_are_found_where_numpy_finds_them(some, wanted):
    ascending = np.unique(some)
    found = find_sorted(ascending, wanted)
    expected = [np.flatnonzero(ascending == key) for key in wanted]
    assert found.tolist() == [int(at[0]) if len(at) else -1 for at in expected]


@given(keys)
def test_runs_are_those_of_numpy_unique(some):
    ascending = np.sort(some + 50).astype(np.uint64)
    distinct, times = runs(ascending)
    expected, expected_times = np.unique(ascending, return_counts=True)
    assert distinct.tolist() == expected.tolist()
    assert times.tolist() == expected_times.tolist()


@settings(max_examples=60, deadline=None)
@given(st.text(st.characters(codec="utf-8", exclude_characters="\0\n"), max_size=30),
       st.lists(st.sampled_from(["one two", "", "drei", "vier fünf sechs\r", "x" * 9]), max_size=40))  # fmt: skip
def test_blocks_hold_the_lines_and_nothing_else(tmp_path_factory, last, lines):
    path = tmp_path_factory.mktemp("blocks") / "text.txt"
    whole = "".join(f"{line}\n" for line in lines) + last
    path.write_bytes(whole.encode())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(textfiles, "MAX_LINE_BYTES", 200)
        assert "".join(read_blocks(path, ReadOptions(), ReadReport())) == whole
        found = list(read_plain(path, ReadOptions(), ReadReport()))
    assert found == [line + "\n" for line in whole.split("\n")[:-1]] + ([last] if last else [])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.sampled_from(["one two", "", "vier fünf"]), min_size=1, max_size=60),
       st.sampled_from([b"\xff", b"\0"]), st.data())  # fmt: skip
def test_a_bad_byte_is_named_by_line_and_offset(tmp_path_factory, lines, bad, data):
    path = tmp_path_factory.mktemp("blocks") / "text.txt"
    number = data.draw(st.integers(0, len(lines) - 1))
    encoded = [line.encode() + b"\n" for line in lines]
    offset = sum(map(len, encoded[:number]))
    path.write_bytes(b"".join(encoded[:number]) + bad + b"".join(encoded[number:]))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(textfiles, "MAX_LINE_BYTES", 50)
        with pytest.raises(PackError) as caught:
            list(read_plain(path, ReadOptions(), ReadReport()))
        assert caught.value.field == f"line {number + 1}, byte {offset}"
        if bad == b"\xff":
            report = ReadReport()
            found = list(read_plain(path, ReadOptions(undecodable="drop"), report))
            assert found == [line + "\n" for at, line in enumerate(lines) if at != number]
            assert report.dropped["line not utf-8"] == 1
