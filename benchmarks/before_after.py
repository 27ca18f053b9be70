"""What a change did to speed: an earlier revision and the working tree, turn by turn, in one run.

    python benchmarks/before_after.py --before REVISION [--tasks arpa,build,word,…] [--rounds 3]

The earlier revision is checked out into .cache/before/ and installed there into an environment of its own. The
tasks' scripts are the same for both, and so is the English pack, the earlier revision's: ours reads its format. `arpa`
and `build` read the English recipe's texts: name the open corpora's folder by NEARKEY_DATA.
"""

from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
import sys
import tarfile
import venv
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, os.fspath(Path(__file__).resolve().parent / "estimator"))

from estimation_speed import make_text
from harness import MEASURE, data_folder, measured, options, refused
from sections import save, section

ROOT = Path(__file__).resolve().parents[1]
WORK = ROOT / ".cache" / "before"
ARPA_WORDS = 10_000_000

ARPA = """
try:
    from nearkey.packs.arpa import estimate_file
except ImportError:
    from nearkey.language.building.plain import estimate_file
start = time.process_time()
estimate_file(sys.argv[1], order=3, workers=2).save(sys.argv[2])
told(seconds=time.process_time() - start)
"""
BUILD = """
try:
    from nearkey.packs.builder import build_pack
except ImportError:
    from nearkey.language.building.builder import build_pack
steps = build_pack(sys.argv[1], sys.argv[2], data=sys.argv[3], cache=sys.argv[4])
for step in steps:
    if step.stage == "lexicon":
        break
start = time.process_time()
for step in steps:
    pass
told(seconds=time.process_time() - start)
"""
WORDS = """
import numpy as np
import nearkey as nk
layout, pack = nk.Layout.named("qwerty"), nk.load_pack(sys.argv[1])
rng = np.random.default_rng(7)
words = [w for w in rng.choice(list(pack.lexicon.words), 3000, p=np.exp(pack.lexicon.log_probs.astype(float)) /
         np.exp(pack.lexicon.log_probs.astype(float)).sum()) if w.isascii() and w.isalpha()]
aimed = nk.GaussianTouch.from_layout(layout, spread=0.4)
touches = [aimed.sample([layout.key_of_letter[c] for c in word], rng) for word in words]
keys = np.repeat(np.arange(len(layout.key_ids)), 80)
log = nk.TouchLog.from_points(aimed.sample(keys, rng), [layout.key_ids[k] for k in keys])
"""
WORD = """
context, student = json.loads(sys.argv[2])
model = nk.StudentTouch(dof=5.0).fit(log, layout) if student else aimed
decoder = nk.Decoder(layout, model, pack)
for points in touches[:200]:
    decoder.decode(points, context=context, k=5)
start = time.process_time()
for points in touches:
    decoder.decode(points, context=context, k=5)
told(seconds=(time.process_time() - start) / len(touches))
"""
TAP = """
how = json.loads(sys.argv[2])
if how.get("symbols"):
    layout = nk.Layout.named("e161")
    aimed = nk.GaussianTouch.from_layout(layout, spread=0.25)
    mark = [i for i, key in enumerate(layout.keys) if key.role == "symbol"]
    words = [w for w in words if all(c in layout.key_of_letter for c in w)]
    touches = [aimed.sample([*(layout.key_of_letter[c] for c in w), rng.choice(mark)], rng) for w in words]
costs = nk.EditCosts.typical(layout) if how.get("edits") else None
decoder = nk.Decoder(layout, aimed, pack, edits=costs)
spent = []
for points in touches[:1500]:
    stream = decoder.start(context="we set up the", k=5)
    for n, (x, y) in enumerate(points, start=1):
        start = time.thread_time()
        stream.tap(x, y)
        if n == len(points) or not how.get("symbols"):
            spent.append(time.thread_time() - start)
told(seconds=float(np.quantile(spent, how["quantile"])))
"""
RANK = """
pads = [layout.fitted(18, 12), *nk.grid_layouts(layout, rows=2, columns=3, width_mm=18, height_mm=12)]
lines = [" ".join(words[i : i + 12]) for i in range(0, 3000, 12)] if json.loads(sys.argv[2]) else None
# Ours decodes in context wherever there is a text.
import inspect
how = {"context": lines is not None} if "context" in inspect.signature(nk.rank_layouts).parameters else {}
start = time.process_time()
nk.rank_layouts(pads, touch=lambda pad: nk.GaussianTouch.from_layout(pad, spread_mm=2.0), pack=pack, words=2000,
                seed=3, corpus=lines, baseline=pads[0].name, **how)
told(seconds=(time.process_time() - start) / (2000 * len(pads)))
"""


@dataclass(frozen=True, slots=True)
class Task:
    """What is timed; `unit` seconds are one of what the figure is told in. `how` is the script's second argument."""

    title: str
    script: str
    unit: float = 1e-6
    label: str = "µs"
    how: object = None


