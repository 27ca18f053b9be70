"""Numbers out of any range, touches that never end, a text without end: one line says so, or the answer is bounded."""

from __future__ import annotations

import math

import numpy as np
import pytest

import nearkey as nk
from nearkey.bounds import whole_number
from nearkey.decode.decoder import MOST_CONTEXT
from nearkey.decode.sentence import MOST_SENTENCE_TOUCHES
from nearkey.decode.touches import MOST_TOUCHES
from nearkey.errors import DecodeError, LayoutError, NearkeyError, PersonalError, PlanError
from nearkey.simulate.simulation_options import SimulationOptions

NO_COUNTS = [0, -1, 2.5, 2**70, math.nan, math.inf, True, None, "5"]
NO_PLACES = [
    [math.nan, 1], [1, math.inf], [1e154, 0], [2**70, 1], [0, 10**400], [1], [1, 2, 3], "ab", None,
]  # fmt: skip


@pytest.fixture(scope="module")
def decoder() -> nk.Decoder:
    layout = nk.Layout.named("qwerty")
    return nk.Decoder(
        layout, nk.GaussianTouch.from_layout(layout, spread=0.3), nk.load_pack("en"),
        edits=nk.EditCosts.typical(layout),
    )  # fmt: skip


def one_line(fault: pytest.ExceptionInfo[NearkeyError]) -> None:
    said = str(fault.value)
    assert "\n" not in said
    assert len(said) < 300


@pytest.mark.parametrize("k", [*NO_COUNTS, 10**9])
def test_a_number_of_candidates_is_a_number(decoder, k):
    point = [[1.0, 1.0]]
    for ask in (
        lambda: decoder.decode(point, k=k),
        lambda: decoder.candidates(point, k=k),
        lambda: decoder.start(k=k),
        lambda: decoder.decode_sentence(point, k=k),
        lambda: decoder.decode_sentence(point, width=k),
        lambda: decoder.decode_sentence(point, words=k),
        lambda: decoder.decode_batch(point, [0, 1], k=k),
        lambda: nk.Session(decoder, k=k),
    ):
        with pytest.raises(NearkeyError, match="whole number from 1 to") as fault:
            ask()
        one_line(fault)


@pytest.mark.parametrize("threads", NO_COUNTS)
def test_threads_and_workers_are_numbers(decoder, threads):
    with pytest.raises(DecodeError, match="threads"):
        decoder.decode_batch([[1.0, 1.0]], [0, 1], threads=threads)
    if threads is not None:  # which is as good as left out
        with pytest.raises(PlanError, match="workers"):
            SimulationOptions.of({"workers": threads})


def test_more_threads_than_a_machine_has_do_the_same_work(decoder):
    points = decoder.layout.centers[np.arange(600) % 26]
    offsets = np.arange(0, 601, 3)
    few = decoder.decode_batch(points, offsets, threads=1)
    many = decoder.decode_batch(points, offsets, threads=100_000)
    assert np.array_equal(few[0], many[0])


@pytest.mark.parametrize(
    "offsets", [[0, 5], [1], [0, 2, 1], [0, -1, 1], [], [[0, 1]], [0, 2**70], [0, 0.5, 1], None]
)
def test_offsets_that_do_not_fit_are_told(decoder, offsets):
    with pytest.raises(DecodeError, match="offsets"):
        decoder.decode_batch([[1.0, 1.0]], offsets)


@pytest.mark.parametrize("place", NO_PLACES, ids=str)
def test_what_is_no_place_is_no_touch(decoder, place):
    stream = decoder.start()
    session = nk.Session(decoder)
    asks = [
        lambda: decoder.decode([place]),
        lambda: decoder.candidates([place]),
        lambda: decoder.key_at(place),
        lambda: decoder.letters_at(place),
        lambda: decoder.literal([place]),
    ]
    if isinstance(place, list) and len(place) == 2:
        asks += [lambda: stream.tap(*place), lambda: session.tap(*place)]
    for ask in asks:
        with pytest.raises(NearkeyError) as fault:
            ask()
        one_line(fault)
    assert len(stream) == 0
    assert session.text == ""


def test_a_word_has_so_many_touches_and_no_more(decoder):
    places = decoder.layout.centers[np.arange(20_000) % 26]
    most = places[:MOST_TOUCHES]
    assert decoder.candidates(most)[0].kind == "spelled"
    assert decoder.decode(most) == []
    for ask in (decoder.candidates, decoder.decode):
        with pytest.raises(DecodeError, match="20000 touches in one word"):
            ask(places)
    with pytest.raises(DecodeError, match="touches in one sentence"):
        decoder.decode_sentence(places)
    stream = decoder.start()
    for x, y in most:
        stream.tap(x, y)
    with pytest.raises(DecodeError, match="touches in one word"):
        stream.tap(1.0, 1.0)
    assert len(stream) == MOST_TOUCHES
    assert MOST_SENTENCE_TOUCHES > MOST_TOUCHES


