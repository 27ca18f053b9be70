"""The estimator against kaldingram on the same text in one run; growth with the text; loading a pack.

    python benchmarks/estimator/estimation_speed.py [--parts texts,ratio,growth,load] [--words N] [--work FOLDER]

The text is that of the English recipe (with NEARKEY_DATA the open corpora too), in an order drawn by
seed; where it is too short, further sentences are spliced from several at words they share, so that
new n-grams keep arising. kaldingram, a trainer in plain Python, comes from its registry into an environment
of its own in the work folder.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
import venv
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from harness import MEASURE, measured, options
from sections import save_section

from nearkey.errors import PackError
from nearkey.packs import finished
from nearkey.packs.fetch import cache_folder, locate
from nearkey.packs.intake import reading
from nearkey.packs.recipe import read_recipe

ROOT = Path(__file__).resolve().parents[2]
SEED = 11
SPLICES = 3
SIZES = (1_000_000, 2_000_000, 5_000_000, 10_000_000, 20_000_000, 50_000_000)
OURS = """
import resource
from nearkey.packs.arpa import estimate_file
start = time.perf_counter()
made = estimate_file(sys.argv[1], order=3, workers=2, max_bytes=int(sys.argv[3]))
made.save(sys.argv[2])
usage = resource.getrusage(resource.RUSAGE_SELF)
told(wall=time.perf_counter() - start, cpu=usage.ru_utime + usage.ru_stime, ngrams=made.model.tree.sizes())
"""
THEIRS = """
import resource
from kaldingram.cli import main
start = time.perf_counter()
main(["train", "--ngram-order", "3", "--text", sys.argv[1], "--lm", sys.argv[2]])
usage = resource.getrusage(resource.RUSAGE_SELF)
told(wall=time.perf_counter() - start, cpu=usage.ru_utime + usage.ru_stime)
"""
LOAD = """
start = time.perf_counter()
from nearkey.language import load_pack
middle = time.perf_counter()
load_pack("en")
told(imports=middle - start, load=time.perf_counter() - middle)
"""


@cache
def base_text() -> tuple[list[str], np.ndarray, np.ndarray]:
    """Words, ids and sentence offsets of the recipe's text, sentences in drawn order."""
    path = ROOT / "models" / "en" / "recipe.toml"
    recipe = read_recipe(path)
    data = Path(os.environ["NEARKEY_DATA"]) if "NEARKEY_DATA" in os.environ else None
    index: dict[str, int] = {}
    sentences: list[np.ndarray] = []
    for source in recipe.text:
        try:
            files = locate(source, recipe=path, data=data, cache=cache_folder())
        except PackError as fault:
            print(f"left out: {fault}", file=sys.stderr)
            continue
        stream, _ = finished(reading(source, files, recipe))
        here = np.array([index.setdefault(s.lower(), len(index)) for s in stream.surfaces])
        sentences += np.split(here[stream.ids], stream.starts[1:-1])
    order = np.random.default_rng(SEED).permutation(len(sentences))
    ids = np.concatenate([sentences[i] for i in order])
    lengths = [len(sentences[i]) for i in order]
    return list(index), ids, np.concatenate(([0], np.cumsum(lengths)))


def lines_of(words: list[str], ids: np.ndarray, starts: np.ndarray, count: int) -> Iterator[str]:
    """Sentences of `count` words in all; spliced ones once the text is used up."""
    written = 0
    for begin, end in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True):
        if written >= count:
            return
        yield " ".join(words[i] for i in ids[begin:end].tolist())
        written += end - begin
    rng = np.random.default_rng(SEED + 1)
    by_word = np.argsort(ids, kind="stable")
    first = np.searchsorted(ids[by_word], np.arange(len(words) + 1))
    flat = ids.tolist()

    def elsewhere(at: np.ndarray) -> np.ndarray:
        """Another place of the word at each place."""
        word = ids[at]
        return by_word[first[word] + rng.integers(first[word + 1] - first[word])]

    while written < count:
        cut = rng.integers(len(ids), size=50_000)
        pieces = [(starts[np.searchsorted(starts, cut, side="right") - 1], cut)]
        for _ in range(SPLICES):
            begin = elsewhere(cut)
            end = starts[np.searchsorted(starts, begin, side="right")]
            cut = np.minimum(begin + rng.integers(1, 4, size=len(begin)), end - 1)
            pieces.append((begin, cut))
        pieces.append((cut, end))
        for bounds in zip(*(pair for piece in pieces for pair in piece), strict=True):
            spans = zip(bounds[::2], bounds[1::2], strict=True)
            line = [flat[i] for begin, end in spans for i in range(begin, end)]
            yield " ".join(words[i] for i in line)
            written += len(line)
            if written >= count:
                return


