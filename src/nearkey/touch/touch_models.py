"""All touch models: by the kind that files name them by, and the set that is compared."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, Protocol

import numpy as np

from nearkey.errors import NearkeyError, TouchModelError
from nearkey.plugins import TOUCH_MODELS_GROUP, load_plugin
from nearkey.touch.base import KINDS, TouchBase, restored_model
from nearkey.touch.gaussian import GaussianTouch
from nearkey.touch.gaussian_mixture import MixtureTouch
from nearkey.touch.key_geometry import AnyLayout, Geometry
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


class NearestKeyTouch:
    """The trivial baseline: nothing learnt, a spread of 45 % of the key about its centre."""

    def fit(self, log: TouchLog, layout: AnyLayout) -> GaussianTouch:
        """The model of the layout; the log is not looked at."""
        return GaussianTouch.from_layout(layout, spread=0.45)


class AdaptingTouch:
    """A `PeopleTouch` whose held-out person is learnt touch by touch as she goes.

    In a comparison each touch is scored before it is learnt, so that nothing is scored twice.

    Parameters
    ----------
    people : the population's model, unfitted; a `PeopleTouch()` unless given.
    person : options of `PeopleTouch.person`.
    """

    def __init__(self, people: PeopleTouch | None = None, **person: Any) -> None:
        self.people = PeopleTouch() if people is None else people
        self.person = person

    def fit(self, log: TouchLog, layout: AnyLayout) -> PersonTouch:
        """Fit the population, and start on a new person."""
        return self.people.fit(log, layout).person(**self.person)


def default_models() -> dict[str, FitsTouch]:
    """The models `nearkey touch compare` compares, by name; the first is the baseline."""
    return {
        "nearest key": NearestKeyTouch(),
        "pooled": PooledTouch(),
        "size-scaled": SizeScaledTouch(),
        "Gaussian": GaussianTouch(),
        "Gaussian, no background": GaussianTouch(background=0.0),
        "Gaussian, no shrinkage": GaussianTouch(shrinkage=0.0),
        "regression on place": RegressionTouch(previous=False),
        "regression, and movement": RegressionTouch(),
        "mixture of 2": MixtureTouch(),
        "Student t": StudentTouch(),
        "people, unadapted": PeopleTouch(),
        "people, adapting": AdaptingTouch(),
    }


def touch_families() -> tuple[str, ...]:
    """What `touch_family` knows: the kinds of files, and the names of comparisons."""
    return tuple(dict.fromkeys((*TOUCH_MODELS, *default_models())))


def touch_family(name: str, **options: Any) -> Any:
    """An unfitted model: `fit(log, layout)` gives a touch model.

    Parameters
    ----------
    name : a kind of `TOUCH_MODELS` or a name of `default_models`. "person" (or "people, adapting") fits a population
        and starts on a person of it: what she does is learnt with `partial_fit`.
    options : parameters of the model; of a person those of `PeopleTouch.person`.

    Raises TouchModelError for an unknown name, or options that the model does not have or cannot mean.
    """
    if name in TOUCH_MODELS:
        made: Any = AdaptingTouch() if name == PersonTouch.kind else TOUCH_MODELS[name]()
    elif name in default_models():
        made = default_models()[name]
    else:
        fix = f"write one of {', '.join(map(repr, touch_families()))}"
        raise TouchModelError(f"{name!r} is no model", field="model", fix=fix)
    checked: Any = PersonTouch(**made.person) if isinstance(made, AdaptingTouch) else made
    if isinstance(checked, TouchBase):
        checked.set_params(**options)._check_params()
    elif options:
        raise TouchModelError(
            "is no parameter of this model", field=next(iter(options)), fix="leave it out"
        )
    return (
        AdaptingTouch(made.people, **made.person, **options)
        if isinstance(made, AdaptingTouch)
        else made
    )


def touch_named(name: str, layout: Any) -> Any:
    """A saved model, or else one that another distribution brings under this name.

    Parameters
    ----------
    name : path of a model file, or of an entry point of `nearkey.touch_models` that has `from_layout(layout)`.
    layout : what a model by name is made for.

    Raises TouchModelError as `load_touch`, and naming the models there are where it is neither.
    """
    made = None if Path(name).exists() else load_plugin(TOUCH_MODELS_GROUP, name)
    if made is None:
        return load_touch(name)
    if not hasattr(made, "from_layout"):
        raise TouchModelError(
            "cannot be made of a layout alone", where=name, fix="fit it, save it, and give the file"
        )
    return made.from_layout(layout)


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
        made = load_plugin(TOUCH_MODELS_GROUP, kind)
        if made is not None and not hasattr(made, "kind"):
            return made.restore(data)
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
