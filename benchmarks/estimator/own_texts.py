"""What more text and a dictionary buy a pack that `nearkey pack start` makes of one's own texts.

    NEARKEY_DATA=folder python benchmarks/estimator/own_texts.py [--work FOLDER]

NEARKEY_DATA names the folder of the open corpora (see docs/packs.md); the dictionary is fetched from Debian.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, os.fspath(Path(__file__).resolve().parents[1]))

from sections import data_folder, save, section

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


def main() -> None:
    """Measure and write the results file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--work", type=Path, help="folder of the packs; a temporary one by default")
    work = parser.parse_args().work or Path(tempfile.mkdtemp())
    data = data_folder() / "text" / "fr_common_voice.txt.gz"
    lines = list(read_lines([data], "lines", ReadOptions(), ReadReport()))
    lines = [lines[i].strip() for i in np.random.default_rng(1).permutation(len(lines))]
    later, lines = lines[:HELD_OUT], lines[HELD_OUT:]
    found = locate(DICTIONARY, recipe=Path(__file__), data=None, cache=cache_folder())
    rows = []
    for size in SIZES:
        for name, lists in (("no list", []), ("dictionary with affixes", found)):
            folder = work / f"{size}-{len(lists)}"
            folder.mkdir(parents=True, exist_ok=True)
            (folder / "text.txt").write_text("\n".join(lines[:size]) + "\n", encoding="utf-8")
            path = folder / "recipe.toml"
            start_recipe(path, [folder / "text.txt"], language="fr", spelling=lists)
            steps = build_pack(path, folder / "pack", cache=folder / "cache", allow_outside=True)
            finished(steps)
            pack = load_pack(folder / "pack")
            score = score_text(pack, later)
            rows.append(
                [pack.info.training_words, name, len(pack.lexicon), score.oov_rate, score.perplexity,
                 score.bits_per_letter]
            )  # fmt: skip
            print(rows[-1])
    save(
        "own_texts",
        section(
            "Packs of one's own texts: what more text and a dictionary buy",
            "NEARKEY_DATA=folder python benchmarks/estimator/own_texts.py",
            "words of text; lists; lexicon; unknown words|%; perplexity|0; bits a letter|3",
            rows,
            order=53,
            notes=[
                f"French, as `nearkey pack start` makes a pack of so many sentences; judged on {HELD_OUT:,} others of the"
                " same collection (Common Voice), drawn at random before.",
                "Bits a letter count everything, unknown words by their spelling. Perplexity is over the words of each"
                " pack's own lexicon, so it is no measure between these rows: it rises where more rare words are known.",
            ],
        ),
    )


if __name__ == "__main__":
    main()
