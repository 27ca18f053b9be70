"""What version 2 of the line protocol adds: the language on request, live lists, and errors in one line. Own rules."""

from __future__ import annotations

import io
import json
import re
import sys
from pathlib import Path

import msgspec
import numpy as np
import pytest
from command_line import run
from small_models import PlainModel, SmallLexicon, SmallPack, row_layout
from small_packs import build_small_pack

import nearkey as nk
from nearkey.errors import NearkeyError
from nearkey.language import KenlmModel
from nearkey.language.tokens import FIRST_WORD
from nearkey.packs.arpa import read_arpa
from nearkey.simulate.completion import completion_savings
from nearkey.simulate.decoders import OutsideDecoder, OwnDecoder, Queries
from nearkey.simulate.decoders.line_messages import (
    Answer,
    ArpaFile,
    AskedArpa,
    AskedWords,
    Hello,
    LogProbs,
    Ready,
    ToldBackground,
    ToldComponent,
    ToldKey,
    ToldLayout,
    ToldTouch,
    Word,
    from_benchmark,
    from_decoder,
    hello,
    language_reply,
)
from nearkey.simulate.decoders.own import live_lists
from nearkey.simulate.decoders.serving import GivenTouch, serve
from nearkey.simulate.keystrokes import Selection
from nearkey.touch import GaussianTouch

LAYOUT = row_layout(list("abcdef"))
TOUCH = GaussianTouch.from_layout(LAYOUT, spread=0.1)
WORDS = ["ace", "be", "bed"]
PACK = SmallPack(
    SmallLexicon(WORDS, np.log(np.asarray([0.5, 0.3, 0.2], np.float32))), PlainModel(WORDS)
)
ACE_BE = Queries(
    np.asarray([[0.5, 0.5], [2.5, 0.5], [4.5, 0.5], [1.5, 0.5], [4.5, 0.5]]),
    np.asarray([0, 3, 5], np.uint32),
)
START = """
import json, shutil, sys, time
hello = json.loads(sys.stdin.readline())
def say(**message):
    print(json.dumps(message), flush=True)
def asked(**message):
    say(**message)
    return json.loads(sys.stdin.readline())
def ready(version=2):
    say(type="ready", name="double", version=version)
def questions():
    for line in sys.stdin:
        yield json.loads(line)
"""


def double(tmp_path, script, *, pack=PACK, **options):
    path = tmp_path / "decoder.py"
    path.write_text(START + script)
    command = [sys.executable, str(path)]
    return OutsideDecoder(command, layout=LAYOUT, touch=TOUCH, pack=pack, **options)


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    return nk.load_pack(build_small_pack(tmp_path_factory.mktemp("pack"))[0])


def test_the_language_model_answers_in_context_word_by_word_and_as_a_whole(built):
    model, text = built.language_model, "We moved the"
    state = model.state_after(text)
    some = language_reply(built, AskedWords(text, ["tripod", "Peg", "zebra"]))
    assert some.log_probs[2] is None
    expected = [model.log_prob(text, word) for word in ("tripod", "peg")]
    assert some.log_probs[:2] == pytest.approx(expected, abs=1e-5)
    whole = language_reply(built, AskedWords(text))
    np.testing.assert_array_equal(np.float32(whole.log_probs), model.log_probs(state))
    assert whole.unknown == pytest.approx(model.log_unknown(state))
    total = np.exp(whole.log_probs).sum() + np.exp(whole.unknown)
    assert total == pytest.approx(1.0, abs=0.05)  # what is missing: numbers and the sentence's end


def test_a_network_mixed_in_is_what_a_decoder_is_told(english):
    text, words = "bring the long", ["staff", "the", "zzyzx"]
    told = language_reply(english, AskedWords(text, words)).log_probs
    mixed, table = english.language_model, english.ngram_model
    for word, log_prob in zip(words[:2], told[:2], strict=True):
        assert log_prob == pytest.approx(mixed.log_prob(text, word), abs=1e-5)
        assert abs(log_prob - table.log_prob(text, word)) > 1e-3  # the network has a say
    assert told[2] is None


