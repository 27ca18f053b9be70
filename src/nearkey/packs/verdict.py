"""What to think of a pack that was just made from one's own texts, and what to do first to make it better."""

from __future__ import annotations

import os
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from nearkey.errors import PackError
from nearkey.language.pack import load_pack
from nearkey.language.reading.streams import TextStream
from nearkey.packs import finished
from nearkey.packs.evaluate import score_text
from nearkey.packs.fetch import cache_folder, locate
from nearkey.packs.intake import reading
from nearkey.packs.recipe import read_recipe

TOO_SMALL = 100_000
"""Running words below which a pack is too small to be judged by: docs/packs.md shows what more text buys."""
MANY_UNKNOWN = 0.05
"""Part of the words of new text; beyond it, lists of words help most (value by judgement, no source)."""


@dataclass(frozen=True, slots=True)
class PackVerdict:
    """How a pack reads the part of its texts that was held out.

    `words` of the lexicon; `training_words` read; `held_out_words`, `unknown` (their part outside the lexicon),
    `perplexity` over the words of the lexicon, `bits_per_letter` over everything: all None where the texts are
    too short to hold anything out; `advice`, what to do first.
    """

    words: int
    training_words: int
    held_out_words: int
    unknown: float | None
    perplexity: float | None
    bits_per_letter: float | None
    advice: list[str]

    @property
    def too_small(self) -> bool:
        """Whether the texts are below `TOO_SMALL` words."""
        return self.training_words < TOO_SMALL

    def summary(self) -> dict[str, Any]:
        """The figures to show, as plain values."""
        judged = self.bits_per_letter is not None
        return {
            "words": self.words,
            "training_words": self.training_words,
            "held_out_words": self.held_out_words,
            "unknown_words": f"{self.unknown:.1%}" if judged else "not measured",
            "perplexity": f"{self.perplexity:.0f}" if judged else "not measured",
            "bits_per_letter": f"{self.bits_per_letter:.3f}" if judged else "not measured",
            "verdict": f"too small: below {TOO_SMALL:,} words"
            if self.too_small
            else "large enough",
            **{f"advice {i}": text for i, text in enumerate(self.advice, start=1)},
        }


def judge_pack(
    recipe_path: str | os.PathLike[str], pack_folder: str | os.PathLike[str]
) -> PackVerdict:
    """Measure the pack of a recipe on the evaluation texts the recipe names; raises what reading them raises.

    recipe_path : as `starter.start_recipe` wrote it. pack_folder : what was built from it.
    """
    path = Path(recipe_path)
    recipe = read_recipe(path)
    pack = load_pack(pack_folder)
    lines: list[str] = []
    for source in recipe.evaluation:
        files = locate(
            source, recipe=path, data=None, cache=cache_folder(), allow_outside=True
        )  # it was built already
        lines += _lines(finished(reading(source, files, recipe))[0])
    score, no_text = None, False
    if lines:
        try:
            score = score_text(pack, lines)
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
    return PackVerdict(
        len(pack.lexicon),
        size,
        0 if score is None else score.words,
        None if score is None else score.oov_rate,
        None if score is None else score.perplexity,
        None if score is None else score.bits_per_letter,
        advice,
    )


def _lines(stream: TextStream) -> list[str]:
    """The sentences as lines, one each; read again, they have the same words."""
    return [
        " ".join(stream.surfaces[i] for i in stream.ids[a:b])
        for a, b in pairwise(stream.starts.tolist())
    ]
