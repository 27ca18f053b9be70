"""The lab's pages in a real browser: a phone's screen, a finger, all four activities; the logs say what was done.

In CI a missing browser fails these tests; elsewhere it skips them, saying what to install.
"""

from __future__ import annotations

import io
import json

import numpy as np
import pytest
import zxingcpp
from lab_devices import GROUPS, PLAN, grid, place_of, plan_file
from phone import RunningLab, eventually, get, missing, phone
from PIL import Image
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

import nearkey as nk
from nearkey.lab.server import address_of_this_machine
from nearkey.simulate.session_typist import SessionTypist, TypistParameters
from nearkey.study import (
    WORKLOAD_PAIRS,
    WORKLOAD_SCALES,
    StudyLog,
    measures,
    read_workload_answers,
)

REASON = missing()
pytestmark = pytest.mark.skipif(REASON is not None, reason=REASON or "")


@pytest.fixture(scope="module")
def handset():
    """One browser for all tests: each opens its own lab in it."""
    with phone() as made:
        yield made


class PhoneSession:
    """What a scripted typist presses, done with a finger on the page; what it sees, read from the page."""

    def __init__(self, handset):
        self.phone = handset
        self.touches: list[None] = []

    @property
    def text(self):
        return self.phone.text(".typed")

    @property
    def candidates(self):
        return [Shown(text) for text in self.phone.texts(".words button")]

    def tap(self, x, y, t):
        self.phone.touch(x, y)
        self.touches.append(None)

    def delete(self, *, time_s):
        # A stroke to the left, by the plan's map.
        self.phone.touch(12, 6, to=(4, 6))
        self.touches = self.touches[:-1]

    def undo(self, *, time_s):
        self.phone.press("[data-action=undo]")

    def redo(self, *, time_s):
        self.phone.press("[data-action=redo]")

    def accept(self, place, *, time_s):
        self.phone.press(f".words button[data-rank='{place}']")

    def commit(self, *, time_s):
        self.phone.touch(4, 6, to=(13, 6))
        self.touches = []


class Shown:
    def __init__(self, text):
        self.text = text


def test_calibrate_with_a_finger_gives_a_log_and_a_model_and_the_card_gives_real_millimetres(
    tmp_path, handset
):
    with RunningLab(plan_file(tmp_path)) as lab:
        handset.open(lab.url)
        # The slider is moved until the outline is as wide as a card that is 428 px wide on this screen: 5 px a mm.
        handset.click("#view summary")
        handset.run(
            "const s = document.getElementById('card-width'); s.value = 5; s.dispatchEvent(new Event('input'));"
        )
        assert handset.run(
            "return document.querySelector('.card rect').getBoundingClientRect().width"
        ) == pytest.approx(85.6 * 5, abs=3)
        handset.click("#card-keep")
        handset.click("#view summary")
        handset.run("document.getElementById('calibrate-code').value = 'p1'")
        handset.click("#calibrate-start")
        handset.at_step("calibrate/ready")
        handset.click("[data-send=next]")
        handset.at_step("calibrate/target")
        assert handset.run(
            "return document.querySelector('.pad-edge').getBoundingClientRect().width"
        ) == pytest.approx(90, abs=0.5)
        touched = []
        jitter = np.random.default_rng(5).normal(0, 0.6, (12, 2))
        while handset.step == "calibrate/target":
            key = handset.wait("return document.querySelector('.key.target')?.dataset.key")
            x, y = place_of(GROUPS[int(key[1])][0]) + jitter[len(touched)]
            before = len(touched)
            touched.append((key, x, y))
            handset.touch(float(x), float(y))
            handset.wait(
                "return !document.getElementById('progress').textContent.startsWith(arguments[0] + ' ')",
                str(before),
            )
        assert handset.step == "calibrate/fitted"
        assert "touches kept" in handset.text("#lines")
        handset.click("[data-send=leave]")
        handset.at_step("/choose")
    log = nk.TouchLog.read(tmp_path / "data" / "p1" / "touches-grid.jsonl")
    assert log.target.tolist() == [key for key, _, _ in touched]
    # To a hundredth of a millimetre: places are not rounded to whole pixels anywhere.
    assert log.points == pytest.approx(np.array([(x, y) for _, x, y in touched]), abs=0.01)
    assert set(log.extra["pixels_per_mm"].tolist()) == {5.0}
    assert set(log.extra["calibrated"].tolist()) == {"true"}
    assert set(log.extra["pixel_ratio"].tolist()) == {3.0}
    assert set(log.extra["kind"].tolist()) == {"touch"}
    assert log.extra["width"].tolist() == pytest.approx([8 / 5] * 12, rel=0.3)
    model = nk.load_touch(tmp_path / "data" / "p1" / "model-grid.json")
    assert model.key_ids == grid().key_ids


