// The page: shows the scene the lab tells of, sends touches, measures when what they led to is on the screen.

import { Pad } from "./pad.js";
import { cardControl, measured } from "./ruler.js";
import { Wire, clockMs } from "./wire.js";

const role = { "/pad": "pad", "/display": "display", "/experimenter": "experimenter" }[location.pathname] ?? "both";
const touches = role === "pad" || role === "both", reads = role !== "pad";
const $ = (id) => document.getElementById(id);
const element = (name, properties = {}, ...inside) => {
  const made = Object.assign(document.createElement(name), properties);
  made.append(...inside);
  return made;
};

let scene = null, welcome = null, pads = [], sheets = [], restTimer = 0, playTimer = 0, speed = 1;
const overlays = { touches: role === "experimenter", ellipses: false, candidates: true };

function device() {
  const brand = navigator.userAgentData?.platform || navigator.platform || "unknown";
  return `${brand}, ${screen.width} x ${screen.height} CSS px`.slice(0, 200);
}

const wire = new Wire(
  () => ({ role, device: device(), pixels_per_mm: measured().pixelsPerMm, calibrated: measured().calibrated, pixel_ratio: devicePixelRatio }),
  take,
  (state) => {
    const says = { joined: touches ? "joined as the pad" : "joined", lost: "the lab is not answering; touches wait", replaced: "another page is the pad now" };
    $("link").textContent = says[state];
    $("link").classList.toggle("lost", state !== "joined");
    document.body.dataset.link = state;
    if (state === "replaced") say("Another page or device is the pad now. Touches here do not count.", [["Use this one", () => wire.introduce()]]);
    else $("problem").hidden = true;
    if (scene) render();
  },
);

function say(problem, controls = []) {
  const bar = $("problem");
  bar.replaceChildren(problem, " ", ...controls.map(([label, act]) => element("button", { textContent: label, onclick: act })));
  bar.hidden = false;
}

// Called when what was just put on the page has been painted: after the next frame's work is done.
function afterPaint(then) {
  requestAnimationFrame(() => {
    const channel = new MessageChannel();
    channel.port1.onmessage = () => then(performance.now());
    channel.port2.postMessage(0);
  });
}

const began = new Map(); // touch number -> time stamp of the event that ended it

function sendTouch(place, touch, stamp) {
  if (wire.replaced) return;
  began.set(wire.sendCounted({ type: "touch", pad: place, ...touch }), stamp);
}

function press(action, event, place = 0, rank = 0) {
  began.set(wire.sendCounted({ type: "press", action, rank, pad: place, t_ms: clockMs(event.timeStamp) }), event.timeStamp);
}

function take(message, own, roundTrip) {
  switch (message.type) {
    case "welcome":
      welcome = message;
      $("lab-name").textContent = message.name;
      $("cautions").replaceChildren(...message.cautions.map((text) => element("li", { textContent: text })));
      break;
    case "scene":
      scene = message;
      render();
      break;
    case "typed":
      typed(message, own, roundTrip);
      break;
    case "ack":
      if (message.kept && message.x !== null) pads[0]?.show(message.x, message.y, message.target);
      if (own) painted(message.n, roundTrip);
      break;
    case "problem":
      say(message.problem);
      break;
    case "clients":
      watch(message);
      break;
    case "invitation":
      invitation(message);
      break;
  }
}

function typed(message, own, roundTrip) {
  if (message.x !== null) pads[message.pad]?.show(message.x, message.y, message.action === "tap" ? message.key : "");
  fill(message.pad, message.text, message.candidates, message.chosen);
  document.body.dataset.typed = message.n;
  if (own) painted(message.n, roundTrip);
}

function painted(n, roundTrip) {
  const stamp = began.get(n);
  began.delete(n);
  if (stamp === undefined) return;
  afterPaint((now) => {
    const told = { type: "painted", n, ms: Math.max(0, now - stamp) };
    if (roundTrip !== null) told.round_trip_ms = roundTrip;
    wire.say(told);
    (window.labDelays ??= []).push(told);
  });
}

// ---- the scene ----

let shownStep = "";

