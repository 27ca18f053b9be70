"""A yardstick behind the line protocol, so that it is scored on the same words and touches as everyone.

    bash benchmarks/yardsticks/setup.sh
    nearkey score qwerty --fit-mm 24 12 --spread-mm 1 \\
        --decoder speech=".yardsticks/bin/python benchmarks/yardsticks/line_decoder.py speech"

Runs in the yardsticks' own environment and imports nothing of nearkey. Words alone: no context. How each
engine is set stands in `engines.py`.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from engines import LETTERS, FiniteState, SpeechBeam, SpeechLexicon, write_unigram_arpa

Densities = np.ndarray[Any, Any]


class TouchMessage:
    """Log densities of a touch under every letter, from the Gaussians or Student's t's of the greeting."""

    def __init__(self, hello: dict[str, Any]) -> None:
        told = hello["touch"]
        self.dof = told.get("dof")
        parts = told["gaussians"] if self.dof is None else told["students"]
        key_of = {c: key["id"] for key in hello["layout"]["keys"] for c in key["letters"]}
        self.mean = np.asarray([p["mean"] for p in parts])
        xx, xy, yy = np.asarray([p["cov"] if self.dof is None else p["scale"] for p in parts]).T
        self.det = xx * yy - xy * xy
        self.xx, self.xy, self.yy = xx, xy, yy
        self.weight = np.log([p["weight"] for p in parts])
        self.members = [[i for i, p in enumerate(parts) if p["key"] == key_of[c]] for c in LETTERS]
        self.background = told["background"]

    def densities(self, points: Densities) -> Densities:
        """(n, 26) natural logs."""
        d = points[:, None, :] - self.mean
        q = (
            self.yy * d[..., 0] ** 2
            - 2 * self.xy * d[..., 0] * d[..., 1]
            + self.xx * d[..., 1] ** 2
        ) / self.det
        tail = q / 2 if self.dof is None else (self.dof + 2) / 2 * np.log1p(q / self.dof)
        log = self.weight - tail - np.log(2 * np.pi) - np.log(self.det) / 2
        out = np.stack([np.logaddexp.reduce(log[:, m], axis=1) for m in self.members], axis=1)
        weight = self.background["weight"]
        if weight > 0:
            outlier = np.log(weight) + self.background["log_density"]
            out = np.logaddexp(np.log1p(-weight) + out, outlier)
        return out


def engine(kind: str, words: list[str], log_probs: Densities, folder: Path, beam: int) -> Any:
    """The engine of this name over the lexicon of the greeting."""
    if kind == "finite-state":
        return FiniteState(words, log_probs)
    arpa = folder / "unigram.arpa"
    write_unigram_arpa(arpa, words, log_probs)
    if kind == "speech":
        return SpeechLexicon(words, arpa, log_probs, beam=beam)
    return SpeechBeam(words, arpa, beam=beam)


def main() -> None:
    """Speak the line protocol until the input ends."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("engine", choices=["speech", "speech-python", "finite-state"])
    parser.add_argument("--beam", type=int, default=100)
    options = parser.parse_args()
    # Libraries that print to standard output would break the protocol.
    out, sys.stdout = sys.stdout, sys.stderr
    hello = json.loads(sys.stdin.readline())
    lines = Path(hello["lexicon"]).read_text(encoding="utf-8").splitlines()
    rows = [line.split("\t") for line in lines]
    words = [word for word, _ in rows]
    log_probs = np.asarray([float(p) for _, p in rows], np.float32)
    touch = TouchMessage(hello)

    def say(**message: Any) -> None:
        print(json.dumps(message), file=out, flush=True)

    with tempfile.TemporaryDirectory() as folder:
        decoder = engine(options.engine, words, log_probs, Path(folder), options.beam)
        say(type="ready", name=options.engine, version=1)
        for line in sys.stdin:
            asked = json.loads(line)
            points = np.asarray(asked["points"], dtype=np.float64)
            texts = decoder.decode(touch.densities(points), asked["k"])
            say(type="answer", id=asked["id"], texts=texts[: asked["k"]])


if __name__ == "__main__":
    main()
