"""Held-out perplexity, unknown words and size of the packs, beside a plain yardstick.

    NEARKEY_DATA=folder python benchmarks/estimator/perplexity.py [--work FOLDER]

NEARKEY_DATA names the folder of the open corpora (see docs/packs.md). The other packs are built into
the work folder at first use; building them fetches packages from the registries.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from harness import data_folder, options
from sections import save_section

from nearkey.language import Pack, load_pack
from nearkey.language.reading.corpus import ReadOptions, ReadReport, read_lines
from nearkey.language.reading.streams import TextStream, encode_stream
from nearkey.language.tokens import FIRST_WORD, PUNCTUATION
from nearkey.packs import finished
from nearkey.packs.backoff import BackoffModel
from nearkey.packs.builder import build_pack
from nearkey.packs.evaluate import held_out_record, score_text
from nearkey.packs.fetch import cache_folder, locate
from nearkey.packs.intake import reading, without_sentences_of
from nearkey.packs.kneser_ney import estimate
from nearkey.packs.ngram_counts import count_ngrams
from nearkey.packs.recipe import Recipe, TextSource, read_recipe

ROOT = Path(__file__).resolve().parents[2]
ENGLISH = ROOT / "models" / "en" / "recipe.toml"
OTHERS = ("en/recipe-registry", "de/recipe", "es/recipe", "fr/recipe", "el/recipe")
YARDSTICK_SOURCES = ("common_voice", "irc", "sgd", "clinc", "masc", "movie_reviews")


def as_lines(source: TextSource, recipe: Recipe, path: Path, data: Path) -> list[str]:
    """A source's sentences as text again, so that every pack reads them by its own rules."""
    files = locate(source, recipe=path, data=data, cache=cache_folder())
    if not files:
        return []
    if source.part == (0, 1000):
        options = ReadOptions(source.encoding, source.undecodable, source.column)
        return list(read_lines(files, source.kind, options, ReadReport()))
    stream, _ = finished(reading(source, files, recipe))
    lines = []
    for begin, end in zip(stream.starts[:-1].tolist(), stream.starts[1:].tolist(), strict=True):
        words = [stream.surfaces[i] for i in stream.ids[begin:end].tolist()]
        marks = [
            PUNCTUATION[m] if m < len(PUNCTUATION) else ""
            for m in stream.punctuation[begin:end].tolist()
        ]
        lines.append(" ".join(w + m for w, m in zip(words, marks, strict=True)))
    return lines


def row_of(name: str, text: str, pack: Pack, lines: list[str]) -> list[str | float | int]:
    score = score_text(pack, lines)
    size = sum(record.bytes for record in pack.info.files.values()) / 1e6
    return [
        name, text, score.words, score.oov_rate, score.perplexity, score.perplexity_with_ends,
        score.bits_per_letter, len(pack.lexicon), size,
    ]  # fmt: skip


def yardstick(data: Path) -> list[str | float | int | None]:
    """All open English text poured together, plain modified Kneser-Ney of order 3 without pruning,
    interpolated .7/.3 with the frequency list; over the shipped pack's lexicon."""
    recipe = read_recipe(ENGLISH)
    pack = load_pack("en")

    def read(source: TextSource) -> TextStream:
        files = locate(source, recipe=ENGLISH, data=data, cache=cache_folder())
        return finished(reading(source, files, recipe))[0]

    def encoded(stream: TextStream) -> np.ndarray:
        return encode_stream(stream, pack.ngram_model.token_ids)

    evaluation = read(recipe.evaluation[0])
    poured = [read(source) for source in recipe.text if source.name in YARDSTICK_SOURCES]
    text = np.concatenate([encoded(without_sentences_of(s, [evaluation])[0]) for s in poured])
    counts = count_ngrams(text, order=3, vocab_size=len(pack.lexicon) + FIRST_WORD)
    model = estimate(counts)
    stream = encoded(evaluation)
    mixed = interpolated(model, pack)
    record = held_out_record(mixed, stream, "yardstick")
    scores = np.log(0.7 * np.exp(model.score(stream)) + 0.3 * np.exp(mixed.log_prob[0][stream]))
    words = stream >= FIRST_WORD
    return [
        "yardstick: poured together, .7/.3", recipe.evaluation[0].title, record.words,
        record.oov_rate, float(np.exp(-scores[words].mean())), None, None, len(pack.lexicon), None,
    ]  # fmt: skip


def interpolated(model: BackoffModel, pack: Pack) -> BackoffModel:
    """The model with the list's probabilities in place of its unigrams, to read them off by token."""
    unigram = model.log_prob[0].copy()
    unigram[FIRST_WORD:] = pack.lexicon.log_probs
    return BackoffModel(model.tree, (unigram, *model.log_prob[1:]), model.backoff)


def main() -> None:
    asked = options(__doc__, work=ROOT / ".cache" / "packs")
    data = data_folder()

    recipe = read_recipe(ENGLISH)
    ewt = as_lines(recipe.evaluation[0], recipe, ENGLISH, data)
    title = recipe.evaluation[0].title
    table = load_pack("en", context_model=False)
    rows = [row_of("en, shipped, its n-gram table alone", title, table, ewt), yardstick(data)]
    for name in OTHERS:
        path = ROOT / "models" / f"{name}.toml"
        other = read_recipe(path)
        folder = asked.work / name.replace("/", "-")
        if not (folder / "pack.toml").exists():
            for step in build_pack(path, folder, data=data):
                print(
                    f"\r{name}: {step.stage} {step.done}/{step.total}   ", end="", file=sys.stderr
                )
            print(file=sys.stderr)
        pack = load_pack(folder)
        if name.startswith("en/"):
            rows.append(row_of("en, from registries alone", title, pack, ewt))
        for source in other.evaluation:
            lines = as_lines(source, other, path, data)
            if lines:
                rows.append(row_of(other.language, source.title, pack, lines))
    save_section(
        "perplexity",
        title="Language packs: held-out perplexity, unknown words, size",
        order=50,
        columns=(
            "pack; text held out; words; unknown words|%; perplexity|1; with numbers and ends|1; "
            "bits a letter|3; lexicon; MB|1"
        ),
        rows=rows,
        notes=[
            "Perplexity is over lower-cased words of the pack's lexicon; unknown words are not counted"
            " and stand in contexts as <unk>; each sentence begins in the state <s>; punctuation is not"
            " in the stream. The next column counts numbers (one token) and sentence ends as well.",
            "Bits a letter counts everything, unknown words by the letter model, over the text's letters:"
            " it compares packs with different lexicons.",
            "The yardstick is estimated from six open corpora: IRC, Schema-Guided Dialogue, movie reviews,"
            " MASC, Common Voice, CLINC; its list is the shipped pack's word probabilities.",
            "The evaluation text took no part in any choice of the English pack but this report: the"
            " mixture is fitted on held-out sentences of the training sources, each source's by the others.",
            "What the context model adds to the shipped pack stands in the section before, on an eighth of EWT.",
            "de, es, fr, el: tenths of the sources, told by their sentences' content, kept out of training.",
        ],
    )


if __name__ == "__main__":
    main()
