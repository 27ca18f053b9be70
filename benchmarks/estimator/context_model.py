"""The English pack's context model: perplexity on text it never saw, through the pack and the kernel; and what size and
text buy, from trainings.

    NEARKEY_DATA=folder python benchmarks/estimator/context_model.py [--stretches 20] [--lines 100]
    NEARKEY_DATA=folder python benchmarks/estimator/context_model.py --parts sizes --trainings FOLDER

Each training is a folder NAME in FOLDER as `nearkey pack train` writes it. The evaluation text takes part in no choice.
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
from math import exp
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import msgspec
import numpy as np
from curve import EnglishTexts
from decoder_words import demo_pad, workload
from harness import data_folder, needed_lines, options, refused
from sections import PagePicture, Section, save, saved_picture, section

import nearkey as nk
from nearkey.intervals import proportion
from nearkey.language import Pack
from nearkey.language.info import finish_folder
from nearkey.language.tokens import BOS, EOS, FIRST_WORD, UNK
from nearkey.packs.backoff import walk
from nearkey.packs.builder import FITTED_TOKENS, spread_out
from nearkey.packs.context_part import (
    Tokens,
    fit_context,
    mixture_scores,
    read_trained,
)
from nearkey.packs.evaluate import TextScore, score_text
from nearkey.packs.quantise import read_table
from nearkey.report.style import new_figure, shape_looks, styled

TRAININGS = {
    "small": "512 cells, 128 wide",
    "middle": "1,024 cells, 256 wide, as shipped",
    "large": "2,048 cells, 256 wide",
    "text4": "as shipped, a quarter of each source",
    "text16": "as shipped, a sixteenth of each source",
}


NO_NETWORK = "none, the n-gram table alone"


def stretches_of(stretches: int, lines: int) -> list[list[str]]:
    """Stretches of the evaluation text, spread evenly over it."""
    whole = needed_lines()
    step = len(whole) // stretches
    return [whole[at : at + lines] for at in range(0, step * stretches, step)]


def scored(pack: Pack, parts: list[list[str]], *, before: bool) -> TextScore:
    """The stretches' scores as one; `before` : each with its own text before it, none of another's."""
    found = [score_text(pack, part, with_text_before=before) for part in parts]
    words = np.array([one.words for one in found], float)
    letters = np.array([sum(map(str.isalpha, " ".join(part))) for part in parts], float)

    def mean(name: str, weights: np.ndarray, *, of_logs: bool = False) -> float:
        values = np.array([getattr(one, name) for one in found])
        values = np.log(values) if of_logs else values
        value = float((weights * values).sum() / weights.sum())
        return exp(value) if of_logs else value

    return TextScore(
        int(words.sum()),
        mean("oov_rate", words),
        mean("perplexity", words, of_logs=True),
        mean("perplexity_with_ends", words, of_logs=True),
        mean("bits_per_letter", letters),
    )


def text_section(stretches: int, lines: int) -> Section:
    """The table alone, and mixed with the network: sentence by sentence, and with the text before."""
    parts = stretches_of(stretches, lines)
    rows: list[list[object]] = []
    for name, context, before in (
        ("n-gram table alone", False, False),
        ("with the context model, sentence by sentence", True, False),
        ("with the context model and the text before", True, True),
    ):
        score = scored(nk.load_pack("en", context_model=context), parts, before=before)
        rows.append([name, score.words, score.oov_rate, score.perplexity, score.bits_per_letter])
        print(*rows[-1], sep="\t", file=sys.stderr, flush=True)
    size = sum(record.bytes for record in nk.load_pack("en").info.files.values()) / 1e6
    return section(
        "The English pack with its context model: perplexity on EWT",
        "model; words; unknown words|%; perplexity|1; bits a letter|3",
        rows,
        order=50,
        notes=[
            f"Universal Dependencies English EWT, CC BY-SA 4.0: {stretches} stretches of {lines} lines, spread evenly over it; each is read"
            " with no text before it. Counted as in the table of packs: perplexity over words of the lexicon, bits a letter over everything.",
            f"The whole pack takes {size:.1f} MB.",
        ],
    )


def arpa_section() -> Section:
    """What an n-gram file could hold of the mixture: at most what the last two words tell the network."""
    pack = nk.load_pack("en")
    model = pack.language_model
    found = [BOS]
    for part in stretches_of(20, 8):
        for sentence in model.ngram.sentences(part):
            found += [token for word in sentence.words for token in model.token_ids(word)]
            found += [EOS, BOS]
    tokens = np.array(found[:-1], np.uint32)
    table = np.exp(model.ngram.table.score(tokens, 1))
    scores, _ = mixture_scores(
        model.network, model.ngram.table, tokens, model.weights, by_sentence=True
    )
    short = np.ones(len(tokens))
    for at in np.flatnonzero(tokens >= FIRST_WORD):
        first = at - 1 if tokens[at - 1] == BOS else at - 2
        seen = np.ascontiguousarray(tokens[first : at + 1])
        short[at] = np.exp(model.network.score(seen, False, UNK)[-1, 0])
    places = walk(read_table(pack.folder / "words.ngram").tree, tokens.astype(np.int64)).found
    listed = np.zeros(len(tokens), bool)
    for level, where in enumerate(places[1:], start=1):
        listed[level:] |= where >= 0
    words = tokens[1:] >= FIRST_WORD
    two = 0.75 * short[1:] + 0.25 * table
    rows = [
        [name, float(np.exp(-np.log(given)[words].mean()))]
        for name, given in (
            ("the table, which is exported", table),
            ("network and table of the last two words, at the table's n-grams", np.where(listed[1:], two, table)),
            ("network and table of the last two words, for every word", two),
            ("the mixture", np.exp(scores[1:])),
        )
    ]  # fmt: skip
    return section(
        "What an ARPA file could hold of the mixture",
        "probabilities; perplexity on EWT|1",
        rows,
        more="--parts arpa",
        order=50,
        notes=[
            f"{int(words.sum()):,} words of EWT, in 20 stretches, sentence by sentence. Of the last two words the network has .75."
            " The second row would take a pass over all words for each of the table's contexts."
        ],
    )


def with_network(pack: Pack, training: Path, held: dict[str, Tokens], folder: Path) -> Pack:
    """The shipped pack with another training's network, the mixture's weights fitted on the recipe's held-out text."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(pack.folder, folder)
    trained = read_trained(training, len(pack.lexicon) + FIRST_WORD)
    record, _, _ = fit_context(folder, trained, list(held.values()))
    finish_folder(folder, msgspec.structs.replace(pack.info, context=record))
    return nk.load_pack(folder)


