"""Normal-inverse-Wishart posteriors of touch offsets in closed form.

Formulas: K. P. Murphy, "Conjugate Bayesian analysis of the Gaussian distribution", 2007
(d = 2 here). The prior says: a key's covariance is inverse-Wishart(nu, Lambda), its mean
offset is normal about `mean` with covariance Sigma / kappa. Every array may carry leading axes
(keys, grid points), over which the formulas run at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from nearkey.touch.key_geometry import Floats, Indices
from nearkey.touch.sufficient_statistics import KeyStats, pooled_covariance, well_shaped


@dataclass(frozen=True, slots=True, eq=False)
class NIW:
    """Parameters of normal-inverse-Wishart beliefs about 2-D Gaussians.

    `mean (..., 2)`, `kappa (...)` pseudo-touches behind the mean, `nu (...)` degrees of freedom
    (above 3, so that the expected covariance exists), `scale (..., 2, 2)`: Murphy's Lambda.
    """

    mean: Floats
    kappa: Floats
    nu: Floats
    scale: Floats

    @classmethod
    def about(cls, mean: Floats, covariance: Floats, *, kappa: Floats, nu: Floats) -> NIW:
        """The belief whose expected covariance is `covariance`."""
        k, v = np.asarray(kappa, dtype=np.float64), np.asarray(nu, dtype=np.float64)
        return cls(mean, k, v, covariance * (v - 3.0)[..., None, None])

    def posterior(self, stats: KeyStats) -> NIW:
        """After touches with these statistics: a prior adds up like so many touches more."""
        both = KeyStats(self.kappa, self.mean, self.scale) + stats
        return NIW(both.mean, both.n, self.nu + stats.n, both.scatter)

    def take(self, keys: Indices) -> NIW:
        """The beliefs about these keys, in this order."""
        return NIW(self.mean[keys], self.kappa[keys], self.nu[keys], self.scale[keys])

    def stretched(self, factor: float) -> NIW:
        """The beliefs about the same offsets times a factor."""
        return NIW(self.mean * factor, self.kappa, self.nu, self.scale * factor**2)

    @property
    def expected_covariance(self) -> Floats:
        """E[Sigma] = Lambda / (nu - d - 1)."""
        return np.asarray(self.scale / (self.nu - 3.0)[..., None, None])

    @property
    def predictive_dof(self) -> Floats:
        """Degrees of freedom of the posterior predictive t: nu - d + 1."""
        return np.asarray(self.nu - 1.0)

    @property
    def predictive_scale(self) -> Floats:
        """Scale matrix of the predictive t: Lambda (kappa + 1) / (kappa (nu - d + 1))."""
        factor = (self.kappa + 1.0) / (self.kappa * (self.nu - 1.0))
        return np.asarray(self.scale * factor[..., None, None])

    @property
    def predictive_covariance(self) -> Floats:
        """Covariance of the next touch, the mean's own uncertainty included."""
        factor = (self.kappa + 1.0) / (self.kappa * (self.nu - 3.0))
        return np.asarray(self.scale * factor[..., None, None])


def log_marginal_likelihood(prior: NIW, stats: KeyStats) -> Floats:
    """log p(touches | prior) with mean and covariance integrated out, per key (and grid point)."""
    post = prior.posterior(stats)
    return np.asarray(
        -stats.n * math.log(math.pi)
        + log_gamma_2(post.nu / 2)
        - log_gamma_2(prior.nu / 2)
        + prior.nu / 2 * np.log(_det(prior.scale))
        - post.nu / 2 * np.log(_det(post.scale))
        + np.log(prior.kappa)
        - np.log(post.kappa)
    )


def fit_prior(stats: KeyStats) -> NIW:
    """The prior over keys that makes the touches most probable (empirical Bayes).

    Its covariance is the one pooled within keys, its mean offset the precision-weighted mean of
    the keys' means; kappa and nu maximise the marginal likelihood over a grid. With touches on
    fewer than three keys there is nothing to learn them from: both are worth ten touches then.
    """
    covariance = well_shaped(pooled_covariance(stats))
    used = np.flatnonzero(stats.n > 0)
    s = stats.take(used)
    if len(used) < 3:
        kappa, nu = np.array(10.0), np.array(13.0)
        return NIW.about(_prior_mean(s, kappa), covariance, kappa=kappa, nu=nu)
    # axes: kappa, nu, key
    kappas = np.geomspace(0.3, 3000.0, 41)
    nus = 3.0 + np.geomspace(1.0, 3000.0, 36)
    means = np.stack([_prior_mean(s, k) for k in kappas])
    grid = NIW.about(
        means[:, None, None, :],
        covariance,
        kappa=kappas[:, None, None],
        nu=nus[None, :, None],
    )
    likelihood = log_marginal_likelihood(grid, s).sum(axis=2)
    i, j = np.unravel_index(int(likelihood.argmax()), likelihood.shape)
    return NIW.about(means[i], covariance, kappa=kappas[i], nu=nus[j])


def _prior_mean(stats: KeyStats, kappa: Floats) -> Floats:
    weight = kappa * stats.n / (kappa + stats.n)
    return np.asarray((weight[:, None] * stats.mean).sum(axis=0) / weight.sum())


def _det(m: Floats) -> Floats:
    return np.asarray(m[..., 0, 0] * m[..., 1, 1] - m[..., 0, 1] * m[..., 1, 0])


_lgamma = np.vectorize(math.lgamma, otypes=[np.float64])


def log_gamma_2(a: Floats) -> Floats:
    """Log of the bivariate gamma function."""
    values, inverse = np.unique(a, return_inverse=True)
    table = 0.5 * math.log(math.pi) + _lgamma(values) + _lgamma(values - 0.5)
    return np.asarray(table[inverse].reshape(np.shape(a)))
