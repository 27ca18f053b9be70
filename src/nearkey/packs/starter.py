"""A first recipe for texts of one's own: what can be seen in the texts, for a person to correct.

And what to think of the pack that was made of it, and what to do first to make it better.
"""

from __future__ import annotations

import glob
import os
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import tomli_w

from nearkey.errors import PackError
from nearkey.files import atomic_path
from nearkey.language.pack import load_pack
from nearkey.language.reading.corpus import read_lines
from nearkey.language.reading.streams import read_stream
from nearkey.language.reading.textfiles import ReadOptions, ReadReport
from nearkey.language.tokens import NUMBER, Normalise, is_letter, letters_of, normalise_word
from nearkey.packs import finished
from nearkey.packs.evaluate import TextScore, score_streams
from nearkey.packs.fetch import cache_folder, locate
from nearkey.packs.intake import reading
from nearkey.packs.recipe import Recipe, read_recipe
from nearkey.packs.vocabulary import check_writing, script_of

HEADER = """\
# A first recipe, drafted from the texts it names. Look over `alphabet` and `always`, name the licence, then
# build again: nearkey pack build {recipe} --allow-outside
"""
LATIN = "abcdefghijklmnopqrstuvwxyz"
MOST_SOURCES = 8
"""More texts than this are one source: each source costs the mixture a model of its own."""


LEAST_JUDGED = 2_000
"""Words of text from which a tenth is held out to judge the pack by; less of it would say nothing."""
TRAINED_PERMILLE = 900

TOO_SMALL = 100_000
"""Running words below which a pack is too small to be judged by: docs/packs.md shows what more text buys."""
MANY_UNKNOWN = 0.05
"""Part of the words of new text; beyond it, lists of words help most (value by judgement, no source)."""


def draft_recipe(
    texts: Sequence[Path],
    folder: Path,
    *,
    language: str,
    name: str | None = None,
    title: str | None = None,
    licence: str = "not stated",
    alphabet: str | None = None,
    fold_accents: bool = False,
    kind: str = "lines",
    column: str = "text",
    encoding: str = "utf-8",
    spelling: Sequence[Path] = (),
    frequencies: Sequence[Path] = (),
) -> str:
    """The TOML text of a recipe that is to lie in `folder`; it names the texts by their paths from there.

    Parameters
    ----------
    texts : files of running text; each is a source of its own, unless they are more than `MOST_SOURCES`.
    folder : where the recipe is to lie.
    language, name, title, licence : of the pack; the name is the language's tag, and the title made of it,
        where not given.
    alphabet : the letters, lower case; guessed from the texts where not given, as are the words of one
        and two letters.
    fold_accents : whether words that differ in accents alone are one word.
    kind, column, encoding : how to read the texts: a kind of `corpus.LINE_READERS`, the text's column, and the
        encoding, which is that of the lists too (a hunspell dictionary's own rules say theirs).
    spelling, frequencies : word lists, of words alone and of words and counts.

    Raises PackError for a text that cannot be read or that holds no words.
    """
    options = ReadOptions(encoding, column=column)
    normalise = partial(normalise_word, fold=fold_accents, language=language)
    counts, n_words = _count_words(texts, kind, options, normalise)
    letters = guess_alphabet(counts) if alphabet is None else alphabet
    where = ", ".join(map(str, texts))
    check_writing(counts, letters, where=where)
    if not letters:
        fix = "give more text, or say --alphabet"
        raise PackError("no alphabet can be made out", where=where, fix=fix)
    recipe: dict[str, Any] = {
        "format": 1,
        "name": name or language,
        "language": language,
        "title": title or f"Texts in {language}",
        "version": "0.1.0",
        "licence": licence,
        "alphabet": letters,
        "lexicon": {
            "fold_accents": fold_accents,
            "unlisted_count": _least_count(n_words),
            "unlisted_sources": 1,
            "compound_count": 5,
            "whole_lists": True,
            "always": short_words(counts, letters),
        },
        "model": {"held_out_permille": 100 if n_words < 200_000 else 30},
    }
    about = {"origin": "here", "licence": licence, "attribution": "not stated"}
    if encoding != "utf-8":
        about["encoding"] = encoding
    judged = n_words >= LEAST_JUDGED
    groups = [[text] for text in texts] if len(texts) <= MOST_SOURCES else [list(texts)]
    recipe["text"] = [
        {
            "name": source,
            "title": group[0].name if len(group) == 1 else f"{len(group)} texts",
            "files": [_pattern(text, folder) for text in group],
            "kind": kind,
            **({"column": column} if column != "text" else {}),
            **({"part": [0, TRAINED_PERMILLE]} if judged else {}),
            **about,
        }
        for source, group in zip(_names(groups), groups, strict=True)
    ]
    if judged:
        recipe["evaluation"] = [
            source
            | {
                "name": f"{source['name']}_held_out",
                "title": f"{source['title']}, the tenth held out",
                "part": [TRAINED_PERMILLE, 1000],
            }
            for source in recipe["text"]
        ]
    recipe["words"] = [
        {
            "name": f"{list_kind}{number}",
            "title": path.name,
            "files": [_pattern(path, folder)],
            "kind": list_kind,
            **about,
        }
        for list_kind, paths in (("spelling", spelling), ("counted", frequencies))
        for number, path in enumerate(paths, start=1)
    ]
    header = HEADER.format(recipe=os.path.relpath(folder / "recipe.toml"))
    return header + tomli_w.dumps(recipe)


