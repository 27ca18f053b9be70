"""What every touch model shares: parameters, scoring, densities from components, sampling, files."""

from __future__ import annotations

import copy
import math
import os
from collections.abc import Callable, Sequence
from dataclasses import Field, field, fields
from statistics import NormalDist
from typing import Any, ClassVar, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.errors import TouchModelError
from nearkey.seeds import Seed
from nearkey.touch.components import Components, gaussian_components, log_density
from nearkey.touch.coverage import chi_square_2
from nearkey.touch.key_geometry import AnyLayout, Flags, Floats, Geometry, Indices, geometry_of
from nearkey.touch.labelling import Labelled, label
from nearkey.touch.model_files import write_model_file
from nearkey.touch.sufficient_statistics import floor_covariances, mahalanobis_squares
from nearkey.touch.touch_log import TouchLog

KINDS: dict[str, type[TouchBase]] = {}
"""The models by their kind, the name they have in files; a class enters when it is defined."""

# No axis of a spread is taken to be narrower than this share of the smallest key side.
NARROWEST = 0.01


def parameter(
    default: Any,
    fix: str,
    allowed: Callable[[Any], bool],
    *,
    auto: bool = False,
    numbers: Any = (int, float, np.integer, np.floating),
    file_name: str | None = None,
) -> Any:
    """A field of a model's dataclass: its default, and what `fit` accepts.

    Parameters
    ----------
    default : the value unless given.
    fix : what the error says of the values allowed.
    allowed : whether a number will do.
    auto : whether "auto" will do, too.
    numbers : types that count as numbers.
    file_name : what model files call it, where that differs.
    """

    def right(value: Any) -> bool:
        if auto and isinstance(value, str) and value == "auto":
            return True
        return isinstance(value, numbers) and math.isfinite(value) and allowed(value)

    return field(default=default, metadata={"right": right, "fix": fix, "file_name": file_name})


def background_parameter() -> Any:
    """The share of outliers, which all models with components have."""
    return parameter(
        0.01, "give the share of outliers, at least 0 and below 1", lambda b: 0 <= b < 1
    )


class Parameterised:
    """A dataclass of parameters that keeps scikit-learn's conventions: what is learnt ends in an underscore."""

    def get_params(self, deep: bool = True) -> dict[str, Any]:
        """The constructor's parameters by name.

        deep : with it, also those of a parameter that is a model, as `base__shrinkage`.
        """
        own = {each.name: getattr(self, each.name) for each in self._parameters()}
        inner = {
            f"{name}__{key}": part
            for name, value in own.items()
            if deep and hasattr(value, "get_params")
            for key, part in value.get_params().items()
        }
        return own | inner

    def set_params(self, **params: Any) -> Self:
        """Change parameters, those of a parameter that is a model as `base__shrinkage`; TouchModelError for others."""
        names = list(self.get_params())
        for name, value in params.items():
            if name not in names:
                fix = f"parameters are {', '.join(names)}"
                raise TouchModelError("is no parameter of this model", field=name, fix=fix)
            outer, inside, inner = name.partition("__")
            if inside:
                getattr(self, outer).set_params(**{inner: value})
            else:
                setattr(self, name, value)
        return self

    def __sklearn_is_fitted__(self) -> bool:
        return any(name.endswith("_") and not name.startswith("_") for name in vars(self))

    def __sklearn_tags__(self) -> Any:
        # Only scikit-learn asks, so it is there.
        from sklearn.utils import InputTags, Tags, TargetTags

        return Tags(
            estimator_type="density_estimator",
            target_tags=TargetTags(required=False),
            input_tags=InputTags(two_d_array=False),
        )

    @classmethod
    def _parameters(cls) -> tuple[Field[Any], ...]:
        return fields(cls)  # type: ignore[arg-type]  # every model is a dataclass


