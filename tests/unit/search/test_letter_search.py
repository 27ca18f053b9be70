"""Searching spaces: listing, annealing, fronts, checkpoints, workers of every kind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from test_letter_space import small
from test_objectives import make_pack

from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.search import pareto_front
from nearkey.search.letter_search import LetterSearchOptions, non_dominated, search_letters
from nearkey.search.letter_space import SpaceRules, grid_space
from nearkey.search.objectives import AmbiguityObjective, FamiliarityObjective, ambiguity_words

QWERTY = Layout.named("qwerty")
PACK = make_pack()
SMALL = small("etaois", "nhrd")
FREE = grid_space(SMALL, rows=1, columns=3, rules=SpaceRules(symmetry="keys"))
SPELLED = ambiguity_words(PACK, SMALL.letters, 100)
TOP1 = AmbiguityObjective(SPELLED, "top1")


def last(*args, **options):
    checkpoint = options.pop("checkpoint", None)
    *_, record = search_letters(
        *args, checkpoint=checkpoint, options=LetterSearchOptions(**options)
    )
    return record


def same(one, other):
    return np.array_equal(one.found.keys, other.found.keys) and np.array_equal(
        one.found.values, other.found.values
    )


def test_the_front_is_that_of_the_small_slow_function():
    rng = np.random.default_rng(0)
    for m in (1, 2, 3):
        values = rng.integers(0, 12, (300, m)).astype(float)
        assert non_dominated(values).tolist() == pareto_front(values, maximise=True).tolist()


def test_listing_finds_the_whole_front():
    base = small("etaoi", "nhr")
    space = grid_space(base, rows=1, columns=3, rules=SpaceRules(symmetry="keys"))
    top1 = AmbiguityObjective(ambiguity_words(PACK, base.letters), "top1")
    objectives = [top1, FamiliarityObjective(base)]
    record = last(space, objectives, kept=500)
    keys = space.array(space.listing())
    values = np.stack([top1.evaluate(space, keys), -objectives[1].evaluate(space, keys)], axis=1)
    front = {tuple(row) for row in keys[pareto_front(values, maximise=True)].tolist()}
    assert record.complete
    assert record.evaluated == record.count == space.count()
    assert {tuple(row) for row in record.found.keys[record.found.front].tolist()} == front
    first = record.found.values[record.found.front, 0]
    assert np.array_equal(first, np.sort(first)[::-1])


def test_annealing_finds_the_true_optimum_in_95_of_100_runs():
    best = TOP1.evaluate(FREE, FREE.array(FREE.listing())).max()
    hits = 0
    for seed in range(100):
        record = last(FREE, [TOP1], method="anneal", seed=seed, restarts=8, steps=30)
        hits += record.found.values[0, 0] >= best - 1e-12
    assert hits >= 95


@pytest.mark.parametrize("measure", ["top1", "top3", "kspc"])
def test_turning_layouts_down_unevaluated_changes_nothing(measure, monkeypatch):
    space = grid_space(QWERTY, rows=2, columns=3)
    objective = AmbiguityObjective(ambiguity_words(PACK, QWERTY.letters), measure)
    options = {"method": "anneal", "restarts": 2, "steps": 600, "kept": 20, "seed": 2}
    evaluated = []
    whole = AmbiguityObjective.evaluate
    monkeypatch.setattr(
        AmbiguityObjective,
        "evaluate",
        lambda self, space, keys: evaluated.append(len(keys)) or whole(self, space, keys),
    )
    quick = last(space, [objective], **options)
    some = sum(evaluated)
    monkeypatch.setattr(AmbiguityObjective, "near", lambda self, space: None)
    slow = last(space, [objective], **options)
    every = sum(evaluated) - some
    assert same(quick, slow)
    assert some < 0.8 * every
    # What was turned down was not evaluated. The layouts that give the scale are evaluated besides.
    assert slow.evaluated - quick.evaluated == every - some


@pytest.mark.parametrize("rule", ["strict", "loose", "ordered", "free"])
def test_annealing_stays_inside_every_rule(rule):
    space = grid_space(QWERTY, rows=2, columns=3, rule=rule)
    objective = AmbiguityObjective(ambiguity_words(PACK, QWERTY.letters, 60))
    record = last(space, [objective], method="anneal", restarts=2, steps=60)
    assert all(space.allows(tuple(row)) for row in record.found.keys.tolist())
    assert record.found.values[:, 0] == pytest.approx(objective.evaluate(space, record.found.keys))
    assert not record.complete


@pytest.mark.parametrize("method", ["list", "anneal"])
def test_workers_change_nothing(method):
    options = {"method": method, "restarts": 4, "steps": 40, "seed": 3}
    objectives = [TOP1, FamiliarityObjective(SMALL)]
    alone = last(FREE, objectives, **options)
    assert same(alone, last(FREE, objectives, workers=3, **options))
    with ThreadPoolExecutor(2) as threads, ProcessPoolExecutor(2) as processes:
        assert same(alone, last(FREE, objectives, executor=threads, **options))
        assert same(alone, last(FREE, objectives, executor=processes, **options))
    assert not same(alone, last(FREE, objectives, **(options | {"seed": 4}))) or method == "list"


def test_a_stopped_search_is_usable_and_goes_on(tmp_path):
    path = tmp_path / "search.log"
    options = LetterSearchOptions(method="anneal", restarts=5, steps=40)
    whole = last(FREE, [TOP1], method="anneal", restarts=5, steps=40)
    *_, part = search_letters(FREE, [TOP1], checkpoint=path, stop=lambda: True, options=options)
    assert (part.done, part.total) == (1, 5)
    assert len(part.found) > 0
    lines = path.read_bytes()
    with path.open("ab") as file:  # a record that a kill cut short
        file.write(b'{"chunk": 3, "ke')
    records = list(search_letters(FREE, [TOP1], checkpoint=path, options=options))
    assert [r.done for r in records] == [1, 2, 3, 4, 5]
    assert records[0].seconds_left is None
    assert records[1].seconds_left is not None
    assert same(records[-1], whole)
    assert path.read_bytes().startswith(lines)
    assert [r.done for r in search_letters(FREE, [TOP1], checkpoint=path, options=options)] == [5]


def test_a_checkpoint_of_another_search_is_refused(tmp_path):
    path = tmp_path / "search.log"
    last(FREE, [TOP1], method="anneal", restarts=1, steps=10, checkpoint=path)
    with pytest.raises(PlanError, match="another search"):
        last(FREE, [TOP1], method="anneal", restarts=1, steps=11, checkpoint=path)
    with pytest.raises(PlanError, match="another search"):
        last(
            FREE,
            [AmbiguityObjective(SPELLED, "top3")],
            method="anneal",
            restarts=1,
            steps=10,
            checkpoint=path,
        )
    path.write_bytes(path.read_bytes().split(b"\n")[0] + b"\n{}\n")
    with pytest.raises(PlanError, match="damaged"):
        last(FREE, [TOP1], method="anneal", restarts=1, steps=10, checkpoint=path)


KILLED = """
import sys
from pathlib import Path
sys.path[:0] = [{unit!r}, {support!r}]
from test_letter_search import FREE, TOP1, LetterSearchOptions, search_letters
options = LetterSearchOptions(method="anneal", restarts=400, steps=40)
for record in search_letters(FREE, [TOP1], checkpoint=sys.argv[1], options=options):
    print(record.done, flush=True)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="there is no such signal")
