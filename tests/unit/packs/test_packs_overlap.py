"""Training text that is in the evaluation text is left out. Yardstick: sets of words in a row."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from nearkey.language.reading.streams import TextStream, read_stream
from nearkey.packs.intake import LONG, SHORTEST, without_sentences_of

sentences = st.lists(
    st.lists(st.sampled_from(["peg", "Peg", "prism", "river", "at"]), min_size=1, max_size=14),
    max_size=12,
)


def stream_of(texts: list[list[str]]) -> TextStream:
    return read_stream([" ".join(words) for words in texts], deduplicate=False)


def texts_of(stream: TextStream) -> list[list[str]]:
    ids = stream.ids.tolist()
    return [
        [stream.surfaces[i] for i in ids[a:b]]
        for a, b in zip(stream.starts[:-1], stream.starts[1:], strict=True)
    ]


def rows(words: list[str], length: int) -> set[tuple[str, ...]]:
    lower = [word.lower() for word in words]
    return {tuple(lower[i : i + length]) for i in range(len(lower) - length + 1)}


@given(sentences, sentences, sentences)
def test_what_overlaps_goes_and_all_else_stays(text, one, two):
    theirs = [*one, *two]
    whole = {tuple(word.lower() for word in words) for words in theirs}
    long_rows = {row for words in theirs for row in rows(words, LONG)}

    def overlaps(words: list[str]) -> bool:
        same = len(words) >= SHORTEST and tuple(word.lower() for word in words) in whole
        return same or bool(rows(words, LONG) & long_rows)

    kept, dropped = without_sentences_of(stream_of(text), [stream_of(one), stream_of(two)])
    expected = [words for words in text if not overlaps(words)]
    assert texts_of(kept) == expected
    assert dropped == len(text) - len(expected)


def test_without_evaluation_texts_nothing_goes():
    stream = stream_of([["the", "prism", "stands", "at", "the", "river"]])
    assert without_sentences_of(stream, []) == (stream, 0)
    assert without_sentences_of(stream, [stream])[1] == 1