def test_a_study_by_a_scripted_typist_with_a_finger_has_the_typist_s_measures(tmp_path, handset):
    """Slips, deletions, undone touches, choices from the list: the log's measures are the typist's own tally."""
    text = PLAN.replace(
        '[[conditions]]\nname = "letters"\nlayout = "qwerty"\nfit_mm = [18, 12]\n', ""
    )
    layout = grid()
    touch = nk.GaussianTouch.from_layout(layout, spread_mm=1.0)
    with RunningLab(plan_file(tmp_path, text)) as lab:
        handset.open(lab.url)
        handset.click("#study-start")
        handset.at_step("study/consent")
        assert "code" in handset.text("#lines")
        handset.click("[data-send=next]")
        handset.at_step("study/cautions")
        assert "walking" in handset.text("#lines")
        handset.click("[data-send=next]")
        handset.at_step("study/ready")
        handset.run(
            """window.stamps = [];
            const note = (e, what) => stamps.push([e.timeStamp, what]);
            addEventListener("pointerdown", (e) => note(e, e.target.closest(".zone") ? "zone" : "other"), true);
            addEventListener("click", (e) => stamps.push([e.timeStamp, "click"]), true);"""
        )
        rng = np.random.default_rng(11)
        parameters = TypistParameters(slip=0.15, notice=0.8, undo=0.3, retry=0.4, pace_s=0.0)
        tallies, times = [], []
        while handset.step != "study/end":
            if handset.step == "study/rest":
                assert handset.text("#rest") != ""
                handset.click("[data-send=next]")
                handset.at_step("study/ready")
                continue
            if handset.step == "study/ready":
                handset.click("[data-send=next]")
                handset.at_step("study/phrase")
            phrase, done = handset.text(".phrase"), handset.text("#progress")
            handset.run("stamps.length = 0")
            session = PhoneSession(handset)
            typist = SessionTypist(session, layout, touch, rng, parameters=parameters)
            typist._parameters = NoRedo(parameters)
            tallies.append(typist.phrase(phrase))
            # A touch counts where it begins, a button where it is let go.
            times.append(
                [t for t, what in handset.run("return stamps") if what in ("zone", "click")]
            )
            handset.press("[data-send=next]")
            handset.wait(
                "return document.getElementById('progress').textContent !== arguments[0]", done
            )
        handset.click("[data-send=leave]")
        handset.at_step("/choose")
    log = StudyLog.read(tmp_path / "data" / "p1" / "study-grid.jsonl")
    found = measures(log, practice=True).phrases
    assert len(found) == len(tallies) == 3
    assert sum(t.fixes for t in tallies) > 0
    for phrase, tally, stamps in zip(found, tallies, times, strict=True):
        counts = phrase.counts
        assert phrase.transcribed == tally.text.rstrip()
        assert (counts.keystrokes, counts.taps, counts.fixes) == (
            tally.presses,
            tally.taps,
            tally.fixes,
        )
        assert counts.incorrect_fixed == tally.taken_back
        assert counts.ranks == {rank: n for rank, n in tally.ranks.items() if n}
        assert len(stamps) == tally.presses
        assert counts.seconds == pytest.approx((stamps[-1] - stamps[0]) / 1000, abs=2e-3)
    # Every touch's delay from the finger to the screen is in the log, with the list that was painted.
    painted = [e for e in log.events if e.extra and "paint_ms" in e.extra]
    assert len(painted) >= 0.9 * sum(t.presses for t in tallies)
    prompt = log.trials()[0].prompt
    assert prompt.extra["pixels_per_mm"] > 0
    assert prompt.extra["device"]


class NoRedo(TypistParameters):
    """The page has no button for redo: undone touches stay undone."""

    def __init__(self, of):
        for name in ("slip", "notice", "retry", "pace_s"):
            object.__setattr__(self, name, getattr(of, name))
        object.__setattr__(self, "undo", 0.0)


