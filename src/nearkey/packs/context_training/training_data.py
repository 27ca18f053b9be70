"""What a training is given: its options; tokens of all sources, how often each is drawn from, and texts held out."""

from __future__ import annotations

import json
import lzma
import os
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

Array = Any
"""A jax array, traced or not, or a numpy array."""
Params = dict[str, Any]

BOS = 1
FIRST_WORD = 4
FORMAT = 1
WEIGHTS = "weights8.npz"
"""Name of the file of trained weights."""


class TrainingError(Exception):
    """Training data or a checkpoint that cannot be used; one line."""


@dataclass(frozen=True, slots=True)
class Options:
    """What is trained, and how.

    Parameters
    ----------
    cells, width, layers : memory cells a layer; width of vectors and projections; number of layers.
    head, tail_width : how many of the most frequent tokens have vectors of `width`; width of the others' vectors.
    window, batch : tokens a row and rows a step.
    carry : probability that a row reads on with its state; else it begins at a random sentence.
    reset : probability that the state is set to zeros before a sentence within a row.
    rate, warm_up, clip, decay : peak learning rate (AdamW), steps until it is reached, largest norm of the
        gradient, weight decay.
    drop, drop_between, drop_words, drop_recurrent : probability of dropping: a component of vectors in and
        out (the same through a window), of outputs between layers, of whole words going in, of recurrent weights.
    average : decay of the running mean of the weights; 0 for none.
    minutes : wall-clock budget of the training, without compiling and evaluating.
    steps : at most this many steps; 0 for as many as the budget holds.
    seed : of everything random.
    chunk : rows of the output product at a time; bounds memory.
    low_logits : output products in bfloat16: less memory traffic, a little noise.
    """

    cells: int = 1024
    width: int = 256
    layers: int = 2
    head: int = 16_384
    tail_width: int = 128
    window: int = 64
    batch: int = 512
    carry: float = 0.6
    reset: float = 0.15
    rate: float = 3e-3
    warm_up: int = 400
    clip: float = 0.5
    decay: float = 0.02
    drop: float = 0.1
    drop_between: float = 0.1
    drop_words: float = 0.01
    drop_recurrent: float = 0.05
    average: float = 0.999
    minutes: float = 18.0
    steps: int = 0
    seed: int = 1
    chunk: int = 4096
    low_logits: bool = False


@dataclass(frozen=True, slots=True)
class TrainingData:
    """What `read_data` found; tokens are given by their place in `order`.

    Attributes
    ----------
    tokens : (n,) uint16 or uint32, the sources one after another, sentences in their order.
    sources : name, first token, one past the last, and sampling weight of each.
    order : (vocabulary,) token ids by falling frequency, the special tokens first.
    log_unigram : (vocabulary,) natural logs of the tokens' frequencies in the sampled text.
    texts : further texts by name: held-out sentences, held-out ends of sources, evaluation.
    """

    tokens: np.ndarray
    sources: list[tuple[str, int, int, float]]
    order: np.ndarray
    log_unigram: np.ndarray
    texts: dict[str, np.ndarray]


def read_data(
    folder: Path, *, weights: Mapping[str, float] | None = None, partial_data: bool = False
) -> TrainingData:
    """Read what `nearkey.packs.context_data` wrote; its files may lie in folders below `folder`.

    `weights` replaces the sampling weights (relative, a token) of the sources it names. With `partial_data` sources
    that are not there are left out, to try how fast a machine is. Raises TrainingError for data that is damaged.
    """
    try:
        return _read(folder, weights or {}, partial_data)
    except (OSError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError, RecursionError, EOFError,
            lzma.LZMAError) as fault:  # fmt: skip
        raise TrainingError(
            f"{folder}: is no training data, or damaged ({type(fault).__name__}): write it again"
        ) from None


def _read(folder: Path, given: Mapping[str, float], partial_data: bool) -> TrainingData:
    places = {path.name: path for path in sorted(folder.rglob("*"), reverse=True)}
    about = json.loads(places["data.json"].read_text("utf-8"))
    if about["format"] != FORMAT:
        raise TrainingError(f"{places['data.json']}: format {about['format']}, not {FORMAT}")
    if about["dtype"] not in ("<u2", "<u4"):
        raise ValueError(f"tokens of type {about['dtype']!r}")
    dtype = np.dtype(about["dtype"])

    def load(record: dict[str, Any]) -> np.ndarray:
        data = lzma.decompress(places[record["file"]].read_bytes())
        found = np.frombuffer(data, dtype=dtype)
        if len(found) != record["tokens"]:
            raise TrainingError(f"{record['file']}: {len(found)} tokens, not {record['tokens']}")
        return found

    if partial_data:
        for kind in ("sources", "texts"):
            about[kind] = [r for r in about[kind] if r["file"] in places]
    missing = [r["file"] for r in (*about["sources"], *about["texts"]) if r["file"] not in places]
    if missing:
        raise TrainingError(f"not in {folder}: {', '.join(missing)}")
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        parts = list(pool.map(load, about["sources"]))
        texts = dict(
            zip((r["name"] for r in about["texts"]), pool.map(load, about["texts"]), strict=True)
        )
    ends = np.cumsum([len(part) for part in parts]).tolist()
    sources = [
        (r["name"], end - len(part), end, float(given.get(r["name"], r.get("weight", 1.0))))
        for r, part, end in zip(about["sources"], parts, ends, strict=True)
    ]
    tokens = np.concatenate(parts)
    size = int(about["vocabulary"])
    if not int(tokens.max()) < size <= 1 << 24:
        raise ValueError(f"a vocabulary of {size}")
    counts = np.zeros(size)
    for _, start, end, weight in sources:
        counts += weight * np.bincount(tokens[start:end], minlength=size)
    smoothed = counts + 0.5
    smoothed[BOS] = 0.5
    counts[:FIRST_WORD] = np.inf
    order = np.argsort(-counts, kind="stable").astype(np.uint32)
    log_unigram = np.log(smoothed / smoothed.sum())[order].astype(np.float32)
    rank = np.empty(size, dtype=dtype)
    rank[order] = np.arange(size)
    texts = {name: rank[text] for name, text in texts.items()}
    return TrainingData(rank[tokens], sources, order, log_unigram, texts)


def replace_texts(data: TrainingData, wanted: Callable[[str], bool]) -> TrainingData:
    """The data with only those further texts whose names are wanted."""
    return replace(data, texts={name: t for name, t in data.texts.items() if wanted(name)})
