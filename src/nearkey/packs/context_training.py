"""Training the context model of a pack: a recurrent network over the pack's own tokens.

The network is an LSTM with projection in a few layers. Its word vectors serve at both ends: they are what
goes in, and their products with the topmost output, plus a bias a word, are what comes out. Frequent
words have whole vectors (`head`); the others have shorter ones that a common matrix widens (`tail`, `widen`), since
there is little text to learn them from and most of the model's bytes would be theirs.

This file imports nothing but jax and numpy, so that it runs by itself on a machine that has only those::

    python3 context_training.py DATA OUT --minutes 18

`DATA` is what `nearkey.packs.context_data` writes. Every batch is taken on the device from one resident
array. Learning falls linearly to nothing over the wall-clock budget, which the run therefore keeps.

A row of a batch reads on where it stopped, with its state, or, by chance, begins at a random sentence with a state of
zeros; within a row, too, the state is set to zeros before some sentences. So the model learns both to begin
and to remember. (Without such beginnings, training diverges from the state of zeros; measured.)
"""

from __future__ import annotations

import argparse
import json
import lzma
import os
import platform
import sys
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np

Array = Any
"""A jax array, traced or not, or a numpy array."""
Params = dict[str, Any]

BOS = 1
FIRST_WORD = 4
FORMAT = 1
NEVER = -1e4
"""Bias of a token that is never predicted (``<s>``), so that it takes no part of the probability."""
PIECE_BYTES = 14 << 20
"""Most bytes of one exported file."""


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
    that are not there are left out, to try how fast a machine is.
    """
    places = {path.name: path for path in sorted(folder.rglob("*"), reverse=True)}
    about = json.loads(places["data.json"].read_text("utf-8"))
    if about["format"] != FORMAT:
        raise TrainingError(f"{places['data.json']}: format {about['format']}, not {FORMAT}")
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
    given = dict(weights or {})
    sources = [
        (r["name"], end - len(part), end, float(given.get(r["name"], r.get("weight", 1.0))))
        for r, part, end in zip(about["sources"], parts, ends, strict=True)
    ]
    tokens = np.concatenate(parts)
    size = int(about["vocabulary"])
    counts = np.zeros(size)
    for _, start, end, weight in sources:
        counts += weight * np.bincount(tokens[start:end], minlength=size)
    counts[:FIRST_WORD] = np.inf
    order = np.argsort(-counts, kind="stable").astype(np.uint32)
    return TrainingData(size, tokens, sources, order, texts, about)


# ---- the network ----


def initial(options: Options, log_unigram: np.ndarray, key: Array) -> Params:
    """Weights to begin with; the output's bias is the logarithm of the words' frequencies."""
    size, width, cells = len(log_unigram), options.width, options.cells
    head = min(options.head, size)
    keys = iter(jax.random.split(key, 4 + 3 * options.layers))

    def normal(shape: tuple[int, ...], scale: float) -> Array:
        return scale * jax.random.normal(next(keys), shape, jnp.float32)

    params: Params = {"bias": jnp.asarray(log_unigram, jnp.float32)}
    params["head"] = normal((head, width), 0.1)
    if head < size:
        params["tail"] = normal((size - head, options.tail_width), 0.1)
        params["widen"] = normal((options.tail_width, width), options.tail_width**-0.5)
    for layer in range(options.layers):
        bias = np.zeros(4 * cells, np.float32)
        bias[cells : 2 * cells] = 1.0  # remember, to begin with
        params[f"input{layer}"] = normal((width, 4 * cells), width**-0.5)
        params[f"recur{layer}"] = normal((width, 4 * cells), width**-0.5)
        params[f"gates{layer}"] = jnp.asarray(bias)
        params[f"project{layer}"] = normal((cells, width), cells**-0.5)
    return params


def word_vectors(params: Params) -> Array:
    """(vocabulary, width): the vectors of all tokens, the short ones widened."""
    if "tail" not in params:
        return params["head"]
    wide = jnp.dot(
        params["tail"].astype(jnp.bfloat16),
        params["widen"].astype(jnp.bfloat16),
        preferred_element_type=jnp.float32,
    )
    return jnp.concatenate([params["head"], wide])


def _product(a: Array, b: Array) -> Array:
    return jnp.dot(
        a.astype(jnp.bfloat16), b.astype(jnp.bfloat16), preferred_element_type=jnp.float32
    )


def _cell(gates: Array, before: Array) -> tuple[Array, Array, Array, Array, Array]:
    """i, f, g, o and the cells after, from the gates' sums and the cells before; float32."""
    i, f, g, o = jnp.split(gates, 4, axis=-1)
    i, f, g, o = jax.nn.sigmoid(i), jax.nn.sigmoid(f), jnp.tanh(g), jax.nn.sigmoid(o)
    return i, f, g, o, f * before + i * g


