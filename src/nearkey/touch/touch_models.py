"""All touch models: by the kind that files name them by, and the set that is compared."""

from __future__ import annotations

import copy
import os
from collections.abc import Mapping
from dataclasses import KW_ONLY, dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, Protocol

import numpy as np

from nearkey.errors import NearkeyError, TouchModelError
from nearkey.plugins import TOUCH_MODELS_GROUP, load_plugin
from nearkey.touch.base import KINDS, Parameterised, TouchBase, restored_model
from nearkey.touch.gaussian import GaussianTouch
from nearkey.touch.gaussian_mixture import MixtureTouch
from nearkey.touch.key_geometry import AnyLayout, Floats, Geometry
from nearkey.touch.labelling import Labelled, label
from nearkey.touch.model_files import read_model_file
from nearkey.touch.people import PeopleTouch, PersonTouch
from nearkey.touch.pooled import PooledTouch
from nearkey.touch.regression import RegressionTouch
from nearkey.touch.scaled import SizeScaledTouch
from nearkey.touch.student import StudentTouch
from nearkey.touch.touch_log import TouchLog

TOUCH_MODELS: Mapping[str, type[TouchBase]] = MappingProxyType(KINDS)
"""The class of each kind of model, by the kind's name in files. All but "person" are fitted by
`TOUCH_MODELS[kind]().fit(log, layout)`; a `PersonTouch` starts from a population (`PeopleTouch.person`)."""


class FitsTouch(Protocol):
    """Anything with `fit(log, layout)` that returns a touch model."""

    def fit(self, log: TouchLog, layout: Any) -> Any:
        """A model fitted on the labelled touches of a log."""


class _Start(Parameterised):
    """What does not become a touch model by `fit`, but makes one and keeps it as `model_`."""

    model_: Any

    def _made(self) -> Any:
        if not self.__sklearn_is_fitted__():
            raise TouchModelError(
                f"{type(self).__name__} is not fitted", fix="call fit(log, layout) first"
            )
        return self.model_


@dataclass(eq=False)
class NearestKeyTouch(_Start):
    """The trivial baseline: nothing learnt, a spread of 45 % of the key about its centre."""

    def fit(self, log: TouchLog, layout: AnyLayout) -> GaussianTouch:
        """The model of the layout, which is kept as `model_`; the log is not looked at."""
        model = GaussianTouch.from_layout(layout, spread=0.45)
        self.model_ = model
        return model

    def score(self, log: TouchLog, layout: AnyLayout | None = None) -> float:
        """As `GaussianTouch.score`; TouchModelError before `fit`."""
        return float(self._made().score(log, layout))


@dataclass(eq=False)
class AdaptingTouch(_Start):
    """A `PeopleTouch` whose held-out person is learnt touch by touch as she goes.

    In a comparison, and by `score`, each touch is scored before it is learnt, so that nothing is scored twice.

    Parameters
    ----------
    people : the population's model, unfitted; a `PeopleTouch()` unless given.
    forgetting, mislabelling : as of `PeopleTouch.person`.
    """

    people: PeopleTouch | None = None
    _: KW_ONLY
    forgetting: float = 1.0
    mislabelling: float = 0.05

    def fit(self, log: TouchLog, layout: AnyLayout) -> PersonTouch:
        """Fit the population; the model of a new person, which is kept as `model_`."""
        people = PeopleTouch() if self.people is None else copy.deepcopy(self.people)
        model = people.fit(log, layout).person(
            forgetting=self.forgetting, mislabelling=self.mislabelling
        )
        self.model_ = model
        return model

    def score(self, log: TouchLog, layout: AnyLayout | None = None) -> float:
        """Mean log density of a new person's labelled touches, each learnt once it is scored.

        Raises TouchModelError before `fit`, and for another layout.
        """
        model = self._made().copy()
        touches = label(log, model._geometry(layout))
        found, _ = prequential_log_prob(model, touches)
        return float(found[np.arange(len(touches.rows)), touches.key].mean())


def prequential_log_prob(model: PersonTouch, touches: Labelled) -> tuple[Floats, int]:
    """Log densities (n, n_keys) of one person's touches, each learnt once it is scored; how many lay in their ellipse.

    model : learns. The ellipses are those of 95 %. After A. P. Dawid, Statistical theory: the prequential
    approach, Journal of the Royal Statistical Society A 147 (1984).
    """
    found = np.empty((len(touches.rows), len(model.key_ids)))
    inside = 0
    for i in range(len(found)):
        point, key = touches.points[i : i + 1], touches.key[i : i + 1]
        found[i] = model.log_prob(point)
        inside += int(model.inside(point, key, 0.95)[0])
        model.observe(point, key)
    return found, inside


