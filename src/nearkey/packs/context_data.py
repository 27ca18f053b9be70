"""The text that a pack's context model is trained on: the recipe's sources as tokens of the pack, in their order.

The sources are read as the n-gram builder reads them (same streams, same sentences held out, evaluation texts and
what overlaps with them kept out). What differs: the order of sentences within a source matters, because the
model remembers across sentences; and each source has a sampling weight.

A folder of training data holds ``data.json`` and one xz file of little-endian token ids for each source and
each further text. Further texts are never trained on:

- ``held_out.SOURCE``: sentences held out by their content, as in the builder;
- ``end.SOURCE``: the last sentences of a source, in a row, to measure what the text before is worth;
- ``evaluation.SOURCE``: the recipe's evaluation texts.
"""

from __future__ import annotations

import json
import lzma
import os
from collections.abc import Generator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import PackError
from nearkey.files import atomic_write
from nearkey.language.pack import load_pack
from nearkey.language.reading.streams import (
    TextStream,
    encode_stream,
    first_words,
    select,
    split_stream,
)
from nearkey.language.tokens import BOS, EOS, FIRST_WORD
from nearkey.packs import BuildProgress
from nearkey.packs.backoff import taken
from nearkey.packs.intake import read_sources
from nearkey.packs.ngram_counts import count_ngrams
from nearkey.packs.recipe import read_recipe

T = TypeVar("T")

_TRUTH = {"true": True, "false": False}

FORMAT = 1
_SMALLEST_END = 100_000
"""Words of a source from which on its end is kept apart."""
_END_SHARE, _END_WORDS = 0.01, 10_000


def write_training_data(
    recipe_path: str | os.PathLike[str],
    pack: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    data: str | os.PathLike[str] | None = None,
    cache: str | os.PathLike[str] | None = None,
    allow_outside: bool = False,
    parts: int = 1,
) -> Generator[BuildProgress, None, Path]:
    """Write a recipe's sources, as tokens of a built pack, into the folder `out`; returns it. Run it to its end, say by
    `nearkey.packs.finished`.

    Parameters
    ----------
    recipe_path : the recipe, its sources read as the builder does.
    pack : folder or name of the pack whose lexicon gives the tokens.
    data, cache, allow_outside : as for `build_pack`.
    parts : the files are spread over so many folders ``part0`` …, of about the same size.

    Raises PackError for a recipe or an input that cannot be used.
    """
    path, target = Path(recipe_path), Path(out)
    recipe = read_recipe(path)
    loaded = load_pack(pack, context_model=False)
    vocabulary = FIRST_WORD + len(loaded.lexicon)
    dtype = np.dtype("<u2" if vocabulary <= 1 << 16 else "<u4")
    intake = yield from read_sources(
        recipe, path, data=data, cache=cache, allow_outside=allow_outside
    )

    def tokens(stream: TextStream) -> NDArray[Any]:
        return encode_stream(stream, loaded.ngram_model.token_ids).astype(dtype)

    streams: dict[str, NDArray[Any]] = {}
    texts: dict[str, NDArray[Any]] = {}
    for source in recipe.text:
        if source.name not in intake.streams:
            continue
        yield BuildProgress("encode", len(streams), len(recipe.text), source.title)
        stream = intake.streams[source.name]
        body, end = _without_end(stream)
        if end.n_sentences:
            texts[f"end.{source.name}"] = tokens(end)
        if source.held_out:
            part = recipe.model.held_out_permille / 1000
            held = first_words(split_stream(stream, held_out=part)[1], recipe.model.held_out_words)
            body = split_stream(body, held_out=part)[0]
            if held.n_words:
                texts[f"held_out.{source.name}"] = tokens(held)
        streams[source.name] = tokens(body)
    for source in recipe.evaluation:
        if source.name in intake.evaluation:
            texts[f"evaluation.{source.name}"] = tokens(intake.evaluation[source.name])

    yield BuildProgress("weights")
    weights = fit_weights(
        streams,
        {n.partition(".")[2]: t for n, t in texts.items() if n.startswith("held_out.")},
        vocabulary,
    )
    target.mkdir(parents=True, exist_ok=True)
    yield BuildProgress("write")
    _write(target, streams, texts, weights, vocabulary, dtype, parts)
    yield BuildProgress("done", 1, 1, os.fspath(target))
    return target


def _without_end(stream: TextStream) -> tuple[TextStream, TextStream]:
    """A source less its last sentences, and those; none of them of a small source."""
    wanted = min(_END_WORDS, int(_END_SHARE * stream.n_words))
    if stream.n_words < _SMALLEST_END:
        wanted = 0
    first = int(np.searchsorted(stream.starts, stream.n_words - wanted))
    place = np.arange(stream.n_sentences)
    return select(stream, place < first), select(stream, place >= first)