@jax.custom_vjp
def recurrence(
    sums: Array, recur: Array, project: Array, h0: Array, c0: Array, keep: Array
) -> tuple[Array, Array, Array]:
    """One layer over a window.

    sums (T, B, 4 C): what the layer's input adds to the gates; recur (P, 4 C); project (C, P); h0 (B, P)
    and c0 (B, C): the state before; keep (T, B): 0 where it is set to zeros, else 1.
    Returns all outputs (T, B, P), the last output and the last cells.
    """
    outputs, last, cells, _ = _forward(sums, recur, project, h0, c0, keep)
    return outputs, last, cells


def _forward(
    sums: Array, recur: Array, project: Array, h0: Array, c0: Array, keep: Array
) -> tuple[Array, Array, Array, Any]:
    recur, project = recur.astype(jnp.bfloat16), project.astype(jnp.bfloat16)

    def step(state: tuple[Array, Array], given: tuple[Array, Array]) -> Any:
        (h, c), (s, k) = state, given
        h, c = h * k[:, None].astype(h.dtype), c * k[:, None]
        i, f, g, o, c = _cell(s.astype(jnp.float32) + _product(h, recur), c)
        h = _product(o * jnp.tanh(c), project).astype(jnp.bfloat16)
        gates = jnp.concatenate([i, f, g, o], axis=-1).astype(jnp.bfloat16)
        return (h, c), (h, gates, c.astype(jnp.bfloat16))

    start = (h0.astype(jnp.bfloat16), c0.astype(jnp.float32))
    (h, c), (hs, gates, cs) = jax.lax.scan(step, start, (sums, keep), unroll=8)
    return hs, h, c, (hs, gates, cs)


def _recurrence_forward(
    sums: Array, recur: Array, project: Array, h0: Array, c0: Array, keep: Array
) -> Any:
    outputs, last, cells, saved = _forward(sums, recur, project, h0, c0, keep)
    return (outputs, last, cells), (*saved, recur, project, h0, c0, keep)


def _recurrence_backward(saved: Any, given: Any) -> Any:
    """Back through the window; the weights' gradients are one product each, after it."""
    hs, gates, cs, recur, project, h0, c0, keep = saved
    d_outputs, d_last, d_cells = given
    mask = keep[:, :, None]
    h_before = jnp.concatenate([h0[None].astype(hs.dtype), hs[:-1]]) * mask.astype(hs.dtype)
    c_before = jnp.concatenate([c0[None].astype(cs.dtype), cs[:-1]]) * mask.astype(cs.dtype)
    recur_t, project_t = recur.T.astype(jnp.bfloat16), project.T.astype(jnp.bfloat16)

    def step(state: tuple[Array, Array], at: Any) -> Any:
        (dh, dc), (d_out, gate, c, c_prev, k) = state, at
        i, f, g, o = jnp.split(gate.astype(jnp.float32), 4, axis=-1)
        dh = dh + d_out.astype(jnp.float32)
        dm = _product(dh, project_t)
        squashed = jnp.tanh(c.astype(jnp.float32))
        dc = dc + dm * o * (1 - squashed * squashed)
        d_sums = jnp.concatenate(
            [
                dc * g * i * (1 - i),
                dc * c_prev.astype(jnp.float32) * f * (1 - f),
                dc * i * (1 - g * g),
                dm * squashed * o * (1 - o),
            ],
            axis=-1,
        ).astype(jnp.bfloat16)
        back = _product(d_sums, recur_t) * k[:, None], dc * f * k[:, None]
        return back, (d_sums, dh.astype(jnp.bfloat16))

    start = (d_last.astype(jnp.float32), d_cells.astype(jnp.float32))
    (dh0, dc0), (d_sums, dhs) = jax.lax.scan(
        step, start, (d_outputs, gates, cs, c_before, keep), reverse=True, unroll=8
    )
    o = gates[..., 3 * cs.shape[-1] :].astype(jnp.float32)
    squashed = (o * jnp.tanh(cs.astype(jnp.float32))).astype(jnp.bfloat16)

    def gradient(a: Array, b: Array) -> Array:
        flat_a, flat_b = a.reshape(-1, a.shape[-1]), b.reshape(-1, b.shape[-1])
        return jnp.dot(flat_a.T, flat_b, preferred_element_type=jnp.float32)

    d_recur, d_project = gradient(h_before, d_sums), gradient(squashed, dhs)
    return d_sums, d_recur, d_project, dh0.astype(h0.dtype), dc0, jnp.zeros_like(keep)


recurrence.defvjp(_recurrence_forward, _recurrence_backward)


