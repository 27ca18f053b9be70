"""Finding and loading language packs."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field, fields, replace
from importlib import metadata
from pathlib import Path
from types import ModuleType
from typing import Any

from nearkey._kernel import ContextModel, NgramTable
from nearkey.errors import PackError
from nearkey.language.arrays import damaged
from nearkey.language.info import CONTEXT_FILE, PackInfo, read_info, verify_files
from nearkey.language.lexicon import Lexicon, PunctuationModel, Truecase
from nearkey.language.mapped_files import NgramHeader, read_context_header, read_header
from nearkey.language.models import FIRST_LETTER, LetterModel, MixedModel, WordModel
from nearkey.language.tokens import BOS, EOS, FIRST_WORD, UNK, joins_marks
from nearkey.logger import LOGGER
from nearkey.pickling import check_pickles

ENTRY_POINTS = "nearkey.packs"
"""Entry point group of packs. The entry's name is the pack's; it points to a module beside whose file
``pack/pack.toml`` (or ``pack.toml``) lies, or to a path, or to a function that returns one."""


@dataclass(frozen=True, slots=True)
class Pack:
    """A language, ready for the decoder.

    Attributes
    ----------
    info : the fields of ``pack.toml``.
    folder : where it was loaded from.
    lexicon, language_model, letter_model : words, P(word | context), P(spelling | unknown word).
        The language model is the n-gram table's, mixed with the context model where the pack has one.
    truecase : how words are written.
    marks : which punctuation follows a word.
    """

    info: PackInfo
    folder: Path
    lexicon: Lexicon
    language_model: WordModel | MixedModel
    letter_model: LetterModel
    truecase: Truecase
    marks: PunctuationModel
    _loaded: dict[str, object] = field(default_factory=dict, repr=False, compare=False)

    @property
    def alphabet(self) -> str:
        """The letters of the language, without apostrophe and hyphen."""
        return self.info.alphabet

    @property
    def ngram_model(self) -> WordModel:
        """The language model's n-gram part; itself where it has no other."""
        model = self.language_model
        return model.ngram if isinstance(model, MixedModel) else model

    def __reduce__(self) -> tuple[Any, ...]:
        # Worker processes map the files anew, where they lie at the same path; what stands in the place of a
        # part that was read from there travels as it is.
        replaced = {
            part.name: getattr(self, part.name)
            for part in fields(self)
            if part.name not in ("info", "folder", "_loaded")
            and self._loaded.get(part.name) is not getattr(self, part.name)
        }
        for name, part in replaced.items():
            check_pickles(part, where=f"pack {self.info.name}", field=name)
        context = isinstance(self._loaded.get("language_model"), MixedModel)
        return _sent, (self.folder.resolve(), self.info, context, replaced)

    def __repr__(self) -> str:
        return f"Pack({self.info.name!r}, {len(self.lexicon)} words, {self.folder})"


def load_pack(name_or_path: str | os.PathLike[str], *, context_model: bool = True) -> Pack:
    """Load a pack: a folder that holds ``pack.toml``, or the name of a pack that can be found.

    Parameters
    ----------
    name_or_path : a path is taken as it is; for a name, see `find_pack`.
    context : use the pack's context model, where it has one; False leaves it out, and with it what it takes:
        some milliseconds for each word of context.

    Every file's checksum is verified, and every table checked whatever its checksum says. Raises
    PackError, naming file, field and fix, for a pack that is not found, damaged, or of a newer format.
    """
    folder = find_pack(name_or_path)
    info = read_info(folder)
    mapped = verify_files(folder, info)
    lexicon = Lexicon.read(folder, language=info.language)
    where = folder / "pack.toml"
    if len(lexicon) != info.words:
        raise damaged(f"not {info.words} words in words.bin", where, "words")
    words = _table(folder, "words.ngram", mapped, FIRST_WORD + info.words, info.ngrams)
    letters = _table(
        folder,
        "letters.ngram",
        mapped,
        FIRST_LETTER + len(info.letter_symbols),
        info.letter_ngrams,
    )
    letter_model = LetterModel(letters, info.letter_symbols)
    ngrams = WordModel(
        words,
        lexicon,
        letter_model,
        abbreviations=info.abbreviations,
        elisions=info.elisions,
        combining=joins_marks(info.alphabet),
    )
    mixed = info.context is not None and context_model
    model = _mixed(folder, mapped, info, ngrams) if mixed else ngrams
    truecase = Truecase.read(folder / "case.bin", lexicon)
    marks = PunctuationModel.read(folder / "marks.bin", lexicon)
    pack = Pack(info, folder, lexicon, model, letter_model, truecase, marks)
    parts = {part.name: getattr(pack, part.name) for part in fields(pack)}
    return replace(pack, _loaded=parts)


