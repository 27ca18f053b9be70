"""Decoders in processes of their own: good ones are scored, bad ones are reported. Own rules, no outside source."""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from small_models import PlainModel, PlainTouch, SmallLexicon, SmallPack, row_layout

from nearkey.errors import NearkeyError
from nearkey.simulate.decoders import OutsideDecoder, Queries
from nearkey.simulate.decoders.line_messages import hello
from nearkey.simulate.layout_score import score_decoder
from nearkey.simulate.trial import type_workload
from nearkey.simulate.workload import make_workload
from nearkey.touch import GaussianTouch, StudentTouch, TouchLog

LAYOUT = row_layout(["a", "b", "c"])
PACK = SmallPack(
    SmallLexicon(["a", "ab", "ba", "abc"], np.log(np.asarray([0.4, 0.3, 0.2, 0.1], np.float32))),
    PlainModel(["a", "ab", "ba", "abc"]),
)
TOUCH = GaussianTouch.from_layout(LAYOUT, spread=0.1, background=0.0)

START = """
import json, sys, time, os
hello = json.loads(sys.stdin.readline())
def say(**message):
    print(json.dumps(message), flush=True)
def ready():
    say(type="ready", name="double", version=1)
def word(asked):
    keys = hello["layout"]["keys"]
    return "".join(
        min(keys, key=lambda k: abs(k["x"] + k["w"] / 2 - x))["letters"] for x, y in asked["points"]
    )
def answers():
    for line in sys.stdin:
        yield json.loads(line)
"""
GOOD = (
    START
    + "ready()\nfor q in answers(): say(type='answer', id=q['id'], texts=[word(q)], log_probs=[-0.5])\n"
)


def once(bad, at=3):
    """A decoder that answers well but for one question."""
    return (
        START
        + "ready()\nfor q in answers():\n"
        + f"    if q['id'] == {at}:\n        {bad}\n"
        + "    else:\n        say(type='answer', id=q['id'], texts=[word(q)])\n"
    )


@pytest.fixture
def run(tmp_path):
    def go(script, *, words=8, k=10, **options):
        path = tmp_path / "decoder.py"
        path.write_text(script)
        workload = make_workload(PACK, None, words=words, seed=1, letters="abc", in_context=False)
        typed = type_workload(LAYOUT, TOUCH, workload, seed=1)
        options = {"start_s": 10.0, "answer_s": 2.0, **options}
        with OutsideDecoder(
            [sys.executable, str(path)], layout=LAYOUT, touch=TOUCH, pack=PACK, k=k, **options
        ) as decoder:
            return score_decoder(typed, decoder, lexicon=PACK.lexicon.words, name="double", k=k)

    return go


def test_a_good_decoder_is_scored(run):
    score = run(GOOD)
    assert score.faults.total == 0
    assert score.all.top[1].value == 1.0
    assert score.latency.words == 8
    assert score.calibration.confidence == pytest.approx(1.0)


def test_it_is_told_keys_touch_model_and_lexicon_but_never_the_word(run, tmp_path):
    told = tmp_path / "told.json"
    script = GOOD.replace(
        "ready()\nfor",
        "hello['words'] = open(hello['lexicon']).read()\n"
        f"json.dump(hello, open({str(told)!r}, 'w'))\nready()\nfor",
    ).replace(
        "say(type='answer'",
        f"open({str(told)!r} + 'q', 'a').write(json.dumps(q)); say(type='answer'",
    )
    run(script)
    import json

    hello = json.loads(told.read_text())
    assert (hello["protocol"], hello["version"], hello["k"]) == ("nearkey-lines", 1, 10)
    assert [k["letters"] for k in hello["layout"]["keys"]] == ["a", "b", "c"]
    gaussian = hello["touch"]["gaussians"][1]
    assert (gaussian["key"], gaussian["weight"], gaussian["mean"]) == ("k1", 1.0, [1.5, 0.5])
    assert gaussian["cov"] == pytest.approx([0.01, 0.0, 0.01])
    assert hello["touch"]["background"]["weight"] == 0.0
    rows = [line.split("\t") for line in hello["words"].splitlines()]
    assert [w for w, _ in rows] == ["a", "ab", "ba", "abc"]
    assert [float(p) for _, p in rows] == pytest.approx(np.log([0.4, 0.3, 0.2, 0.1]), abs=1e-5)
    asked = (tmp_path / "told.jsonq").read_text()
    assert set(json.loads(asked[: asked.index("}") + 1])) == {
        "type",
        "use",
        "id",
        "points",
        "context",
        "k",
    }