def test_a_decoder_is_given_the_pack_as_arpa_before_it_is_ready(built, tmp_path):
    copy = tmp_path / "copy.arpa"
    script = (
        f"shutil.copy(asked(type='ask_arpa')['path'], {str(copy)!r})\n"
        "twice = [asked(type='ask_arpa') for _ in range(2)]\n"
        "ready()\n"
        "for q in questions(): say(type='answer', id=q['id'], texts=[twice[0]['path'][-9:]])\n"
    )
    with double(tmp_path, script, pack=built) as decoder:
        found = decoder.answer(ACE_BE.head(1), 1)
    assert found.faults.counts == {}
    assert found.first(0) == "pack.arpa"
    read = read_arpa(copy)
    assert len(read.tokens) == FIRST_WORD + len(built.lexicon)
    pytest.importorskip("kenlm")
    kenlm = KenlmModel(copy)
    for text, word in (("we moved the", "tripod"), ("", "maria"), ("the crew", "checked")):
        expected = built.ngram_model.log_prob(text, word)
        assert kenlm.log_prob(text, word) == pytest.approx(expected, abs=1e-4)


def test_a_language_that_is_no_packs_own_is_said_to_have_no_arpa(tmp_path):
    script = (
        "told = asked(type='ask_arpa')\nready()\n"
        "for q in questions(): say(type='answer', id=q['id'], texts=[told['why']])\n"
    )
    with double(tmp_path, script) as decoder:
        said = decoder.answer(ACE_BE.head(1), 1).first(0)
    assert said == "the language model is not read from a pack's folder"


LISTS = """
ready(VERSION)
words = {"ace": 0, "be": 1, "bed": 1}
for q in questions():
    letters = "".join("abcdef"[int(x)] for x, y in q["points"])
    live = q["use"] == "live" and q["completions"]
    texts = [w for w in words if (w.startswith(letters) if live else w == letters)]
    say(type="answer", id=q["id"], texts=texts[: q["k"]], kinds=["word"] * len(texts[: q["k"]]))
"""


def test_completions_of_an_outside_decoder_are_judged_by_the_same_rule(tmp_path):
    """Ace after one touch, 2 keystrokes of 4 characters; be first of be, bed after one, 2 of 3: 3/7 saved."""
    spelled = np.asarray([3.0, 2.0])
    with double(tmp_path, LISTS.replace("VERSION", "2")) as decoder:
        lists = live_lists(decoder)
        found = completion_savings(lists, ACE_BE, ["ace", "be"], spelled, Selection())
        assert found.faults.counts == {}
    assert found.savings.value == found.spared.value == pytest.approx(3 / 7)
    assert found.early == 1.0


def test_one_of_version_1_is_asked_for_words_alone(tmp_path):
    script = LISTS.replace("VERSION", "1").replace('q["use"] == "live" and q["completions"]', "0")
    with double(tmp_path, script) as decoder:
        assert live_lists(decoder) is None
        assert decoder.answer(ACE_BE, 3).first(0) == "ace"
        score = nk.score_layout(
            LAYOUT, touch=TOUCH, pack=PACK, words=6, compare={"old": decoder}, completion_words=6,
            compare_words=6, latency_words=0,
        )  # fmt: skip
    assert score.compared["old"].completion is None
    assert score.compared["old"].score.faults.counts == {}
    assert score.compared["nearkey"].completion is score.completion


