"""Reading texts: each format, and each kind of bad input."""

from __future__ import annotations

import gzip
import json
import struct
import zlib
from email.message import EmailMessage
from pathlib import Path

import pytest

from nearkey.errors import NearkeyError, PackError
from nearkey.language.reading import textfiles
from nearkey.language.reading.corpus import (
    LIBRARY_READERS,
    LINE_READERS,
    ReadOptions,
    ReadReport,
    read_lines,
)
from nearkey.language.reading.streams import (
    StreamReader,
    encode_stream,
    first_words,
    read_stream,
    split_stream,
)
from nearkey.language.tokens import word_reader


def lines(path: Path, kind: str = "lines", **options: str) -> tuple[list[str], ReadReport]:
    report = ReadReport()
    found = list(read_lines([path], kind, ReadOptions(**options), report))
    return [line.rstrip("\n") for line in found], report


def test_plain_and_gzipped_text(tmp_path):
    (tmp_path / "a.txt").write_text("one\ntwo\n")
    (tmp_path / "a.txt.gz").write_bytes(gzip.compress(b"one\ntwo\n"))
    for name in ("a.txt", "a.txt.gz"):
        found, report = lines(tmp_path / name)
        assert found == ["one", "two"]
        assert (report.files, report.lines) == (1, 2)


def test_wrong_encoding_names_line_and_byte(tmp_path):
    path = tmp_path / "latin.txt"
    path.write_bytes("fine\nbrücke\n".encode("latin-1"))
    with pytest.raises(PackError, match="not utf-8") as caught:
        lines(path)
    assert caught.value.where == str(path)
    assert caught.value.field == "line 2, byte 7"
    assert lines(path, encoding="latin-1")[0] == ["fine", "brücke"]
    found, report = lines(path, undecodable="drop")
    assert found == ["fine"]
    assert report.dropped == {"line not utf-8": 1}


def test_binary_junk_is_refused(tmp_path):
    path = tmp_path / "junk"
    path.write_bytes(b"text\nmore\0junk")
    with pytest.raises(PackError, match="zero bytes") as caught:
        lines(path)
    assert caught.value.field == "line 2, byte 9"
    (tmp_path / "bad.gz").write_bytes(gzip.compress(b"text\n" * 100)[:-20])
    with pytest.raises(PackError, match="damaged gzip"):
        lines(tmp_path / "bad.gz")


def test_one_giant_line_is_cut_at_white_space(tmp_path, monkeypatch):
    monkeypatch.setattr(textfiles, "MAX_LINE_BYTES", 64)
    path = tmp_path / "giant.txt"
    path.write_text("tripod " * 40)
    found, report = lines(path)
    assert " ".join(found).split() == ["tripod"] * 40
    assert report.dropped["over-long line, cut at white space (nothing lost)"] > 1
    path.write_text("x" * 500)
    with pytest.raises(PackError, match="no white space") as caught:
        lines(path)
    assert caught.value.field == "line 1"


def test_no_such_file(tmp_path):
    with pytest.raises(PackError, match="cannot be read"):
        lines(tmp_path / "none")


def test_tables(tmp_path):
    (tmp_path / "a.csv").write_text('id,text\n1,"first, line"\n2,second\n3\n')
    found, report = lines(tmp_path / "a.csv", "csv")
    assert found == ["first, line", "second"]
    assert report.dropped == {"row without the text column": 1}
    (tmp_path / "a.tsv").write_text("id\tnote\n1\tfirst\n")
    assert lines(tmp_path / "a.tsv", "csv", column="note")[0] == ["first"]
    with pytest.raises(PackError, match="no column 'text'") as caught:
        lines(tmp_path / "a.tsv", "csv")
    assert "id, note" in caught.value.fix
    (tmp_path / "empty.csv").write_text("")
    with pytest.raises(PackError, match="is empty"):
        lines(tmp_path / "empty.csv", "csv")


