"""`nearkey pack …` through click's own runner."""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner
from small_packs import build_small_pack, invented_notes, write_recipe

import nearkey as nk
from nearkey.commands.pack_command import pack
from nearkey.errors import PackError


def run(*arguments: object):
    return CliRunner().invoke(pack, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    return build_small_pack(tmp_path_factory.mktemp("cli"))[0]


def test_build_check_info(tmp_path):
    recipe = write_recipe(tmp_path)
    made = run("build", recipe, "--json", "--wheel", tmp_path / "dist")
    assert made.exit_code == 0, made.output
    report = json.loads(made.stdout)
    assert report["words"] == 39
    assert report["dropped"]["notes"]["repeated sentence"] > 0
    assert (tmp_path / "dist").glob("*.whl")
    again = run("build", recipe)
    assert isinstance(again.exception, PackError | ValueError)
    assert "is there already" in str(again.exception)
    assert run("build", recipe, "--force").exit_code == 0
    checked = run("check", tmp_path / "pack", "--json")
    assert json.loads(checked.stdout)["whole"] is True
    shown = run("info", tmp_path / "pack")
    assert "Invented field notes (CC0-1.0)" in shown.output
    assert json.loads(run("info", tmp_path / "pack", "--json").stdout)["name"] == "notes"
    assert "en" in run("info").output


def test_adapt_and_compare(small, tmp_path):
    site = [f"the zenith {a} is {b}" for a in ("tribrach", "prism", "peg") for b in
            ("plumbed", "levelled", "lost", "moved", "found")]  # fmt: skip
    (tmp_path / "site.txt").write_text("\n".join(site) + "\n")
    (tmp_path / "later.txt").write_text("\n".join(invented_notes(50, 5)))
    out = tmp_path / "site"
    without_out = run("build", small, "--adapt", tmp_path / "site.txt")
    assert "names no folder" in str(without_out.exception)
    made = run("build", small, "--adapt", tmp_path / "site.txt", "-o", out, "--name", "site")
    assert made.exit_code == 0, made.output
    table = run("compare", small, out, "--text", tmp_path / "later.txt")
    assert table.output.splitlines()[0].split()[:2] == ["pack", "bits_per_letter"]
    rows = json.loads(run("compare", small, out, "--text", tmp_path / "later.txt", "--json").stdout)
    assert [row["pack"] for row in rows] == [str(small), str(out)]


def test_dist_and_estimate(small, tmp_path):
    made = run("dist", small, "-o", tmp_path)
    assert made.output.strip().endswith("nearkey_pack_notes-0.1-py3-none-any.whl")
    (tmp_path / "text.txt").write_text("\n".join(invented_notes(50, 5)).lower())
    lm = run("estimate", tmp_path / "text.txt", "-o", tmp_path / "lm.arpa", "--order", 2)
    assert lm.exit_code == 0, lm.output
    assert (tmp_path / "lm.arpa").read_text().startswith("\\data\\\nngram 1=")
    # On standard output the model stands alone.
    assert run("estimate", tmp_path / "text.txt", "-o", "-").stdout.startswith("\\data\\\nngram 1=")
    again = run("estimate", tmp_path / "text.txt", "-o", tmp_path / "lm.arpa")
    assert "is there already" in str(again.exception)


def test_compare_judges_by_bits_a_letter(small, tmp_path):
    poor = build_small_pack(tmp_path / "poor", size=24)[0]
    (tmp_path / "later.txt").write_text("\n".join(invented_notes(80, 5)))
    arguments = ("compare", poor, small, "--text", tmp_path / "later.txt")
    rows = json.loads(run(*arguments, "--json").stdout)
    assert [row["pack"] for row in rows] == [str(small), str(poor)]
    assert rows[0]["bits_per_letter"] < rows[1]["bits_per_letter"]
    assert rows[0]["oov_rate"] < rows[1]["oov_rate"]
    last = run(*arguments).output.splitlines()[-1]
    assert last.startswith(f"best: {small}, by ")


def test_export_for_other_tools(small, tmp_path):
    """KenLM scores every token of a text as the pack does."""
    kenlm = pytest.importorskip("kenlm")
    out = tmp_path / "notes.arpa"
    made = run("export", small, "--arpa", out)
    assert made.exit_code == 0, made.output
    assert "is there already" in str(run("export", small, "--arpa", out).exception)
    loaded = nk.load_pack(small)
    other = kenlm.Model(str(out))
    model = loaded.language_model
    for line in (*invented_notes(40, 7), "we zygote the tripod"):
        for sentence in model.sentences([line]):
            words = [w if w == "<num>" else loaded.lexicon.normalise(w) for w in sentence.words]
            state, own = model.start(), []
            for word in words:
                (token,) = model.token_ids(word)
                own.append(model.table.log_prob(state, token))
                state = model.push(state, token)
            own.append(model.end_log_prob(state))
            scores = [score * np.log(10.0) for score, _, _ in other.full_scores(" ".join(words))]
            assert scores == pytest.approx(own, abs=2e-5)
