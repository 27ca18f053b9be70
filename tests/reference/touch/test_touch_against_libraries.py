"""The Gaussian model, its shrinkage and its ellipses against scipy and scikit-learn."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import multigammaln
from scipy.stats import chi2, multivariate_normal, multivariate_t
from sklearn.covariance import EmpiricalCovariance
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

from nearkey.layout import Layout
from nearkey.touch import GaussianTouch, TouchLog, ellipses
from nearkey.touch.coverage import chi_square_2
from nearkey.touch.niw import NIW, log_marginal_likelihood
from nearkey.touch.sufficient_statistics import KeyStats

pytestmark = pytest.mark.reference

LAYOUT = Layout.named("qwerty")
N_KEYS = len(LAYOUT.key_ids)


def labelled(seed: int = 3, n: int = 2600) -> tuple[np.ndarray, np.ndarray, TouchLog]:
    rng = np.random.default_rng(seed)
    keys = rng.integers(0, N_KEYS, n)
    skew = np.array([[0.3, 0.1], [0.0, 0.25]])
    points = LAYOUT.centers[keys] + rng.normal(size=(n, 2)) @ skew + [0.1, -0.1]
    return keys, points, TouchLog.from_points(points, [LAYOUT.key_ids[k] for k in keys])


def test_log_density_equals_scipy() -> None:
    _, points, log = labelled()
    model = GaussianTouch(background=0.0).fit(log, LAYOUT)
    ours = model.log_prob(points[:200])
    for k in range(N_KEYS):
        theirs = multivariate_normal.logpdf(points[:200], model.means_[k], model.covariances_[k])
        np.testing.assert_allclose(ours[:, k], theirs, rtol=1e-9, atol=1e-9)


def test_background_is_a_uniform_mixture_by_scipy() -> None:
    _, points, log = labelled()
    model = GaussianTouch(background=0.07).fit(log, LAYOUT)
    area = LAYOUT.width * LAYOUT.height
    k = 4
    theirs = np.log(
        0.93 * multivariate_normal.pdf(points[:200], model.means_[k], model.covariances_[k])
        + 0.07 / area
    )
    np.testing.assert_allclose(model.log_prob(points[:200])[:, k], theirs, rtol=1e-9)


def test_no_shrinkage_is_the_sample_covariance_of_sklearn() -> None:
    keys, points, log = labelled()
    model = GaussianTouch(shrinkage=0.0).fit(log, LAYOUT)
    for k in range(N_KEYS):
        mine = points[keys == k]
        theirs = EmpiricalCovariance().fit(mine)
        np.testing.assert_allclose(model.means_[k], theirs.location_, rtol=1e-10)
        # scikit-learn divides by n, the unbiased estimate by n - 1.
        unbiased = theirs.covariance_ * len(mine) / (len(mine) - 1)
        np.testing.assert_allclose(model.covariances_[k], unbiased, rtol=1e-9, atol=1e-12)


def test_full_shrinkage_is_the_pooled_covariance_of_sklearns_discriminant_analysis() -> None:
    keys, points, log = labelled()
    model = GaussianTouch(shrinkage=1.0).fit(log, LAYOUT)
    lda = LinearDiscriminantAnalysis(solver="lsqr", store_covariance=True).fit(points, keys)
    # scikit-learn divides the scatter within classes by n, the unbiased estimate by n - classes.
    unbiased = lda.covariance_ * len(keys) / (len(keys) - N_KEYS)
    np.testing.assert_allclose(model.covariances_[0], unbiased, rtol=1e-9)
    np.testing.assert_allclose(model.covariances_, np.broadcast_to(unbiased, (N_KEYS, 2, 2)))


def test_auto_shrinkage_beats_both_ends_on_fresh_touches() -> None:
    # Keys truly share one distribution and have five touches each: the sample covariance overfits.
    _, _, train = labelled(seed=5, n=5 * N_KEYS)
    _, _, fresh = labelled(seed=6, n=5000)
    scores = {
        s: GaussianTouch(shrinkage=s, background=0.0).fit(train, LAYOUT).score(fresh)
        for s in ("auto", 0.0, 0.5)
    }
    assert scores["auto"] > scores[0.5] > scores[0.0]


@pytest.mark.parametrize("coverage", [0.5, 0.9, 0.95, 0.99, 0.999])
def test_ellipse_size_is_the_chi_square_quantile_of_scipy(coverage: float) -> None:
    assert chi_square_2(coverage) == pytest.approx(chi2.ppf(coverage, 2), rel=1e-12)


def test_ellipse_size_by_the_closed_form() -> None:
    # -2 ln(1 - p), recomputed; the 0.95 value is the 5.991 of any chi-square table.
    assert chi_square_2(0.95) == pytest.approx(5.991465, abs=5e-7)
    assert chi_square_2(0.99) == pytest.approx(9.210340, abs=5e-7)
    assert chi_square_2(0.50) == pytest.approx(1.386294, abs=5e-7)


def test_ellipse_holds_its_share_and_its_rim_has_one_density() -> None:
    _, _, log = labelled()
    model = GaussianTouch(background=0.0).fit(log, LAYOUT)
    ellipse = ellipses(model, coverage=0.95)[7]
    drawn = model.sample(np.full(200_000, 7), 1)
    share = ellipse.contains(drawn).mean()
    # 200,000 draws: standard error of the share is 0.0005.
    assert share == pytest.approx(0.95, abs=0.0025)
    t = np.linspace(0, 2 * np.pi, 50)
    u, v = ellipse.semi_major * np.cos(t), ellipse.semi_minor * np.sin(t)
    c, s = np.cos(ellipse.angle_rad), np.sin(ellipse.angle_rad)
    rim = np.column_stack([ellipse.x + u * c - v * s, ellipse.y + u * s + v * c])
    density = multivariate_normal.logpdf(rim, model.means_[7], model.covariances_[7])
    assert np.ptp(density) < 1e-9


def test_posterior_of_a_worked_case() -> None:
    # Murphy 2007: d = 2, mu0 = 0, k0 = 1, v0 = 4, L0 = I, data (1,0), (0,1), (1,1); recomputed by
    # hand: xbar = (2/3, 2/3), S = [[2/3, -1/3], [-1/3, 2/3]], k0 n/k_n xbar xbar' = 1/3 each.
    prior = NIW(np.zeros(2), np.array(1.0), np.array(4.0), np.eye(2))
    data = np.array([(1.0, 0.0), (0.0, 1.0), (1.0, 1.0)])
    mean = data.mean(axis=0)
    scatter = (data - mean).T @ (data - mean)
    post = prior.posterior(KeyStats(np.array(3.0), mean, scatter))
    assert float(post.kappa) == 4.0
    assert float(post.nu) == 7.0
    np.testing.assert_allclose(post.mean, [0.5, 0.5])
    np.testing.assert_allclose(post.scale, 2 * np.eye(2), atol=1e-12)
    np.testing.assert_allclose(post.expected_covariance, 0.5 * np.eye(2), atol=1e-12)
    assert float(post.predictive_dof) == 6.0
    np.testing.assert_allclose(post.predictive_scale, 5 / 12 * np.eye(2), atol=1e-12)
    t = multivariate_t(post.mean, post.predictive_scale, df=6)
    np.testing.assert_allclose(post.predictive_covariance, 6 / 4 * np.asarray(t.shape))


def test_marginal_likelihood_is_the_product_of_scipys_predictive_densities() -> None:
    # p(x1..xn) = prod p(x_i | x_<i), each a multivariate t (chain rule; Murphy 2007).
    rng = np.random.default_rng(8)
    prior = NIW(
        np.array([0.2, -0.1]), np.array(2.0), np.array(6.0), np.array([[2.0, 0.3], [0.3, 1]])
    )
    data = rng.normal(size=(12, 2))
    total, belief = 0.0, prior
    for x in data:
        total += multivariate_t.logpdf(
            x, belief.mean, belief.predictive_scale, df=float(belief.predictive_dof)
        )
        belief = belief.posterior(KeyStats(np.array(1.0), x, np.zeros((2, 2))))
    mean = data.mean(axis=0)
    scatter = (data - mean).T @ (data - mean)
    ours = log_marginal_likelihood(prior, KeyStats(np.array(12.0), mean, scatter))
    assert float(ours) == pytest.approx(total, rel=1e-9)
    # and one term of it against scipy's multivariate gamma function
    one = KeyStats(np.array(1.0), data[0], np.zeros((2, 2)))
    alone = log_marginal_likelihood(prior, one)
    post = prior.posterior(one)
    by_hand = (
        -np.log(np.pi)
        + multigammaln(3.5, 2)
        - multigammaln(3.0, 2)
        + 3.0 * np.log(np.linalg.det(prior.scale))
        - 3.5 * np.log(np.linalg.det(post.scale))
        + np.log(2.0 / 3.0)
    )
    assert float(alone) == pytest.approx(by_hand, rel=1e-12)
