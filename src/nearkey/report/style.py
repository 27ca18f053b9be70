"""One look for all pictures: colours, type, and how shapes of layout are distinguished."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, ParamSpec, Protocol, cast, overload

import numpy as np

from nearkey.errors import NearkeyError
from nearkey.extras import library
from nearkey.files import atomic_path

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, GREY, LIGHT, ACCENT = "#22252b", "#5c626b", "#d5d9de", "#0b5a6f"

# Colours that people with any colour vision distinguish (Okabe & Ito 2008), darkened until each
# stands 3 : 1 against white; every colour comes with a mark of its own.
_COLOURS = ("#0072b2", "#c14f00", "#00805e", "#a8518a", "#6b5b00", "#3f3f8f")
_MARKS = ("o", "s", "^", "D", "v", "P")

_FIGURE = {
    "figure.dpi": 110,
    "figure.facecolor": "white",
    "font.family": "sans-serif",
    "font.size": 9.0,
    "text.color": INK,
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.titlesize": 10.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "grid.color": LIGHT,
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "svg.fonttype": "path",
    "svg.hashsalt": "nearkey",
}


class Look(NamedTuple):
    """Colour, mark, the mark's face and the line style of one group."""

    colour: str
    mark: str
    face: str
    style: str

    def line(self, **changes: Any) -> dict[str, Any]:
        """What matplotlib's plot and errorbar take for it; hollow marks are larger; `changes` go over it."""
        return {
            "color": self.colour,
            "marker": self.mark,
            "markersize": 4.5 if self.face == self.colour else 7.0,
            "markerfacecolor": self.face,
            "linestyle": self.style,
            **changes,
        }


@contextmanager
def styled() -> Iterator[None]:
    """Figures made inside have the room's look; NearkeyError where matplotlib is missing."""
    matplotlib = library("matplotlib", extra="report", needs="pictures need matplotlib")
    # What a user has set for her own pictures goes before our look.
    now: Any = matplotlib.rcParams
    before: Any = matplotlib.rcParamsDefault
    ours: Any = {key: value for key, value in _FIGURE.items() if now[key] == before[key]}
    with matplotlib.rc_context(ours):
        yield


P = ParamSpec("P")


class Picture(Protocol[P]):
    """A picture of a result: a Figure of its own, or drawn in the place of `axes`, whose Axes it then returns."""

    @overload
    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> Figure: ...
    @overload
    def __call__(self, *args: Any, axes: Axes, **kwargs: Any) -> Any: ...


def on_axes(plot: Callable[P, Figure]) -> Picture[P]:
    """A `plot` in the room's look that also takes `axes=`: one panel on these very Axes, several in their place.

    Returns the Axes of one panel, a list of those of several. Raises NearkeyError for Axes that lie in no grid, as
    those of `subplots` do, where there are several panels.
    """

    @functools.wraps(plot)
    def drawn(*args: Any, axes: Axes | None = None, **kwargs: Any) -> Any:
        with styled():
            if axes is None:
                return plot(*args, **kwargs)
            place = _Place(axes)
            token = _PLACE.set(place)
            try:
                plot(*args, **kwargs)
            finally:
                _PLACE.reset(token)
        return place.axes[0] if len(place.axes) == 1 else place.axes

    return cast("Picture[P]", drawn)


class _Place:
    """Axes of a user's figure, standing for the figure that a picture would make."""

    def __init__(self, axes: Axes) -> None:
        self._figure: Any = axes.figure
        self.axes = [axes]

    def subplots(self, rows: int = 1, columns: int = 1, **options: Any) -> Any:
        """The very Axes for one panel; for several, panels in their place."""
        (given,) = self.axes
        if rows == columns == 1:
            return np.array([[given]]) if options.get("squeeze") is False else given
        spec = given.get_subplotspec()
        if spec is None:
            raise NearkeyError(
                "there is no room for several panels",
                field="axes",
                fix="give Axes that subplots() made",
            )
        self._figure = self._figure.add_subfigure(spec)
        given.remove()
        panels = self._figure.subplots(rows, columns, **options)
        self.axes = list(self._figure.axes)
        return panels

    def get_figwidth(self) -> float:
        """Width of what is drawn on, in inches."""
        return float(self._figure.bbox.width / self._figure.dpi)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._figure, name)


_PLACE: ContextVar[_Place | None] = ContextVar("place of a picture", default=None)


def new_figure(width_in: float, height_in: float, *, gap_in: float = 0.04) -> Figure:
    """A figure of `width_in` x `height_in` inches, in no window and no global list, or the Axes that `on_axes` was
    given; call inside `styled`.

    gap_in : room around its parts.
    """
    place = _PLACE.get()
    if place is not None:
        return cast("Figure", place)
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    return Figure(
        figsize=(width_in, height_in), layout=ConstrainedLayoutEngine(w_pad=gap_in, h_pad=gap_in)
    )


def shape_looks(shapes: Sequence[str]) -> dict[str, Look]:
    """A look for each of `shapes`, in the order given; a second round of colours is hollow and dashed."""
    looks = {}
    for i, shape in enumerate(dict.fromkeys(shapes)):
        colour, mark = key_colour(i), _MARKS[i % len(_MARKS)]
        hollow = i >= len(_COLOURS)
        looks[shape] = Look(colour, mark, "none" if hollow else colour, "--" if hollow else "-")
    return looks


def key_colour(index: int) -> str:
    """The colour of touches meant for the key of this number, its `index`."""
    return _COLOURS[index % len(_COLOURS)]


def text_for_plot(text: str, most: int = 30) -> str:
    """The `text` safe to draw: no mathematics, no control characters, cut to `most` characters."""
    clean = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    if len(clean) > most:
        clean = clean[: most - 1] + "…"
    return clean.replace("$", r"\$")


def thin_axes(axes: Axes, *, grid: str = "x") -> None:
    """Only the lines of `axes` that carry information, and a `grid` along that axis."""
    axes.grid(axis=grid)  # type: ignore[arg-type]
    for side in ("left", "right", "top"):
        axes.spines[side].set_visible(False)
    axes.tick_params(axis="y", length=0)


def draw_estimate(
    axes: Axes, row: int, value: float, ends: tuple[float, float], *, dark: bool
) -> None:
    """A dot at `value` with its interval, from and to the `ends`, on a row of `axes`; the dark one is the baseline."""
    colour = INK if dark else ACCENT
    axes.plot(ends, (row, row), color=colour, lw=1.6, zorder=2)
    axes.plot(value, row, "o", color=colour, markersize=4.2, zorder=3)


def note_below(figure: Figure, note: str) -> None:
    """A small note under a figure, from its left edge."""
    figure.supxlabel(note, fontsize=8, color=GREY, x=0.01, ha="left")


def save_figure(figure: Figure | Axes, path: str | PathLike[str]) -> None:
    """Write a figure, or the figure that Axes are of, as the name of `path` ends (.png, .svg, .pdf).

    Whole or not at all, and the same bytes each time.
    """
    kind = Path(path).suffix.removeprefix(".")
    metadata = {
        "svg": {"Date": None},
        "png": {"Software": None},
        "pdf": {"CreationDate": None, "Producer": None, "Creator": None},
    }.get(kind)
    whole: Any = figure if hasattr(figure, "savefig") else figure.get_figure(root=True)
    with styled(), atomic_path(path) as temporary:
        whole.savefig(temporary, format=kind, dpi=150, metadata=metadata)
