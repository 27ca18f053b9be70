"""Layouts: keys on a surface, their spec, the catalogue, grids over an arrangement, pictures."""

from nearkey.layout.grid import MOST_UNASKED, count_grids, grid_layouts
from nearkey.layout.key import ROLES, Key
from nearkey.layout.layout import Layout
from nearkey.layout.spec import catalogue_names

__all__ = [
    "MOST_UNASKED",
    "ROLES",
    "Key",
    "Layout",
    "catalogue_names",
    "count_grids",
    "grid_layouts",
]