def accuracy(pack: Pack, layout: nk.Layout, spread: float) -> list[float | None]:
    """The first candidate right, with its interval: the words and touches of `decoder/quality.py`."""
    load = workload(pack, words=3000, seed=31, layout=layout, spread=spread, context=True)
    decoder = nk.Decoder(layout, load.touch, pack)
    found, _ = load.batch(decoder, k=1)
    return list(proportion(int((found[:, 0] == load.index).sum()), len(found)))


def draw(rows: list[list[object]]) -> PagePicture:
    """The first candidate right against the network's size and its amount of text, with 95 % intervals."""
    by_what = {str(row[0]): row for row in rows}
    names = list(TRAININGS.values())
    panels = (
        (2, "MB in 8 bits, all text", [by_what[NO_NETWORK], *(by_what[name] for name in names[:3])]),
        (1, "million tokens, second size", [by_what[name] for name in names[:0:-1] if name != names[2]]),
    )  # fmt: skip
    surfaces = ("26 keys", "the demo's pad, 6 keys")
    looks = shape_looks(surfaces)
    with styled():
        figure = new_figure(7.6, 3.4)
        for axes, (column, label, chosen) in zip(
            figure.subplots(1, 2, sharey=True), panels, strict=True
        ):
            for surface, at in zip(surfaces, (-1, -2), strict=True):
                middle, low, high = 100 * np.array([row[at] for row in chosen]).T
                size = [row[column] or 0 for row in chosen]
                bars = (middle - low, high - middle)
                axes.errorbar(size, middle, yerr=bars, label=surface, **looks[surface].line())
            axes.set_xlabel(label)
            axes.grid(axis="y")
            if column == 2:
                axes.set_ylabel("top-1 accuracy (% of words)")
                axes.legend(loc="center right")
    caption = "First candidate right against the network's size (0: the n-gram table alone) and against its amount of text."
    return saved_picture(figure, "context_sizes.svg", caption)