FULL = "a live tap: words, edits, completions, spelling, context"
TASKS = {
    "arpa": Task(f"{ARPA_WORDS:,} words of text to a 3-gram ARPA file", ARPA, 1.0, "s"),
    "build": Task("the English pack from texts that are read, processor time", BUILD, 1.0, "s"),
    "word": Task("a word without context, processor time", WORDS + WORD, how=[None, False]),
    "context": Task("a word in context, processor time", WORDS + WORD, how=["we set up the", False]),
    "t": Task("a word under Student's t, without context, processor time", WORDS + WORD, how=["", True]),
    "tap": Task("a live tap: words, spelling, context; median", WORDS + TAP, how={"quantile": 0.5}),
    "live": Task(f"{FULL}; median", WORDS + TAP, how={"edits": 1, "quantile": 0.5}),
    "live99": Task(f"{FULL}; 99 %", WORDS + TAP, how={"edits": 1, "quantile": 0.99}),
    "symbol": Task("the same on a symbol key; median", WORDS + TAP, how={"edits": 1, "symbols": 1, "quantile": 0.5}),
    "symbol99": Task("the same on a symbol key; 99 %", WORDS + TAP, how={"edits": 1, "symbols": 1, "quantile": 0.99}),
    "rank": Task("a word of a ranking without context, processor time", WORDS + RANK, how=False),
    "rank_context": Task("a word of a ranking in context, processor time", WORDS + RANK, how=True),
}  # fmt: skip
PACKS = {"arpa", "build"}
"""Tasks of making packs: they have results of their own, since they are seldom run with the others."""


def installed(revision: str) -> Path:
    """The Python of an environment with this revision of nearkey."""
    tree, place = WORK / f"tree-{revision}", WORK / f"env-{revision}"
    python = place / "bin" / "python"
    if not (place / "whole").exists():
        if not tree.exists():
            subprocess.run(
                ["git", "worktree", "add", "--detach", tree, revision], cwd=ROOT, check=True
            )
        venv.create(place, with_pip=True, clear=True)
        subprocess.run([python, "-m", "pip", "install", "--quiet", tree], check=True)
        subprocess.run(["git", "worktree", "remove", "--force", tree], cwd=ROOT, check=True)
        (place / "whole").touch()
    return python


def earlier_models(revision: str) -> Path:
    """The earlier revision's English recipe and pack, for both to use: it may not know the formats of ours."""
    folder = WORK / f"models-{revision}"
    if not folder.exists():
        shown = ["git", "archive", "--format=tar", revision, "models/en"]
        with tarfile.open(fileobj=io.BytesIO(subprocess.check_output(shown, cwd=ROOT))) as files:
            # Beside it, so that a run cut short leaves no half folder that the next one trusts.
            shutil.rmtree(half := folder.with_name(f"{folder.name}.part"), ignore_errors=True)
            files.extractall(half, filter="data")
        half.rename(folder)
    return folder / "models" / "en"


def run(python: Path, task: str, side: str, models: Path) -> dict[str, Any]:
    """One measurement, in a process of its own."""
    arguments: list[str | Path] = [models / "pack", json.dumps(TASKS[task].how)]
    if task == "arpa":
        text = make_text(ROOT / ".cache" / "estimator" / f"text-{ARPA_WORDS}.txt", ARPA_WORDS)
        arguments = [text, WORK / "lm.arpa"]
    elif task == "build":
        cache = os.environ.get("NEARKEY_CACHE", Path.home() / ".cache" / "nearkey")
        arguments = [models / "recipe.toml", WORK / f"pack-{side}", data_folder(), cache]
    found: dict[str, Any] = measured(
        MEASURE + TASKS[task].script, *arguments, python=python, cwd=WORK
    )
    return found


def main() -> None:
    before = (str, "revision to compare with")
    asked = options(__doc__, before=before, tasks=list(TASKS), rounds=3)
    if asked.before is None:
        refused("--before names no revision to compare with")
    commit = ["git", "rev-parse", "--quiet", "--verify", f"{asked.before}^{{commit}}"]
    if subprocess.run(commit, cwd=ROOT, stdout=subprocess.DEVNULL).returncode:
        refused(f"--before {asked.before} is no revision here: use one that git log shows")
    if PACKS & set(asked.tasks):
        data_folder()  # said before the work
    WORK.mkdir(parents=True, exist_ok=True)
    models = earlier_models(asked.before)
    pythons = {"before": installed(asked.before), "after": Path(sys.executable)}
    rows: list[list[Any]] = []
    for name in asked.tasks:
        task = TASKS[name]
        best: dict[str, dict[str, Any]] = {}
        for _ in range(asked.rounds):
            for side, python in pythons.items():
                found = run(python, name, side, models)
                if side not in best or found["seconds"] < best[side]["seconds"]:
                    best[side] = found
                print(f"{name} {side}: {found}", file=sys.stderr)
        before, after = best["before"], best["after"]
        rows.append(
            [task.title, task.label, before["seconds"] / task.unit, after["seconds"] / task.unit,
             before["seconds"] / after["seconds"], before["mb"], after["mb"]]
        )  # fmt: skip
    for name, title, parts in (
        ("before_after", "Before and after", set(TASKS) - PACKS),
        ("before_after_packs", "Before and after: making packs", PACKS),
    ):
        if chosen := [row for task, row in zip(asked.tasks, rows, strict=True) if task in parts]:
            save(name, section(
                title=f"{title}: this tree against revision {asked.before}",
                command=f"NEARKEY_DATA=... python benchmarks/before_after.py --before {asked.before}",
                order=49,
                timed=True,
                columns="task; unit; before|1; after|1; times faster|2; peak MB before|0; peak MB after|0",
                rows=chosen,
                notes=[f"The two take turns in one run, in processor time; the best of {asked.rounds} each. The scripts, the"
                       " texts and the pack decoded with are the same for both."],
            ))  # fmt: skip


if __name__ == "__main__":
    main()
