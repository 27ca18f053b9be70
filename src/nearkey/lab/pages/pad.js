// A pad: keys drawn in millimetres, and the touches on it and about it.

import { clockMs } from "./wire.js";

const svgName = "http://www.w3.org/2000/svg";
const longestPath = 64;

function make(name, attributes, parent) {
  const element = document.createElementNS(svgName, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  parent?.append(element);
  return element;
}

export class Pad {
  // zone: takes touches on the pad and beside it. onTouch(touch, stamp): told when a contact ends.
  constructor(place, onTouch) {
    this.place = place;
    this.onTouch = onTouch;
    this.zone = document.createElement("div");
    this.zone.className = "zone";
    this.zone.dataset.pad = place;
    this.zone.tabIndex = 0;
    this.zone.setAttribute("role", "application");
    this.heading = document.createElement("h2");
    this.svg = make("svg", {}, null);
    this.zone.append(this.heading, this.svg);
    this.contacts = new Map();
    this.touches = [];
    this.cross = null;
    for (const [name, take] of Object.entries({ pointerdown: this.down, pointermove: this.move, pointerup: this.up, pointercancel: this.cancel, keydown: this.key, contextmenu: (e) => e.preventDefault() }))
      this.zone.addEventListener(name, take.bind(this));
    // No gestures of the browser's own from here: a fling after a stroke would swallow the next tap on a button.
    for (const name of ["touchstart", "touchmove", "touchend"])
      this.zone.addEventListener(name, (event) => this.takes && event.cancelable && event.preventDefault(), { passive: false });
    new ResizeObserver(() => this.lay()).observe(this.zone);
  }

  draw(pad, scene, pixelsPerMm, takes, overlays) {
    const drawn = JSON.stringify([pad.keys, pad.ellipses, pad.width, pad.height]);
    this.pad = pad;
    this.scene = scene;
    this.scale = pixelsPerMm * scene.scale;
    this.takes = takes;
    this.overlays = overlays;
    this.zone.classList.toggle("watched", !takes);
    this.zone.setAttribute("aria-label", `Pad ${pad.condition}. Arrow keys move a cross, Enter touches there.`);
    this.heading.textContent = pad.condition;
    if (drawn !== this.drawn) {
      this.drawn = drawn;
      this.touches = [];
      this.build();
    }
    this.svg.setAttribute("class", scene.keys);
    for (const [id, group] of this.groups) group.classList.toggle("target", id === scene.target && scene.keys !== "invisible");
    this.lay();
    this.drawTouches();
  }

  build() {
    const { pad } = this;
    this.svg.replaceChildren();
    this.svg.setAttribute("viewBox", `0 0 ${pad.width} ${pad.height}`);
    make("rect", { class: "pad-edge", width: pad.width, height: pad.height }, this.svg);
    this.groups = new Map();
    for (const key of pad.keys) {
      const group = make("g", { class: "key", "data-key": key.id }, this.svg);
      make("rect", { x: key.x, y: key.y, width: key.w, height: key.h, rx: Math.min(key.w, key.h) * 0.08 }, group);
      const size = Math.min(key.h * 0.5, (key.w * 0.9) / Math.max(1, key.label.length * 0.8));
      make("text", { x: key.x + key.w / 2, y: key.y + key.h / 2, "font-size": size }, group).textContent = key.label;
      this.groups.set(key.id, group);
    }
    this.over = make("g", {}, this.svg);
    this.dots = make("g", {}, this.svg);
    this.lines = make("g", {}, this.svg);
  }

  // In the middle of its zone, in real millimetres, turned and moved as the scene says.
  lay() {
    if (!this.pad) return;
    const { pad, scale, scene } = this;
    const width = pad.width * scale, height = pad.height * scale;
    this.svg.setAttribute("width", width);
    this.svg.setAttribute("height", height);
    this.svg.style.left = `${this.zone.clientWidth / 2 - width / 2 + scene.right_mm * scale}px`;
    this.svg.style.top = `${this.zone.clientHeight / 2 - height / 2 + scene.down_mm * scale}px`;
    this.svg.style.transform = `rotate(${scene.rotation_deg}deg)`;
  }

  // A place on the screen in millimetres from the pad's upper left corner: turning leaves the middle where it is.
  millimetres(clientX, clientY) {
    const box = this.zone.getBoundingClientRect(), { pad, scale, scene } = this;
    const dx = (clientX - box.left - this.zone.clientLeft - this.zone.clientWidth / 2) / scale - scene.right_mm;
    const dy = (clientY - box.top - this.zone.clientTop - this.zone.clientHeight / 2) / scale - scene.down_mm;
    const turn = (-scene.rotation_deg * Math.PI) / 180;
    return [dx * Math.cos(turn) - dy * Math.sin(turn) + pad.width / 2, dx * Math.sin(turn) + dy * Math.cos(turn) + pad.height / 2];
  }

  down(event) {
    if (!this.takes || !this.pad || (event.pointerType === "mouse" && event.button !== 0)) return;
    event.preventDefault();
    this.zone.setPointerCapture(event.pointerId);
    this.contacts.set(event.pointerId, { at: this.millimetres(event.clientX, event.clientY), t: event.timeStamp, path: [], event });
  }

  move(event) {
    const contact = this.contacts.get(event.pointerId);
    if (!contact) return;
    // Places the screen did not draw: the device measures oftener than it paints.
    for (const part of event.getCoalescedEvents?.() ?? [event]) contact.path.push([part.timeStamp, ...this.millimetres(part.clientX, part.clientY)]);
  }

  up(event) {
    const contact = this.contacts.get(event.pointerId);
    if (!contact) return;
    this.contacts.delete(event.pointerId);
    const to = this.millimetres(event.clientX, event.clientY), first = contact.event;
    const touch = { x: contact.at[0], y: contact.at[1], to, t_ms: clockMs(contact.t), up_ms: clockMs(event.timeStamp), kind: event.pointerType };
    if (first.width > 1 || first.height > 1) Object.assign(touch, { width: first.width / this.scale, height: first.height / this.scale });
    if (first.pressure > 0 && event.pointerType !== "mouse") touch.pressure = Math.min(1, first.pressure);
    if (contact.path.length) {
      const step = Math.ceil(contact.path.length / longestPath);
      touch.path = contact.path.filter((_, i) => i % step === 0).map(([t, x, y]) => [clockMs(t), x, y]);
    }
    this.onTouch(this.place, touch, event.timeStamp);
  }

  cancel(event) { this.contacts.delete(event.pointerId); }

  // Without a pointer: arrow keys move a cross, Enter or space touches there.
  key(event) {
    if (!this.takes || !this.pad) return;
    const step = event.shiftKey ? 2 : 0.5, { pad } = this;
    const by = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
    const at = this.cross ?? [pad.width / 2, pad.height / 2];
    if (by) this.cross = [at[0] + by[0], at[1] + by[1]];
    else if (event.key !== "Enter" && event.key !== " ") return;
    event.preventDefault();
    this.cross ??= at;
    this.drawCross();
    if (!by) this.onTouch(this.place, { x: at[0], y: at[1], t_ms: clockMs(event.timeStamp), kind: "keyboard" }, event.timeStamp);
  }

  drawCross() {
    this.lines.replaceChildren();
    if (this.cross) make("path", { class: "cross", d: `M${this.cross[0] - 1.2} ${this.cross[1]}h2.4M${this.cross[0]} ${this.cross[1] - 1.2}v2.4` }, this.lines);
  }

  show(x, y, key) {
    this.touches.push([x, y]);
    if (this.touches.length > 60) this.touches.shift();
    this.drawTouches();
    const group = this.groups?.get(key);
    if (!group || this.scene.keys === "invisible") return;
    group.classList.add("hit");
    setTimeout(() => group.classList.remove("hit"), 130);
  }

  setTouches(touches) {
    this.touches = touches;
    this.drawTouches();
  }

  drawTouches() {
    if (!this.dots) return;
    this.over.replaceChildren();
    this.dots.replaceChildren();
    if (this.overlays.ellipses)
      for (const e of this.pad.ellipses)
        make("ellipse", { class: "ellipse", rx: e.rx, ry: e.ry, transform: `translate(${e.x} ${e.y}) rotate(${(e.angle * 180) / Math.PI})` }, this.over);
    if (this.overlays.touches)
      this.touches.forEach(([x, y], i) => make("circle", { class: i === this.touches.length - 1 ? "touch-dot" : "touch-dot old", cx: x, cy: y, r: Math.max(0.35, 3.5 / this.scale) }, this.dots));
  }
}
