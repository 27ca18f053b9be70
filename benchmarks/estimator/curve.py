"""Perplexity and decoding accuracy of the English pack over order, size and amount of text; and top-1 of every
language's pack.

    NEARKEY_DATA=folder python benchmarks/estimator/curve.py [--parts curve,languages] [--work FOLDER]

`languages` uses the packs that perplexity.py built in the same work folder.
"""

from __future__ import annotations

import shutil
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from decoder_words import demo_pad
from harness import data_folder, options
from perplexity import ENGLISH, OTHERS, ROOT, as_lines
from sections import PagePicture, save_section, saved_picture

import nearkey as nk
from nearkey._kernel import ContextModel, NgramTable
from nearkey.language import Pack, load_pack
from nearkey.language.arrays import map_bytes
from nearkey.language.info import finish_folder
from nearkey.language.mapped_files import file_size, fits_in
from nearkey.language.reading.streams import TextStream, encode_stream, first_words, split_stream
from nearkey.language.tokens import BOS, FIRST_WORD, UNK
from nearkey.layout import Key, Layout
from nearkey.packs import finished
from nearkey.packs.backoff import BackoffModel, prune_to_size
from nearkey.packs.builder import EVALUATED_TOKENS, FITTED_TOKENS, spread_out
from nearkey.packs.context_part import fit_weights
from nearkey.packs.evaluate import held_out_record
from nearkey.packs.fetch import cache_folder
from nearkey.packs.intake import Intake, read_sources
from nearkey.packs.quantise import quantised, read_table, write_table
from nearkey.packs.recipe import read_recipe
from nearkey.packs.words_model import MixedSources, list_unigram, mix_sources
from nearkey.report.style import new_figure, shape_looks, styled
from nearkey.simulate import Corpus, score_layout

SPREAD = 0.45
WORDS = 2000
SEED = 5
SIZES_MB = (2.0, 5.0, 12.0)
MOST_BYTES = 4 << 30


def top1(pack: Pack, layout: Layout, corpus: Corpus, spread: float = SPREAD) -> list[float | None]:
    """Share of the lexicon's words read right, after their context, with its interval."""
    touch = nk.GaussianTouch.from_layout(layout, spread=spread)
    found = score_layout(
        layout, touch=touch, pack=pack, corpus=corpus, words=WORDS, seed=SEED, in_context=True,
        completion_words=0, latency_words=0,
    )  # fmt: skip
    estimate = found.score.known.top[1]
    return [float(value) for value in estimate]


@dataclass(frozen=True)
class ScoredStream:
    """A text with what the pack's network gives each of its tokens, sentence by sentence."""

    tokens: NDArray[np.uint32]
    given: NDArray[np.bool_]
    own: NDArray[np.float64]

    @classmethod
    def of(cls, stream: NDArray[np.int64], network: ContextModel, most: int) -> ScoredStream:
        tokens = spread_out(stream, most).astype(np.uint32)
        own = np.exp(network.score(tokens, True, UNK)[:, 0])
        return cls(tokens, tokens[1:] != BOS, own)

    def parts(self, table: NgramTable) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
        """Of each token: P by the network, P by the table, and the table's known words of context."""
        grams = np.exp(table.score(self.tokens, 1))
        found = (self.own, grams, table.known_context(self.tokens))
        return found[0][self.given], found[1][self.given], found[2][self.given]

    def perplexity(self, table: NgramTable, weights: NDArray[np.float64]) -> float:
        """Of the mixture, over words of the lexicon."""
        own, grams, known = self.parts(table)
        words = self.tokens[1:][self.given] >= FIRST_WORD
        share = weights[known]
        return float(np.exp(-np.log(share * own + (1 - share) * grams)[words].mean()))


