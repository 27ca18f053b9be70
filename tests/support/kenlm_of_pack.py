"""A pack's own n-grams through KenLM."""

from __future__ import annotations

from pathlib import Path

import pytest

from nearkey.language import KenlmModel, Pack
from nearkey.packs.arpa import exported_model


def kenlm_of(pack: Pack, path: Path) -> KenlmModel:
    """Writes the pack's table as an ARPA file and has KenLM read it; skips where it is not installed."""
    pytest.importorskip("kenlm")
    exported_model(pack).save(path)
    return KenlmModel(path, pack.lexicon.words)
