"""Torture: damaged and forged files of every format, forged packs in child processes, killed writers; many of each.

    python benchmarks/torture/run_torture.py [--cases 1000000] [--packs 3000] [--processes 2]

What a test run tries in small numbers is tried in large ones here, with other seeds. A reader may take a file or refuse it by one
short line; a crash, a hang, any other exception or a quoted private text is a failure. The table goes to RESULTS.md.
"""

from __future__ import annotations

import sys
import tempfile
import warnings
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE.parent), str(ROOT / "tests" / "support")]

from harness import options
from hostile_files import fuzz, fuzz_packs, readers
from sections import save_section
from small_context import with_context
from small_packs import build_small_pack

NO_KENLM = (
    "KenLM's own library was not installed where this ran:"
    " its reader is tried by tests/contract/test_hostile_files.py alone."
)


def torture_readers(
    part: int, parts: int, cases: int, seed: int
) -> list[tuple[str, int, int, list[str]]]:
    """(reader, cases, failures, what failed) of every `parts`-th reader."""
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory(prefix="nearkey-torture-") as name:
        folder = Path(name)
        out = []
        for reader in readers(folder / "good")[part::parts]:
            failed, told = fuzz(reader, folder, cases=cases, seed=seed)
            out.append((reader.name, cases, failed, told))
            done = f"{reader.name}: {cases} cases, {failed} failures"
            print(done, *told, sep="\n    ", file=sys.stderr, flush=True)
        return out


def torture_packs(cases: int, seed: int) -> list[tuple[str, int, int, list[str]]]:
    """The same of every file of a pack, forged with checksums that fit."""
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory(prefix="nearkey-torture-") as name:
        folder = Path(name)
        small, _ = build_small_pack(folder / "small")
        good = with_context(small, folder / "good")
        tally, told = fuzz_packs(good, folder, cases=cases, seed=seed, most=20)
        print("packs", tally, *told, sep="\n    ", file=sys.stderr, flush=True)
        return [
            (f"pack: {file}", tried, failed, [line for line in told if f"pack {file}," in line])
            for file, (tried, failed) in tally.items()
        ]


def main() -> int:
    """Run it all and write the section of results; the exit code tells whether anything failed."""
    cases = (1_000_000, "damaged files, over all readers")
    packs = (3000, "forged packs, over all files of a pack")
    asked = options(__doc__, cases=cases, packs=packs, processes=2, seed=1)
    with tempfile.TemporaryDirectory() as name:
        n_readers = len(readers(Path(name)))
    each = -(-asked.cases // n_readers)
    rows: list[tuple[str, int, int, list[str]]] = []
    with ProcessPoolExecutor(asked.processes) as pool:
        # Small parts: readers differ in how long they take.
        jobs = [
            pool.submit(torture_readers, part, n_readers, each, asked.seed)
            for part in range(n_readers)
        ]
        last = pool.submit(torture_packs, asked.packs, asked.seed)
        for job in [*jobs, last]:
            rows += job.result()
    tried, failed = sum(row[1] for row in rows), sum(row[2] for row in rows)
    without = [] if any(row[0] == "KenLM" for row in rows) else [NO_KENLM]
    save_section(
        "torture",
        title="Torture: damaged and forged files",
        command=f"make torture (--cases {asked.cases} --packs {asked.packs} --seed {asked.seed})",
        columns="format; tried; failed",
        rows=[[name, cases, bad] for name, cases, bad, _ in rows] + [["together", tried, failed]],
        notes=[
            "A case is one damaged or forged file. A reader takes it or refuses it by one printable line of less than 300 characters"
            " that quotes no private text; anything else, within 5 s, is a failure. Packs are forged with checksums that fit, and then"
            " loaded, decoded with and checked, each in a child process.",
            *without,
        ],
        order=95,
    )
    for _, _, _, told in rows:
        for line in told:
            print(line)
    print(f"{tried} tried, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
