"""Richer touch models against scipy, scikit-learn and formulas computed another way."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import multigammaln
from scipy.stats import binomtest, kstest, multivariate_t, norm
from scipy.stats import t as student_t
from sklearn.linear_model import LinearRegression
from sklearn.mixture import GaussianMixture
from sklearn.preprocessing import PolynomialFeatures

from nearkey.intervals import proportion
from nearkey.intervals import student_t as interval_t
from nearkey.layout import Layout
from nearkey.touch import (
    GaussianTouch,
    MixtureTouch,
    PeopleTouch,
    RegressionTouch,
    StudentTouch,
    TouchLog,
    ellipses,
)
from nearkey.touch.coverage import calibration
from nearkey.touch.gaussian_mixture import fit_mixture
from nearkey.touch.key_geometry import geometry_of
from nearkey.touch.people import PersonTouch
from nearkey.touch.population import Population, log_evidence
from nearkey.touch.scaled import fit_size_scaling
from nearkey.touch.sufficient_statistics import KeyStats

pytestmark = pytest.mark.reference

LAYOUT = Layout.named("qwerty")
N_KEYS = len(LAYOUT.key_ids)


def on_keys(offsets: np.ndarray, keys: np.ndarray) -> TouchLog:
    names = [LAYOUT.key_ids[k] for k in keys]
    return TouchLog.from_points(LAYOUT.centers[keys] + offsets, names, participant="ann")


# Mixtures


def skewed(seed: int = 1, n: int = 3000) -> np.ndarray:
    rng = np.random.default_rng(seed)
    wide = rng.random(n) < 0.3
    return np.where(wide[:, None], rng.normal([0.3, 0.1], 0.5, (n, 2)), rng.normal(0, 0.15, (n, 2)))


def three_clouds() -> np.ndarray:
    rng = np.random.default_rng(17)
    which = rng.choice(3, 3000, p=[0.5, 0.3, 0.2])
    centres = np.array([[-0.8, 0.0], [0.1, 0.2], [0.9, -0.1]])
    return centres[which] + rng.normal(size=(3000, 2)) * np.array([0.2, 0.15, 0.25])[which, None]


@pytest.mark.parametrize(
    ("n_components", "offsets"), [(1, skewed()), (2, skewed()), (3, three_clouds())]
)
def test_em_finds_what_sklearns_finds(n_components: int, offsets: np.ndarray) -> None:
    ours = fit_mixture(offsets, n_components, floor=1e-6)
    theirs = GaussianMixture(
        n_components, reg_covar=1e-6, tol=1e-8, max_iter=1000, random_state=0
    ).fit(offsets)
    found = np.logaddexp.reduce(ours.log_joint(offsets), axis=1).mean()
    assert found == pytest.approx(theirs.score(offsets), abs=1e-5)
    mine, other = np.argsort(ours.weight), np.argsort(theirs.weights_)
    np.testing.assert_allclose(ours.weight[mine], theirs.weights_[other], atol=2e-3)
    np.testing.assert_allclose(ours.mean[mine], theirs.means_[other], atol=2e-3)
    np.testing.assert_allclose(ours.covariance[mine], theirs.covariances_[other], atol=2e-3)


def test_em_keeps_at_sklearns_fixed_point() -> None:
    offsets = skewed(2)
    ours = fit_mixture(offsets, 2, floor=1e-6)
    # One more step of scikit-learn's EM from our parameters must not move them.
    theirs = GaussianMixture(
        2,
        reg_covar=1e-6,
        max_iter=1,
        weights_init=ours.weight,
        means_init=ours.mean,
        precisions_init=np.linalg.inv(ours.covariance),
    )
    with pytest.warns(Warning, match="converge"):
        theirs.fit(offsets)
    np.testing.assert_allclose(theirs.means_, ours.mean, atol=1e-3)
    np.testing.assert_allclose(theirs.covariances_, ours.covariance, atol=1e-3)


def test_mixture_density_and_sample_by_scipy() -> None:
    rng = np.random.default_rng(3)
    keys = rng.integers(0, N_KEYS, 3000)
    model = MixtureTouch(background=0.0).fit(on_keys(skewed(3), keys), LAYOUT)
    points = rng.uniform(0, 3, (50, 2))
    theirs = GaussianMixture(2)
    k = 5
    theirs.weights_ = model.weights_[k]
    theirs.means_ = model.component_means_[k]
    theirs.covariances_ = model.component_covariances_[k]
    theirs.precisions_cholesky_ = np.linalg.cholesky(np.linalg.inv(theirs.covariances_))
    np.testing.assert_allclose(
        model.log_prob(points)[:, k], theirs.score_samples(points), rtol=1e-9, atol=1e-9
    )
    drawn = model.sample(np.full(20_000, k), 4)

    def cdf(x: np.ndarray) -> np.ndarray:
        parts = zip(model.weights_[k], model.component_means_[k], theirs.covariances_, strict=True)
        return np.sum([w * norm.cdf(x, m[0], np.sqrt(s[0, 0])) for w, m, s in parts], axis=0)

    assert kstest(drawn[:, 0], cdf).pvalue > 0.01
    np.testing.assert_allclose(np.cov(drawn.T), model.covariances_[k], rtol=0.06, atol=0.003)


# Student's t


def test_t_density_equals_scipy() -> None:
    rng = np.random.default_rng(5)
    keys = rng.integers(0, N_KEYS, 2000)
    model = StudentTouch(background=0.0).fit(on_keys(skewed(5, 2000), keys), LAYOUT)
    points = rng.uniform(-1, 5, (60, 2))
    for k in (0, 13, 25):
        theirs = multivariate_t.logpdf(points, model.means_[k], model.scales_[k], df=model.dof_)
        np.testing.assert_allclose(model.log_prob(points)[:, k], theirs, rtol=1e-9)


def test_t_fit_is_the_maximum_scipys_optimiser_finds() -> None:
    rng = np.random.default_rng(6)
    offsets = multivariate_t.rvs([0.1, -0.05], [[0.04, 0.01], [0.01, 0.02]], 4, 4000, rng)
    log = on_keys(offsets, np.zeros(4000, dtype=int))
    model = StudentTouch(shrinkage=0.0, background=0.0).fit(log, LAYOUT)

    def loss(p: np.ndarray) -> float:
        root = np.array([[np.exp(p[2]), 0.0], [p[3], np.exp(p[4])]])
        density = multivariate_t.logpdf(offsets, p[:2], root @ root.T, df=np.exp(p[5]))
        return float(-density.mean())

    start = [0.0, 0.0, -1.5, 0.0, -1.5, 1.5]
    best = minimize(loss, start, method="L-BFGS-B")
    ours = model.score(log)
    assert ours == pytest.approx(-best.fun, abs=2e-4)
    assert model.dof_ == pytest.approx(np.exp(best.x[5]), rel=0.05)  # the grid steps by 5 %
    np.testing.assert_allclose(model.means_[0] - LAYOUT.centers[0], best.x[:2], atol=1e-3)


def test_t_sample_has_scipys_marginal_and_its_ellipses_their_share() -> None:
    rng = np.random.default_rng(7)
    keys = rng.integers(0, N_KEYS, 3000)
    offsets = multivariate_t.rvs([0.0, 0.0], 0.03 * np.eye(2), 3, 3000, rng)
    model = StudentTouch(dof=3.0).fit(on_keys(offsets, keys), LAYOUT)
    drawn = model.sample(np.full(20_000, 4), 8)
    sd = np.sqrt(model.scales_[4, 0, 0])
    assert kstest((drawn[:, 0] - model.means_[4, 0]) / sd, student_t(df=3).cdf).pvalue > 0.01
    for coverage in (0.5, 0.95, 0.99):
        share = model.inside(drawn, np.full(20_000, 4), coverage).mean()
        assert share == pytest.approx(coverage, abs=4 * np.sqrt(coverage * (1 - coverage) / 20_000))


# Size scaling


@pytest.mark.parametrize("truth", [(0.03, 0.5), (0.0, 1.0), (0.05, 0.0)])
def test_size_scaling_is_the_maximum_scipys_optimiser_finds(truth: tuple[float, float]) -> None:
    rng = np.random.default_rng(9)
    size = np.array([4.0, 6.0, 9.0, 15.0])
    n = np.array([200.0, 400.0, 300.0, 100.0])
    variance = truth[0] * size**2 + truth[1]
    square = variance * rng.chisquare(n) / n

    def loss(p: np.ndarray) -> float:
        v = p[0] ** 2 * size**2 + p[1] ** 2 + 1e-12
        return float((n * (np.log(v) + square / v)).sum())

    fits = [
        minimize(loss, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-10})
        for start in ([0.2, 0.7], [0.05, 1.0], [0.25, 0.05])
    ]
    best = min(fits, key=lambda fit: fit.fun)
    alpha, floor = fit_size_scaling(size, n, square)
    assert loss(np.sqrt([alpha, floor])) <= best.fun + 1e-6
    assert alpha == pytest.approx(best.x[0] ** 2, abs=1e-4)
    assert floor == pytest.approx(best.x[1] ** 2, abs=1e-3)


# Regression


def test_even_spread_makes_the_regression_ordinary_least_squares() -> None:
    rng = np.random.default_rng(10)
    keys = rng.integers(0, N_KEYS, 20_000)
    place = LAYOUT.centers / [LAYOUT.width, LAYOUT.height] * 2 - 1
    surface = np.column_stack([0.1 + 0.2 * place[:, 0] ** 2, 0.3 * place[:, 0] * place[:, 1]])
    offsets = surface[keys] + rng.normal(size=(20_000, 2)) * 0.2
    model = RegressionTouch(previous=False, ridge=1e-6).fit(on_keys(offsets, keys), LAYOUT)
    features = PolynomialFeatures(2)
    theirs = LinearRegression(fit_intercept=False).fit(features.fit_transform(place)[keys], offsets)
    predicted = theirs.predict(features.transform(place))
    np.testing.assert_allclose(model.means_ - LAYOUT.centers, predicted, atol=1e-3)


# People: the nested normal-inverse-Wishart model against dense linear algebra


def invented_population(scales: np.ndarray) -> Population:
    rng = np.random.default_rng(11)
    return Population(
        offset=rng.normal(0, 0.1, (3, 2)),
        covariance=np.array([[0.09, 0.02], [0.02, 0.05]]) * scales[:, None, None],
        kappa_person=2.5,
        kappa_key=8.0,
        nu=7.0,
        lam=5.0,
    )


def dense(p: Population, keys: np.ndarray, offsets: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Whitened offsets Z (n, 2) and their row covariance C (n, n): Z ~ matrix-normal(0, C, M)."""
    factor = np.linalg.cholesky(p.covariance)
    size = np.sqrt(np.linalg.det(p.covariance))
    relative = size / np.exp(np.log(size).mean())  # S_k = S * relative_k
    z = np.stack(
        [np.linalg.solve(factor[k], o - p.offset[k]) for k, o in zip(keys, offsets, strict=True)]
    )
    root = np.sqrt(relative[keys])
    same = keys[:, None] == keys
    shared = 1 / p.kappa_person + same / p.kappa_key
    # In units whitened by its own key, a shared offset of covariance S M / kappa shrinks by relative_k.
    return z, np.eye(len(keys)) + shared / (root[:, None] * root)


