"""General-purpose decoders set to do nearkey's work: the same touches, lexicon, probabilities and candidates.

Each engine gets the log densities of every touch under every letter ready made (nearkey computes them
itself, inside what is timed), and answers with words, best first. None of them was made for this job:
speech decoders expect frames and blanks, finite-state libraries build the whole product. How each is
set, and why, stands in its docstring. They need an environment of their own: see `setup.sh`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

LETTERS = "abcdefghijklmnopqrstuvwxyz"
END, BLANK = len(LETTERS), len(LETTERS) + 1
NEVER = -1e4
"""Stands for impossible where an engine's arithmetic dislikes infinity."""

Densities = NDArray[np.float64]


def frames_of(sentence: Sequence[Densities]) -> NDArray[np.float32]:
    """Frames of one or more words for a speech decoder: touch, blank, touch, blank, ..., end."""
    n = sum(2 * len(d) + 1 for d in sentence)
    out = np.full((n, len(LETTERS) + 2), NEVER, np.float32)
    at = 0
    for densities in sentence:
        for row in densities:
            out[at, : len(LETTERS)] = row
            out[at + 1, BLANK] = 0.0
            at += 2
        out[at, END] = 0.0
        at += 1
    return out


def spelled(words: Sequence[str]) -> list[tuple[int, str]]:
    """Words as typed on 26 keys: index and letters; marks left out, as nearkey does."""
    out = []
    for i, word in enumerate(words):
        letters = "".join(c for c in word if c in LETTERS)
        if letters:
            out.append((i, letters))
    return out


def write_unigram_arpa(path: Path, words: Sequence[str], log_probs: NDArray[np.float32]) -> None:
    """The lexicon's probabilities as an ARPA file; with one idle bigram, since KenLM refuses order 1."""
    lines = ["\\data\\", f"ngram 1={len(words) + 3}", "ngram 2=1", "", "\\1-grams:"]
    lines += ["-99\t<unk>\t0", "-99\t<s>\t0", "-99\t</s>\t0"]
    lines += [f"{p / math.log(10):.6f}\t{w}\t0" for w, p in zip(words, log_probs, strict=True)]
    lines += ["", "\\2-grams:", "-99\t<unk> <unk>", "", "\\end\\", ""]
    path.write_text("\n".join(lines), encoding="utf-8")


class SpeechLexicon:
    """flashlight-text: a C++ lexicon decoder for speech, over a letter trie and a KenLM model.

    A speech decoder merges repeated letters, so a frame that is certainly blank stands between touches; and
    it has no notion of an end, so each word ends in an end token with a frame of its own. Without these 4.9 %
    of its answers had the wrong number of letters. Smearing with the largest probability below a node,
    which is its form of look-ahead. Beam threshold wide open; `beam` hypotheses.
    """

    def __init__(
        self, words: Sequence[str], arpa: Path, log_probs: NDArray[np.float32], *, beam: int
    ) -> None:
        from flashlight.lib.text.decoder import (
            CriterionType,
            LexiconDecoder,
            LexiconDecoderOptions,
            SmearingMode,
            Trie,
        )
        from flashlight.lib.text.decoder.kenlm import KenLM
        from flashlight.lib.text.dictionary import Dictionary

        vocabulary = Dictionary()
        for word in words:
            vocabulary.add_entry(word)
        vocabulary.add_entry("<unk>")
        unknown = vocabulary.get_index("<unk>")
        vocabulary.set_default_index(unknown)
        self.words = list(words)
        lm = KenLM(str(arpa), vocabulary)
        trie = Trie(len(LETTERS) + 2, END)
        start = lm.start(False)
        for i, letters in spelled(words):
            _, score = lm.score(start, i)
            trie.insert([*(LETTERS.index(c) for c in letters), END], i, score)
        trie.smear(SmearingMode.MAX)
        options = LexiconDecoderOptions(
            beam_size=beam,
            beam_size_token=len(LETTERS) + 2,
            beam_threshold=1e6,
            lm_weight=math.log(10.0),  # its KenLM scores are log10, the densities natural logs
            word_score=0.0,
            unk_score=-math.inf,
            sil_score=0.0,
            log_add=False,
            criterion_type=CriterionType.CTC,
        )
        self.decoder = LexiconDecoder(options, trie, lm, END, BLANK, unknown, [], False)

    def decode(self, densities: Densities, k: int) -> list[str]:
        """The best k words of one word's touches."""
        return self.decode_frames(frames_of([densities]), k)

    def decode_frames(self, frames: NDArray[np.float32], k: int) -> list[str]:
        """As `decode`, for frames ready made."""
        frames = np.ascontiguousarray(frames)
        found: list[str] = []
        for result in self.decoder.decode(frames.ctypes.data, *frames.shape):
            text = " ".join(self.words[w] for w in result.words if w >= 0)
            if text and text not in found:
                found.append(text)
            if len(found) == k:
                break
        return found

    def decode_sentence(self, frames: NDArray[np.float32]) -> list[str]:
        """The words of the best reading of a whole sentence, context carried by the decoder itself."""
        frames = np.ascontiguousarray(frames)
        best = self.decoder.decode(frames.ctypes.data, *frames.shape)[0]
        return [self.words[w] for w in best.words if w >= 0]


