"""The compiled context model against its equations in numpy, and against the trainer's own evaluation."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from context_reference import ContextReference
from small_context import invented_network

from nearkey._kernel import ContextModel
from nearkey.language import find_pack
from nearkey.language.arrays import map_bytes
from nearkey.language.info import CONTEXT_FILE
from nearkey.language.mapped_files import write_context_file
from nearkey.language.tokens import BOS, EOS

GOLDEN = Path(__file__).parent / "context_golden.json"


def network(tmp_path, **shape):
    """A network and its reference, over 70 tokens."""
    write_context_file(tmp_path / "context.bin", invented_network(70, **shape))
    data = map_bytes(tmp_path / "context.bin")
    return ContextModel(data), ContextReference(data)


@pytest.mark.parametrize(
    "shape",
    [
        {"seed": 1},
        {"seed": 2, "layers": 1, "head": 70},
        {"seed": 3, "layers": 3, "width": 32, "cells": 160, "head": 4},
        {"seed": 4, "width": 200, "cells": 130},
    ],
)
def test_the_kernel_computes_the_equations(tmp_path, shape):
    model, reference = network(tmp_path, **shape)
    rng = np.random.default_rng(9)
    tokens = [BOS, *rng.integers(3, 70, 12).tolist(), EOS, BOS, *rng.integers(3, 70, 12).tolist()]
    state, expected = b"", reference.start()
    for token in tokens:
        state, expected = model.advance(state, [token]), reference.advance(expected, token)
        found, wanted = model.log_probs(state), reference.log_probs(expected)
        assert found[BOS] == wanted[BOS] == -np.inf
        others = np.arange(70) != BOS
        np.testing.assert_allclose(found[others], wanted[others], atol=5e-3)
        assert np.exp(found.astype(np.float64)).sum() == pytest.approx(1.0, abs=1e-5)
    assert model.advance(b"", tokens) == state
    for by_sentence in (False, True):
        scores = model.score(np.array(tokens, np.uint32), by_sentence, EOS)[:, 0]
        wanted = reference.score(tokens, by_sentence=by_sentence)
        np.testing.assert_allclose(scores, wanted, atol=5e-3)


def shipped() -> Path:
    path = find_pack("en") / CONTEXT_FILE
    if not path.is_file():
        pytest.skip("the English pack has no context model")
    return path


def test_the_shipped_model_agrees_with_its_reference():
    data = map_bytes(shipped())
    model, reference = ContextModel(data), ContextReference(data)
    tokens = json.loads(GOLDEN.read_text("utf-8"))["tokens"][:40]
    for by_sentence in (False, True):
        found = model.score(np.array(tokens, np.uint32), by_sentence, EOS)[:, 0]
        wanted = reference.score(tokens, by_sentence=by_sentence)
        words = np.isfinite(wanted)
        assert np.abs(found - wanted)[words].max() < 0.01
        assert np.isneginf(found[~words]).all()


@pytest.mark.parametrize("text", ["by_sentence", "with_text_before"])
def test_the_shipped_model_agrees_with_its_trainer(text):
    """Invented sentences as tokens of the shipped lexicon, with natural log probabilities by the trainer's evaluation
    of the same 8-bit weights (`token_losses` of nearkey.packs.context_training under jax 0.12.0 on a CPU; bfloat16,
    which is what the tolerance is for)."""
    golden = json.loads(GOLDEN.read_text("utf-8"))
    model = ContextModel(map_bytes(shipped()))
    tokens = np.array(golden["tokens"], np.uint32)
    found = model.score(tokens, text == "by_sentence", EOS)[:, 0]
    wanted = np.array(golden[text])
    words = np.isfinite(found)
    assert words.sum() > 200
    error = np.abs(found - wanted)[words]
    assert error.max() < 0.05
    assert error.mean() < 0.01
