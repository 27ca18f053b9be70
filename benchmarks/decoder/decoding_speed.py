"""Word decoding: time a word against exhaustive numpy, one word at a time and in batches; live latency;
growth with the lexicon; threads; cold start.

    python benchmarks/decoder/decoding_speed.py [--words N] [--parts ratio,live,growth,threads,cold]

Ratios are taken in one run on the same touches. Contexts come from the evaluation text under NEARKEY_DATA;
without it the parts with context are left out and say so.
"""

from __future__ import annotations

import itertools
import re
import statistics
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parents[2] / "tests" / "support")]

from decoder_words import SPREAD, TouchedWords, workload
from harness import held_out_lines, measured, options
from sections import Section, save, section
from small_models import PlainModel, SmallLexicon, SmallPack

import nearkey as nk
from nearkey.decode.exhaustive import Exhaustive
from nearkey.decode.live import Stream

REPEATS = 5


def per_word_us(
    work: Callable[[], object], words: int, clock: Callable[[], float] = time.process_time
) -> float:
    """Median over the repeats of the time a word takes, in microseconds: the processor's, or another clock's."""
    times = []
    for _ in range(REPEATS):
        start = clock()
        work()
        times.append(clock() - start)
    return statistics.median(times) / words * 1e6


def ratio(pack: nk.language.Pack, words: int) -> Section:
    """One word at a time and batched against exhaustive numpy, with and without context."""
    rows: list[list[object]] = []
    notes = [
        f"26 keys, spread {SPREAD} of a key on each axis, matched touch model, top 3, processor time of one thread, "
        f"{len(pack.lexicon):,} words, seed 7; median of {REPEATS} runs.",
        "The yardstick scores all words of the length in numpy: densities by the same touch model, a sum of gathered "
        "columns, argpartition.",
        "Background: a uniform density that bounds the damage of an outlier, the touch model's default. It lifts the bounds "
        "of the search, so more prefixes are visited.",
    ]
    settings = [(False, 0.0), (False, 0.01), (True, 0.01)]
    if not held_out_lines():
        settings.pop()
        notes.append("No context rows: NEARKEY_DATA names no evaluation text.")
    for context, background in settings:
        load = workload(pack, words=words, seed=7, context=context, background=background)
        decoder = nk.Decoder(load.layout, load.touch, pack)
        each, slow = load.each(), Exhaustive(decoder)
        few = each[: 300 if context else 1000]

        def single(decoder=decoder, each=each) -> object:
            return [decoder.decode(points, context=state, k=3) for points, state in each]

        def batch(load=load, decoder=decoder) -> Any:
            return load.batch(decoder, k=3)

        def exhaustive(slow=slow, few=few) -> list[Any]:
            return [slow.decode(points, state=state, k=3) for points, state in few]

        found, scores = batch()
        same = sum(
            np.allclose(ours[: len(wanted)], wanted, atol=1e-6)
            for ours, (_, wanted) in zip(scores, exhaustive(), strict=False)
        )
        name = ("context" if context else "no context") + (", background 1 %" if background else "")
        base = per_word_us(exhaustive, len(few))
        accuracy = [load.accuracy(found, k) for k in (1, 3)]
        agree = f"{same} of {len(few)}"
        for method, us in (
            ("exhaustive numpy, words of the length", base),
            ("nearkey, one word at a time from Python", per_word_us(single, words)),
            ("nearkey, batched in the kernel", per_word_us(batch, words)),
        ):
            rows.append([name, method, us, base / us, *accuracy, agree])
    return section(
        title="Decoding a word: exact search against exhaustive scoring",
        order=30,
        timed=True,
        columns=(
            "language; method; microseconds a word|2; times faster|1; top-1|%; top-3|%; "
            "same top 3 as exhaustive"
        ),
        rows=rows,
        notes=notes,
    )


NO_TOUCHES = np.empty((0, 2))


