"""Reading text to type. Own rules, no outside source."""

from __future__ import annotations

import gzip
import json
import re
from itertools import pairwise

import pytest
from library_texts import SAID, nltk_data, quiet_hub, write_brown, write_hub_folder

from nearkey.errors import NearkeyError, PlanError
from nearkey.language.reading.streams import read_stream, split_stream
from nearkey.simulate.workload import Corpus, as_corpus, held_out_part, read_source

LINES = ["Bring the long staff.", "Peg seven is by the road."]


def test_every_kind_of_file_gives_the_same_lines(tmp_path):
    import pyarrow as pa
    import pyarrow.feather as feather
    import pyarrow.parquet as pq

    plain = "\n".join(LINES) + "\n\n"
    (tmp_path / "a.txt").write_text(plain)
    (tmp_path / "notes").write_text(plain)
    (tmp_path / "a.txt.gz").write_bytes(gzip.compress(plain.encode()))
    (tmp_path / "a.csv").write_text(
        "id,text\n" + "\n".join(f'{i},"{t}"' for i, t in enumerate(LINES))
    )
    (tmp_path / "a.jsonl").write_text("\n".join(json.dumps({"text": t}) for t in LINES))
    (tmp_path / "a.json").write_text(json.dumps([{"text": t} for t in LINES]))
    table = pa.table({"text": LINES})
    pq.write_table(table, tmp_path / "a.parquet")
    feather.write_feather(table, tmp_path / "a.arrow", compression="uncompressed")
    for path in sorted(tmp_path.iterdir()):
        assert list(read_source(path).lines) == LINES, path.name


def test_another_column_may_be_named(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("said,text\nbring it,no\n")
    assert list(read_source(path, column="said").lines) == ["bring it"]


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("missing.txt", None, "no such file"),
        ("empty.txt", b"\n \n", "holds no text"),
        ("binary.txt", b"a\0b", "zero bytes"),
        ("latin.txt", b"caf\xe9\n", "not utf-8"),
        ("bad.jsonl", b'{"text": \n', "not valid JSON"),
        ("columns.csv", b"a,b\n1,2\n", "has no column 'text'"),
        ("bad.parquet", b"PAR1", "cannot be read"),
    ],
)
def test_a_faulty_source_is_named_with_its_fault(tmp_path, name, content, message):
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(PlanError) as raised:
        read_source(path)
    assert message in str(raised.value)
    assert name.split(".")[0] in str(raised.value)


def test_an_nltk_corpus_is_read_as_running_text(tmp_path):
    pytest.importorskip("nltk")
    with nltk_data(tmp_path) as corpora:
        with pytest.raises(PlanError, match=r"nltk:brown: .*nltk\.downloader brown"):
            read_source("nltk:brown")
        with pytest.raises(PlanError, match="no corpus of this name"):
            read_source("nltk:not_a_corpus")
        write_brown(corpora, SAID)
        corpus = read_source("nltk:brown", trained=True)
    assert (corpus.name, list(corpus.lines), corpus.trained) == ("nltk:brown", SAID, True)


def test_hub_data_without_the_library_says_what_to_do(monkeypatch):
    import sys

    monkeypatch.setitem(sys.modules, "datasets", None)
    with pytest.raises(NearkeyError, match="pip install datasets"):
        read_source("hub:some/set")


def test_hub_data_is_read_by_split_and_column(tmp_path):
    with quiet_hub(tmp_path / "hub"):
        folder = write_hub_folder(tmp_path / "notes", [*LINES, None], "jsonl", split="test")
        write_hub_folder(folder, ["trained on"], "jsonl", split="train")
        assert list(read_source(f"hub:{folder}").lines) == LINES
        assert list(read_source(f"hub:{folder}", split="train").lines) == ["trained on"]
        assert list(read_source(f"hub:{folder}@train").lines) == ["trained on"]
        with pytest.raises(PlanError, match=rf"hub:{folder}: column: has no column 'said'; .*text"):
            read_source(f"hub:{folder}", column="said")
        with pytest.raises(PlanError, match="holds no text"):
            read_source(f"hub:{folder}", column="place")
        with pytest.raises(PlanError, match="check the network"):
            read_source("hub:surveyors/field-notes")


