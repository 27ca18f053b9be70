"""What pack.toml and LICENCE.md say of a build."""

from __future__ import annotations

from nearkey.language import info
from nearkey.packs.backoff import BackoffModel
from nearkey.packs.intake import Intake
from nearkey.packs.recipe import Recipe, TextSource, WordSource

__all__ = ["notices", "pack_info"]


def pack_info(
    recipe: Recipe,
    intake: Intake,
    words: list[str],
    model: BackoffModel,
    letters: BackoffModel,
    symbols: str,
    held_out: list[info.HeldOut],
) -> info.PackInfo:
    """The pack's record, its files not yet listed."""
    used: list[TextSource | WordSource] = [
        *(source for source in recipe.text if source.name in intake.streams),
        *recipe.words,
    ]
    sources = [
        info.SourceRecord(
            source.title,
            source.kind,
            source.origin,
            source.licence,
            source.attribution,
            *(
                (intake.streams[source.name].n_sentences, intake.streams[source.name].n_words)
                if source.name in intake.streams
                else ()
            ),
        )
        for source in used
    ]
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
        abbreviations=list(recipe.abbreviations),
        elisions=list(recipe.elisions),
        words=len(words),
        ngrams=list(model.tree.sizes()),
        letter_ngrams=list(letters.tree.sizes()),
        training_words=sum(stream.n_words for stream in intake.streams.values()),
        sources=sources,
        held_out=held_out,
        files={},
    )


def notices(recipe: Recipe, intake: Intake) -> dict[str, str]:
    """The notices to pass on, each text once."""
    found: dict[str, str] = {}
    for source in recipe.text:
        if source.name in intake.streams:
            found.setdefault(source.notice, source.title)
    for words in recipe.words:
        found.setdefault(words.notice, words.title)
    return {title: notice for notice, title in found.items() if notice}
