"""Room: search. Spaces of layouts, objectives, exact and heuristic search, proofs, racing, the non-dominated set."""

from __future__ import annotations

from nearkey.search.annealing import (
    AnnealRecord,
    FreeMoves,
    Moves,
    OrderedMoves,
    anneal,
    pareto_front,
)
from nearkey.search.letter_search import LetterSearchOptions, SearchRecord, search_letters
from nearkey.search.letter_space import LetterSpace, SpaceRules, grid_space, shape_space
from nearkey.search.objectives import (
    AmbiguityObjective,
    BoundedObjective,
    CallableObjective,
    ContextObjective,
    FamiliarityObjective,
    Objective,
    ReachObjective,
    SpeedObjective,
    ambiguity_words,
)
from nearkey.search.optimum import OrderedOptimum, best_ordered
from nearkey.search.proof import ProofRecord, prove, save_certificate
from nearkey.search.search_plan import SearchPlan
from nearkey.search.search_result import RaceRow, SearchResult
from nearkey.search.searching import SearchStep, race_layouts, run_search

__all__ = [
    "AmbiguityObjective",
    "AnnealRecord",
    "BoundedObjective",
    "CallableObjective",
    "ContextObjective",
    "FamiliarityObjective",
    "FreeMoves",
    "LetterSearchOptions",
    "LetterSpace",
    "Moves",
    "Objective",
    "OrderedMoves",
    "OrderedOptimum",
    "ProofRecord",
    "RaceRow",
    "ReachObjective",
    "SearchPlan",
    "SearchRecord",
    "SearchResult",
    "SearchStep",
    "SpaceRules",
    "SpeedObjective",
    "ambiguity_words",
    "anneal",
    "best_ordered",
    "grid_space",
    "pareto_front",
    "prove",
    "race_layouts",
    "run_search",
    "save_certificate",
    "search_letters",
    "shape_space",
]