@pytest.mark.parametrize(
    ("bad", "kind"),
    [
        ("say(type='answer', id=3, texts=[word(q)], log_probs=[-1.0, -2.0])", "wrong counts"),
        ("say(type='answer', id=3, texts=['a', 'b', 'c'] * 4)", "too many texts"),
        ("say(type='answer', id=3, texts=['a', 'a'])", "repeated text"),
        ("say(type='answer', id=3, texts=['a', ''])", "not texts"),
        ("say(type='answer', id=3, texts=['a', 7])", "not texts"),
        ("say(type='answer', id=3, texts=['a', 'b'], log_probs=[-2.0, -1.0])", "not best first"),
        ("say(type='answer', id=3, texts=['a'], log_probs=['-1'])", "not numbers"),
        ("say(type='answer', id=3, texts=['a'], log_probs=[-(10**400)])", "not numbers"),
        (
            "say(type='answer', id=3, texts=['a'], log_probs=[0.0], log_total=-1.0)",
            "probabilities over 1",
        ),
        ("say(type='answer', id=3, texts=['a'], log_probs=[float('nan')])", "bad JSON"),
        ("print('certainly!', flush=True)", "bad JSON"),
        ("print(flush=True)", "bad JSON"),
        ("sys.stdout.buffer.write(b'\\xff\\xfe\\n'); sys.stdout.flush()", "bad JSON"),
        ("print('[' * 100000, flush=True)", "wrong message"),
        ("say(type='answer', id=3)", "wrong message"),
        ("say(type='answer', id='three', texts=[])", "wrong message"),
        ("ready()", "wrong message"),
        ("say(type='answer', id=4, texts=['a'])", "wrong id"),
        ("sys.exit('out of memory')", "crashed"),
        ("os.kill(os.getpid(), 9)", "crashed"),
        ("time.sleep(60)", "no answer"),
        ("sys.stdout.write('x' * (1 << 21)); print(flush=True)", "line too long"),
    ],
)
def test_one_bad_answer_costs_one_word_and_is_reported(run, bad, kind):
    score = run(once(bad), answer_s=1.0)
    assert score.faults.counts == {kind: 1}
    assert "word 3" in score.faults.examples[kind][0]
    assert score.all.found.value == 7 / 8


def test_what_a_crashing_decoder_said_is_kept(run):
    score = run(once("sys.exit('out of memory')"))
    assert "exit code 1: out of memory" in score.faults.examples["crashed"][0]


@pytest.mark.parametrize(
    ("script", "kind"),
    [
        ("raise SystemExit(3)", "crashed"),
        (START + "time.sleep(60)", "no answer"),
        (START + "say(type='ready', name='new', version=3)\ntime.sleep(60)", "wrong version"),
        (START + "say(type='answer', id=0, texts=[])\ntime.sleep(60)", "wrong message"),
        (START + "ready()\nfor q in answers(): sys.exit(1)", "crashed"),
        ("import os, time\nos.close(1)\ntime.sleep(60)", "crashed"),
        ("import time\ntime.sleep(60)", "no answer"),
    ],
)
def test_a_decoder_that_keeps_failing_is_given_up_after_its_restarts(run, script, kind):
    start = time.perf_counter()
    score = run(script, words=20, restarts=1, start_s=1.0, answer_s=1.0)
    assert score.faults.counts == {kind: 2, "not asked": 18}
    assert score.missed == 20
    assert time.perf_counter() - start < 15


def test_an_answer_that_comes_after_noise_is_still_the_right_words(run):
    script = once("print('loading', flush=True); say(type='answer', id=3, texts=[word(q)])")
    score = run(script)
    assert score.faults.counts == {"bad JSON": 1}
    assert score.all.found.value == 7 / 8


def test_a_flood_on_stderr_does_not_block(run):
    assert (
        run(
            once("sys.stderr.write('x' * 10_000_000); say(type='answer', id=3, texts=[word(q)])")
        ).faults.total
        == 0
    )


def test_a_program_that_is_not_there_is_reported():
    queries = Queries(np.zeros((2, 2)), np.asarray([0, 1, 2], np.uint32))
    with OutsideDecoder(["./no-such-decoder"], layout=LAYOUT, touch=TOUCH, restarts=0) as decoder:
        found = decoder.answer(queries, 3)
    assert found.faults.counts == {"cannot be run": 1, "not asked": 1}


