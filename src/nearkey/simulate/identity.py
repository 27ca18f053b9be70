"""What a run must name so that others can repeat it: checksums of layout, touch model and pack."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np

from nearkey.decode import LanguagePack
from nearkey.simulate.columns import Floats


def digest(text: str | bytes) -> str:
    """The first 16 hexadecimal digits of the SHA-256."""
    data = text.encode() if isinstance(text, str) else text
    return hashlib.sha256(data).hexdigest()[:16]


def pack_identity(pack: LanguagePack) -> dict[str, Any]:
    """Name, version and checksum of a pack; a checksum of words and probabilities where it has no record."""
    info: Any = getattr(pack, "info", None)
    if info is None or not hasattr(info, "files"):
        words = "\n".join(pack.lexicon.words).encode()
        log_probs = np.asarray(pack.lexicon.log_probs, dtype=np.float32).tobytes()
        return {"name": "unnamed", "version": "", "checksum": digest(words + log_probs)}
    files = "".join(f"{name} {record.sha256}\n" for name, record in sorted(info.files.items()))
    return {"name": info.name, "version": info.version, "checksum": digest(files)}


def drawn_touches(model: Any) -> Floats:
    """Some touches of each key, which tell a touch model from others."""
    keys = np.repeat(np.arange(len(model.key_ids)), 4)
    return np.asarray(model.sample(keys, np.random.default_rng(0)))


def touch_identity(model: Any) -> dict[str, str]:
    """A touch model's kind, and a checksum of what it draws for each key (to a millionth of a unit)."""
    if not hasattr(model, "sample"):
        return {"kind": type(model).__name__, "checksum": ""}
    drawn = np.round(drawn_touches(model) * 1e6).astype(np.int64).tobytes()
    return {"kind": type(model).__name__, "checksum": digest(drawn)}
