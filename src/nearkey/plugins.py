"""Parts that other distributions bring: entry points, loaded one by one and only when asked for by name."""

from __future__ import annotations

from collections.abc import Callable
from importlib import metadata
from typing import Any

from nearkey.errors import NearkeyError

TOUCH_MODELS_GROUP = "nearkey.touch_models"
"""Touch models. An entry, by the kind its files name, is a class with `restore(data)`, which makes a fitted model of a
model file's data, and, to be named in the place of a file, `from_layout(layout)`. One derived from nearkey's own base
needs neither: that it is imported is enough."""

DECODERS = "nearkey.decoders"
"""Decoders. An entry is called with (layout=, touch=, pack=) and gives what has `decode(points, *, context, k)`."""

OBJECTIVES = "nearkey.objectives"
"""Objectives of a search. An entry is called with (space=, pack=) and the plan's options, and gives what has name,
direction and evaluate(space, keys), as `nearkey.search.Objective`; it can be pickled where work goes to processes."""


def plugin_names(group: str) -> tuple[str, ...]:
    """Names of the entry points of a group, sorted; nothing is loaded."""
    return tuple(sorted({entry.name for entry in metadata.entry_points(group=group)}))


def load_plugin(
    group: str, name: str, *, use: Callable[[Any], Any] = lambda part: part
) -> Any | None:
    """What an entry point names; None where no installed distribution has one of this name.

    Parameters
    ----------
    group : one of the groups above. name : of the entry point. use : what is done with it; its result is returned.

    Only this entry is loaded, so that a broken one hurts nobody who does not ask for it. Raises NearkeyError naming
    the entry point, and the distribution it comes from, where it cannot be loaded, or used.
    """
    for entry in metadata.entry_points(group=group, name=name):
        try:
            return use(entry.load())
        except Exception as fault:  # whatever another person's module may raise
            said, fix = f"{type(fault).__name__}: {fault}", None
            if isinstance(fault, NearkeyError):
                said, fix = fault.problem, fault.fix
            source = entry.dist.name if entry.dist is not None else "?"
            raise NearkeyError(
                f"its entry point fails: {said}",
                where=f"{group}: {name}",
                field=entry.value,
                fix=fix or f"reinstall or remove {source}",
            ) from fault
    return None
