"""Run the benchmark: the quick set (under five minutes on two cores) or the full one.

    python benchmarks/run.py quick
    python benchmarks/run.py full --data FOLDER

Text and touches are looked for in --data, or in the folder NEARKEY_DATA names; a scenario whose data is
not there is skipped, and says so. Writes runs/SET.json (the same on every machine), runs/SET.speed.json
and, with --page, the sections of the results page. An interrupted run goes on from runs/SET.partial.jsonl.
"""

from __future__ import annotations

import argparse
import gc
import json
import os
import resource
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fnmatch import fnmatch
from functools import cached_property
from pathlib import Path
from typing import Any

from decoder_words import keep_vectors
from scenario_results import write_sections
from scenarios import (
    COMPARE_WORDS,
    PAD_MM,
    PHONE_KEYS_MM,
    SEED,
    SPREADS_MM,
    WORDS,
    Scenario,
    layout_of,
    scenarios,
)
from sections import this_machine

import nearkey
from nearkey.errors import NearkeyError, PlanError
from nearkey.files import atomic_write
from nearkey.simulate.chunk_log import ChunkLog
from nearkey.simulate.identity import pack_identity
from nearkey.simulate.layout_score import StaticScore
from nearkey.simulate.replay import RecordedTouches, replay_gap
from nearkey.simulate.score import score_condition, static_score
from nearkey.simulate.trial import Condition
from nearkey.simulate.workload import Corpus, Workload, held_out_part, make_workload, read_source
from nearkey.touch import GaussianTouch

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE / "touch"))
SCHEMA, VERSION = "nearkey-benchmark", 1


class Skipped(Exception):
    """A scenario cannot run here; the text says why."""


