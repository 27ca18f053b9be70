"""Building, loading and damaging a small pack."""

from __future__ import annotations

import random
import shutil
import struct
from importlib import metadata
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner
from small_packs import build_small_pack, invented_notes, write_recipe

from nearkey.cli import cli
from nearkey.decode import Decoder
from nearkey.errors import PackError
from nearkey.language import find_pack, installed_packs, load_pack
from nearkey.language.arrays import pack_texts, read_arrays, read_bytes, unpack_texts, write_arrays
from nearkey.language.info import FORMAT, PACK_FILES, finish_folder, read_info, record_file, sealed
from nearkey.language.tokens import FIRST_WORD, word_order
from nearkey.layout import Layout
from nearkey.packs.backoff import BackoffModel
from nearkey.packs.builder import build_pack
from nearkey.packs.evaluate import inspect_pack, score_text
from nearkey.packs.quantise import read_table, write_table
from nearkey.schema import read_toml
from nearkey.touch import GaussianTouch


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    folder, report = build_small_pack(tmp_path_factory.mktemp("small"))
    return folder, report


@pytest.fixture
def copy(small, tmp_path):
    return shutil.copytree(small[0], tmp_path / "copy")


def test_what_a_pack_holds(small):
    folder, report = small
    pack = load_pack(folder)
    words = pack.lexicon.words
    assert list(words) == sorted(words, key=word_order)
    assert {"theodolite", "couldn't", "tripod", "bother"} <= set(words)
    assert pack.info == report.info
    assert pack.alphabet == "abcdefghijklmnopqrstuvwxyz"
    assert sorted(path.name for path in folder.iterdir()) == sorted([*PACK_FILES, "pack.toml"])
    assert "CC0-1.0" in (folder / "LICENCE.md").read_text()


def test_the_lexicon(small):
    lexicon = load_pack(small[0]).lexicon
    assert len(lexicon) == len(lexicon.words) == len(list(lexicon))
    for at, word in enumerate(lexicon):
        assert lexicon[at] == word
        assert lexicon.index(word) == at
        assert lexicon.token(word) == at + FIRST_WORD
    assert lexicon.index("London") == lexicon.index("london")
    assert "zebra" not in lexicon
    assert lexicon.index("zebra") is None
    assert lexicon.log_prob("zebra") == -np.inf
    assert lexicon[-1] == lexicon.words[-1]
    assert lexicon[:2] == lexicon.words[:2]
    assert np.exp(lexicon.log_probs.astype(float)).sum() == pytest.approx(1, abs=1e-5)
    assert lexicon.log_prob("the") > lexicon.log_prob("theodolite")
    assert lexicon.starting_with("lond") == ["london"]
    assert lexicon.is_offensive("Bother")
    assert not lexicon.is_offensive("the")
    with pytest.raises(IndexError):
        lexicon[len(lexicon)]


def test_the_word_model(small):
    model = load_pack(small[0]).language_model
    start = model.start()
    assert model.state_after("") == start
    assert model.state_after("We moved the prism.") == start
    assert model.state_after("We moved. they set") == model.advance(
        model.advance(start, "they"), "set"
    )
    assert model.state_after("Mr. Okafor") != start
    assert len(model.state_after("we set up the tripod near the river")) == model.table.order - 1
    assert model.log_prob("we set", "up") > model.log_prob("we set", "river")
    scores = model.log_probs(model.state_after("we set"))
    assert scores.dtype == np.float32
    assert len(scores) == len(model.lexicon)
    assert scores[model.lexicon.index("up")] == pytest.approx(model.log_prob("we set", "up"))
    spelled = model.letter_model.log_prob("zebra")
    unknown = model.log_unknown(model.state_after("we set"))
    assert model.log_prob("we set", "zebra") == pytest.approx(unknown + spelled)
    assert model.end_log_prob(model.state_after("near the river")) < 0
    np.testing.assert_array_equal(
        model.tokens(model.lexicon.words), model.tokens(list(model.lexicon.words))
    )
    assert model.advance(start, "tripod-prism") == model.advance(
        model.advance(start, "tripod"), "prism"
    )


def test_all_tokens_sum_to_one(small):
    model = load_pack(small[0]).language_model
    tokens = np.delete(np.arange(model.table.vocab, dtype=np.uint32), 1)
    for text in ("", "we", "we moved the", "near the", "zebra zebra"):
        total = np.exp(model.table.log_probs(model.state_after(text), tokens)).sum()
        assert total == pytest.approx(1, abs=0.01)


