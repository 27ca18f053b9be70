"""The mixture is a probability, and its weight is the one that explains the person's words best."""

from __future__ import annotations

import math
from dataclasses import fields

import numpy as np
import pytest
from personal_doubles import PROBABILITIES, TablePack, TinyPack

from nearkey.personal import PersonalError, PersonalLanguage, WordSettings

BIGRAMS = {"the": {"level": 0.5, "staff": 0.2}, "set": {"up": 0.9}}
TEXT = [
    *("set", "up", "the", "Zeiss", "level", "north", "the", "Zeiss", "staff"),
    *("set", "up", "the", "bevel", "north", "shaft", "Zeiss", "up"),
]


def taught(pack, settings: WordSettings | None = None) -> PersonalLanguage:
    store = PersonalLanguage(pack, settings=settings)
    state = pack.language_model.start()
    for word in TEXT:
        store.learn(word, state)
        state = pack.language_model.advance(state, word.lower())
    return store


@pytest.mark.parametrize("kind", [TinyPack, TablePack])
def test_probabilities_over_lexicon_and_new_words_sum_to_the_pack_s_mass(kind) -> None:
    # Kolmogorov: a mixture of distributions is one.
    pack = kind(bigrams=BIGRAMS)
    model = pack.language_model
    store = taught(pack, WordSettings(max_offered=4))
    assert store.new_words == ["zeiss"]
    for context in (["set"], ["the"], ["set", "up"], ["up", "the"], ["zeiss"], ["shaft", "north"]):
        state = model.start()
        for word in context:
            state = model.advance(state, word)
        keep, own = store.overlay(state)
        pack_mass = np.exp(model.log_probs(state).astype(float)).sum()
        total = math.exp(keep) * pack_mass + sum(map(math.exp, own.values()))
        own_mass = 1 - math.exp(keep)
        assert total == pytest.approx(1 - math.exp(keep) * (1 - pack_mass), abs=1e-9)
        assert sum(map(math.exp, own.values())) == pytest.approx(own_mass, abs=1e-9)
        assert own_mass > 0


def test_an_overlay_is_the_formula_worked_by_hand() -> None:
    # Two words typed, no fading to speak of: c(the) = c(staff) = 1, c(the staff) = 1, N = 2.
    pack = TinyPack()
    settings = WordSettings(
        half_life_words=1e9, caution=(8.0, 3.0, 1.0), start_weight=0.2, start_words=1e12,
        rescaling=0.0,
    )  # fmt: skip
    store = PersonalLanguage(pack, settings=settings)
    store.learn("the", ())
    store.learn("staff", ("the",))
    keep, own = store.overlay(("the",))
    c1 = 1 / (2 + 8)
    c2_staff, c2_the = (1 + 3 * c1) / (1 + 3), 3 * c1 / (1 + 3)
    pack_part = 8 / (2 + 8) * 3 / (1 + 3)
    assert own == pytest.approx({"staff": math.log(0.2 * c2_staff), "the": math.log(0.2 * c2_the)})
    assert keep == pytest.approx(math.log(0.8 + 0.2 * pack_part))


@pytest.mark.parametrize("kind", [TinyPack, TablePack])
def test_words_used_more_are_rescaled_where_they_fit(kind) -> None:
    # One use each of "level" and "staff", no fading to speak of; her own counts have no weight.
    pack = kind(bigrams=BIGRAMS)
    settings = WordSettings(
        half_life_words=1e9, start_weight=0.0, start_words=1e12, rescaling=0.5, rescaling_words=20.0
    )
    store = PersonalLanguage(pack, settings=settings)
    start = pack.language_model.start()
    for word in ("level", "staff"):
        store.learn(word, start)
    state = pack.language_model.advance(start, "the")
    p = {"level": 0.5, "staff": 0.2}  # after "the"; without context .15 and .1
    factor = {word: math.sqrt(1 + 1 / (20 * PROBABILITIES[word])) for word in p}
    norm = 1 + sum((factor[word] - 1) * p[word] for word in p)
    keep, own = store.overlay(state)
    assert keep == pytest.approx(-math.log(norm), abs=1e-6)
    for word, before in p.items():
        after = math.exp(keep) * before + math.exp(own[word])
        assert after == pytest.approx(factor[word] * before / norm, abs=1e-6)