def start_recipe(path: Path, texts: Sequence[Path], **draft: Any) -> Recipe:
    """Draft a recipe (see `draft_recipe`) into the file `path`; the recipe.

    Raises PackError, and leaves what was there, for texts or settings that make no sound recipe.
    """
    drafted = draft_recipe(texts, path.parent, **draft)
    with atomic_path(path) as temporary:
        temporary.write_text(drafted, "utf-8")
        try:
            return read_recipe(temporary)
        except PackError as fault:
            raise fault.at("the recipe drafted") from None


def too_little_text(fault: PackError, texts: Sequence[Path]) -> PackError | None:
    """The error for texts that hold too little to build a pack; None for any other fault of a build."""
    if fault.field != "text.held_out":
        return None
    return PackError(
        "holds too little text for a pack",
        where=", ".join(map(str, texts)),
        fix="give some hundred sentences or more, one a line",
    )


def _least_count(n_words: int) -> int:
    """How often a word has to stand in the text to be no slip: the more text, the more slips come twice.

    Lists make no difference: a word that they lack is more often one more form of a listed word than a slip.
    """
    return 1 if n_words < 20_000 else 2 if n_words < 1_000_000 else 4


def _count_words(
    texts: Sequence[Path], kind: str, options: ReadOptions, normalise: Normalise
) -> tuple[Counter[str], int]:
    """How often each normalised word stands in the texts, and how many words they hold."""
    lines = read_lines(list(texts), kind, options, ReadReport())
    stream = read_stream(lines, combining=True)
    if not stream.n_words:
        raise PackError("holds no words", where=", ".join(map(str, texts)), fix="give running text")
    counts = stream.word_counts(normalise)
    del counts[NUMBER]
    return counts, stream.n_words


def guess_alphabet(words: Mapping[str, int]) -> str:
    """The letters and combining marks of the words' usual script that are more than slips: one in 20,000 and
    three uses.

    The Latin alphabet is taken whole, since names and foreign words need all of it.
    """
    letters: Counter[str] = Counter()
    for word, count in words.items():
        for letter in letters_of(word):
            letters[letter] += count
    letters = Counter({c: n for c, n in letters.items() if is_letter(c) and c == c.lower()})
    scripts: Counter[str] = Counter()
    for letter, count in letters.items():
        if letter.isalpha():
            scripts[script_of(letter)] += count
    if not scripts:
        return ""
    script = scripts.most_common(1)[0][0]
    least = max(3, sum(letters.values()) / 20_000)
    own = {script, "COMBINING"}
    used = {c for c, n in letters.items() if n >= least and script_of(c) in own}
    if script == "LATIN":
        used |= set(LATIN)
    return "".join(sorted(used))


