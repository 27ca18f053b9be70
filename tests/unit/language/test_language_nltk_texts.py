"""Texts of nltk's corpora through nltk's own readers, from invented data in the corpora's formats on disk.

The formats: as nltk's readers and their documentation have them. What a text's words and marks are is told by
`sentences` on the text itself, before nltk's tokenizer cut it.
"""

from __future__ import annotations

import json
import textwrap

import pytest
from library_texts import SAID, nltk_data, write_brown, zipped

from nearkey.errors import PackError
from nearkey.language.reading.corpus import LIBRARY_READERS, ReadOptions, ReadReport, join_tokens
from nearkey.language.tokens import sentences

pytest.importorskip("nltk")


@pytest.fixture
def corpora(tmp_path):
    with nltk_data(tmp_path / "nltk_data") as folder:
        yield folder


def read(name: str) -> list[str]:
    report = ReadReport()
    lines = list(LIBRARY_READERS["nltk"](name, ReadOptions(), report))
    assert report.lines == len(lines)
    return lines


def refusal(name: str) -> PackError:
    with pytest.raises(PackError) as caught:
        read(name)
    message = str(caught.value)
    assert message.startswith(f"nltk:{name}: ")
    assert "\n" not in message
    assert "\x1b" not in message
    return caught.value


def words_of(lines: list[str]) -> list[tuple[list[str], list[int]]]:
    return [(one.words, one.punctuation) for one in sentences(lines)]


def test_a_tagged_corpus_has_the_words_and_marks_of_its_text(corpora):
    write_brown(corpora, SAID)
    lines = read("brown")
    assert lines == SAID
    assert words_of(lines) == words_of(SAID)


def test_a_zipped_corpus_and_one_of_two_files(corpora):
    write_brown(corpora, SAID[:2])
    write_brown(corpora, SAID[2:], name="cb02")
    zipped(corpora / "brown")
    assert read("brown") == SAID


def test_a_corpus_loaded_earlier_is_read_again(corpora):
    write_brown(corpora, SAID)
    assert read("brown") == read("brown") == SAID


def test_a_treebank_leaves_out_what_nobody_wrote(corpora):
    # Traces and brackets as the Penn Treebank's bracketing guidelines have them (Bies et al. 1995).
    folder = corpora / "treebank" / "combined"
    folder.mkdir(parents=True)
    (folder / "wsj_0001.mrg").write_text(
        """
( (S (NP-SBJ-1 (NNP Sam) )
    (VP (VBD was) (VP (VBN told) (NP (-NONE- *-1) )
      (SBAR (-NONE- 0) (S (NP-SBJ (PRP it) ) (VP (MD ca) (RB n't) (VP (VB wait)
        (PRN (-LRB- -LRB-) (CD 0) (NN rod) (CC and\\/or) (NN staff) (-RRB- -RRB-) ))))))) (. .) ))
"""
    )
    assert read("treebank") == ["Sam was told it can't wait (0 rod and/or staff)."]


def test_plain_text_needs_no_tokenizer_and_keeps_its_words_whole(corpora):
    (corpora / "webtext").mkdir()
    paragraphs = [" ".join(SAID[:3]), " ".join(SAID[3:])]
    text = "\n\n".join(textwrap.fill(paragraph, 50) for paragraph in paragraphs)
    (corpora / "webtext" / "notes.txt").write_text(text + "\n", encoding="latin-1")
    lines = read("webtext")
    assert lines == paragraphs
    assert words_of(lines) == words_of(paragraphs)


def test_messages_on_lines_of_their_own_stay_apart(corpora):
    (corpora / "webtext").mkdir()
    messages = [
        "peg seven gone",
        "who has the long staff",
        "it stands by the kerb near station nine",
        "ok",
    ]
    (corpora / "webtext" / "posts.txt").write_bytes("\r\n".join(messages).encode())
    assert read("webtext") == messages


