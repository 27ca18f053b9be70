"""Mixing a small in-domain text into a finished pack."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Generator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from nearkey._kernel import ContextModel, NgramTable
from nearkey.errors import PackError
from nearkey.language import info, lexicon
from nearkey.language.arrays import map_bytes
from nearkey.language.mapped_files import fits_in
from nearkey.language.pack import Pack, load_pack
from nearkey.language.reading.corpus import read_lines
from nearkey.language.reading.streams import TextStream, encode_stream, read_stream, split_stream
from nearkey.language.reading.textfiles import ReadOptions, ReadReport
from nearkey.language.tokens import (
    BOS,
    EOS,
    FIRST_WORD,
    UNK,
    joins_marks,
    letters_of,
    word_order,
    word_reader,
)
from nearkey.packs import BuildProgress
from nearkey.packs.backoff import BackoffModel, FloatArray, prune_to_size
from nearkey.packs.context_part import (
    TrainedContext,
    fit_shares,
    read_trained,
    renumbered,
    write_context,
)
from nearkey.packs.evaluate import held_out_record, mixture_record
from nearkey.packs.interpolation import (
    MixtureSource,
    fit_fixed_weights,
    fit_mixture_weights,
    interpolate,
    source_evidence,
)
from nearkey.packs.ngram_counts import count_ngrams
from nearkey.packs.pack_folder import finish_pack, new_folder
from nearkey.packs.quantise import read_table, write_table
from nearkey.packs.tree import IntArray, NgramTree
from nearkey.packs.vocabulary import usual_forms
from nearkey.packs.words_model import word_shares

HELD_OUT_FRACTION = 0.2
MIN_NEW_WORD = 2
LEAST_BYTES = 65_536
"""A table gets so much room, however small the base's is."""


@dataclass(frozen=True, slots=True)
class AdaptReport:
    """What an adaptation did: words added and read, and held-out measures before and after."""

    new_words: list[str]
    words_read: int
    before: info.HeldOut
    after: info.HeldOut

    def summary(self) -> dict[str, Any]:
        """The figures to show, as plain values."""
        return {
            "words_read": self.words_read,
            "new_words": len(self.new_words),
            "perplexity_before": self.before.perplexity,
            "perplexity_after": self.after.perplexity,
        }


def adapt_pack(
    base: str | os.PathLike[str],
    texts: Sequence[str | os.PathLike[str]],
    out: str | os.PathLike[str],
    *,
    kind: str = "lines",
    column: str = "text",
    encoding: str = "utf-8",
    name: str | None = None,
    in_domain_share: float = 0.5,
) -> Generator[BuildProgress, None, AdaptReport]:
    """Build the pack `out` from a finished pack and in-domain text; yields progress and returns a report.

    Words the text uses at least twice join the lexicon. The weights of base and text are fitted on a
    fifth of the text's sentences (chosen by their content) and on sentences drawn from the base, which
    stand for all else that will be typed. The gain is measured on the same fifth before the final
    estimate, which uses all of the text. The n-gram table keeps the base's size.

    Parameters
    ----------
    base : folder or name of the pack.
    texts, kind, column, encoding : files, how to read them (see `corpus.read_lines`), their text column.
    out : folder of the new pack; one that is there is replaced.
    name : of the new pack; by default the base's with "-adapted".
    in_domain_share : how much of what will be typed is like the texts, 0 to 1.

    The result carries words and word sequences of the text: where the text is private, so is the pack.
    Raises PackError for a text without words, or too short to hold anything out.
    """
    yield BuildProgress("read", 0, len(texts))
    pack = load_pack(base)
    options = ReadOptions(encoding, column=column)
    stream = read_stream(
        read_lines([Path(text) for text in texts], kind, options, ReadReport()),
        abbreviations=frozenset(pack.info.abbreviations),
        combining=joins_marks(pack.alphabet),
    )
    names = ", ".join(os.fspath(text) for text in texts)
    if stream.n_words == 0:
        raise PackError("holds no words", where=names, fix="give running text")
    training, held = split_stream(stream, held_out=HELD_OUT_FRACTION)
    if not held.n_words or not training.n_words:
        raise PackError("is too short to hold a part out", where=names, fix="give more text")
    new_words = _new_words(stream, pack)
    words = sorted([*pack.lexicon.words, *new_words], key=word_order)
    token_of = {word: at + FIRST_WORD for at, word in enumerate(words)}
    tokens_of = word_reader(token_of, pack.lexicon.normalise, pack.info.elisions)
    encode = partial(encode_stream, tokens_of=tokens_of)
    encoded, held_stream = encode(stream), encode(held)

    yield BuildProgress("estimate", 1, 3)
    old = read_table(pack.folder / "words.ngram")
    of_old = np.array(
        [*range(FIRST_WORD), *(token_of[word] for word in pack.lexicon.words)], dtype=np.int64
    )
    moved = _renumbered(old, pack, words, of_old)
    titles = ("in-domain text, before adapting", "in-domain text, after adapting")
    before = held_out_record(moved.model, held_stream, titles[0])
    order = max(3, old.order)

    def in_domain(text: IntArray) -> MixtureSource:
        counts = count_ngrams(text, order=order, vocab_size=len(words) + FIRST_WORD)
        return MixtureSource.of(counts, base=np.exp(moved.model.log_prob[0]))

    trained = encode(training)
    sources = [moved, in_domain(trained)]
    drawn = of_old[_drawn(pack)]
    shares = ((held_stream, in_domain_share), (drawn, 1.0 - in_domain_share))
    evidence = [
        source_evidence(sources, text, order=order, total_weight=share)[0] for text, share in shares
    ]
    mixture_weights = [fit_mixture_weights(level)[0] for level in zip(*evidence, strict=True)]
    trial, _ = interpolate(sources, mixture_weights)
    after = held_out_record(trial, held_stream, titles[1])
    context = None
    if pack.info.context is not None:
        # For the new words, too, which it leaves to the table.
        kept = read_trained(pack.folder, len(of_old))
        network = renumbered(kept, of_old, FIRST_WORD + len(words))
        with tempfile.TemporaryDirectory() as scratch:
            context, (before, after) = _mixed_again(
                network, (moved.model, trial), held_stream, titles, in_domain_share, Path(scratch)
            )
    report = AdaptReport(new_words, stream.n_words, before, after)
    del trial

    yield BuildProgress("mix", 2, 3)
    model, mass = interpolate([moved, in_domain(encoded)], mixture_weights)
    small = len(words) + FIRST_WORD <= 1 << 16
    limit = pack.info.files["words.ngram"].bytes + (0 if small else 2 * sum(old.tree.sizes()))
    model, _ = prune_to_size(model, mass, fits=fits_in(max(limit, LEAST_BYTES)))
    target = Path(out)
    with new_folder(target) as folder:
        write_table(folder / "words.ngram", model)
        shutil.copyfile(pack.folder / "letters.ngram", folder / "letters.ngram")
        if context is not None:
            write_context(folder, network)
        _write_lexicon(folder, pack, words, of_old, encoded, trained, held_stream)
        _write_usage(folder, pack, words, stream)
        base_licence = (pack.folder / "LICENCE.md").read_text("utf-8").splitlines()
        finish_pack(
            folder,
            _new_info(pack, name, words, model, report, context),
            {"Licence of the base": "\n".join(f"> {line}".rstrip() for line in base_licence)},
        )
    yield BuildProgress("done", 3, 3, os.fspath(target))
    return report