@pytest.mark.parametrize("scales", [np.ones(3), np.array([0.5, 1.0, 4.0])], ids=["even", "uneven"])
def test_evidence_is_the_matrix_t_density(scales: np.ndarray) -> None:
    # With M inverse-Wishart, Z is matrix-variate t: the textbook density by dense algebra.
    p = invented_population(scales)
    rng = np.random.default_rng(12)
    keys = np.array([0, 0, 1, 2, 1, 0, 2, 2, 2])
    offsets = rng.normal(size=(9, 2)) * 0.3
    z, c = dense(p, keys, offsets)
    n = len(keys)
    inner = p.lam * np.eye(2) + z.T @ np.linalg.solve(c, z)
    expected = (
        -n * np.log(np.pi)
        + multigammaln((p.nu + n) / 2, 2)
        - multigammaln(p.nu / 2, 2)
        - np.linalg.slogdet(c)[1]
        + p.nu / 2 * np.log(p.lam**2)
        - (p.nu + n) / 2 * np.linalg.slogdet(inner)[1]
        - 0.5 * np.log(np.linalg.det(p.covariance))[keys].sum()
    )
    cells = KeyStats.of(keys, offsets - p.offset[keys], 3)
    ours = log_evidence(p, cells, 1, 3)
    assert float(ours[0]) == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("scales", [np.ones(3), np.array([0.5, 1.0, 4.0])], ids=["even", "uneven"])
