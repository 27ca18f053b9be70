"""A small pack with an invented, untrained context model: what a network says does not matter to most tests."""

from __future__ import annotations

import shutil
from pathlib import Path

import msgspec
import numpy as np

from nearkey.language import info
from nearkey.language.mapped_files import write_context_file
from nearkey.language.tokens import FIRST_WORD

TRAINED = {
    "fitted_words": 100,
    "tokens": 1000,
    "tokens_seen": 5000,
    "steps": 10,
    "minutes": 0.1,
    "device": "none: invented",
    "options": {"cells": 24},
    "versions": {"numpy": np.__version__},
}


def invented_network(
    vocab_size: int, *, seed: int, width: int = 40, cells: int = 24, layers: int = 2, head: int = 30
) -> dict[str, np.ndarray]:
    """Arrays of a network with random weights, as `write_context_file` takes them. Logits reach some nats."""
    rng = np.random.default_rng(seed)
    arrays: dict[str, np.ndarray] = {}

    def matrix(name: str, rows: int, columns: int, gain: float) -> None:
        scale = gain * (3 / columns) ** 0.5  # sums of a row are about as large as what goes in
        arrays[name] = rng.integers(-127, 128, (rows, columns)).astype(np.int8)
        arrays[f"{name}.scale"] = (scale * rng.uniform(0.5, 1.0, rows) / 127).astype(np.float32)

    head = min(head, vocab_size)
    matrix("head", head, width, 4.0)
    if head < vocab_size:
        matrix("tail", vocab_size - head, 12, 3.0)
        matrix("widen", 12, width, 1.0)
    for layer in range(layers):
        matrix(f"input{layer}", 4 * cells, width, 1.0)
        matrix(f"recur{layer}", 4 * cells, width, 1.0)
        matrix(f"project{layer}", width, cells, 1.0)
        arrays[f"gates{layer}"] = rng.normal(size=4 * cells).astype(np.float32)
    arrays["bias"] = rng.normal(-1.0, 1.0, vocab_size).astype(np.float32)
    arrays["order"] = rng.permutation(vocab_size).astype(np.uint32)
    return arrays


def with_context(
    pack: Path, out: Path, *, seed: int = 5, weights: list[float] | None = None
) -> Path:
    """A copy of a pack's folder with an invented context model; its folder."""
    shutil.copytree(pack, out)
    made = info.read_info(pack)
    arrays = invented_network(FIRST_WORD + made.words, seed=seed)
    header = write_context_file(out / info.CONTEXT_FILE, arrays)
    shares = [0.4, 0.5, 0.6, 0.7, 0.8][: len(made.ngrams)] if weights is None else weights
    record = info.ContextRecord(parameters=header.parameters, weights=shares, **TRAINED)
    info.finish_folder(out, msgspec.structs.replace(made, context=record))
    return out
