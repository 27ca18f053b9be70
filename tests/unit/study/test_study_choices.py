"""Which words count as taken from the list, and from where: each case worked by hand."""

from __future__ import annotations

import pytest

from nearkey.study import StudyLogRecorder, measures


def _ranks(*steps: tuple[str, str] | tuple[str, str, int]) -> dict[int, int]:
    """Steps are (type, text after it) or (type, text after it, place in the list); a second each."""
    log = StudyLogRecorder(participant="p1", condition="c", origin="invented")
    log.prompt("pin on", 0.0)
    for t, (kind, text, *rank) in enumerate(steps):
        if kind == "cursor":
            log.event(kind, float(t), **({"position": int(text)} if text else {}))
        else:
            log.event(kind, float(t), text=text, **({"rank": rank[0]} if rank else {}))
    log.end(float(len(steps)))
    return dict(measures(log.log()).phrases[0].counts.ranks)


PUN = (("tap", "p"), ("tap", "pu"), ("tap", "pun"))
STEPPED = (*PUN, ("accept", "pun", 0), ("accept", "pin", 1), ("accept", "pan", 2))


def test_stepping_to_the_third_is_one_word_at_place_three() -> None:
    assert _ranks(*STEPPED) == {2: 1}
    assert _ranks(*STEPPED, ("commit", "pan ")) == {2: 1}
    # A longer candidate in the place of a shorter one is about the same word as well.
    assert _ranks(*PUN, ("accept", "pin", 0), ("accept", "pins", 1)) == {1: 1}
    # Shift between two presses is no new word.
    assert _ranks(*PUN, ("accept", "pin", 0), ("cursor", ""), ("accept", "pan", 1)) == {1: 1}


def test_two_words_count_twice() -> None:
    two = (*STEPPED, ("tap", "pan o"), ("tap", "pan on"), ("accept", "pan on ", 0))
    assert _ranks(*two) == {0: 1, 2: 1}
    # A predicted word right after a committed one is a word of its own.
    predicted = (*PUN, ("accept", "pin", 1), ("commit", "pin "), ("accept", "pin on", 0))
    assert _ranks(*predicted) == {0: 1, 1: 1}


def test_an_undone_accept_does_not_stay() -> None:
    assert _ranks(*PUN, ("accept", "pin ", 1), ("undo", "pun")) == {}
    # Undone to the choice before, that one stands again.
    assert _ranks(*STEPPED, ("undo", "pin")) == {1: 1}
    assert _ranks(*STEPPED, ("undo", "pin"), ("redo", "pan")) == {2: 1}
    # Two steps back: neither the letter after it nor the accept.
    back = (*PUN, ("accept", "pin", 1), ("tap", "pin o"), ("undo", "pin"), ("undo", "pun"))
    assert _ranks(*back) == {}
    # An accept of what is shown already changes no text; undone, it does not stay either.
    assert _ranks(*PUN, ("accept", "pun", 0), ("undo", "pun")) == {}
    # A shift after it is undone, the accept is not.
    assert _ranks(*PUN, ("accept", "pin", 1), ("cursor", ""), ("undo", "pin")) == {1: 1}
    # An undo to a text that never was is taken as a deletion.
    assert _ranks(*PUN, ("accept", "pin ", 1), ("undo", "pi")) == {}


def test_a_choice_taken_back_by_deleting_does_not_stay() -> None:
    assert _ranks(*PUN, ("accept", "pin", 1), ("delete", "pun")) == {}
    assert _ranks(*PUN, ("accept", "pun", 0), ("delete", "pun")) == {}
    # The space after the word is deleted, the word stands.
    assert _ranks(*PUN, ("accept", "pin ", 1), ("delete", "pin")) == {1: 1}
    # A later word is deleted, letter by letter: the first stands, until the deleting reaches it.
    later = (*PUN, ("accept", "pin ", 1), ("tap", "pin o"), ("delete", "pin "))
    assert _ranks(*later) == {1: 1}
    assert _ranks(*later, ("delete", "pin"), ("delete", "pi")) == {}


def test_a_word_taken_by_moving_on_counts_where_no_accept_came_before() -> None:
    assert _ranks(*PUN, ("commit", "pun ", 0)) == {0: 1}
    assert _ranks(*PUN, ("accept", "pin", 1), ("commit", "pin ", 0)) == {1: 1}


def test_words_in_the_middle_keep_their_places() -> None:
    # "pin on", then the cursor to the front and a word before it: both choices stand; deleting in it takes one away.
    front = (
        *(*PUN, ("accept", "pin ", 1), ("tap", "pin o"), ("accept", "pin on", 2), ("cursor", "0")),
        *(("tap", "a pin on"), ("accept", "at pin on", 3)),
    )
    assert _ranks(*front) == {1: 1, 2: 1, 3: 1}
    assert _ranks(*front, ("delete", "a pin on")) == {1: 1, 2: 1}
    # "at" and the "pin" after it lose letters in one deletion: only "on" is left as chosen.
    assert _ranks(*front, ("cursor", "4"), ("delete", "an on")) == {2: 1}


@pytest.mark.parametrize("kind", ["tap", "text"])
def test_a_decoder_that_respells_a_chosen_word_keeps_the_choice(kind: str) -> None:
    assert _ranks(*PUN, ("accept", "pin", 1), (kind, "pan o")) == {1: 1}