function render() {
  const lively = scene.takes_touches || scene.activity === "replay";
  document.body.classList.toggle("busy", scene.takes_touches);
  document.body.dataset.step = `${scene.activity}/${scene.step}`;
  $("title").textContent = scene.title;
  $("lines").replaceChildren(...scene.lines.map((text) => element("p", { textContent: text })));
  $("progress").hidden = !scene.total;
  $("progress").textContent = scene.total ? `${scene.done} of ${scene.total}${scene.participant ? `, ${scene.participant}` : ""}` : "";
  rest();
  $("choose").hidden = scene.activity !== "";
  if (scene.activity === "" && shownStep !== "") choose();
  const showPads = scene.pads.length > 0 && (lively || role === "experimenter") && role !== "display";
  $("pads").hidden = !showPads;
  $("texts").hidden = !(reads && (scene.phrase || scene.activity === "try") && lively);
  if (showPads) drawPads();
  if (!$("texts").hidden) drawTexts();
  player();
  workload();
  buttons();
  viewed();
  const step = `${scene.activity}/${scene.step}`;
  if (step !== shownStep && !scene.takes_touches) $("title").focus({ preventScroll: true });
  if (scene.activity === "" && step !== shownStep) choose();
  shownStep = step;
}

function drawPads() {
  const { pixelsPerMm } = measured();
  while (pads.length > scene.pads.length) pads.pop();
  while (pads.length < scene.pads.length) pads.push(new Pad(pads.length, sendTouch));
  const zones = pads.map((pad) => pad.zone);
  if (zones.some((zone, i) => $("pads").children[i] !== zone) || $("pads").children.length !== zones.length) $("pads").replaceChildren(...zones);
  scene.pads.forEach((pad, i) => pads[i].draw(pad, scene, pixelsPerMm, touches && scene.takes_touches && !wire.replaced, overlays));
  if (scene.replay) pads[0]?.setTouches(scene.replay.touches);
}

function drawTexts() {
  const shown = scene.replay ? [{ condition: "", text: scene.replay.text, candidates: scene.replay.candidates, chosen: scene.replay.chosen ?? -1 }] : scene.pads;
  if (sheets.length !== shown.length) {
    sheets = shown.map((_, place) => {
      const sheet = { head: element("h2"), phrase: element("p", { className: "phrase" }), typed: element("p", { className: "typed" }), words: element("ol", { className: "words" }) };
      sheet.typed.setAttribute("aria-live", "polite");
      sheet.box = element("div", { className: "sheet" }, sheet.head, sheet.phrase, sheet.typed, sheet.words);
      sheet.place = place;
      return sheet;
    });
    $("texts").replaceChildren(...sheets.map((sheet) => sheet.box));
  }
  shown.forEach((pad, i) => {
    sheets[i].head.textContent = shown.length > 1 ? pad.condition : "";
    sheets[i].head.hidden = shown.length < 2;
    sheets[i].phrase.textContent = scene.phrase;
    sheets[i].phrase.hidden = !scene.phrase;
    fill(i, pad.text, pad.candidates, pad.chosen);
  });
}

function fill(place, text, candidates, chosen) {
  const sheet = sheets[place];
  if (!sheet) return;
  sheet.typed.textContent = text;
  sheet.words.hidden = !overlays.candidates;
  const fixed = Boolean(scene.replay);
  // Buttons are kept and only their words change: a list that is made anew would lose the keyboard's focus.
  while (sheet.words.children.length > candidates.length) sheet.words.lastChild.remove();
  while (sheet.words.children.length < candidates.length) {
    const rank = sheet.words.children.length;
    const word = element("button", { type: "button", onclick: (event) => press("choose", event, place, rank) });
    word.dataset.rank = rank;
    sheet.words.append(element("li", {}, word));
  }
  candidates.forEach((word, rank) => {
    const button = sheet.words.children[rank].firstChild;
    button.textContent = word;
    button.disabled = fixed || role === "experimenter";
    button.setAttribute("aria-current", rank === chosen ? "true" : "false");
  });
}

const strokeButtons = [["accept", "Accept"], ["next", "Next word"], ["delete", "Delete"], ["undo", "Undo"], ["redo", "Redo"]];