def default_models() -> dict[str, FitsTouch]:
    """The models `nearkey touch compare` compares, by name; the first is the baseline."""
    return {
        "nearest-key": NearestKeyTouch(),
        "pooled": PooledTouch(),
        "size-scaled": SizeScaledTouch(),
        "gaussian": GaussianTouch(),
        "gaussian-no-background": GaussianTouch(background=0.0),
        "gaussian-no-shrinkage": GaussianTouch(shrinkage=0.0),
        "regression-on-place": RegressionTouch(previous=False),
        "regression": RegressionTouch(),
        "mixture": MixtureTouch(),
        "student": StudentTouch(),
        "people": PeopleTouch(),
        "person": AdaptingTouch(),
    }


_SPELLED_BEFORE = {
    "nearest key": "nearest-key",
    "Gaussian": "gaussian",
    "Gaussian, no background": "gaussian-no-background",
    "Gaussian, no shrinkage": "gaussian-no-shrinkage",
    "regression on place": "regression-on-place",
    "regression, and movement": "regression",
    "mixture of 2": "mixture",
    "Student t": "student",
    "people, unadapted": "people",
    "people, adapting": "person",
}


def current_name(name: str) -> str:
    """The name of a model; names that comparisons had before are still taken."""
    return _SPELLED_BEFORE.get(name, name)


def touch_families() -> tuple[str, ...]:
    """What `touch_family` knows: the kinds of files, and the variants that are compared beside them."""
    return tuple(dict.fromkeys((*TOUCH_MODELS, *default_models())))


def touch_family(name: str, **options: Any) -> Any:
    """An unfitted model: `fit(log, layout)` gives a touch model.

    Parameters
    ----------
    name : a kind of `TOUCH_MODELS` or a name of `default_models`. "person" fits a population and starts on a person of
        it: what she does is learnt with `partial_fit`.
    options : parameters of the model; of a person those of `PeopleTouch.person`.

    Raises TouchModelError for an unknown name, or options that the model does not have or cannot mean.
    """
    name = current_name(name)
    if name in TOUCH_MODELS:
        made: Any = AdaptingTouch() if name == PersonTouch.kind else TOUCH_MODELS[name]()
    elif name in default_models():
        made = default_models()[name]
    else:
        fix = f"write one of {', '.join(map(repr, touch_families()))}"
        raise TouchModelError(f"{name!r} is no model", field="model", fix=fix)
    made.set_params(**options)
    person = {"forgetting", "mislabelling"} & made.get_params().keys()
    checked = PersonTouch(**{name: getattr(made, name) for name in person}) if person else made
    if isinstance(checked, TouchBase):
        checked._check_params()
    return made


def touch_named(name: str, layout: Any) -> Any:
    """A saved model, or else one that another distribution brings under this name.

    Parameters
    ----------
    name : path of a model file, or of an entry point of `nearkey.touch_models` that has `from_layout(layout)`.
    layout : what a model by name is made for.

    Raises as `load_touch`, and NearkeyError naming an entry point that cannot be loaded, or made for the layout.
    """

    def made(entry: Any) -> Any:
        if not hasattr(entry, "from_layout"):
            raise TouchModelError(
                "cannot be made of a layout alone", fix="fit it, save it, and give the file"
            )
        return entry.from_layout(layout)

    found = None if Path(name).exists() else load_plugin(TOUCH_MODELS_GROUP, name, use=made)
    return load_touch(name) if found is None else found


def load_touch(path: str | os.PathLike[str]) -> Any:
    """Read a model written by `save`: a fitted model of the class that its kind names.

    Raises TouchModelError naming the file and field when the file is missing, damaged, of another
    schema, of a later version, or of a kind that neither this release nor an entry point of `nearkey.touch_models` has;
    NearkeyError naming the entry point that cannot be loaded.
    """
    where, again = os.fspath(path), "save the model again"
    data = read_model_file(path)
    kind = data.get("kind")
    if isinstance(kind, str) and kind not in KINDS:
        # One derived from our base is known by its kind once it is loaded.
        found = load_plugin(
            TOUCH_MODELS_GROUP,
            kind,
            use=lambda entry: None if hasattr(entry, "kind") else entry.restore(data),
        )
        if found is not None:
            return found
    try:
        with np.errstate(all="ignore"):
            return restored_model(data, Geometry.from_dict(data["layout"]))
    except NearkeyError as fault:
        problem, field, fix = fault.problem, fault.field, fault.fix
    except KeyError as fault:
        problem, field, fix = "is missing", str(fault.args[0]), again
    except (TypeError, ValueError, ArithmeticError, IndexError, AttributeError) as fault:
        problem, field, fix = f"is damaged: {fault}", "fitted", again
    raise TouchModelError(problem, where=where, field=field, fix=fix)
