"""The house as DEVELOPERS.md describes it: rooms, what each imports, no circle, names that say one thing."""

from __future__ import annotations

import re
import sys
from collections import defaultdict
from graphlib import CycleError, TopologicalSorter
from importlib import import_module
from pathlib import Path
from types import ModuleType

import grimp
import pytest

ROOT = Path(__file__).parents[2]
DEVELOPERS = ROOT / "DEVELOPERS.md"
BELOW = {
    "append_log", "bounds", "closing", "errors", "extras", "files", "frames", "intervals", "letter_case", "logger",
    "one_thread", "seeds", "pickling", "plugins", "saved_results", "schema", "text_table", "version",
}  # fmt: skip
"""Modules that stand below every room; DEVELOPERS.md names them in one line and leaves them out of the picture."""
ABOVE = {"commands", "cli"}


def imports() -> dict[str, set[str]]:
    """Module to the modules it imports anywhere, in functions and for type checking too."""
    graph = grimp.build_graph("nearkey", cache_dir=None, exclude_type_checking_imports=False)
    found: dict[str, set[str]] = {}
    for module in graph.modules:
        found[module] = set()
        for imported in graph.find_modules_directly_imported_by(module):
            details = graph.get_import_details(importer=module, imported=imported)
            # The compiled kernel is no Python file: its import looks like one of the package.
            if imported != "nearkey" or not all("_kernel" in d["line_contents"] for d in details):
                found[module].add(imported)
    return found


@pytest.fixture(scope="module")
def modules() -> dict[str, set[str]]:
    return imports()


def room(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


def room_imports(modules: dict[str, set[str]]) -> dict[str, set[str]]:
    rooms: dict[str, set[str]] = defaultdict(set)
    for module, imported in modules.items():
        here = room(module)
        if here and here not in BELOW:
            rooms[here] |= {room(m) for m in imported} - {here, ""} - BELOW
    return rooms


def reduced(rooms: dict[str, set[str]]) -> set[tuple[str, str]]:
    """The edges that no longer path through the others says already."""

    def reach(start: str) -> set[str]:
        found: set[str] = set()
        waiting = [start]
        while waiting:
            for near in rooms.get(waiting.pop(), set()) - found:
                found.add(near)
                waiting.append(near)
        return found

    return {
        (low, high)
        for high, lows in rooms.items()
        for low in lows
        if not any(low in reach(other) for other in lows - {low})
    }


def test_no_circle_between_files(modules):
    try:
        list(TopologicalSorter(modules).static_order())
    except CycleError as found:
        pytest.fail(" <- ".join(found.args[1]))


def test_modules_below_the_rooms_import_no_room(modules):
    for module, imported in modules.items():
        if room(module) in BELOW:
            assert {room(m) for m in imported} <= BELOW, module


def test_developers_draws_the_graph_that_the_imports_make(modules):
    text = DEVELOPERS.read_text(encoding="utf-8")
    picture = re.search(r"```mermaid\n(.*?)```", text, re.S)
    assert picture is not None
    drawn = set(re.findall(r"^ *(\w+) --> (\w+)$", picture[1], re.M))
    rooms = {k: v for k, v in room_imports(modules).items() if k not in ABOVE}
    made = reduced(rooms)
    assert drawn == made, "\n".join(f"  {low} --> {high}" for low, high in sorted(made))


def test_developers_lists_what_each_room_imports(modules):
    text = DEVELOPERS.read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(\w+)/?`[^|]*\|[^|]*\| ([^|]*) \|$", text, re.M)
    listed = {name: set(re.findall(r"\w+", allowed)) for name, allowed in rows}
    made = {k: v for k, v in room_imports(modules).items() if k not in ABOVE}
    assert listed == made, "\n".join(
        f"{k}: {', '.join(sorted(v)) or '-'}" for k, v in sorted(made.items())
    )


def python_files() -> list[Path]:
    return [p for top in ("src/nearkey", "benchmarks") for p in sorted((ROOT / top).rglob("*.py"))]


def test_a_file_name_says_one_thing_in_the_whole_tree():
    names: dict[str, list[str]] = defaultdict(list)
    for path in python_files():
        if path.name != "__init__.py":
            names[path.name].append(str(path.relative_to(ROOT)))
    assert {name: paths for name, paths in names.items() if len(paths) > 1} == {}


def test_a_class_name_says_one_thing_in_the_whole_tree():
    names: dict[str, list[str]] = defaultdict(list)
    for path in python_files():
        for name in re.findall(r"^class (\w+)", path.read_text(encoding="utf-8"), re.M):
            names[name].append(str(path.relative_to(ROOT)))
    assert {name: paths for name, paths in names.items() if len(paths) > 1} == {}


def test_no_function_hides_a_module_of_its_name(modules):
    """`import nearkey.touch.coverage` and then `nearkey.touch.coverage` is the module, whoever was imported before."""
    hidden = []
    for name in sorted(modules):
        parent, _, leaf = name.rpartition(".")
        if parent and (ROOT / "src" / Path(*parent.split("."))).is_dir():
            # What a room exports is bound when it is imported; what it loads lazily, when it is asked for.
            found = getattr(import_module(parent), leaf, sys)
            if not isinstance(found, ModuleType):
                hidden.append(name)
    assert hidden == []