def test_json(tmp_path):
    (tmp_path / "a.jsonl").write_text('{"text": "one\\ntwo"}\n\n{"note": 1}\n')
    found, report = lines(tmp_path / "a.jsonl", "json")
    assert found == ["one", "two"]
    assert report.dropped == {"record without the text field": 1}
    (tmp_path / "a.json").write_text(json.dumps([{"text": ["one", "two"]}, "three"]))
    assert lines(tmp_path / "a.json", "json")[0] == ["one", "two", "three"]
    (tmp_path / "b.json").write_text(json.dumps({"peg": {"text": "one"}, "rod": {"note": "no"}}))
    found, report = lines(tmp_path / "b.json", "json")
    assert found == ["one"]
    assert report.dropped == {"record without the text field": 1}
    (tmp_path / "c.json").write_text(json.dumps({"text": "one", "note": "no"}))
    assert lines(tmp_path / "c.json", "json")[0] == ["one"]
    (tmp_path / "bad.jsonl").write_text('{"text": "one"}\n{nonsense\n')
    with pytest.raises(PackError, match="not valid JSON") as caught:
        lines(tmp_path / "bad.jsonl", "json")
    assert caught.value.field == "line 2"
    (tmp_path / "bad.json").write_text("{")
    with pytest.raises(PackError, match="not valid JSON"):
        lines(tmp_path / "bad.json", "json")


def test_parquet_and_arrow(tmp_path):
    # Written by pyarrow, the reference implementation of both formats.
    pa = pytest.importorskip("pyarrow")
    import pyarrow.ipc as ipc
    import pyarrow.parquet as pq

    table = pa.table({"text": ["one", None, "two\nthree"], "n": [1, 2, 3]})
    pq.write_table(table, tmp_path / "a.parquet")
    with ipc.new_file(tmp_path / "a.arrow", table.schema) as writer:
        writer.write_table(table)
    with ipc.new_stream(tmp_path / "b.arrow", table.schema) as writer:
        writer.write_table(table)
    for name in ("a.parquet", "a.arrow", "b.arrow"):
        found, report = lines(tmp_path / name, "arrow")
        assert found == ["one", "two", "three"], name
        assert report.dropped == {"row without text": 1}
        with pytest.raises(PackError):
            lines(tmp_path / name, "arrow", column="nothing")
    (tmp_path / "c.parquet").write_bytes(b"PAR1 not really")
    with pytest.raises(PackError, match="cannot be read"):
        lines(tmp_path / "c.parquet", "arrow")


def test_fortunes_and_paragraphs(tmp_path):
    (tmp_path / "f").write_text("One line\nand more.\n\t\t-- Nobody (invented)\n%\nTwo.\n%\n")
    found, report = lines(tmp_path / "f", "fortune")
    assert found == ["One line and more.", "Two."]
    assert sum(report.dropped.values()) == 1
    (tmp_path / "p").write_text("One line\nand more.\n\n\nTwo.\n")
    assert lines(tmp_path / "p", "paragraphs")[0] == ["One line and more.", "Two."]


def test_mail(tmp_path):
    message = EmailMessage()
    message["Subject"] = "Invented"
    message.set_content(
        "Hello all,\nthe tripod is\nback.\n\nOn Monday Maria wrote:\n> where is it\n\n"
        "+----+----+\nint main() { return 0; }\nSee you at the site.\n-- \nMy signature\n"
    )
    (tmp_path / "1").write_bytes(message.as_bytes())
    found, report = lines(tmp_path / "1", "mail")
    assert found == ["Hello all, the tripod is back.", "See you at the site."]
    assert report.dropped["quoted or forwarded line"] == 2
    assert report.dropped["line that is not prose"] == 2
    html = EmailMessage()
    html.set_content("<p>no</p>", subtype="html")
    (tmp_path / "2").write_bytes(html.as_bytes())
    found, report = lines(tmp_path / "2", "mail")
    assert found == []
    assert report.dropped == {"mail without plain text": 1}


def test_xml_elements(tmp_path):
    (tmp_path / "a.page").write_text(
        '<page xmlns="urn:x"><credit><name>No</name></credit><title>Peg <em>two</em></title>'
        "<section><p>First <p>inner</p> one.</p><code>no()</code></section></page>"
    )
    assert lines(tmp_path / "a.page", "xml", column="p title")[0] == [
        "Peg two",
        "First inner one.",
    ]
    (tmp_path / "a.html").write_text(
        '<html><div class="menu">No</div><div class="body"><div class="new para">Yes.</div></div></html>'
    )
    assert lines(tmp_path / "a.html", "xml", column="div.para p")[0] == ["Yes."]
    (tmp_path / "b.page").write_text("<page>")
    with pytest.raises(PackError, match="not XML"):
        lines(tmp_path / "b.page", "xml", column="p")


