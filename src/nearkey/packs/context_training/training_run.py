"""A whole training: batches until the budget is spent, checkpoints, the choice of weights, the report."""

from __future__ import annotations

import json
import platform
import time
import zipfile
import zlib
from collections.abc import Callable, Mapping
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np

from .recurrent_network import (
    NEVER,
    initial,
    logits_of,
    make_step,
    no_state,
    run_layers,
    word_vectors,
)
from .training_data import (
    BOS,
    FIRST_WORD,
    FORMAT,
    WEIGHTS,
    Array,
    Options,
    Params,
    TrainingData,
    TrainingError,
    replace_texts,
)


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
    began = time.perf_counter()
    resident = _resident(data)
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
    step = make_step(options, len(data.order))
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
                _look(run["params"], options, data, say)
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


def _resident(data: TrainingData) -> dict[str, Array]:
    """The arrays that batches are taken from, on the device."""
    starts = np.flatnonzero(data.tokens == BOS).astype(np.int32)
    bounds = np.searchsorted(starts, [(start, end) for _, start, end, _ in data.sources])
    weight = np.array([weight * (end - start) for _, start, end, weight in data.sources])
    return {
        "tokens": jnp.asarray(data.tokens),
        "starts": jnp.asarray(starts),
        "first": jnp.asarray(bounds[:, 0].astype(np.int32)),
        "count": jnp.asarray((bounds[:, 1] - bounds[:, 0]).astype(np.float32)),
        "chance": jnp.asarray((np.cumsum(weight) / weight.sum()).astype(np.float32)),
    }


def _look(
    params: Params,
    options: Options,
    data: TrainingData,
    say: Callable[[str], None],
) -> None:
    """Say the perplexities of the held-out texts, each kind as one text."""
    for kind, after in (("held_out", False), ("end", True)):
        texts = [t for name, t in data.texts.items() if name.startswith(f"{kind}.")]
        if texts:
            found, _ = perplexity(params, options, np.concatenate(texts), with_text_before=after)
            say(f"        {kind}: {found:.1f}")


def _begin(data: TrainingData, options: Options, key: Array) -> dict[str, Any]:
    params = initial(options, data.log_unigram, key)
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
    leaves, shape = jax.tree.flatten(like)
    try:
        with np.load(path, allow_pickle=False) as kept:
            said, spent = json.loads(str(kept["options"])), float(kept["spent"])
            arrays = [kept[f"a{at}"] for at in range(len(leaves))]
    except (
        OSError,
        EOFError,
        LookupError,
        TypeError,
        ValueError,
        RuntimeError,
        zipfile.BadZipFile,
        zlib.error,
    ):
        raise TrainingError(f"{path} is damaged: remove it, and the training begins anew") from None
    if said != asdict(options):
        raise TrainingError(f"{path} is of other options: remove it, or name another folder")
    if [array.shape for array in arrays] != [leaf.shape for leaf in leaves]:
        raise TrainingError(f"{path} is of another network: remove it, or name another folder")
    found = [
        jnp.asarray(array).astype(leaf.dtype) for array, leaf in zip(arrays, leaves, strict=True)
    ]
    return jax.tree.unflatten(shape, found), spent


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
    say(
        f"  mean log perplexity: last {mean_log_perplexity(last):.4f}, running mean {mean_log_perplexity(mean):.4f}"
    )
    chosen = (
        "mean"
        if options.average and mean_log_perplexity(mean) < mean_log_perplexity(last)
        else "params"
    )
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


# ---- what the network makes of texts ----


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
    found: dict[str, dict[str, float]] = {}
    for name, tokens in data.texts.items():
        if not (tokens >= FIRST_WORD).any():
            continue
        alone, words = perplexity(params, options, tokens, with_text_before=False)
        found[name] = {"words": words, "by_sentence": round(alone, 2)}
        if not name.startswith("held_out"):  # those sentences do not follow on each other
            after, _ = perplexity(params, options, tokens, with_text_before=True)
            found[name]["with_text_before"] = round(after, 2)
        say(f"  {name}: {found[name]}")
    return found


def mean_log_perplexity(found: Mapping[str, Mapping[str, float]]) -> float:
    """Mean log perplexity over the registers held out."""
    held = [
        np.log(one["by_sentence"]) for name, one in found.items() if name.startswith("held_out")
    ]
    return float(np.mean(held)) if held else float("inf")


# ---- weights as a pack takes them: in 8 bits, in one file ----


def to_rows(params: Mapping[str, Any]) -> dict[str, np.ndarray]:
    """The weights as inference reads them: every matrix (outputs, inputs), so that a row gives one sum."""
    return {name: _turned(name, np.asarray(array, np.float32)) for name, array in params.items()}


def from_rows(rows: Mapping[str, np.ndarray]) -> Params:
    """The other way."""
    return {
        name: jnp.asarray(_turned(name, array.astype(np.float32))) for name, array in rows.items()
    }


def _turned(name: str, array: np.ndarray) -> np.ndarray:
    turned = array.ndim == 2 and name not in ("head", "tail", "widen")
    return np.ascontiguousarray(array.T) if turned else array


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


def export_model(params: Params, order: np.ndarray, out: Path) -> dict[str, np.ndarray]:
    """Write the weights in 8 bits with the tokens' order, whole or not at all; returns the weights."""
    low = quantised(to_rows(params))
    draft = out / f"{WEIGHTS}.writing.npz"
    np.savez(draft, allow_pickle=False, order=order.astype(np.uint32), **low)
    draft.replace(out / WEIGHTS)
    return low