def test_the_letter_model_is_proper(small):
    # All strings over the symbols sum to 1: checked as the mass of everything shorter than n letters
    # plus the mass of the prefixes of n letters that may go on.
    letters = load_pack(small[0]).letter_model
    finished, open_mass = 0.0, {"": 1.0}
    for _ in range(2):
        longer: dict[str, float] = {}
        for prefix, mass in open_mass.items():
            steps = np.exp(letters.next_log_probs(prefix))
            unknown = np.exp(letters.table.log_prob([1, *letters.tokens(prefix)], 0))
            assert steps.sum() + unknown == pytest.approx(1, abs=0.02)
            finished += mass * steps[-1]
            for symbol, p in zip(letters.symbols, steps[:-1], strict=True):
                longer[prefix + symbol] = mass * p
        open_mass = longer
    assert finished + sum(open_mass.values()) == pytest.approx(1, abs=0.03)
    words = [np.exp(letters.log_prob(word)) for word in ("tripod", "tripoqd")]
    assert words[0] > words[1]


def test_case_and_marks(small):
    pack = load_pack(small[0])
    assert pack.truecase.form("london") == "London"
    assert pack.truecase.form("river") == "river"
    assert pack.truecase.form("river", start=True) == "River"
    assert pack.truecase.form("i", start=True) == "I"
    assert pack.truecase.form("zebra") == "zebra"
    assert 0 < pack.truecase.share("london") <= 1
    after = pack.marks.log_probs("river")
    assert set(after) == {"", ",", ".", "?", "!", ";", ":"}
    assert sum(np.exp(list(after.values()))) == pytest.approx(1, abs=1e-5)
    assert after["."] > after[";"]
    assert pack.marks.log_probs("the")[""] > np.log(0.9)
    assert sum(np.exp(list(pack.marks.log_probs("zebra").values()))) == pytest.approx(1, abs=1e-5)


def test_the_same_inputs_give_the_same_bytes(small, tmp_path):
    again, _ = build_small_pack(tmp_path)
    for name in (*PACK_FILES, "pack.toml"):
        assert (again / name).read_bytes() == (small[0] / name).read_bytes(), name


def test_the_size_asked_for_is_kept(tmp_path):
    whole, _ = build_small_pack(tmp_path / "whole")
    size = (whole / "words.ngram").stat().st_size
    small, _ = build_small_pack(tmp_path / "small", max_bytes=size - 300)
    assert (small / "words.ngram").stat().st_size <= size - 300
    load_pack(small)


def test_checking_and_scoring(small):
    report = inspect_pack(small[0])
    assert report.words == len(load_pack(small[0]).lexicon)
    assert report.contexts_summed == sum(
        sum(counts[:-1])
        for counts in (load_pack(small[0]).info.ngrams, load_pack(small[0]).info.letter_ngrams)
    )
    assert 0.98 < report.sum_furthest_from_1 < 1.02
    lines = invented_notes(100, 2)
    score = score_text(load_pack(small[0]), lines)
    told = load_pack(small[0]).info.held_out[0]
    assert score.oov_rate == pytest.approx(told.oov_rate, abs=1e-5)
    assert score.perplexity == pytest.approx(told.perplexity, abs=0.06)
    assert score.perplexity_with_ends == pytest.approx(told.perplexity_with_ends, abs=0.06)
    with pytest.raises(PackError, match="holds no word"):
        score_text(load_pack(small[0]), ["zebra"])


@pytest.mark.parametrize("name", ["words.ngram", "letters.ngram"])
def test_probabilities_that_do_not_sum_to_one_are_found(copy, name):
    # The checksums are right, so that only the sums can tell.
    model = read_table(copy / name)
    level = model.order - 1
    at = int(np.argmax(model.log_prob[level]))
    values = [array.copy() for array in model.log_prob]
    values[level][at] -= 0.1
    write_table(copy / name, BackoffModel(model.tree, tuple(values), model.backoff), value_bytes=4)
    info = read_info(copy)
    finish_folder(copy, info)
    context = model.tree.token_matrix(model.order)[at, :-1].tolist()
    with pytest.raises(PackError, match=r"sum to 0\.9") as caught:
        inspect_pack(copy)
    assert caught.value.field == name
    assert str(context) in str(caught.value)


@pytest.mark.parametrize("name", PACK_FILES)
def test_a_damaged_byte_anywhere_is_noticed(copy, name):
    data = bytearray((copy / name).read_bytes())
    rng = random.Random(name)
    for at in sorted({0, len(data) - 1, *(rng.randrange(len(data)) for _ in range(10))}):
        bit = 1 << rng.randrange(8)
        data[at] ^= bit
        (copy / name).write_bytes(data)
        with pytest.raises(PackError, match="damaged: its checksum") as caught:
            load_pack(copy)
        assert caught.value.where == str(copy / name)
        data[at] ^= bit
    (copy / name).write_bytes(data)
    load_pack(copy)


