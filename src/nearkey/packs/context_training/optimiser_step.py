"""One step of training: a batch, what it drops, its gradient, AdamW.

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

from .network_options import BOS, Array, Options, Params
from .word_loss import window_loss


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
