"""A search plan: one TOML file that says which layouts are allowed, what makes one good, and how to search."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from nearkey.decode import LanguagePack
from nearkey.errors import PlanError, placed
from nearkey.layout import Layout
from nearkey.plugins import OBJECTIVES, load_plugin, plugin_names
from nearkey.schema import convert, read_toml
from nearkey.search.letter_search import LetterSearchOptions
from nearkey.search.letter_space import LetterSpace, SpaceRules, grid_space, shape_space
from nearkey.search.objectives import (
    AmbiguityObjective,
    ContextObjective,
    FamiliarityObjective,
    Objective,
    ReachObjective,
    SpeedObjective,
    ambiguity_words,
)
from nearkey.seeds import Seed
from nearkey.simulate.outcomes import check_ranked
from nearkey.simulate.rank_plan import (
    PlanReport,
    PlanSurface,
    RankPlan,
    check_length,
    check_surface,
    existing_file,
    plan_layout,
)
from nearkey.simulate.workload import Corpus, read_source

EXAMPLE = """\
# A search of layouts: which are allowed, what makes one good, how to look. Run it with: nearkey search THIS-FILE
name = "Pad on the barrel of a stylus"
pack = "en"                # language pack: its words and their probabilities
seed = 0

[surface]
width_mm = 18
height_mm = 12

[space]
base = "qwerty"            # the arrangement that the letters come from: of the catalogue, or a .toml file
rows = 2                   # a grid of rows x columns ...
columns = 3                # ... or, in their place: shapes = "pad.toml", the keys of a spec
rule = "ordered"           # strict, loose, ordered or free
# sizes = [2, 7]           # least and most letters of a key
# together = ["qu"]        # letters that must share a key
# apart = ["aeio"]         # letters of which no two may
# groups = ["jkxz"]        # exactly these letters make up a key
# symmetry = "keys"        # free only: "keys" counts one order of interchangeable keys, "mirror" one mirror image
# pins = { a = "r1c1" }    # letter = key it stays on
# exclude = { e = ["r2c2", "r2c3"] }

[[objectives]]             # one: the best; several: all layouts that no other beats in every objective
kind = "top1"              # top1, top3, kspc, context, wpm, familiarity or reach: see docs/search.md

# [[objectives]]
# kind = "familiarity"
# [[objectives]]           # of another distribution, by the name of its entry point
# kind = "NAME"
# options = { far = 2 }

[search]
method = "prove"           # prove (one objective of ambiguity), list, anneal, or auto
restarts = 4               # of annealing, which looks for layouts nearly as good after a proof
steps = 1500
# kept = 200               # layouts kept for the report and the noisy stage
# words = 20000            # only the most probable words count

[noise]                    # the best go through the real decoder, in rounds; leave out for none
spread_mm = 2.0            # standard deviation of touches around the key's centre
by = "top3"
error = 0.05               # probability that the truly best of them drops out
# plan = "rank.toml"       # in the place of spread_mm: touches, people, text, decoder of a ranking plan
finalists = 12
words = 500                # of the first round; each further one has twice as many
rounds = 4

