"""The network: an LSTM with projection in a few layers, and its gradient by hand, faster than a derived one.

Its word vectors serve at both ends: they are what goes in, and their products with the topmost output, plus a bias a
word, are what comes out. Frequent words have whole vectors (`head`); the others have shorter ones that a common matrix
widens (`tail`, `widen`), since there is little text to learn them from and most of the model's bytes would be theirs.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np

from .network_options import Array, Options, Params


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
    (h, c), (hs, gates, cs) = jax.lax.scan(step, start, (sums, keep), unroll=_unroll())
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