def _sent(folder: Path, info: PackInfo, context: bool, replaced: dict[str, Any]) -> Pack:
    """A pack as another process sent it; PackError where the folder holds another one here."""
    pack = load_pack(folder, context_model=context)
    if pack.info.files != info.files:
        raise PackError(
            "is another pack than the one that was sent",
            where=folder,
            fix="put the same pack there on every machine",
        )
    return replace(pack, **replaced) if replaced else pack


def _table(
    folder: Path, name: str, mapped: dict[str, Any], vocab_size: int, counts: list[int]
) -> NgramTable:
    where = folder / name
    header: NgramHeader = read_header(mapped[name], where)
    if header.vocab_size != vocab_size or (header.bos, header.eos, header.unk) != (BOS, EOS, UNK):
        problem = f"vocabulary of {header.vocab_size} tokens where the pack has {vocab_size}"
        raise damaged(problem, where, "byte 12")
    if list(header.counts) != counts:
        raise damaged("not the n-grams that pack.toml says", where, "byte 40")
    try:
        return NgramTable(mapped[name])
    except ValueError as fault:
        raise damaged(str(fault), where) from None


def _mixed(folder: Path, mapped: dict[str, Any], info: PackInfo, ngram: WordModel) -> MixedModel:
    where = os.fspath(folder / CONTEXT_FILE)
    assert info.context is not None
    header = read_context_header(mapped[CONTEXT_FILE], where)
    if header.vocab_size != FIRST_WORD + info.words or header.bos != BOS:
        problem = f"{header.vocab_size} tokens where the pack has {FIRST_WORD + info.words}"
        raise damaged(problem, where, "byte 8")
    try:
        network = ContextModel(mapped[CONTEXT_FILE])
    except ValueError as fault:
        raise damaged(str(fault), where) from None
    try:
        return MixedModel(ngram, network, info.context.weights)
    except ValueError as fault:
        raise damaged(str(fault), folder / "pack.toml", "context.weights") from None


def find_pack(name_or_path: str | os.PathLike[str]) -> Path:
    """The folder of a pack. A path is taken as it is; a name is looked up among the packs inside nearkey,
    the ``models/`` of a source checkout, and installed packs (entry points), in this order: no installed pack takes the
    place of one that nearkey brings along. Give its folder to load it all the same."""
    path = Path(name_or_path)
    if os.path.isfile(path / "pack.toml"):  # noqa: PTH113 - Path.is_file raises for too long a name
        return path
    name = os.fspath(name_or_path)
    if isinstance(name_or_path, os.PathLike) or len(path.parts) != 1 or not name.strip("."):
        raise PackError(
            "no pack.toml in this folder", where=name, fix="give a pack's folder, or a pack's name"
        )
    for found, folder in _reachable(name):
        if found == name and (folder / "pack.toml").is_file():
            return folder
    known = ", ".join(sorted(installed_packs())) or "none"
    install = "install it (pip install 'nearkey[en]')" if name == "en" else "install it"
    raise PackError(
        "no such pack",
        where=name,
        fix=f"{install}, or build it and give its folder (found here: {known})",
    )


def _reachable(
    name: str | None = None, *, passing_over: bool = False
) -> Iterator[tuple[str, Path]]:
    """Names and folders of packs, the first to be taken first; of `name` alone where given.

    passing_over : log an entry point that fails and go on, where it is not the one that was asked for.
    """
    package = Path(__file__).resolve().parents[1]
    for base, inner in ((package / "packs", ""), (package.parents[1] / "models", "pack")):
        for folder in sorted(base.glob("*")):
            yield folder.name, folder / inner
    entries = metadata.entry_points(group=ENTRY_POINTS)
    for entry in entries if name is None else entries.select(name=name):
        try:
            folder = _entry_folder(entry)
        except PackError as fault:
            if not passing_over:
                raise
            LOGGER.warning("%s", fault)
            continue
        yield entry.name, folder


def _entry_folder(entry: metadata.EntryPoint) -> Path:
    try:
        target: Any = entry.load()
        if isinstance(target, ModuleType):
            base = Path(str(target.__file__)).parent
            return base / "pack" if (base / "pack").is_dir() else base
        return Path(target() if callable(target) else target)
    except Exception as fault:
        raise PackError(
            f"its entry point fails: {fault}",
            where=entry.name,
            field=entry.value,
            fix="reinstall it",
        ) from fault


def installed_packs() -> dict[str, Path]:
    """Name and folder of every pack that a name can reach; an entry point that fails is logged and passed over."""
    found: dict[str, Path] = {}
    for name, folder in _reachable(passing_over=True):
        if (folder / "pack.toml").is_file():
            found.setdefault(name, folder)
    return found
