"""The session over the package's own decoder, touch model and store of personal words."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from session_fakes import WORDS, Typist, barrel_pad, qwerty_pad
from small_models import SmallLexicon, SmallPack, SmallTableModel, random_ngrams

from nearkey.decode import Decoder, EditCosts, LiveDecoder
from nearkey.layout import Layout
from nearkey.personal import PersonalLanguage
from nearkey.session import PersonalStore, Session
from nearkey.touch import GaussianTouch

PLAIN = sorted({w.lower() for w in WORDS})


class Fingers(Decoder):
    """The decoder, and where to touch on its layout."""

    def center(self, letter_or_id: str) -> tuple[float, float]:
        at = self.layout.key_of_letter.get(letter_or_id)
        key = self.layout.keys[self.layout.key_index(letter_or_id) if at is None else at]
        return key.cx, key.cy


def real(layout: Layout | None = None) -> Fingers:
    layout = layout or qwerty_pad()
    rng = np.random.default_rng(5)
    ngrams = random_ngrams(rng, len(PLAIN), 2, 0.1)
    model = SmallTableModel(PLAIN, ngrams, 2)
    log_probs = np.asarray([ngrams[(3 + i,)][0] for i in range(len(PLAIN))], np.float32)
    pack = SmallPack(SmallLexicon(PLAIN, log_probs), model)
    edits = EditCosts(omitted=-5.0, extra=-8.0, swapped=-5.0, completion=-2.0)
    return Fingers(layout, GaussianTouch.from_layout(layout, spread=0.25), pack, edits=edits)


def real_typist(decoder: Fingers | None = None, **options: Any) -> Typist:
    decoder = decoder or real()
    return Typist(Session(decoder, **options), decoder)  # type: ignore[arg-type]


def test_the_decoder_and_the_store_are_what_a_session_asks_for() -> None:
    decoder = real()
    assert isinstance(decoder, LiveDecoder)
    assert isinstance(PersonalLanguage(decoder.pack), PersonalStore)


def test_words_marks_and_corrections_through_all_the_keys() -> None:
    t = real_typist()
    t.words("gate open later")
    t.key("dot")
    assert t.session.text == "gate open later. "
    t.key("del", "del", "del")
    assert t.session.word == "later"
    assert len(t.session.touches) == 5
    t.key("space", "sym", "space")
    assert t.session.text == "gate open later. "
    t.session.spell(True)
    t.type("qx")
    t.session.mark("@")
    assert t.session.text == "gate open later. qx@"


def test_letters_are_picked_on_grouped_keys() -> None:
    t = real_typist(real(barrel_pad()))
    t.type("later")
    for letter in "lhdwr":
        t.session.pick(letter)
    t.session.commit()
    assert t.session.text == "lhdwr "


def test_a_word_of_any_length_raises_nothing() -> None:
    t = real_typist()
    for _ in range(80):
        t.type("q")
    assert t.session.text
    for spelled in (True, False):
        t.session.spell(spelled)
        assert t.session.candidates


def test_a_kill_loses_nothing(tmp_path: Path) -> None:
    decoder = real()
    t = real_typist(decoder, journal=tmp_path / "run.jsonl")
    rng = np.random.default_rng(11)
    for _ in range(300):
        t.session.tap(*rng.uniform((0, 0), (10, 4)))
        t.session.candidates  # noqa: B018
    before = (t.session.state, t.session.text, t.session.cursor, t.session.candidates)
    t.session.close()
    with Session.restore(tmp_path / "run.jsonl", decoder) as again:
        assert (again.state, again.text, again.cursor, again.candidates) == before


def test_personal_words_take_effect_at_once_and_are_unlearnt_with_undo() -> None:
    decoder = real()
    store = PersonalLanguage(decoder.pack)
    t = real_typist(decoder, personal=store)
    t.type("tarn")
    assert "tarn" not in {c.word for c in t.session.candidates}
    assert t.session.add_word("tarn")
    assert "tarn" in {c.word for c in t.session.candidates}
    assert t.session.undo()
    assert "tarn" not in {c.word for c in t.session.candidates}
    fresh = store.export()
    t.session.commit()
    assert store.words_typed == 1
    t.session.undo()
    assert store.export() == fresh
    assert t.session.learn_fault is None


def _script(decoder: Fingers, seed: int) -> tuple[str, list[str]]:
    session = Session(decoder)
    rng = np.random.default_rng(seed)
    shown = []
    for _ in range(150):
        session.tap(*rng.uniform((0, 0), (10, 4)))
        shown.append(session.text)
    return session.text, shown


def test_one_decoder_serves_sessions_in_many_threads() -> None:
    decoder = real()
    alone = [_script(decoder, seed) for seed in range(8)]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(lambda seed: _script(decoder, seed), range(8)))
    assert together == alone


def test_a_sentence_through_the_english_pack() -> None:
    language = pytest.importorskip("nearkey.language")
    load = getattr(language, "load_pack", None)
    if load is None:
        pytest.skip("no load_pack in this build")
    try:
        pack = load("en")
    except Exception as fault:
        pytest.skip(f"the English pack is not built here: {fault}")
    layout = qwerty_pad()
    touch = GaussianTouch.from_layout(layout, spread=0.25)
    decoder = Fingers(layout, touch, pack, edits=EditCosts(completion=-4.0))
    t = real_typist(decoder)
    t.words("i will meet you at the gate")
    t.key("dot")
    assert t.session.text == "I will meet you at the gate. "
    t.words("yes")
    assert t.session.text == "I will meet you at the gate. Yes "