def run_layers(
    params: Params,
    options: Options,
    vectors: Array,
    state: list[tuple[Array, Array]],
    keep: Array,
    masks: Mapping[str, Array],
) -> tuple[Array, list[tuple[Array, Array]]]:
    """Outputs (T, B, width) and state after, from word vectors (T, B, width), the state before, and dropout."""
    flow, after = vectors, []
    for layer in range(options.layers):
        sums = _product(flow, params[f"input{layer}"]) + params[f"gates{layer}"]
        recur = params[f"recur{layer}"]
        if f"recur{layer}" in masks:
            recur = recur * masks[f"recur{layer}"]
        h0, c0 = state[layer]
        flow, h, c = recurrence(
            sums.astype(jnp.bfloat16), recur, params[f"project{layer}"], h0, c0, keep
        )
        after.append((h, c))
        if f"between{layer}" in masks:
            flow = flow * masks[f"between{layer}"].astype(flow.dtype)
    return flow, after


_ONES = 8
"""Columns of ones beside the outputs; 8, so that rows stay aligned for the matrix units."""


@partial(jax.custom_vjp, nondiff_argnums=(5, 6))
def word_loss(
    outputs: Array,
    table: Array,
    bias: Array,
    targets: Array,
    counted: Array,
    chunk: int,
    low: bool,
) -> Array:
    """Sum of -log P(target) over what is counted; outputs (N, width), table (V, width), N a multiple of `chunk`."""
    return _word_loss(outputs, table, bias, targets, counted, chunk, low)[0]


def _chunks(chunk: int, *arrays: Array) -> Any:
    return tuple(array.reshape(-1, chunk, *array.shape[1:]) for array in arrays)


def _logits(rows: Array, table: Array, bias: Array, low: bool) -> Array:
    kind = jnp.bfloat16 if low else jnp.float32
    return jnp.dot(rows, table.T, preferred_element_type=kind).astype(jnp.float32) + bias


def _word_loss(
    outputs: Array, table: Array, bias: Array, targets: Array, counted: Array, chunk: int, low: bool
) -> tuple[Array, Any]:
    """The loss with its gradients, in one pass: the products over all words are made only once.

    No largest logit is subtracted: they stay far below the 88 where float32 overflows, since weights
    decay; an overflow would show as a gradient that is not finite, and the step is left out.
    """
    outputs, table = outputs.astype(jnp.bfloat16), table.astype(jnp.bfloat16)

    def step(state: Any, given: Any) -> Any:
        total, d_both = state
        rows, goal, weight = given
        grown = jnp.exp(_logits(rows, table, bias, low))
        norm = grown.sum(axis=-1)
        at_goal = (rows.astype(jnp.float32) * table[goal].astype(jnp.float32)).sum(-1) + bias[goal]
        total = total + (weight * (jnp.log(norm) - at_goal)).sum()
        hit = jnp.arange(table.shape[0])[None, :] == goal[:, None]
        d_logits = (grown * (weight / norm)[:, None] - jnp.where(hit, weight[:, None], 0.0)).astype(
            jnp.bfloat16
        )
        d_rows = jnp.dot(d_logits, table, preferred_element_type=jnp.float32)
        # Columns of ones beside the rows give the biases' gradient by the same product.
        with_ones = jnp.concatenate([rows, jnp.ones((chunk, _ONES), rows.dtype)], axis=1)
        d_both = d_both + jnp.dot(d_logits.T, with_ones, preferred_element_type=jnp.float32)
        return (total, d_both), d_rows.astype(jnp.bfloat16)

    start = (jnp.zeros(()), jnp.zeros((table.shape[0], table.shape[1] + _ONES), jnp.float32))
    (total, d_both), d_rows = jax.lax.scan(step, start, _chunks(chunk, outputs, targets, counted))
    return total, (d_rows.reshape(outputs.shape), d_both[:, :-_ONES], d_both[:, -1])


def _word_loss_forward(
    outputs: Array, table: Array, bias: Array, targets: Array, counted: Array, chunk: int, low: bool
) -> Any:
    total, gradients = _word_loss(outputs, table, bias, targets, counted, chunk, low)
    return total, (gradients, targets, counted)


def _word_loss_backward(chunk: int, low: bool, saved: Any, given: Array) -> Any:
    (d_outputs, d_table, d_bias), targets, counted = saved
    none = np.zeros(targets.shape, jax.dtypes.float0)
    scaled = (d_outputs.astype(jnp.float32) * given).astype(jnp.bfloat16)
    return scaled, d_table * given, d_bias * given, none, jnp.zeros_like(counted)


word_loss.defvjp(_word_loss_forward, _word_loss_backward)