def test_killed_work_is_not_done_again(tmp_path):
    here = Path(__file__).parent
    code = KILLED.format(unit=str(here), support=str(here.parents[1] / "support"))
    path = tmp_path / "search.log"
    command = [sys.executable, "-c", code, str(path)]
    running = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert running.stdout is not None
    for line in running.stdout:
        if int(line) >= 5:
            break
    os.kill(running.pid, signal.SIGKILL)
    running.wait()
    kept = path.read_bytes().count(b"\n") - 1
    options = LetterSearchOptions(method="anneal", restarts=400, steps=40)
    records = search_letters(FREE, [TOP1], checkpoint=path, stop=lambda: True, options=options)
    assert next(records).done == kept >= 5
    assert next(records).done == kept + 1


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"method": "guess"}, "method"),
        ({"steps": 0}, "steps"),
        ({"seed": -1}, "seed"),
        ({"kept": 0}, "kept"),
        ({"steps": 2.5}, "steps"),
        ({"restarts": 2**70}, "restarts"),
        ({"seed": True}, "seed"),
        ({"workers": 10**9}, "workers"),
    ],
)
def test_options_that_cannot_be_meant(change, field):
    with pytest.raises(PlanError) as caught:
        LetterSearchOptions(**change)
    assert caught.value.field == field


def test_faults_are_said_before_work_begins():
    with pytest.raises(PlanError, match="objectives"):
        search_letters(FREE, [])
    nothing = grid_space(
        SMALL, rows=1, columns=2, rules=SpaceRules(together=("et",), apart=("et",))
    )
    with pytest.raises(PlanError, match="no layout"):
        search_letters(nothing, [TOP1])
    huge = grid_space(QWERTY, rows=2, columns=3)
    with pytest.raises(PlanError, match="too many"):
        search_letters(huge, [TOP1], options=LetterSearchOptions(method="list"))
    with pytest.raises(PlanError, match="cannot carry out work"):
        last(FREE, [TOP1], method="anneal", steps=5, executor=object())


@pytest.fixture(scope="module")
def cluster():
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as made,
        distributed.Client(made) as client,
    ):
        yield made, client


def test_a_cluster_gives_the_same_and_a_killed_worker_costs_its_chunk(cluster):
    _, client = cluster
    options = {"method": "anneal", "restarts": 6, "steps": 150}
    alone = last(FREE, [TOP1], **options)
    assert same(alone, last(FREE, [TOP1], executor=client, **options))
    with client.get_executor() as executor:
        assert same(alone, last(FREE, [TOP1], executor=executor, **options))
    pids = client.run(os.getpid)
    records = search_letters(FREE, [TOP1], options=LetterSearchOptions(executor=client, **options))
    assert next(records).done == 0
    assert next(records).done == 1
    os.kill(next(iter(pids.values())), signal.SIGKILL)
    *_, after = records
    assert after.done == 6
    assert same(alone, after)
