"""What simulated people write: stretches of held-out text, or text drawn from the pack itself.

Held-out text: `text/en_ewt_eval.txt.gz` in the folder that NEARKEY_DATA names (Universal Dependencies
English EWT, CC BY-SA 4.0: e-mail, reviews, answers, blogs), which no pack may be trained on. A person
writes one stretch of it, in its own order: a few writers, with their topics and names.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from nearkey.decode.spelling import spell
from nearkey.simulate.workload import running_words

Sentences = list[list[str]]

# Invented words of invented surveyors, for text drawn from the pack.
NEW_WORDS = (
    *("theodora", "kellerby", "brackwell", "ossington", "marnhull", "tilsey", "vanterpool"),
    *("monuc", "rtkbox", "levelbk", "stakeoutline", "benchmk", "topofix", "prismo"),
)
COMMON, LONGEST = 4000, 12
"""Words that drawn text is made of, most frequent first; words of a sentence."""


def stretches(lines: list[str], pack: Any, letters: str, n_words: int) -> Iterator[Sentences]:
    """Successive stretches of at least `n_words` words that the letters can type."""
    held: Sentences = []
    words = 0
    for line in lines:
        for sentence in running_words(pack, line):
            typed = [w for w in sentence if w[0] != "<" and spell(w, letters)]
            if typed:
                held.append(typed)
                words += len(typed)
            if words >= n_words:
                yield held
                held, words = [], 0


def drawn(pack: Any, letters: str, n_words: int, rng: np.random.Generator) -> Sentences:
    """Text of one invented person: the pack's own, with five new and sixty favourite words of hers
    put in at one word in six, by a power law."""
    model = pack.language_model
    common = np.argsort(-np.asarray(pack.lexicon.log_probs), kind="stable")[:COMMON]
    words = [w for w in (pack.lexicon.words[int(i)] for i in common) if spell(w, letters)]
    index = [pack.lexicon.index(word) for word in words]
    rarer = len(words) // 10
    hers = [words[int(i)] for i in rarer + rng.permutation(len(words) - rarer)[:60]]
    hers += [str(w) for w in rng.choice(NEW_WORDS, 5, replace=False)]
    hers = [hers[int(i)] for i in rng.permutation(len(hers))]
    weights = 1.0 / np.arange(1, len(hers) + 1)
    sentences: Sentences = []
    total = 0
    while total < n_words:
        state = model.start()
        sentence: list[str] = []
        for _ in range(int(rng.integers(4, LONGEST + 1))):
            if rng.random() < 1 / 6:
                word = hers[int(rng.choice(len(hers), p=weights / weights.sum()))]
            else:
                p = np.exp(model.log_probs(state)[index].astype(float))
                word = words[int(rng.choice(len(words), p=p / p.sum()))]
            sentence.append(word)
            state = model.advance(state, word)
        sentences.append(sentence)
        total += len(sentence)
    return sentences