def window_loss(
    params: Params,
    options: Options,
    tokens: Array,
    state: list[tuple[Array, Array]],
    keep: Array,
    masks: Mapping[str, Array],
) -> tuple[Array, list[tuple[Array, Array]]]:
    """Mean -log P over a batch of windows (B, T + 1), and the state after; ``<s>`` is given, never predicted."""
    table = word_vectors(params)
    given, goal = tokens[:, :-1].T, tokens[:, 1:].T
    vectors = table[given]
    if "words" in masks:
        vectors = vectors * masks["words"][given][:, :, None]
    if "in" in masks:
        vectors = vectors * masks["in"]
    outputs, after = run_layers(params, options, vectors, state, keep, masks)
    if "out" in masks:
        outputs = outputs * masks["out"].astype(outputs.dtype)
    counted = (goal != BOS).astype(jnp.float32)
    total = word_loss(
        outputs.reshape(-1, options.width),
        table.astype(jnp.bfloat16),
        params["bias"].at[BOS].set(NEVER),
        goal.reshape(-1),
        counted.reshape(-1),
        min(options.chunk, goal.size),
        options.low_logits,
    )
    return total / jnp.maximum(counted.sum(), 1.0), after


def no_state(options: Options, rows: int) -> list[tuple[Array, Array]]:
    """The state of zeros, for so many rows."""
    return [
        (jnp.zeros((rows, options.width), jnp.bfloat16), jnp.zeros((rows, options.cells)))
        for _ in range(options.layers)
    ]


# ---- training ----


def dropout_masks(options: Options, vocabulary: int, key: Array) -> dict[str, Array]:
    """What one step drops, each mask scaled so that means stay."""
    batch, width = options.batch, options.width
    keys = iter(jax.random.split(key, 3 + 2 * options.layers))

    def mask(shape: tuple[int, ...], probability: float) -> Array:
        kept = jax.random.bernoulli(next(keys), 1.0 - probability, shape)
        return kept.astype(jnp.float32) / (1.0 - probability)

    masks = {}
    if options.drop:
        masks["in"] = mask((1, batch, width), options.drop)
        masks["out"] = mask((1, batch, width), options.drop)
    if options.drop_words:
        masks["words"] = mask((vocabulary,), options.drop_words)
    for layer in range(options.layers):
        if options.drop_recurrent:
            masks[f"recur{layer}"] = mask((width, 4 * options.cells), options.drop_recurrent)
        if options.drop_between and layer + 1 < options.layers:
            masks[f"between{layer}"] = mask((1, batch, width), options.drop_between)
    return masks


def make_step(options: Options, vocabulary: int) -> Callable[..., Any]:
    """The compiled step: a batch, its gradient, AdamW."""

    def next_rows(
        data: Mapping[str, Array], places: Array, key: Array
    ) -> tuple[Array, Array, Array]:
        """Where each row reads, its tokens, and where it keeps its state."""
        rows = options.batch
        k_new, k_source, k_sentence, k_reset = jax.random.split(key, 4)
        last = data["tokens"].shape[0] - options.window - 1
        fresh = jax.random.bernoulli(k_new, 1.0 - options.carry, (rows,)) | (places > last)
        source = jnp.searchsorted(data["chance"], jax.random.uniform(k_source, (rows,)))
        source = jnp.minimum(source, data["first"].shape[0] - 1)
        chosen = jax.random.uniform(k_sentence, (rows,)) * data["count"][source]
        sentence = data["first"][source] + chosen.astype(jnp.int32)
        sentence = jnp.minimum(sentence, data["starts"].shape[0] - 1)
        places = jnp.where(fresh, data["starts"][sentence], places)
        places = jnp.minimum(places, last)
        tokens = data["tokens"][places[:, None] + jnp.arange(options.window + 1)].astype(jnp.int32)
        begins = tokens[:, :-1] == BOS
        reset = begins & jax.random.bernoulli(k_reset, options.reset, begins.shape)
        reset = reset.at[:, 0].set(reset[:, 0] | fresh)
        return places, tokens, 1.0 - reset.T.astype(jnp.float32)

    @partial(jax.jit, donate_argnums=(0,))
    def step(
        run: dict[str, Any], data: Mapping[str, Array], data_key: Array, rate: Array
    ) -> tuple[dict[str, Any], Array]:
        """One step; `data` are the resident arrays (arguments, lest they be compiled in as constants)."""
        k_rows, k_masks = jax.random.split(jax.random.fold_in(data_key, run["step"]))
        places, tokens, keep = next_rows(data, run["places"], k_rows)
        masks = dropout_masks(options, vocabulary, k_masks)

        def loss_of(params: Params) -> Any:
            return window_loss(params, options, tokens, run["state"], keep, masks)

        (loss, state), gradient = jax.value_and_grad(loss_of, has_aux=True)(run["params"])
        norm = jnp.sqrt(sum(jnp.sum(g * g) for g in jax.tree.leaves(gradient)))
        good = jnp.isfinite(norm)
        scale = jnp.where(good, jnp.minimum(1.0, options.clip / (norm + 1e-9)), 0.0)
        count = run["step"] + 1
        fix1, fix2 = 1 - 0.9**count, 1 - 0.999**count

        def update(p: Array, g: Array, m: Array, v: Array) -> tuple[Array, Array, Array]:
            g = jnp.where(good, g * scale, 0.0)
            m, v = 0.9 * m + 0.1 * g, 0.999 * v + 0.001 * g * g
            shrink = options.decay if p.ndim > 1 else 0.0
            return p - rate * ((m / fix1) / (jnp.sqrt(v / fix2) + 1e-8) + shrink * p), m, v

        params, m1, m2 = {}, {}, {}
        for name in run["params"]:
            params[name], m1[name], m2[name] = update(
                run["params"][name], gradient[name], run["m1"][name], run["m2"][name]
            )
        # The mean over all steps at first, then over about the last 1 / (1 - average).
        part = jnp.minimum(options.average, count / (count + 10.0)) if options.average else 0.0
        mean = jax.tree.map(lambda a, p: part * a + (1 - part) * p, run["mean"], params)
        state = [
            (jnp.where(good, h, jnp.zeros_like(h)), jnp.where(good, c, jnp.zeros_like(c)))
            for h, c in state
        ]
        done = {
            "params": params,
            "m1": m1,
            "m2": m2,
            "mean": mean,
            "state": state,
            "places": places + options.window,
            "step": count,
        }
        return done, jnp.stack([loss, norm, 1.0 - good])

    return step


