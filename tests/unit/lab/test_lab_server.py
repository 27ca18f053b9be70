"""The lab as a program: its gate, its sockets, its lines, and its logs after a kill."""

from __future__ import annotations

import json
import threading
import urllib.request
from contextlib import ExitStack

import pytest
from lab_devices import PLAN, plan_file
from phone import RunningLab, eventually, get
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

import nearkey as nk
from nearkey.lab.access import LabAccess
from nearkey.study import StudyLog


@pytest.fixture
def plan(tmp_path):
    return plan_file(tmp_path)


class Socket:
    """A client over WebSocket; `got` are its replies."""

    def __init__(self, lab, *, query="", **options):
        opened = connect(f"ws://127.0.0.1:{lab.port}/messages{query}", **options)
        self.socket = ExitStack().enter_context(opened)
        self.n = 0

    def say(self, kind, **fields):
        self.socket.send(json.dumps({"type": kind, **fields}))

    def next(self, *kinds):
        while True:
            reply = json.loads(self.socket.recv(timeout=15))
            if reply["type"] in kinds:
                return reply

    def closed_with(self):
        """The code the lab closes the connection with; what came before is passed over."""
        try:
            while True:
                self.socket.recv(timeout=15)
        except ConnectionClosed as closed:
            return closed.rcvd.code

    def hello(self, role="both", **fields):
        self.say("hello", role=role, **fields)
        return self.next("welcome")


def test_the_gate(plan):
    with RunningLab(plan) as lab:
        assert get(lab.url)[0] == 200
        assert "Pad and screen" in get(lab.url + "experimenter")[1]
        for host in ("lab.example", f"lab.example:{lab.port}", "127.0.0.1:1", "127.0.0.1.example"):
            assert get(lab.url, Host=host)[0] == 421, host
        for path in ("lab/../lab_plan.py", "lab/..%2flab_plan.py", "lab/%2e%2e/access.py", "lab//etc/passwd", "lab/",
                     "lab/.hidden", "lab/..\\access.py", "nothing"):  # fmt: skip
            assert get(lab.url + path.replace("\\", "%5c"))[0] == 404, path
        # A page of another site that opens a socket here says where it comes from.
        for origin in (
            "http://evil.example",
            "null",
            f"http://evil.example:{lab.port}",
            "http://127.0.0.1:1",
        ):
            with pytest.raises(InvalidStatus):
                Socket(lab, origin=origin)
        same = Socket(lab, origin=f"http://127.0.0.1:{lab.port}")
        assert same.hello()["version"] == 1
        # Other devices do not come in, with a token or without.
        assert get(lab.url + "join/guess/pad")[0] == 403
        headers = urllib.request.urlopen(lab.url).headers
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert headers["Cache-Control"] == "no-store"


def test_frames_too_large_malformed_and_too_many_do_not_hurt_the_others(plan):
    with RunningLab(plan) as lab:
        good, bad = Socket(lab), Socket(lab)
        good.hello()
        bad.hello("display")
        bad.socket.send("x" * 100_000)
        assert bad.closed_with() == 1009
        worse = Socket(lab)
        worse.hello("display")
        for _ in range(20):
            worse.socket.send("{")
        assert worse.closed_with() == 1008
        good.say("start", activity="try")
        good.next("scene")
        good.say("touch", x=3, y=3, n=1)
        assert good.next("typed")["candidates"]


def test_a_connection_that_drops_comes_back_to_the_same_text(plan):
    with RunningLab(plan) as lab:
        phone = Socket(lab)
        phone.hello(client="phone")
        phone.say("start", activity="try")
        phone.say("touch", x=3, y=3, n=1)
        text = phone.next("typed")["text"]
        phone.socket.socket.close()  # without a word
        again = Socket(lab)
        assert again.hello(client="phone")["last_n"] == 1
        scene = again.next("scene")
        assert (scene["step"], scene["pads"][0]["text"]) == ("typing", text)


