"""What every touch model shares: parameters, scoring, densities from components, sampling."""

from __future__ import annotations

import copy
import inspect
import os
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.errors import TouchModelError
from nearkey.touch.components import Components, gaussian_components, log_density
from nearkey.touch.coverage import inside_ellipses
from nearkey.touch.key_geometry import Geometry, geometry_of
from nearkey.touch.labelling import Labelled, label
from nearkey.touch.sufficient_statistics import floor_covariances
from nearkey.touch.touch_log import TouchLog

if TYPE_CHECKING:
    from nearkey.layout import Layout

__all__ = [
    "ComponentTouch",
    "OneGaussianTouch",
    "TouchBase",
    "check_background",
    "fitted_arrays",
    "key_indices",
]

Floats = NDArray[np.float64]

# No axis of a spread is believed to be narrower than this share of the smallest key side.
_NARROWEST = 0.01


class TouchBase:
    """Base of the touch models.

    A subclass sets `kind`, stores its constructor's parameters under their own names, sets
    `geometry_` when fitted, and implements `log_prob`, `sample`, `_fitted_dict` and `_restore`.
    """

    kind: str = ""
    geometry_: Geometry

    # scikit-learn's conventions

    def get_params(self, deep: bool = True) -> dict[str, Any]:
        """The constructor's parameters by name."""
        return {name: getattr(self, name) for name in _parameters(type(self))}

    def set_params(self, **params: Any) -> Self:
        """Change parameters; TouchModelError for one the model does not have."""
        for name, value in params.items():
            if name not in _parameters(type(self)):
                raise TouchModelError(
                    "is no parameter of this model",
                    field=name,
                    fix=f"parameters are {', '.join(_parameters(type(self)))}",
                )
            setattr(self, name, value)
        return self

    def __repr__(self) -> str:
        inside = ", ".join(f"{k}={v!r}" for k, v in self.get_params().items())
        return f"{type(self).__name__}({inside})"

    def fit(self, log: TouchLog, layout: Layout | Geometry) -> Self:
        raise NotImplementedError

    @property
    def key_ids(self) -> tuple[str, ...]:
        """Ids of all keys, in the layout's order: the columns of `log_prob`."""
        return self._fitted().key_ids

    def log_prob(self, points: ArrayLike) -> Floats:
        """Natural log densities `(n, n_keys)` of points `(n, 2)`, per squared layout unit."""
        raise NotImplementedError

    def sample(self, keys: Sequence[int] | Sequence[str] | NDArray[Any], rng: Any) -> Floats:
        """Touches `(n, 2)` aimed at keys given by index or id.

        Draws exactly two standard normals per touch, in order, from `rng` (a Generator or a
        seed): the same generator state gives two layouts the same underlying luck. Wild touches
        (the background) are not drawn.
        """
        raise NotImplementedError

    def log_prob_of(self, touches: Labelled) -> Floats:
        """`log_prob` of a log's labelled touches, with whatever else of the log the model uses."""
        return self.log_prob(touches.points)

    def inside_of(self, touches: Labelled, coverage: float) -> NDArray[np.bool_]:
        """Which of a log's labelled touches lie in their key's ellipse of this coverage `(n,)`."""
        return inside_ellipses(self, touches.points, touches.key, coverage)

    def score_samples(self, log: TouchLog, layout: Layout | Geometry | None = None) -> Floats:
        """Log density of each labelled touch under its own key `(n,)`, in the log's order."""
        touches = label(log, self._geometry(layout))
        return np.asarray(self.log_prob_of(touches)[np.arange(len(touches.rows)), touches.key])

    def score(self, log: TouchLog, layout: Layout | Geometry | None = None) -> float:
        """Mean log density of the labelled touches under their own keys."""
        return float(self.score_samples(log, layout).mean())

    def for_layout(self, layout: Layout | Geometry) -> Self:
        """The same densities under another layout's ids and letters.

        Every key of `layout` must have the rectangle of one key here, on the same surface;
        otherwise TouchModelError. One calibration of a 2 x 3 grid so serves all its letterings.
        """
        other = geometry_of(layout)
        order = self._fitted().match(other)
        if order is None:
            raise TouchModelError(
                "the layout's keys are not where this model's keys are",
                field="layout",
                fix="fit on touches of that layout, or use PooledTouch, SizeScaledTouch or "
                "RegressionTouch, which carry over",
            )
        model = copy.copy(self)
        model.geometry_ = other
        model._reorder(order)
        return model

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the model as readable JSON, whole or not at all."""
        from nearkey.touch.model_files import save_touch

        save_touch(self, path)

    # for subclasses

    def _fitted(self) -> Geometry:
        try:
            return self.geometry_
        except AttributeError:
            raise TouchModelError(
                f"{type(self).__name__} is not fitted", fix="call fit(log, layout) first"
            ) from None

    def _geometry(self, layout: Layout | Geometry | None) -> Geometry:
        """The fitted geometry, after checking that `layout` (if given) is the same keys."""
        mine = self._fitted()
        if layout is None:
            return mine
        other = geometry_of(layout)
        order = mine.match(other)
        if order is None or other.key_ids != mine.key_ids:
            raise TouchModelError(
                "the layout is not the one the model was fitted on",
                field="layout",
                fix="use for_layout(layout) where only letters differ, else fit again",
            )
        return other

    def _reorder(self, order: NDArray[np.intp]) -> None:
        """Take what was learnt per key in this order; `geometry_` is already the new one."""
        raise NotImplementedError

    def _stretch(self, factor: float) -> None:
        """Multiply every offset and spread by a factor."""
        raise TouchModelError(
            f"{type(self).__name__} cannot be scaled to a finger width",
            field="base",
            fix="use GaussianTouch, PooledTouch, MixtureTouch or StudentTouch",
        )

    def _fitted_dict(self) -> dict[str, Any]:
        raise NotImplementedError

    def _restore(self, fitted: dict[str, Any]) -> None:
        raise NotImplementedError


class ComponentTouch(TouchBase):
    """Base of models whose densities are finite Gaussian mixtures: the kernel's fast path."""

    def components(self) -> Components:
        """The densities as Gaussian components, for the compiled kernel."""
        raise NotImplementedError

    def log_prob(self, points: ArrayLike) -> Floats:
        """Natural log densities `(n, n_keys)` of points `(n, 2)`, per squared layout unit.

        Raises TouchDataError for points of another shape or not finite.
        """
        return log_density(self.components(), points, self._fitted().n_keys)


