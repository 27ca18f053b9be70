"""Our estimator against formulas, against slow code written from the paper, and against other programs."""

from __future__ import annotations

import math
import os
import shutil
import subprocess

import numpy as np
import pytest
from slow_ngrams import BOS, SlowKneserNey, as_stream, real_sentences

from nearkey.errors import PackError
from nearkey.language.kenlm_model import KenlmModel
from nearkey.packs.arpa import PlainModel, read_arpa
from nearkey.packs.kneser_ney import Discounts, adjusted_counts, estimate, fit_discounts
from nearkey.packs.ngram_counts import count_ngrams

pytestmark = pytest.mark.reference


@pytest.fixture(scope="module")
def real_text():
    stream, names = as_stream(real_sentences()[:700])
    return stream, names


@pytest.fixture(scope="module")
def real_model(real_text):
    stream, names = real_text
    return estimate(count_ngrams(stream, order=3, vocab_size=len(names)))


def test_discounts_of_the_worked_example():
    # Chen & Goodman 1998, equation 26, worked for counts of counts (10, 4, 2, 1).
    counts = np.repeat([1, 2, 3, 4, 9], [10, 4, 2, 1, 5])
    found = fit_discounts(counts)
    assert found.one == pytest.approx(0.555556, abs=1e-6)
    assert found.two == pytest.approx(1.166667, abs=1e-6)
    assert found.more == pytest.approx(1.888889, abs=1e-6)


def test_back_off_mass_of_the_worked_example():
    # (D1 N1 + D2 N2 + D3+ N3+) / sum of counts, for one context followed by tokens seen
    # 1, 1, 2 and 4 times: (2 x 5/9 + 7/6 + 17/9) / 8, by hand.
    discounts = Discounts(5 / 9, 7 / 6, 17 / 9)
    follow = [3, 4, 5, 5, 6, 6, 6, 6]
    stream = np.array([token for word in follow for token in (BOS, 7, word, 2)])
    model = estimate(
        count_ngrams(stream, order=2, vocab_size=8), discounts=[Discounts(0, 0, 0), discounts]
    )
    by_hand = (2 * 5 / 9 + 7 / 6 + 17 / 9) / 8
    assert math.exp(model.backoff[0][7]) == pytest.approx(by_hand, rel=1e-12)


def test_every_ngram_of_real_text_follows_the_paper(real_text, real_model):
    stream, names = real_text
    slow = SlowKneserNey(stream.tolist(), 3, len(names))
    tree = real_model.tree
    for level in (1, 2, 3):
        grams = [tuple(row) for row in tree.token_matrix(level).tolist()]
        expected = np.array([0.0 if g[-1] == BOS else slow.prob(g[:-1], g[-1]) for g in grams])
        ours = np.exp(real_model.log_prob[level - 1])
        np.testing.assert_allclose(ours, expected, rtol=1e-9, atol=1e-40)
        if level < 3:
            gammas = np.array([slow.gamma(g) for g in grams])
            np.testing.assert_allclose(np.exp(real_model.backoff[level - 1]), gammas, rtol=1e-9)


def test_kenlm_reads_our_arpa_and_gives_every_ngram_the_same_score(real_text, real_model, tmp_path):
    # KenLM is an independent reader of ARPA files; its log10 scores are float32.
    kenlm = pytest.importorskip("kenlm")
    _, names = real_text
    PlainModel(real_model, names).save(tmp_path / "real.arpa")
    other = kenlm.Model(str(tmp_path / "real.arpa"))
    tree = real_model.tree
    checked = 0
    for level in (1, 2, 3):
        for row, log_prob in zip(
            tree.token_matrix(level).tolist(), real_model.log_prob[level - 1].tolist(), strict=True
        ):
            if BOS in row[1:] or row == [BOS] or row[-1] == 0:
                continue
            state, after = kenlm.State(), kenlm.State()
            context = row[:-1]
            if context and context[0] == BOS:
                other.BeginSentenceWrite(state)
                context = context[1:]
            else:
                other.NullContextWrite(state)
            for token in context:
                other.BaseScore(state, names[token], after)
                state, after = after, state
            score = other.BaseScore(state, names[row[-1]], after)
            assert score == pytest.approx(log_prob / math.log(10), abs=1e-4)
            checked += 1
    assert checked > 10_000


