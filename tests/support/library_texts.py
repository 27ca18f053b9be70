"""Invented surveyors' texts as the real nltk and datasets libraries find them on disk; no network, no own caches."""

from __future__ import annotations

import os
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

SAID = [
    "Set up the tripod near the kerb, then level it.",
    'Don\'t move Sam\'s peg; we can\'t see it from here!',
    '"It isn\'t on the plan," Maria said, "so they\'ll ask."',
    "The crew (four of us) wouldn't wait: is that all?",
    "I'm sure he'd've checked the benchmark twice.",
    "Mr. Okafor's e-mail says we're done... for now.",
]  # fmt: skip
"""Invented. Contractions, possessives, quotation marks, brackets, an abbreviation, an ellipsis."""


@contextmanager
def quiet_hub(cache: Path) -> Iterator[Any]:
    """The real `datasets` library, off line, its caches in `cache` (of the first use in a process)."""
    with pytest.MonkeyPatch.context() as patch:
        for name, value in hub_environment(cache).items():
            patch.setenv(name, value)
        datasets = pytest.importorskip("datasets")
        constants = pytest.importorskip("huggingface_hub").constants
        # Read when the library is imported; here in case something else imported it first.
        patch.setattr(constants, "HF_HUB_OFFLINE", True)
        patch.setattr(datasets.config, "HF_HUB_OFFLINE", True)
        patch.setattr(datasets.config, "HF_DATASETS_CACHE", cache / "datasets")
        yield datasets


def hub_environment(cache: Path) -> dict[str, str]:
    """Environment variables that keep the hub's libraries off the network and in `cache`."""
    return {
        "HF_HOME": os.fspath(cache),
        "HF_HUB_OFFLINE": "1",
        "HF_HUB_DISABLE_TELEMETRY": "1",
        "HF_HUB_DISABLE_PROGRESS_BARS": "1",
    }


@contextmanager
def nltk_data(folder: Path) -> Iterator[Path]:
    """`folder` as the only place where the real nltk looks for data; its corpora."""
    nltk = pytest.importorskip("nltk")
    corpora = pytest.importorskip("nltk.corpus")
    (folder / "corpora").mkdir(parents=True, exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nltk.data, "path", [os.fspath(folder)])
        try:
            yield folder / "corpora"
        finally:
            # A loaded corpus stays bound to its folder for the rest of the process.
            for found in list(vars(corpora).values()):
                if isinstance(found, corpora.CorpusReader) and "_unload" in vars(found):
                    found._unload()


def write_brown(corpora: Path, sentences: Sequence[str], *, name: str = "ca01") -> None:
    """A tagged corpus as nltk's `brown`: ``token/tag``, a sentence a line, paragraphs between empty lines.

    Tokens are those of nltk's own Penn Treebank tokenizer.
    """
    from nltk.tokenize.treebank import TreebankWordTokenizer

    folder = corpora / "brown"
    folder.mkdir(exist_ok=True)
    cut = TreebankWordTokenizer().tokenize
    lines = [
        " ".join(f"{token}/nn" for token in cut(text, convert_parentheses=True))
        for text in sentences
    ]
    (folder / name).write_text("\n\n\t" + "\n\n\n\t".join(lines) + "\n", encoding="ascii")
    with (folder / "cats.txt").open("a") as categories:
        categories.write(f"{name} news\n")


def zipped(folder: Path) -> None:
    """Leave a corpus as its downloader may: `folder`.zip instead of the folder."""
    with zipfile.ZipFile(folder.with_suffix(".zip"), "w") as archive:
        for path in sorted(folder.rglob("*")):
            archive.write(path, path.relative_to(folder.parent))
            if path.is_file():
                path.unlink()
    folder.rmdir()


def write_hub_folder(folder: Path, rows: Sequence[str | None], form: str, *, split: str) -> Path:
    """A folder of data files as a hub data set has them, one file: csv, jsonl, parquet, arrow or txt."""
    import csv
    import json

    import pyarrow as pa
    import pyarrow.ipc as ipc
    import pyarrow.parquet as pq

    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{split}.{form}"
    table = pa.table({"place": list(range(len(rows))), "text": pa.array(rows, type=pa.string())})
    if form == "csv":
        with path.open("w", newline="", encoding="utf-8") as handle:
            csv.writer(handle).writerows([("place", "text"), *enumerate(rows)])
    elif form == "jsonl":
        path.write_text(
            "".join(json.dumps({"place": i, "text": t}) + "\n" for i, t in enumerate(rows))
        )
    elif form == "parquet":
        pq.write_table(table, path)
    elif form == "arrow":
        with ipc.new_stream(os.fspath(path), table.schema) as writer:
            writer.write_table(table)
    else:
        path.write_text("".join(f"{text or ''}\n" for text in rows), encoding="utf-8")
    return folder
