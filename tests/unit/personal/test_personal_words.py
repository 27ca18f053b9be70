"""What a store learns, offers, takes back and shows."""

from __future__ import annotations

import json
import math

import pytest
from personal_doubles import TablePack, TinyPack

from nearkey.personal import PersonalError, PersonalLanguage, WordSettings, recent_words


def test_a_new_word_enters_after_its_second_confirmation() -> None:
    store = PersonalLanguage(TinyPack())
    store.learn("theodolite", ("the",))
    assert "theodolite" not in store.overlay(("the",))[1]
    assert store.new_words == []
    store.learn("Theodolite", ("the",))
    assert "theodolite" in store.overlay(("the",))[1]
    assert store.new_words == ["theodolite"]


@pytest.mark.parametrize("needed", [1, 2, 3, 5])
def test_the_number_of_confirmations_is_a_setting(needed: int) -> None:
    store = PersonalLanguage(TinyPack(), settings=WordSettings(enter_after=needed))
    for n in range(1, needed + 1):
        store.learn("theodolite")
        assert ("theodolite" in store) == (n >= needed)


def test_half_believed_words_do_not_confirm() -> None:
    store = PersonalLanguage(TinyPack())
    for _ in range(10):
        store.learn("theodolite", weight=0.4)
    assert "theodolite" not in store


def test_a_word_added_by_hand_enters_at_once_and_does_not_decay() -> None:
    store = PersonalLanguage(TinyPack(), settings=WordSettings(half_life_words=50))
    store.add_word("McAllister")
    assert "mcallister" in store.overlay(())[1]
    assert store.form("mcallister") == "McAllister"
    for _ in range(3000):
        store.learn("staff", ("the",))
    assert "mcallister" in store
    assert store.overlay(())[1]["mcallister"] > math.log(1e-5)


def test_taking_a_word_out_leaves_what_was_typed() -> None:
    store = PersonalLanguage(TinyPack())
    store.add_word("McAllister")
    store.add_word("Wild")
    store.learn("Wild")
    store.learn("Wild")
    assert store.remove_word("McAllister")
    assert not store.remove_word("McAllister")
    assert store.remove_word("wild")
    assert store.new_words == ["wild"]
    assert store.form("wild") == "Wild"


def test_words_of_the_lexicon_are_offered_from_the_first_use() -> None:
    pack = TinyPack()
    store = PersonalLanguage(pack)
    store.learn("shaft", ("the",))
    keep, own = store.overlay(("the",))
    before = float(pack.language_model.log_probs(("the",))[pack.lexicon.index("shaft")])
    assert math.log(math.exp(keep + before) + math.exp(own["shaft"])) > before


def test_phrases_are_learnt_not_words_alone() -> None:
    store = PersonalLanguage(TinyPack())
    for _ in range(5):
        store.learn("north", ("up",))
        store.learn("shaft", ("the",))
    assert store.overlay(("up",))[1]["north"] > store.overlay(("up",))[1]["shaft"] + 1
    assert store.overlay(("the",))[1]["shaft"] > store.overlay(("the",))[1]["north"] + 1


def test_a_form_is_the_one_written_most() -> None:
    store = PersonalLanguage(TinyPack())
    for word in ("ZEISS", "Zeiss", "Zeiss"):
        store.learn(word)
    assert store.form("zeiss") == "Zeiss"
    assert store.form("staff") == "staff"


@pytest.mark.parametrize(
    "text",
    ["", "  ", "two words", "a\nb", "42", "km3", "-", "x" * 65, "a\x00b", "end.", "a@b", "'tis"],
)
def test_what_is_no_word_is_not_learnt(text: str) -> None:
    store = PersonalLanguage(TinyPack())
    assert store.learn(text, ("the",)) is None
    assert store.words_typed == 0
    with pytest.raises(PersonalError, match="no word"):
        store.add_word(text)


@pytest.mark.parametrize("weight", [0.0, -1.0, 1.5, math.nan])
def test_weights_outside_the_range_are_refused(weight: float) -> None:
    with pytest.raises(PersonalError, match="weight"):
        PersonalLanguage(TinyPack()).learn("staff", weight=weight)


def test_retracting_reverses_exactly_one_observation() -> None:
    store = PersonalLanguage(TinyPack())
    store.learn("staff", ("the",))
    before = store.export(), store.overlay(("the",))
    serial = store.learn("Zeiss", ("the",))
    after = store.export()
    assert store.retract(serial)
    assert (store.export(), store.overlay(("the",))) == before
    assert not store.retract(serial)
    assert (store.export(), store.overlay(("the",))) == before
    store.learn("Zeiss", ("the",))
    assert store.export() == after


def test_retracting_without_a_number_takes_back_the_last() -> None:
    store = PersonalLanguage(TinyPack())
    store.learn("staff")
    store.learn("shaft")
    assert store.retract()
    assert [row["word"] for row in store.export()["words"]] == ["staff"]
    assert store.retract()
    assert not store.retract()
    assert store.export()["words"] == []


