"""Finding and loading language packs."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field, fields, replace
from importlib import metadata
from pathlib import Path
from types import ModuleType
from typing import Any

from nearkey._kernel import NgramTable
from nearkey.errors import PackError
from nearkey.language.arrays import damaged
from nearkey.language.casing import PunctuationModel, Truecase
from nearkey.language.info import PackInfo, read_info, verify_files
from nearkey.language.lexicon import Lexicon
from nearkey.language.models import FIRST_LETTER, LetterModel, WordModel
from nearkey.language.ngram_file import NgramHeader, read_header
from nearkey.language.tokens import BOS, EOS, FIRST_WORD, UNK
from nearkey.pickling import check_pickles

__all__ = ["ENTRY_POINTS", "Pack", "find_pack", "installed_packs", "load_pack"]

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
    truecase : how words are written.
    marks : which punctuation follows a word.
    """

    info: PackInfo
    folder: Path
    lexicon: Lexicon
    language_model: WordModel
    letter_model: LetterModel
    truecase: Truecase
    marks: PunctuationModel
    _loaded: dict[str, object] = field(default_factory=dict, repr=False, compare=False)

    @property
    def alphabet(self) -> str:
        """The letters of the language, without apostrophe and hyphen."""
        return self.info.alphabet

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
        return _sent, (self.folder.resolve(), self.info, replaced)

    def __repr__(self) -> str:
        return f"Pack({self.info.name!r}, {len(self.lexicon)} words, {self.folder})"


def load_pack(name_or_path: str | os.PathLike[str]) -> Pack:
    """Load a pack: a folder that holds ``pack.toml``, or the name of a pack that can be found.

    Every file's checksum is verified. Raises PackError, naming file, field and fix, for a pack that is
    not found, damaged, or of a newer format.
    """
    folder = find_pack(name_or_path)
    info = read_info(folder)
    mapped = verify_files(folder, info)
    lexicon = Lexicon.read(folder)
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
    model = WordModel(
        words, lexicon, letter_model, abbreviations=info.abbreviations, elisions=info.elisions
    )
    truecase = Truecase.read(folder / "case.bin", lexicon)
    marks = PunctuationModel.read(folder / "marks.bin", lexicon)
    pack = Pack(info, folder, lexicon, model, letter_model, truecase, marks)
    parts = {part.name: getattr(pack, part.name) for part in fields(pack)}
    return replace(pack, _loaded=parts)


def _sent(folder: Path, info: PackInfo, replaced: dict[str, Any]) -> Pack:
    """A pack as another process sent it; PackError where the folder holds another one here."""
    pack = load_pack(folder)
    if pack.info.files != info.files:
        raise PackError(
            "is another pack than the one that was sent",
            where=os.fspath(folder),
            fix="put the same pack there on every machine",
        )
    return replace(pack, **replaced) if replaced else pack


def _table(
    folder: Path, name: str, mapped: dict[str, Any], vocab_size: int, counts: list[int]
) -> NgramTable:
    where = os.fspath(folder / name)
    header: NgramHeader = read_header(mapped[name], where)
    if header.vocab_size != vocab_size or (header.bos, header.eos, header.unk) != (BOS, EOS, UNK):
        problem = f"vocabulary of {header.vocab_size} tokens where the pack has {vocab_size}"
        raise damaged(problem, where, "byte 12")
    if list(header.counts) != counts:
        raise damaged("not the n-grams pack.toml tells", where, "byte 40")
    try:
        return NgramTable(mapped[name])
    except ValueError as fault:
        raise damaged(str(fault), where) from None


def find_pack(name_or_path: str | os.PathLike[str]) -> Path:
    """The folder of a pack. A path is taken as it is; a name is looked up among installed packs (entry
    points), the packs inside nearkey, and the ``models/`` of a source checkout, in this order."""
    path = Path(name_or_path)
    if (path / "pack.toml").is_file():
        return path
    name = os.fspath(name_or_path)
    if isinstance(name_or_path, os.PathLike) or len(path.parts) != 1 or not name.strip("."):
        raise PackError(
            "no pack.toml in this folder", where=name, fix="give a pack's folder, or a pack's name"
        )
    for folder in _candidates(name):
        if (folder / "pack.toml").is_file():
            return folder
    known = ", ".join(sorted(installed_packs())) or "none"
    raise PackError(
        "no such pack",
        where=name,
        fix=f"install it, or build it and give its folder (found here: {known})",
    )


def _candidates(name: str) -> Iterator[Path]:
    for entry in metadata.entry_points(group=ENTRY_POINTS, name=name):
        yield _entry_folder(entry)
    package = Path(__file__).resolve().parents[1]
    yield package / "packs" / name
    yield package.parents[1] / "models" / name / "pack"


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
    """Name and folder of every pack that a name can reach."""
    found: dict[str, Path] = {}
    package = Path(__file__).resolve().parents[1]
    for base, inner in ((package.parents[1] / "models", "pack"), (package / "packs", "")):
        if base.is_dir():
            for folder in sorted(base.iterdir()):
                if (folder / inner / "pack.toml").is_file():
                    found[folder.name] = folder / inner
    for entry in metadata.entry_points(group=ENTRY_POINTS):
        found[entry.name] = _entry_folder(entry)
    return found