@pytest.mark.parametrize("name", PACK_FILES)
def test_a_missing_or_short_file_is_named(copy, name):
    (copy / name).write_bytes((copy / name).read_bytes()[:-1])
    with pytest.raises(PackError, match="bytes where pack"):
        load_pack(copy)
    (copy / name).unlink()
    with pytest.raises(PackError, match="no such file"):
        load_pack(copy)


def test_a_damaged_byte_of_pack_toml_is_noticed(copy):
    data = bytearray((copy / "pack.toml").read_bytes())
    rng = random.Random(3)
    for at in [len(data) - 2, *(rng.randrange(len(data)) for _ in range(60))]:
        kept, data[at] = data[at], data[at] ^ (1 << rng.randrange(8))
        (copy / "pack.toml").write_bytes(data)
        with pytest.raises(PackError) as caught:
            load_pack(copy)
        assert caught.value.where == str(copy / "pack.toml")
        data[at] = kept
    (copy / "pack.toml").write_bytes(data)
    load_pack(copy)


def edit_info(folder, **changes):
    raw = read_toml(folder / "pack.toml", PackError)
    raw.update(changes)
    (folder / "pack.toml").write_text(sealed(raw))


def test_a_newer_format_says_upgrade(copy):
    edit_info(copy, format=FORMAT + 1, surprise="new field")
    with pytest.raises(PackError, match=f"format {FORMAT + 1} is newer") as caught:
        load_pack(copy)
    assert caught.value.fix == "upgrade nearkey"


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"format": "one"}, "format"),
        ({"surprise": 1}, "surprise"),
        ({"words": "many"}, "words"),
        ({"words": 3}, "words"),
        ({"ngrams": [1, 2, 3]}, "byte 40"),
        ({"letter_symbols": "ab"}, "byte 12"),
    ],
)
def test_wrong_info_is_named(copy, changes, field):
    edit_info(copy, **changes)
    with pytest.raises(PackError) as caught:
        load_pack(copy)
    assert caught.value.field == field


def forge(folder, name: str, data: bytes) -> None:
    """Put other bytes in place, with a checksum that fits them: what a broken builder would write."""
    (folder / name).write_bytes(data)
    raw = read_toml(folder / "pack.toml", PackError)
    record = record_file(folder / name)
    raw["files"][name] = {"bytes": record.bytes, "crc32": record.crc32, "sha256": record.sha256}
    (folder / "pack.toml").write_text(sealed(raw))


@pytest.mark.parametrize(
    ("offset", "value", "field"),
    [
        (0, b"X", "byte 0"),
        (7, b"2", "byte 7"),
        (8, struct.pack("<I", 9), "byte 8"),
        (12, struct.pack("<I", 7), "byte 40"),
        (16, struct.pack("<I", 3), "byte 16"),
        (20, struct.pack("<I", 2), "byte 20"),
        (24, struct.pack("<I", 10**6), "byte 24"),
        (48, struct.pack("<Q", 10**6), None),
    ],
)
def test_a_table_header_that_makes_no_sense_is_named(copy, offset, value, field):
    data = bytearray((copy / "words.ngram").read_bytes())
    data[offset : offset + len(value)] = value
    forge(copy, "words.ngram", bytes(data))
    with pytest.raises(PackError) as caught:
        load_pack(copy)
    assert caught.value.where == str(copy / "words.ngram")
    if field:
        assert caught.value.field == field


def test_a_table_body_that_makes_no_sense_is_named(copy):
    data = bytearray((copy / "words.ngram").read_bytes())
    data[256:260] = struct.pack("<f", float("nan"))
    forge(copy, "words.ngram", bytes(data))
    with pytest.raises(PackError, match="a log probability of order 1 is not finite") as caught:
        load_pack(copy)
    assert caught.value.where == str(copy / "words.ngram")
    assert "\n" not in str(caught.value)


def test_no_word_is_looked_up_in_the_bytes_of_a_strangers_trie(copy, tmp_path):
    other, _ = build_small_pack(tmp_path / "other", size=10)
    for trie in ((other / "lexicon.marisa").read_bytes(), b"We love Marisa?" + b"\xff" * 4000, b""):
        forge(copy, "lexicon.marisa", trie)
        lexicon = load_pack(copy).lexicon
        assert [lexicon.index(word) for word in lexicon.words] == list(range(len(lexicon)))
        inspect_pack(copy)


