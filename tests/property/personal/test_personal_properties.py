"""Whatever is learnt and taken back in whatever order, and however the words are decoded."""

from __future__ import annotations

import math
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from personal_doubles import TablePack, TinyPack

from nearkey.decode import Decoder
from nearkey.layout import Layout
from nearkey.personal import PersonalLanguage, WordSettings
from nearkey.touch import GaussianTouch

WORDS = ["set", "up", "the", "staff", "Zeiss", "Maß", "don't", "αβ", "north"]
SMALL = WordSettings(undo_words=8, half_life_words=60, max_words=6, max_phrases=12, max_offered=5)

actions = st.one_of(
    st.tuples(
        st.just("learn"),
        st.sampled_from(WORDS),
        st.lists(st.sampled_from([w.lower() for w in WORDS]), max_size=3),
        st.sampled_from([1.0, 0.6, 0.25]),
    ),
    st.tuples(st.just("retract"), st.integers(0, 12)),
    st.tuples(st.sampled_from(["add", "remove", "forget"]), st.sampled_from(WORDS)),
    st.tuples(st.sampled_from(["reopen", "flush"])),
)


def act(store: PersonalLanguage, action: tuple, serials: list[int]) -> None:
    match action:
        case ("learn", word, context, weight):
            serials.append(store.learn(word, tuple(context), weight=weight))
        case ("retract", back):
            if back < len(serials):
                store.retract(serials[-1 - back])
        case ("add", word):
            store.add_word(word)
        case ("remove", word):
            store.remove_word(word)
        case ("forget", word):
            store.forget(word)
        case ("flush",):
            store.flush()


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(actions, max_size=60))
def test_a_file_reopened_at_any_moment_is_the_store_in_memory(plan: list[tuple]) -> None:
    pack = TinyPack()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "words.jsonl"
        stored = PersonalLanguage.open(path, pack, settings=SMALL)
        serials: list[int] = []
        for action in plan:
            if action == ("reopen",):
                shown = stored.export()
                stored._store.close()  # as a killed process leaves it: nothing is written at the end
                stored = PersonalLanguage.open(path, pack, settings=SMALL)
                assert stored.export() == shown
            else:
                act(stored, action, serials)
            looked = PersonalLanguage.open(path, pack, settings=SMALL, read_only=True)
            assert looked.export() == stored.export()
            # One has followed word by word, the other counted everything anew.
            for state in ((), ("the",), ("set", "up")):
                mine, theirs = stored.overlay(state), looked.overlay(state)
                assert mine[0] == pytest.approx(theirs[0], abs=1e-12)
                assert mine[1] == pytest.approx(theirs[1], abs=1e-9)
        stored.close()


@settings(max_examples=100, deadline=None)
@given(st.lists(actions, max_size=30), st.lists(actions, min_size=1, max_size=8))
def test_undoing_observations_last_first_is_as_if_they_had_not_been(
    before: list[tuple], observations: list[tuple]
) -> None:
    store = PersonalLanguage(TinyPack(), settings=SMALL)
    serials: list[int] = []
    for action in before:
        act(store, action, serials)
    shown = store.export()
    taught: list[int] = []
    for action in observations:
        if action[0] == "learn":
            act(store, action, taught)
    for serial in reversed(taught):
        assert store.retract(serial)
    assert store.export() == shown


@settings(max_examples=60, deadline=None)
@given(st.lists(actions, max_size=40), st.lists(st.sampled_from(WORDS), max_size=2))
def test_every_overlay_is_a_distribution(plan: list[tuple], context: list[str]) -> None:
    pack = TinyPack()
    store = PersonalLanguage(pack, settings=SMALL)
    serials: list[int] = []
    for action in plan:
        act(store, action, serials)
    state = tuple(w.lower() for w in context)
    keep, own = store.overlay(state)
    assert keep <= 0
    base = np.exp(pack.language_model.log_probs(state).astype(float)).sum()
    total = math.exp(keep) * base + sum(math.exp(p) for p in own.values())
    assert abs(total - 1) < 1e-6
    assert all(w in pack.lexicon or w in store for w in own)


LETTERS = "etaoinsh"
spelled = st.text(LETTERS, min_size=1, max_size=4)


@st.composite
def lexicons(draw) -> tuple[dict[str, float], dict[str, dict[str, float]], list[str]]:
    """A lexicon, followers of some of its words, and words of the person (some of them new)."""
    words = draw(st.lists(spelled, min_size=3, max_size=25, unique=True))
    shares = draw(st.lists(st.floats(0.01, 1.0), min_size=len(words), max_size=len(words)))
    total = sum(shares)
    probabilities = {w: s / total for w, s in zip(words, shares, strict=True)}
    followers = {
        v: {w: 0.8 / len(set(f)) for w in f}
        for v, f in draw(
            st.dictionaries(
                st.sampled_from(words),
                st.lists(st.sampled_from(words), min_size=1, max_size=min(3, len(words) - 1)),
                max_size=3,
            )
        ).items()
    }
    own = draw(st.lists(st.one_of(st.sampled_from(words), spelled), min_size=1, max_size=30))
    return probabilities, followers, own


LAYOUT = Layout.named("qwerty")
TOUCH = GaussianTouch.from_layout(LAYOUT, spread=0.5)


@settings(max_examples=80, deadline=None)
@given(lexicons(), st.integers(0, 2**32 - 1))
def test_decoding_with_the_overlay_is_exhaustive_scoring_of_the_mixture(parts, seed: int) -> None:
    probabilities, followers, own = parts
    pack = TablePack(probabilities, followers)
    model = pack.language_model
    store = PersonalLanguage(pack, settings=WordSettings(start_weight=0.3))
    state = model.start()
    for word in own:
        store.learn(word, state)
        state = model.advance(state, word)
    rng = np.random.default_rng(seed)
    words = [*pack.lexicon.words, *store.new_words]
    meant = str(rng.choice(words))
    keys = [LAYOUT.key_of_letter[c] for c in meant]
    points = TOUCH.sample(keys, rng)

    found = Decoder(LAYOUT, TOUCH, pack).decode(points, context=state, k=5, personal=store)

    density = TOUCH.log_prob(points)
    keep, mixed = store.overlay(state)
    scores = {}
    for word in words:
        if len(word) != len(points):
            continue
        touch = sum(density[i, LAYOUT.key_of_letter[c]] for i, c in enumerate(word))
        at = pack.lexicon.index(word)
        base = math.exp(keep + model.log_probs(state)[at]) if at is not None else 0.0
        scores[word] = touch + math.log(base + math.exp(mixed.get(word, -math.inf)))
    best = sorted(scores, key=lambda w: -scores[w])[:5]
    assert len(found) == len(best)
    np.testing.assert_allclose(
        [c.log_prob for c in found], [scores[w] for w in best], rtol=1e-5, atol=1e-5
    )
    for candidate in found:
        assert abs(scores[candidate.word] - candidate.log_prob) < 1e-4