def test_the_page_names_every_field_and_its_examples_are_messages():
    page = (Path(__file__).parents[3] / "docs" / "line-protocol.md").read_text(encoding="utf-8")
    for kind in (Hello, Word, LogProbs, ArpaFile, Ready, Answer, AskedWords, AskedArpa):
        assert f"`{kind.__struct_config__.tag}`" in page
        start = page.index(f"`{kind.__struct_config__.tag}`", page.index("## What the benchmark"))
        for field in kind.__struct_fields__:
            assert f"`{field}`" in page[start:], (kind, field)
    for part in (ToldLayout, ToldKey, ToldTouch, ToldComponent, ToldBackground):
        for field in part.__struct_fields__:
            assert f"`{field}`" in page, (part, field)
    said = re.findall(r"^([<>]) (\{.*\})$", page, re.M)
    assert len(said) == 10
    for who, line in said:
        for name in ("layout", "touch"):
            line = line.replace(f'"{name}":{{…}}', f'"{name}":{json.dumps(GOOD[name])}')
        (from_decoder if who == "<" else from_benchmark).decode(line.encode())
    (touch,) = re.findall(r"```json\n(.*?)```", page, re.S)
    assert GivenTouch(msgspec.json.decode(touch, type=ToldTouch)).key_ids == ("q",)


class Listing:
    """A decoder in this process that also lists live."""

    def decode(self, points, *, context, k):
        return self.live(points, context=context, k=k, completions=False)

    def live(self, points, *, context, k, completions):
        letters = "".join("abcdef"[int(x)] for x, y in points)
        whole = str.startswith if completions else str.__eq__
        return [nk.Candidate(w, w, 0.0, 0.0, 0.0, "word", 0) for w in WORDS if whole(w, letters)][
            :k
        ]


def test_a_decoder_in_python_is_asked_for_live_lists_where_it_has_them(tmp_path):
    ours = nk.Decoder(LAYOUT, TOUCH, PACK)
    score = nk.score_layout(
        LAYOUT, touch=TOUCH, pack=PACK, words=40, latency_words=0, completion_words=40,
        compare={"listing": Listing(), "again": ours}, compare_words=40,
    )  # fmt: skip
    listing, again = score.compared["listing"], score.compared["again"]
    assert listing.completion.spared.value > 0.2
    assert again.completion.to_dict() == score.completion.to_dict()
    assert again.kspc_to_ours.value == 0.0
    assert score.compared["exhaustive"].completion is None
    rows = score.to_dicts()  # of all decoders, here and from a file
    assert {row["decoder"] for row in rows} == {*score.compared}
    score.save(tmp_path / "score.json")
    assert nk.simulate.LayoutScore.load(tmp_path / "score.json").to_dicts() == rows
    assert live_lists(object()) is None
    found = live_lists(Listing()).answer_live(ACE_BE, 2, completions=True)
    assert [found.words[i] for i in found.index[1]] == ["be", "bed"]


def test_what_a_decoder_said_last_stands_in_every_refusal(tmp_path):
    """One that hangs, dies or answers garbage: one line, with the last line of its standard error."""
    loud = "sys.stderr.write('loading\\nno room\\n'); sys.stderr.flush(); time.sleep(0.2)\n"
    for script, says in (
        (loud + "time.sleep(60)", "no answer: within 0.6 s; its standard error ends: no room"),
        (loud + "sys.exit(3)", "crashed: exit code 3: no room"),
        (
            loud + "print('certainly!', flush=True)\ntime.sleep(60)",
            "bad JSON: line 1: not valid JSON",
        ),
        (
            loud + "say(type='ready', name=7, version=2)",
            "wrong message: line 1, name: expected `str`",
        ),
        (
            loud + "ready()\nnext(questions())\ntime.sleep(60)",
            "no answer: within 0.6 s; its standard",
        ),
        (
            loud + "ready()\nnext(questions())\nsay(type='answer', id=0)",
            "line 2, texts: is missing",
        ),
    ):
        decoder = double(tmp_path, script, start_s=0.6, answer_s=0.6)
        with decoder, pytest.raises(NearkeyError) as caught:
            decoder.check()
        assert says in caught.value.problem
        assert "no room" in caught.value.problem
        assert "\n" not in str(caught.value)