def test_the_last_words_can_be_taken_back_after_settling() -> None:
    store = PersonalLanguage(TinyPack(), settings=WordSettings(undo_words=30))
    serials = [store.learn("staff", ("the",)) for _ in range(3000)]
    typed = store.words_typed
    assert all(store.retract(s) for s in reversed(serials[-30:]))
    assert store.words_typed == typed - 30
    assert not store.retract(serials[0])


def test_version_changes_with_every_change_and_answers_are_kept_between() -> None:
    store = PersonalLanguage(TinyPack())
    seen = {store.version}
    serial = store.learn("staff", ("the",))
    assert store.overlay(("the",))[1] is store.overlay(("the",))[1]
    for change in (
        lambda: store.retract(serial),
        lambda: store.learn("shaft"),
        lambda: store.add_word("Zeiss"),
        lambda: store.forget("zeiss"),
        lambda: store.wipe(),
    ):
        seen.add(store.version)
        change()
        assert store.version not in seen
    assert PersonalLanguage(TinyPack()).version != PersonalLanguage(TinyPack()).version
    hash(store.version)


def test_forgetting_removes_a_word_its_phrases_and_its_observations() -> None:
    store = PersonalLanguage(TinyPack())
    serial = store.learn("Zeiss", ("the",))
    store.learn("Zeiss", ("the",))
    store.learn("level", ("the", "zeiss"))
    assert store.forget("Zeiss")
    assert "zeiss" not in json.dumps(store.export()).lower()
    assert not store.retract(serial)
    assert store.retract()  # "level", still as it was counted
    assert store.export()["words"] == []
    assert not store.forget("zeiss")


def test_wiping_leaves_nothing() -> None:
    store = PersonalLanguage(TinyPack())
    serial = store.learn("Zeiss", ("the",))
    store.add_word("Wild")
    store.wipe()
    assert store.overlay(("the",)) == (0.0, {})
    assert store.export()["words"] == store.export()["phrases"] == []
    assert not store.retract(serial)
    assert store.learn("staff") != serial


def test_an_export_can_be_read_by_people_and_json() -> None:
    store = PersonalLanguage(TinyPack())
    for word in ("Zeiss", "Zeiss", "level"):
        store.learn(word, ("the",))
    shown = json.loads(json.dumps(store.export()))
    assert shown["words_typed"] == 3
    assert [row["word"] for row in shown["words"]] == ["Zeiss", "level"]
    assert shown["words"][0]["uses"] == pytest.approx(2.0, abs=0.01)
    assert shown["words"][0]["new"]
    assert not shown["words"][1]["new"]
    assert {row["phrase"] for row in shown["phrases"]} == {"the zeiss", "the level"}


def test_a_reader_follows_the_store_and_cannot_teach() -> None:
    store = PersonalLanguage(TinyPack())
    view = store.reader()
    store.learn("Zeiss", ("the",))
    store.learn("Zeiss", ("the",))
    assert view.version == store.version
    assert view.overlay(("the",)) == store.overlay(("the",))
    assert view.form("zeiss") == "Zeiss"
    public = {name for name in dir(view) if not name.startswith("_")}
    assert public == {"version", "overlay", "form"}


def test_only_the_most_used_words_are_offered() -> None:
    pack = TinyPack()
    store = PersonalLanguage(pack, settings=WordSettings(max_offered=2))
    for word in ("the", "the", "staff", "staff", "staff", "shaft", "up"):
        store.learn(word)
    assert store.overlay(())[1].keys() == {"the", "staff"}


def test_the_store_stays_bounded() -> None:
    settings = WordSettings(max_words=50, max_phrases=60, undo_words=20)
    store = PersonalLanguage(TinyPack(), settings=settings)
    letters = "abcdefghijklmnopqrstuvwxyz"
    for i in range(3000):
        word = letters[i % 26] + letters[i // 26 % 26] + letters[i // 676]
        store.learn(word, (letters[i % 7], "the"))
    shown = store.export()
    # What settling left, and what has come since the last time.
    assert len(shown["words"]) <= 50 + 20 + 400
    assert len(shown["phrases"]) <= 60 + 2 * (20 + 400)


def test_states_of_a_table_are_read_as_words() -> None:
    pack = TablePack()
    model = pack.language_model
    read = recent_words(pack)
    state = model.advance(model.start(), "staff")
    assert read(state) == ("<s>", "staff")
    assert read(model.advance(state, "theodolite")) == ("staff", "<unk>")
    assert read(()) == read(None) == ()


def test_states_that_say_nothing_teach_words_alone() -> None:
    read = recent_words(TinyPack())
    assert read(("the", "staff")) == ("the", "staff")
    assert read(7) == read("text") == read((1, 2)) == ()
    store = PersonalLanguage(TinyPack(), recent_words=lambda state: ())
    store.learn("staff", ("the",))
    assert store.export()["phrases"] == []