def test_try_two_layouts_side_by_side_with_overlays_strokes_and_a_turned_pad(tmp_path, handset):
    with RunningLab(plan_file(tmp_path)) as lab:
        handset.open(lab.url)
        handset.run("document.getElementById('try-two').value = 'letters'")
        handset.click("#try-start")
        handset.at_step("try/typing")
        assert handset.texts(".zone h2") == ["grid", "letters"]
        handset.click("#view summary")
        for name in ("touches", "ellipses"):
            handset.click(f"#over-{name}")
        handset.click("#view summary")
        for letter in "peg":
            handset.touch(*place_of(letter), pad=0)
        assert handset.run("return document.querySelectorAll('.touch-dot').length") == 3
        assert handset.run("return document.querySelectorAll('.ellipse').length") == 6 + 26
        listed = handset.texts(".sheet:first-child .words button")
        assert len(listed) == 5
        # Down steps to the second word, right takes it.
        handset.touch(9, 2, to=(9, 10))
        assert handset.texts(".words button[aria-current=true]")[0] == listed[1]
        handset.touch(4, 6, to=(14, 6))
        assert handset.texts(".typed") == [listed[1] + " ", ""]
        # Turned by a quarter, the same key lies elsewhere on the screen, and is touched there.
        handset.click("[data-send=next]")
        x, y = place_of("p")
        box = handset.run(
            """const b = document.querySelector(".zone svg").getBoundingClientRect();
            return [b.x + b.width / 2, b.y + b.height / 2, b.width / 18];"""
        )
        handset.run(
            "const s = document.getElementById('view-rotation_deg'); s.value = 90; s.dispatchEvent(new Event('change'))"
        )
        handset.wait(
            "return document.querySelector('.zone svg').style.transform === 'rotate(90deg)'"
        )
        before = handset.painted
        handset.finger([(box[0] - (y - 6) * box[2], box[1] + (x - 9) * box[2])])
        handset.wait("return labDelays.length > arguments[0]", before)
        dot = handset.run(
            "const c = document.querySelector('.touch-dot'); return [c.cx.baseVal.value, c.cy.baseVal.value]"
        )
        assert dot == pytest.approx([x, y], abs=0.05)
        # Keys that are not shown are still there.
        handset.run(
            """const s = document.getElementById("view-keys");
            s.value = "invisible";
            s.dispatchEvent(new Event("change"));"""
        )
        handset.wait("return document.querySelector('.zone svg.invisible') !== null")
        assert (
            handset.run("return getComputedStyle(document.querySelector('.key text')).display")
            == "none"
        )
    assert not list((tmp_path / "data").glob("*/*"))


def begin_a_phrase(handset, url):
    """Through consent and cautions to the first phrase of a study."""
    handset.open(url)
    handset.click("#study-start")
    for step in ("consent", "cautions", "ready"):
        handset.at_step(f"study/{step}")
        handset.click("[data-send=next]")
    handset.at_step("study/phrase")


def test_replay_plays_a_log_back_and_a_reload_in_the_middle_of_a_phrase_keeps_the_text(
    tmp_path, handset
):
    with RunningLab(plan_file(tmp_path)) as lab:
        begin_a_phrase(handset, lab.url)
        for letter in "go":
            handset.touch(*place_of(letter))
        text = handset.text(".typed")
        handset.open(lab.url)  # the page is loaded anew
        handset.at_step("study/phrase")
        assert handset.text(".typed") == text
        handset.touch(*place_of("t"))
        handset.press("[data-send=next]")
        handset.click("[data-send=leave]")
        handset.at_step("/choose")
        handset.open(lab.url)
        (name,) = handset.texts("#replay-log option") or [
            handset.run("return document.getElementById('replay-log').value")
        ]
        handset.click("#replay-start")
        handset.at_step("replay/event")
        handset.run(
            "const s = document.getElementById('pace'); s.value = '8'; s.dispatchEvent(new Event('change'))"
        )
        handset.click("#play")
        log = StudyLog.read(tmp_path / "data" / name)
        handset.wait(
            "return document.getElementById('progress').textContent.startsWith(arguments[0] + ' of')",
            str(len(log.events)),
        )
        taps = [e for e in log.events if e.__struct_config__.tag == "tap"]
        assert [e.extra["n"] for e in taps] == sorted({e.extra["n"] for e in taps})
        assert len(taps) == 3
        back = len(log.events) - 1
        while log.events[back] is not taps[1]:
            handset.click("#step-back")
            back -= 1
            handset.wait(
                "return document.getElementById('progress').textContent.startsWith(arguments[0] + ' of')",
                str(back + 1),
            )
        assert handset.text(".typed") == taps[1].text == text
        ends = [e for e in log.events if e.__struct_config__.tag == "end"]
        assert ends[0].extra == {"interruptions": 1}
        (broke,) = [e for e in log.events if "interruption" in (e.extra or {})]
        assert broke.extra["interruption"] == "the connection to the pad was lost"