class OneGaussianTouch(ComponentTouch):
    """Base of models with one Gaussian per key: `means_ (n_keys, 2)`, `covariances_ (n_keys, 2, 2)`.

    Its subclasses have a parameter `background`.
    """

    background: float
    means_: Floats
    covariances_: Floats
    floored_keys_: tuple[str, ...]

    def components(self) -> Components:
        """The densities as one component per key, in key order, over the flat background."""
        geometry = self._fitted()
        n = geometry.n_keys
        return gaussian_components(
            np.arange(n, dtype=np.int32),
            np.ones(n),
            self.means_,
            self.covariances_,
            background_weight=check_background(self.background),
            background_log_density=-float(np.log(geometry.area)),
        )

    def sample(self, keys: Sequence[int] | Sequence[str] | NDArray[Any], rng: Any) -> Floats:
        """Touches `(n, 2)` aimed at keys given by index or id.

        Draws exactly two standard normals per touch, in order, from `rng` (a Generator or a
        seed): the same generator state gives two layouts the same underlying luck. Wild touches
        (the background) are not drawn.
        """
        index = key_indices(keys, self._fitted())
        z = np.random.default_rng(rng).standard_normal((len(index), 2))
        factors = np.linalg.cholesky(self.covariances_)
        return np.asarray(self.means_[index] + np.einsum("nij,nj->ni", factors[index], z))

    def _set_gaussians(self, means: Floats, covariances: Floats) -> None:
        """Store the densities, no axis of a spread narrower than 1 % of the smallest key side."""
        self.means_ = means
        narrowest = _NARROWEST * float(self.geometry_.sizes.min())
        self.covariances_, floored = floor_covariances(covariances, narrowest)
        self.floored_keys_ = tuple(
            key for key, yes in zip(self.geometry_.key_ids, floored, strict=True) if yes
        )


def _parameters(model: type) -> list[str]:
    return [name for name in inspect.signature(model).parameters if name != "self"]


def check_background(background: float) -> float:
    if not (isinstance(background, int | float) and 0 <= background < 1):
        raise TouchModelError(
            f"is {background!r}",
            field="background",
            fix="give the share of wild touches, at least 0 and below 1",
        )
    return float(background)


def key_indices(keys: Sequence[Any] | NDArray[Any], geometry: Geometry) -> NDArray[np.intp]:
    """Key indices `(n,)` from indices or ids; TouchModelError for one that does not exist."""
    given = np.asarray(keys)
    if given.dtype.kind in "iu":
        if given.size and (given.min() < 0 or given.max() >= geometry.n_keys):
            raise TouchModelError(
                f"key index {int(given.max() if given.max() >= geometry.n_keys else given.min())}"
                f" is not one of 0 to {geometry.n_keys - 1}",
                field="keys",
                fix="index the model's key_ids",
            )
        return given.astype(np.intp)
    index = {key: i for i, key in enumerate(geometry.key_ids)}
    try:
        return np.array([index[str(key)] for key in given.tolist()], dtype=np.intp)
    except KeyError as fault:
        raise TouchModelError(
            f"no key {fault.args[0]!r}", field="keys", fix="use the model's key_ids"
        ) from None


def fitted_arrays(fitted: Mapping[str, Any], **shapes: tuple[int, ...]) -> list[Floats]:
    """Arrays of a model file by name, checked against their shapes (-1: any length)."""
    found = []
    for name, shape in shapes.items():
        array = np.array(fitted[name], dtype=np.float64)
        right = array.ndim == len(shape) and all(
            want in (-1, have) for want, have in zip(shape, array.shape, strict=True)
        )
        if not right or not np.isfinite(array).all():
            raise TouchModelError(
                f"is not numbers of shape {shape}", field=name, fix="save the model again"
            )
        found.append(array)
    return found