def short_words(words: Mapping[str, int], alphabet: str) -> list[str]:
    """The words of one letter and of two that the text uses as words.

    One letter alone is often a name or a bullet: it has to be one word in 2,000. Of two letters: one
    word in 50,000; both five times.
    """
    total = sum(words.values())
    allowed = set(alphabet)
    found = []
    for word, count in words.items():
        length = len(letters_of(word))
        one_in = {1: 2_000, 2: 50_000}.get(length, 0)
        if one_in and allowed.issuperset(word) and count >= max(5, total / one_in):
            found.append(word)
    return sorted(found, key=lambda word: (len(word), word))


def _pattern(path: Path, folder: Path) -> str:
    return glob.escape(Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix())


def _names(groups: Sequence[Sequence[Path]]) -> list[str]:
    """A name for each source, from its first file's."""
    names: list[str] = []
    for group in groups:
        stem = re.sub(r"\W+", "_", group[0].name.partition(".")[0]).strip("_") or "text"
        name, number = stem, 1
        while name in names:
            number += 1
            name = f"{stem}_{number}"
        names.append(name)
    return names


# ---- what came of it ----


@dataclass(frozen=True, slots=True)
class PackVerdict:
    """How a pack reads the part of its texts that was held out.

    `words` of the lexicon; `training_words` read; `score` of the part, None where the texts are too short to hold
    anything out; `advice`, what to do first.
    """

    words: int
    training_words: int
    score: TextScore | None
    advice: list[str]

    @property
    def too_small(self) -> bool:
        """Whether the texts are below `TOO_SMALL` words."""
        return self.training_words < TOO_SMALL

    def summary(self) -> dict[str, Any]:
        """The figures to show, as plain values."""
        score = self.score
        return {
            "words": self.words,
            "training_words": self.training_words,
            "held_out_words": score.words if score else 0,
            "unknown_words": f"{score.oov_rate:.1%}" if score else "not measured",
            "perplexity": f"{score.perplexity:.0f}" if score else "not measured",
            "bits_per_letter": f"{score.bits_per_letter:.3f}" if score else "not measured",
            "verdict": f"too small: below {TOO_SMALL:,} words"
            if self.too_small
            else "large enough",
            **{f"advice {i}": text for i, text in enumerate(self.advice, start=1)},
        }


def judge_pack(
    recipe_path: str | os.PathLike[str], pack_folder: str | os.PathLike[str]
) -> PackVerdict:
    """Measure the pack of a recipe on the evaluation texts the recipe names; raises what reading them raises.

    recipe_path : as `start_recipe` wrote it. pack_folder : what was built from it.
    """
    path = Path(recipe_path)
    recipe = read_recipe(path)
    pack = load_pack(pack_folder)
    texts = []
    for source in recipe.evaluation:
        files = locate(
            source, recipe=path, data=None, cache=cache_folder(), allow_outside=True
        )  # it was built already
        texts.append(finished(reading(source, files, recipe))[0])
    score, no_text = None, False
    if any(text.n_words for text in texts):
        try:
            score = score_streams(pack, texts)
        except PackError:  # not a word of it is in the lexicon
            no_text = True
    size = pack.info.training_words
    lists = {source.kind for source in recipe.words}
    advice = []
    if no_text:
        advice.append(
            "every word stands once: give a list of words by --spelling, and running text beside it"
        )
    if size < TOO_SMALL:
        advice.append(
            f"give more text: {TOO_SMALL:,} words or more, of the kind that will be typed"
        )
    if (score is None or score.oov_rate > MANY_UNKNOWN) and "spelling" not in lists:
        advice.append(
            "give a list of words: --spelling LIST, best a hunspell .dic with its .aff beside it"
        )
    if (score is None or score.oov_rate > MANY_UNKNOWN) and "counted" not in lists:
        advice.append("give a list of words and counts of other text: --frequencies LIST")
    if recipe.licence == "not stated":
        advice.append(f"name the licence in {path} before you pass the pack on")
    if not advice:
        advice.append(f"try it: nearkey score LAYOUT --pack {pack_folder} --spread-mm 2")
    if score is not None:
        advice.append("a tenth of the text was held out for these figures: once content, take [[evaluation]] and"
                      " `part` out of the recipe and build again")  # fmt: skip
    return PackVerdict(len(pack.lexicon), size, score, advice)
