"""From a recipe to a pack's folder."""

from __future__ import annotations

import os
import shutil
from collections.abc import Generator, Mapping, Sequence, Set
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import PackError
from nearkey.language import info, lexicon
from nearkey.language.mapped_files import fits_in
from nearkey.language.pack import Pack, load_pack
from nearkey.language.reading.streams import TextStream, encode_stream, first_words, split_stream
from nearkey.language.tokens import BOS, FIRST_WORD, Normalise, word_reader
from nearkey.packs import BuildProgress
from nearkey.packs.backoff import prune_to_size
from nearkey.packs.context_part import fit_context, read_trained
from nearkey.packs.evaluate import held_out_record, mixture_record
from nearkey.packs.fetch import DATA_VARIABLE, cache_folder
from nearkey.packs.intake import Intake, read_sources
from nearkey.packs.ngram_counts import remove_pieces
from nearkey.packs.pack_folder import finish_pack, new_folder
from nearkey.packs.quantise import quantised, write_table
from nearkey.packs.recipe import Recipe, TextSource, WordSource, read_recipe
from nearkey.packs.vocabulary import (
    check_writing,
    choose_words,
    corpus_words,
    count_punctuation,
    usual_forms,
)
from nearkey.packs.words_model import (
    estimate_letters,
    lexicon_log_probs,
    list_unigram,
    mix_sources,
    unmet_weight,
)

KEPT_FILES = ("lexicon.marisa", "words.bin", "letters.ngram", "case.bin", "marks.bin")
"""What `LexiconPart.keep` takes over."""

EVALUATED_TOKENS, BLOCKS = 40_000, 20
"""How much of an evaluation text a context model is measured on, and in how many stretches: the time is the same for a
token. The benchmarks read all of it."""

FITTED_TOKENS = 2_500
"""Tokens of each held-out text that the weight of a context model is fitted on: each takes a millisecond and more."""


@dataclass(frozen=True, slots=True)
class BuildReport:
    """What a build did.

    `info` is the pack's record; `dropped` what was left out of each source, by reason; `lexicon` how many
    words each rule admitted or dropped; `left_out` the optional texts that were not there; `weights` and
    `held_out_perplexity` as `MixedSources` has them; `unpruned` the n-grams of each order before pruning;
    `letter_bits` the letter model's bits per letter on held-out unknown words.
    """

    info: info.PackInfo
    dropped: dict[str, dict[str, int]]
    lexicon: dict[str, int]
    left_out: list[str]
    weights: list[dict[str, tuple[float, float]]]
    held_out_perplexity: float
    unpruned: tuple[int, ...]
    letter_bits: float

    def summary(self) -> dict[str, Any]:
        """The figures to show, as plain values."""
        measures = ("perplexity", "perplexity_with_ends", "oov_rate")
        return {
            "words": self.info.words,
            "ngrams": self.info.ngrams,
            "bytes": self.info.n_bytes,
            "held_out": {
                record.title: {name: getattr(record, name) for name in measures}
                for record in self.info.held_out
            },
            "dropped": self.dropped,
            "lexicon": self.lexicon,
        }


