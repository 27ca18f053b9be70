"""What more text and a dictionary buy a pack that `nearkey pack start` makes of one's own texts.

    NEARKEY_DATA=folder python benchmarks/estimator/own_texts.py [--work FOLDER]

NEARKEY_DATA names the folder of the open corpora (see docs/packs.md); the dictionary is fetched from Debian.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from harness import data_folder, options
from sections import save, section

from nearkey.language import load_pack
from nearkey.language.reading.corpus import ReadOptions, ReadReport, read_lines
from nearkey.packs import finished
from nearkey.packs.builder import build_pack
from nearkey.packs.evaluate import score_text
from nearkey.packs.fetch import cache_folder, locate
from nearkey.packs.recipe import WordSource
from nearkey.packs.starter import start_recipe

SIZES = (2_000, 8_000, 32_000, 80_000)
HELD_OUT = 4_000
DICTIONARY = WordSource(
    name="dictionary", title="French dictionary for hunspell", origin="debian:hunspell-fr-classical",
    files=["usr/share/hunspell/fr.dic"], kind="spelling", licence="MPL-2.0", attribution="Dicollecte",
)  # fmt: skip


SENTENCES, WORDS = (1_500, 10_000), 9_000
Rows = list[list[Any]]


def invented() -> tuple[dict[str, list[str]], list[str]]:
    """Lists by name, and sentences of six words, of an invented language: words of one to four syllables, used by a
    power law. Each list is as it would be shipped: all words, every other one, or words of another language."""
    rng = np.random.default_rng(6)
    consonants, vowels = list("bdgklmnprst"), list("aeiou")

    def syllables() -> str:
        return "".join(
            str(rng.choice(letters))
            for _ in range(int(rng.integers(1, 5)))
            for letters in (consonants, vowels)
        )

    words = list(dict.fromkeys(syllables() for _ in range(WORDS)))
    other = [
        "".join(rng.choice(consonants + vowels, int(rng.integers(3, 8)))) for _ in range(WORDS)
    ]
    shares = 1 / np.arange(20, len(words) + 20)
    drawn = rng.choice(words, (SENTENCES[-1] + HELD_OUT, 6), p=shares / shares.sum())
    lists = {"no list": [], "all its words": words, "half of its words": words[::2]}
    return lists | {"words of another language": other}, [" ".join(row) for row in drawn]


def scored(
    folder: Path, lines: Sequence[str], later: Sequence[str], language: str, lists: Sequence[Path]
) -> list[Any]:
    """How the pack of these sentences, made with these lists, reads later ones."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "text.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    path = folder / "recipe.toml"
    start_recipe(path, [folder / "text.txt"], language=language, spelling=lists)
    finished(build_pack(path, folder / "pack", cache=folder / "cache", allow_outside=True))
    pack = load_pack(folder / "pack")
    score = score_text(pack, later)
    measured = [len(pack.lexicon), score.oov_rate, score.perplexity, score.bits_per_letter]
    return [pack.info.training_words, *measured]


def rows_of(
    work: Path, language: str, sizes: Sequence[int], lists: dict[str, list[Path]], lines: list[str]
) -> Rows:
    """Packs of so many of the first lines, with each of the lists; judged on the last lines."""
    rows: Rows = []
    for size in sizes:
        for number, (name, given) in enumerate(lists.items()):
            folder = work / f"{language}{size}-{number}"
            found = scored(folder, lines[:size], lines[-HELD_OUT:], language, given)
            rows.append([found[0], name, *found[1:]])
            print(rows[-1])
    return rows


def of_invented(work: Path) -> Rows:
    """What lists that fit, and lists that do not, do to small packs of the invented language."""
    lists, lines = invented()
    files: dict[str, list[Path]] = {}
    for number, (name, words) in enumerate(lists.items()):
        file = work / f"list{number}.txt"
        file.write_text("\n".join(words) + "\n", encoding="utf-8")
        files[name] = [file] if words else []
    return rows_of(work, "x", SENTENCES, files, lines)


def main() -> None:
    """Measure and write the results file."""
    told = "folder of the packs; a temporary one by default"
    work = options(__doc__, work=(Path, told)).work or Path(tempfile.mkdtemp())
    data = data_folder() / "text" / "fr_common_voice.txt.gz"
    lines = list(read_lines([data], "lines", ReadOptions(), ReadReport()))
    lines = [lines[i].strip() for i in np.random.default_rng(1).permutation(len(lines))]
    found = locate(DICTIONARY, recipe=Path(__file__), data=None, cache=cache_folder())
    lists = {"no list": [], "dictionary with affixes": found}
    rows = rows_of(work, "fr", SIZES, lists, lines[HELD_OUT:] + lines[:HELD_OUT])
    columns = "words of text; lists; lexicon; unknown words|%; perplexity|0; bits a letter|3"
    save(
        "own_texts",
        section(
            "Packs of one's own texts: what more text and a dictionary buy",
            columns,
            rows,
            order=53,
            notes=[
                f"French, as `nearkey pack start` makes a pack of so many sentences; judged on {HELD_OUT:,} others of the"
                " same collection (Common Voice), drawn at random before.",
                "Bits a letter count everything, unknown words by their spelling. Perplexity is over the words of each"
                " pack's own lexicon, so it is no measure between these rows: it rises where more rare words are known.",
            ],
        ),
        section(
            "Packs of one's own texts: lists that fit and lists that do not",
            columns,
            of_invented(work),
            order=57,
            notes=[
                "An invented language (words of one to four syllables, used by a power law), as `nearkey pack start` makes a"
                f" pack of it; judged on {HELD_OUT:,} other sentences.",
                "How much of a word a listed word that the text lacks counts is fitted on the text's held-out part.",
            ],
        ),
    )


if __name__ == "__main__":
    main()