def test_kenlm_agrees_on_whole_sentences_with_back_off(real_text, real_model, tmp_path):
    kenlm = pytest.importorskip("kenlm")
    _, names = real_text
    index = {name: i for i, name in enumerate(names)}
    PlainModel(real_model, names).save(tmp_path / "real.arpa")
    other = kenlm.Model(str(tmp_path / "real.arpa"))
    for words in real_sentences()[700:760]:
        stream = np.array([BOS, *(index.get(w, 0) for w in words), 2])
        ours = real_model.score(stream)[1:] / math.log(10)
        theirs = [score for score, _, _ in other.full_scores(" ".join(words))]
        np.testing.assert_allclose(ours, theirs, atol=2e-4)


def test_a_model_of_ones_own_through_kenlm(real_text, real_model, tmp_path):
    # The same model asked through KenLM and directly; words in upper case are looked up in lower case.
    pytest.importorskip("kenlm")
    _, names = real_text
    index = {name: i for i, name in enumerate(names)}
    PlainModel(real_model, names).save(tmp_path / "real.arpa")
    model = KenlmModel(tmp_path / "real.arpa", [name.upper() for name in names])
    assert model.order == 3
    for words in real_sentences()[:40]:
        state = model.start()
        stream = np.array([BOS, *(index[w] for w in words)])
        expected = real_model.score(stream)[1:]
        for word, log_prob in zip(words, expected.tolist(), strict=True):
            assert model.log_probs(state)[index[word]] == pytest.approx(log_prob, abs=5e-4)
            assert model.log_prob(state, word.upper()) == pytest.approx(log_prob, abs=5e-4)
            state = model.advance(state, word)
    assert model.state_after("It ends.") == model.start()
    assert model.log_prob("the value of", "the") == model.log_prob(("value", "of"), "the")
    assert model.log_unknown(("value", "of")) == model.log_prob(("value", "of"), "zzzz")
    with pytest.raises(PackError, match="no such file"):
        KenlmModel(tmp_path / "none.arpa")
    (tmp_path / "bad.arpa").write_text("nothing")
    with pytest.raises(PackError, match="KenLM cannot read it"):
        KenlmModel(tmp_path / "bad.arpa")


def test_an_arpa_file_comes_back_as_it_went(real_text, real_model, tmp_path):
    _, names = real_text
    PlainModel(real_model, names).save(tmp_path / "real.arpa")
    found = read_arpa(tmp_path / "real.arpa")
    again, tokens = found.model, found.tokens
    assert tokens == names
    for ours, read in zip(real_model.tree.keys, again.tree.keys, strict=True):
        np.testing.assert_array_equal(ours, read)
    for ours, read in zip(real_model.log_prob, again.log_prob, strict=True):
        np.testing.assert_allclose(ours, read, atol=2e-6)


def test_nltk_agrees_with_one_discount(real_text):
    # nltk.lm.KneserNeyInterpolated uses one fixed discount at every order, distinct contexts below the
    # highest order, and no uniform part under the unigrams. With the same discount, and for contexts
    # whose counts do not involve the sentence's start (which nltk pads and counts differently), the
    # bigram probabilities must be the same.
    lm = pytest.importorskip("nltk.lm")
    preprocessing = pytest.importorskip("nltk.lm.preprocessing")
    sentences = real_sentences()[:60]
    discount = 0.1
    train, vocab = preprocessing.padded_everygram_pipeline(2, sentences)
    other = lm.KneserNeyInterpolated(2, discount=discount)
    other.fit(train, vocab)
    stream, names = as_stream(sentences)
    counts = count_ngrams(stream, order=2, vocab_size=len(names))
    same = Discounts(discount, discount, discount)
    ours = estimate(counts, discounts=[Discounts(0, 0, 0), same])
    tree = ours.tree
    checked = 0
    for row, log_prob in zip(tree.token_matrix(2).tolist(), ours.log_prob[1].tolist(), strict=True):
        context, word = names[row[0]], names[row[1]]
        if context == "<s>":
            continue
        assert math.exp(log_prob) == pytest.approx(other.score(word, [context]), rel=1e-9)
        checked += 1
    assert checked > 1000