def forge_arrays(folder, name: str, **changes) -> None:
    """Put other arrays in place, or, named `meta_…`, other meta values."""
    arrays, meta = read_arrays(folder / name)
    arrays = {key: array.copy() for key, array in arrays.items()}
    for key, change in changes.items():
        if key.startswith("meta_"):
            meta[key.removeprefix("meta_")] = change
        else:
            arrays[key] = change(arrays[key])
    write_arrays(folder / name, arrays, meta=meta)
    forge(folder, name, (folder / name).read_bytes())


def put(at, value):
    """Another value at one place of an array."""

    def change(array):
        array[at] = value
        return array

    return change


@pytest.mark.parametrize(
    ("name", "changes", "said"),
    [
        ("words.bin", {"text": put(3, 0xFF)}, "text: not UTF-8 at byte 3"),
        ("words.bin", {"offset": put(-1, 2**32 - 1)}, "offset: does not fit the text"),
        ("words.bin", {"offset": put(2, 2**31)}, "offset: texts overlap"),
        ("words.bin", {"offset": put(1, 0)}, "offset: an empty word"),
        ("words.bin", {"log_prob": put(0, float("nan"))}, "log_prob: not natural logs"),
        ("words.bin", {"log_prob": put(0, 0.5)}, "log_prob: not natural logs"),
        ("words.bin", {"flags": lambda array: array[:-1]}, "flags: not"),
        ("case.bin", {"text": put(0, 0xC3)}, "text: not UTF-8"),
        ("case.bin", {"offset": put(-1, 10**6)}, "offset: does not fit the text"),
        ("case.bin", {"offset": put(0, 1)}, "offset: does not fit the text"),
        ("case.bin", {"word": put(-1, 10**6)}, "word: points past the last word"),
        ("case.bin", {"share": put(0, float("nan"))}, "share: not shares"),
        ("marks.bin", {"word": put(-1, 10**6)}, "word: points past the last word"),
        ("marks.bin", {"overall": put(0, float("inf"))}, "overall: not probabilities"),
        ("marks.bin", {"probs": lambda array: array.ravel()}, "probs: missing or of a wrong type"),
        ("marks.bin", {"meta_symbols": ["\x1b[2J"] * 7}, "symbols: no list of punctuation"),
        ("marks.bin", {"meta_symbols": {"a": 1}}, "symbols: no list of punctuation"),
    ],
)  # fmt: skip
def test_arrays_that_make_no_sense_are_named(copy, name, changes, said):
    forge_arrays(copy, name, **changes)
    with pytest.raises(PackError) as caught:
        load_pack(copy)
    assert said in str(caught.value)
    assert caught.value.where == str(copy / name)


def test_a_word_cut_inside_a_character_is_found(copy):
    arrays, meta = read_arrays(copy / "words.bin")
    text = arrays["text"].copy()
    first = int(arrays["offset"][1])
    text[first - 1], text[first] = 0xC3, 0xA9  # one character over two words
    write_arrays(copy / "words.bin", arrays | {"text": text}, meta=meta)
    forge(copy, "words.bin", (copy / "words.bin").read_bytes())
    with pytest.raises(PackError, match="cut inside a character"):
        load_pack(copy)


def test_words_out_of_order_or_that_steer_a_terminal_are_found_by_the_check(copy):
    good = (copy / "words.bin").read_bytes()
    arrays, meta = read_arrays(copy / "words.bin", data=read_bytes(copy / "words.bin"))
    words = unpack_texts(arrays["offset"], arrays["text"])
    for at, other, said in (
        (5, words[4], "is found at"),
        (0, "\x9b", "control"),
        (3, "zz", "out of order"),
    ):
        changed = list(words)
        changed[at] = other
        write_arrays(copy / "words.bin", arrays | pack_texts(changed), meta=meta)
        forge(copy, "words.bin", (copy / "words.bin").read_bytes())
        with pytest.raises(PackError, match=said):
            inspect_pack(copy)
    forge(copy, "words.bin", good)
    inspect_pack(copy)


def test_a_title_cannot_steer_the_terminal(copy):
    raw = read_toml(copy / "pack.toml", PackError)
    raw["title"] = "Plain\x1b[2J\x1b]0;owned\x07 \u202etxet"
    raw["sources"][0]["title"] = "\x9b31mred"
    (copy / "pack.toml").write_text(sealed(raw))
    shown = CliRunner().invoke(cli, ["pack", "info", str(copy)])
    assert shown.exit_code == 0
    assert "Plain" in shown.output
    assert all(c.isprintable() or c == "\n" for c in shown.output)
    raw["format"] = "\x1b[2J"
    (copy / "pack.toml").write_text(sealed(raw))
    with pytest.raises(PackError) as caught:
        load_pack(copy)
    assert str(caught.value).isprintable()