def commits(decoder: nk.Decoder, words: int, clock: Callable[[], float]) -> list[float]:
    """What each word taken costs in running text: the state after it, the language model's vector, the next words."""
    lines = held_out_lines() or [
        "the pole is on the north side of the road and the level stands by the gate"
    ]
    times: list[float] = []
    for line in itertools.cycle(lines[:: max(1, len(lines) // words)]):
        for end in re.finditer(r"\S+", line):
            text = line[: end.end()]
            start = clock()
            decoder.candidates(NO_TOUCHES, context=decoder.state_after(text), k=5)
            times.append(clock() - start)
            if len(times) == words:
                return times
    return times


def taps(
    decoder: nk.Decoder,
    load: TouchedWords,
    clock: Callable[[], float],
    answer: Callable[[Any, Any, int, Stream], object],
) -> list[float]:
    """What each touch costs once the word before it is taken; `answer` is given its points, state, number and stream."""
    times = []
    for points, state in load.each(decoder.pack.language_model.start()):
        decoder.candidates(NO_TOUCHES, context=state, k=5)
        stream = decoder.start(context=state, k=5)
        for n in range(1, len(points) + 1):
            start = clock()
            answer(points, state, n, stream)
            times.append(clock() - start)
    return times


def tapped(points: Any, state: Any, n: int, stream: Stream) -> object:
    """One more touch of a stream."""
    return stream.tap(*points[n - 1])


def live(pack: nk.language.Pack, words: int) -> list[Section]:
    """A word taken to the next words, and a touch to its list, through the Python API; what a word costs in all."""
    load = workload(pack, words=words, seed=11, context=held_out_lines() is not None)
    edits = nk.EditCosts.typical(load.layout)
    decoder = nk.Decoder(load.layout, load.touch, pack, edits=edits)
    plain = nk.Decoder(load.layout, load.touch, pack)
    now = time.perf_counter
    taps(plain, load, now, tapped)  # warm
    rows: list[list[object]] = []
    for name, times in (
        ("a word taken: state after the text, vector, next words", commits(decoder, words, now)),
        ("Stream.tap: words, edits, completions, context, spelling", taps(decoder, load, now, tapped)),
        ("Decoder.candidates: the same from all touches of the word", taps(
            decoder, load, now, lambda p, state, n, _: decoder.candidates(p[:n], context=state, k=5)
        )),
        ("Decoder.decode: words, edits, completions, context", taps(
            decoder, load, now,
            lambda p, state, n, _: decoder.decode(p[:n], context=state, k=5, completions=True),
        )),
        ("Stream.tap: words, context, spelling", taps(plain, load, now, tapped)),
    ):  # fmt: skip
        rows.append([name, len(times), *(1e6 * np.quantile(times, [0.5, 0.95, 0.99, 1.0]))])
    setting = (
        f"26 keys, spread {SPREAD} of a key, {len(pack.lexicon):,} words, 5 candidates, seed 11."
    )
    latency = section(
        title="Live latency: from a word taken to the next words, from a touch to its candidates",
        order=31,
        timed=True,
        columns=[
            "call",
            "times",
            *(f"{n} (microseconds)|0" for n in ("median", "95 %", "99 %", "most")),
        ],
        rows=rows,
        notes=[
            f"{setting} Touches: {load.source}; words taken: running text of en_ewt_eval, word by word.",
            "The vector of a context model is made when a word is taken, before the first touch of the next.",
        ],
    )
    costs: list[list[object]] = []
    for name, context in (("n-gram table", False), ("table and network", True)):
        engine = nk.Decoder(
            load.layout, load.touch, nk.load_pack(pack.folder, context_model=context), edits=edits
        )
        own = workload(engine.pack, words=words, seed=11, context=held_out_lines() is not None)
        taken = sum(commits(engine, words, time.process_time)) / words * 1e3
        touched = sum(taps(engine, own, time.process_time, tapped)) / words * 1e3
        costs.append([name, taken, touched, taken + touched])
    cost = section(
        title="What a word costs: processor time",
        order=31,
        timed=True,
        columns="language model; taking the word (ms)|2; its touches (ms)|2; all (ms a word)|2",
        rows=costs,
        notes=[f"{setting} One thread; the same calls as above."],
    )
    return [latency, cost]


def pack_of_size(pack: nk.language.Pack, size: int) -> SmallPack:
    """The pack's most probable words, then strings drawn from its letter model (invented words), to be read without
    context."""
    log_probs = np.asarray(pack.lexicon.log_probs, np.float64)
    keep = np.sort(np.argsort(-log_probs, kind="stable")[:size])
    words = [pack.lexicon.words[i] for i in keep]
    letters, seen, rng = pack.letter_model, set(words), np.random.default_rng(5)
    cumulated = cache(lambda key: np.cumsum(np.exp(letters.next_log_probs(key))))
    while len(words) < size:
        word = ""
        while len(word) < 20:
            chances = cumulated(word[-4:])
            at = int(np.searchsorted(chances, rng.random() * chances[-1]))
            if at == len(letters.symbols):
                break
            word += letters.symbols[at]
        if word and word not in seen:
            seen.add(word)
            words.append(word)
    tail = np.full(size - len(keep), log_probs.min())
    lexicon = SmallLexicon(words, np.concatenate([log_probs[keep], tail]).astype(np.float32))
    return SmallPack(lexicon, PlainModel(words))


def growth(pack: nk.language.Pack, words: int) -> Section:
    """Time and memory as the lexicon grows."""
    load = workload(pack, words=words, seed=13)
    rows: list[list[object]] = []
    for size in (10_000, 30_000, 60_000, 120_000, 250_000, 500_000):
        sized = pack_of_size(pack, size)
        start = time.perf_counter()
        decoder = nk.Decoder(load.layout, load.touch, sized)
        decoder.decode(load.points[:5], k=1)  # the tries are made when first used
        build_ms = (time.perf_counter() - start) * 1e3
        us = [per_word_us(lambda d=decoder, k=k: load.batch(d, k=k), words) for k in (1, 3, 10)]
        rows.append([size, *us, build_ms, decoder.kernel_bytes / 1e6])
    return section(
        title="Growth with the lexicon",
        order=32,
        timed=True,
        columns=[
            "words",
            *(f"microseconds a word, top {k}|2" for k in (1, 3, 10)),
            "making the tries (ms)|0",
            "tries (MB)|1",
        ],
        rows=rows,
        notes=[
            "No context, batched, one thread. Words beyond the pack's are drawn from its letter model (invented) at "
            "the probability of its rarest word.",
        ],
    )


def threads(pack: nk.language.Pack, words: int) -> Section:
    """Two threads with two decoders over one pack, against one."""
    load = workload(pack, words=words, seed=17, context=held_out_lines() is not None)
    engines = [nk.Decoder(load.layout, load.touch, pack) for _ in range(2)]

    def run(engine: nk.Decoder) -> None:
        load.batch(engine, k=3)

    now = time.perf_counter
    one = per_word_us(lambda: run(engines[0]), words, now)
    with ThreadPoolExecutor(2) as workers:
        two = per_word_us(lambda: list(workers.map(run, engines)), 2 * words, now)
    shared = per_word_us(lambda: load.batch(engines[0], k=3, threads=2), words, now)
    return section(
        title="Threads",
        order=33,
        timed=True,
        columns="workers; microseconds a word|2; times one thread|2",
        rows=[
            ["one thread, one decoder", one, 1.0],
            ["two threads, two decoders over one pack", two, one / two],
            ["one decoder, two threads inside the kernel", shared, one / shared],
        ],
        notes=[
            f"{words:,} words each, {load.source}, top 3, batched. The machine was otherwise idle if `cores` says so."
        ],
    )


COLD = """
import time; start = time.perf_counter()
import nearkey as nk
layout = nk.Layout.named("qwerty")
touch = nk.GaussianTouch.from_layout(layout, spread=0.45)
imported = time.perf_counter()
pack = nk.load_pack("en")
loaded = time.perf_counter()
decoder = nk.Decoder(layout, touch, pack)
points = [layout.centers[layout.key_of_letter[c]] for c in "level"]
best = decoder.decode(points, context="the pole is")[0].text
done = time.perf_counter()
import json
def rss():
    status = {l.split(":")[0]: l.split(":")[1] for l in open("/proc/self/status")}
    return [int(status[n].split()[0]) / 1024 for n in ("VmRSS", "RssAnon")]
first = rss()
typist = nk.Decoder(layout, touch, pack, edits=nk.EditCosts.typical(layout))
text = ""
for word in 20 * "the pole is on the north side of the road ".split():
    stream = typist.start(context=text, k=5)
    for c in word:
        stream.tap(*layout.centers[layout.key_of_letter[c]])
    text += word + " "
print(json.dumps([imported - start, loaded - imported, done - loaded, done - start, *first, *rss(), best]))
"""


def cold(pack: nk.language.Pack, words: int) -> Section:
    """A fresh interpreter to its first decoded word."""
    runs = [measured(COLD) for _ in range(7)]
    assert {r[-1] for r in runs} == {"level"}, runs
    middle = [statistics.median(r[i] for r in runs) for i in range(8)]
    return section(
        title="Cold start: import, load the English pack, decode the first word",
        order=34,
        timed=True,
        columns=[
            *(f"{n} (ms)|0" for n in ("import", "load the pack", "first decode", "all")),
            *(f"{n} (MiB)|0" for n in ("resident memory", "of it private")),
            *(f"{n} (MiB)|0" for n in ("after 200 words typed", "of it private, then")),
        ],
        rows=[[*(m * 1e3 for m in middle[:4]), *middle[4:]]],
        notes=["Median of 7 fresh interpreters; files in the page cache."],
    )


def main() -> None:
    parts = {"ratio": ratio, "live": live, "growth": growth, "threads": threads, "cold": cold}
    asked = options(__doc__, words=5000, parts=list(parts), pack="en")
    pack = nk.load_pack(asked.pack)
    for name in asked.parts:
        found = parts[name](pack, asked.words)
        save(f"decoder_{name}", *([found] if isinstance(found, Section) else found))


if __name__ == "__main__":
    main()