class SpeechBeam:
    """pyctcdecode: a beam decoder for speech in Python with a KenLM model.

    Frames as for the C++ decoder, with a space as the end token. It takes probabilities, so each frame is
    normalised (a constant for every word of a length). `unigrams` keeps it to the lexicon; its
    own pruning thresholds are opened so that only the beam limits it.
    """

    def __init__(self, words: Sequence[str], arpa: Path, *, beam: int) -> None:
        import logging

        from pyctcdecode import build_ctcdecoder

        logging.getLogger("pyctcdecode").setLevel(logging.ERROR)
        self.beam = beam
        known = [w for w in words if all(c in LETTERS for c in w)]
        self.decoder = build_ctcdecoder([*LETTERS, " ", ""], str(arpa), known, alpha=1.0, beta=0.0)

    def decode(self, densities: Densities, k: int) -> list[str]:
        beams = self.decoder.decode_beams(
            frames_of([densities - np.logaddexp.reduce(densities, axis=1, keepdims=True)]),
            beam_width=self.beam,
            beam_prune_logp=-1e6,
            token_min_logp=-1e3,
        )
        return [b[0] for b in beams[:k]]


class FiniteState:
    """pynini (OpenFst): the lexicon as a minimised weighted acceptor, composed with the touches as a chain.

    Shortest paths over the product; words typed alike stay apart by an output label for each word.
    Weights are negative natural logs in the tropical semiring. No context.
    """

    def __init__(self, words: Sequence[str], log_probs: NDArray[np.float32]) -> None:
        import pynini

        self.words = list(words)
        fst = pynini.Fst()
        start = fst.add_state()
        fst.set_start(start)
        one = pynini.Weight.one(fst.weight_type())
        nodes: dict[str, int] = {"": start}
        end = fst.add_state()
        fst.set_final(end, one)
        for i, letters in spelled(words):
            for n in range(1, len(letters) + 1):
                prefix = letters[:n]
                if prefix not in nodes:
                    nodes[prefix] = fst.add_state()
                    arc = pynini.Arc(LETTERS.index(letters[n - 1]) + 1, 0, one, nodes[prefix])
                    fst.add_arc(nodes[prefix[:-1]], arc)
            weight = pynini.Weight(fst.weight_type(), -float(log_probs[i]))
            fst.add_arc(nodes[letters], pynini.Arc(0, i + 1, weight, end))
        pynini.push(fst, push_weights=True)
        fst.arcsort(sort_type="ilabel")
        self.fst = fst
        self.pynini = pynini

    def decode(self, densities: Densities, k: int) -> list[str]:
        pynini = self.pynini
        chain = pynini.Fst()
        states = [chain.add_state() for _ in range(len(densities) + 1)]
        chain.set_start(states[0])
        chain.set_final(states[-1], pynini.Weight.one(chain.weight_type()))
        kind = chain.weight_type()
        for i, row in enumerate(densities):
            for a, p in enumerate(row):
                chain.add_arc(
                    states[i],
                    pynini.Arc(a + 1, a + 1, pynini.Weight(kind, -float(p)), states[i + 1]),
                )
        best = pynini.shortestpath(pynini.compose(chain, self.fst), nshortest=k)
        found: list[tuple[float, str]] = []
        best.project("output").rmepsilon()
        for path in _paths(best):
            found.append(path)
        found.sort()
        return [self.words[i - 1] for _, i in found][:k]


def _paths(fst: object) -> list[tuple[float, int]]:
    """(weight, word label) of each path of an acceptor whose paths hold one label."""
    out = []
    stack = [(fst.start(), 0.0, 0)] if fst.start() >= 0 else []  # type: ignore[attr-defined]
    while stack:
        state, weight, label = stack.pop()
        final = float(fst.final(state))  # type: ignore[attr-defined]
        if final != math.inf:
            out.append((weight + final, label))
        for arc in fst.arcs(state):  # type: ignore[attr-defined]
            stack.append((arc.nextstate, weight + float(arc.weight), arc.olabel or label))
    return out
