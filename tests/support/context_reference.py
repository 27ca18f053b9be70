"""The context model's equations in numpy, float64, straight from its file: what the compiled kernel is compared with.

Hochreiter and Schmidhuber (Neural Computation 1997) for the memory cell, Gers, Schmidhuber and Cummins (Neural
Computation 2000) for its forget gate, Sak, Senior and Beaufays (Interspeech 2014) for the projection.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from nearkey.language.mapped_files import read_context_arrays, read_context_header

State = list[tuple[np.ndarray, np.ndarray]]


class ContextReference:
    """A context model read from the bytes of its file."""

    def __init__(self, data: np.ndarray) -> None:
        self.header = header = read_context_header(data, "reference")
        arrays = read_context_arrays(data, header)

        def matrix(name: str) -> np.ndarray:
            return arrays[name] * arrays[f"{name}.scale"].astype(np.float64)[:, None]

        self.order = arrays["order"].astype(np.int64)
        self.rank = np.argsort(self.order)
        vectors = matrix("head")
        if header.head < header.vocab_size:
            vectors = np.concatenate([vectors, matrix("tail") @ matrix("widen")])
        self.vectors = vectors
        self.bias = arrays["bias"].astype(np.float64)
        self.layers = [
            (matrix(f"input{i}"), matrix(f"recur{i}"), arrays[f"gates{i}"], matrix(f"project{i}"))
            for i in range(header.layers)
        ]

    def start(self) -> State:
        """The state before any token."""
        h, c = np.zeros(self.header.width), np.zeros(self.header.cells)
        return [(h, c) for _ in self.layers]

    def advance(self, state: State, token: int) -> State:
        """The state after one more token."""
        flow, after = self.vectors[self.rank[token]], []
        for (before, cells), (given, recur, bias, project) in zip(state, self.layers, strict=True):
            i, f, g, o = np.split(given @ flow + recur @ before + bias, 4)
            c = _sigmoid(f) * cells + _sigmoid(i) * np.tanh(g)
            flow = project @ (_sigmoid(o) * np.tanh(c))
            after.append((flow, c))
        return after

    def log_probs(self, state: State) -> np.ndarray:
        """Natural log P of every token; that of the sentence's start is minus infinity."""
        logits = self.vectors @ state[-1][0] + self.bias
        logits[self.rank[self.header.bos]] = -np.inf
        largest = logits.max()
        logs = logits - largest - np.log(np.exp(logits - largest).sum())
        return logs[self.rank]

    def score(self, tokens: list[int], *, by_sentence: bool) -> np.ndarray:
        """Natural log P of each token from the second on, after those before it."""
        state, found = self.start(), []
        for token, following in pairwise(tokens):
            if by_sentence and token == self.header.bos:
                state = self.start()
            state = self.advance(state, token)
            found.append(self.log_probs(state)[following])
        return np.array(found)


def _sigmoid(x: np.ndarray) -> np.ndarray:
    return 1.0 / (1.0 + np.exp(-x))