@dataclass
class Bench:
    """Packs, texts, words and touches, each made once."""

    data: Path | None
    threads: int
    seconds: dict[str, float] = field(default_factory=dict)
    packs: dict[str, Any] = field(default_factory=dict)
    made: dict[tuple[str, ...], Any] = field(default_factory=dict)

    def pack(self, language: str) -> Any:
        if language not in self.packs:
            try:
                self.packs[language] = nearkey.load_pack(language)
            except NearkeyError as fault:
                raise Skipped(f"no pack {language!r} here: {fault.problem}") from None
            keep_vectors(self.packs[language], WORDS)
        return self.packs[language]

    def _once(self, stage: str, *key: str, make: Callable[[], Any]) -> Any:
        """What `make` gives, made once for a stage and key; its processor time counts for the stage."""
        if (stage, *key) not in self.made:
            start = time.process_time()
            self.made[stage, *key] = make()
            self.seconds[stage] = self.seconds.get(stage, 0.0) + time.process_time() - start
        return self.made[stage, *key]

    def corpus(self, scenario: Scenario) -> Corpus | None:
        text = scenario.spec
        if not text.file:
            return None

        def read() -> Corpus:
            file = self._file(f"{text.file}.txt.gz", "text", "its text is")
            whole, share = read_source(file, trained=False), text.held_out / 1000
            if not share:
                return whole
            return held_out_part(whole, fraction=share, words=3 * WORDS // 2, seed=SEED)

        return self._once("reading text", text.file, make=read)

    def _file(self, name: str, inside: str, what: str) -> Path:
        if self.data is None:
            raise Skipped(f"{what} not part of nearkey; name the data folder with --data")
        for folder in (self.data, self.data / inside):
            if (folder / name).is_file():
                return folder / name
        raise Skipped(f"no {name} in {self.data}")

    def workload(self, scenario: Scenario, letters: str) -> Workload:
        pack, corpus = self.pack(scenario.language), self.corpus(scenario)
        in_context = corpus is not None
        sizes = {"words": WORDS, "seed": SEED, "letters": letters, "in_context": in_context}
        key = (scenario.language, scenario.text, "".join(sorted(letters)))
        return self._once("words", *key, make=lambda: make_workload(pack, corpus, **sizes))

    def static(self, scenario: Scenario) -> StaticScore:
        pack, layout = self.pack(scenario.language), layout_of(scenario.layout, *PAD_MM)
        key = (scenario.language, scenario.layout)
        return self._once("static", *key, make=lambda: static_score(layout, pack))

    @cached_property
    def recorded(self) -> RecordedTouches:
        from open_touches import open_touches, phone_grid

        taps = self._file("taps_phone_b.csv", "touch_accuracy", "recorded touches are")
        grid = phone_grid()
        return RecordedTouches.of(open_touches(taps.parent, grid), grid)

    def run(self, scenario: Scenario) -> tuple[dict[str, Any], dict[str, Any]]:
        """Quality and speed of one scenario."""
        pack = self.pack(scenario.language)
        if scenario.touches == "thumb":
            return self._replay(scenario, pack), {}
        layout = layout_of(scenario.layout, *PAD_MM)
        touch = GaussianTouch.from_layout(layout, spread_mm=SPREADS_MM[scenario.touches])
        result = score_condition(
            Condition.matched(layout, touch),
            self.workload(scenario, layout.letters),
            pack=pack,
            seed=SEED,
            use="live" if scenario.live else "words",
            completion_words=0 if scenario.live else 300,
            compare=not scenario.live and scenario in scenarios("quick"),
            compare_words=COMPARE_WORDS,
            static=self.static(scenario),
            workers=self.threads,
        )
        return result.to_dict(), result.speed()

    def _replay(self, scenario: Scenario, pack: Any) -> dict[str, Any]:
        from open_touches import HEIGHT_MM, WIDTH_MM

        layout = layout_of(scenario.layout, WIDTH_MM, PHONE_KEYS_MM)
        gap = replay_gap(
            layout,
            self.recorded,
            pack=pack,
            corpus=self.corpus(scenario),
            words_each=100,
            seed=SEED,
            at_mm=(0.0, HEIGHT_MM - PHONE_KEYS_MM),
            workers=self.threads,
        )
        return {
            "conditions": {
                "nearkey": nearkey.__version__,
                "pack": pack_identity(pack),
                "corpus": scenario.spec.file,
                "words": gap.rows[0].words,
                "people": gap.rows[0].participants,
                "seed": SEED,
                "surface_mm": [WIDTH_MM, PHONE_KEYS_MM],
            },
            "replay": gap.to_dict(),
        }


def run_all(
    chosen: list[Scenario], bench: Bench, store: Path
) -> Iterator[tuple[Scenario, dict[str, Any] | None, dict[str, Any], str]]:
    """Each scenario with its quality, speed, and why it was skipped; kept in `store` as it comes."""
    header: dict[str, Any] = {"nearkey": nearkey.__version__, "words": WORDS, "seed": SEED}
    for language in sorted({scenario.language for scenario in chosen}):
        try:
            header[language] = pack_identity(bench.pack(language))
        except Skipped:
            header[language] = None
    done: dict[str, Any] = {}

    def take(record: dict[str, Any]) -> None:
        done[record["id"]] = record["quality"], record["speed"]

    try:
        log = ChunkLog(store, header, take)
    except PlanError:  # of another version, pack or number of words
        store.unlink()
        log = ChunkLog(store, header, take)
    with log:
        for scenario in chosen:
            if scenario.id not in done:
                try:
                    quality, speed = bench.run(scenario)
                except Skipped as why:
                    yield scenario, None, {}, str(why)
                    continue
                log.append({"id": scenario.id, "quality": quality, "speed": speed})
                done[scenario.id] = quality, speed
            yield scenario, *done[scenario.id], ""


def write_run(path: Path, data: dict[str, Any]) -> None:
    """A run as JSON, one scenario a line, so that two runs can be told apart by eye."""
    inner = data.pop("scenarios")
    head = json.dumps(data, ensure_ascii=False, allow_nan=False)
    lines = ",\n".join(
        f"{json.dumps(name)}: {json.dumps(score, ensure_ascii=False, allow_nan=False)}"
        for name, score in inner.items()
    )
    data["scenarios"] = inner
    with atomic_write(path) as out:
        out.write(f'{head[:-1]},\n"scenarios": {{\n{lines}\n}}}}\n')


def main() -> int:
    """Command line; returns the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("set", choices=["quick", "full"])
    parser.add_argument("--data", type=Path, help="folder of texts and touches; or NEARKEY_DATA")
    parser.add_argument("--only", help="only ids that match this pattern, for example 'en.q26.*'")
    parser.add_argument(
        "--threads", type=int, default=2, help="of the kernel; no figure depends on it"
    )
    parser.add_argument("--fresh", action="store_true", help="do not go on from an interrupted run")
    parser.add_argument("--out", type=Path, default=HERE / "runs", help="folder of the runs")
    parser.add_argument(
        "--page", nargs="?", const="all", choices=("all", "accuracy", "speed"),
        help="also write the sections of RESULTS.md, or some: a machine at work gives accuracy alone",
    )  # fmt: skip
    options = parser.parse_args()
    named = os.environ.get("NEARKEY_DATA")
    data = options.data or (Path(named) if named else None)
    chosen = [s for s in scenarios(options.set) if not options.only or fnmatch(s.id, options.only)]
    store = options.out / f"{options.set}.partial.jsonl"
    if options.fresh:
        store.unlink(missing_ok=True)
    bench = Bench(data, options.threads)
    quality: dict[str, Any] = {}
    speed: dict[str, Any] = {}
    skipped: dict[str, str] = {}
    start = time.perf_counter()
    for number, (scenario, found, fast, why) in enumerate(run_all(chosen, bench, store), start=1):
        line = f"[{number}/{len(chosen)}] {scenario.id}"
        if found is None:
            skipped[scenario.id] = why
            line += f" skipped: {why}"
        else:
            quality[scenario.id] = found
            if fast:
                speed[scenario.id] = fast
        print(line, file=sys.stderr, flush=True)
        gc.collect()
    seconds = time.perf_counter() - start
    told = {"version": VERSION, "set": options.set, "nearkey": nearkey.__version__}
    run = {
        "schema": SCHEMA,
        **told,
        "packs": {language: pack_identity(pack) for language, pack in bench.packs.items()},
        "seed": SEED,
        "skipped": skipped,
        "scenarios": quality,
    }
    write_run(options.out / f"{options.set}.json", run)
    timing = {
        "schema": f"{SCHEMA}-speed",
        **told,
        "environment": this_machine(),
        "seconds": seconds,
        "shared_stages_s": bench.seconds,
        "peak_memory_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "scenarios": speed,
    }
    write_run(options.out / f"{options.set}.speed.json", timing)
    store.unlink(missing_ok=True)
    if options.page:
        write_sections(run, timing, HERE / "results", options.page)
    print(
        f"{len(quality)} scenarios, {len(skipped)} skipped, {seconds:.0f} s; "
        f"{options.out / f'{options.set}.json'}"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
