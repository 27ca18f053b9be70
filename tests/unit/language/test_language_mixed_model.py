"""Packs with a context model: states, the mixture, the file's checks."""

from __future__ import annotations

import pickle
import shutil
import struct

import numpy as np
import pytest
from context_reference import ContextReference
from small_context import with_context
from small_packs import build_small_pack

from nearkey.errors import PackError
from nearkey.language import info, load_pack
from nearkey.language.arrays import map_bytes
from nearkey.language.models import BLOCK, MixedModel
from nearkey.language.tokens import BOS, FIRST_WORD, NUM, UNK
from nearkey.packs.evaluate import inspect_pack
from nearkey.packs.quantise import read_table


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    base = tmp_path_factory.mktemp("mixed")
    return with_context(build_small_pack(base)[0], base / "with")


@pytest.fixture(scope="module")
def pack(folder):
    return load_pack(folder)


@pytest.fixture(scope="module")
def model(pack):
    assert isinstance(pack.language_model, MixedModel)
    return pack.language_model


@pytest.fixture
def copy(folder, tmp_path):
    return shutil.copytree(folder, tmp_path / "copy")


TEXTS = [
    "",
    "We set up",
    "We set up the tripod. ",
    "We moved a peg. Maria checked the prism",
    "by 12",
]


@pytest.mark.parametrize("text", TEXTS)
def test_the_mixture_is_one_probability_by_its_formula(model, folder, text):
    state = model.state_after(text)
    found = model.token_log_probs(state).astype(np.float64)
    assert np.exp(found).sum() == pytest.approx(1.0, abs=0.02)  # the table's values have one byte
    reference = ContextReference(map_bytes(folder / info.CONTEXT_FILE))
    after = reference.start()
    for token in model._tokens(text):
        after = reference.advance(after, token)
    network = np.exp(reference.log_probs(after))
    table = model.ngram.table
    tokens = np.arange(len(found), dtype=np.uint32)
    grams = np.exp(table.log_probs(state.tokens, tokens))
    # How many words of context the table knows: the longest of its n-grams that the context ends with.
    tree = read_table(folder / "words.ngram").tree
    known = max(
        (
            n
            for n in range(1, min(len(state.tokens), table.order - 1) + 1)
            if list(state.tokens[-n:]) in tree.token_matrix(n).tolist()
        ),
        default=0,
    )
    weight = model.weights[known]
    wanted = np.log(weight * network + (1 - weight) * grams)
    others = tokens != BOS
    np.testing.assert_allclose(found[others], wanted[others], atol=2e-3)
    np.testing.assert_array_equal(model.log_probs(state), found[FIRST_WORD:].astype(np.float32))
    assert model.log_unknown(state) == pytest.approx(found[UNK])


def test_states_follow_the_text(model):
    read = model.state_after("we set up")
    walked = model.start()
    for word in ("we", "set", "up"):
        walked = model.advance(walked, word)
    assert walked == read
    assert hash(walked) == hash(read)
    ended = model.end_sentence(read)
    assert ended == model.state_after("We set up. ")
    assert ended.tokens == model.start().tokens
    assert ended != model.start()  # the sentence is remembered
    assert not np.array_equal(model.log_probs(ended), model.log_probs(model.start()))
    assert model.push(model.start(), NUM) == model.advance(model.start(), "<num>")


def test_a_deleted_word_leads_back(model):
    before = model.state_after("we moved")
    vector = model.log_probs(before).copy()
    model.log_probs(model.state_after("we moved the"))
    model.log_probs(model.state_after("we checked. "))
    assert model.state_after("we moved") == before
    np.testing.assert_array_equal(model.log_probs(before), vector)


def test_vectors_are_read_only(model):
    with pytest.raises(ValueError, match="read-only"):
        model.log_probs(model.start())[0] = 0.0