def test_sword_blocks(tmp_path):
    block = b"<title>No</title><verse/>In the <w lemma='x'>field</w>, <p/>they rested."
    packed = zlib.compress(block)
    (tmp_path / "nt.bzz").write_bytes(packed)
    (tmp_path / "nt.bzs").write_bytes(struct.pack("<III", 0, len(packed), len(block)))
    assert lines(tmp_path / "nt.bzs", "sword")[0] == ["In the field,", "they rested."]
    (tmp_path / "nt.bzs").write_bytes(b"short")
    with pytest.raises(PackError, match="not a block index"):
        lines(tmp_path / "nt.bzs", "sword")
    (tmp_path / "nt.bzs").write_bytes(struct.pack("<III", 2, len(packed), len(block)))
    with pytest.raises(PackError, match="damaged block"):
        lines(tmp_path / "nt.bzs", "sword")


def test_wordnet_lines(tmp_path):
    (tmp_path / "data.noun").write_text(
        '  1 licence text | "no"\n0001 03 n 01 peg 0 000 | a short stake; marks a spot; "drive the peg in"\n'
    )
    assert lines(tmp_path / "data.noun", "wordnet", column="gloss")[0] == [
        "a short stake",
        " marks a spot",
    ]
    assert lines(tmp_path / "data.noun", "wordnet", column="example")[0] == ["drive the peg in"]


def test_fields_without_a_header(tmp_path):
    (tmp_path / "PEGS").write_text('1\teins\tHe said "one.\n2\tzwei\t-\n3\n4\tvier\tFour\tmore\n')
    found, report = lines(tmp_path / "PEGS", "fields", column="3")
    assert found == ['He said "one.', "Four"]
    assert report.dropped == {"line without the text field": 2}
    for column in ("text", "0", "-1"):
        with pytest.raises(PackError, match="has no column"):
            lines(tmp_path / "PEGS", "fields", column=column)


def test_every_kind_is_tested_here():
    text = Path(__file__).read_text()
    for kind in LINE_READERS:
        assert f'"{kind}"' in text, kind


def test_unknown_kinds_are_named(tmp_path):
    with pytest.raises(PackError, match="kind 'stone' is unknown"):
        lines(tmp_path / "x", "stone")


def test_a_library_that_is_not_installed_is_named(monkeypatch):
    import sys

    monkeypatch.setitem(sys.modules, "datasets", None)
    with pytest.raises(NearkeyError, match="needs datasets") as caught:
        list(LIBRARY_READERS["hub"]("someone/notes", ReadOptions(), ReadReport()))
    assert caught.value.fix == "pip install datasets"
    monkeypatch.setitem(sys.modules, "nltk.corpus", None)
    with pytest.raises(NearkeyError, match="needs nltk") as caught:
        list(LIBRARY_READERS["nltk"]("brown", ReadOptions(), ReadReport()))
    assert caught.value.fix == "pip install nltk"


def test_streams_drop_repeats_and_other_letters():
    reader = StreamReader(alphabet="abcdefghijklmnopqrstuvwxyz")
    reader.read(["We moved the peg today.", "ok", "we moved the PEG today", "ok", "Το πρίσμα"])
    stream = reader.stream()
    assert reader.dropped == {"repeated sentence": 1, "sentence in other letters": 1}
    assert stream.n_sentences == 3
    assert stream.n_words == 7
    assert read_stream(["a b c d e", "a b c d e"], deduplicate=False).n_sentences == 2


def test_the_held_out_part_depends_on_the_text_alone():
    text = [f"peg number {word} is in" for word in "abcdefghijklmnopqrstuvwxyz"]
    one, two = read_stream(text), read_stream(text[::-1])
    kept, held = split_stream(one, held_out=0.3)
    assert kept.n_sentences + held.n_sentences == len(text)
    assert 0 < held.n_sentences < len(text)

    def sentences(stream):
        return {
            tuple(stream.surfaces[i] for i in stream.ids[a:b])
            for a, b in zip(stream.starts[:-1], stream.starts[1:], strict=True)
        }

    assert sentences(split_stream(two, held_out=0.3)[1]) == sentences(held)
    few = first_words(one, 12)
    assert sentences(few) <= sentences(one)
    assert 12 <= few.n_words < 12 + 6


def test_encoding_a_stream():
    stream = read_stream(["we moved e-mail, well-known 12", "d'accord l'homme"])
    token_of = {"we": 4, "moved": 5, "e-mail": 6, "known": 7, "homme": 8, "l'": 9, "d'accord": 10}
    encoded = encode_stream(stream, word_reader(token_of, elisions=("l'", "d'")))
    assert encoded.tolist() == [1, 4, 5, 6, 0, 7, 3, 2, 1, 10, 9, 8, 2]
    assert encode_stream(stream, word_reader(token_of)).tolist()[-4:] == [1, 10, 0, 2]