def _write(
    folder: Path,
    streams: Mapping[str, NDArray[Any]],
    texts: Mapping[str, NDArray[Any]],
    weights: Mapping[str, float],
    vocabulary: int,
    dtype: np.dtype[Any],
    parts: int,
) -> None:
    filters = [{"id": lzma.FILTER_LZMA2, "preset": 6, "lc": 3, "lp": 1, "pb": 1}]

    def packed(array: NDArray[Any]) -> bytes:
        return lzma.compress(array.tobytes(), format=lzma.FORMAT_XZ, filters=filters)

    everything = {**streams, **texts}
    with ThreadPoolExecutor(2) as pool:
        contents = dict(zip(everything, pool.map(packed, everything.values()), strict=True))
    loads = [0] * parts
    for name in sorted(contents, key=lambda name: -len(contents[name])):
        at = loads.index(min(loads))
        loads[at] += len(contents[name])
        place = folder if parts == 1 else folder / f"part{at}"
        place.mkdir(exist_ok=True)
        with atomic_write(place / f"{name}.xz", "wb", private=True, error=PackError) as file:
            file.write(contents[name])
    about = {
        "format": FORMAT,
        "vocabulary": vocabulary,
        "dtype": dtype.str,
        "sources": [
            {
                "name": name,
                "file": f"{name}.xz",
                "tokens": len(array),
                "weight": round(weights.get(name, 1.0), 4),
            }
            for name, array in streams.items()
        ],
        "texts": [
            {"name": name, "file": f"{name}.xz", "tokens": len(array)}
            for name, array in texts.items()
        ],
    }
    first = folder if parts == 1 else folder / "part0"
    with atomic_write(first / "data.json", private=True, error=PackError) as file:
        json.dump(about, file, indent=1)


def training_options(kind: type[T], settings: Sequence[str], **given: Any) -> T:
    """Options of a training, as a command line gives them.

    kind : their dataclass. settings : ``name=value``, each of a field of it. given : further fields.

    Raises PackError for an unknown name, and a value of another type.
    """
    known: dict[str, Any] = {field.name: type(field.default) for field in fields(kind)}  # type: ignore[arg-type]
    values = dict(given)
    for setting in settings:
        name, _, value = setting.partition("=")
        if name not in known:
            raise PackError(
                "no such setting", where="--set", field=name, fix=f"one of {', '.join(known)}"
            )
        try:
            values[name] = _TRUTH[value] if known[name] is bool else known[name](value)
        except (LookupError, ValueError):
            raise PackError(
                f"{value!r} is no {known[name].__name__}", where="--set", field=name,
                fix="correct the value",
            ) from None  # fmt: skip
    return kind(**values)


# ---- sampling weights ----

FEW = 3
"""With fewer sources of held-out text there is none that others could explain, and all weigh the same."""
LEAST, MOST = 0.3, 4.0
"""Bounds of a weight relative to sampling every token alike: below, text would be wasted that is there; above, a small
source would be learnt by heart."""


def fit_weights(
    streams: Mapping[str, NDArray[Any]],
    held_out: Mapping[str, NDArray[Any]],
    vocabulary: int,
) -> dict[str, float]:
    """How much more or less often a token of each source should be seen than if all were poured together.

    Every source that has held-out sentences is in turn the unknown text: the others' bigram models are mixed to predict
    it (EM), and a source's share of that mixture, averaged over the texts, says how far it serves text
    of another kind than its own. Its weight is the square root of that share over its share of the tokens,
    within `LEAST` and `MOST`. (The square root: a share in a mixture of small models overstates what more
    sampling gains, since small sources are soon learnt by heart. No source; judged by held-out text.)
    """
    names = list(streams)
    if len({_family(name) for name in held_out}) < FEW:
        return dict.fromkeys(names, 1.0)
    size = np.array([len(streams[name]) for name in names], dtype=np.float64)
    tables = [_BigramTable(streams[name], vocabulary) for name in names]
    total = np.zeros(len(names))
    asked = np.zeros(len(names))
    for name, text in held_out.items():
        words = np.flatnonzero((text[1:] >= FIRST_WORD) | (text[1:] == EOS)) + 1
        before, after = text[words - 1].astype(np.int64), text[words].astype(np.int64)
        others = [at for at, other in enumerate(names) if _family(other) != _family(name)]
        chance = np.stack([tables[at].probability(before, after) for at in others])
        share = np.full(len(others), 1.0 / len(others))
        for _ in range(40):
            part = share[:, None] * chance
            share = (part / part.sum(axis=0)).mean(axis=1)
        total[others] += share
        asked[others] += 1
    share = total / np.maximum(asked, 1)
    ratio = np.sqrt((share / share.sum()) / (size / size.sum()))
    clipped = np.clip(ratio, LEAST, MOST)
    return dict(zip(names, clipped.tolist(), strict=True))


def _family(name: str) -> str:
    """What the shards of one source, named x, x_b, x_c …, have in common: none of them may speak for another."""
    stem, _, shard = name.rpartition("_")
    return stem if len(shard) == 1 and stem else name


class _BigramTable:
    """P(word | word before) of one source: Witten-Bell, down to the uniform distribution."""

    def __init__(self, stream: NDArray[Any], vocabulary: int) -> None:
        counted = count_ngrams(stream, order=2, vocab_size=vocabulary)
        single = counted.counts[0].astype(np.float64)
        single[BOS] = 0.0
        kinds = np.count_nonzero(single)
        self._single = (single + kinds / vocabulary) / (single.sum() + kinds)
        self._tree, self._counts = counted.tree, counted.counts[1]
        first = self._tree.parent(2)
        self._seen = np.bincount(first, self._counts, minlength=vocabulary)
        self._followers = np.bincount(first, minlength=vocabulary).astype(np.float64)

    def probability(
        self, before: NDArray[np.int64], after: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        count = taken(self._counts, self._tree.lookup(2, before, after), 0.0)
        seen, followers = self._seen[before], self._followers[before]
        whole = np.maximum(seen + followers, 1.0)
        rest = np.where(seen > 0, followers / whole, 1.0)
        found: NDArray[np.float64] = count / whole + rest * self._single[after]
        return found