def test_a_state_does_not_depend_on_how_the_text_came_about(folder):
    text = "We levelled the theodolite. " * (2 * BLOCK // 25) + "They moved a peg"
    grown, whole = load_pack(folder).language_model, load_pack(folder).language_model
    for end in range(len(text) - 400, len(text) + 1, 7):
        grown.state_after(text[:end])
    assert grown.state_after(text) == whole.state_after(text)


def test_long_texts_cost_no_more_than_a_block(model):
    line = "We levelled the theodolite near the river. "
    text = line * (5 * BLOCK // len(line))
    assert len(model._tokens(text)) < BLOCK
    assert model._tokens(text + "we ")[-1] != BOS
    # Without an end of a sentence there is no place to begin anew.
    endless = "we moved the prism " * (2 * BLOCK // 19)
    assert len(model._tokens(endless)) > 2 * BLOCK / 6


def test_words_outside_the_lexicon_are_spelled(model):
    spelled = model.log_prob("we moved", "zzq")
    letters = model.ngram.letter_model.log_prob("zzq")
    assert spelled == pytest.approx(model.log_unknown(model.state_after("we moved")) + letters)


def test_it_travels(pack, model):
    again = pickle.loads(pickle.dumps(pack)).language_model
    other = pickle.loads(pickle.dumps(model))
    state = model.state_after("we set up the")
    for one in (again, other):
        assert isinstance(one, MixedModel)
        np.testing.assert_array_equal(one.log_probs(state), model.log_probs(state))


def test_a_pack_can_do_without(folder, pack):
    plain = load_pack(folder, context_model=False)
    assert not isinstance(plain.language_model, MixedModel)
    assert plain.ngram_model is plain.language_model
    assert pack.ngram_model is pack.language_model.ngram
    assert not isinstance(pickle.loads(pickle.dumps(plain)).language_model, MixedModel)


def test_packs_without_the_part_keep_their_format(folder, tmp_path):
    assert info.read_info(folder).format == 2
    plain, _ = build_small_pack(tmp_path)
    assert info.read_info(plain).format == 1
    assert load_pack(plain).info.context is None


def test_the_inspection_looks_at_it(folder):
    found = inspect_pack(folder)
    assert found.context is not None
    assert found.context["parameters"] > 0
    assert abs(found.context["sum"] - 1.0) < 1e-3


def rewritten(copy, change):
    """The copy with its context file changed, checksums made to fit."""
    path = copy / info.CONTEXT_FILE
    data = bytearray(path.read_bytes())
    path.write_bytes(change(data) or data)
    info.finish_folder(copy, info.read_info(copy))
    return path


def put(at, kind, value):
    return lambda data: struct.pack_into(kind, data, at, value)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        (put(0, "<8s", b"NKNGRAM1"), "byte 0"),
        (put(0, "<8s", b"NKCONTX9"), "byte 7"),
        (put(8, "<I", 0), "byte 8"),
        (put(12, "<I", 0), "byte 12"),
        (put(16, "<I", 1 << 20), "byte 16"),
        (put(20, "<I", 0), "byte 20"),
        (put(24, "<I", 1 << 20), "byte 24"),
        (put(28, "<I", 0), "byte 28"),
        (put(32, "<I", 1 << 20), "byte 32"),
        (lambda data: data[:50], "byte 0"),
        (lambda data: data[:-64], None),
        (lambda data: data + bytes(64), None),
    ],
)
def test_a_damaged_header_is_named(copy, change, field):
    path = rewritten(copy, change)
    with pytest.raises(PackError) as caught:
        load_pack(copy)
    assert caught.value.where == str(path)
    assert "\n" not in str(caught.value)
    if field is not None:
        assert caught.value.field == field


def test_damaged_weights_are_refused(copy):
    header = 64
    words = load_pack(copy).info.words + FIRST_WORD
    order = header + 4 * words + -(4 * words) % 64
    for at, value, problem in [
        (header, struct.pack("<I", 0xFFFF), "order"),
        (order, struct.pack("<f", float("nan")), "bias"),
    ]:
        kept = (copy / info.CONTEXT_FILE).read_bytes()
        rewritten(copy, put(at, "<4s", value))
        with pytest.raises(PackError, match=problem):
            load_pack(copy)
        (copy / info.CONTEXT_FILE).write_bytes(kept)
        info.finish_folder(copy, info.read_info(copy))
    load_pack(copy)


def test_a_changed_byte_shows(copy):
    path = copy / info.CONTEXT_FILE
    data = bytearray(path.read_bytes())
    data[-100] ^= 1
    path.write_bytes(data)
    with pytest.raises(PackError, match="checksum"):
        load_pack(copy)


@pytest.mark.parametrize("weights", [[0.5], [0.5, 0.5, 1.5], [0.5, 0.5, float("nan")]])
def test_weights_must_be_probabilities_one_for_each_length(folder, tmp_path, weights):
    other = with_context(folder, tmp_path / "w", weights=weights)
    with pytest.raises(PackError) as caught:
        load_pack(other)
    assert caught.value.field == "context.weights"