def build_pack(
    recipe_path: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    data: str | os.PathLike[str] | None = None,
    cache: str | os.PathLike[str] | None = None,
    context_model: str | os.PathLike[str] | None = None,
    max_bytes: int = 1 << 30,
    keep_texts: bool = False,
    allow_outside: bool = False,
) -> Generator[BuildProgress, None, BuildReport]:
    """Build the pack of a recipe into the folder `out`, which appears whole or not at all.

    Yields progress records and returns a report; run it to its end, say by `nearkey.packs.finished`. The
    same inputs give the same bytes.

    Parameters
    ----------
    recipe_path : the recipe, a TOML file (see docs/packs.md).
    out : folder of the pack; one that is there is replaced.
    data : folder of the corpora that no registry carries.
    cache : where fetched packages and readings of the texts are kept, and counts until the build is done;
        by default `fetch.cache_folder`.
    context_model : folder of a trained context model for the words of this lexicon (see `nearkey pack train`), or of
        a pack that has one: it becomes part of the pack, mixed with the n-gram table. By default that of the pack
        that ``lexicon.keep`` names, where it has one.
    keep_texts : keep readings and counts of texts that lie beside the recipe as well, so that an interrupted build goes
        on where it stopped. They may be private, and the texts can be made out from what is kept: by default nothing
        of them is.
    allow_outside : let the recipe's patterns lead out of its folder; for recipes of one's own.
    max_bytes : memory for counting n-grams; a text that needs more is counted piece by piece on the disk.

    Raises PackError for a recipe or an input that cannot be used, and when the disk is full.
    """
    path, target = Path(recipe_path), Path(out)
    recipe = read_recipe(path)
    kept = cache_folder() if cache is None else Path(cache)
    private = not keep_texts and any(source.origin == "here" for source in recipe.text)
    with new_folder(target) as folder:
        counts = folder.parent / "counts" if private else kept / "count" / recipe.name
        intake = yield from read_sources(
            recipe,
            path,
            data=data,
            cache=kept,
            keep_texts=keep_texts,
            allow_outside=allow_outside,
        )
        report = yield from _build_into(
            folder, recipe, path, intake, context_model, max_bytes, counts
        )
    remove_pieces(counts)
    yield BuildProgress("done", 1, 1, os.fspath(target))
    return report


def _build_into(
    folder: Path,
    recipe: Recipe,
    path: Path,
    intake: Intake,
    context_model: str | os.PathLike[str] | None,
    max_bytes: int,
    work: Path,
) -> Generator[BuildProgress, None, BuildReport]:
    texts = [source for source in recipe.text if source.name in intake.streams]
    if not texts:
        fix = f"name the data folder by --data or {DATA_VARIABLE}"
        raise PackError("none of the optional texts is there", where=path, field="text", fix=fix)
    yield BuildProgress("lexicon")
    counted = corpus_words(intake.streams, recipe.normalise)
    check_writing(counted.count, recipe.alphabet, where=path)
    kept, chance = None, set[str]()
    if recipe.lexicon.keep:
        kept = load_pack(path.parent / recipe.lexicon.keep, context_model=False)
        _check_kept(kept, recipe, path)
        words, tally = list(kept.lexicon.words), {"kept": len(kept.lexicon)}
        if context_model is None and kept.info.context is not None:
            context_model = kept.folder
    else:
        words, tally, chance = choose_words(
            intake.frequencies,
            counted,
            intake.spelling,
            recipe.lexicon,
            alphabet=recipe.alphabet,
            elisions=recipe.elisions,
            language=recipe.language,
        )
    trained = (
        None if context_model is None else read_trained(context_model, FIRST_WORD + len(words))
    )
    token_of = {word: at + FIRST_WORD for at, word in enumerate(words)}
    reader = partial(word_reader, normalise=recipe.normalise, elisions=recipe.elisions)
    every = reader(token_of)
    taught = reader({word: token for word, token in token_of.items() if word not in chance})

    held_out_fraction = recipe.model.held_out_permille / 1000
    training: dict[str, NDArray[np.int64]] = {}
    held_out: dict[str, NDArray[np.int64]] = {}
    held_counts = np.zeros(FIRST_WORD + len(words))
    for source in texts:
        stream = intake.streams[source.name]
        if source.held_out:
            stream, held = split_stream(stream, held_out=held_out_fraction)
            held = first_words(held, recipe.model.held_out_words)
            if held.n_words:
                held_out[source.name] = encode_stream(held, taught)
                held_counts += np.bincount(encode_stream(held, every), minlength=len(held_counts))
        training[source.name] = encode_stream(stream, taught)
    if not held_out:
        raise PackError(
            "no text is held out to fit the mixture",
            where=path,
            field="text.held_out",
            fix="give more text, or a larger model.held_out_permille",
        )
    unmet: tuple[NDArray[np.bool_], float] | None = None
    if not intake.frequencies:
        met = np.array([counted.count.get(word, 0) for word in words], dtype=np.float64)
        held_words = held_counts[FIRST_WORD:]
        listed = np.array([word in intake.spelling for word in words], dtype=np.bool_)
        unmet = met == 0, unmet_weight(np.maximum(met - held_words, 0), held_words, listed)
    unigram = list_unigram(intake.frequencies, words, list(training.values()), unmet)
    mixed = yield from mix_sources(
        training,
        held_out,
        unigram,
        order=recipe.model.order,
        max_bytes=max_bytes,
        work=work,
    )
    yield BuildProgress("prune")
    model, _ = prune_to_size(mixed.model, mixed.mass, fits=fits_in(recipe.model.max_bytes))
    fitted = ([dict(level) for level in mixed.weights], mixed.held_out_perplexity)
    unpruned = mixed.model.tree.sizes()
    del mixed  # the largest thing there is
    yield BuildProgress("write", 0, 4, "words.ngram")
    write_table(folder / "words.ngram", model)
    if kept is not None:
        for name in KEPT_FILES:
            shutil.copyfile(kept.folder / name, folder / name)
        letter_bits = float("nan")
        symbols, letter_ngrams = kept.info.letter_symbols, kept.info.letter_ngrams
    else:
        symbols = recipe.alphabet + "'-"
        letter_ngrams, letter_bits = yield from _write_word_by_word(
            folder,
            recipe,
            intake,
            words,
            chance,
            lexicon_log_probs(training, held_out, unigram),
            symbols,
            None if unmet is None else unmet[0],
        )
    context = None
    if trained is not None:
        yield BuildProgress("context", 0, 2, "weights of the mixture")
        context = fit_context(folder, trained, [_first(stream) for stream in held_out.values()])
    yield BuildProgress("evaluate")
    evaluated = {
        source.title: encode_stream(intake.evaluation[source.name], every)
        for source in recipe.evaluation
        if source.name in intake.evaluation
    }
    if context is None:
        written = quantised(model)
        held_records = [held_out_record(written, text, title) for title, text in evaluated.items()]
    else:
        record, network, table = context
        held_records = [
            mixture_record(
                network, table, record.weights, spread_out(text, EVALUATED_TOKENS), title
            )
            for title, text in evaluated.items()
        ]
    made = _pack_info(
        recipe,
        intake,
        words,
        model.tree.sizes(),
        letter_ngrams,
        symbols,
        held_records,
        None if context is None else context[0],
    )
    return BuildReport(
        finish_pack(folder, made, _notices(recipe, intake)),
        {name: dict(read.dropped) for name, read in intake.reports.items()},
        dict(tally),
        intake.left_out,
        *fitted,
        unpruned,
        letter_bits,
    )


