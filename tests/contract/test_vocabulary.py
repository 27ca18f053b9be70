"""One word for one thing in what users name: parameters of public callables, and options of the command line.

docs/api.md ("One word, one thing") has the meanings.
"""

from __future__ import annotations

import inspect
import typing
from collections.abc import Callable, Iterator
from dataclasses import is_dataclass
from importlib import import_module
from typing import Any

import click
import numpy as np
import pytest
from command_line import every_command

import nearkey as nk
from nearkey.seeds import Seed, seed_number

ROOMS = (
    "layout", "touch", "decode", "language", "session", "personal", "study", "simulate", "search",
    "lab", "report", "packs", "intervals", "plugins",
)  # fmt: skip

# Structures of files keep the names of their formats.
FILES = ("PackInfo", "Observation", "JournalHeader", "ContextObjective")


def public() -> dict[str, Callable[..., Any]]:
    """Every function, class and method that `nearkey` and its rooms export, by its full name."""
    found: dict[str, Callable[..., Any]] = {}
    for module in (nk, *(import_module(f"nearkey.{room}") for room in ROOMS)):
        names = getattr(module, "__all__", [n for n in vars(module) if not n.startswith("_")])
        for name in names:
            thing = getattr(module, name)
            if not callable(thing) or not str(getattr(thing, "__module__", "")).startswith("near"):
                continue
            found[f"{thing.__module__}.{name}"] = thing
            for inner in dir(thing) if inspect.isclass(thing) else ():
                method = inspect.getattr_static(thing, inner)
                method = getattr(method, "__func__", method)
                if not inner.startswith("_") and inspect.isfunction(method):
                    found[f"{method.__module__}.{method.__qualname__}"] = method
    return found


PUBLIC = public()


def parameters() -> Iterator[tuple[str, inspect.Parameter]]:
    for name, thing in PUBLIC.items():
        try:
            signature = inspect.signature(thing)
        except (TypeError, ValueError):  # a Protocol, an alias of a type
            continue
        for parameter in signature.parameters.values():
            yield name, parameter


PARAMETERS = list(parameters())


def named(*names: str) -> list[tuple[str, str]]:
    return [
        (where, p.name)
        for where, p in PARAMETERS
        if p.name in names and where.rsplit(".", 1)[-1] not in FILES
    ]


def test_the_public_names_are_seen():
    assert len(PUBLIC) > 400
    assert len(PARAMETERS) > 1500


def is_record(where: str) -> bool:
    """Whether a result records the number of its seed: a dataclass that a function of ours makes."""
    return is_dataclass(PUBLIC[where]) and where.rsplit(".", 1)[-1] in (
        "PhraseDraw", "PowerTable", "StudyPlan",
    )  # fmt: skip


def test_a_seed_is_a_number_or_a_generator():
    other = []
    for where, parameter in PARAMETERS:
        if parameter.name != "seed" or is_record(where):
            continue
        hint = parameter.annotation
        if isinstance(hint, str) and hint not in ("Seed", "Seed | None"):
            other.append((where, hint))
        if not isinstance(hint, str) and np.random.Generator not in typing.get_args(hint):
            other.append((where, str(hint)))
    assert other == []
    assert named("rng", "random_state", "generator", "random_seed") == []
    assert sum(p.name == "seed" for _, p in PARAMETERS) > 30


def test_a_generator_gives_what_its_number_gives():
    def made() -> np.random.Generator:
        return np.random.default_rng(5)

    number = seed_number(made())
    lines = ["the level at the gate", "peg seven sits on clay", "we set up the tripod"]
    from nearkey.search import LetterSearchOptions
    from nearkey.study import StudyPlan, draw_phrases, plan_study

    assert draw_phrases(lines, 2, seed=made()) == draw_phrases(lines, 2, seed=number)
    assert LetterSearchOptions(seed=made()).seed == number

    def planned(seed: Seed) -> StudyPlan:
        asked = {"blocks": 1, "phrases_per_block": 2, "practice_phrases": 1}
        return plan_study(["p1"], ["a"], lines, seed=seed, **asked)

    assert planned(made()) == planned(number)
    pad = nk.Layout.named("qwerty")
    model = nk.GaussianTouch.from_layout(pad, spread=0.3)
    np.testing.assert_array_equal(model.sample([0, 1], made()), model.sample([0, 1], 5))


@pytest.mark.parametrize(
    ("never", "instead"),
    [
        (("person", "persons", "user", "users", "subject", "subjects", "pid"), "participant"),
        (("most", "top", "top_k", "topk", "how_many", "max_rows", "max_results", "at_most", "listed"),
         "k or limit"),
        (("ctx", "history", "prefix_text", "text_before"), "context"),
        (("touch_points", "xys", "coordinates"), "points or touches"),
    ],
)  # fmt: skip
def test_no_other_word_stands_for(never: tuple[str, ...], instead: str):
    # Those of `personal` mean the one who is learnt, and letters' lists are no lists of results.
    allowed = {
        ("nearkey.personal.LivePerson", "person"),
        ("nearkey.simulate.invented_hands.HandTouch.calibration", "person"),
        ("nearkey.simulate.keystrokes.Collisions", "top"),
        ("nearkey.simulate.Collisions", "top"),
        ("nearkey.search.letter_space.LetterSpace.prefixes", "most"),
        ("nearkey.search.letter_space.LetterSpace.array", "listed"),
    }
    found = [
        one
        for one in named(*never)
        if one not in allowed and not one[0].endswith(("LivePerson", "Collisions", "LetterSpace"))
    ]
    assert found == [], f"say {instead}"


def test_numbers_asked_for_are_k_or_limit():
    for where, parameter in PARAMETERS:
        if parameter.name in ("k", "limit"):
            assert "int" in str(parameter.annotation), (where, parameter)


def test_context_is_text_or_a_state():
    other = [
        (where, str(p.annotation))
        for where, p in PARAMETERS
        if p.name == "context"
        and where.rsplit(".", 1)[-1] not in FILES
        and "str" not in str(p.annotation)
    ]
    assert other == []


def test_touches_are_touches():
    wrong = [
        (where, str(p.annotation))
        for where, p in PARAMETERS
        if p.name == "touches" and str(p.annotation) in ("int", "bool", "int | None", "float")
    ]
    assert wrong == []


OPTIONS = [
    (" ".join(path), option, parameter)
    for path, command in every_command()
    for parameter in command.params
    if isinstance(parameter, click.Option)
    for option in (*parameter.opts, *parameter.secondary_opts)
]


def test_options_speak_the_same_words():
    never = {
        "--person", "--persons", "--user", "--subject", "--top", "--most", "--number", "--count-max",
        "--listed", "--max", "--first", "--rng", "--random-state", "--n", "--out", "--save",
    }  # fmt: skip
    assert [(where, option) for where, option, _ in OPTIONS if option in never] == []
    for where, option, parameter in OPTIONS:
        if option in ("--seed", "--limit", "-k"):
            kind = parameter.type
            assert isinstance(kind, click.types.IntParamType), (where, option)
        if option == "--context":
            assert isinstance(parameter.type, click.types.StringParamType), (where, option)
    assert len(OPTIONS) > 200
