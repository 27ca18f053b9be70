"""How fast touch and language adapt to a person, and what wrong labels do to that.

    NEARKEY_DATA=FOLDER python benchmarks/adaptation/adapting.py [--plot] [--keep people.jsonl]

Simulated people type on a QWERTY pad of 26 keys; see bodies.py for how they touch, texts.py for what
they write, trial.py for how they are tested. Writes results/adaptation.json: the same figures for the
same pack, text and seed, whatever the number of workers. `--keep` takes up a run of the same pack and
code that was broken off. The settings of `nearkey.personal` were chosen on the people of `--set tune`; `--set report`, the default, has other people and other text.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from bodies import population
from person_trial import TEXT_WORDS, LearningCondition, PersonTrial, Scores
from summary import Key, Table, sections
from texts import drawn, held_out_file, stretches
from tqdm import tqdm

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from sections import write

from nearkey.decode import Decoder
from nearkey.language import load_pack
from nearkey.layout import Layout

RESULTS = Path(__file__).resolve().parents[1] / "results"
SEEDS = {"tune": 1_000, "report": 2_000}
POPULATION_SEED = 99
POPULATION_PEOPLE, POPULATION_TOUCHES = 12, 400

CONDITIONS = (
    LearningCondition("touch and words"),
    LearningCondition("touch alone", words=False),
    LearningCondition("words alone", touch=False),
    LearningCondition("10 % wrong labels", wrong=0.1),
    LearningCondition("10 % wrong labels, believed", wrong=0.1, guarded=False),
    LearningCondition("first candidate always let stand", unnoticed=True),
)
WITH_CEILING = CONDITIONS[:3]


@dataclass(frozen=True, slots=True)
class Job:
    """One person to simulate."""

    pack: str
    which: str
    number: int


def trial_of(job: Job, loaded: dict[str, Any] = {}) -> PersonTrial:  # noqa: B006 one decoder a process
    if job.pack not in loaded:
        layout = Layout.named("qwerty")
        people = population(
            layout,
            np.random.default_rng(POPULATION_SEED),
            people=POPULATION_PEOPLE,
            touches=POPULATION_TOUCHES,
        )
        loaded[job.pack] = Decoder(layout, people, load_pack(job.pack)), people
    decoder, people = loaded[job.pack]
    letters, path = decoder.layout.letters, held_out_file()
    seed = SEEDS[job.which] + job.number
    if path is None:
        text = drawn(decoder.pack, letters, TEXT_WORDS, np.random.default_rng(seed))
    else:
        # Every other stretch is for tuning.
        at = 2 * job.number + (job.which == "report")
        found = next(islice(stretches(path, decoder.pack, letters, TEXT_WORDS), at, None), None)
        if found is None:
            sys.exit(f"{path} has text for no more than {job.number} people; ask for fewer")
        text = found
    return PersonTrial(decoder, people, text, seed)


def simulate(job: Job) -> Table:
    """All scores of one person: (condition, with its past or not, words typed) to scores."""
    trial = trial_of(job)
    table: Table = {("none", False, n): s for n, s in trial.unadapted()}
    for condition in CONDITIONS:
        table |= {(condition.name, False, n): s for n, s in trial.run(condition)}
    for condition in WITH_CEILING:
        table |= {(condition.name, True, n): s for n, s in trial.ceiling(condition)}
    return table


def pack_note(pack: str) -> str:
    """Which pack it was, to the byte."""
    info = load_pack(pack).info
    return f"Pack {info.name} {info.version}, words.ngram sha256 {info.files['words.ngram'].sha256[:12]}."


def progress(jobs: list[Job], workers: int, keep: Path | None) -> Iterator[Table]:
    """The people's tables, in order, as they come; those in `keep` are taken from there, the others added to it."""
    kept: dict[Job, Table] = {}
    if keep is not None and keep.exists():
        for line in keep.read_bytes().splitlines():
            job, rows = msgspec.json.decode(line, type=tuple[Job, list[tuple[Key, Scores]]])
            kept[job] = dict(rows)
    left = [job for job in jobs if job not in kept]
    with ProcessPoolExecutor(workers) as pool:
        found = map(simulate, left) if workers == 1 else pool.map(simulate, left)
        for job in jobs:
            if job not in kept:
                kept[job] = next(found)
                if keep is not None:
                    with keep.open("ab") as out:
                        out.write(msgspec.json.encode((job, list(kept[job].items()))) + b"\n")
            yield kept[job]


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--people", type=int, default=16)
    parser.add_argument("--set", choices=sorted(SEEDS), default="report")
    parser.add_argument("--pack", default="en", help="name or folder of a language pack")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="append each person here and take up from it")
    parser.add_argument("--output", type=Path, default=RESULTS / "adaptation.json")
    parser.add_argument("--plot", action="store_true", help="also draw it, beside the results")
    options = parser.parse_args(arguments)
    jobs = [Job(options.pack, options.set, i) for i in range(options.people)]
    tables = list(
        tqdm(progress(jobs, options.workers, options.keep), total=len(jobs), unit="person")
    )
    text = "held-out English text (EWT)" if held_out_file() else "text drawn from the pack"
    pictures = []
    if options.plot:
        from picture import draw

        pictures = [draw(tables, f"{options.output.stem}.png", options.output.parent)]
    found = sections(
        tables,
        [c.name for c in CONDITIONS],
        text=text,
        which=options.set,
        pack=pack_note(options.pack),
        pictures=pictures,
    )
    write(options.output, *found)
    for row in found[0].rows:
        print(*row, sep=" | ")


if __name__ == "__main__":
    main()