def _resident(data: TrainingData, rank: np.ndarray) -> dict[str, Array]:
    """The arrays that batches are taken from, on the device."""
    tokens = rank[data.tokens]
    starts = np.flatnonzero(tokens == BOS).astype(np.int32)
    bounds = np.searchsorted(starts, [(start, end) for _, start, end, _ in data.sources])
    weight = np.array([weight * (end - start) for _, start, end, weight in data.sources])
    return {
        "tokens": jnp.asarray(tokens),
        "starts": jnp.asarray(starts),
        "first": jnp.asarray(bounds[:, 0].astype(np.int32)),
        "count": jnp.asarray((bounds[:, 1] - bounds[:, 0]).astype(np.float32)),
        "chance": jnp.asarray((np.cumsum(weight) / weight.sum()).astype(np.float32)),
    }


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


def train(
    data: TrainingData,
    options: Options,
    out: Path,
    *,
    checkpoint: Path | None = None,
    every_s: float = 120.0,
    say: Callable[[str], None] = print,
) -> dict[str, Any]:
    """Train until the budget is spent, evaluate, export to `out`; returns the report that is written there.

    With `checkpoint`, a folder, the run's whole state is kept there every `every_s` seconds, and a run of the same
    options found there goes on; the model as it is then is written to `out`.
    """
    out.mkdir(parents=True, exist_ok=True)
    rank = ranks(data)
    began = time.perf_counter()
    resident = _resident(data, rank)
    key = jax.random.key(options.seed)
    run, spent = _begin(data, options, key), 0.0
    if checkpoint is not None:
        found = _resume(checkpoint, options, run)
        if found is not None:
            run, spent = found
            say(f"goes on at step {int(run['step']):,}, {spent:.0f} s of training done")
    size = sum(int(np.prod(p.shape)) for p in run["params"].values())
    say(
        f"{jax.devices()[0].device_kind}; {len(data.tokens):,} tokens, "
        f"{len(resident['starts']):,} sentences; {size:,} parameters; {options}"
    )
    step = make_step(options, data.vocabulary)
    budget = options.minutes * 60.0
    done = int(run["step"])
    data_key = jax.random.fold_in(key, 1)
    # Compile, and time nothing by it: the first step runs at a rate of zero.
    run, told = step(run, resident, data_key, jnp.float32(0.0))
    jax.block_until_ready(told)
    done += 1
    say(f"compiled in {time.perf_counter() - began:.0f} s; first loss {float(told[0]):.3f}")
    start = time.perf_counter() - spent
    shown = kept = time.perf_counter()
    since, curve, left_out = done, [], 0
    pending: list[Array] = []
    while True:
        elapsed = time.perf_counter() - start
        part = max(elapsed / budget, done / options.steps if options.steps else 0.0)
        if part >= 1.0:
            break
        rate = options.rate * min(1.0, done / max(1, options.warm_up)) * (1.0 - part)
        run, told = step(run, resident, data_key, jnp.float32(rate))
        done += 1
        pending.append(told)
        if len(pending) % 8 == 0:  # not further ahead of the device than this
            jax.block_until_ready(pending[-8])
        now = time.perf_counter()
        if now - shown > 10.0:
            values = np.array(jax.device_get(pending))
            pending.clear()
            now = time.perf_counter()
            left_out += int(values[:, 2].sum())
            speed = (done - since) * options.batch * options.window / (now - shown)
            loss = float(np.nanmean(values[:, 0]))
            curve.append((round(now - start, 1), done, round(loss, 4)))
            say(
                f"{now - start:6.0f} s  step {done:6,}  loss {loss:.4f} (perplexity {np.exp(loss):7.1f})"
                f"  gradient {np.nanmean(values[:, 1]):.3f}  rate {rate:.2e}  {speed / 1e3:,.0f} k tokens/s"
                + (f"  {left_out} steps left out" if left_out else "")
            )
            shown, since = now, done
            if now - kept > every_s:
                if checkpoint is not None:
                    _keep(checkpoint, options, run, now - start)
                    export_model(run["mean" if options.average else "params"], data.order, out)
                _look(run["params"], options, data, rank, say)
                kept = time.perf_counter()
                start += kept - now  # neither is training
                shown = kept
    jax.block_until_ready(run["step"])
    trained = time.perf_counter() - start
    seen = done * options.batch * options.window
    say(f"trained {done:,} steps, {seen:,} tokens, {seen / len(data.tokens):.2f} passes")
    if checkpoint is not None:
        _keep(checkpoint, options, run, trained)
    return _finish(
        data, options, run, out, trained=trained, curve=curve, left_out=left_out, say=say
    )


