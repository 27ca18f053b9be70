"""Population, person, key: a model that knows how people differ and learns one of them."""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass
from typing import Any, ClassVar, Self

import numpy as np
from numpy.typing import ArrayLike

from nearkey.errors import TouchModelError
from nearkey.touch.base import TouchBase, background_parameter, parameter
from nearkey.touch.components import as_points, log_density
from nearkey.touch.key_geometry import AnyLayout, Floats, Geometry, Indices
from nearkey.touch.labelling import label
from nearkey.touch.model_files import fitted_arrays
from nearkey.touch.population import Knowledge, Population, fit_population
from nearkey.touch.touch_log import TouchLog

# A soft label below this weight is not worth an update.
_LEAST_WEIGHT = 1e-3

# Touches that the given share of outliers is worth against a person's own. Chosen on simulated people; on the open
# phone touches 20 to 100 are as good as each other, and better than never learning it.
_BACKGROUND_TOUCHES = 20.0
# The least that is left of the given share: a word with an outlier is often mended or left wrong, so that confirmed
# touches show too few of them. It never grows, because wrong labels look like outliers: with one in ten wrong, a share
# that could grow cost half a point of words right first.
_LEAST_BACKGROUND = 0.1


class _PopulationTouch(TouchBase):
    """Base of the two: a population, and what is known of a person of it."""

    population_: Population
    _known: Knowledge

    def _reorder(self, order: Indices) -> None:
        self.population_ = self.population_.take(order)
        self._known = self._known.take(self.population_, order)

    def _finish(self) -> None:
        known = self._known
        self._set_gaussians(self.geometry_.centers + known.offsets, known.covariances)


@dataclass(eq=False, kw_only=True)
class PeopleTouch(_PopulationTouch):
    """How a population touches, and how far its people differ. Fit it on several people's log.

    As a touch model it stands for a person of whom nothing is known. `person()` gives a model that
    starts there and learns one person touch by touch. See `nearkey.touch.population` for the
    formulas (normal-inverse-Wishart, two levels; Murphy 2007).

    Parameters
    ----------
    background : share of outliers, spread evenly over the surface.

    Attributes
    ----------
    population_ (`offset`, `covariance`, `kappa_person`, `kappa_key`, `nu`, `lam`), n_people_,
    n_touches_ `(n_keys,)`, learnt_people_ (False with fewer than three people: how people differ is then a stated
    default), means_ `(n_keys, 2)`, covariances_ `(n_keys, 2, 2)` in layout units.
    """

    kind: ClassVar[str] = "people"

    background: float = background_parameter()

    def fit(self, log: TouchLog, layout: AnyLayout) -> Self:
        """Learn from the labelled touches of a log, by person.

        Raises TouchDataError for fewer than ten labelled touches or none with spread.
        """
        self._check_params()
        touches = label(log, layout)
        g = touches.geometry
        self.n_touches_ = touches.statistics(10).n
        people, who = np.unique(log.participant[touches.rows], return_inverse=True)
        self.population_, self.learnt_people_ = fit_population(
            who, touches.key, touches.offsets, len(people), g.n_keys
        )
        self._known = Knowledge(self.population_)
        self.geometry_, self.n_people_ = g, len(people)
        self._finish()
        return self

    def person(self, *, forgetting: float = 1.0, mislabelling: float = 0.05) -> PersonTouch:
        """A model of one person, of whom nothing is known yet; parameters as of `PersonTouch`."""
        model = PersonTouch(
            forgetting=forgetting, mislabelling=mislabelling, background=self.background
        )
        model._start(self._fitted(), self.population_)
        return model

    def _reorder(self, order: Indices) -> None:
        super()._reorder(order)
        self.n_touches_ = self.n_touches_[order]

    def _fitted_dict(self) -> dict[str, Any]:
        return {
            "n_people": self.n_people_,
            "learnt_people": self.learnt_people_,
            "n_touches": self.n_touches_.tolist(),
            "population": self.population_.to_dict(),
        }

    def _restore(self, fitted: dict[str, Any]) -> None:
        n = self.geometry_.n_keys
        (self.n_touches_,) = fitted_arrays(fitted, n_touches=(n,))
        self.n_people_ = int(fitted["n_people"])
        self.learnt_people_ = bool(fitted["learnt_people"])
        self.population_ = Population.from_dict(fitted["population"], n)
        self._known = Knowledge(self.population_)