function buttons() {
  const row = [];
  const types = scene.takes_touches && scene.activity !== "calibrate";
  if (types && role !== "experimenter")
    for (const place of scene.pads.keys())
      for (const [action, label] of strokeButtons) {
        const name = scene.pads.length > 1 ? `${label}, ${scene.pads[place].condition}` : label;
        const made = element("button", { type: "button", textContent: name, onclick: (event) => press(action, event, place) });
        made.dataset.action = action;
        row.push(made);
      }
  scene.buttons.forEach(({ label, send }, i) => {
    const made = element("button", { type: "button", textContent: label, className: i === 0 && send.type === "next" && !scene.workload ? "main" : "" });
    made.dataset.send = send.type;
    made.onclick = (event) => {
      if (send.type === "next" && types && scene.activity === "study") press("done", event);
      else wire.say(send);
    };
    row.push(made);
  });
  const old = $("buttons");
  const same = old.children.length === row.length && row.every((made, i) => old.children[i].textContent === made.textContent);
  if (same) row.forEach((made, i) => (old.children[i].onclick = made.onclick));
  else old.replaceChildren(...row);
}

function rest() {
  clearInterval(restTimer);
  const clock = $("rest");
  clock.hidden = !scene.rest_s;
  if (!scene.rest_s) return;
  const until = performance.now() + scene.rest_s * 1000;
  const show = () => {
    const left = Math.max(0, Math.ceil((until - performance.now()) / 1000));
    clock.textContent = `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}`;
  };
  show();
  restTimer = setInterval(show, 500);
}

// ---- what the work was like ----

const shuffled = (list) => list.map((one) => [Math.random(), one]).sort(([a], [b]) => a - b).map(([, one]) => one);

function workload() {
  const box = $("workload"), form = scene.workload;
  box.hidden = !form || role === "experimenter";
  if (box.hidden) { box.replaceChildren(); box.dataset.about = ""; return; }
  if (box.dataset.about === scene.title) return; // what is half filled in stays
  box.dataset.about = scene.title;
  const ratings = {}, chosen = {}, titles = Object.fromEntries(form.scales.map(([name, title]) => [name, title]));
  const question = (id, title, note, ...controls) => element("fieldset", { id }, element("legend", { textContent: title }), element("p", { className: "note", textContent: note }), ...controls);
  const scales = form.scales.map(([name, title, asks, low, high]) => {
    const says = element("output", { className: "note", textContent: "not rated yet" });
    const slider = element("input", { type: "range", id: `rate-${name}`, min: 0, max: 100, step: 5, value: 50, ariaLabel: `${title}, from ${low} to ${high}` });
    const rate = () => { ratings[name] = Number(slider.value); says.textContent = `${slider.value} of 100`; };
    // The middle is an answer too: a touch that leaves the slider where it is counts.
    for (const event of ["input", "pointerup", "keyup"]) slider.addEventListener(event, (e) => e.key !== "Tab" && e.key !== "Shift" && rate());
    return question(`scale-${name}`, title, asks, element("div", { className: "ends" }, element("span", { textContent: low }), says, element("span", { textContent: high })), slider);
  });
  const pairs = shuffled(form.pairs.map((names, i) => [names, i])).map(([names, i]) => question(`pair-${i}`, "Which of the two mattered more to the work?", "", ...shuffled(names).map((name) => {
    const tick = element("input", { type: "radio", name: `pair-${i}`, value: name });
    tick.onchange = () => { chosen[i] = name; };
    return element("label", {}, tick, titles[name]);
  })));
  const keep = element("button", { type: "button", id: "workload-keep", className: "main", textContent: "Keep these answers" });
  keep.onclick = () => {
    const open = [...form.scales.filter(([name]) => !(name in ratings)).map(([name]) => `scale-${name}`), ...pairs.map(({ id }) => id).filter((id) => id.startsWith("pair-") && !(id.slice(5) in chosen))];
    $("problem").hidden = true;
    if (!open.length) { wire.say({ type: "workload", ratings, chosen: form.pairs.map((_, i) => chosen[i]) }); return; }
    say(`${open.length} of the questions ${open.length === 1 ? "has" : "have"} no answer yet.`);
    $(open[0]).querySelector("input").focus();
  };
  box.replaceChildren(...scales, ...pairs, keep);
}

// ---- choosing ----

