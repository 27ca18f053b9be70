"""Training a toy context model on a processor, and building a pack with it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from command_line import done
from context_reference import ContextReference
from small_packs import build_small_pack, invented_notes

from nearkey.errors import PackError
from nearkey.language import info, load_pack
from nearkey.language.arrays import map_bytes
from nearkey.language.info import ContextRecord
from nearkey.language.models import MixedModel
from nearkey.language.tokens import BOS, FIRST_WORD
from nearkey.packs import finished
from nearkey.packs.adapt import adapt_pack
from nearkey.packs.builder import build_pack
from nearkey.packs.context_data import training_options, write_training_data
from nearkey.packs.context_part import TrainedContext, read_trained, renumbered, write_context
from nearkey.packs.context_training.training_data import Options, TrainingError, read_data
from nearkey.packs.evaluate import inspect_pack, score_text

TOY = [
    "cells=48", "width=24", "head=24", "tail_width=8", "window=16", "batch=16", "steps=150", "warm_up=20",
    "chunk=256", "rate=0.01", "average=0.98",
]  # fmt: skip


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    folder = tmp_path_factory.mktemp("training")
    build_small_pack(folder)
    return folder


@pytest.fixture(scope="module")
def model(base):
    """A folder with a model trained by the command."""
    pytest.importorskip("jax", reason="the extra `train` is not installed")
    out = base / "model"
    settings = [part for setting in TOY for part in ("--set", setting)]
    done(
        "pack", "train", base / "recipe" / "recipe.toml", "--pack", base / "pack", "-o", out,
        "--cache", base / "cache", "--minutes", "0.5", *settings,
    )  # fmt: skip
    return out


@pytest.fixture(scope="module")
def mixed(base, model):
    """The pack with that model."""
    recipe = base / "recipe" / "recipe.toml"
    kept = recipe.with_name("kept.toml")
    text = recipe.read_text("utf-8").replace("[lexicon]", '[lexicon]\nkeep = "../pack"')
    kept.write_text(text, "utf-8")
    report = finished(build_pack(kept, base / "mixed", cache=base / "cache", context_model=model))
    assert report.lexicon == {"kept": report.info.words}
    return base / "mixed"


def test_it_learns(model):
    report = json.loads((model / "report.json").read_text("utf-8"))
    assert report["steps"] == 150
    losses = [loss for _, _, loss in report["curve"]]
    found = report["perplexity"]["held_out.notes"]["by_sentence"]
    # 60 words: guessing alike gives 60, knowing how often each is used about 30.
    assert found < 15, losses
    assert report["perplexity_8_bits"]["held_out.notes"]["by_sentence"] == pytest.approx(
        found, rel=0.05
    )


def test_a_finished_training_is_not_repeated(base, model):
    """What is there is the whole run: the same command adds no step."""
    training = pytest.importorskip("nearkey.packs.context_training.training_run")
    options = training_options(Options, TOY, minutes=0.5, seed=1)
    said: list[str] = []
    report = training.train(
        read_data(model / "tokens"), options, model, checkpoint=model / "checkpoint",
        say=said.append,
    )  # fmt: skip
    assert "goes on at step" in said[0]
    assert report["steps"] <= 152


def test_another_run_does_not_go_on_from_it(model):
    training = pytest.importorskip("nearkey.packs.context_training.training_run")
    options = training_options(Options, TOY, minutes=0.5, seed=2)
    with pytest.raises(TrainingError, match="other options"):
        training.train(
            read_data(model / "tokens"), options, model, checkpoint=model / "checkpoint",
            say=lambda line: None,
        )  # fmt: skip


def test_the_pack_says_how_it_was_trained(mixed):
    record = load_pack(mixed).info.context
    assert record.device == "CPU"
    assert record.steps >= 150
    assert record.options["cells"] == 48
    assert record.options["seed"] == 1
    assert set(record.versions) == {"jax", "numpy", "python"}
    assert len(record.weights) == 3
    assert all(0 <= weight <= 1 for weight in record.weights)
    assert inspect_pack(mixed).context["parameters"] == record.parameters


def test_the_pack_s_words_are_those_kept(base, mixed):
    first, second = load_pack(base / "pack"), load_pack(mixed)
    assert first.lexicon.words == second.lexicon.words
    np.testing.assert_array_equal(first.lexicon.log_probs, second.lexicon.log_probs)


def test_kernel_and_trainer_agree(base, mixed, model):
    """The trainer's own evaluation of the 8-bit weights, on held-out text, against the kernel's and the reference's."""
    data = read_data(model / "tokens")
    report = json.loads((model / "report.json").read_text("utf-8"))
    network = load_pack(mixed).language_model.network
    for name, by_sentence in (("held_out.notes", True), ("evaluation.later", False)):
        tokens = data.order[data.texts[name]]
        words = tokens[1:] >= FIRST_WORD
        found = np.exp(-network.score(tokens, by_sentence, BOS)[words, 0].mean())
        said = report["perplexity_8_bits"][name]
        wanted = said["by_sentence" if by_sentence else "with_text_before"]
        assert found == pytest.approx(wanted, rel=0.01)
    reference = ContextReference(map_bytes(mixed / info.CONTEXT_FILE))
    few = tokens[:40].tolist()
    scores = network.score(np.array(few, np.uint32), False, BOS)[:, 0]
    wanted = reference.score(few, by_sentence=False)
    finite = np.isfinite(wanted)
    np.testing.assert_allclose(scores[finite], wanted[finite], atol=0.01)