def test_pad_display_and_experimenter_are_pages_of_their_own_and_the_second_tab_takes_over(
    tmp_path, handset
):
    with RunningLab(plan_file(tmp_path)) as lab:
        handset.open(lab.url + "pad")
        driver = handset.driver
        first = driver.current_window_handle
        driver.switch_to.new_window("tab")
        try:
            handset.open(lab.url + "experimenter")
            handset.click("#try-start")
            handset.at_step("try/typing")
            assert "pad" in eventually(lambda: handset.text("#watch-body table"))
            driver.switch_to.window(first)
            handset.at_step("try/typing")
            assert handset.texts(".sheet") == [], "the pad shows no text"
            handset.touch(*place_of("g"))
            watching = next(h for h in driver.window_handles if h != first)
            driver.switch_to.window(watching)
            handset.wait("return document.querySelectorAll('.touch-dot').length === 1")
            assert handset.text(".typed") != ""
            assert "1 touches" in eventually(lambda: handset.text("#delays"))
            handset.open(lab.url)  # this tab becomes the pad
            driver.switch_to.window(first)
            handset.wait("return document.body.dataset.link === 'replaced'")
            assert "do not count" in handset.problem
            handset.click("#problem button")
            handset.wait("return document.body.dataset.link === 'joined'")
        finally:
            for handle in driver.window_handles:
                if handle != first:
                    driver.switch_to.window(handle)
                    driver.close()
            driver.switch_to.window(first)


def test_touches_made_while_the_lab_is_dead_wait_on_the_page_and_count_once(tmp_path, handset):
    plan = plan_file(tmp_path)
    with RunningLab(plan) as lab:
        begin_a_phrase(handset, lab.url)
        for letter in "le":
            handset.touch(*place_of(letter))
        lab.kill()
        handset.wait("return document.body.dataset.link === 'lost'")
        assert "touches wait" in handset.text("#link")
        for letter in "vel":
            handset.finger([handset.on_screen(*place_of(letter))])
    with RunningLab(plan, port=lab.port):
        handset.wait("return document.body.dataset.link === 'joined'")
        handset.wait("return document.body.dataset.typed === '5'")  # the last one's answer
        text = handset.text(".typed")
        (path,) = (tmp_path / "data" / "p1").glob("study-*.jsonl")
        (trial,) = StudyLog.read(path).trials()
        taps = [e for e in trial.events if e.__struct_config__.tag == "tap"]
        assert [e.extra["n"] for e in taps] == [1, 2, 3, 4, 5]
        assert taps[-1].text == text
        told = [e.extra["interruption"] for e in trial.events if "interruption" in (e.extra or {})]
        assert told == ["the lab was started again"]


@pytest.mark.skipif(
    address_of_this_machine().startswith("127."), reason="this machine has no address but loopback"
)
def test_a_phone_of_the_network_is_the_pad_of_a_laptop_by_the_code_on_the_screen(tmp_path, handset):
    """Two browsers: the laptop on loopback, the phone through the network's address with a one-time code."""
    address = address_of_this_machine()
    with (
        RunningLab(plan_file(tmp_path), "--share") as lab,
        phone(width=1280, height=800, touch=False) as laptop,
    ):
        outside = f"http://{address}:{lab.port}/"
        assert get(outside) == (403, "This lab lets other devices in by a one-time address only. "
                                     "Ask the experimenter for a fresh code and scan it.\n")  # fmt: skip
        assert get(outside, Host=f"pad.example:{lab.port}")[0] == 421
        laptop.open(lab.url + "experimenter")
        laptop.run("document.querySelector('#invite button').click()")
        laptop.wait("return document.querySelector('#invitation img')?.complete")
        laptop.run("document.querySelector('#invitation img').scrollIntoView({block: 'center'})")
        picture = laptop.driver.find_element("css selector", "#invitation img").screenshot_as_png
        (read,) = zxingcpp.read_barcodes(Image.open(io.BytesIO(picture)))
        assert read.text == laptop.text("#invitation code")
        assert read.text.startswith(outside + "join/")
        assert read.text.endswith("/pad")
        handset.open(read.text)
        assert handset.run("return location.href") == outside + "pad"
        assert get(read.text)[0] == 403, "it served once"
        # The phone's key does not help a page of another site that the phone has open.
        (cookie,) = handset.driver.get_cookies()
        assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
        key = {"Cookie": f"{cookie['name']}={cookie['value']}"}
        assert get(outside, **key)[0] == 200
        for origin in ("http://evil.example", f"http://evil.example:{lab.port}"):
            with pytest.raises(InvalidStatus):
                connect(
                    f"ws://{address}:{lab.port}/messages", origin=origin, additional_headers=key
                )
        laptop.open(lab.url + "display")
        laptop.click("#try-start")
        laptop.at_step("try/typing")
        handset.at_step("try/typing")
        for letter in "peg":
            handset.touch(*place_of(letter))
        shown = laptop.wait("return document.querySelector('.typed').textContent")
        assert laptop.texts(".zone") == [], "the laptop shows no pad"
        handset.touch(4, 6, to=(13, 6))
        laptop.wait(
            "return document.querySelector('.typed').textContent === arguments[0] + ' '", shown
        )
        # A page that is loaded again comes in by its cookie.
        handset.open(outside + "pad")
        handset.at_step("try/typing")


