"""The network, an LSTM with projection in a few layers; its loss; one step of its training. Gradients are by hand,
faster than derived ones.

Its word vectors serve at both ends: they are what goes in, and their products with the topmost output, plus a bias a
word, are what comes out. Frequent words have whole vectors (`head`); the others have shorter ones that a common matrix
widens (`tail`, `widen`), since there is little text to learn them from and most of the model's bytes would be theirs.

A row of a batch reads on where it stopped, with its state, or, by chance, begins at a random sentence with a state of
zeros; within a row, too, the state is set to zeros before some sentences. So the model learns both to begin
and to remember. (Without such beginnings, training diverges from the state of zeros; measured.)
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache, partial
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np

from .training_data import BOS, Array, Options, Params


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
    return jnp.concatenate([params["head"], _product(params["tail"], params["widen"])])


def _unroll() -> int:
    """Steps of a loop over a window that are compiled as one: launches are dear on a card, compiling on a processor."""
    return 1 if jax.default_backend() == "cpu" else 8


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
    found: tuple[Array, Array, Array] = _recurrence_forward(sums, recur, project, h0, c0, keep)[0]
    return found


def _recurrence_forward(
    sums: Array, recur: Array, project: Array, h0: Array, c0: Array, keep: Array
) -> Any:
    low_recur, low_project = recur.astype(jnp.bfloat16), project.astype(jnp.bfloat16)

    def step(state: tuple[Array, Array], given: tuple[Array, Array]) -> Any:
        (h, c), (s, k) = state, given
        h, c = h * k[:, None].astype(h.dtype), c * k[:, None]
        i, f, g, o, c = _cell(s.astype(jnp.float32) + _product(h, low_recur), c)
        h = _product(o * jnp.tanh(c), low_project).astype(jnp.bfloat16)
        gates = jnp.concatenate([i, f, g, o], axis=-1).astype(jnp.bfloat16)
        return (h, c), (h, gates, c.astype(jnp.bfloat16))

    start = (h0.astype(jnp.bfloat16), c0.astype(jnp.float32))
    (h, c), (hs, gates, cs) = jax.lax.scan(step, start, (sums, keep), unroll=_unroll())
    return (hs, h, c), (hs, gates, cs, recur, project, h0, c0, keep)


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
        step, start, (d_outputs, gates, cs, c_before, keep), reverse=True, unroll=_unroll()
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


def no_state(options: Options, rows: int) -> list[tuple[Array, Array]]:
    """The state of zeros, for so many rows."""
    return [
        (jnp.zeros((rows, options.width), jnp.bfloat16), jnp.zeros((rows, options.cells)))
        for _ in range(options.layers)
    ]


# ---- the loss ----

NEVER = -1e4
"""Bias of a token that is never predicted (``<s>``), so that it takes no part of the probability."""
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
    return _word_loss_forward(outputs, table, bias, targets, counted, chunk, low)[0]


def logits_of(rows: Array, table: Array, bias: Array, low: bool) -> Array:
    kind = jnp.bfloat16 if low else jnp.float32
    return jnp.dot(rows, table.T, preferred_element_type=kind).astype(jnp.float32) + bias


def _word_loss_forward(
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
        grown = jnp.exp(logits_of(rows, table, bias, low))
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
    given = tuple(a.reshape(-1, chunk, *a.shape[1:]) for a in (outputs, targets, counted))
    (total, d_both), d_rows = jax.lax.scan(step, start, given)
    gradients = (d_rows.reshape(outputs.shape), d_both[:, :-_ONES], d_both[:, -1])
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


# ---- one step of training ----


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


@cache
def make_step(options: Options, vocabulary: int) -> Callable[..., Any]:
    """The compiled step: a batch, its gradient, AdamW. Made once for the same options."""

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