def test_the_mixture_is_no_worse_than_its_parts_where_it_was_fitted(base, mixed):
    lines = (base / "recipe" / "later.txt").read_text("utf-8").splitlines()
    both = load_pack(mixed)
    alone = score_text(load_pack(mixed, context_model=False), lines)
    found = score_text(both, lines)
    assert isinstance(both.language_model, MixedModel)
    assert found.perplexity < alone.perplexity * 1.02
    record = both.info.held_out[0]
    assert record.perplexity == pytest.approx(found.perplexity, abs=0.1)
    after = score_text(both, lines, with_text_before=True)
    assert record.perplexity_after_text == pytest.approx(after.perplexity, abs=0.1)


def test_a_pack_s_own_context_model_is_kept(base, mixed):
    """Without --context-model the network of the pack whose words are kept goes into the new one, byte by byte."""
    recipe = base / "recipe" / "again.toml"
    text = (base / "recipe" / "recipe.toml").read_text("utf-8")
    recipe.write_text(text.replace("[lexicon]", '[lexicon]\nkeep = "../mixed"'), "utf-8")
    finished(build_pack(recipe, base / "again", cache=base / "cache"))
    assert (base / "again" / "context.bin").read_bytes() == (mixed / "context.bin").read_bytes()
    assert (base / "again" / "pack.toml").read_bytes() == (mixed / "pack.toml").read_bytes()


def test_a_model_for_other_words_is_refused(base, mixed, tmp_path):
    with pytest.raises(PackError, match="tokens where the pack has"):
        read_trained(mixed, 12)
    with pytest.raises(PackError, match="neither a trained context model"):
        read_trained(tmp_path, 12)


def test_a_renumbered_network_says_the_same_of_the_words_it_knows(mixed, tmp_path):
    from nearkey._kernel import ContextModel
    from nearkey.language.mapped_files import write_context_file

    size = FIRST_WORD + load_pack(mixed).info.words
    trained = read_trained(mixed, size)
    token_of = [*range(FIRST_WORD), *(at + 2 for at in range(FIRST_WORD, size))]
    moved = renumbered(trained, np.array(token_of), size + 2)
    write_context_file(tmp_path / "moved.bin", moved.arrays)
    old = load_pack(mixed).language_model.network
    new = ContextModel(map_bytes(tmp_path / "moved.bin"))
    before = old.log_probs(old.advance(b"", [BOS, 7, 9]))
    after = new.log_probs(new.advance(b"", [BOS, 9, 11]))
    np.testing.assert_allclose(after[token_of], before, atol=1e-4)
    assert (after[[4, 5]] < -15).all()


def test_an_adapted_pack_keeps_the_network(mixed, tmp_path):
    notes = tmp_path / "notes.txt"
    new = [f"{who} moved the gimbal near the culvert." for who in ("We", "They", "Maria", "I")]
    notes.write_text("\n".join([*new, *invented_notes(60, 7)]))
    finished(adapt_pack(mixed, [notes], tmp_path / "adapted"))
    before, after = load_pack(mixed), load_pack(tmp_path / "adapted")
    assert {"gimbal", "culvert"} <= set(after.lexicon.words) - set(before.lexicon.words)
    assert inspect_pack(tmp_path / "adapted").context is not None
    words = [w for w in ("tripod", "river", "peg") if w in before.lexicon]
    states = [
        pack.language_model.state_after("We rested. They moved the") for pack in (before, after)
    ]
    own = [
        pack.language_model.network.log_probs(state.memory)[pack.ngram_model.tokens(words)]
        for pack, state in zip((before, after), states, strict=True)
    ]
    np.testing.assert_allclose(own[0], own[1], atol=1e-3)
    log_probs = after.language_model.token_log_probs(states[1]).astype(np.float64)
    assert np.exp(log_probs).sum() == pytest.approx(1.0, abs=0.02)
    assert [record.perplexity_after_text is not None for record in after.info.held_out] == [
        True,
        True,
    ]


def test_settings_are_checked():
    from dataclasses import dataclass

    @dataclass
    class Settings:
        cells: int = 1
        rate: float = 0.5
        low: bool = False

    made = training_options(Settings, ["cells=4", "low=true"], rate=0.25)
    assert made == Settings(4, 0.25, True)
    for setting, match in [
        ("cell=4", "no such setting"),
        ("cells=x", "'x' is no int"),
        ("low=1", "'1' is no bool"),
    ]:
        with pytest.raises(PackError, match=match):
            training_options(Settings, [setting])


def test_training_data_are_the_builder_s_text(base, tmp_path):
    """The same sentences held out as in the builder; tokens that are words again."""
    out = finished(
        write_training_data(
            base / "recipe" / "recipe.toml", base / "pack", tmp_path / "t", cache=base / "cache"
        )
    )
    about = json.loads((Path(out) / "data.json").read_text("utf-8"))
    assert about["vocabulary"] == FIRST_WORD + load_pack(base / "pack").info.words
    assert [source["name"] for source in about["sources"]] == ["notes"]
    assert {text["name"] for text in about["texts"]} == {"held_out.notes", "evaluation.later"}


def test_weights_of_no_network_are_said_with_their_folder_and_file(tmp_path):
    record = ContextRecord(
        parameters=0, weights=[], fitted_words=0, tokens=1, tokens_seen=1, steps=1, minutes=0.1,
        device="CPU", options={}, versions={},
    )  # fmt: skip
    with pytest.raises(PackError, match=rf"{tmp_path}: weights8.npz: holds weights that do not"):
        write_context(tmp_path, TrainedContext({}, record))