def test_the_weight_settles_where_the_likelihood_is_largest() -> None:
    """On line EM against the maximum likelihood found by an independent optimiser (scipy)."""
    optimize = pytest.importorskip("scipy.optimize")
    pack = TinyPack()
    rng = np.random.default_rng(5)
    # The person draws words of her own two in three times, else the pack's.
    own = {"staff": 0.5, "shaft": 0.3, "north": 0.2}
    words = list(PROBABILITIES)
    p_pack = np.array([PROBABILITIES[w] for w in words])
    p_own = np.array([own.get(w, 0.0) for w in words])
    stream = rng.choice(words, size=6000, p=p_pack / 3 + 2 * p_own / 3)
    settings = WordSettings(
        half_life_words=1e7, caution=(1e-6, 1.0, 1.0), start_words=10.0, start_weight=0.15,
        max_weight=0.99, rescaling=0.0,
    )  # fmt: skip
    store = PersonalLanguage(pack, settings=settings, recent_words=lambda state: ())
    # The person's words are known beforehand: the weight alone is then to be learnt.
    for word, share in own.items():
        store._store.counts.words[word] = round(share * 1e6) * store._store.counts.unit(0)
        store._store.counts.times[word] = 1
    for word in stream:
        store.learn(str(word), ())
    counts = {w: int((stream == w).sum()) for w in words}

    def minus_log_likelihood(a: float) -> float:
        return -sum(
            n * math.log((1 - a) * PROBABILITIES[w] + a * own.get(w, 0.0))
            for w, n in counts.items()
        )

    best = optimize.minimize_scalar(minus_log_likelihood, bounds=(0.01, 0.98), method="bounded").x
    # Stochastic EM with steps 1/n: within a few hundredths after 6,000 words.
    assert store.weights[0] == pytest.approx(best, abs=0.03)
    assert best == pytest.approx(2 / 3, abs=0.06)


def test_where_the_two_never_overlap_the_weight_is_a_share_of_words() -> None:
    """Closed form: responsibilities are 0 or 1, so the posterior mean is the beta prior's."""
    pack = TinyPack({"the": 0.5, "level": 0.5})
    settings = WordSettings(
        half_life_words=1e9, caution=(1e-6, 1.0, 1.0), start_weight=0.2, start_words=10.0
    )
    store = PersonalLanguage(pack, settings=settings, recent_words=lambda state: ())
    store.add_word("Zeiss")
    for word in ["Zeiss"] * 30:
        store.learn(word, ())
    assert store.weights[0] == pytest.approx((10 * 0.2 + 30) / (10 + 30), abs=1e-3)


def test_weights_are_clipped() -> None:
    store = PersonalLanguage(TinyPack(), settings=WordSettings(max_weight=0.4))
    store.add_word("Zeiss")
    for _ in range(200):
        store.learn("Zeiss", ("the",))
    assert max(store.weights) == 0.4
    keep, _ = store.overlay(("the",))
    assert keep >= math.log(0.6)


def test_where_her_words_have_no_weight_a_new_one_after_others_is_not_offered() -> None:
    pack = TinyPack()
    store = PersonalLanguage(pack, settings=WordSettings(start_weight=0.0))
    for _ in range(3):
        store.learn("the", ())
        store.learn("zeiss", ("the",))
    assert store.new_words == ["zeiss"]
    keep, own = store.overlay(("the",))
    assert math.exp(own["zeiss"]) == 0.0
    p = math.exp(pack.language_model.log_probs(("the",))[pack.lexicon.index("the")])
    assert math.exp(keep) * p + math.exp(own["the"]) > p


def test_no_weight_is_no_overlay() -> None:
    store = PersonalLanguage(TinyPack(), settings=WordSettings(start_weight=0.0, rescaling=0.0))
    store.learn("staff", ("the",))
    assert store.overlay(("the",)) == (0.0, {})


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("half_life_words", 0.0),
        ("half_life_words", math.nan),
        ("start_weight", 0.9),
        ("max_weight", 1.0),
        ("caution", (1.0, 2.0)),
        ("caution", (1.0, 2.0, 0.0)),
        ("rescaling", 1.5),
        ("rescaling_words", 0.0),
        ("enter_after", 0),
        ("undo_words", -1),
        ("max_words", 2.5),
    ],
)
def test_settings_out_of_range_are_refused_by_name(field: str, value: object) -> None:
    with pytest.raises(PersonalError, match=field):
        WordSettings(**{field: value})


def _texts(of: object, seen: set[int]) -> set[str]:
    """All texts that an object of this room leads to."""
    if isinstance(of, str):
        return {of}
    if id(of) in seen:
        return set()
    seen.add(id(of))
    if isinstance(of, dict):
        parts = [*of, *of.values()]
    elif isinstance(of, list | tuple | set | frozenset):
        parts = list(of)
    elif type(of).__module__.startswith("nearkey.personal"):
        names = [*vars(of)] if hasattr(of, "__dict__") else [f.name for f in fields(of)]
        parts = [getattr(of, name) for name in names]
    else:
        return set()
    return set().union(*(_texts(part, seen) for part in parts))


@pytest.mark.parametrize("way", ["wipe", "forget"])
def test_what_is_forgotten_stays_nowhere_in_memory(way) -> None:
    store = taught(TablePack(bigrams=BIGRAMS))
    store.overlay((1,))
    assert "zeiss" in _texts(store._mixed, set())
    store.wipe() if way == "wipe" else store.forget("zeiss")
    assert "zeiss" not in _texts(store._mixed, set())
    store.overlay((1,))
    assert "zeiss" not in _texts(store._mixed, set())
