"""Trained weights as a pack takes them: in 8 bits, in one file."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import jax.numpy as jnp
import numpy as np

from .network_options import WEIGHTS, Params


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
