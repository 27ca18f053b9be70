"""What is trained, and how; the tokens that mean something to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

Array = Any
"""A jax array, traced or not, or a numpy array."""
Params = dict[str, Any]

BOS = 1
FIRST_WORD = 4
FORMAT = 1
WEIGHTS = "weights8.npz"
"""Name of the file of trained weights."""


class TrainingError(Exception):
    """Training data or a checkpoint that cannot be used; one line."""


@dataclass(frozen=True, slots=True)
class Options:
    """What is trained, and how.

    Parameters
    ----------
    cells, width, layers : memory cells a layer; width of vectors and projections; number of layers.
    head, tail_width : how many of the most frequent tokens have vectors of `width`; width of the others' vectors.
    window, batch : tokens a row and rows a step.
    carry : probability that a row reads on with its state; else it begins at a random sentence.
    reset : probability that the state is set to zeros before a sentence within a row.
    rate, warm_up, clip, decay : peak learning rate (AdamW), steps until it is reached, largest norm of the
        gradient, weight decay.
    drop, drop_between, drop_words, drop_recurrent : probability of dropping: a component of vectors in and
        out (the same through a window), of outputs between layers, of whole words going in, of recurrent weights.
    average : decay of the running mean of the weights; 0 for none.
    minutes : wall-clock budget of the training, without compiling and evaluating.
    steps : at most this many steps; 0 for as many as the budget holds.
    seed : of everything random.
    chunk : rows of the output product at a time; bounds memory.
    low_logits : output products in bfloat16: less memory traffic, a little noise.
    """

    cells: int = 1024
    width: int = 256
    layers: int = 2
    head: int = 16_384
    tail_width: int = 128
    window: int = 64
    batch: int = 512
    carry: float = 0.6
    reset: float = 0.15
    rate: float = 3e-3
    warm_up: int = 400
    clip: float = 0.5
    decay: float = 0.02
    drop: float = 0.1
    drop_between: float = 0.1
    drop_words: float = 0.01
    drop_recurrent: float = 0.05
    average: float = 0.999
    minutes: float = 18.0
    steps: int = 0
    seed: int = 1
    chunk: int = 4096
    low_logits: bool = False