@pytest.mark.parametrize("activity", ["study", "calibrate"])
def test_after_a_kill_at_any_moment_every_answered_touch_is_in_the_log_once(tmp_path, activity):
    """Three kills in the middle of a flood of touches; the client sends again what it had no answer for."""
    plan = plan_file(tmp_path, PLAN.replace("each = 2", "each = 200"))
    answered: set[int] = set()
    waiting: list[dict] = []
    n, port = 0, 0
    for kill_after in (23, 8, 15, None):
        with RunningLab(plan, port=port) as lab:
            phone = Socket(lab)
            phone.hello(client="phone", t_ms=0.0)
            scene = phone.next("scene")
            if not scene["activity"]:
                phone.say("start", activity=activity, participant="p1")
                for _ in range(3 if activity == "study" else 1):
                    phone.say("next")
            else:
                assert scene["takes_touches"], "it goes on where it was"
            for touch in waiting:
                phone.socket.send(json.dumps(touch))
            if kill_after is None:
                while not {touch["n"] for touch in waiting} <= answered:
                    answered.add(phone.next("typed", "ack")["n"])
                break

            def flood(phone=phone, waiting=waiting):
                nonlocal n
                try:
                    for _ in range(200):
                        n += 1
                        waiting.append(
                            {"type": "touch", "x": 1.0 + n % 16, "y": 1.0 + n % 10, "n": n}
                        )
                        phone.socket.send(json.dumps(waiting[-1]))
                except ConnectionClosed:
                    pass

            sender = threading.Thread(target=flood)
            sender.start()
            got = 0
            try:
                while got < kill_after:
                    answered.add(phone.next("typed", "ack")["n"])
                    got += 1
                lab.kill()
                while True:
                    answered.add(phone.next("typed", "ack")["n"])
            except ConnectionClosed:
                pass
            sender.join()
            waiting = [touch for touch in waiting if touch["n"] not in answered]
            waiting = waiting[:20]
    if activity == "study":
        logs = [StudyLog.read(path) for path in (tmp_path / "data" / "p1").glob("study-*.jsonl")]
        assert all(log.truncated is None for log in logs)
        taken = [
            e.extra["n"] for log in logs for e in log.events if e.__struct_config__.tag == "tap"
        ]
    else:
        (path,) = (tmp_path / "data" / "p1").glob("touches-*.jsonl")
        taken = [int(number) for number in nk.TouchLog.read(path).extra["n"]]
    assert len(taken) == len(set(taken)), "none twice"
    assert answered <= set(taken), "none lost"
    assert taken == sorted(taken)
    assert len(taken) >= 12


def test_other_devices_come_in_once_by_a_token(plan):
    with RunningLab(plan, "--share", "--address", "127.0.0.1") as lab:
        url = eventually(
            lambda: next((w for w in lab.said.split() if "/join/" in w), None) or read_on(lab)
        )
        assert get(url)[0] == 200  # a cookie, and on to the page
        status, text = get(url)
        assert status == 403
        assert "used already" in text
        watching = Socket(lab)
        watching.hello("experimenter")
        watching.say("invite", role="sensor")
        invitation = watching.next("invitation")
        assert invitation["qr"].startswith("data:image/svg")
        query = invitation["url"].split("/messages")[1]
        sensor = Socket(lab, query=query)
        assert sensor.next("key")["key"]


def read_on(lab):
    lab.said += lab.process.stdout.readline()


def test_who_is_no_loopback_needs_a_key_and_a_token_serves_once_and_not_for_long():
    access = LabAccess({"127.0.0.1", "192.0.2.7"}, 8517, shared=True)
    assert access.may_enter("127.0.0.1", None)
    assert access.may_enter("::1", None)
    for peer in ("192.0.2.9", "fe80::1", "testclient", None):
        assert not access.may_enter(peer, None)
        assert not access.may_enter(peer, "guess")
    token = access.invite(0.0)
    key = access.admit(token, 1.0)
    assert key is not None
    assert access.may_enter("192.0.2.9", key)
    assert access.admit(token, 2.0) is None
    late = access.invite(0.0)
    assert access.admit(late, 700.0) is None
    alone = LabAccess({"127.0.0.1"}, 8517, shared=False)
    assert alone.admit(alone.invite(0.0), 1.0) is None


def test_messages_come_by_standard_input_as_well(plan):
    import subprocess
    import sys

    lines = [
        {"type": "hello", "role": "sensor", "affine": [0.01, 0, 0, 0, 0.01, 0]},
        {"type": "start", "activity": "try", "conditions": ["grid"]},
        {"type": "touch", "x": 300, "y": 300, "n": 1},
        {"type": "touch", "x": 300, "y": 300, "n": 2},
    ]
    text = "".join(json.dumps(line) + "\n" for line in lines) + "{}\n" + "y" * 50_000 + "\n"
    done = subprocess.run(
        [sys.executable, "-m", "nearkey.cli", "lab", str(plan), "--stdin", "--port", "0"],
        input=text, capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    replies = [json.loads(line) for line in done.stdout.splitlines()]
    kinds = [reply["type"] for reply in replies]
    assert kinds == ["welcome", "scene", "scene", "typed", "typed", "problem", "problem"]
    assert replies[4]["x"] == pytest.approx(3.0)
    assert len(replies[4]["candidates"]) == 5
    assert "http://127.0.0.1:" in done.stderr