def _look(
    params: Params,
    options: Options,
    data: TrainingData,
    rank: np.ndarray,
    say: Callable[[str], None],
) -> None:
    """Say the perplexities of the held-out texts, each kind as one text."""
    for kind, after in (("held_out", False), ("end", True)):
        texts = [rank[t] for name, t in data.texts.items() if name.startswith(f"{kind}.")]
        if texts:
            found, _ = perplexity(params, options, np.concatenate(texts), with_text_before=after)
            say(f"        {kind}: {found:.1f}")


def _begin(data: TrainingData, options: Options, key: Array) -> dict[str, Any]:
    params = initial(options, log_unigram(data), key)
    zeros = jax.tree.map(jnp.zeros_like, params)
    return {
        "params": params,
        "m1": zeros,
        "m2": jax.tree.map(jnp.zeros_like, params),
        "mean": jax.tree.map(jnp.array, params),
        "state": no_state(options, options.batch),
        "places": jnp.full((options.batch,), len(data.tokens), jnp.int32),  # all rows begin anew
        "step": jnp.zeros((), jnp.int32),
    }


def _keep(folder: Path, options: Options, run: dict[str, Any], spent: float) -> None:
    """Write the run's state, whole or not at all."""
    folder.mkdir(parents=True, exist_ok=True)
    arrays = {
        f"a{at}": np.asarray(leaf.astype(jnp.float32) if leaf.dtype == jnp.bfloat16 else leaf)
        for at, leaf in enumerate(jax.tree.leaves(run))
    }
    temporary = folder / "run.writing.npz"
    np.savez(
        temporary, allow_pickle=False, options=json.dumps(asdict(options)), spent=spent, **arrays
    )
    temporary.replace(folder / "run.npz")


def _resume(
    folder: Path, options: Options, like: dict[str, Any]
) -> tuple[dict[str, Any], float] | None:
    path = folder / "run.npz"
    if not path.is_file():
        return None
    with np.load(path) as kept:
        if json.loads(str(kept["options"])) != asdict(options):
            raise TrainingError(f"{path} is of other options: remove it, or name another folder")
        leaves, shape = jax.tree.flatten(like)
        found = [jnp.asarray(kept[f"a{at}"]).astype(leaf.dtype) for at, leaf in enumerate(leaves)]
        return jax.tree.unflatten(shape, found), float(kept["spent"])


# ---- evaluation ----


@partial(jax.jit, static_argnums=(1,))
def _score_window(
    params: Params,
    options: Options,
    table: Array,
    given: Array,
    goal: Array,
    state: Any,
    keep: Array,
) -> tuple[Array, Any]:
    """-log P (T, B) of the next tokens, and the state after."""
    outputs, after = run_layers(params, options, table[given], state, keep, {})
    bias = params["bias"].at[BOS].set(NEVER)

    def part(at: tuple[Array, Array]) -> Array:
        rows, wanted = at
        logits = _logits(rows, table, bias, False)
        reached = jnp.take_along_axis(logits, wanted[:, None], axis=-1)[:, 0]
        return jax.nn.logsumexp(logits, axis=-1) - reached

    return jax.lax.map(part, (outputs, goal)), after