def test_a_decoder_that_is_given_up_ends_the_command_with_an_error(english, tmp_path):
    """It answers the first question, then dies at each: figures are printed, and the command fails."""
    path = tmp_path / "decoder.py"
    path.write_text(
        START + "ready(1)\nq = json.loads(sys.stdin.readline())\n"
        "if q['id'] == 0: say(type='answer', id=0, texts=['a']); sys.stdin.readline()\n"
        "sys.exit('out of memory')\n"
    )
    found = run(
        "score", "qwerty", "--spread-mm", 1, "--words", 20, "--compare-words", 20,
        "--decoder", f"mine={sys.executable} {path}",
    )  # fmt: skip
    assert found.exit_code == 2
    assert "\nmine " in found.stdout
    (said,) = (line for line in found.stderr.splitlines() if "mine" in line)
    assert (
        "--decoder mine: was given up after 4 faults: crashed, word 0: exit code 1: out of" in said
    )


GOOD = json.loads(hello(LAYOUT, TOUCH, lexicon=None, k=3).line())
WORD = {"type": "word", "id": 0, "points": [[0.5, 0.5]], "context": None, "k": 3}


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        (["{"], "line 1: is no message of the protocol: "),
        ([WORD], "line 1, type: comes before hello"),
        ([{"type": "shout"}], "line 1, type: is no message of the protocol"),
        ([GOOD | {"touch": None}], "line 1, touch: is null"),
        ([GOOD | {"k": "many"}], "line 1, k: is no message of the protocol: expected `int`"),
        ([GOOD | {"versions": [9]}], "line 1, protocol: nearkey-lines 1 is not spoken here"),
        ([GOOD | {"touch": {"background": GOOD["touch"]["background"]}}], "line 1, touch: needs"),
        ([GOOD, WORD | {"points": [[0.5]]}], "line 2, points[0]: is no message"),
        ([GOOD, WORD | {"k": 0}], "line 2, k: is no message of the protocol"),
        ([GOOD, WORD | {"use": "dead"}], "line 2, use: is no message of the protocol"),
    ],
)
def test_a_line_that_is_no_message_names_line_and_field(lines, says):
    text = "\n".join(line if isinstance(line, str) else json.dumps(line) for line in lines)
    with pytest.raises(NearkeyError) as caught:
        serve(io.BytesIO(text.encode()), io.BytesIO(), PACK)
    assert says in str(caught.value)


def test_a_covariance_that_is_none_is_named():
    touch = json.loads(json.dumps(GOOD["touch"]))
    touch["gaussians"][2]["cov"] = [0.1, 0.2, 0.1]
    with pytest.raises(NearkeyError, match=r"line 1, touch\.gaussians\[2\]\.cov: is no covariance"):
        serve(io.BytesIO(json.dumps(GOOD | {"touch": touch}).encode()), io.BytesIO(), PACK)


def test_the_served_decoder_lists_live_with_completions_or_without():
    words = [
        WORD | {"points": [[1.5, 0.5]], "context": "", "use": "live", "completions": wanted}
        for wanted in (True, False)
    ]
    asked = io.BytesIO(b"\n".join(json.dumps(line).encode() for line in (GOOD, *words)))
    said = io.BytesIO()
    serve(asked, said, PACK)
    ready, listed, finished = map(json.loads, said.getvalue().splitlines())
    assert ready["version"] == 2
    assert dict(list(zip(listed["texts"], listed["kinds"], strict=True))[:2]) == {
        "be": "completion", "bed": "completion",
    }  # fmt: skip
    assert finished["texts"] == []
    own = OwnDecoder(nk.Decoder(LAYOUT, TOUCH, PACK))
    assert [c.word for c in own.live([[1.5, 0.5]], "", 3, completions=True)] == listed["texts"]


def test_a_decoder_that_never_got_ready_is_not_asked_after_it_was_looked_for_live_lists(tmp_path):
    script = """
ready(version=3)
for one in questions():
    say(type="answer", id=one["id"], texts=["ace"])
"""
    with double(tmp_path, script, restarts=2) as decoder:
        assert live_lists(decoder) is None
        found = decoder.answer(ACE_BE, 2)
    assert (found.index == -1).all()
    assert set(found.faults.counts) <= {"wrong version", "not asked"}