def make_text(path: Path, count: int) -> Path:
    """The benchmark text of so many words; kept for the next run."""
    if not path.exists():
        words, ids, starts = base_text()
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary = path.with_suffix(".part")
        with temporary.open("w", encoding="utf-8") as out:
            for line in lines_of(words, ids, starts, count):
                out.write(line + "\n")
        temporary.replace(path)
    return path


def kaldingram_python(work: Path) -> Path:
    folder = work / "kaldingram"
    python = folder / "bin" / "python"
    if not python.exists():
        venv.create(folder, with_pip=True)
        subprocess.run([python, "-m", "pip", "install", "--quiet", "kaldingram"], check=True)
    return python


def texts(work: Path, count: int) -> None:
    """Make what the other parts need, and no more."""
    for size in {count, *SIZES}:
        make_text(work / f"text-{size}.txt", size)
    kaldingram_python(work)


def ratio(work: Path, count: int) -> None:
    files = make_text(work / f"text-{count}.txt", count), work / "lm.arpa"
    ours = measured(MEASURE + OURS, *files, str(1 << 30))
    theirs = measured(MEASURE + THEIRS, *files, python=kaldingram_python(work))
    again = measured(MEASURE + OURS, *files, str(1 << 30))
    best = min(ours, again, key=lambda found: found["cpu"])
    rows = [
        ["kaldingram, plain Kneser-Ney", theirs["wall"], theirs["cpu"], 1.0, theirs["mb"]],
        ["nearkey, modified Kneser-Ney", best["wall"], best["cpu"],
         theirs["cpu"] / best["cpu"], best["mb"]],
    ]  # fmt: skip
    save_section(
        "estimator_ratio",
        title=f"From {count:,} words of text to a 3-gram ARPA file",
        more="--parts ratio",
        order=54,
        timed=True,
        columns="program; seconds|1; processor seconds|1; times faster|1; peak MB|0",
        rows=rows,
        notes=["Reading, counting, estimating and writing; the ratio is of processor time, since other"
               " work shared the machine. The better of two runs of nearkey, before and after kaldingram.",
               "With one discount and without interpolation the two give the same numbers: see"
               " tests/reference/language."],
    )  # fmt: skip


def growth(work: Path, sizes: tuple[int, ...]) -> None:
    rows = []
    for count in sizes:
        text = make_text(work / f"text-{count}.txt", count)
        for memory in (1 << 30, 1 << 28):
            found = measured(MEASURE + OURS, text, work / "lm.arpa", str(memory))
            total = sum(found["ngrams"])
            rows.append(
                [count / 1e6, memory >> 20, found["wall"], found["cpu"], found["mb"], total / 1e6]
            )
            print(rows[-1], file=sys.stderr)
    save_section(
        "estimator_growth",
        title="The estimator's growth with the text, order 3, ARPA file included",
        more="--parts growth",
        order=55,
        timed=True,
        columns=(
            "million words|0; MB allowed for counting; seconds|1; processor seconds|1; "
            "peak MB|0; million n-grams|1"
        ),
        rows=rows,
        notes=["Beyond the recipe's own text, sentences are spliced from several at words they share."
               " The peak includes the finished model, which stays in memory."],
    )  # fmt: skip


def load() -> None:
    found = [measured(MEASURE + LOAD) for _ in range(15)]
    imports, loads = (statistics.median(one[name] for one in found) for name in ("imports", "load"))
    worst = max(one["load"] for one in found)
    save_section(
        "pack_load",
        title="Loading the English pack, checksums verified",
        more="--parts load",
        order=56,
        timed=True,
        columns="what; milliseconds|1",
        rows=[["import nearkey.language", imports * 1000], ["load_pack, median of 15", loads * 1000],
              ["load_pack, slowest of 15", worst * 1000]],
        notes=["A new process each time; the files are in the system's cache."],
    )  # fmt: skip


def main() -> None:
    asked = options(
        __doc__,
        parts=["ratio", "growth", "load"],
        apart=["texts"],
        words=10_000_000,
        work=ROOT / ".cache" / "estimator",
    )
    asked.work.mkdir(parents=True, exist_ok=True)
    start = time.perf_counter()
    made = {
        "texts": lambda: texts(asked.work, asked.words),
        "ratio": lambda: ratio(asked.work, asked.words),
        "growth": lambda: growth(asked.work, SIZES),
        "load": load,
    }
    for part in asked.parts:
        made[part]()
        print(f"{part}: {time.perf_counter() - start:.0f} s", file=sys.stderr)


if __name__ == "__main__":
    main()
