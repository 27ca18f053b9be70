"""Threads inside the kernel: any number may be asked for, and a system that gives none is no fault."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import nearkey._kernel as _kernel

LETTERS = 4
NONE = np.zeros(0, np.uint32)


def batch(threads: int, *, k: int = 3) -> tuple[list[list[int]], list[list[float]]]:
    """Thousands of words by so many threads; always the same ones."""
    rng = np.random.default_rng(1)
    n_words, n_queries = 30, 2000
    lengths = rng.integers(1, 5, n_words)
    lexicon = _kernel.Lexicon(
        rng.integers(0, LETTERS, int(lengths.sum())).astype(np.uint8),
        np.cumsum([0, *lengths]).astype(np.uint32),
        np.arange(n_words, dtype=np.uint32),
        rng.uniform(-9, -1, n_words).astype(np.float32),
        LETTERS,
        n_words,
    )
    columns = np.arange(LETTERS, dtype=np.uint32)
    searcher = _kernel.Searcher(lexicon, None, NONE, columns, 1.0, None)
    touches = rng.integers(1, 5, n_queries)
    density = rng.uniform(-8, -0.1, (int(touches.sum()), LETTERS))
    offsets = np.cumsum([0, *touches]).astype(np.uint32)
    words, totals = searcher.batch(
        density, offsets, NONE, NONE, k, _kernel.Penalties(), threads=threads
    )
    return words.tolist(), totals.tolist()


@pytest.mark.parametrize("threads", [-1, 0, 2, 100_000])
def test_the_answers_do_not_depend_on_the_threads(threads):
    assert batch(threads) == batch(1)


def test_a_system_without_threads_to_give_is_no_fault():
    room, stack = 1 << 30, 4 << 30
    script = f"""
import resource, sys, threading
sys.path.insert(0, {str(Path(__file__).parent)!r})
from {Path(__file__).stem} import batch
one = batch(1)
used = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (used + {room}, used + {room}))
try:
    threading.Thread(target=print).start()
except RuntimeError:
    print(batch(8) == one)
"""
    done = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        # Each thread's stack would be larger than the memory allowed.
        preexec_fn=lambda: resource.setrlimit(
            resource.RLIMIT_STACK, (stack, resource.getrlimit(resource.RLIMIT_STACK)[1])
        ),
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "True\n", "")


def test_more_results_than_an_array_holds_are_refused():
    with pytest.raises(ValueError, match="more results than an array holds"):
        batch(1, k=2**40)