def test_everything_is_reached_by_the_keyboard_and_named(tmp_path, handset):
    from selenium.webdriver.common.keys import Keys

    with RunningLab(plan_file(tmp_path)) as lab:
        handset.open(lab.url)
        unnamed = handset.run(
            """const named = (e) => e.textContent.trim() || e.labels?.[0]?.textContent.trim() || e.ariaLabel;
            return [...document.querySelectorAll("button, select, input, summary")]
                .filter((e) => e.getClientRects().length && !named(e)).map((e) => e.outerHTML);"""
        )
        assert unnamed == []
        handset.run("document.getElementById('try-start').focus()")
        handset.driver.switch_to.active_element.send_keys(Keys.ENTER)
        handset.at_step("try/typing")
        handset.run("document.querySelector('.zone').focus()")
        zone = handset.driver.switch_to.active_element
        zone.send_keys(Keys.LEFT)
        zone.send_keys(Keys.UP)
        zone.send_keys(Keys.ENTER)
        handset.wait("return document.querySelector('.typed').textContent !== ''")
        handset.run("document.querySelector('.words button').focus()")
        handset.driver.switch_to.active_element.send_keys(Keys.ENTER)
        handset.run("document.querySelector('[data-action=accept]').focus()")
        handset.driver.switch_to.active_element.send_keys(Keys.ENTER)
        handset.wait("return document.querySelector('.typed').textContent.endsWith(' ')")


CONTRAST = """
const channel = (v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
const colour = (text) => { const c = text.match(/[\\d.]+/g).map(Number); return c; };
const light = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
const ground = (e) => {
  for (; e; e = e.parentElement) {
    const c = colour(getComputedStyle(e).backgroundColor);
    if (c.length < 4 || c[3] === 1) return c;
  }
  return [255, 255, 255];
};
const speaks = (e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
const poor = [];
for (const e of document.querySelectorAll("body *")) {
  if (!e.getClientRects().length || e.disabled || !speaks(e)) continue;
  if (e.closest("svg") || e.tagName === "OPTION") continue;
  const a = light(colour(getComputedStyle(e).color)), b = light(ground(e));
  const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  if (ratio < 4.5) poor.push([e.tagName, e.textContent.slice(0, 40), ratio]);
}
return poor;
"""


STEP_AND_PROGRESS = "document.body.dataset.step + document.getElementById('progress').textContent"

