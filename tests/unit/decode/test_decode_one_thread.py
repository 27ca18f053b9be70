"""A stream and a session belong to one thread: another is told, until it takes them over."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest

import nearkey as nk
from nearkey.errors import NearkeyError


@pytest.fixture(scope="module")
def decoder() -> nk.Decoder:
    layout = nk.Layout.named("qwerty")
    return nk.Decoder(layout, nk.GaussianTouch.from_layout(layout, spread=0.3), nk.load_pack("en"))


def elsewhere(work: Callable[[], object]) -> object:
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(work).result()


def test_a_stream_of_another_thread_raises(decoder):
    stream = decoder.start()
    stream.tap(1.0, 1.0)
    for ask in (lambda: stream.tap(1.0, 1.0), stream.undo, stream.candidates):
        with pytest.raises(NearkeyError, match="another thread"):
            elsewhere(ask)
    assert len(stream) == 1
    elsewhere(lambda: (stream.take_over(), stream.tap(2.0, 1.0)))
    assert len(stream) == 2
    with pytest.raises(NearkeyError, match="another thread"):
        stream.undo()


def test_a_session_of_another_thread_raises_and_spoils_no_journal(decoder, tmp_path):
    path = tmp_path / "journal.jsonl"
    with nk.Session(decoder, journal=path) as session:
        session.insert("level ")

        def hammer() -> int:
            refused = 0
            for _ in range(50):
                for verb in (lambda: session.tap(1.0, 1.0), session.commit, lambda: session.text):
                    try:
                        verb()
                    except NearkeyError:
                        refused += 1
            return refused

        with ThreadPoolExecutor(4) as pool:
            others = [pool.submit(hammer) for _ in range(4)]
            for _ in range(50):
                session.tap(1.0, 1.0)
            assert all(other.result() == 150 for other in others)
        text = session.text
    with nk.Session.restore(path, decoder) as again:
        assert again.text == text