def test_chat_and_short_messages(corpora):
    (corpora / "nps_chat").mkdir()
    (corpora / "nps_chat" / "invented.xml").write_text(
        '<?xml version="1.0" encoding="ascii"?>\n<Session><Posts><Post class="Statement" user="maria">'
        "do n't move it<terminals>"
        '<t pos="VBP" word="do"/><t pos="RB" word="n\'t"/><t pos="VB" word="move"/><t pos="PRP" word="it"/>'
        "</terminals></Post></Posts></Session>"
    )
    assert read("nps_chat") == ["don't move it"]
    (corpora / "twitter_samples").mkdir()
    message = {"text": "isn't it\nby the kerb?", "id": 1}
    (corpora / "twitter_samples" / "tweets.json").write_text(json.dumps(message) + "\n")
    assert read("twitter_samples") == ["isn't it", "by the kerb?"]


def test_words_cut_at_the_apostrophe_are_put_together(corpora):
    # This reader's tokenizer makes three tokens of a contraction.
    (corpora / "pros_cons").mkdir()
    for name in ("Pros", "Cons"):
        (corpora / "pros_cons" / f"Integrated{name}.txt").write_text(
            f"<{name}>Sam's staff doesn't bend</{name}>\n"
        )
    from nltk.corpus import pros_cons

    assert "'" in pros_cons.sents()[0]
    assert read("pros_cons") == ["Sam's staff doesn't bend"] * 2


@pytest.mark.parametrize(
    ("tokens", "text"),
    [
        ("It 's here !", "It's here!"),
        ("`` Go , '' he said .", '"Go," he said.'),
        ("the pegs ' heads", "the pegs' heads"),
        ("they 're gon na ask", "they're gonna ask"),
        ("get 'em", "get 'em"),
        ("un peg -Fpa- nuevo -Fpt-", "un peg (nuevo)"),
        ("", ""),
    ],
)
def test_tokens_are_joined_as_they_were_written(tokens, text):
    assert join_tokens(tokens.split()) == text


@pytest.mark.parametrize(
    ("name", "package"),
    # Where the corpus' name is not that of its data package, the package is what must be fetched.
    [
        ("brown", "brown"), ("webtext", "webtext"), ("treebank_raw", "treebank"),
        ("multext_east", "mte_teip5"), ("knbc", "knbc"), ("ptb", "ptb"),
    ],
)  # fmt: skip
def test_a_corpus_that_is_not_installed_says_what_to_fetch(corpora, name, package):
    fault = refusal(name)
    assert fault.fix == f"python -m nltk.downloader {package}"
    assert f"{package} is not installed" in fault.problem
    # Nothing is left behind: with its data, the same corpus is read.
    if name == "brown":
        write_brown(corpora, SAID)
        assert read("brown") == SAID


def test_a_tokenizer_s_data_is_named_where_the_reader_needs_it(corpora):
    (corpora / "machado").mkdir()
    (corpora / "machado" / "contos.txt").write_text("Uma nota inventada.\n")
    fault = refusal("machado")
    assert fault.fix.startswith("python -m nltk.downloader punkt")


@pytest.mark.parametrize("name", ["nothing_of_the_kind", "", "demo", "reader", "__name__"])
def test_what_is_no_corpus_is_refused(corpora, name):
    assert refusal(name).problem == "nltk has no corpus of this name"


def test_lists_of_words_are_no_text(corpora):
    (corpora / "names").mkdir()
    (corpora / "names" / "female.txt").write_text("Maria\n")
    assert refusal("names").problem == "has no running text"


def test_damaged_data_is_told_with_its_corpus(corpora):
    write_brown(corpora, SAID)
    with (corpora / "brown" / "ca01").open("ab") as handle:
        handle.write("caf\xe9/nn\n".encode("latin-1"))
    fault = refusal("brown")
    assert "cannot be read" in fault.problem
    assert "can't decode byte 0xe9" in fault.problem
    assert "--force" in fault.fix
