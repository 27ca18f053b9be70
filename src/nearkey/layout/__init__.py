"""Layouts: keys on a surface, their spec, the catalogue, grids over an arrangement, search."""

from nearkey.layout.grid import MOST_UNASKED, count_grids, grid_layouts
from nearkey.layout.key import ROLES, Key
from nearkey.layout.layout import Layout
from nearkey.layout.moves import FreeMoves, Moves, OrderedMoves
from nearkey.layout.named import catalogue_names
from nearkey.layout.optimum import OrderedOptimum, best_ordered
from nearkey.layout.search import AnnealRecord, anneal, pareto_front

__all__ = [
    "MOST_UNASKED",
    "ROLES",
    "AnnealRecord",
    "FreeMoves",
    "Key",
    "Layout",
    "Moves",
    "OrderedMoves",
    "OrderedOptimum",
    "anneal",
    "best_ordered",
    "catalogue_names",
    "count_grids",
    "grid_layouts",
    "pareto_front",
]
