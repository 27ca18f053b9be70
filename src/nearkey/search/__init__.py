"""Room: search. Spaces of layouts, small moves in them, annealing, exact optima, the non-dominated set."""

from __future__ import annotations

from nearkey.search.annealing import AnnealRecord, anneal, pareto_front
from nearkey.search.moves import FreeMoves, Moves, OrderedMoves
from nearkey.search.optimum import OrderedOptimum, best_ordered

__all__ = [
    "AnnealRecord",
    "FreeMoves",
    "Moves",
    "OrderedMoves",
    "OrderedOptimum",
    "anneal",
    "best_ordered",
    "pareto_front",
]