const options = (names) => names.map((name) => element("option", { value: name, textContent: name }));

function choose() {
  if (!welcome) return;
  const boxes = [];
  const box = (title, note, ...controls) => boxes.push(element("fieldset", {}, element("legend", { textContent: title }), element("p", { className: "note", textContent: note }), ...controls));
  const labelled = (text, control) => element("label", {}, text, control);
  const start = (label, id, message) => element("button", { type: "button", id, className: "main", textContent: label, onclick: () => wire.say({ type: "start", ...message() }) });
  const code = (id) => {
    const made = element("input", { type: "text", id, maxLength: 64, autocomplete: "off", spellcheck: false, placeholder: "p1" });
    made.setAttribute("autocapitalize", "off");
    return made;
  };
  const who = code("calibrate-code"), where = element("select", { id: "calibrate-condition" }, ...options(welcome.conditions));
  const keys = element("select", { id: "calibrate-keys" }, ...options(["drawn", "faint", "invisible"]));
  box("Calibrate", "Touch the keys that are named; a model of where your touches land is fitted.", labelled("Code", who), labelled("Layout", where), labelled("Keys", keys), start("Calibrate", "calibrate-start", () => ({ activity: "calibrate", ...(who.value ? { participant: who.value.trim() } : {}), conditions: [where.value], keys: keys.value })));
  const one = element("select", { id: "try-one" }, ...options(welcome.conditions)), two = element("select", { id: "try-two" }, element("option", { value: "", textContent: "none" }), ...options(welcome.conditions));
  box("Try", "Type freely; nothing is kept.", labelled("Layout", one), labelled("Beside it", two), start("Try it", "try-start", () => ({ activity: "try", conditions: [one.value, ...(two.value ? [two.value] : [])] })));
  if (welcome.has_study) {
    const person = element("select", { id: "study-code" }, ...options(welcome.participants));
    box("Study", "One participant's phrases, in the plan's order. It goes on where it stopped.", labelled("Code", person), start("Begin or go on", "study-start", () => ({ activity: "study", participant: person.value })));
  }
  if (welcome.logs.length) {
    const log = element("select", { id: "replay-log" }, ...options(welcome.logs));
    box("Replay", "A study log, touch by touch.", labelled("Log", log), start("Replay", "replay-start", () => ({ activity: "replay", log: log.value })));
  }
  $("choose").replaceChildren(...boxes);
}

// ---- replay ----

function player() {
  clearTimeout(playTimer);
  const box = $("player");
  box.hidden = scene.activity !== "replay";
  if (box.hidden) { box.dataset.playing = ""; return; }
  const go = (at) => wire.say({ type: "seek", at: Math.max(0, at) });
  const at = scene.done - 1;
  if (!box.firstChild) {
    const play = element("button", { type: "button", id: "play", className: "main" });
    play.onclick = () => { box.dataset.playing = box.dataset.playing ? "" : "yes"; player(); };
    const slider = element("input", { type: "range", id: "seek", min: 0 });
    slider.oninput = () => { box.dataset.playing = ""; go(Number(slider.value)); };
    const pace = element("select", { id: "pace" }, ...options(["1", "2", "4", "8"]));
    pace.onchange = () => { speed = Number(pace.value); };
    const back = element("button", { type: "button", id: "step-back", textContent: "Back" }), on = element("button", { type: "button", id: "step-on", textContent: "On" });
    box.append(element("div", { className: "buttons" }, play, back, on, element("label", {}, "Times as fast", pace)), element("label", {}, "Event", slider), element("p", { className: "note", id: "event-says" }));
  }
  $("step-back").onclick = () => go(at - 1);
  $("step-on").onclick = () => go(at + 1);
  $("seek").max = scene.total - 1;
  $("seek").value = at;
  const { event, t, key, next_s } = scene.replay;
  $("event-says").textContent = `${event}${key ? ` on ${key}` : ""}, ${t.toFixed(2)} s`;
  if (next_s === null) box.dataset.playing = "";
  $("play").textContent = box.dataset.playing ? "Pause" : "Play";
  if (box.dataset.playing) playTimer = setTimeout(() => go(at + 1), Math.min(2000, next_s * 1000) / speed);
}

// ---- pad and screen ----

