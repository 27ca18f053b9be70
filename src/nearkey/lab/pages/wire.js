// The lab's messages: a WebSocket that comes back, and touches that wait until the lab has taken them.

const clientKey = "nearkey-lab-client", waitingKey = "nearkey-lab-waiting", countKey = "nearkey-lab-count";

const stored = (key, fallback) => {
  try { return JSON.parse(sessionStorage.getItem(key)) ?? fallback; } catch { return fallback; }
};
const store = (key, value) => {
  try { sessionStorage.setItem(key, JSON.stringify(value)); } catch { /* full, or not allowed: the page goes on */ }
};

// Milliseconds on this device's clock; an event's own time where there is one.
export const clockMs = (stamp = performance.now()) => performance.timeOrigin + stamp;

const freshName = () => [...crypto.getRandomValues(new Uint8Array(9))].map((b) => b.toString(16).padStart(2, "0")).join("");

export class Wire {
  constructor(hello, onMessage, onState) {
    this.hello = hello;
    this.onMessage = onMessage;
    this.onState = onState;
    this.client = stored(clientKey, "") || freshName();
    store(clientKey, this.client);
    this.waiting = stored(waitingKey, []);
    this.n = stored(countKey, 0);
    this.sentAt = new Map();
    this.pause = 250;
    this.replaced = false;
    this.connect();
  }

  connect() {
    this.replaced = false;
    const socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/messages`);
    this.socket = socket;
    this.welcomed = false;
    socket.onopen = () => this.introduce();
    socket.onmessage = ({ data }) => this.take(JSON.parse(data));
    socket.onclose = () => {
      if (this.socket !== socket) return;
      this.welcomed = false;
      this.onState("lost");
      setTimeout(() => this.connect(), this.pause);
      this.pause = Math.min(4000, this.pause * 2);
    };
  }

  introduce() {
    this.say({ type: "hello", version: 1, client: this.client, t_ms: clockMs(), ...this.hello() });
    for (let i = 0; i < 5; i++) setTimeout(() => this.say({ type: "ping", t_ms: clockMs() }), 20 * i);
  }

  say(message) {
    if (this.socket.readyState !== WebSocket.OPEN) return false;
    this.socket.send(JSON.stringify(message));
    return true;
  }

  // A touch or a button: numbered, and kept until the lab answers for it.
  sendCounted(message) {
    this.n += 1;
    store(countKey, this.n);
    const counted = { ...message, n: this.n };
    this.waiting.push(counted);
    store(waitingKey, this.waiting);
    this.sentAt.set(counted.n, performance.now());
    if (this.welcomed) this.say(counted);
    return counted.n;
  }

  answered(n) {
    this.waiting = this.waiting.filter((message) => message.n !== n);
    store(waitingKey, this.waiting);
    const sent = this.sentAt.get(n);
    this.sentAt.delete(n);
    return sent === undefined ? null : performance.now() - sent;
  }

  take(message) {
    if (message.type === "welcome") {
      this.welcomed = true;
      this.pause = 250;
      this.n = Math.max(this.n, message.last_n);
      this.onState("joined");
      for (const counted of this.waiting) this.say(counted);
    }
    if (message.type === "replaced") {
      this.replaced = true;
      this.onState("replaced");
    }
    const own = message.client === undefined || message.client === this.client;
    let roundTrip = null;
    if (message.n && own && ["typed", "ack", "problem"].includes(message.type)) roundTrip = this.answered(message.n);
    this.onMessage(message, own, roundTrip);
  }
}
