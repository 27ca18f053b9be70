"""The context model of a pack that is built: taken from its training, or from the pack before, and mixed.

Network and n-gram table give probabilities over the same tokens. How much of each is fitted on held-out text,
sentence by sentence and with the text before: one weight for each length of context that the table knows, since a
table that knows little of a context should say little.
"""

from __future__ import annotations

import os
import struct
import zipfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from nearkey._kernel import ContextModel, NgramTable
from nearkey.errors import PackError
from nearkey.language.arrays import map_bytes
from nearkey.language.info import CONTEXT_FILE, ContextRecord, read_info
from nearkey.language.mapped_files import (
    read_context_arrays,
    read_context_header,
    write_context_file,
)
from nearkey.language.reading.textfiles import unreadable
from nearkey.language.tokens import BOS, FIRST_WORD, UNK
from nearkey.packs.context_training.training_data import WEIGHTS
from nearkey.schema import convert, read_json

Tokens = NDArray[np.uint32]


@dataclass(frozen=True, slots=True)
class TrainedContext:
    """A trained network: its arrays as `write_context_file` takes them, and the record of its training."""

    arrays: dict[str, NDArray[Any]]
    record: ContextRecord


class _Report(msgspec.Struct):
    """What is taken of a training's report."""

    options: dict[str, Any]
    trained_s: float
    steps: int
    tokens: int
    tokens_seen: int
    device: str
    versions: dict[str, str]


def read_trained(folder: str | os.PathLike[str], vocab_size: int) -> TrainedContext:
    """The context model in a folder: that of a training (``report.json`` and ``weights8.npz``), or of a pack.

    vocab_size : tokens it must be made for. Raises PackError for a folder with neither, and for a model of other
    tokens.
    """
    place = Path(folder)
    if (place / CONTEXT_FILE).is_file() and (place / "pack.toml").is_file():
        found = _of_pack(place)
    elif (place / "report.json").is_file():
        found = _of_training(place)
    else:
        problem = "neither a trained context model nor a pack with one"
        raise unreadable(problem, place, "train one: nearkey pack train", "report.json")
    size = len(found.arrays["order"])
    if size != vocab_size:
        problem = f"a context model of {size} tokens where the pack has {vocab_size}"
        raise unreadable(problem, place, "train it for this lexicon", "order")
    return found


def _of_pack(folder: Path) -> TrainedContext:
    info, path = read_info(folder), folder / CONTEXT_FILE
    if info.context is None:
        raise unreadable("says nothing of its context model", folder, "rebuild it")
    data = map_bytes(path)
    header = read_context_header(data, os.fspath(path))
    return TrainedContext(read_context_arrays(data, header), info.context)


def _of_training(folder: Path) -> TrainedContext:
    path = folder / "report.json"
    report = convert(
        read_json(path, PackError), _Report, error=PackError, where=path, fix="train it again"
    )
    try:
        with np.load(folder / WEIGHTS, allow_pickle=False) as found:
            arrays: dict[str, NDArray[Any]] = dict(found)
        # What is no array in the file is bytes here.
        if not all(isinstance(a, np.ndarray) for a in arrays.values()) or arrays["order"].ndim != 1:
            raise ValueError
    except (
        OSError,
        EOFError,
        LookupError,
        RuntimeError,
        MemoryError,
        ValueError,
        zipfile.BadZipFile,
        zlib.error,
    ):
        raise unreadable("holds no weights", folder, "train it again", WEIGHTS) from None
    options = {k: v for k, v in report.options.items() if isinstance(v, int | float)}
    record = ContextRecord(
        parameters=0,
        weights=[],
        fitted_words=0,
        tokens=report.tokens,
        tokens_seen=report.tokens_seen,
        steps=report.steps,
        minutes=round(report.trained_s / 60, 1),
        device="one GPU" if report.device.lower() != "cpu" else "CPU",
        options=options,
        versions=report.versions,
    )
    return TrainedContext(arrays, record)


