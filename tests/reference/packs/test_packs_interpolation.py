"""Mixing and pruning against their definitions and a general optimiser."""

from __future__ import annotations

import numpy as np
import pytest
from slow_ngrams import BOS, as_stream, real_sentences

from nearkey.packs.backoff import BackoffModel, normalised, prune, pruning_losses
from nearkey.packs.interpolation import (
    COUNT_BINS,
    Evidence,
    MixtureSource,
    fit_mixture_weights,
    interpolate,
    source_evidence,
)
from nearkey.packs.kneser_ney import estimate
from nearkey.packs.ngram_counts import count_ngrams
from nearkey.packs.quantise import quantised

pytestmark = pytest.mark.reference


@pytest.fixture(scope="module")
def real():
    sentences = real_sentences()
    stream, names = as_stream(sentences)
    half = int(np.flatnonzero(stream == BOS)[len(sentences) // 2])
    return stream[:half], stream[half:], names


def evidence_of(rng, tokens=400, sources=3):
    probs = rng.dirichlet(np.ones(20), size=(sources, tokens))[:, :, 0].T + 1e-6
    bins = rng.integers(len(COUNT_BINS) + 1, size=(tokens, sources)).astype(np.uint8)
    return Evidence(probs, bins, np.ones(tokens), np.arange(sources))


def test_static_weights_are_those_a_general_optimiser_finds():
    # One bin: the log-likelihood of a static mixture, maximised by scipy over the simplex.
    optimize = pytest.importorskip("scipy.optimize")
    rng = np.random.default_rng(7)
    part = evidence_of(rng)
    part = Evidence(part.probs, np.zeros_like(part.bins), part.weight, part.columns)
    mixture_weight, course = fit_mixture_weights([part], steps=5000, tolerance=1e-13)
    ours = mixture_weight[:, 0] / mixture_weight[:, 0].sum()

    def loss(free):
        weights = np.exp(np.append(free, 0.0))
        return -np.mean(np.log(part.probs @ (weights / weights.sum())))

    found = optimize.minimize(loss, np.zeros(2), tol=1e-12)
    weights = np.exp(np.append(found.x, 0.0))
    np.testing.assert_allclose(ours, weights / weights.sum(), atol=1e-4)
    assert course[-1] == pytest.approx(-found.fun, abs=1e-8)


def test_weights_by_count_bin_reach_what_a_general_optimiser_reaches():
    optimize = pytest.importorskip("scipy.optimize")
    rng = np.random.default_rng(8)
    part = evidence_of(rng, tokens=300, sources=2)
    _, course = fit_mixture_weights([part], steps=20_000, tolerance=1e-14)
    columns = np.arange(2)

    def loss(free):
        mixture_weight = np.exp(np.append(free, 0.0)).reshape(2, len(COUNT_BINS) + 1)
        beta = mixture_weight[columns, part.bins]
        return -np.mean(np.log((beta * part.probs).sum(axis=1) / beta.sum(axis=1)))

    found = optimize.minimize(loss, np.zeros(2 * (len(COUNT_BINS) + 1) - 1), tol=1e-10)
    assert course[-1] == pytest.approx(-found.fun, abs=1e-4)


def test_no_step_of_the_fit_loses_likelihood():
    rng = np.random.default_rng(9)
    parts = [evidence_of(rng) for _ in range(3)]
    second = parts[1]
    parts[1] = Evidence(
        second.probs[:, [0, 2]], second.bins[:, [0, 2]], second.weight, np.array([0, 2])
    )
    _, course = fit_mixture_weights(parts, steps=100, tolerance=0.0)
    assert np.all(np.diff(course) > -1e-12)


def test_a_mixture_of_halves_of_a_text_is_better_than_either(real):
    one, two, names = real
    held = np.flatnonzero(two == BOS)[200]
    test, two = two[:held], two[held:]
    counts = [count_ngrams(part, order=3, vocab_size=len(names)) for part in (one, two)]
    sources = [MixtureSource.of(count) for count in counts]
    told, _ = source_evidence(sources, test, order=3)
    mixture_weights = [fit_mixture_weights([level])[0] for level in told]
    mixed, _ = interpolate(sources, mixture_weights)
    scores = [source.model.score(test).sum() for source in sources]
    assert mixed.score(test).sum() > max(scores)


def test_losses_are_relative_entropies(real):
    # The definition: sum over all tokens of p(h) p(w|h) [log p(w|h) - log p'(w|h)], with p' the model that
    # lacks one n-gram, summed out token by token.
    one, _, names = real
    counts = count_ngrams(one[:900], order=3, vocab_size=len(names))
    model = estimate(counts)
    mass = [count / counts.counts[0].sum() for count in counts.counts[:-1]]
    losses = pruning_losses(model, mass)
    tokens = np.array([t for t in range(len(names)) if t != BOS])
    rng = np.random.default_rng(2)
    for level in (2, 3):
        rows = model.tree.token_matrix(level)
        for entry in rng.choice(len(rows), size=25, replace=False).tolist():
            if level == 2 and (model.tree.parent(3) == entry).any():
                continue  # it is the context of others, so it cannot go alone
            keep = [np.ones(model.tree.size(n), dtype=bool) for n in range(2, 4)]
            keep[level - 2][entry] = False
            logs = [model.log_prob[0]]
            logs += [log[kept] for log, kept in zip(model.log_prob[1:], keep, strict=True)]
            without = normalised(model.tree.filtered(keep), tuple(logs))
            context = rows[entry, :-1]
            after = np.column_stack([np.tile(context, (len(tokens), 1)), tokens])
            before_scores, after_scores = model.score_rows(after), without.score_rows(after)
            weight = mass[level - 2][model.tree.parent(level)[entry]]
            direct = weight * np.sum(np.exp(before_scores) * (before_scores - after_scores))
            assert losses[level - 2][entry] == pytest.approx(direct, rel=1e-6, abs=1e-15)


def test_pruning_by_entropy_beats_dropping_the_rarest(real):
    # What the method is for (Stolcke 1998): at the same size, lower perplexity than a count cut-off.
    one, two, names = real
    counts = count_ngrams(one, order=3, vocab_size=len(names))
    model = estimate(counts)
    mass = [count / counts.counts[0].sum() for count in counts.counts[:-1]]
    keep = [np.ones(model.tree.size(2), dtype=bool), counts.counts[2] > 1]
    logs = (*model.log_prob[:2], model.log_prob[2][keep[1]])
    cut = normalised(model.tree.filtered(keep), logs)
    size = sum(cut.tree.sizes()[1:])
    low, high = -30.0, 0.0
    for _ in range(40):
        middle = (low + high) / 2
        pruned = prune(model, mass, float(np.exp(middle)))
        low, high = (middle, high) if sum(pruned.tree.sizes()[1:]) > size else (low, middle)
    pruned = prune(model, mass, float(np.exp(high)))
    assert sum(pruned.tree.sizes()[1:]) <= size
    assert pruned.score(two).mean() > cut.score(two).mean()


def test_one_byte_values_cost_little(real):
    one, two, names = real
    model: BackoffModel = estimate(count_ngrams(one, order=3, vocab_size=len(names)))
    exact, small = model.score(two).mean(), quantised(model).score(two).mean()
    assert small == pytest.approx(exact, abs=0.005)
