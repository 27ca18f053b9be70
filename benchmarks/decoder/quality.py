"""What context, the letter model and completions give, on text the pack was not estimated from.

    NEARKEY_DATA=... python benchmarks/decoder/quality.py

Deterministic: the same figures on every machine.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from decoder_words import TouchedWords, demo_pad, keep_vectors, workload
from harness import needed_lines, options
from sections import Section, save, section

import nearkey as nk
from nearkey.intervals import paired_difference, proportion, ratio
from nearkey.simulate.workload import running_words

TYPED = ("layout", "spread (of a key)|2", "words")
PAD = "qwerty-2x3-s14, 6 keys, the demo's pad"


def surfaces() -> list[tuple[str, nk.Layout]]:
    base = nk.Layout.named("qwerty")
    grid = next(iter(nk.grid_layouts(base, rows=2, columns=3)))
    return [("26 keys", base), (f"{grid.name}, 6 keys", grid)]


def packs() -> list[nk.language.Pack]:
    """The English pack with its n-gram table alone, and whole."""
    return [nk.load_pack("en", context_model=whole) for whole in (False, True)]


def context_section(words: int) -> Section:
    rows: list[list[Any]] = []
    cases = [(*surface, spread) for surface in surfaces() for spread in (0.25, 0.35, 0.45)]
    both = packs()
    keep_vectors(both[1], words)
    for name, layout, spread in [(PAD, demo_pad(), 1 / 3), *cases]:
        first, three = [], []
        for pack, with_context in ((both[0], False), (both[0], True), (both[1], True)):
            load = workload(pack, words=words, seed=31, layout=layout, spread=spread, context=True)
            decoder = nk.Decoder(layout, load.touch, pack)
            states = load.states if with_context else None
            found, _ = load.batch(decoder, k=3, contexts=states)
            hits = found == load.index[:, None]
            first.append(hits[:, 0].astype(float))
            three.append(hits.any(1).mean())
        whole = list(proportion(int(first[2].sum()), words))
        gains = [list(paired_difference(first[2], other)) for other in first[:2]]
        rows.append([name, spread, words, *(f.mean() for f in first[:2]), whole, *gains, *three])
        print(rows[-1], file=sys.stderr)
    names = ("no context", "n-gram table", "table and network")
    return section(
        title="What context gives",
        order=13,
        columns=[
            *TYPED,
            *(f"top-1, {name}|%" for name in names),
            "gain on no context|%",
            "gain on the table|%",
            *(f"top-3, {name}|%" for name in names),
        ],
        rows=rows,
        notes=[
            "Running lexicon words of en_ewt_eval, seed 31; matched touch model; the true words of the sentence before each word as"
            " context. The demo's pad: 18 x 12 mm, 2 mm of spread."
        ],
    )


def unknown_section(pack: nk.language.Pack, words: int) -> Section:
    """Words the lexicon lacks, typed with their contexts."""
    rng = np.random.default_rng(41)
    model = pack.language_model
    cases: list[tuple[str, tuple[int, ...]]] = []
    letters = set(nk.Layout.named("qwerty").letters)
    for line in needed_lines():
        for sentence in running_words(pack, line):
            state = model.start()
            for word in sentence:
                if word not in pack.lexicon and len(word) > 2 and set(word) <= letters:
                    cases.append((word, state))
                state = model.advance(state, word)
    cases = [cases[i] for i in rng.permutation(len(cases))[:words]]
    rows: list[list[Any]] = []
    for name, layout in surfaces():
        for spread in (0.15, 0.25, 0.35):
            touch = nk.GaussianTouch.from_layout(layout, spread=spread)
            decoder = nk.Decoder(layout, touch, pack, edits=nk.EditCosts.typical(layout))
            five = first = literal = 0
            for word, state in cases:
                points = touch.sample([layout.key_of_letter[c] for c in word], rng)
                shown = [c.word for c in decoder.candidates(points, context=state, k=5)]
                five += word in shown
                first += shown[:1] == [word]
                literal += decoder.literal(points) == word
            n = len(cases)
            rows.append(
                [name, spread, n, *(list(proportion(x, n)) for x in (first, five, literal))]
            )
    return section(
        title="Words no dictionary has",
        order=14,
        columns=[
            *TYPED,
            *(f"{n}|%" for n in ("first", "in the first five", "literal string right")),
        ],
        rows=rows,
        notes=[
            "Words of 3 letters and more of en_ewt_eval outside the pack's lexicon, with their contexts, in a live list of five with "
            "edits and completions on, seed 41. On grouped keys the literal string is the first letter of each key.",
        ],
    )


def savings_section(words: int) -> Section:
    """Touches spared by taking a completion or a prediction as soon as it is listed."""
    rows: list[list[Any]] = []
    both = packs()
    keep_vectors(both[1], words)
    for name, layout in (*surfaces(), (PAD, demo_pad())):
        for spread in (0.15, 0.35):
            row: list[Any] = [name, spread, words]
            for pack in both:
                load = workload(
                    pack, words=words, seed=51, layout=layout, spread=spread, context=True
                )
                full, used, next_word = spared(pack, layout, load)
                row += [list(ratio(full - used, full)), list(ratio(next_word, full))]
            rows.append(row)
            print(rows[-1], file=sys.stderr)
    kinds = ("keystrokes saved", "of it by next words")
    return section(
        title="Keystroke savings of completion and prediction",
        order=15,
        columns=[
            *TYPED,
            *(f"{kind}, {name}|%" for name in ("table", "table and network") for kind in kinds),
        ],
        rows=rows,
        notes=[
            "Running lexicon words of en_ewt_eval, seed 51. A person who takes the word from a list of three as soon as it is there: touches "
            "so far and one pick against all touches and a space. People look less often: an upper bound."
            " Next words: those that stand in the list before any touch.",
        ],
    )


def spared(
    pack: nk.language.Pack, layout: nk.Layout, load: TouchedWords
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Touches and a space of each word, how many are needed with the list, and how many next words spare."""
    decoder = nk.Decoder(layout, load.touch, pack, edits=nk.EditCosts.typical(layout))
    full, used, next_word = np.zeros((3, len(load.index)))
    for i, (points, state) in enumerate(load.each()):
        word = pack.lexicon.words[load.index[i]]
        full[i] = used[i] = len(points) + 1
        for n in range(len(points)):
            if word in [c.word for c in decoder.candidates(points[:n], context=state, k=3)]:
                used[i] = n + 1  # the touches so far and one pick, which brings the space
                next_word[i] = full[i] - 1 if n == 0 else 0
                break
    return full, used, next_word


def main() -> None:
    asked = options(__doc__, words=3_000, unknown=1000, saved=1500)
    save("quality_context", context_section(asked.words))
    save("quality_savings", savings_section(asked.saved))
    save("quality_unknown", unknown_section(nk.load_pack("en"), asked.unknown))


if __name__ == "__main__":
    main()
