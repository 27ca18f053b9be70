"""Decoders as the benchmark asks them: ours, the baselines, and any command that speaks the line protocol."""

from nearkey.simulate.decoders.baseline_decoders import BASELINES, baselines
from nearkey.simulate.decoders.outside import OutsideDecoder
from nearkey.simulate.decoders.own import OwnDecoder
from nearkey.simulate.decoders.protocol import (
    Answers,
    BatchDecodes,
    Decodes,
    Faults,
    Posterior,
    Queries,
    Reading,
    ask,
)

__all__ = [
    "BASELINES",
    "Answers",
    "BatchDecodes",
    "Decodes",
    "Faults",
    "OutsideDecoder",
    "OwnDecoder",
    "Posterior",
    "Queries",
    "Reading",
    "ask",
    "baselines",
]