def _drawn(pack: Pack, *, sentences: int = 400, seed: int = 1) -> IntArray:
    """Tokens of sentences drawn from a pack's word model; unknown words and numbers are drawn again."""
    rng = np.random.default_rng(seed)
    model, drawn = pack.ngram_model, list[int]()
    tokens = np.array([EOS, *range(FIRST_WORD, model.table.vocab)], dtype=np.uint32)
    for _ in range(sentences):
        state, sentence = model.start(), [BOS]
        while len(sentence) <= 30:
            probs = np.cumsum(np.exp(model.table.log_probs(state, tokens)))
            token = int(tokens[np.searchsorted(probs, rng.random() * probs[-1])])
            if token == EOS:
                break
            sentence.append(token)
            state = model.push(state, token)
        drawn += [*sentence, EOS] if len(sentence) > 1 else []
    return np.array(drawn, dtype=np.int64)


def _mixed_again(
    network: TrainedContext,
    tables: Sequence[BackoffModel],
    held_out: IntArray,
    titles: Sequence[str],
    in_domain_share: float,
    work: Path,
) -> tuple[info.ContextRecord, list[info.HeldOut]]:
    """The network's record in a mixture with another table, and measures with the table before and with this one.

    tables : before and after. The weights lie between those of before and those that explain the held-out text best, as
    the in-domain share says.
    """
    record, measures = write_context(work, network), []
    reader = ContextModel(map_bytes(work / info.CONTEXT_FILE))
    for number, (table, title) in enumerate(zip(tables, titles, strict=True)):
        write_table(work / f"{number}.ngram", table)
        compiled = NgramTable(map_bytes(work / f"{number}.ngram"))
        weights = [*record.weights, *[record.weights[-1]] * table.order][: table.order]
        if number > 0:
            fitted, words = fit_shares(reader, compiled, [held_out.astype(np.uint32)])
            weights = [
                round(in_domain_share * new + (1 - in_domain_share) * old, 4)
                for new, old in zip(fitted, weights, strict=True)
            ]
            record = msgspec.structs.replace(record, weights=weights, fitted_words=words)
        measures.append(mixture_record(reader, compiled, weights, held_out, title))
    return record, measures


def _new_words(stream: TextStream, pack: Pack) -> list[str]:
    """Words of the text, used often enough and spelled with the alphabet, that the pack lacks."""
    allowed = frozenset(pack.alphabet)
    totals = stream.word_counts(pack.lexicon.normalise)
    return sorted(
        word
        for word, count in totals.items()
        if count >= MIN_NEW_WORD
        and word not in pack.lexicon
        and "-" not in word
        and len(letters_of(word)) > 1
        and allowed.issuperset(letters_of(word))
        and word[0] != "'"
        and word[-1] != "'"
    )