def with_table(pack: Pack, model: BackoffModel, held: list[ScoredStream], folder: Path) -> Pack:
    """The pack with another n-gram table, and the mixture's weights fitted anew."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(pack.folder, folder)
    write_table(folder / "words.ngram", model)
    table = NgramTable(map_bytes(folder / "words.ngram"))
    weights = fit_weights([text.parts(table) for text in held], model.order)
    assert pack.info.context is not None
    context = msgspec.structs.replace(pack.info.context, weights=weights.tolist())
    sizes = list(model.tree.sizes())
    finish_folder(folder, msgspec.structs.replace(pack.info, ngrams=sizes, context=context))
    return load_pack(folder)


@dataclass(frozen=True)
class EnglishTexts:
    """What the English recipe reads, its held-out texts apart, as tokens of the shipped pack."""

    intake: Intake
    training: dict[str, TextStream]
    held: dict[str, NDArray[np.int64]]

    @classmethod
    def read(cls, data: Path, pack: Pack) -> EnglishTexts:
        recipe = read_recipe(ENGLISH)
        intake = finished(read_sources(recipe, ENGLISH, data=data, cache=cache_folder()))
        held, training = {}, {}
        for source in recipe.text:
            stream = intake.streams[source.name]
            if source.held_out:
                stream, part = split_stream(stream, held_out=recipe.model.held_out_permille / 1000)
                part = first_words(part, recipe.model.held_out_words)
                held[source.name] = encode_stream(part, pack.ngram_model.token_ids)
            training[source.name] = stream
        return cls(intake, training, held)


def curve(data: Path, work: Path, share: float) -> None:
    pack = load_pack("en")
    network = pack.language_model.network
    texts = EnglishTexts.read(data, pack)
    intake, training, held = texts.intake, texts.training, texts.held
    evaluation = encode_stream(intake.evaluation["ewt"], pack.ngram_model.token_ids)
    judged = ScoredStream.of(evaluation, network, EVALUATED_TOKENS)
    fitted = [ScoredStream.of(stream, network, FITTED_TOKENS) for stream in held.values()]
    recipe = read_recipe(ENGLISH)
    corpus = Corpus.of("ewt", as_lines(recipe.evaluation[0], recipe, ENGLISH, data), trained=False)
    pad = demo_pad()
    rows = []

    def mixed(order: int, share: float) -> MixedSources:
        text = {
            name: encode_stream(
                first_words(stream, int(share * stream.n_words)), pack.ngram_model.token_ids
            )
            for name, stream in training.items()
        }
        unigram = list_unigram(intake.frequencies, pack.lexicon.words, list(text.values()))
        return finished(
            mix_sources(
                text, held, unigram, order=order, max_bytes=MOST_BYTES, work=work / "counts"
            )
        )

    def measured(model: BackoffModel, share: float) -> None:
        record = held_out_record(quantised(model), evaluation, "ewt")
        real = file_size(model.tree.sizes()) / 1e6
        variant = with_table(pack, model, fitted, work / "variant")
        both = judged.perplexity(
            variant.ngram_model.table, np.array(variant.language_model.weights)
        )
        words = share * sum(stream.n_words for stream in training.values()) / 1e6
        accuracy = top1(variant, pad, corpus, 1 / 3)
        rows.append([model.order, words, real, record.perplexity, both, accuracy])
        print(rows[-1], file=sys.stderr, flush=True)

    measured(read_table(pack.folder / "words.ngram"), 1.0)
    for order, part, sizes in (
        (2, 1, SIZES_MB),
        (3, 1, SIZES_MB),
        (3, 0.3, (5.0,)),
        (4, 1, SIZES_MB),
    ):
        found = mixed(order, part * share)
        for size in sizes:
            model, _ = prune_to_size(found.model, found.mass, fits=fits_in(size * 1e6))
            measured(model, part * share)
            if rows[-1][2] < 0.95 * size:
                break  # nothing was pruned, so larger sizes give the same table
        del found  # it takes gigabytes
    picture = draw(rows)
    save_section(
        "perplexity_curve",
        title="English beside the network: order and size of the n-gram table, and amount of text",
        more=f"--parts curve --share {share:g}",
        order=51,
        columns=(
            "order; million words of text|1; MB of words.ngram|1; perplexity, table alone|1; "
            "perplexity, with the network|1; top-1 on the demo's pad|%"
        ),
        rows=rows,
        notes=["On Universal Dependencies English EWT, held out; one lexicon and one network for all rows, those of the shipped"
               " pack; the mixture's weights fitted anew for each table, on the recipe's held-out text.",
               f"With the network: sentence by sentence, on {EVALUATED_TOKENS:,} tokens in stretches from all over EWT. Top-1:"
               f" {WORDS:,} words on the demo's 2 x 3 pad (18 x 12 mm, 2 mm of spread), the same words and touches for all"
               f" rows (seed {SEED}), so that differences are surer than the intervals say.",
               "The first row is the shipped table. The others are estimated from the first sentences of each source, as many"
               " million words as the second column says: those of one amount can be compared."],
        pictures=[picture],
    )  # fmt: skip


def draw(rows: list[list[float]]) -> PagePicture:
    """Perplexity against size, a line per order: the tables alone, and beside the network on a scale of its own."""
    full = max(row[1] for row in rows[1:])
    orders = sorted({int(row[0]) for row in rows})
    looks = shape_looks([f"order {order}" for order in orders])
    with styled():
        figure = new_figure(7.6, 3.4)
        panels = figure.subplots(1, 2, sharex=True)
        for column, axes, which in zip(
            (3, 4), panels, ("table alone", "with the network"), strict=True
        ):
            for order in orders:
                name = f"order {order}"
                line = sorted((r[2], r[column]) for r in rows[1:] if r[0] == order and r[1] == full)
                axes.plot(*zip(*line, strict=True), label=name, **looks[name].line())
            axes.set(title=which, xlabel="size of the table, MB")
            axes.grid(axis="y")
        panels[0].set_ylabel("perplexity on held-out text (EWT)")
        panels[0].legend()
    caption = "Perplexity against the table's size, by order; the two scales differ."
    return saved_picture(figure, "perplexity_curve.svg", caption)


def layout_for(language: str) -> Layout:
    """The layout of a language's usual letters."""
    if language != "el":
        return Layout.named({"de": "qwertz", "fr": "azerty"}.get(language, "qwerty"))
    letters = ["ςερτυθιοπ", "ασδφγηξκλ", "ζχψωβνμ"]
    keys = [
        Key(letter, letter, 0.5 * row + column, float(row), 1.0, 1.0, letter, "letters")
        for row, line in enumerate(letters)
        for column, letter in enumerate(line)
    ]
    alphabet = "".join(sorted("".join(letters)))
    return Layout(
        name="greek", unit_mm=10.0, width=10.0, height=3.0, keys=tuple(keys), alphabet=alphabet
    )


