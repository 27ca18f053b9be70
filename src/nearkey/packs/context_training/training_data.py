"""The text of a training: tokens of all sources, how often each is drawn from, and texts held out."""

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

from .network_options import BOS, FIRST_WORD, FORMAT, TrainingError


@dataclass(frozen=True, slots=True)
class TrainingData:
    """What `read_data` found.

    Attributes
    ----------
    vocabulary : number of tokens.
    tokens : (n,) uint16 or uint32, the sources one after another, sentences in their order.
    sources : name, first token, one past the last, and sampling weight of each.
    order : (vocabulary,) token ids by falling frequency, the special tokens first.
    texts : further texts by name: held-out sentences, held-out ends of sources, evaluation.
    about : what the data file says.
    """

    vocabulary: int
    tokens: np.ndarray
    sources: list[tuple[str, int, int, float]]
    order: np.ndarray
    texts: dict[str, np.ndarray]
    about: dict[str, Any]


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
    counts[:FIRST_WORD] = np.inf
    order = np.argsort(-counts, kind="stable").astype(np.uint32)
    return TrainingData(size, tokens, sources, order, texts, about)


def replace_texts(data: TrainingData, wanted: Callable[[str], bool]) -> TrainingData:
    """The data with only those further texts whose names are wanted."""
    return replace(data, texts={name: t for name, t in data.texts.items() if wanted(name)})


def ranks(data: TrainingData) -> np.ndarray:
    """(vocabulary,): each token's place in `data.order`."""
    rank = np.empty(data.vocabulary, dtype=data.tokens.dtype)
    rank[data.order] = np.arange(data.vocabulary)
    return rank


def log_unigram(data: TrainingData) -> np.ndarray:
    """(vocabulary,) natural logs of the sampled text's token frequencies, in the order of ranks."""
    counts = np.full(data.vocabulary, 0.5)
    for _, start, end, weight in data.sources:
        counts += weight * np.bincount(data.tokens[start:end], minlength=data.vocabulary)
    counts[BOS] = 0.5
    logs: np.ndarray = np.log(counts / counts.sum())[data.order].astype(np.float32)
    return logs
