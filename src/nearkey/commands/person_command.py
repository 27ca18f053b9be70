"""`nearkey person …`: adapt to one person, show what was learnt, and forget it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from nearkey.commands.shared import (
    FILE,
    FOLDER,
    FOLDER_THERE,
    fit_option,
    json_option,
    json_text,
    named_or_file,
    output_option,
    pack_option,
    raw_log_options,
    say_written,
    show_fields,
)
from nearkey.errors import PersonalError
from nearkey.files import atomic_write

if TYPE_CHECKING:
    from nearkey.personal import PersonalLanguage


@click.group(short_help="Adapt to one person; export; forget.")
def person() -> None:
    """Adapt to one person, show what was learnt, and forget it.

    A person's FOLDER holds private text, readable by its owner only and not encrypted; see docs/personal.md.
    """


@person.command("adapt")
@click.argument("folder", type=FOLDER)
@click.option(
    "--text", "texts", type=FILE, multiple=True, help="Text the person wrote, lines of it."
)
@click.option("--touches", type=FILE, help="A labelled touch log of the person's.")
@click.option("--people", type=FILE, help="With --touches: a saved PeopleTouch to start from.")
@click.option(
    "--layout", "layout_name", help="With --touches: spec file, or a name of the catalogue."
)
@fit_option
@raw_log_options
@pack_option
@json_option("what was learnt")
def person_adapt(
    folder: str,
    texts: tuple[str, ...],
    touches: str | None,
    people: str | None,
    layout_name: str | None,
    fit_mm: tuple[float, float] | None,
    raw: dict[str, object],
    pack: str,
    as_json: bool,
) -> None:
    """Learn the words of texts, and the touches of a log, into FOLDER, which is made where there is none."""
    from nearkey.decode import LanguageModel
    from nearkey.language import load_pack
    from nearkey.language.reading.corpus import read_lines
    from nearkey.language.reading.textfiles import ReadOptions, ReadReport
    from nearkey.personal import PersonalLanguage
    from nearkey.personal.person import TOUCH, WORDS
    from nearkey.touch import PeopleTouch, PersonTouch, TouchLog, load_touch

    if not texts and touches is None:
        raise PersonalError("nothing to learn from", field="--text, --touches", fix="give one")
    if touches is not None and layout_name is None:
        raise PersonalError("needs a layout", field="--touches", fix="add --layout")
    place = Path(folder)
    learnt: dict[str, object] = {"folder": folder}
    model = None
    if touches is not None and layout_name is not None:
        layout = named_or_file(layout_name, fit_mm)
        log = TouchLog.read(touches, **raw)  # type: ignore[arg-type]
        start = place / TOUCH if (place / TOUCH).exists() else people
        if start is None:
            raise PersonalError(
                "has no touch model yet",
                where=folder,
                fix="say --people MODEL, a saved PeopleTouch",
            )
        model = load_touch(start)
        model = model.person() if isinstance(model, PeopleTouch) else model
        if not isinstance(model, PersonTouch):
            raise PersonalError(
                "is no model of people", where=str(start), fix="fit a PeopleTouch and save it"
            )
        model.partial_fit(log, layout)
        learnt["touches"] = len(log)
    lines = list(read_lines([Path(t) for t in texts], "lines", ReadOptions(), ReadReport()))
    language = load_pack(pack) if texts else None
    place.mkdir(mode=0o700, parents=True, exist_ok=True)
    if language is not None:
        words = 0
        with PersonalLanguage.open(place / WORDS, language) as store:
            model_of_words: LanguageModel = language.language_model
            for line in lines:
                state = model_of_words.start()
                for word in line.split():
                    words += store.learn(word.strip('.,;:!?"()'), state) is not None
                    state = model_of_words.advance(state, word.lower())
            learnt["words"] = words
            learnt["new_words"] = len(store.new_words)
    if model is not None:
        model.save(place / TOUCH)
        (place / TOUCH).chmod(0o600)
    show_fields(learnt, as_json)


@person.command("export")
@click.argument("folder", type=FOLDER_THERE)
@output_option("JSON file; standard output without it.", suffix=".json")
@pack_option
def person_export(folder: str, output: str | None, pack: str) -> None:
    """All that FOLDER holds of a person, words and touches, as JSON: what she may ask to see."""
    from nearkey.personal.person import TOUCH, WORDS
    from nearkey.touch.model_files import read_model_file

    words, touch = Path(folder) / WORDS, Path(folder) / TOUCH
    held: dict[str, object] = {}
    if words.exists() or not touch.exists():
        with _words_of(folder, pack, read_only=True) as store:
            held = store.export()
    if touch.exists():
        held = {**held, "touch": read_model_file(touch)}
    text = json_text(held)
    if output is None:
        click.echo(text)
        return
    with atomic_write(output, private=True) as file:
        file.write(text + "\n")
    say_written(output)


@person.command("forget")
@click.argument("folder", type=FOLDER_THERE)
@click.argument("words", nargs=-1)
@click.option("--everything", is_flag=True, help="All words and touches.")
@pack_option
def person_forget(folder: str, words: tuple[str, ...], everything: bool, pack: str) -> None:
    """Forget WORDS, with every phrase that holds them, or --everything; from the files, too."""
    from nearkey.personal.person import TOUCH, WORDS

    if bool(words) == everything:
        raise PersonalError(
            "says what to forget in no way or in two",
            field="WORDS",
            fix="name words, or say --everything",
        )
    if everything:
        for name in (WORDS, TOUCH):
            (Path(folder) / name).unlink(missing_ok=True)
        click.echo(f"{folder}: forgot everything")
        return
    with _words_of(folder, pack) as store:
        for word in words:
            known = store.forget(word)
            click.echo(f"{word}: {'forgotten' if known else 'was not known'}")


def _words_of(folder: str, pack: str, *, read_only: bool = False) -> PersonalLanguage:
    from nearkey.language import load_pack
    from nearkey.personal import PersonalLanguage
    from nearkey.personal.person import WORDS

    path = Path(folder) / WORDS
    if not path.exists():
        raise PersonalError("no person's words", where=str(path), fix="check the folder")
    return PersonalLanguage.open(path, load_pack(pack), read_only=read_only)