def _write_word_by_word(
    folder: Path,
    recipe: Recipe,
    intake: Intake,
    words: list[str],
    chance: set[str],
    log_probs: NDArray[np.float64],
    symbols: str,
    lacking: NDArray[np.bool_] | None,
) -> Generator[BuildProgress, None, tuple[list[int], float]]:
    """Write what is said of each word by itself: spelling, probability without context, case, punctuation.

    Returns the letter model's numbers of n-grams, and its bits a letter.
    """
    index = {word: at for at, word in enumerate(words)}
    held_out_fraction = recipe.model.held_out_permille / 1000
    yield BuildProgress("write", 1, 4, "letters.ngram")
    # A list may be of another kind of words than the text's: the letter model weighs the two.
    met = words if lacking is None else [words[i] for i in np.flatnonzero(~lacking)]
    listed = [word for word in intake.frequencies if word not in index]
    listed += [] if lacking is None else [words[i] for i in np.flatnonzero(lacking)]
    letters, letter_bits = estimate_letters(
        met,
        sorted(listed),
        _unknown_words(intake.streams, index.keys() - chance, recipe.normalise),
        symbols,
        order=recipe.model.letter_order,
        max_bytes=recipe.model.letter_max_bytes,
    )
    write_table(folder / "letters.ngram", letters)
    yield BuildProgress("write", 2, 4, "words.bin")
    offensive = intake.offensive - set(recipe.lexicon.not_offensive)
    flags = np.array(
        [lexicon.FLAG_OFFENSIVE if word in offensive else 0 for word in words], dtype=np.uint8
    )
    lexicon.write_lexicon(folder, words, log_probs, flags, fold_accents=recipe.lexicon.fold_accents)
    yield BuildProgress("write", 3, 4, "case.bin, marks.bin")
    cased = [
        intake.streams[source.name]
        for source in recipe.text
        if source.cased and source.name in intake.streams
    ]
    lexicon.write_truecase(
        folder / "case.bin",
        usual_forms(cased, intake.spelling.forms, intake.spelling, index, recipe.normalise),
    )
    lexicon.write_punctuation(
        folder / "marks.bin",
        *count_punctuation(cased, index, recipe.normalise, held_out=held_out_fraction),
    )
    return list(letters.tree.sizes()), letter_bits


