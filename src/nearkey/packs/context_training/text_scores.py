"""What the network makes of texts: -log P token by token, perplexities."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np

from .network_options import BOS, FIRST_WORD, Array, Options, Params
from .recurrent_network import no_state, run_layers, word_vectors
from .training_data import TrainingData, ranks
from .word_loss import NEVER, logits_of


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
        logits = logits_of(rows, table, bias, False)
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


def mean_log_perplexity(found: Mapping[str, Mapping[str, float]]) -> float:
    """Mean log perplexity over the registers held out."""
    held = [
        np.log(one["by_sentence"]) for name, one in found.items() if name.startswith("held_out")
    ]
    return float(np.mean(held)) if held else float("inf")