def test_the_held_out_part_is_what_a_pack_keeps_out_of_its_counts():
    """Against the pack builder's own split: nothing of what it trains on, all of what it holds out."""
    words = ["peg", "gate", "road", "kerb", "staff", "datum", "stands", "near", "lost"]
    lines = [f"{a} {b} {c}" for a in words for b in words for c in words]
    corpus = Corpus.of("notes", lines)
    held = held_out_part(corpus, fraction=0.1)
    training, kept_out = split_stream(read_stream(corpus.lines), held_out=0.1)
    assert len(held.lines) == kept_out.n_sentences
    assert held.trained is False
    few = held_out_part(corpus, fraction=0.1, words=20, seed=3)
    assert few.lines == held_out_part(corpus, fraction=0.1, words=20, seed=3).lines
    assert set(few.lines) <= set(held.lines)

    def texts(stream):
        starts = stream.starts.tolist()
        return {" ".join(stream.surfaces[i] for i in stream.ids[a:b]) for a, b in pairwise(starts)}

    again = texts(read_stream(held.lines))
    assert again == texts(kept_out)
    assert not again & texts(training)


def test_texts_of_other_libraries_are_taken_as_they_are(tmp_path):
    datasets, pandas, polars, arrow = (
        pytest.importorskip(name) for name in ("datasets", "pandas", "polars", "pyarrow")
    )
    lines = ["bring the long staff", "peg seven is near the kerb"]
    made = datasets.Dataset.from_dict({"text": lines, "n": [1, 2]})
    both = datasets.DatasetDict(
        {"train": datasets.Dataset.from_dict({"text": ["x"]}), "test": made}
    )
    made.save_to_disk(str(tmp_path / "one"))
    both.save_to_disk(str(tmp_path / "both"))
    columns = {"text": lines}
    for source in (
        made, both, made.to_iterable_dataset(), pandas.DataFrame(columns), polars.DataFrame(columns),
        arrow.table(columns), tmp_path / "one", tmp_path / "both",
    ):  # fmt: skip
        assert list(read_source(source).lines) == lines
    assert read_source(made, trained=False).name == "Dataset"
    assert as_corpus(made).lines == tuple(lines)
    for source, options, says in (
        (
            made,
            {"column": "body"},
            "Dataset: column: has no column 'body'; set `column` to one of text, n",
        ),
        (both, {"split": "dev"}, "split: has no split 'dev'; one of train, test"),
        (pandas.DataFrame({"n": [1]}), {}, "one of n"),
        (7, {}, "int: is no text; give a file, a table, a data set, or lines of text"),
    ):
        with pytest.raises(PlanError, match=re.escape(says)):
            read_source(source, **options)


def test_a_reader_of_nltk_is_a_corpus_of_ones_own(tmp_path, monkeypatch):
    reader = pytest.importorskip("nltk.corpus.reader")
    monkeypatch.setattr("nltk.data.path", [str(tmp_path)])
    (tmp_path / "notes.txt").write_text("Bring the long staff.\n\nPeg seven is near the kerb.\n")
    mine = reader.PlaintextCorpusReader(str(tmp_path), r".*\.txt")
    assert list(as_corpus(mine).lines) == ["Bring the long staff.", "Peg seven is near the kerb."]
    (tmp_path / "tagged").mkdir()
    (tmp_path / "tagged" / "a.pos").write_text("Do/VB n't/RB bring/VB it/PRP ./.\n")
    tagged = reader.TaggedCorpusReader(str(tmp_path / "tagged"), r".*\.pos")
    assert list(read_source(tagged).lines) == ["Don't bring it."]