def languages(data: Path, work: Path) -> None:
    rows = []
    packs = [(ENGLISH, load_pack("en"))]
    for name in OTHERS:
        folder = work / name.replace("/", "-")
        if (folder / "pack.toml").exists() and not name.startswith("en/"):
            packs.append((ROOT / "models" / f"{name}.toml", load_pack(folder)))
    for path, pack in packs:
        recipe = read_recipe(path)
        layout = layout_for(recipe.language)
        for source in recipe.evaluation:
            if lines := as_lines(source, recipe, path, data):
                found = top1(pack, layout, Corpus.of(source.title, lines, trained=False))
                rows.append([recipe.language, layout.name, source.title, found])
                print(rows[-1], file=sys.stderr)
    save_section(
        "pack_languages",
        title="Each language: words read right after their context",
        more="--parts languages",
        order=52,
        columns="language; layout; text held out; top-1|%",
        rows=rows,
        notes=[f"{WORDS:,} words, or the text's, Gaussian touches of spread {SPREAD} key widths, seed {SEED}."
               " Accented letters are typed on their base letter's key. Greek: the standard's arrangement"
               " of letters on a plain grid."],
    )  # fmt: skip


def main() -> None:
    share = (1.0, "of the text; order 4 takes 8 GB")
    work = ROOT / ".cache" / "packs"
    asked = options(__doc__, parts=["curve", "languages"], work=work, share=share)
    asked.work.mkdir(parents=True, exist_ok=True)
    data = data_folder()
    if "curve" in asked.parts:
        curve(data, asked.work, asked.share)
    if "languages" in asked.parts:
        languages(data, asked.work)


if __name__ == "__main__":
    main()