def test_learning_touch_by_touch_is_the_exact_posterior(scales: np.ndarray) -> None:
    p = invented_population(scales)
    layout = geometry_of(LAYOUT)
    three = type(layout)(
        layout.key_ids[:3], layout.letters[:3], layout.centers[:3], layout.sizes[:3], 10, 3, 6
    )
    rng = np.random.default_rng(13)
    keys = rng.integers(0, 2, 12)  # key 2 stays untouched
    offsets = rng.normal(size=(12, 2)) * 0.3
    person = PersonTouch(mislabelling=0.0)
    person._start(three, p)
    person.observe(three.centers[keys] + offsets, keys)
    z, c = dense(p, keys, offsets)
    inner = p.lam * np.eye(2) + z.T @ np.linalg.solve(c, z)
    expected_spread = inner / (p.nu + 12 - 3)
    np.testing.assert_allclose(person.spread_, expected_spread, rtol=1e-10)
    # The next touch on each key, by conditioning the joint normal of all touches.
    for k in range(3):
        z2, c2 = dense(p, np.append(keys, k), np.vstack([offsets, p.offset[k]]))
        np.testing.assert_allclose(z2[:-1], z)
        cross = np.linalg.solve(c, c2[:-1, -1])
        factor = np.linalg.cholesky(p.covariance[k])
        mean = three.centers[k] + p.offset[k] + factor @ (cross @ z)
        variance = c2[-1, -1] - c2[:-1, -1] @ cross
        np.testing.assert_allclose(person.means_[k], mean, rtol=1e-10)
        np.testing.assert_allclose(
            person.covariances_[k], variance * factor @ expected_spread @ factor.T, rtol=1e-9
        )


