"""Adapting, wrapping and plain estimating."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile

import numpy as np
import pytest
from slow_ngrams import as_stream, real_sentences
from small_packs import build_small_pack, write_recipe

from nearkey.errors import PackError
from nearkey.language import load_pack
from nearkey.language.info import sealed
from nearkey.packs import BuildProgress, finished, ngram_counts
from nearkey.packs.adapt import adapt_pack
from nearkey.packs.arpa import estimate_file, read_arpa
from nearkey.packs.builder import build_pack
from nearkey.packs.evaluate import inspect_pack, score_text
from nearkey.packs.kneser_ney import estimate
from nearkey.packs.ngram_counts import count_in_pieces, count_ngrams, remove_pieces
from nearkey.packs.pack_folder import write_wheel
from nearkey.schema import read_toml

# Invented: the crew has its own words and ways of saying things.
SITE = [
    f"the {a} {b} is {c} at the {d}"
    for a in ("zenith", "geodetic")
    for b in ("tribrach", "antenna", "prism")
    for c in ("plumbed", "levelled")
    for d in ("traverse", "cairn", "benchmark")
] * 2


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    return build_small_pack(tmp_path_factory.mktemp("base"))[0]


@pytest.fixture(scope="module")
def adapted(base, tmp_path_factory):
    folder = tmp_path_factory.mktemp("adapted")
    (folder / "site.txt").write_text("\n".join(SITE) + "\n")
    stages: list[str] = []
    steps = adapt_pack(base, [folder / "site.txt"], folder / "pack")
    report = finished(steps, on_step=lambda step: stages.append(step.stage))
    assert stages[-1] == "done"
    return folder / "pack", report


def test_new_words_join_and_the_rest_stays(base, adapted):
    folder, report = adapted
    old, new = load_pack(base), load_pack(folder)
    assert {"tribrach", "zenith", "cairn"} <= set(report.new_words)
    assert set(new.lexicon.words) == set(old.lexicon.words) | set(report.new_words)
    assert new.truecase.form("london") == "London"
    assert new.lexicon.is_offensive("bother")
    for word in ("river", "the", "tripod"):
        before, after = old.marks.log_probs(word), new.marks.log_probs(word)
        assert before == pytest.approx(after)
    assert new.info.name == "notes-adapted"
    assert inspect_pack(folder).words == len(new.lexicon)
    assert "Licence of the base" in (folder / "LICENCE.md").read_text()


def test_the_gain_is_measured_on_held_out_text(base, adapted):
    folder, report = adapted
    assert report.before is not None
    assert report.after is not None
    assert report.after.perplexity < 0.5 * report.before.perplexity
    # Text like the base's own does not become much harder.
    notes = ["We moved the tripod near the river.", "I checked a peg on the ridge."]
    before, after = score_text(load_pack(base), notes), score_text(load_pack(folder), notes)
    assert after.perplexity < 3 * before.perplexity


def test_a_larger_share_leans_further_to_the_text(base, tmp_path):
    (tmp_path / "site.txt").write_text("\n".join(SITE) + "\n")
    found = {}
    for share in (0.1, 0.9):
        own, out = [tmp_path / "site.txt"], tmp_path / "pack"
        report = finished(adapt_pack(base, own, out, in_domain_share=share, name="site"))
        found[share] = report.after.perplexity
    assert found[0.9] <= found[0.1]
    assert load_pack(tmp_path / "pack").info.name == "site"


def test_texts_that_cannot_adapt(base, tmp_path):
    (tmp_path / "empty.txt").write_text("\n")
    with pytest.raises(PackError, match="holds no words"):
        list(adapt_pack(base, [tmp_path / "empty.txt"], tmp_path / "out"))
    (tmp_path / "one.txt").write_text("zenith\n")
    with pytest.raises(PackError, match="too short"):
        list(adapt_pack(base, [tmp_path / "one.txt"], tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_pip_installs_a_pack_and_it_decodes(base, tmp_path):
    # pip is the judge of the wheel; the pack is then found by its entry point in a new process.
    wheel = write_wheel(base, tmp_path / "dist")
    target = tmp_path / "site"
    subprocess.run(
        [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index",
         "--target", str(target), str(wheel)],
        check=True, capture_output=True,
    )  # fmt: skip
    script = (
        "import nearkey as nk, numpy as np\n"
        "pack = nk.load_pack('notes')\n"
        f"assert str(pack.folder).startswith({str(target)!r}), pack.folder\n"
        "layout = nk.Layout.named('qwerty')\n"
        "touch = nk.GaussianTouch.from_layout(layout, spread=0.3)\n"
        "decoder = nk.Decoder(layout, touch, pack)\n"
        "at = {k: layout.centers[i] for k, i in layout.key_of_letter.items()}\n"
        "points = np.array([at[c] for c in 'tripod'])\n"
        "print(decoder.decode(points, context='we moved the', k=1)[0].text)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, "PYTHONPATH": str(target)}, capture_output=True, text=True, cwd=tmp_path,
    )  # fmt: skip
    assert done.stdout.strip() == "tripod", done.stderr


def test_equal_packs_give_equal_wheels(base, tmp_path):
    one, two = write_wheel(base, tmp_path / "a"), write_wheel(base, tmp_path / "b")
    assert one.read_bytes() == two.read_bytes()
    with zipfile.ZipFile(one) as archive:
        assert archive.testzip() is None
        names = archive.namelist()
    assert "nearkey_pack_notes/pack/words.ngram" in names
    assert any(name.endswith("licenses/LICENCE.md") for name in names)


def test_a_version_pip_would_refuse_is_named(base, tmp_path):
    import shutil

    copy = shutil.copytree(base, tmp_path / "copy")
    raw = read_toml(copy / "pack.toml", PackError)
    (copy / "pack.toml").write_text(sealed({**raw, "version": "next summer"}))
    with pytest.raises(PackError, match="not one that pip takes"):
        write_wheel(copy, tmp_path)


@pytest.mark.parametrize("order", [1, 3, 5])
@pytest.mark.parametrize("workers", [1, 2])
def test_spilling_to_disk_changes_nothing(tmp_path, order, workers):
    stream, names = as_stream(real_sentences()[:300])
    borders = np.flatnonzero(stream == 1)
    parts = np.split(stream, borders[1:])
    whole = count_ngrams(stream, order=order, vocab_size=len(names))
    counted: list[int] = []
    for streams in (parts, [stream]):  # many short parts, or one that has to be cut
        pieces = count_in_pieces(
            streams, order=order, vocab_size=len(names), max_bytes=60_000, workers=workers,
            work=tmp_path / "work", on_piece=counted.append,
        )  # fmt: skip
        for one, two in zip(whole.tree.keys, pieces.tree.keys, strict=True):
            np.testing.assert_array_equal(one, two)
        for one, two in zip(whole.counts, pieces.counts, strict=True):
            np.testing.assert_array_equal(one, two)
    assert counted[-1] > 2
    assert (tmp_path / "work").stat().st_mode & 0o077 == 0
    (tmp_path / "work" / "my own notes").write_text("keep me")
    remove_pieces(tmp_path / "work")
    assert [path.name for path in (tmp_path / "work").iterdir()] == ["my own notes"]


def test_an_interrupted_counting_goes_on_where_it_stopped(tmp_path, monkeypatch):
    stream, names = as_stream(real_sentences()[:300])
    settings = {"order": 3, "vocab_size": len(names)}
    sizes: list[int] = []
    real = ngram_counts.count_ngrams

    def counting(piece, **rest):
        sizes.append(len(piece))
        return real(piece, **rest)

    monkeypatch.setattr(ngram_counts, "count_ngrams", counting)
    room = {"max_bytes": 40_000, "work": tmp_path / "work"}
    count_in_pieces([stream], **settings, **room)
    all_sizes, sizes[:] = list(sizes), []
    remove_pieces(tmp_path / "work")
    assert not (tmp_path / "work").exists()

    def stop(done: int) -> None:
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        count_in_pieces([stream], **settings, **room, on_piece=stop)
    before = len(sizes)
    assert 2 <= before < len(all_sizes)
    resumed = count_in_pieces([stream], **settings, **room)
    assert sizes == all_sizes
    whole = real(stream, **settings)
    for one, two in zip(whole.counts, resumed.counts, strict=True):
        np.testing.assert_array_equal(one, two)
    # Other counting does not take these pieces for its own.
    other = count_in_pieces([stream], order=2, vocab_size=len(names), **room)
    np.testing.assert_array_equal(other.counts[1], whole.counts[1])


def test_a_pack_counted_on_the_disk_is_the_same(tmp_path):
    recipe = write_recipe(tmp_path / "recipe")
    for name, memory in (("memory", 1 << 30), ("disk", 20_000)):
        for _ in build_pack(recipe, tmp_path / name, cache=tmp_path / "cache", max_bytes=memory):
            pass
    files = {path.name for path in (tmp_path / "memory").iterdir()}
    for name in files:
        assert (tmp_path / "memory" / name).read_bytes() == (tmp_path / "disk" / name).read_bytes()
    assert not (tmp_path / "cache" / "count" / "field").exists()


def test_a_text_file_becomes_an_arpa_file(tmp_path):
    sentences = real_sentences()[:200]
    text = tmp_path / "text.txt"
    text.write_text("\n".join(" ".join(words) for words in sentences) + "\n")
    stream, names = as_stream(sentences)
    expected = estimate(count_ngrams(stream, order=3, vocab_size=len(names)))
    for memory in (1 << 30, 200_000):
        steps: list[BuildProgress] = []
        made = estimate_file(
            text, order=3, max_bytes=memory, workers=2, work=tmp_path / "w", progress=steps.append
        )
        assert not (tmp_path / "w").exists()
        assert steps[0] == BuildProgress("read", len(stream))
        assert ([step.stage for step in steps].count("count") > 1) == (memory < 1 << 30)
        assert made.tokens == names
        made.save(tmp_path / "lm.arpa")
        again = read_arpa(tmp_path / "lm.arpa", names).model
        for one, two in zip(expected.log_prob, again.log_prob, strict=True):
            np.testing.assert_allclose(one, two, atol=2e-6)
    text.write_text("\n")
    with pytest.raises(PackError, match="holds no words"):
        estimate_file(text)


@pytest.mark.parametrize(
    ("text", "problem", "field"),
    [
        ("", "holds no n-grams", None),
        ("\\data\\\n\n\\1-grams:\n-1 a\n-x b\n", "not an n-gram", "line 5"),
        ("\\data\\\n\n\\2-grams:\n-1 a\n", "not an n-gram of 2 words", "line 4"),
        ("\\1-grams:\n-1 a\n\n\\2-grams:\n-1 a b\n", "'b' is not among", None),
        ("\\1-grams:\n-1 a\n\n\\3-grams:\n-1 a a a\n", "context of 'a a a'", None),
    ],
)
def test_a_bad_arpa_file_is_named(tmp_path, text, problem, field):
    path = tmp_path / "bad.arpa"
    path.write_text(text)
    with pytest.raises(PackError, match=problem) as caught:
        read_arpa(path)
    assert caught.value.where == str(path)
    assert caught.value.field == field
