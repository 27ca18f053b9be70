"""A recipe with invented field notes, small enough to build in a second."""

from __future__ import annotations

import gzip
from itertools import product
from pathlib import Path

import msgspec
import numpy as np

import nearkey as nk
from nearkey.packs import finished
from nearkey.packs.builder import BuildReport, build_pack

WHO = ["I", "we", "the crew", "Maria", "Mr. Okafor", "they"]
DID = ["set up", "moved", "levelled", "checked", "carried", "couldn't find", "measured"]
WHAT = ["the tripod", "the theodolite", "the prism", "a peg", "the benchmark", "the boundary stone"]
WHERE = ["near the river", "on the ridge", "by London Road", "at station 12", "in the field", ""]
ENDS = [".", ".", "!", ", then rested.", "?"]

RECIPE = """
format = 1
name = "{name}"
language = "{language}"
title = "Invented field notes"
version = "0.1"
licence = "CC0-1.0"
alphabet = "{alphabet}"

[lexicon]
size = {size}
unlisted_count = 2
unlisted_sources = 1
always = ["a", "i", "we", "up", "by", "on", "at", "in", "mr"]

[model]
order = {order}
held_out_permille = 200
max_bytes = {max_bytes}
letter_order = 3

[[text]]
name = "notes"
title = "Invented field notes"
origin = "here"
files = ["notes.txt.gz"]
licence = "CC0-1.0"
attribution = "invented"

[[words]]
name = "list"
title = "Invented frequencies"
origin = "here"
files = ["list.msgpack.gz"]
kind = "centibels"
licence = "CC0-1.0"
attribution = "invented"

[[words]]
name = "rude"
title = "Invented list"
origin = "here"
files = ["rude.txt"]
kind = "offensive"
licence = "CC0-1.0"
attribution = "invented"

[[evaluation]]
name = "later"
title = "Invented later notes"
origin = "here"
files = ["later.txt"]
deduplicate = false
licence = "CC0-1.0"
attribution = "invented"
"""


def invented_notes(count: int, seed: int) -> list[str]:
    """Invented sentences of a survey crew."""
    every = list(product(WHO, DID, WHAT, WHERE, ENDS))
    rng = np.random.default_rng(seed)
    chosen = rng.choice(len(every), size=count, replace=False)
    lines = []
    for index in chosen:
        who, did, what, where, end = every[index]
        text = " ".join(part for part in (who, did, what, where) if part)
        lines.append(text[0].upper() + text[1:] + end)
    return lines


def write_recipe(
    folder: Path,
    *,
    name: str = "notes",
    language: str = "en",
    alphabet: str = "abcdefghijklmnopqrstuvwxyz",
    size: int = 60,
    order: int = 3,
    max_bytes: int = 1_000_000,
    notes: list[str] | None = None,
) -> Path:
    """Write the recipe and its inputs into `folder`; the recipe's path."""
    folder.mkdir(parents=True, exist_ok=True)
    text = "\n".join(invented_notes(900, 1) if notes is None else notes) + "\n"
    (folder / "notes.txt.gz").write_bytes(gzip.compress(text.encode(), mtime=0))
    (folder / "later.txt").write_text("\n".join(invented_notes(100, 2)) + "\n", encoding="utf-8")
    (folder / "rude.txt").write_text("# invented\nbother\n", encoding="utf-8")
    bins: list[object] = [{"format": "cB", "version": 1}] + [[] for _ in range(400)]
    listed = {"the": 120, "we": 200, "field": 300, "river": 310, "tripod": 390, "bother": 350}
    for word, centibels in listed.items():
        bins[centibels + 1].append(word)  # type: ignore[attr-defined]
    (folder / "list.msgpack.gz").write_bytes(gzip.compress(msgspec.msgpack.encode(bins), mtime=0))
    recipe = folder / "recipe.toml"
    recipe.write_text(
        RECIPE.format(
            name=name,
            language=language,
            alphabet=alphabet,
            size=size,
            order=order,
            max_bytes=max_bytes,
        ),
        encoding="utf-8",
    )
    return recipe


def build_small_pack(folder: Path, **settings: object) -> tuple[Path, BuildReport]:
    """Build a small pack below `folder`; its folder and what the build reported."""
    recipe = write_recipe(folder / "recipe", **settings)  # type: ignore[arg-type]
    report = finished(build_pack(recipe, folder / "pack", cache=folder / "cache"))
    return folder / "pack", report


def grid_of(letters: str, *, language: str = "") -> nk.Layout:
    """A plain grid, one key a letter, labelled as the language has it."""
    keys = [
        {"id": f"u{ord(c):04x}", "x": i % 8, "y": i // 8, "w": 1, "h": 1, "letters": c}
        for i, c in enumerate(letters)
    ]
    return nk.Layout.from_dict(
        {
            "name": "grid",
            "unit_mm": 6.0,
            "language": language,
            "alphabet": letters,
            "surface": {"width": 8, "height": -(-len(letters) // 8)},
            "keys": keys,
        }
    )