def _renumbered(
    old: BackoffModel, pack: Pack, words: Sequence[str], of_old: IntArray
) -> MixtureSource:
    """The base model over the new lexicon's token ids, `of_old` by old ones; a new word gets its share of ``<unk>``.

    As counts of contexts, which a finished pack has not got, serve its own probabilities times the
    number of words it was estimated from.
    """
    vocab = len(words) + FIRST_WORD
    unigram = np.full(vocab, -np.inf)
    unigram[of_old] = old.log_prob[0]
    for token in np.setdiff1d(np.arange(vocab), of_old):
        spelled = pack.letter_model.log_prob(words[token - FIRST_WORD])
        unigram[token] = old.log_prob[0][UNK] + spelled
    total = np.exp(unigram[np.arange(vocab) != BOS]).sum()
    unigram[np.arange(vocab) != BOS] -= np.log(total)
    backoff = np.zeros(vocab)
    logs: list[FloatArray] = [unigram]
    backs: list[FloatArray] = []
    if old.order > 1:
        backoff[of_old] = old.backoff[0]
        backs.append(backoff)
    keys: list[IntArray] = []
    place = of_old
    for level in range(2, old.order + 1):
        key = place[old.tree.parent(level)] * vocab + of_old[old.tree.token(level)]
        order = np.argsort(key)
        keys.append(key[order])
        logs.append(old.log_prob[level - 1][order])
        if level < old.order:
            backs.append(old.backoff[level - 1][order])
        place = np.empty(len(order), dtype=np.int64)
        place[order] = np.arange(len(order))
    tree = NgramTree(vocab, tuple(keys))
    model = BackoffModel(tree, tuple(logs), tuple(backs))
    counts: list[NDArray[np.int64]] = []
    log_mass = np.where(np.arange(vocab) == BOS, logs[0].max(), logs[0])
    for level in range(1, old.order):
        if level > 1:
            log_mass = log_mass[tree.parent(level)] + logs[level - 1]
        seen = np.exp(log_mass) * max(1, pack.info.training_words)
        counts.append(np.maximum(1, np.round(seen)).astype(np.int64))
    return MixtureSource(model, tuple(counts))


def _write_lexicon(
    folder: Path,
    pack: Pack,
    words: list[str],
    of_old: IntArray,
    text: IntArray,
    training: IntArray,
    held: IntArray,
) -> None:
    """The lexicon with the probabilities of base and text mixed."""
    known = of_old[FIRST_WORD:] - FIRST_WORD
    base = np.full(len(words), 1e-12)
    base[known] = np.exp(pack.lexicon.log_probs.astype(np.float64))
    base /= base.sum()
    tables = np.stack([base, word_shares(training, len(words))])
    held = held[held >= FIRST_WORD] - FIRST_WORD
    weights = fit_fixed_weights(tables, [(held, (0, 1), len(held))])
    mixed = (weights[0] * base + weights[1] * word_shares(text, len(words))) / weights.sum()
    flags = np.zeros(len(words), dtype=np.uint8)
    flags[known] = pack.lexicon.flags
    fold = pack.info.fold_accents
    lexicon.write_lexicon(folder, words, np.log(mixed), flags, fold_accents=fold)


def _write_usage(folder: Path, pack: Pack, words: list[str], stream: TextStream) -> None:
    """The base's tables of case and punctuation over the new numbering; case of new words from the text."""
    index = {word: at for at, word in enumerate(words)}
    fresh = {word: at for word, at in index.items() if word not in pack.lexicon}
    forms = usual_forms([stream], {}, set(), fresh, pack.lexicon.normalise)
    for word in pack.lexicon.words:
        form = pack.truecase.form(word)
        if form != word:
            forms[index[word]] = (form, pack.truecase.share(word))
    lexicon.write_truecase(folder / "case.bin", forms)
    overall, rows, table = pack.marks.table()
    new_rows = np.array([index[pack.lexicon[int(at)]] for at in rows], dtype=np.int64)
    order = np.argsort(new_rows)
    lexicon.write_punctuation(folder / "marks.bin", overall, new_rows[order], table[order])


def _new_info(
    pack: Pack,
    name: str | None,
    words: list[str],
    model: BackoffModel,
    report: AdaptReport,
    context: info.ContextRecord | None,
) -> info.PackInfo:
    source = info.SourceRecord(
        "in-domain text", "adapt", "given by hand", "as its owner says", "its owner", 0,
        report.words_read,
    )  # fmt: skip
    return msgspec.structs.replace(
        pack.info,
        name=name or f"{pack.info.name}-adapted",
        title=f"{pack.info.title}, adapted",
        words=len(words),
        ngrams=list(model.tree.sizes()),
        training_words=pack.info.training_words + report.words_read,
        sources=[*pack.info.sources, source],
        held_out=[report.before, report.after],
        context=context,
        files={},
    )