def test_irstlm_agrees_on_discounts_and_back_off(tmp_path):
    # IRSTLM ("modified shift-beta" is modified Kneser-Ney) counts one endless stream and spreads the
    # unigrams' discounted mass in another way, so what is compared is what does not depend on either:
    # the back-offs, and each n-gram's own discounted share, which is its probability less back-off
    # times the shorter context's probability.
    tlm = shutil.which("tlm") or shutil.which("tlm", path="/usr/lib/irstlm/bin")
    if tlm is None:
        pytest.skip("the program tlm (Debian package irstlm) is not installed")
    words = [word for sentence in real_sentences() for word in sentence]
    (tmp_path / "text").write_text(" ".join(words) + "\n")
    subprocess.run(
        [tlm, f"-tr={tmp_path / 'text'}", "-n=3", "-lm=msb", "-ps=no", "-pts=no",
         f"-o={tmp_path / 'other.arpa'}"],
        check=True, capture_output=True,
    )  # fmt: skip
    stream, names = as_stream([words])
    counts = count_ngrams(stream, order=3, vocab_size=len(names))
    ours = estimate(counts)
    theirs: dict[tuple[str, ...], tuple[float, float]] = {}
    for line in (tmp_path / "other.arpa").read_text().splitlines():
        fields = line.split("\t")
        if len(fields) > 1 and fields[0].startswith("-"):
            back = float(fields[2]) if len(fields) > 2 else 0.0
            theirs[tuple(fields[1].split())] = (10 ** float(fields[0]), 10**back)
    worst_back, worst_share, checked = 0.0, 0.0, 0
    for level in (2, 3):
        rows = ours.tree.token_matrix(level).tolist()
        back = np.exp(ours.backoff[level - 2][ours.tree.parent(level)])
        own = np.exp(ours.log_prob[level - 1]) - back * np.exp(
            ours.log_prob[level - 2][ours.tree.suffix(level)]
        )
        for row, share, gamma in zip(rows, own.tolist(), back.tolist(), strict=True):
            gram = tuple(names[token] for token in row)
            if gram not in theirs or BOS in row or 2 in row:
                continue
            other_gamma = theirs[gram[:-1]][1]
            other_share = theirs[gram][0] - other_gamma * theirs[gram[1:]][0]
            worst_back = max(worst_back, abs(gamma - other_gamma))
            worst_share = max(worst_share, abs(share - other_share))
            checked += 1
    # The two streams differ by one n-gram at either end, which moves the fitted discounts by about 1e-4.
    assert checked > 50_000
    assert worst_back < 5e-4
    assert worst_share < 5e-4


def test_kaldingram_agrees_on_every_ngram(tmp_path):
    # An independent trainer of plain (one discount, back-off) Kneser-Ney models. Its module comes in an
    # environment of its own, see benchmarks/estimator: name that environment's Python to run this.
    python = os.environ.get("NEARKEY_KALDINGRAM_PYTHON")
    if not python:
        pytest.skip("NEARKEY_KALDINGRAM_PYTHON does not name a Python with kaldingram")
    sentences = real_sentences()
    (tmp_path / "text").write_text("\n".join(" ".join(words) for words in sentences) + "\n")
    subprocess.run(
        [python, "-m", "kaldingram.cli", "train", "--ngram-order", "3",
         "--text", str(tmp_path / "text"), "--lm", str(tmp_path / "other.arpa")],
        check=True, capture_output=True,
    )  # fmt: skip
    stream, names = as_stream(sentences)
    counts = count_ngrams(stream, order=3, vocab_size=len(names))

    def single(level: np.ndarray) -> Discounts:
        n1, n2 = np.count_nonzero(level == 1), np.count_nonzero(level == 2)
        return Discounts(*[n1 / (n1 + 2 * n2)] * 3)

    discounts = [Discounts(0, 0, 0), *(single(level) for level in counts.counts[1:])]
    ours = estimate(counts, discounts=discounts, interpolated=False)
    other = read_arpa(tmp_path / "other.arpa", names).model
    for level in range(3):
        np.testing.assert_allclose(
            np.delete(ours.log_prob[level], [0, 1] if level == 0 else []) / math.log(10),
            np.delete(other.log_prob[level], [0, 1] if level == 0 else []) / math.log(10),
            atol=1e-4,
        )
    for level in range(2):
        has_child = np.diff(ours.tree.child(level + 1)) > 0
        np.testing.assert_allclose(
            ours.backoff[level][has_child] / math.log(10),
            other.backoff[level][has_child] / math.log(10),
            atol=1e-4,
        )


def test_adjusted_counts_of_a_line_by_hand():
    # "<s> a b a b </s>": b follows a only, a follows <s> and b; </s> follows b.
    a, b = 3, 4
    counts = count_ngrams(np.array([1, a, b, a, b, 2]), order=2, vocab_size=5)
    unigrams = adjusted_counts(counts)[0]
    assert unigrams.tolist() == [0, 0, 1, 2, 1]
