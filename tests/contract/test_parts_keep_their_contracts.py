"""Every touch model, language model, pack and decoder of ours passes the checks that others' are tried with; and broken
ones do not, also where Python leaves assertions out."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from invented_touches import invented_log
from kenlm_of_pack import kenlm_of
from small_models import (
    PlainModel,
    PlainTouch,
    SmallLexicon,
    SmallPack,
    SmallTableModel,
    WithoutTable,
    row_layout,
)
from small_packs import build_small_pack

import nearkey as nk
from nearkey import touch
from nearkey.decode import TouchModel
from nearkey.errors import DecodeError

LAYOUT = row_layout(["ab", "cd", "e'", "st"])
PAD = nk.Layout.named("qwerty")
FITTED = [
    name
    for name in touch.__all__
    if isinstance(getattr(touch, name), type)
    and hasattr(getattr(touch, name), "fit")
    and hasattr(getattr(touch, name), "log_prob")
]
NGRAMS = {(i,): (float(np.log(0.1)), 0.0) for i in range(7)} | {
    (3, 4): (float(np.log(0.5)), 0.0),
    (1, 3): (float(np.log(0.3)), 0.0),
}
WORDS = ["ab", "bade", "cat", "dab"]


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    return nk.load_pack(build_small_pack(tmp_path_factory.mktemp("pack"))[0])


@pytest.fixture(scope="module")
def kenlm(built, tmp_path_factory):
    return kenlm_of(built, tmp_path_factory.mktemp("arpa") / "own.arpa")


def small_pack(model: Any = None) -> SmallPack:
    lexicon = SmallLexicon(WORDS, np.full(len(WORDS), np.log(0.2), np.float32))
    return SmallPack(lexicon, SmallTableModel(WORDS, NGRAMS, 2) if model is None else model)


# ---- ours ----


def test_the_touch_models_are_all_tried():
    assert {"GaussianTouch", "MixtureTouch", "StudentTouch", "PeopleTouch"} <= set(FITTED)


@pytest.mark.parametrize("name", FITTED)
def test_touch_models(name):
    model = getattr(touch, name)
    if name == "PersonTouch":
        fitted = touch.PeopleTouch().fit(invented_log(PAD), PAD).person()
    else:
        fitted = model().fit(invented_log(PAD), PAD)
    assert isinstance(fitted, TouchModel)
    nk.check_touch_model(fitted, PAD, integrate=False)


def test_a_touch_model_of_a_test():
    nk.check_touch_model(Refusing(PAD, 0.3), PAD)


class Refusing(PlainTouch):
    def log_prob(self, points: Any) -> Any:
        if np.isnan(points).any():
            raise ValueError("not finite")
        return super().log_prob(points)


def test_language_models(built, kenlm):
    nk.check_language_model(built.language_model, built.lexicon.words)
    nk.check_language_model(kenlm, built.lexicon.words)
    for model in (SmallTableModel(WORDS, NGRAMS, 2), PlainModel(WORDS)):
        nk.check_language_model(model, WORDS)
        nk.check_language_model(WithoutTable(model), WORDS)


def test_packs(built, kenlm):
    nk.check_pack(nk.load_pack("en"))
    nk.check_pack(built)
    nk.check_pack(replace(built, language_model=kenlm))
    nk.check_pack(small_pack())


def test_decoders(built, kenlm, tmp_path):
    costs = nk.EditCosts.typical(PAD)
    fitted = nk.GaussianTouch.from_layout(PAD, spread=0.4)
    for pack in (built, replace(built, language_model=kenlm)):
        for model in (fitted, Refusing(PAD, 0.3)):
            nk.check_decoder(nk.Decoder(PAD, model, pack))
            nk.check_decoder(nk.Decoder(PAD, model, pack, edits=costs, lm_weight=0.8))
    decoder = nk.Decoder(PAD, fitted, built, edits=costs)
    with nk.Person.open(tmp_path / "person", decoder) as person:
        nk.check_decoder(person.live)
    for model in (None, PlainModel(WORDS)):
        nk.check_decoder(nk.Decoder(LAYOUT, PlainTouch(LAYOUT, 0.4), small_pack(model)))


# ---- broken ones ----


@dataclass
class Changed:
    """A language model with one fault."""

    inner: PlainModel
    fault: str

    def start(self) -> Any:
        return "" if self.fault == "text" else ()

    def advance(self, state: Any, word: str) -> Any:
        if self.fault == "unhashable":
            return [word]
        if self.fault == "another each time":
            return (word, np.random.default_rng().random())
        return self.inner.advance(state, word)

    def log_probs(self, state: Any) -> Any:
        found = self.inner.log_probs(() if isinstance(state, str) else state[:1])
        return {
            "double": found.astype(np.float64),
            "short": found[1:],
            "positive": -found,
            "too much": found + np.float32(np.log(1.5)),
            "list": found.tolist(),
        }.get(self.fault, found)

    def log_unknown(self, state: Any) -> float:
        return float("nan") if self.fault == "unknown" else self.inner.log_unknown(())


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("text", "None or text"),
        ("unhashable", "cannot be hashed"),
        ("another each time", "differ for one history"),
        ("double", "no float32 array"),
        ("list", "no float32 array"),
        ("short", r"shape \(3,\), not \(4,\)"),
        ("positive", "NaN or more than 0"),
        ("too much", "sum to 1.49"),
        ("unknown", "log_unknown: gives NaN"),
    ],
)
def test_broken_language_models_are_found(fault, says):
    with pytest.raises(DecodeError, match=says):
        nk.check_language_model(Changed(PlainModel(WORDS), fault), WORDS)


def test_broken_packs_are_found(built):
    with pytest.raises(DecodeError, match="is no language pack"):
        nk.check_pack("en")
    pack = small_pack()
    twice = SmallLexicon([*WORDS[:3], "ab"], pack.lexicon.log_probs)
    with pytest.raises(DecodeError, match="holds a word twice"):
        nk.check_pack(SmallPack(twice, pack.language_model))
    with pytest.raises(DecodeError, match=r"sum to 2\."):
        nk.check_pack(
            SmallPack(SmallLexicon(WORDS, np.full(4, -0.5, np.float32)), pack.language_model)
        )
    other = nk.load_pack("en")
    with pytest.raises(DecodeError, match="log_probs: gives shape"):
        nk.check_pack(replace(built, language_model=other.language_model))


class Upside:
    """A decoder whose list is upside down."""

    def __init__(self, decoder: nk.Decoder) -> None:
        self._decoder = decoder

    def __getattr__(self, name: str) -> Any:
        return getattr(self._decoder, name)

    def candidates(self, points: Any, **options: Any) -> Any:
        return self._decoder.candidates(points, **options)[::-1]


def test_broken_decoders_are_found(built):
    decoder = nk.Decoder(PAD, nk.GaussianTouch.from_layout(PAD, spread=0.4), built)
    with pytest.raises(DecodeError, match="do not come best first"):
        nk.check_decoder(Upside(decoder))
    with pytest.raises(DecodeError, match="lacks a member"):
        nk.check_decoder(built)

    class Partly:
        layout, decode, candidates = PAD, decoder.decode, decoder.candidates

    with pytest.raises(DecodeError, match="lacks a member that sessions ask for; see"):
        nk.check_decoder(Partly())
    del Partly.candidates
    nk.check_decoder(Partly())


def test_the_checks_hold_without_assertions():
    code = (
        "import nearkey as nk\n"
        "try:\n    nk.check_pack('en')\nexcept nk.NearkeyError as fault:\n    print(fault)\n"
        "class Model:\n    key_ids = ()\n"
        "try:\n    nk.check_touch_model(Model(), nk.Layout.named('qwerty'))\n"
        "except nk.NearkeyError as fault:\n    print(fault)\n"
    )
    done = subprocess.run([sys.executable, "-O", "-c", code], capture_output=True, text=True)
    lines = done.stdout.splitlines()
    assert "is no language pack" in lines[0]
    assert "Model: key_ids: are not the layout's" in lines[1]