def test_learnt_hyperparameters_are_those_people_were_drawn_with() -> None:
    rng = np.random.default_rng(14)
    names, points, who = [], [], []
    for person in range(40):
        spread = 0.25 * np.sqrt(5.0 / rng.chisquare(8.0) * 8.0 / 5.0)
        own = rng.normal(0, spread / np.sqrt(4.0), 2)  # kappa_person 4
        by_key = rng.normal(0, spread / np.sqrt(20.0), (N_KEYS, 2))  # kappa_key 20
        keys = rng.integers(0, N_KEYS, 400)
        points.append(
            LAYOUT.centers[keys] + own + by_key[keys] + rng.normal(size=(400, 2)) * spread
        )
        names += [LAYOUT.key_ids[k] for k in keys]
        who += [f"p{person}"] * 400
    model = PeopleTouch().fit(
        TouchLog.from_points(np.vstack(points), names, participant=who), LAYOUT
    )
    # 40 people fix kappa_person within about 30 %, 1,040 person-keys kappa_key within about 10 %; the
    # grids step by factors of 1.95 and 1.78.
    assert 2.0 < model.population_.kappa_person < 8.0
    assert 11.0 < model.population_.kappa_key < 36.0


# Calibration and intervals


@pytest.mark.parametrize(("hits", "n"), [(0, 10), (3, 10), (95, 100), (1000, 1000)])
def test_wilson_interval_equals_scipy(hits: int, n: int) -> None:
    theirs = binomtest(hits, n).proportion_ci(0.95, method="wilson")
    np.testing.assert_allclose(proportion(hits, n)[1:], [theirs.low, theirs.high], atol=1e-12)


def test_t_quantiles_are_scipys() -> None:
    np.testing.assert_allclose(
        [interval_t(0.95, n) for n in range(1, 41)],
        student_t.ppf(0.975, np.arange(1, 41)),
        rtol=1e-9,
    )


def test_a_true_model_is_calibrated() -> None:
    truth = GaussianTouch.from_layout(LAYOUT, spread=0.3)
    keys = np.random.default_rng(15).integers(0, N_KEYS, 20_000)
    log = on_keys(truth.sample(keys, 16) - LAYOUT.centers[keys], keys)
    for row in calibration(truth, log, LAYOUT):
        assert row.n == 20_000
        # Four standard errors: a false alarm in 16,000 seeds.
        assert row.found == pytest.approx(
            row.claimed, abs=4 * np.sqrt(row.claimed * (1 - row.claimed) / row.n)
        )
        assert row.low < row.found < row.high
    # The same by the drawn ellipses.
    drawn = ellipses(truth, coverage=0.8)
    inside = [drawn[k].contains(log.points[i : i + 1])[0] for i, k in enumerate(keys[:2000])]
    expected = calibration(truth, log.select(np.arange(2000)), LAYOUT, coverages=[0.8])[0]
    assert np.mean(inside) == pytest.approx(expected.found, abs=1e-12)