# The pad's keys, drawn and touched: letters on their key, and the key's edge on what is about it.
KEY_CONTRAST = (
    CONTRAST.split("const ground")[0]
    + """
const between = (a, b) => (Math.max(light(a), light(b)) + 0.05) / (Math.min(light(a), light(b)) + 0.05);
const style = (e, name) => colour(getComputedStyle(e)[name]);
const key = document.querySelector(".key"), face = key.querySelector("rect"), label = key.querySelector("text");
const paper = style(document.body, "backgroundColor");
const found = {};
for (const state of ["", "hit", "target"]) {
  key.setAttribute("class", `key ${state}`);
  found[`label ${state}`] = between(style(label, "fill"), style(face, "fill"));
  found[`edge ${state}`] = between(style(face, "stroke"), paper);
}
key.setAttribute("class", "key");
const lines = (e, name) => between(style(e, name), paper);
found.pad = lines(document.querySelector(".pad-edge"), "stroke");
found.ellipse = lines(document.querySelector(".ellipse"), "stroke");
found.touch = lines(document.querySelector(".touch-dot"), "fill");
found.button = between(style(document.querySelector("[data-action]"), "borderTopColor"), paper);
return found;
"""
)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast_is_that_of_wcag_aa_and_controls_are_large_enough(tmp_path, handset, scheme):
    """WCAG 2.2, success criteria 1.4.3 (contrast 4.5 : 1) and 2.5.8 (targets of 24 px); the formula is theirs."""
    handset.command(
        "Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}]
    )
    with RunningLab(plan_file(tmp_path)) as lab:
        for page in ("", "experimenter"):
            handset.open(lab.url + page)
            handset.click("#view summary")
            assert handset.run(CONTRAST) == []
            small = handset.run(
                """const side = (e) => {
                    const b = (e.type === "checkbox" ? e.labels[0] : e).getBoundingClientRect();
                    return Math.min(b.width, b.height);
                };
                return [...document.querySelectorAll("button, select, input, summary")]
                    .filter((e) => e.getClientRects().length && side(e) < 24).map((e) => e.id || e.textContent);"""
            )
            assert small == []
            assert handset.run("return document.documentElement.scrollWidth <= innerWidth"), (
                "nothing runs off the side"
            )
        handset.open(lab.url)
        handset.click("#try-start")
        handset.at_step("try/typing")
        handset.run(
            "document.getElementById('over-touches').click(); document.getElementById('over-ellipses').click()"
        )
        handset.touch(3, 3)
        handset.wait(
            "return document.querySelector('.touch-dot') && document.querySelector('.ellipse')"
        )
        assert handset.run(CONTRAST) == []
        # Letters 4.5 : 1; edges, ellipses, marks and controls 3 : 1 (criterion 1.4.11).
        found = handset.run(KEY_CONTRAST)
        assert len(found) == 10
        assert {n: r for n, r in found.items() if r < (4.5 if n.startswith("label") else 3)} == {}
    handset.command("Emulation.setEmulatedMedia", features=[])


def test_the_work_is_rated_with_a_finger_and_with_the_keyboard(tmp_path, handset):
    from selenium.webdriver.common.keys import Keys

    with RunningLab(plan_file(tmp_path, PLAN + 'workload = "weighted"\n')) as lab:
        handset.open(lab.url)
        handset.click("#study-start")
        while handset.step != "study/workload":
            before = handset.run(f"return {STEP_AND_PROGRESS}")
            handset.click("[data-send=next]")
            handset.wait(f"return {STEP_AND_PROGRESS} !== arguments[0]", before)
        condition = handset.text("#title").split()[-1]
        assert handset.run(CONTRAST) == []
        handset.click("#workload-keep")
        assert "21 of the questions have no answer" in eventually(lambda: handset.problem)
        sliders = handset.driver.find_elements("css selector", "#workload input[type=range]")
        assert handset.driver.switch_to.active_element == sliders[0], (
            "the first one without an answer"
        )
        for i, slider in enumerate(sliders):
            slider.send_keys(*[Keys.ARROW_LEFT] * i, Keys.ARROW_RIGHT, Keys.ARROW_LEFT)
        # In each pair the one that comes first in the alphabet.
        handset.run(
            """for (const pair of document.querySelectorAll("#workload fieldset[id^=pair]")) {
                const names = [...pair.querySelectorAll("input")].sort((a, b) => (a.value < b.value ? -1 : 1));
                names[0].scrollIntoView();
                names[0].click();
            }"""
        )
        handset.click("#workload-keep")
        handset.at_step("study/rest")
    (answer,) = read_workload_answers(tmp_path / "data" / "p1" / "workload.jsonl")
    names = [scale.name for scale in WORKLOAD_SCALES]
    assert answer.condition == condition
    assert answer.ratings == {name: 50.0 - 5 * i for i, name in enumerate(names)}
    firsts = [min(pair) for pair in WORKLOAD_PAIRS]
    assert answer.weights == {name: firsts.count(name) for name in names}


def test_nothing_is_loaded_from_outside(tmp_path, handset):
    with RunningLab(plan_file(tmp_path)) as lab:
        handset.open(lab.url)
        loaded = handset.run("return performance.getEntriesByType('resource').map((e) => e.name)")
        assert len(loaded) >= 6
        assert all(name.startswith(lab.url) for name in loaded), loaded
        # Pages of labs that have stopped complain as well; this one has no reason to.
        logs = [
            e
            for e in handset.driver.get_log("browser")
            if e["level"] == "SEVERE" and lab.url in e["message"]
        ]
        assert logs == [], json.dumps(logs)
