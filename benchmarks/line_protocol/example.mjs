// A decoder in another language: the line protocol of nearkey's benchmark, and a whole noisy-channel decoder.
//
//   nearkey score qwerty --fit-mm 24 12 --spread-mm 1 --decoder js="node benchmarks/line_protocol/example.mjs"
//
// It scores every word with as many letters as touches: log P(word) + sum of log p(touch | key of the letter).
// The context is not used, and marks inside a word are never touched. Needs Node.js and nothing else.

import { readFileSync } from "node:fs";
import { createInterface } from "node:readline";

const say = (message) => process.stdout.write(JSON.stringify(message) + "\n");

let keyOfLetter, touch, wordsOfLength;

function getReady(hello) {
  if (hello.protocol !== "nearkey-lines" || hello.version !== 1) {
    console.error(`cannot speak ${hello.protocol} ${hello.version}`);
    process.exit(1);
  }
  keyOfLetter = new Map();
  for (const key of hello.layout.keys)
    if (key.role === "letters") for (const letter of key.letters) keyOfLetter.set(letter, key.id);
  touch = hello.touch;
  wordsOfLength = new Map();
  for (const line of readFileSync(hello.lexicon, "utf8").split("\n").filter(Boolean)) {
    const [text, logProb] = line.split("\t");
    const keys = keysOf(text);
    if (!keys) continue;
    if (!wordsOfLength.has(keys.length)) wordsOfLength.set(keys.length, []);
    wordsOfLength.get(keys.length).push({ text, keys, logProb: Number(logProb) });
  }
  say({ type: "ready", name: "example in JavaScript", version: 1 });
}

// The keys that type a word: marks need no touch, accents are left off. Null where a letter has no key.
function keysOf(word) {
  const letters = word.normalize("NFD").replace(/[\p{M}'\u2019-]/gu, "");
  const keys = [...letters].map((letter) => keyOfLetter.get(letter));
  return keys.length && keys.every(Boolean) ? keys : null;
}

const logAdd = (a, b) => {
  const high = Math.max(a, b);
  return high === -Infinity ? high : high + Math.log(Math.exp(a - high) + Math.exp(b - high));
};

// Log density of a touch under every key: a mixture of Gaussians or of Student's t's a key, over a flat background.
function densities([x, y]) {
  const found = new Map();
  const { dof } = touch;
  for (const { key, weight, mean, cov, scale } of touch.gaussians ?? touch.students) {
    const [xx, xy, yy] = cov ?? scale;
    const det = xx * yy - xy * xy;
    const dx = x - mean[0];
    const dy = y - mean[1];
    const q = (yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / det;
    const tail = dof ? ((dof + 2) / 2) * Math.log1p(q / dof) : q / 2;
    const log = Math.log(weight) - tail - Math.log(2 * Math.PI) - Math.log(det) / 2;
    found.set(key, logAdd(found.get(key) ?? -Infinity, log));
  }
  const { weight, log_density } = touch.background;
  for (const [key, log] of found)
    found.set(key, logAdd(Math.log1p(-weight) + log, Math.log(weight) + log_density));
  return found;
}

function decode({ id, points, k }) {
  const rows = points.map(densities);
  let total = -Infinity;
  const scored = [];
  for (const { text, keys, logProb } of wordsOfLength.get(points.length) ?? []) {
    let score = logProb;
    for (let i = 0; i < keys.length; i++) score += rows[i].get(keys[i]);
    total = logAdd(total, score);
    scored.push({ text, score });
  }
  scored.sort((a, b) => b.score - a.score);
  const best = scored.slice(0, k);
  const answer = { type: "answer", id, texts: best.map((b) => b.text), log_probs: best.map((b) => b.score) };
  if (best.length) answer.log_total = total;
  say(answer);
}

for await (const line of createInterface({ input: process.stdin })) {
  const message = JSON.parse(line);
  if (message.type === "hello") getReady(message);
  else if (message.type === "word") decode(message);
}