function view() {
  const box = element("fieldset", {}, element("legend", { textContent: "Pad" }));
  const keys = element("select", { id: "view-keys" }, ...options(["drawn", "faint", "invisible"]));
  keys.onchange = () => wire.say({ type: "show", keys: keys.value });
  box.append(element("label", {}, "Keys", keys));
  for (const [field, label, min, max, step] of [["rotation_deg", "Turned (degrees)", -180, 180, 5], ["scale", "Times as large", 0.5, 6, 0.25], ["right_mm", "Moved right (mm)", -60, 60, 1], ["down_mm", "Moved down (mm)", -60, 60, 1]]) {
    const slider = element("input", { type: "range", id: `view-${field}`, min, max, step, value: field === "scale" ? 1 : 0 });
    const value = element("span", { className: "note", id: `says-${field}` });
    slider.oninput = () => { value.textContent = slider.value; };
    slider.onchange = () => wire.say({ type: "show", [field]: Number(slider.value) });
    box.append(element("label", {}, label, value, slider));
  }
  const over = element("fieldset", {}, element("legend", { textContent: "Laid over, on this device" }));
  for (const [name, label] of [["touches", "Touches"], ["ellipses", "Ellipses that hold 95 % of the model's touches"], ["candidates", "Words offered"]]) {
    const tick = element("input", { type: "checkbox", id: `over-${name}`, checked: overlays[name] });
    tick.onchange = () => { overlays[name] = tick.checked; render(); };
    over.append(element("label", {}, tick, label));
  }
  $("view-body").replaceChildren(cardControl(() => { wire.introduce(); render(); }), box, over);
}

// The controls follow what any device set.
function viewed() {
  for (const field of ["keys", "rotation_deg", "scale", "right_mm", "down_mm"]) {
    const control = $(`view-${field}`);
    if (control && control !== document.activeElement) control.value = scene[field];
    const value = $(`says-${field}`);
    if (value) value.textContent = scene[field];
  }
}

// ---- the experimenter ----

const quantile = (values, share) => {
  const sorted = [...values].sort((a, b) => a - b);
  return sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))];
};

function watch({ clients, delays_ms }) {
  const table = element("table", {}, element("caption", { textContent: "Devices" }), element("tr", {}, ...["role", "device", "px a mm"].map((text) => element("th", { scope: "col", textContent: text }))));
  for (const client of clients) {
    const size = client.pixels_per_mm ? `${client.pixels_per_mm.toFixed(2)}${client.calibrated ? "" : " (not measured)"}` : "";
    table.append(element("tr", {}, ...[client.role + (client.is_pad ? ", the pad" : ""), client.device, size].map((text) => element("td", { textContent: text }))));
  }
  const delays = element("p", { id: "delays", textContent: delays_ms.length ? `Touch to paint: ${delays_ms.length} touches, half within ${quantile(delays_ms, 0.5).toFixed(0)} ms, 95 in 100 within ${quantile(delays_ms, 0.95).toFixed(0)} ms` : "Touch to paint: no touches yet" });
  const body = $("watch-body");
  const invite = body.querySelector("#invite") ?? inviteBox();
  body.replaceChildren(element("div", {}, table, delays), invite);
}

function inviteBox() {
  const as = element("select", { id: "invite-role" }, ...options(["pad", "display", "both", "experimenter", "sensor"]));
  const ask = element("button", { type: "button", textContent: "Make a one-time address", disabled: !welcome?.shared });
  ask.onclick = () => wire.say({ type: "invite", role: as.value });
  const note = welcome?.shared ? "An address lets one device in, once, within ten minutes." : "Only this machine can reach the lab. Start it with --share to let other devices in.";
  return element("fieldset", { id: "invite" }, element("legend", { textContent: "Another device" }), element("p", { className: "note", textContent: note }), element("label", {}, "As", as), ask, element("div", { className: "code", id: "invitation" }));
}

function invitation({ url, qr, role: as }) {
  $("invitation")?.replaceChildren(element("img", { src: qr, alt: `QR code of a one-time address for a ${as}` }), element("p", {}, element("code", { textContent: url })));
}

view();
if (role === "experimenter") {
  $("watch").hidden = false;
  $("watch").open = true;
}
document.body.dataset.role = role;