@dataclass(eq=False, kw_only=True)
class PersonTouch(_PopulationTouch):
    """One person's touches: starts from a population and follows the person. Made by
    `PeopleTouch.person()`.

    Every touch costs the same however many came before. Only confirmed labels teach.

    Parameters
    ----------
    forgetting : from 0 (exclusive) to 1: what is left of the weight of what was learnt after
        each further touch. 1 never forgets; 0.998 remembers about the last 500 touches.
    mislabelling : the mislabelling probability: how probable it is that a confirmed label is wrong and the
        touch was meant for the key that explains it best; each touch teaches with the probability that its label is
        right. 0 takes every label as right.
    background : share of outliers, spread evenly over the surface, of a person of whom nothing is known. Hers is learnt
        (`background_`): the mean of a beta posterior, each touch counting as far as the flat background explains it
        rather than its key. It stays between a tenth of what is given here and all of it.

    Attributes
    ----------
    background_ (her share of outliers), n_touches_ `(n_keys,)` (weights of what is remembered), offset_ `(2,)` (the
    person's own offset, beyond the population's), spread_ `(2, 2)` (the person's spread relative to the population's),
    means_ `(n_keys, 2)`, covariances_ `(n_keys, 2, 2)`; lengths in layout units.
    """

    kind: ClassVar[str] = "person"

    forgetting: float = parameter(1.0, "give a number in (0, 1]", lambda kept: 0 < kept <= 1)
    mislabelling: float = parameter(
        0.05, "give a probability in [0, 1)", lambda p: 0 <= p < 1, file_name="doubt"
    )
    background: float = background_parameter()

    def fit(self, log: TouchLog, layout: AnyLayout) -> Self:
        """Forget this person and learn anew from the log, from the same population."""
        self._geometry(layout)
        self._start(self.geometry_, self.population_)
        return self.partial_fit(log, layout)

    def partial_fit(self, log: TouchLog, layout: AnyLayout | None = None) -> Self:
        """Learn the labelled touches of a log, in its order; they count as confirmed."""
        touches = label(log, self._geometry(layout))
        return self.observe(touches.points, touches.key)

    def observe(
        self,
        points: ArrayLike,
        keys: ArrayLike | None = None,
        *,
        responsibilities: ArrayLike | None = None,
        confirmed: bool = True,
    ) -> Self:
        """Learn touches from the keys meant.

        Parameters
        ----------
        points : `(n, 2)`, in layout units.
        keys : `(n,)` indices of the keys meant; or else
        responsibilities : `(n, n_keys)`, how far each key was meant: soft labels, such as the decoder's posterior over
            its candidates' letters at each touch; a row may sum to less than 1.
        confirmed : with False nothing is learnt: a word teaches only once the person has let it stand.

        Raises TouchDataError for points, TouchModelError for labels that are not of these shapes and ranges.
        """
        g = self._fitted()
        xy = as_points(points)
        if (keys is None) == (responsibilities is None):
            raise TouchModelError(
                "give one of the two", field="keys, responsibilities", fix="labels or soft"
            )
        if not confirmed:
            return self
        if responsibilities is None:
            index = np.asarray(keys, dtype=np.intp)
            if index.shape != (len(xy),) or not ((index >= 0) & (index < g.n_keys)).all():
                raise TouchModelError(
                    f"are not {len(xy)} indices below {g.n_keys}", field="keys", fix="one per point"
                )
            soft = np.zeros((len(xy), g.n_keys))
            soft[np.arange(len(xy)), index] = 1.0
        else:
            soft = np.asarray(responsibilities, dtype=np.float64)
            if soft.shape != (len(xy), g.n_keys) or not (
                (soft >= 0).all() and (soft.sum(axis=1) <= 1 + 1e-6).all()
            ):
                raise TouchModelError(
                    f"are not {len(xy)} rows of {g.n_keys} probabilities",
                    field="responsibilities",
                    fix="give rows that sum to at most 1",
                )
        for point, row in zip(xy, soft, strict=True):
            self._learn(point, row)
        self._finish()
        return self

    def copy(self) -> Self:
        """An independent copy: keep one to take back what was learnt since."""
        model = copy.copy(self)
        model._known = self._known.copy()
        return model

    @property
    def background_(self) -> float:
        """The person's share of outliers."""
        given, known = self.background, self._known
        seen = _BACKGROUND_TOUCHES * given + known.outliers
        learnt = seen / (_BACKGROUND_TOUCHES + known.labelled)
        return min(max(learnt, _LEAST_BACKGROUND * given), given)

    @property
    def offset_(self) -> Floats:
        """The person's own offset beyond the population's, in layout units `(2,)`."""
        return self._known.own_offset

    @property
    def spread_(self) -> Floats:
        """The person's covariance relative to the population's `(2, 2)`."""
        return self._known.own_spread

    @property
    def n_touches_(self) -> Floats:
        """Weight of the touches remembered per key `(n_keys,)`."""
        return self._known.n

    def _start(self, geometry: Geometry, population: Population) -> None:
        self._check_params()
        self.geometry_ = geometry
        self.population_ = population
        self._known = Knowledge(population)
        self._finish()

    def _outlier_share(self) -> float:
        return self.background_

    def _learn(self, point: Floats, weights: Floats) -> None:
        g = self.geometry_
        densities, outlier = None, 0.0
        if self.mislabelling > 0 or self.background > 0:
            self._finish()
            components = self.components()
            densities = np.exp(log_density(components, point[None], g.n_keys)[0])
            outlier = components.background_weight * math.exp(components.background_log_density)
        if self.forgetting < 1:
            self._known.decay(self.forgetting)
        for key in np.flatnonzero(weights > _LEAST_WEIGHT).tolist():
            weight = float(weights[key])
            if densities is not None:
                if outlier > 0:
                    self._known.outliers += weight * min(outlier / float(densities[key]), 1.0)
                    self._known.labelled += weight
                right = (1 - self.mislabelling) * densities[key]
                weight *= float(right / (right + self.mislabelling * densities.max()))
            if weight > _LEAST_WEIGHT:
                self._known.add(point - g.centers[key], key, weight)

    def _fitted_dict(self) -> dict[str, Any]:
        return {"population": self.population_.to_dict(), **self._known.to_dict()}

    def _restore(self, fitted: dict[str, Any]) -> None:
        n = self.geometry_.n_keys
        self._start(self.geometry_, Population.from_dict(fitted["population"], n))
        known = self._known
        known.n, known.sums, known.spread = fitted_arrays(
            fitted, n_touches=(n,), offset_sums=(n, 2), spread_sums=(2, 2)
        )
        known.weight = float(fitted["weight"])
        known.outliers, known.labelled = (
            float(fitted.get(name, 0.0)) for name in ("outliers", "labelled")
        )
        if not 0 <= known.outliers <= known.labelled < math.inf:
            raise TouchModelError(
                "are not some of the labelled", field="outliers", fix="save the model again"
            )
        if not (known.n >= 0).all() or known.weight < 0:
            raise TouchModelError("is below 0", field="n_touches", fix="save the model again")
