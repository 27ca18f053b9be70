"""nearkey against general-purpose decoders on the same touches, lexicon and probabilities, in one run.

    bash benchmarks/yardsticks/setup.sh
    NEARKEY_DATA=... .yardsticks/bin/python benchmarks/decoder/yardsticks.py

Without context: one word at a time (nearkey: batched in the kernel, and one at a time). With context: whole
sentences of the evaluation text whose spaces are certain; the speech decoder carries its own context from word
to word, nearkey decodes each word after the words it decoded before, by the same n-gram table, and once more by the
whole pack. Times are processor time of one thread.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent / "yardsticks")]

from decoder_words import SPREAD, workload
from engines import (
    LETTERS,
    FiniteState,
    SpeechBeam,
    SpeechLexicon,
    frames_of,
    write_unigram_arpa,
)
from harness import needed_lines, options
from sections import Section, save, section

import nearkey as nk
from nearkey.decode.exhaustive import Exhaustive
from nearkey.packs.arpa import exported_model
from nearkey.simulate.workload import running_words

COMMAND = ".yardsticks/bin/python benchmarks/decoder/yardsticks.py"


def timed(work: Callable[[], Any], repeats: int) -> tuple[Any, float]:
    """The answer, and the least processor time of a run in seconds."""
    best, answer = float("inf"), None
    for _ in range(repeats):
        start = time.process_time()
        answer = work()
        best = min(best, time.process_time() - start)
    return answer, best


def no_context(pack: nk.language.Pack, words: int, folder: Path) -> Section:
    load = workload(pack, words=words, seed=7)
    decoder = nk.Decoder(load.layout, load.touch, pack)
    slow = Exhaustive(decoder)
    names = pack.lexicon.words
    log_probs = np.asarray(pack.lexicon.log_probs)
    arpa = folder / "unigram.arpa"
    write_unigram_arpa(arpa, names, log_probs)
    columns = [int(decoder.columns.letter[decoder.letters.index(c)]) for c in LETTERS]
    points = load.word_points()
    densities = [load.touch.log_prob(p)[:, columns] for p in points]
    truth = [names[i] for i in load.index]

    def batch() -> list[list[str]]:
        found, _ = load.batch(decoder, k=3)
        return [[names[w] for w in row if w >= 0] for row in found.tolist()]

    engines: list[tuple[str, Callable[[], list[list[str]]], int]] = [
        ("nearkey, batched in the kernel", batch, words),
        (
            "nearkey, one word at a time from Python",
            lambda: [[c.word for c in decoder.decode(p, k=3)] for p in points],
            words,
        ),
        (
            "exhaustive numpy, words of the length",
            lambda: [[names[i] for i in slow.decode(p, k=3)[0]] for p in points[:500]],
            min(500, words),
        ),
    ]
    for beam in (50, 100, 200):
        speech = SpeechLexicon(names, arpa, log_probs, beam=beam)
        frames = [frames_of([d]) for d in densities]
        engines.append(
            (
                f"flashlight-text lexicon decoder, beam {beam}",
                lambda s=speech, f=frames: [s.decode_frames(x, 3) for x in f],
                words,
            )
        )
    finite = FiniteState(names, log_probs)
    few = min(100, words)
    engines.append(
        (
            "pynini composition, shortest paths",
            lambda: [finite.decode(d, 3) for d in densities[:few]],
            few,
        )
    )
    python = SpeechBeam(names, arpa, beam=100)
    engines.append(
        ("pyctcdecode, beam 100", lambda: [python.decode(d, 3) for d in densities[:few]], few)
    )

    rows: list[list[Any]] = []
    ours = 0.0
    for name, work, n in engines:
        found, seconds = timed(work, 3 if n > 500 else 1)
        us = seconds / n * 1e6
        ours = ours or us
        right = [np.mean([t in f[:k] for f, t in zip(found, truth, strict=False)]) for k in (1, 3)]
        rows.append([name, n, us, us / ours, *right])
        print(*rows[-1], sep="\t", flush=True)
    return section(
        title="Word decoding without context: nearkey and general-purpose decoders",
        order=35,
        command=COMMAND,
        timed=True,
        columns="decoder; words; microseconds a word|1; times nearkey batched|1; top-1|%; top-3|%",
        rows=rows,
        notes=[
            f"26 keys, spread {SPREAD} of a key, {len(names):,} words drawn by frequency, top 3, one thread, processor time, seed 7.",
            "The others get the densities of the touches ready made; nearkey computes them inside what is timed.",
            "How each was set to do the same work: benchmarks/yardsticks/engines.py.",
        ],
    )


def with_context(pack: nk.language.Pack, sentences: int, folder: Path) -> Section:
    layout = nk.Layout.named("qwerty")
    touch = nk.GaussianTouch.from_layout(layout, spread=SPREAD)
    decoder = nk.Decoder(layout, touch, nk.load_pack(pack.folder, context_model=False))
    rng = np.random.default_rng(3)
    pool = [s for line in needed_lines() for s in running_words(pack, line) if 4 <= len(s) <= 15]
    pool = [s for s in pool if all(w in pack.lexicon and set(w) <= set(LETTERS) for w in s)]
    chosen = [pool[i] for i in rng.permutation(len(pool))[:sentences]]
    touches = [[touch.sample([layout.key_of_letter[c] for c in w], rng) for w in s] for s in chosen]
    words = sum(map(len, chosen))
    arpa = folder / "pack.arpa"
    print("writing the pack's table as ARPA", flush=True)
    exported_model(pack).save(arpa)
    columns = [int(decoder.columns.letter[decoder.letters.index(c)]) for c in LETTERS]
    model = decoder.pack.language_model

    def ours(decoder: nk.Decoder) -> list[list[str]]:
        model, out = decoder.pack.language_model, []
        for sentence in touches:
            state, found = model.start(), []
            for points in sentence:
                best = decoder.decode(points, context=state, k=3)
                found.append(best[0].word if best else "")
                state = model.advance(state, found[-1])
            out.append(found)
        return out

    states = []
    for sentence in chosen:
        state = model.start()
        for word in sentence:
            states.append(state)
            state = model.advance(state, word)
    flat = [p for s in touches for p in s]
    offsets = np.concatenate([[0], np.cumsum([len(p) for p in flat])])
    points = np.concatenate(flat)

    rows: list[list[Any]] = []

    def add(name: str, found: list[list[str]], seconds: float) -> None:
        right = sum(
            a == b for f, s in zip(found, chosen, strict=True) for a, b in zip(f, s, strict=False)
        )
        us = seconds / words * 1e6
        rows.append([name, words, us, us / rows[0][2] if rows else 1.0, right / words])
        print(*rows[-1], sep="\t", flush=True)

    (firsts, _), seconds = timed(
        lambda: decoder.decode_batch(points, offsets, contexts=states, k=3), 3
    )
    left = iter(firsts[:, 0].tolist())
    found = [[pack.lexicon.words[next(left)] for _ in sentence] for sentence in chosen]
    add("nearkey, batched in the kernel, contexts given", found, seconds)
    found, seconds = timed(lambda: ours(decoder), 3)
    add("nearkey, one word at a time from Python, contexts as decoded", found, seconds)
    whole = nk.Decoder(layout, touch, pack)
    found, seconds = timed(lambda: ours(whole), 1)
    add("the same with the pack's context model, of the sentence alone", found, seconds)
    events = []
    for sentence in touches:
        line: list[Any] = []
        for points in sentence:
            line += [*map(tuple, points.tolist()), " "]
        events.append(line)
    found, seconds = timed(
        lambda: [
            list(decoder.decode_sentence(e, k=1, missing_space=-np.inf)[0].words) for e in events
        ],
        1,
    )
    add("nearkey, whole sentences (decode_sentence), spaces certain", found, seconds)
    for beam in (50, 100):
        speech = SpeechLexicon(
            pack.lexicon.words, arpa, np.asarray(pack.lexicon.log_probs), beam=beam
        )
        frames = [frames_of([touch.log_prob(p)[:, columns] for p in s]) for s in touches]
        found, seconds = timed(lambda s=speech, f=frames: [s.decode_sentence(x) for x in f], 1)
        add(f"flashlight-text lexicon decoder, beam {beam}, whole sentences", found, seconds)
    return section(
        title="Word decoding with full n-gram context: nearkey and a C++ speech decoder",
        order=36,
        command=COMMAND,
        timed=True,
        columns="decoder; words; microseconds a word|1; times nearkey batched|1; top-1|%",
        rows=rows,
        notes=[
            f"26 keys, spread {SPREAD} of a key, sentences of 4 to 15 lexicon words of en_ewt_eval, certain spaces, the pack's 3-gram "
            "(as ARPA for the speech decoder) in all rows but one, top 3, one thread, processor time, seed 3.",
            "nearkey's batch is given the true words before each word, its next row the words it decoded itself: live typing, where "
            "the words to come are unknown. The last rows choose all words of a sentence together, the words after each one "
            "helping; nearkey's own sentence search also weighs unknown words there.",
        ],
    )


def main() -> None:
    asked = options(__doc__, words=2000, sentences=150, parts=["words", "sentences"])
    pack = nk.load_pack("en")
    with tempfile.TemporaryDirectory() as folder:
        if "words" in asked.parts:
            save("yardsticks_words", no_context(pack, asked.words, Path(folder)))
        if "sentences" in asked.parts:
            save("yardsticks_context", with_context(pack, asked.sentences, Path(folder)))


if __name__ == "__main__":
    main()
