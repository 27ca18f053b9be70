"""The loss: -log P of the next words, with its gradient in one pass over the lexicon."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np

from .network_options import BOS, Array, Options, Params
from .recurrent_network import run_layers, word_vectors

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
    return _word_loss(outputs, table, bias, targets, counted, chunk, low)[0]


def _chunks(chunk: int, *arrays: Array) -> Any:
    return tuple(array.reshape(-1, chunk, *array.shape[1:]) for array in arrays)


def logits_of(rows: Array, table: Array, bias: Array, low: bool) -> Array:
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