def renumbered(
    trained: TrainedContext, token_of: NDArray[np.int64], vocab_size: int, *, never: float = -30.0
) -> TrainedContext:
    """The network for a lexicon whose words have other numbers, and for more words.

    token_of : (tokens,) the new number of each of its tokens. vocab_size : tokens there are then. The words it does not
    know get next to no probability (`never`, natural log before normalising): they are left to the n-gram table.
    """
    arrays = dict(trained.arrays)
    number = token_of.astype(np.uint32)
    known = number[arrays["order"].astype(np.int64)]
    fresh = np.setdiff1d(np.arange(vocab_size, dtype=np.uint32), number)
    arrays["order"] = np.concatenate([known, fresh]).astype(np.uint32)
    arrays["bias"] = np.concatenate([arrays["bias"].astype(np.float32), np.full(len(fresh), never)])
    last = "tail" if "tail" in arrays else "head"
    rows = np.zeros((len(fresh), arrays[last].shape[1]), np.int8)
    arrays[last] = np.concatenate([arrays[last], rows])
    scale = np.zeros(len(fresh), np.float32)
    arrays[f"{last}.scale"] = np.concatenate([arrays[f"{last}.scale"], scale])
    return TrainedContext(arrays, trained.record)


# ---- the mixture ----


def mixture_scores(
    network: ContextModel,
    table: NgramTable,
    tokens: Tokens,
    weights: Sequence[float],
    *,
    by_sentence: bool,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Natural log P of each token by the mixture, and P of an unknown word in its place, each (n,); 0 at the first.

    tokens : sentences, each from its ``<s>``. by_sentence : nothing is remembered from the sentence before.
    """
    share = np.asarray(weights)[table.known_context(tokens)]
    own = np.exp(network.score(tokens, by_sentence, UNK))
    grams = np.exp(table.score(tokens, 1))
    unknown = np.exp(table.score_as(tokens, UNK))
    with np.errstate(divide="ignore"):
        mixed = np.log(share * own[:, 0] + (1 - share) * grams)
    return np.insert(mixed, 0, 0.0), np.insert(share * own[:, 1] + (1 - share) * unknown, 0, 0.0)


def fit_shares(
    network: ContextModel, table: NgramTable, texts: Sequence[Tokens]
) -> tuple[list[float], int]:
    """The network's weights of the largest likelihood on held-out texts, sentence by sentence, and on how many words.

    Each text counts alike, whatever its length.
    """
    parts = []
    for tokens in texts:
        given = tokens[1:] != BOS
        own = np.exp(network.score(tokens, True, UNK)[given, 0])
        grams = np.exp(table.score(tokens, 1))[given]
        parts.append((own, grams, table.known_context(tokens)[given]))
    words = sum(int((tokens >= FIRST_WORD).sum()) for tokens in texts)
    return [round(float(weight), 4) for weight in fit_weights(parts, table.order)], words


def fit_weights(
    parts: Sequence[tuple[NDArray[Any], NDArray[Any], NDArray[Any]]], order: int
) -> NDArray[np.float64]:
    """The network's weights (order,) of the largest likelihood, by EM.

    parts : of each text, for each token what network and table give it (probabilities), and how many words of context
        the table knows there; each text counts alike.
    """
    weights = np.full(order, 0.5)
    for _ in range(100):
        won, asked = np.zeros(order), np.zeros(order)
        for own, grams, known in parts:
            share = weights[known]
            responsibility = share * own / (share * own + (1 - share) * grams)
            won += np.bincount(known, responsibility, order) / len(known)
            asked += np.bincount(known, minlength=order) / len(known)
        weights = np.where(asked > 0, won / np.maximum(asked, 1e-300), weights)
    return weights


def fit_context(
    folder: Path, trained: TrainedContext, texts: Sequence[Tokens]
) -> tuple[ContextRecord, ContextModel, NgramTable]:
    """Write the context file of a pack whose ``words.ngram`` is written, and fit the weights of both on held-out texts;
    the file's record, complete, and both models."""
    record = write_context(folder, trained)
    network = ContextModel(map_bytes(folder / CONTEXT_FILE))
    table = NgramTable(map_bytes(folder / "words.ngram"))
    weights, words = fit_shares(network, table, texts)
    return msgspec.structs.replace(record, weights=weights, fitted_words=words), network, table


def write_context(folder: Path, trained: TrainedContext) -> ContextRecord:
    """Write a pack's context file; its record. PackError for weights that are those of no network."""
    try:
        header = write_context_file(folder / CONTEXT_FILE, trained.arrays)
    except (LookupError, TypeError, ValueError, struct.error):
        problem = "holds weights that do not fit each other"
        raise unreadable(problem, folder, "train it again", WEIGHTS) from None
    return msgspec.structs.replace(trained.record, parameters=header.parameters)
