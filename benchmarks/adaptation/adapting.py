"""How fast touch and language adapt to a person, and what wrong labels do to that.

    NEARKEY_DATA=FOLDER python benchmarks/adaptation/adapting.py --plot [--keep people.jsonl]

Simulated people type on a QWERTY pad of 26 keys; see bodies.py for how they touch, person_trial.py
for what they write and how they are tested. Writes results/adaptation.json: the same figures for the
same pack, text and seed, whatever the number of workers. `--keep` takes up a run of the same pack and
code that was broken off. The settings of `nearkey.personal` were chosen on the people of `--set tune`; `--set report`, the default, has other people and other text.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
from bodies import population
from person_trial import TEXT_WORDS, LearningCondition, PersonTrial, Scores, drawn, stretches
from summary import Key, Table, draw, sections
from tqdm import tqdm

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from harness import add_kept, held_out_lines, kept, options, refused
from sections import RESULTS, write

from nearkey.decode import Decoder
from nearkey.language import load_pack
from nearkey.layout import Layout

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
    LearningCondition("the text before alone", touch=False, words=False, text_before=True),
    LearningCondition("touch, words and the text before", text_before=True),
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
    letters, lines = decoder.layout.letters, held_out_lines()
    seed = SEEDS[job.which] + job.number
    if lines is None:
        text = drawn(decoder.pack, letters, TEXT_WORDS, np.random.default_rng(seed))
    else:
        # Every other stretch is for tuning.
        at = 2 * job.number + (job.which == "report")
        found = next(islice(stretches(lines, decoder.pack, letters, TEXT_WORDS), at, None), None)
        if found is None:
            refused(
                f"the held-out text has words for no more than {job.number} people; ask for fewer"
            )
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
    done = dict(kept(keep, tuple[Job, list[tuple[Key, Scores]]]))
    left = [job for job in jobs if job not in done]
    with ProcessPoolExecutor(workers) as pool:
        found = map(simulate, left) if workers == 1 else pool.map(simulate, left)
        for job in jobs:
            if job in done:
                yield dict(done[job])
            else:
                table = next(found)
                add_kept(keep, (job, list(table.items())))
                yield table


def main() -> None:
    asked = options(
        __doc__,
        people=16,
        set=("report", f"of people: {' or '.join(SEEDS)}"),
        pack=("en", "name or folder of a language pack"),
        workers=2,
        keep=(Path, "append each person here and take up from it"),
        output=RESULTS / "adaptation.json",
        plot=(False, "also draw it, beside the results"),
    )
    if asked.set not in SEEDS:
        refused(f"set {asked.set!r} is unknown: use {', '.join(SEEDS)}")
    jobs = [Job(asked.pack, asked.set, i) for i in range(asked.people)]
    tables = list(tqdm(progress(jobs, asked.workers, asked.keep), total=len(jobs), unit="person"))
    text = "held-out English text (EWT)" if held_out_lines() else "text drawn from the pack"
    picture = f"{asked.output.stem}.png"
    pictures = [draw(tables, picture, asked.output.parent)] if asked.plot else []
    found = sections(
        tables,
        [c.name for c in CONDITIONS],
        text=text,
        which=asked.set,
        pack=pack_note(asked.pack),
        pictures=pictures,
    )
    write(asked.output, *found)
    for row in found[0].rows:
        print(*row, sep=" | ")


if __name__ == "__main__":
    main()