def sizes_section(data: Path, folder: Path) -> Section:
    """Trainings of equal length: what cells, width and text buy in perplexity and in words read right."""
    table, pack = (nk.load_pack("en", context_model=whole) for whole in (False, True))
    held = {
        name: spread_out(tokens, FITTED_TOKENS).astype(np.uint32)
        for name, tokens in EnglishTexts.read(data, pack).held.items()
    }
    surfaces = ((demo_pad(), 1 / 3), (nk.Layout.named("qwerty"), 0.45))
    rows: list[list[object]] = []

    def add(one: Pack, *facts: object) -> None:
        rows.append([*facts, *(accuracy(one, *surface) for surface in surfaces)])
        print(*rows[-1], sep="\t", file=sys.stderr, flush=True)

    add(table, NO_NETWORK, *[None] * 6)
    for name, what in TRAININGS.items():
        report = json.loads((folder / name / "report.json").read_text("utf-8"))
        found = report["perplexity_8_bits"]["evaluation.ewt"]
        with tempfile.TemporaryDirectory() as place:
            variant = with_network(pack, folder / name, held, Path(place, "pack"))
            add(
                variant,
                what,
                report["tokens"] / 1e6,
                report["bytes_8_bits"] / 1e6,
                report["trained_s"] / 60,
                report["tokens_seen"] / report["tokens"],
                found["by_sentence"],
                found["with_text_before"],
            )
    context = pack.info.context
    assert context is not None
    size, passes = pack.info.files["context.bin"].bytes / 1e6, context.tokens_seen / context.tokens
    add(pack, "the shipped one", context.tokens / 1e6, size, context.minutes, passes, None, None)
    return section(
        "Context models of several sizes and amounts of text: perplexity and accuracy",
        "network; million tokens|1; MB in 8 bits|1; minutes|1; passes|1; EWT, sentence by sentence|1; EWT, text before|1;"
        " top-1 on the demo's pad|%; top-1 on 26 keys|%",
        rows,
        more="--parts sizes --trainings FOLDER",
        order=50,
        notes=[
            "Perplexity: the network alone, in 8 bits, over the whole of EWT, by the trainer's own evaluation. One GPU each, the same"
            " seed, equally long; the shipped model is the second size, trained longer. Little text is learnt by heart: no other"
            " setting was tried there.",
            "Top-1: the pack with that network, n-gram table and mixture's weights fitted anew on the recipe's held-out text; 3,000"
            " running words of EWT with their contexts, the same words and touches in all rows (seed 31), so that differences are"
            " surer than the intervals say. The demo's pad: 6 keys on 18 x 12 mm, 2 mm of spread; 26 keys: .45 of a key.",
        ],
        pictures=[draw(rows)],
    )


def main() -> None:
    trainings = (Path, "folder of the trainings' folders")
    asked = options(
        __doc__,
        parts=["text", "arpa"],
        apart=["sizes"],
        stretches=20,
        lines=100,
        trainings=trainings,
    )
    if "text" in asked.parts:
        save("context_text", text_section(asked.stretches, asked.lines))
    if "arpa" in asked.parts:
        save("context_arpa", arpa_section())
    if "sizes" in asked.parts:
        if asked.trainings is None:
            refused("--parts sizes needs --trainings: a folder of trainings")
        save("context_sizes", sizes_section(data_folder(), asked.trainings))


if __name__ == "__main__":
    main()
