"""A live session teaches a person what was confirmed, and takes back what was undone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from personal_doubles import TablePack
from test_personal_person import DECODER, PEOPLE, model_of, touches

from nearkey.decode import LiveDecoder
from nearkey.personal import Person, PersonalLanguage, TouchLearner
from nearkey.session import Learner, PersonalStore, Session


def anna() -> Person:
    words = PersonalLanguage(TablePack())
    return Person(DECODER, words=words, learner=TouchLearner(DECODER, PEOPLE.person(), words=words))


def start(person: Person, **options) -> Session:
    return Session(person.live, personal=person.words, learners=person.learners, **options)


def type_word(session: Session, word: str, rng: np.random.Generator) -> None:
    for x, y in touches(word, rng, np.zeros(2)):
        session.tap(float(x), float(y))


def test_a_person_has_what_a_session_asks() -> None:
    person = anna()
    assert isinstance(person.live, LiveDecoder)
    assert all(isinstance(learner, Learner) for learner in person.learners)
    assert isinstance(person.words, PersonalStore)


def test_confirmed_words_teach_and_undo_takes_back_both() -> None:
    rng = np.random.default_rng(0)
    person = anna()
    session = start(person)
    type_word(session, "level", rng)
    session.commit()
    shown, model = person.words.export(), model_of(person.learner)
    assert person.words.words_typed == 1
    type_word(session, "staff", rng)
    assert person.words.words_typed == 1  # not confirmed yet
    session.commit()
    assert person.words.words_typed == 2
    assert not np.array_equal(model_of(person.learner)[0], model[0])
    session.undo()
    assert person.words.export() == shown
    np.testing.assert_array_equal(model_of(person.learner)[0], model[0])
    session.redo()
    assert person.words.words_typed == 2


def test_a_private_session_teaches_nothing() -> None:
    rng = np.random.default_rng(1)
    person = anna()
    version, model = person.words.version, model_of(person.learner)
    session = start(person, private=True)
    for _ in range(3):
        type_word(session, "level", rng)
        session.commit()
    session.add_word("Zeiss")
    assert person.words.version == version
    assert person.words.export()["words"] == []
    np.testing.assert_array_equal(model_of(person.learner)[0], model[0])


def test_a_reader_serves_a_private_session() -> None:
    person = anna()
    person.words.add_word("Zeiss")
    session = Session(person.live, personal=person.words.reader(), private=True)
    type_word(session, "zeiss", np.random.default_rng(2))
    assert session.candidates[0].word == "zeiss"
    session.commit()
    assert person.words.words_typed == 0


def test_after_a_crash_an_undo_takes_the_word_back(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    words = PersonalLanguage.open(tmp_path / "words.jsonl", TablePack())
    session = Session(DECODER, personal=words, journal=tmp_path / "run.jsonl")
    for word in ("level", "staff"):
        type_word(session, word, rng)
        session.commit()
    # The program dies: neither is closed. Its locks go with it.
    words._store.close()
    session._journal.close()
    words = PersonalLanguage.open(tmp_path / "words.jsonl", TablePack())
    assert words.words_typed == 2
    session = Session.restore(tmp_path / "run.jsonl", DECODER, personal=words)
    session.undo()
    assert [row["word"] for row in words.export()["words"]] == ["level"]


def test_marks_are_asked_for_the_key_touched() -> None:
    person = anna()
    every = person.live.marks("level")
    assert person.live.marks("level", on=".!") == DECODER.marks("level", on=".!")
    assert {mark for mark, _ in person.live.marks("level", on=".!")} == {".", "!"}
    assert every == DECODER.marks("level")