[report]
folder = "search-report"
# texts = ["notes.txt"]    # the best layouts weighed by the words of other texts as well
"""


KINDS = ("top1", "top3", "kspc", "context", "wpm", "familiarity", "reach")
"""Objectives of this project; others come by entry points."""

BOUNDED = ("top1", "top3", "kspc", "context")
"""Those that a proof can bound."""


class PlanSpace(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """`[space]`: the letters, the keys, the rule, and what else is asked (`SpaceRules`)."""

    base: str
    rows: int | None = None
    columns: int | None = None
    shapes: str | None = None
    rule: str = "free"
    pins: dict[str, str] = {}
    exclude: dict[str, list[str]] = {}
    together: list[str] = []
    apart: list[str] = []
    groups: list[str] = []
    sizes: tuple[int, int] | None = None
    symmetry: Literal["none", "keys", "mirror"] = "none"


class PlanObjective(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """`[[objectives]]`: what is looked for. measure, contexts : of "context". spread_mm : of "wpm". home_mm : of
    "reach". options : of an objective that another distribution offers (see `plugins.OBJECTIVES`)."""

    kind: str
    measure: Literal["top1", "top3"] = "top1"
    contexts: Annotated[int, Meta(ge=1)] = 500
    spread_mm: float = 2.0
    home_mm: tuple[float, float] | None = None
    options: dict[str, Any] = {}


class PlanSearch(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """`[search]`: see `LetterSearchOptions`. words : the most probable words alone."""

    method: Literal["auto", "list", "anneal", "prove"] = "auto"
    restarts: Annotated[int, Meta(ge=1)] = 8
    steps: Annotated[int, Meta(ge=1)] = 4000
    kept: Annotated[int, Meta(ge=1)] = 200
    list_at_most: Annotated[int, Meta(ge=0)] = 400_000
    words: Annotated[int, Meta(ge=1)] | None = None
    workers: Annotated[int, Meta(ge=1)] = 1


class PlanNoise(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """`[noise]`: the race through the decoder, see `race_layouts`.

    spread_mm : of touches around the centres of keys. plan : in its place, a ranking plan whose touches, people,
    corpus, selection and speed hold.
    """

    spread_mm: float | None = None
    plan: str | None = None
    by: str = "top3"
    error: float = 0.05
    finalists: Annotated[int, Meta(ge=1)] = 12
    words: Annotated[int, Meta(ge=2)] = 500
    rounds: Annotated[int, Meta(ge=1)] = 4


class SearchReport(PlanReport, forbid_unknown_fields=True, frozen=True):
    """`[report]`. texts : what `read_source` takes: the best layouts are weighed by their words as well."""

    texts: list[str] = msgspec.field(default_factory=list)


class SearchFile(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """The whole file."""

    name: str
    surface: PlanSurface
    space: PlanSpace
    objectives: Annotated[list[PlanObjective], Meta(min_length=1)]
    pack: str = "en"
    seed: Annotated[int, Meta(ge=0)] = 0
    search: PlanSearch = msgspec.field(default_factory=PlanSearch)
    noise: PlanNoise | None = None
    report: SearchReport = msgspec.field(default_factory=SearchReport)


@dataclass(frozen=True, slots=True)
class SearchPlan:
    """A plan read and checked, its space built. Every problem raises PlanError with file, field and fix.

    noise : the ranking plan that its noisy stage names. texts : those of the report, read.
    """

    file: SearchFile
    path: Path
    base: Layout
    space: LetterSpace
    noise: RankPlan | None = None
    texts: tuple[Corpus, ...] = ()

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> SearchPlan:
        """Read a plan file; other files are named relative to it."""
        file = convert(read_toml(path, PlanError), SearchFile, error=PlanError, where=path)
        with placed(path):
            _check(file)
            return cls._built(file, Path(path))

    @classmethod
    def _built(cls, file: SearchFile, path: Path) -> SearchPlan:
        spec, surface, folder = file.space, file.surface, path.parent
        base = plan_layout(spec.base, folder, "space.base")
        rules = SpaceRules(**{one.name: getattr(spec, one.name) for one in fields(SpaceRules)})
        size = {"width_mm": surface.width_mm, "height_mm": surface.height_mm}
        with placed(field="space", error=PlanError):
            if spec.shapes is not None:
                shapes = plan_layout(spec.shapes, folder, "space.shapes")
                space = shape_space(base, shapes, rule=spec.rule, rules=rules, **size)
            else:
                rows, columns = spec.rows or 0, spec.columns or 0
                space = grid_space(
                    base, rows=rows, columns=columns, rule=spec.rule, rules=rules, **size
                )
        if space.is_empty():
            raise PlanError("allows no layout", field="space", fix="loosen a constraint")
        noise = None
        if file.noise is not None and file.noise.plan is not None:
            noise = RankPlan.load(existing_file(file.noise.plan, folder, "noise.plan"))
            if noise.file.surface != surface:
                raise PlanError(
                    "is for a surface of another size",
                    field="noise.plan",
                    fix=f"write {surface.width_mm:g} x {surface.height_mm:g} mm in both",
                )
        texts = []
        for i, name in enumerate(file.report.texts):
            source = name
            if not name.startswith(("nltk:", "hub:")):
                source = str(existing_file(name, folder, f"report.texts[{i}]"))
            texts.append(read_source(source))
        return cls(file, path, base, space, noise, tuple(texts))

    def objectives(self, pack: LanguagePack) -> list[Objective]:
        """The objectives, ready. Raises PlanError where the pack lacks what one needs."""
        spelled = ambiguity_words(pack, self.space.letters, self.file.search.words)
        if not len(spelled.word):
            raise PlanError(
                "no word of the pack can be typed",
                where=str(self.path),
                field="pack",
                fix="check the letters",
            )
        frequency = spelled.letter_shares()
        threads = self.file.search.workers
        made: dict[str, Callable[[PlanObjective], Objective]] = {
            "top1": lambda o: AmbiguityObjective(spelled, "top1", threads),
            "top3": lambda o: AmbiguityObjective(spelled, "top3", threads),
            "kspc": lambda o: AmbiguityObjective(spelled, "kspc", threads),
            "context": lambda o: ContextObjective(pack, spelled, o.measure, o.contexts, threads),
            "wpm": lambda o: SpeedObjective(spelled, o.spread_mm, threads=threads),
            "familiarity": lambda o: FamiliarityObjective(self.base, frequency),
            "reach": lambda o: ReachObjective(o.home_mm, frequency),
        }
        return [
            made[one.kind](one) if one.kind in made else self._of_others(one, pack)
            for one in self.file.objectives
        ]

    def _of_others(self, spec: PlanObjective, pack: LanguagePack) -> Objective:
        """What an entry point makes."""
        entry: Any = load_plugin(OBJECTIVES, spec.kind)  # the name was checked
        try:
            made = entry(space=self.space, pack=pack, **spec.options)
        except Exception as fault:  # whatever another person's function may raise
            problem, made = f"its entry point fails: {type(fault).__name__}: {fault}", None
        else:
            problem = "its entry point gives no objective: name, direction and evaluate"
        if not isinstance(made, Objective):
            raise PlanError(
                problem,
                where=str(self.path),
                field=f'objective "{spec.kind}"',
                fix="see docs/extending.md",
            )
        return made

    def options(
        self, *, seed: Seed | None = None, workers: int | None = None, executor: Any = None
    ) -> LetterSearchOptions:
        """How to search; `method` "prove" becomes "auto"."""
        spec = self.file.search
        return LetterSearchOptions(
            method="auto" if spec.method == "prove" else spec.method,
            seed=self.file.seed if seed is None else seed,
            restarts=spec.restarts,
            steps=spec.steps,
            kept=spec.kept,
            list_at_most=spec.list_at_most,
            workers=workers or spec.workers,
            executor=executor,
        )


def _check(file: SearchFile) -> None:
    """What the schema cannot say."""
    spec, noise, method = file.space, file.noise, file.search.method
    sides = [side for side in (spec.rows, spec.columns) if side is not None]
    if len(sides) != (2 if spec.shapes is None else 0):
        fix = "give one of the two"
        raise PlanError("needs either rows and columns or shapes", field="space", fix=fix)
    check_surface(file.surface)
    if noise is not None:
        if (noise.spread_mm is None) == (noise.plan is None):
            fix = "give one of the two"
            raise PlanError("needs either spread_mm or plan", field="noise", fix=fix)
        if noise.spread_mm is not None:
            check_length(noise.spread_mm, "noise.spread_mm")
        with placed(field="noise"):
            check_ranked(noise.by)
        if not 0 < noise.error < 1:
            fix = "give a probability between 0 and 1"
            raise PlanError(f"is {noise.error:g}", field="noise.error", fix=fix)
    known = (*KINDS, *plugin_names(OBJECTIVES))
    for i, one in enumerate(file.objectives):
        check_length(one.spread_mm, f"objectives[{i}].spread_mm")
        with placed(field=f"objectives[{i}]"):
            if one.kind not in known:
                fix = f"use one of {', '.join(known)}"
                raise PlanError(f"{one.kind!r} is not known", field="kind", fix=fix)
            if one.options and one.kind in KINDS:
                raise PlanError(f"{one.kind} takes none", field="options", fix="remove them")
    kinds = [one.kind for one in file.objectives]
    if len(set(kinds)) != len(kinds):
        raise PlanError("one is there twice", field="objectives", fix="name each once")
    if method == "prove" and (len(kinds) > 1 or kinds[0] not in BOUNDED):
        fix = f"write anneal or list, or look for {', '.join(BOUNDED[:-1])} or {BOUNDED[-1]} alone"
        problem = "only one objective of ambiguity has a bound"
        raise PlanError(problem, field="search.method", fix=fix)
    if method == "prove" and spec.symmetry == "mirror":
        problem, fix = "a proof does not know mirror images", "write none or keys"
        raise PlanError(problem, field="space.symmetry", fix=fix)