def test_the_process_and_its_children_end_with_the_run(run, tmp_path):
    pids = tmp_path / "pids"
    script = START + (
        "child = __import__('subprocess').Popen(['sleep', '60'])\n"
        f"open({str(pids)!r}, 'w').write(f'{{os.getpid()}} {{child.pid}}')\n"
        "ready()\n"
        "for q in answers(): say(type='answer', id=q['id'], texts=[word(q)])\n"
        "time.sleep(60)\n"
    )
    run(script)
    for pid in map(int, pids.read_text().split()):
        deadline = time.monotonic() + 5
        while alive(pid) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert not alive(pid)


def alive(pid):
    try:
        os.kill(pid, 0)
    except OSError:
        return False
    state = Path(f"/proc/{pid}/stat")
    return state.exists() and state.read_text().rpartition(")")[2].split()[0] != "Z"


def test_questions_beyond_what_it_was_told_are_refused():
    decoder = OutsideDecoder(["x"], layout=LAYOUT, touch=TOUCH, k=3)
    with pytest.raises(NearkeyError, match="4 texts asked of a decoder told 3"):
        decoder.answer(Queries(np.zeros((0, 2)), np.zeros(1, np.uint32)), 4)


def test_a_touch_model_travels_as_what_it_is_or_not_at_all():
    """Student's t's never pass for Gaussians; a model without components is sent as null."""

    def sent(touch):
        return json.loads(hello(LAYOUT, touch, lexicon=None, k=5).line())["touch"]

    gaussian = sent(TOUCH)
    assert set(gaussian) == {"gaussians", "background"}
    rng = np.random.default_rng(0)
    keys = rng.integers(0, len(LAYOUT.keys), 300)
    points = LAYOUT.centers[keys] + rng.standard_t(3, (300, 2)) * 0.2
    log = TouchLog.from_points(points, [LAYOUT.key_ids[k] for k in keys], participant="invented")
    fitted = StudentTouch(dof=4.0).fit(log, LAYOUT)
    student = sent(fitted)
    assert set(student) == {"students", "dof", "background"}
    assert student["dof"] == 4.0
    for part, scale in zip(student["students"], fitted.scales_, strict=True):
        assert set(part) == {"key", "weight", "mean", "scale"}
        assert part["scale"] == pytest.approx([scale[0, 0], scale[0, 1], scale[1, 1]])
    assert sent(PlainTouch(LAYOUT, 0.3)) is None


def test_version_2_answers_questions_about_words(run):
    """A decoder that asks for P(word | context) gets the pack's, null for words it lacks, and is scored as any."""
    model = PACK.language_model
    expected = [float(p) for p in model.log_probs(model.start())[[0, 3]]]
    script = (
        START
        + "assert hello['versions'] == [1, 2]\nsay(type='ready', name='double', version=2)\n"
        + "for q in answers():\n"
        + "    say(type='ask', context='', words=['a', 'abc', 'zebra'])\n"
        + "    told = json.loads(sys.stdin.readline())\n"
        + "    good = told['log_probs'][2] is None\n"
        + f"    good &= max(abs(p - e) for p, e in zip(told['log_probs'], {expected})) < 1e-5\n"
        + "    say(type='answer', id=q['id'], texts=[word(q) if good else 'wrong'])\n"
    )
    score = run(script)
    assert score.faults.counts == {}
    assert score.all.top[1].value == 1.0


def test_live_use_is_told_and_kinds_are_taken(run):
    script = (
        START
        + "say(type='ready', name='double', version=2)\n"
        + "for q in answers():\n"
        + "    text = word(q) if q['use'] == 'live' else 'x'\n"
        + "    say(type='answer', id=q['id'], texts=[text], kinds=['word'])\n"
    )
    assert run(script, use="live").all.top[1].value == 1.0
    assert run(script).all.top[1].value == 0.0


def test_checking_a_decoder_says_why_it_is_none(tmp_path):
    for command in (["./no-such-decoder"], [sys.executable, "-c", "raise SystemExit(3)"]):
        with (
            OutsideDecoder(command, layout=LAYOUT, touch=TOUCH) as decoder,
            pytest.raises(NearkeyError, match=r"no decoder: (cannot be run|crashed)"),
        ):
            decoder.check()