def _pack_info(
    recipe: Recipe,
    intake: Intake,
    words: list[str],
    ngrams: Sequence[int],
    letter_ngrams: list[int],
    symbols: str,
    held_out: list[info.HeldOut],
    context: info.ContextRecord | None,
) -> info.PackInfo:
    """The record of a pack of `recipe`, its files not yet listed.

    words, ngrams, letter_ngrams, symbols, held_out, context : what was made: the lexicon, numbers of n-grams of both
    models and symbols of the letter model, measures on evaluation texts, and the context model's record.
    """
    sources = []
    every: list[TextSource | WordSource] = [*recipe.text, *recipe.words]
    for source in every:
        stream = intake.streams.get(source.name)
        if stream is None and source in recipe.text:
            continue  # an optional text that was not there
        sizes = () if stream is None else (stream.n_sentences, stream.n_words)
        about = (source.title, source.kind, source.origin, source.licence, source.attribution)
        sources.append(info.SourceRecord(*about, *sizes))
    return info.PackInfo(
        format=info.FORMAT,
        name=recipe.name,
        language=recipe.language,
        title=recipe.title,
        version=recipe.version,
        licence=recipe.licence,
        alphabet=recipe.alphabet,
        letter_symbols=symbols,
        fold_accents=recipe.lexicon.fold_accents,
        abbreviations=list(recipe.abbreviations or ()),
        elisions=list(recipe.elisions),
        words=len(words),
        ngrams=list(ngrams),
        letter_ngrams=letter_ngrams,
        training_words=sum(stream.n_words for stream in intake.streams.values()),
        sources=sources,
        held_out=held_out,
        context=context,
        files={},
    )


def _notices(recipe: Recipe, intake: Intake) -> dict[str, str]:
    """Source title to the notice that it wants passed on, each text once."""
    used = [source for source in recipe.text if source.name in intake.streams]
    titles: dict[str, list[str]] = {}
    for source in (*used, *recipe.words):
        if source.title in intake.notices:
            titles.setdefault(intake.notices[source.title], []).append(source.title)
    return {"; ".join(dict.fromkeys(of)): notice for notice, of in titles.items()}


def _check_kept(kept: Pack, recipe: Recipe, path: Path) -> None:
    """PackError where a pack whose words are to stay spells by other rules than the recipe."""
    for field in ("alphabet", "elisions", "abbreviations"):
        if getattr(kept.info, field) != getattr(recipe, field):
            raise PackError(
                f"differs from that of {kept.folder}, whose words are to stay",
                where=path,
                field=field,
                fix="make them equal, or take lexicon.keep out",
            )


def spread_out(stream: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """A text, or of a long one whole sentences in `BLOCKS` stretches from all over it, about `most` tokens in all."""
    if len(stream) <= most:
        return stream
    starts = np.append(np.flatnonzero(stream == BOS), len(stream))
    first = np.linspace(0, len(stream) - most // BLOCKS, BLOCKS)
    bounds = starts[np.searchsorted(starts, [first, first + most // BLOCKS])]
    return np.concatenate([stream[a:b] for a, b in bounds.T])


def _first(stream: NDArray[np.int64]) -> NDArray[np.uint32]:
    """The first whole sentences of a text, about `FITTED_TOKENS` tokens."""
    starts = np.append(np.flatnonzero(stream == BOS), len(stream))
    end = starts[np.searchsorted(starts, min(FITTED_TOKENS, len(stream)), side="right") - 1]
    return stream[: end or len(stream)].astype(np.uint32)


def _unknown_words(
    streams: Mapping[str, TextStream], known: Set[str], normalise: Normalise
) -> list[str]:
    """Distinct words of the running text outside the lexicon, hyphenated ones as their parts."""
    unknown: set[str] = set()
    for stream in streams.values():
        for surface in stream.surfaces:
            word = normalise(surface)
            if word not in known:
                unknown.update(part for part in word.split("-") if part and part not in known)
    return sorted(unknown)