def test_an_installed_pack_takes_no_built_in_ones_place(copy, monkeypatch):
    installed = SimpleNamespace(name="en", value="stranger", load=lambda: copy)

    class Entries(list):
        def select(self, *, name):
            return [entry for entry in self if entry.name == name]

    monkeypatch.setattr(metadata, "entry_points", lambda group: Entries([installed]))
    assert find_pack("en") != copy
    assert installed_packs()["en"] != copy
    installed.name = "strangers"
    assert find_pack("strangers") == copy


def test_files_written_over_under_a_decoder_give_no_id_out_of_range(copy):
    pack = load_pack(copy)
    layout = Layout.named("qwerty")
    decoder = Decoder(layout, GaussianTouch.from_layout(layout, spread=0.3), pack)
    decoder.candidates(layout.centers[[3, 4, 5]], context="the tripod")
    rng = np.random.default_rng(7)
    path = copy / "words.ngram"
    size = path.stat().st_size
    with path.open("r+b") as file:  # in place, which the docs say not to do
        for _ in range(20):
            file.seek(256)
            file.write(rng.integers(0, 256, size - 256, dtype=np.uint8).tobytes())
            file.flush()
            for context in ("", "the tripod", "we set up"):
                for found in decoder.candidates(layout.centers[[3, 4, 5]], context=context):
                    assert found.index is None or found.index < len(pack.lexicon)
                state = decoder.state_after(context)
                words, _ = pack.language_model.table.followers(state)
                assert (words < pack.language_model.table.vocab).all()
                pack.language_model.log_probs(state)
                pack.letter_model.next_log_probs("th")


def test_no_pack_of_that_name(tmp_path):
    with pytest.raises(PackError, match="no such pack"):
        find_pack("klingon")
    with pytest.raises(PackError, match=r"no pack\.toml"):
        find_pack(tmp_path)
    with pytest.raises(PackError, match=r"no pack\.toml"):
        find_pack(f"{tmp_path}/x")


def test_the_english_pack_ships():
    pack = load_pack("en")
    assert "en" in installed_packs()
    assert len(pack.lexicon) >= 60_000
    assert sum(record.bytes for record in pack.info.files.values()) <= 25_000_000
    # No word sits on a floor: each has its own frequency.
    lowest = pack.lexicon.log_probs.min()
    assert np.count_nonzero(pack.lexicon.log_probs == lowest) < 0.01 * len(pack.lexicon)
    for word in ("don't", "we'll", "i'm", "o'clock", "e-mail", "a", "i", "ok"):
        assert word in pack.lexicon, word
    for word in ("teh", "becuase", "dont", "zx"):
        assert word not in pack.lexicon, word
    forms = [pack.truecase.form(word) for word in ("i", "london", "monday", "usa", "the")]
    assert forms == ["I", "London", "Monday", "USA", "the"]
    ewt = pack.info.held_out[0]
    # The yardstick: all open training text poured together, plain Kneser-Ney, .7/.3 with the list.
    assert ewt.perplexity < 605
    # The model knows within a factor how often it meets unknown words: web text has more of them than most
    # of what it learnt from.
    assert 1 / 1.5 < ewt.unknown_predicted / ewt.oov_rate < 1.5


def test_a_failed_build_leaves_nothing(tmp_path):
    recipe = write_recipe(tmp_path / "recipe")
    (tmp_path / "recipe" / "later.txt").write_bytes(b"caf\xe9\n")
    with pytest.raises(PackError, match="not utf-8") as caught:
        list(build_pack(recipe, tmp_path / "out" / "pack", cache=tmp_path / "cache"))
    assert caught.value.field == "line 1, byte 3"
    assert list((tmp_path / "out").iterdir()) == []


def test_a_full_disk_is_told_and_leaves_nothing(tmp_path, monkeypatch):
    recipe = write_recipe(tmp_path / "recipe")

    def no_space(*args, **kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("nearkey.packs.builder.write_table", no_space)
    with pytest.raises(PackError, match="the disk is full"):
        list(build_pack(recipe, tmp_path / "out" / "pack", cache=tmp_path / "cache"))
    assert list((tmp_path / "out").iterdir()) == []


def test_a_new_build_replaces_the_old_pack_whole(tmp_path):
    folder, _ = build_small_pack(tmp_path)
    (folder / "stray").write_text("left over")
    again, _ = build_small_pack(tmp_path, size=20)
    assert again == folder
    assert not (folder / "stray").exists()
    assert load_pack(folder).info.words == 20
