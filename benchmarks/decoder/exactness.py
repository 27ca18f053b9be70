"""Search errors: the kernel's answers against exhaustive scoring of the whole lexicon.

    NEARKEY_DATA=... python benchmarks/decoder/exactness.py [--words N]

Words: the top ten of the search against those of numpy over every word of the length, 26 keys and grids,
several noises, with and without context. Edits and completions: against numpy over every word and every
place of one edit. Sentences (a beam): against a beam many times as wide. Deterministic: same figures on
every machine.
"""

from __future__ import annotations

import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rapidfuzz.distance import Levenshtein

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from decoder_words import workload
from harness import held_out_lines, needed_lines, options
from sections import Section, save, section

import nearkey as nk
from nearkey.decode.exhaustive import Exhaustive
from nearkey.intervals import proportion
from nearkey.simulate.workload import running_words

TOLERANCE = 1e-6


def layouts() -> list[nk.Layout]:
    """26 keys, and one grid of each shape."""
    base = nk.Layout.named("qwerty")
    grids = [
        next(iter(nk.grid_layouts(base, rows=r, columns=c))) for r, c in ((1, 5), (2, 3), (3, 2))
    ]
    return [base, *grids, nk.Layout.named("e161")]


def words_section(pack: nk.language.Pack, words: int) -> Section:
    rows = []
    contexts = (False, True) if held_out_lines() else (False,)
    cases = [(lay, s, c) for lay in layouts() for s in (0.25, 0.45, 0.7) for c in contexts]
    each = -(-words // len(cases))
    for number, (layout, spread, context) in enumerate(cases):
        load = workload(
            pack, words=each, seed=100 + number, layout=layout, spread=spread, context=context
        )
        decoder = nk.Decoder(layout, load.touch, pack)
        slow = Exhaustive(decoder)
        found, scores = load.batch(decoder, k=10)
        same = 0
        for i, (points, state) in enumerate(load.each()):
            index, wanted = slow.decode(points, state=state, k=10)
            same += bool(
                (found[i] >= 0).sum() == len(wanted)
                and np.allclose(scores[i][: len(wanted)], wanted, atol=TOLERANCE)
                and _same_words(found[i], scores[i], index, wanted)
            )
        right = [load.accuracy(found, k) for k in (1, 3)]
        rows.append([layout.name, spread, context, each, each - same, *right])
        print(*rows[-1], sep="\t", file=sys.stderr, flush=True)
    total, wrong = sum(r[3] for r in rows), sum(r[4] for r in rows)
    rows.append(["all", None, None, total, wrong, None, None])
    return section(
        title="Search errors: top ten words against exhaustive scoring",
        order=10,
        columns="layout; spread (of a key)|2; context; words; top ten differ; top-1|%; top-3|%",
        rows=rows,
        notes=[
            f"Scores equal within {TOLERANCE:g} nats and the same words, words of equal score aside; {len(pack.lexicon):,} words. "
            "Running words of en_ewt_eval with their contexts, or words drawn by frequency.",
        ],
    )


def _same_words(
    found: NDArray[np.int32],
    scores: NDArray[np.float64],
    index: NDArray[np.int64],
    wanted: NDArray[np.float64],
) -> bool:
    """The same words, but for words within the tolerance of the tenth score."""
    last = wanted[-1] if len(wanted) else 0.0
    sure = {int(w) for w, s in zip(index, wanted, strict=True) if s > last + TOLERANCE}
    return sure <= set(found.tolist())


class EveryEdit(Exhaustive):
    """Every word scored with no edit, one omitted, one extra, two swapped touches, or as a completion."""

    def best(
        self, points: NDArray[np.float64], state: tuple[int, ...], k: int
    ) -> NDArray[np.float64]:
        """The k best scores over words."""
        decoder, costs = self.decoder, self.decoder.edits
        density = decoder.columns.pooled(decoder.touch.log_prob(points))
        n = len(points)
        language = decoder.lm_weight * np.asarray(
            decoder.pack.language_model.log_probs(state), np.float64
        )
        best = np.full(len(language), -np.inf)

        def offer(length: int, touches: list[int], letters: list[int], cost: float = 0.0) -> None:
            """Words of so many letters, these touches read as these letters of theirs."""
            if length in self.words:
                words, columns = self.words[length], self.columns[length][letters]
                touch = density[np.asarray(touches, int)[:, None], columns].sum(axis=0)
                np.maximum.at(best, words, touch + cost + language[words])

        rows = list(range(n))
        offer(n, rows, rows)
        for i in range(n - 1):
            offer(n, [*rows[:i], i + 1, i, *rows[i + 2 :]], rows, costs.swapped)
        for i in range(n + 1):
            offer(n + 1, rows, [j for j in range(n + 1) if j != i], costs.omitted)
        for i in range(n if n > 1 else 0):
            offer(n - 1, [j for j in rows if j != i], rows[:-1], costs.extra)
        for length in self.words:
            if length > n:
                offer(length, rows, rows, costs.completion)
        return np.sort(best[best > -np.inf])[::-1][:k]


def edits_section(pack: nk.language.Pack, words: int) -> Section:
    """One random edit in each word (or none); also how often the intended word comes back."""
    rows = []
    for layout in (nk.Layout.named("qwerty"), layouts()[2]):
        load = workload(
            pack,
            words=words,
            seed=7,
            layout=layout,
            spread=0.15,
            context=held_out_lines() is not None,
        )
        decoder = nk.Decoder(layout, load.touch, pack, edits=nk.EditCosts.typical(layout))
        slow = EveryEdit(decoder)
        rng = np.random.default_rng(8)
        tally: dict[str, list[int]] = {}
        for number, (points, state) in enumerate(load.each(pack.language_model.start())):
            kind = ("none", "omitted", "extra", "swapped")[number % 4]
            if len(points) < 4 and kind != "none":
                continue
            at = int(rng.integers(0, len(points) - 1)) if len(points) > 1 else 0
            if kind == "omitted":
                points = np.delete(points, at, axis=0)
            elif kind == "extra":
                points = np.insert(
                    points, at, rng.uniform([0, 0], [layout.width, layout.height]), axis=0
                )
            elif kind == "swapped":
                points = points.copy()
                points[[at, at + 1]] = points[[at + 1, at]]
            found = decoder.decode(points, context=state, k=10, completions=True)
            wanted = slow.best(points, state, 10)
            same = len(found) == len(wanted) and np.allclose(
                [c.log_prob for c in found], wanted, atol=TOLERANCE
            )
            meant = pack.lexicon.words[load.index[number]]
            # The optimum recovers a word when no other scores above it: then so must the search.
            counts = tally.setdefault(kind, [0, 0, 0, 0])
            counts[0] += 1
            counts[1] += not same
            counts[2] += bool(found) and found[0].word == meant
            counts[3] += meant in [c.word for c in found[:3]]
        for kind, (n, wrong, first, three) in tally.items():
            rows.append([layout.name, kind, n, wrong, proportion(first, n), proportion(three, n)])
            print(*rows[-1], sep="\t", file=sys.stderr, flush=True)
    return section(
        title="Search errors with edits and completions; words recovered",
        order=11,
        columns=(
            "layout; edit made; words; top ten differ from exhaustive; intended word first|%; "
            "in the first three|%"
        ),
        rows=rows,
        notes=[
            "Low noise (spread 0.15 of a key), words of 4 letters and more where an edit is made, default costs "
            "(`EditCosts.typical`), completions on. Exhaustive: every word of the lexicon, every place of one edit.",
        ],
    )


def sentences_section(pack: nk.language.Pack, sentences: int) -> Section:
    """The sentence beam at its defaults against one much wider."""
    pool = [s for line in needed_lines() for s in running_words(pack, line) if 3 <= len(s) <= 9]
    with ThreadPoolExecutor(2) as threads:
        rows = list(
            threads.map(lambda spread: _sentences(pack, pool, spread, sentences), (0.25, 0.4))
        )
    return section(
        title="Sentences without spaces: search errors of the beam, character error rate",
        order=12,
        columns=(
            "spread (of a key)|2; sentences; words; sentences where the wide beam scores higher; "
            "words wrong by search|%; characters wrong, nearest letters|%; "
            "characters wrong, decoded|%"
        ),
        rows=rows,
        notes=[
            "Sentences of 3 to 9 words of en_ewt_eval, typed on 26 keys with no space at all. Width 32, 8 words a stretch, reach 16 nats, "
            "against width 64, 16 words, reach 28 nats. Character error rate: edit distance over the characters of the text, spaces counted.",
        ],
    )


def _sentences(
    pack: nk.language.Pack, pool: list[list[str]], spread: float, sentences: int
) -> list[Any]:
    """One row: sentences typed with one spread."""
    base = nk.Layout.named("qwerty")
    touch = nk.GaussianTouch.from_layout(base, spread=spread)
    decoder = nk.Decoder(base, touch, pack)
    rng = np.random.default_rng(21)
    done = words = wrong_words = lost = errors_before = errors_after = characters = 0
    for at in rng.permutation(len(pool)):
        sentence = pool[at]
        if any(w not in pack.lexicon or not set(w) <= set(base.letters) for w in sentence):
            continue
        points = touch.sample([base.key_of_letter[c] for w in sentence for c in w], rng)
        text = " ".join(sentence)
        default = decoder.decode_sentence(points, context="", k=1)[0]
        wide = decoder.decode_sentence(
            points, context="", k=1, width=64, words=16, beam_threshold=28.0
        )[0]
        words += len(wide.words)
        if default.log_prob < wide.log_prob - TOLERANCE:
            lost += 1
            wrong_words += Levenshtein.distance(default.words, wide.words)
        errors_before += Levenshtein.distance(decoder.literal(points), text)
        errors_after += Levenshtein.distance(" ".join(default.words), text)
        characters += len(text)
        done += 1
        if done == sentences:
            break
    wrong = list(proportion(wrong_words, words))
    return [spread, done, words, lost, wrong, errors_before / characters, errors_after / characters]


def main() -> None:
    parts = ["words", "edits", "sentences"]
    asked = options(__doc__, words=20_000, edited=2_000, sentences=100, parts=parts)
    pack = nk.load_pack("en")
    made = {
        "words": lambda: words_section(pack, asked.words),
        "edits": lambda: edits_section(pack, asked.edited),
        "sentences": lambda: sentences_section(pack, asked.sentences),
    }
    for part in asked.parts:
        save(f"exact_{part}", made[part]())


if __name__ == "__main__":
    main()
