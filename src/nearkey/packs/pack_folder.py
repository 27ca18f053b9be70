"""The folder of a pack that is made: it appears whole or not at all, with its record and its licence note."""

from __future__ import annotations

import errno
import glob
import re
import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from nearkey.errors import PackError
from nearkey.files import held_lock, is_held
from nearkey.language import info
from nearkey.packs.backoff import BackoffModel
from nearkey.packs.intake import Intake
from nearkey.packs.licences import combinable, licence_link, licence_names
from nearkey.packs.recipe import Recipe, TextSource, WordSource

_STALE_S = 86_400.0


@contextmanager
def new_folder(target: Path) -> Iterator[Path]:
    """A folder to write into, which takes the place of `target` at the end; after an error it is gone.

    Raises PackError when the disk is full.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    for left in target.parent.glob(f".{glob.escape(target.name)}.*"):
        # What builds that were killed left there: their lock is gone; or, without one, a day old.
        if left.is_dir() and _abandoned(left):
            shutil.rmtree(left, ignore_errors=True)
    with tempfile.TemporaryDirectory(prefix=f".{target.name}.", dir=target.parent) as temporary:
        folder = Path(temporary) / "pack"
        folder.mkdir()
        try:
            with held_lock(Path(temporary) / "lock"):
                yield folder
        except OSError as fault:
            full = fault.errno in (errno.ENOSPC, errno.EDQUOT)
            if not full and fault.errno not in (errno.EFBIG, errno.EIO):
                raise
            raise PackError(
                "the disk is full" if full else f"cannot be written ({fault.strerror})",
                where=target,
                fix="free some space, then build again",
            ) from fault
        if target.exists():
            target.replace(Path(temporary) / "replaced")
        folder.replace(target)


def _abandoned(left: Path) -> bool:
    lock = left / "lock"
    if lock.is_file():
        return not is_held(lock)
    return time.time() - left.stat().st_mtime > _STALE_S


def finish_pack(folder: Path, made: info.PackInfo, notices: Mapping[str, str]) -> info.PackInfo:
    """Write ``LICENCE.md`` and ``pack.toml`` of a folder that holds all else; the info with its files listed.

    notices : source title to text, for the licence note.
    """
    (folder / "LICENCE.md").write_text(_licence_text(made, notices), encoding="utf-8")
    return info.finish_folder(folder, made)


def pack_info(
    recipe: Recipe,
    intake: Intake,
    words: list[str],
    model: BackoffModel,
    letter_ngrams: list[int],
    symbols: str,
    held_out: list[info.HeldOut],
    context: info.ContextRecord | None = None,
) -> info.PackInfo:
    """The record of a pack of `recipe`, its files not yet listed.

    words, model, letter_ngrams, symbols, held_out, context : what was made: the lexicon, the n-gram model, numbers of
    n-grams and symbols of the letter model, measures on evaluation texts, and the context model's record.
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
        ngrams=list(model.tree.sizes()),
        letter_ngrams=letter_ngrams,
        training_words=sum(stream.n_words for stream in intake.streams.values()),
        sources=sources,
        held_out=held_out,
        context=context,
        files={},
    )


def notices(recipe: Recipe, intake: Intake) -> dict[str, str]:
    """Source title to the notice that it wants passed on, each text once."""
    used = [source for source in recipe.text if source.name in intake.streams]
    titles: dict[str, list[str]] = {}
    for source in (*used, *recipe.words):
        if source.title in intake.notices:
            titles.setdefault(intake.notices[source.title], []).append(source.title)
    return {"; ".join(dict.fromkeys(of)): notice for notice, of in titles.items()}


def _linked(expression: str) -> str:
    """A licence expression, each licence with a link to its text where it has a public place."""
    for name in sorted(licence_names(expression), key=len, reverse=True):
        link = licence_link(name)
        if link is not None:
            outside = rf"(?<![\w./-]){re.escape(name)}(?![\w./-])"
            expression = re.sub(outside, f"[{name}]({link})", expression)
    return expression


def _licence_text(made: info.PackInfo, notices: Mapping[str, str]) -> str:
    """LICENCE.md: the pack's own licence, each source with its licence and attribution, the notices."""
    lines = [
        f"# Licence of the language pack “{made.title}” ({made.name} {made.version})",
        "",
        f"This pack holds words and probabilities estimated from the sources below. It is licensed under"
        f" **{_linked(made.licence)}**. It holds none of their texts: what was changed is that words were"
        " counted, and probabilities estimated from the counts. It comes as it is, without warranty of any"
        " kind, as do its sources. The program that reads it has a licence of its own.",
        "",
        "| source | found at | licence | attribution |",
        "|---|---|---|---|",
    ]
    lines += [
        f"| {source.title} | {f'`{source.origin}`' if ':' in source.origin else '-'}"
        f" | {_linked(source.licence)} | {source.attribution} |"
        for source in made.sources
    ]
    unknown = [
        source.title
        for source in made.sources
        if source.kind != "adapt" and combinable(source.licence, made.licence) is None
    ]
    if unknown:
        lines += [
            "",
            "**Before you pass this pack on**, find out whether its licence may cover these sources, whose"
            f" licences nearkey's table does not know: {'; '.join(unknown)}.",
        ]
    if made.held_out and not any(source.kind == "adapt" for source in made.sources):
        titles = "; ".join(record.title for record in made.held_out)
        lines += ["", f"Used for evaluation only, with nothing of it in the pack: {titles}."]
    for title, notice in notices.items():
        lines += ["", f"## {title}", "", notice.strip()]
    return "\n".join(lines) + "\n"