def test_a_stuck_sensor_costs_a_session_one_long_word(decoder):
    session = nk.Session(decoder)
    changed = [session.tap(1.5, 0.5) for _ in range(2000)]
    assert sum(changed) == MOST_TOUCHES
    assert len(session.touches) == MOST_TOUCHES
    assert session.commit()
    assert len(session.text) == MOST_TOUCHES + 1
    assert session.tap(1.5, 0.5)


def test_a_journal_of_a_longer_word_still_restores(decoder, tmp_path):
    # As an earlier version wrote it: the limit is kept by what decides, not by what replays.
    from nearkey.session import messages as msg
    from nearkey.session.journal import JournalWriter, header_of
    from nearkey.session.settings import SessionSettings

    path = tmp_path / "long.jsonl"
    with nk.Session(decoder) as plain:
        writer = JournalWriter.begin(path, header_of(decoder, plain.settings), fsync=False)
    for i in range(MOST_TOUCHES + 20):
        writer.append(msg.Tap(1.5, 0.5, time_s=float(i), key=""))
    writer.close()
    assert isinstance(plain.settings, SessionSettings)
    with nk.Session.restore(path, decoder) as session:
        assert len(session.touches) == MOST_TOUCHES + 20
        assert len(session.text) == MOST_TOUCHES + 20
        assert session.delete()
        assert session.commit()
        assert len(session.text) == MOST_TOUCHES + 20


@pytest.fixture(scope="module")
def by_words() -> nk.Decoder:
    """The decoder of a pack without a context model: its states are tuples of tokens."""
    layout = nk.Layout.named("qwerty")
    touch = nk.GaussianTouch.from_layout(layout, spread=0.3)
    return nk.Decoder(layout, touch, nk.load_pack("en", context_model=False))


def test_a_text_without_end_is_read_from_its_end(decoder, by_words):
    text = "the pole is " * 90_000
    assert decoder.state_after(text) == decoder.state_after(text[-MOST_CONTEXT:])
    assert len(text) > MOST_CONTEXT
    decoder.state_after("x" * 1_000_000)
    decoder.state_after("a" + "\u0316\u0301" * 500_000)
    for no_text in (2.5, b"pole", ["pole"], object()):
        with pytest.raises(DecodeError):
            decoder.state_after(no_text)
        with pytest.raises(DecodeError, match="neither text nor a state"):
            decoder.candidates([[1, 1]], context=no_text)
    for no_state in ((-1,), (2**40,), (1.5,), ("pole",), (1,) * 1000):
        with pytest.raises(DecodeError, match="neither text nor a state"):
            decoder.candidates([[1, 1]], context=no_state)
        with pytest.raises(DecodeError, match="neither text nor a state"):
            by_words.candidates([[1, 1]], context=no_state)
    # No such token: as good as unknown.
    by_words.candidates([[1, 1]], context=(2**32 - 1, 2**32 - 1))


@pytest.mark.parametrize("cells", [*NO_COUNTS, 10**20, 101])
def test_rows_and_columns_are_numbers(cells):
    base = nk.Layout.named("qwerty")
    with pytest.raises(LayoutError, match="columns"):
        nk.grid_layouts(base, rows=2, columns=cells)
    with pytest.raises(LayoutError, match="rows"):
        nk.grid_layouts(base, rows=cells, columns=2)


def test_letters_without_end_make_no_layout():
    layout = nk.Layout.named("qwerty")
    data = layout.to_dict()
    many = "".join(chr(0x4E00 + i) for i in range(20_000))
    for change in ({"alphabet": many}, {"name": "x" * 10**6}, {"note": "x" * 10**6}):
        with pytest.raises(LayoutError) as fault:
            nk.Layout.from_dict(data | change)
        one_line(fault)
    data["keys"][0]["letters"] += many
    with pytest.raises(LayoutError, match="letters") as fault:
        nk.Layout.from_dict(data)
    one_line(fault)


def test_a_word_of_marks_without_end_is_no_word(decoder):
    words = nk.PersonalLanguage(decoder.pack)
    endless = "a" + "\u0316\u0301" * 500_000
    assert endless not in words
    assert words.learn(endless) is None
    assert not words.forget(endless)
    with pytest.raises(PersonalError, match="is no word") as fault:
        words.add_word(endless)
    one_line(fault)
    assert decoder.pack.lexicon.index(endless) is None


def test_numbers_of_numpy_are_numbers():
    for value in (np.int64(3), np.uint8(3), 3):
        made = whole_number(value, low=1, high=5, error=DecodeError, field="k")
        assert made == 3
        assert type(made) is int