class TouchBase(Parameterised):
    """Base of the touch models: per key a finite mixture of Gaussians, or of t's, over a flat background.

    A subclass is a dataclass of its parameters (`parameter`). It sets `kind`, and `geometry_` when fitted, and
    implements `fit`, `_reorder`, `_fitted_dict` and `_restore`; `_finish` makes its densities of what was learnt. With
    `in_millimetres` it carries over to any layout. Where nothing else is said it has one Gaussian per key: `means_
    (n_keys, 2)`, `covariances_ (n_keys, 2, 2)`; `floored_keys_` names keys whose spread was raised to 1 % of the
    smallest key side.
    """

    kind: ClassVar[str] = ""
    in_millimetres: ClassVar[bool] = False
    geometry_: Geometry
    background: float
    dof_: float = math.inf
    means_: Floats
    covariances_: Floats
    floored_keys_: tuple[str, ...]

    def __init_subclass__(cls, **options: Any) -> None:
        super().__init_subclass__(**options)
        if "kind" in cls.__dict__:
            KINDS[cls.kind] = cls

    def fit(self, log: TouchLog, layout: AnyLayout) -> Self:
        """Learn from the labelled touches of a log on a layout."""
        raise NotImplementedError

    @property
    def key_ids(self) -> tuple[str, ...]:
        """Ids of all keys, in the layout's order: the columns of `log_prob`."""
        return self._fitted().key_ids

    def components(self) -> Components:
        """The densities as components in the order of the keys, for the compiled kernel."""
        self._check_params()
        geometry = self._fitted()
        weights, means, covariances = self._mixtures()
        n, c = weights.shape
        return gaussian_components(
            np.repeat(np.arange(n, dtype=np.int32), c),
            weights.ravel(),
            means.reshape(-1, 2),
            covariances.reshape(-1, 2, 2),
            background_weight=float(self._outlier_share()),
            background_log_density=-math.log(geometry.area),
            dof=self.dof_,
        )

    def log_prob(self, points: ArrayLike) -> Floats:
        """Natural log densities `(n, n_keys)` of points `(n, 2)`, per squared layout unit.

        Raises TouchDataError for points of another shape or not finite.
        """
        return log_density(self.components(), points, self._fitted().n_keys)

    def sample(self, keys: Sequence[int] | Sequence[str] | NDArray[Any], seed: Seed) -> Floats:
        """Touches `(n, 2)` aimed at `keys (n,)`, given by index or id.

        Exactly two standard normals per touch, in order, from `seed` (a Generator or a number), as in every model: the
        same generator state gives two layouts common random numbers. In a mixture the place of the first in its
        distribution chooses the component, and the place within that component's weight, a fresh uniform number, is
        turned back into a standard normal. For t's the direction of the two is kept and their length R stretched to
        sqrt(dof (exp(R² / dof) - 1)), which carries one distribution of lengths onto the other. Outliers (the
        background) are not drawn. Raises TouchModelError for a key that does not exist.
        """
        index = key_indices(keys, self._fitted())
        z = np.random.default_rng(seed).standard_normal((len(index), 2))
        weights, means, covariances = self._mixtures()
        chosen = np.zeros(len(index), dtype=np.intp)
        if weights.shape[1] > 1:
            chosen, z[:, 0] = _component_of(weights[index], z[:, 0])
        if math.isfinite(self.dof_):
            square = (z**2).sum(axis=1)
            safe = np.where(square > 0, square, 1.0)
            z *= np.sqrt(self.dof_ * np.expm1(square / self.dof_) / safe)[:, None]
        factors = np.linalg.cholesky(covariances)[index, chosen]
        return np.asarray(means[index, chosen] + np.einsum("nij,nj->ni", factors, z))

    def log_prob_of(self, touches: Labelled) -> Floats:
        """`log_prob` of a log's labelled touches, with whatever else of the log the model uses."""
        return self.log_prob(touches.points)

    def inside(self, points: Floats, keys: Indices, coverage: float) -> Flags:
        """Which points `(n, 2)` lie inside their own key's ellipse of this coverage `(n,)`: that of the first two
        moments."""
        q = mahalanobis_squares(points - self.means_[keys], self.covariances_[keys])
        return np.asarray(q <= chi_square_2(coverage))

    def inside_of(self, touches: Labelled, coverage: float) -> Flags:
        """Which of a log's labelled touches lie in their key's ellipse of this coverage `(n,)`."""
        return self.inside(touches.points, touches.key, coverage)

    def score_samples(self, log: TouchLog, layout: AnyLayout | None = None) -> Floats:
        """Log density of each labelled touch under its own key `(n,)`, in the log's order.

        `layout` is the fitted one unless given; TouchModelError for another, TouchDataError as `label` raises it.
        """
        touches = label(log, self._geometry(layout))
        return np.asarray(self.log_prob_of(touches)[np.arange(len(touches.rows)), touches.key])

    def score(self, log: TouchLog, layout: AnyLayout | None = None) -> float:
        """Mean log density of the labelled touches under their own keys; arguments as of `score_samples`."""
        return float(self.score_samples(log, layout).mean())

    def for_layout(self, layout: AnyLayout) -> Self:
        """The model on another layout.

        One that is kept in millimetres (PooledTouch, SizeScaledTouch, RegressionTouch) goes onto any. For the others
        every key of `layout` must have the rectangle of one key here, on the same surface, else TouchModelError: one
        calibration of a 2 x 3 grid so serves all its letter assignments.
        """
        here, there = self._fitted(), geometry_of(layout)
        order = None if self.in_millimetres else here.match(there)
        if order is None and not self.in_millimetres:
            raise TouchModelError(
                "the layout's keys are not where this model's keys are",
                field="layout",
                fix="fit on touches of that layout, or use PooledTouch, SizeScaledTouch or "
                "RegressionTouch, which carry over",
            )
        model = copy.copy(self)
        model.geometry_ = there
        if order is not None:
            model._reorder(order)
        model._finish()
        return model

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the model as readable JSON, whole or not at all; TouchModelError where it is not fitted."""
        learnt = {"layout": self._fitted().to_dict(), "fitted": self._fitted_dict()}
        write_model_file(self._to_dict() | learnt, path)

    # for subclasses

    def _check_params(self) -> None:
        """Raise TouchModelError for the first parameter that is not allowed."""
        for each in self._parameters():
            value = getattr(self, each.name)
            if not each.metadata.get("right", lambda _: True)(value):
                raise TouchModelError(f"is {value!r}", field=each.name, fix=each.metadata["fix"])

    def _fitted(self) -> Geometry:
        try:
            return self.geometry_
        except AttributeError:
            raise TouchModelError(
                f"{type(self).__name__} is not fitted", fix="call fit(log, layout) first"
            ) from None

    def _geometry(self, layout: AnyLayout | None) -> Geometry:
        """The fitted geometry, after checking that `layout` (if given) is the same keys."""
        mine = self._fitted()
        if layout is None:
            return mine
        other = geometry_of(layout)
        if mine.match(other) is None or other.key_ids != mine.key_ids:
            raise TouchModelError(
                "the layout is not the one the model was fitted on",
                field="layout",
                fix="use for_layout(layout) where only letters differ, else fit again",
            )
        return other

    def _mixtures(self) -> tuple[Floats, Floats, Floats]:
        """Weights `(n_keys, c)`, means `(n_keys, c, 2)`, covariances (scales of t's) `(n_keys, c, 2, 2)`."""
        return np.ones((len(self.means_), 1)), self.means_[:, None], self.covariances_[:, None]

    def _set_gaussians(self, means: Floats, covariances: Floats) -> None:
        """Store one Gaussian per key, no axis of a spread narrower than 1 % of the smallest key side."""
        self.means_ = means
        narrowest = NARROWEST * float(self.geometry_.sizes.min())
        self.covariances_, floored = floor_covariances(covariances, narrowest)
        self.floored_keys_ = self._ids_where(floored)

    def _ids_where(self, chosen: Flags) -> tuple[str, ...]:
        return tuple(k for k, yes in zip(self.geometry_.key_ids, chosen, strict=True) if yes)

    def _outlier_share(self) -> float:
        """The weight of the flat background in the densities."""
        return self.background

    def _reorder(self, order: Indices) -> None:
        """Take what was learnt per key in this order."""
        raise NotImplementedError

    def _finish(self) -> None:
        """Make the densities on `geometry_` of what was learnt."""

    def _stretch(self, factor: float) -> None:
        """Multiply every offset and spread by a factor; `_finish` follows."""
        raise TouchModelError(
            f"{type(self).__name__} cannot be scaled to a finger width",
            field="base",
            fix="use GaussianTouch, PooledTouch, MixtureTouch or StudentTouch",
        )

    def _to_dict(self) -> dict[str, Any]:
        """Kind and parameters as files have them; a parameter that is a model likewise."""
        params = {}
        for each in self._parameters():
            value = getattr(self, each.name)
            name = each.metadata.get("file_name") or each.name
            params[name] = value._to_dict() if isinstance(value, TouchBase) else value
        return {"kind": self.kind, "params": params}

    def _fitted_dict(self) -> dict[str, Any]:
        """What was learnt, as files have it."""
        raise NotImplementedError

    def _restore(self, fitted: dict[str, Any]) -> None:
        """Learn what a file holds; `geometry_` is set."""
        raise NotImplementedError


class IncrementalTouch(TouchBase):
    """Base of models that can learn more; implements `partial_fit` by `_learn`."""

    def partial_fit(self, log: TouchLog, layout: AnyLayout | None = None) -> Self:
        """Learn from more touches; the columns stay those of the first fit.

        `layout` is needed the first time; later the fitted one stands for none. Raises TouchModelError for none the
        first time, and as `fit`.
        """
        if hasattr(self, "geometry_"):
            self._check_params()
            return self._learn(log, layout)
        if layout is None:
            raise TouchModelError(
                "the first partial_fit needs the layout", field="layout", fix="pass it"
            )
        return self.fit(log, layout)

    def _learn(self, log: TouchLog, layout: AnyLayout | None) -> Self:
        raise NotImplementedError


def restored_model(data: dict[str, Any], geometry: Geometry) -> Any:
    """A model from its kind, params and fitted values, as files have them.

    Raises TouchModelError, KeyError, TypeError, ValueError, IndexError or AttributeError where they are damaged.
    """
    model = _unfitted(data)
    model.geometry_ = geometry
    model._restore(data["fitted"])
    model._finish()
    if not np.isfinite(model.log_prob(geometry.centers)).all():
        raise ValueError("densities are not finite")
    return model


def _unfitted(data: dict[str, Any]) -> Any:
    kind = data["kind"]
    if kind not in KINDS:
        raise TouchModelError(
            f"kind {kind!r} is not known here", field="kind", fix=f"kinds are {', '.join(KINDS)}"
        )
    names = {each.metadata.get("file_name"): each.name for each in KINDS[kind]._parameters()}
    params = {
        names.get(name, name): _unfitted(value) if isinstance(value, dict) else value
        for name, value in data["params"].items()
    }
    return KINDS[kind](**params)


def key_indices(keys: Sequence[Any] | NDArray[Any], geometry: Geometry) -> Indices:
    """Key indices `(n,)` from indices or ids; TouchModelError for one that does not exist."""
    given = np.asarray(keys)
    if given.dtype.kind in "iu":
        outside = given[(given < 0) | (given >= geometry.n_keys)]
        if outside.size:
            raise TouchModelError(
                f"key index {int(outside.max())} is not one of 0 to {geometry.n_keys - 1}",
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


_erfc = np.vectorize(math.erfc, otypes=[np.float64])
_normal_quantile = np.vectorize(NormalDist().inv_cdf, otypes=[np.float64])


def _component_of(weights: Floats, z: Floats) -> tuple[Indices, Floats]:
    """The component that each standard normal `(n,)` falls on by weights `(n, c)`, and a fresh normal."""
    upper = np.cumsum(weights, axis=1)
    upper[:, -1] = 1.0
    u = 0.5 * _erfc(-z / math.sqrt(2.0))
    chosen = np.minimum((u[:, None] > upper).sum(axis=1), weights.shape[1] - 1)
    rows = np.arange(len(z))
    weight = weights[rows, chosen]
    within = (u - (upper[rows, chosen] - weight)) / weight
    return chosen, _normal_quantile(np.clip(within, 1e-15, 1 - 1e-15))