def token_losses(
    params: Params,
    options: Options,
    tokens: np.ndarray,
    *,
    with_text_before: bool,
    rows: int = 64,
    warm: int = 256,
) -> np.ndarray:
    """-log P of each token but the first, (n - 1,), for tokens given as ranks.

    The state is set to zeros before each sentence, or never but before the text. The text is read in `rows` pieces
    side by side; each begins `warm` tokens before its own part, to have the state as it would be.
    """
    size = len(tokens) - 1
    own = -(-size // rows)
    window = options.window
    length = -(-(own + warm) // window) * window
    begins = np.arange(rows) * own - warm
    at = begins[:, None] + np.arange(length + 1)
    inside = (at >= 0) & (at <= size)
    read = np.where(inside, tokens[np.clip(at, 0, size)], 0).astype(np.int32)
    reset = ~inside[:, :-1] | (at[:, :-1] == 0)
    if not with_text_before:
        reset |= read[:, :-1] == BOS
    keep = 1.0 - reset.astype(np.float32)
    table = word_vectors(params).astype(jnp.bfloat16)
    state: Any = no_state(options, rows)
    parts = []
    for first in range(0, length, window):
        piece = slice(first, first + window)
        losses, state = _score_window(
            params,
            options,
            table,
            jnp.asarray(read[:, :-1][:, piece].T),
            jnp.asarray(read[:, 1:][:, piece].T),
            state,
            jnp.asarray(keep[:, piece].T),
        )
        parts.append(losses)
    found = np.concatenate([np.asarray(part) for part in parts]).T[:, warm : warm + own]
    return np.asarray(found.reshape(-1)[:size], dtype=np.float64)


def perplexity(
    params: Params, options: Options, tokens: np.ndarray, *, with_text_before: bool
) -> tuple[float, int]:
    """Perplexity over the lexicon's words, and how many those are; numbers, unknown words and ends count as
    context only. Tokens are ranks."""
    losses = token_losses(params, options, tokens, with_text_before=with_text_before)
    words = tokens[1:] >= FIRST_WORD
    return float(np.exp(losses[words].mean())), int(words.sum())


def evaluate(
    params: Params, options: Options, data: TrainingData, *, say: Callable[[str], None] = print
) -> dict[str, dict[str, float]]:
    """Perplexities of all texts of the data."""
    rank = ranks(data)
    found: dict[str, dict[str, float]] = {}
    for name, tokens in data.texts.items():
        if not (tokens >= FIRST_WORD).any():
            continue
        ranked = rank[tokens]
        alone, words = perplexity(params, options, ranked, with_text_before=False)
        found[name] = {"words": words, "by_sentence": round(alone, 2)}
        if not name.startswith("held_out"):  # those sentences do not follow on each other
            after, _ = perplexity(params, options, ranked, with_text_before=True)
            found[name]["with_text_before"] = round(after, 2)
        say(f"  {name}: {found[name]}")
    return found


def _summary(found: Mapping[str, Mapping[str, float]]) -> float:
    """Mean log perplexity over the registers held out."""
    held = [
        np.log(one["by_sentence"]) for name, one in found.items() if name.startswith("held_out")
    ]
    return float(np.mean(held)) if held else float("inf")


# ---- export ----


def to_rows(params: Mapping[str, Any]) -> dict[str, np.ndarray]:
    """The weights as inference reads them: every matrix (outputs, inputs), so that a row gives one sum."""
    rows = {}
    for name, value in params.items():
        array = np.asarray(value, dtype=np.float32)
        turned = array.ndim == 2 and name not in ("head", "tail", "widen")
        rows[name] = np.ascontiguousarray(array.T) if turned else array
    return rows


def from_rows(rows: Mapping[str, np.ndarray]) -> Params:
    """The other way."""
    params = {}
    for name, array in rows.items():
        turned = array.ndim == 2 and name not in ("head", "tail", "widen")
        params[name] = jnp.asarray((array.T if turned else array).astype(np.float32))
    return params


def quantise_rows(array: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """8-bit values and one float32 scale a row: array is about values * scales[:, None]."""
    scales = np.maximum(np.abs(array).max(axis=1), 1e-12).astype(np.float32) / 127.0
    values = np.clip(np.rint(array / scales[:, None]), -127, 127).astype(np.int8)
    return values, scales


def quantised(rows: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Matrices in 8 bits with their scales, the rest in float16 (biases)."""
    found: dict[str, np.ndarray] = {}
    for name, array in rows.items():
        if array.ndim == 2:
            found[name], found[f"{name}.scale"] = quantise_rows(array)
        else:
            found[name] = array.astype(np.float16)
    return found


def restored(arrays: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """float32 weights from what `quantised` gave."""
    return {
        name: array.astype(np.float32)
        * (arrays[f"{name}.scale"][:, None] if f"{name}.scale" in arrays else 1.0)
        for name, array in arrays.items()
        if not name.endswith(".scale")
    }


def write_pieces(folder: Path, stem: str, arrays: Mapping[str, np.ndarray]) -> list[str]:
    """Write arrays into STEM.0.npz, STEM.1.npz, …, none above `PIECE_BYTES`; large ones cut by rows."""
    pieces: list[dict[str, np.ndarray]] = [{}]
    room = PIECE_BYTES
    for name, array in arrays.items():
        row = max(1, array[:1].nbytes)
        start = 0
        while start < len(array):
            take = min(len(array) - start, room // row)
            if take <= 0:
                pieces.append({})
                room = PIECE_BYTES
                continue
            pieces[-1][f"{name}@{start}"] = array[start : start + take]
            room -= take * row
            start += take
    names = []
    for number, piece in enumerate(pieces):
        path = folder / f"{stem}.{number}.npz"
        temporary = path.with_suffix(".writing.npz")
        np.savez(temporary, allow_pickle=False, **piece)
        temporary.replace(path)
        names.append(path.name)
    return names


def read_pieces(folder: Path, stem: str) -> dict[str, np.ndarray]:
    """What `write_pieces` wrote."""
    found: dict[str, dict[int, np.ndarray]] = {}
    for path in sorted(folder.glob(f"{stem}.[0-9]*.npz")):
        with np.load(path) as piece:
            for key in piece.files:
                name, _, start = key.rpartition("@")
                found.setdefault(name, {})[int(start)] = piece[key]
    return {
        name: np.concatenate([parts[at] for at in sorted(parts)]) for name, parts in found.items()
    }


def export_model(params: Params, order: np.ndarray, out: Path) -> dict[str, np.ndarray]:
    """Write the weights in 16 and in 8 bits, in pieces, with the tokens' order; returns the 8-bit ones."""
    rows = to_rows(params)
    half = {name: array.astype(np.float16) for name, array in rows.items()}
    write_pieces(out, "weights16", {**half, "order": order.astype(np.uint32)})
    low = quantised(rows)
    write_pieces(out, "weights8", {**low, "order": order.astype(np.uint32)})
    return low


def _finish(
    data: TrainingData,
    options: Options,
    run: dict[str, Any],
    out: Path,
    *,
    trained: float,
    curve: list[Any],
    left_out: int,
    say: Callable[[str], None],
) -> dict[str, Any]:
    """Evaluate, choose between last and mean weights by the held-out text, export."""
    held = replace_texts(data, lambda name: name.startswith("held_out"))
    say("held out, last weights")
    last = evaluate(run["params"], options, held, say=lambda _: None)
    mean = evaluate(run["mean"], options, held, say=lambda _: None) if options.average else last
    say(f"  mean log perplexity: last {_summary(last):.4f}, running mean {_summary(mean):.4f}")
    chosen = "mean" if options.average and _summary(mean) < _summary(last) else "params"
    params = run[chosen]
    low = export_model(params, data.order, out)
    say("float32")
    full = evaluate(params, options, data, say=say)
    say("8 bits")
    eight = evaluate(from_rows(restored(low)), options, data, say=say)
    report = {
        "format": FORMAT,
        "options": asdict(options),
        "weights": "running mean" if chosen == "mean" else "last",
        "trained_s": round(trained, 1),
        "steps": int(run["step"]),
        "tokens_seen": int(run["step"]) * options.batch * options.window,
        "tokens": len(data.tokens),
        "steps_left_out": left_out,
        "device": jax.devices()[0].device_kind,
        "versions": {
            "jax": jax.__version__,
            "numpy": np.__version__,
            "python": platform.python_version(),
        },
        "sources": {name: [end - start, weight] for name, start, end, weight in data.sources},
        "perplexity": full,
        "perplexity_8_bits": eight,
        "bytes_8_bits": int(sum(array.nbytes for array in low.values())),
        "curve": curve,
    }
    (out / "report.json").write_text(json.dumps(report, indent=1), encoding="utf-8")
    return report


def replace_texts(data: TrainingData, wanted: Callable[[str], bool]) -> TrainingData:
    """The data with only those further texts whose names are wanted."""
    return replace(data, texts={name: t for name, t in data.texts.items() if wanted(name)})


def main(arguments: list[str] | None = None) -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description="Train the context model of a pack.")
    parser.add_argument("data", type=Path, help="folder of the training data")
    parser.add_argument("out", type=Path, help="folder for the model and the report")
    parser.add_argument("--checkpoint", type=Path, help="folder to keep the run's state in")
    parser.add_argument("--every", type=float, default=120.0, help="seconds between checkpoints")
    parser.add_argument("--partial", action="store_true", help="do without sources not there")
    parser.add_argument(
        "--texts", default="", help="evaluate only texts whose names begin so ('none': none)"
    )
    parser.add_argument("--weights", type=Path, help="JSON file: sampling weights of sources")
    for name, default in asdict(Options()).items():
        flag = "--" + name.replace("_", "-")
        if isinstance(default, bool):
            parser.add_argument(flag, action="store_true")
        else:
            parser.add_argument(flag, type=type(default), default=default)
    given = vars(parser.parse_args(arguments))
    options = Options(**{name: given[name] for name in asdict(Options())})
    weights = json.loads(given["weights"].read_text("utf-8")) if given["weights"] else None

    def say(line: str) -> None:
        sys.stdout.write(f"{line}\n")
        sys.stdout.flush()

    try:
        data = read_data(given["data"], weights=weights, partial_data=given["partial"])
        train(
            replace_texts(data, lambda name: name.startswith(given["texts"])),
            options,
            given["out"],
            checkpoint=given["checkpoint"],
            every_s=given["every"],
            say=say,
        )
    except TrainingError as fault:
        sys.stderr.write(f"{fault}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
