// A prototype's firmware, in another language: it sends touches in its own units to the lab and gets candidates back.
//
//   node examples/lab_sensor.mjs level nearkey lab examples/stylus-pad/lab.toml --stdin --port 0
//
// The first argument is a word; the rest is the command of the lab, which takes messages a line each. The sensor here is
// made up: 1024 counts across and 1024 down a film of 20 x 14 mm, whose corner lies 1 mm left of and above the pad's, and whose
// counts run upwards. Needs Node.js and nothing else. The messages are described in docs/lab.md.

import { spawn } from "node:child_process";
import { createInterface } from "node:readline";

const [word, command, ...rest] = process.argv.slice(2);
if (!command) {
  console.error("usage: node lab_sensor.mjs WORD COMMAND [ARGUMENT...]");
  process.exit(2);
}
const lab = spawn(command, rest, { stdio: ["pipe", "pipe", "inherit"] });
lab.on("error", (fault) => { console.error(`${command}: ${fault.message}`); process.exit(2); });
const say = (message) => lab.stdin.write(JSON.stringify(message) + "\n");

// Counts to millimetres on the pad, as the lab is told: x = 20/1024 u - 1, y = -14/1024 v + 13.
const affine = [20 / 1024, 0, -1, 0, -14 / 1024, 13];
const counts = ([x, y]) => [Math.round((x + 1) * (1024 / 20)), Math.round((13 - y) * (1024 / 14))];
const middle = (pad, letter) => {
  const key = pad.keys.find(({ label, role }) => role === "letters" && label.toLowerCase().includes(letter));
  return [key.x + key.w / 2, key.y + key.h / 2];
};

let n = 0, pad = null;
const touch = (place, to) => {
  const [x, y] = counts(place);
  say({ type: "touch", x, y, n: ++n, t_ms: performance.now(), ...(to ? { to: counts(to) } : {}) });
};

function take(message) {
  switch (message.type) {
    case "welcome":
      say({ type: "start", activity: "try", conditions: [message.conditions[0]] });
      break;
    case "scene":
      if (!message.takes_touches || pad) break;
      pad = message.pads[0];
      for (const letter of word) touch(middle(pad, letter));
      // A stroke to the right takes the word.
      touch([3, 6], [15, 6]);
      break;
    case "typed":
      console.log(`${message.action.padEnd(7)} ${message.key.padEnd(6)} ${message.candidates.join(" ")}`);
      if (message.action === "accept") {
        console.log(`text: ${message.text.trim()}`);
        lab.stdin.end();
      }
      break;
    case "problem":
      console.error(message.problem);
      process.exitCode = 1;
      lab.stdin.end();
      break;
  }
}

createInterface({ input: lab.stdout }).on("line", (line) => take(JSON.parse(line)));
lab.on("close", (code) => { process.exitCode ||= code; });
say({ type: "hello", role: "sensor", version: 1, client: "film-1", device: "capacitive film, invented", affine, t_ms: performance.now() });
