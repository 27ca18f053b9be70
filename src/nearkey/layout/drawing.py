"""A layout as a self-contained SVG picture, in true proportions with a scale bar."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import ceil, degrees, floor, log10
from typing import Protocol

import numpy as np
import numpy.typing as npt

from nearkey.errors import LayoutError
from nearkey.layout.geometry import finite_points
from nearkey.layout.key import Arrangement, Key

_INK, _LINE, _SURFACE, _KEY, _OTHER_KEY = "#2c2a33", "#9b9489", "#f4efe6", "#fffdf8", "#e5ddcf"
# Colours that people with any colour vision can distinguish (Okabe & Ito 2008), black and yellow left
# out because they vanish on ink and paper.
_PALETTE = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00")
_GLYPH = 0.75  # width of a broad capital as a share of the font's size
_MARGIN_PX, _FOOT_PX = 14.0, 30.0


class EllipseShape(Protocol):
    """What the drawing needs of an ellipse, in layout units; see `nearkey.touch.Ellipse`."""

    @property
    def x(self) -> float: ...
    @property
    def y(self) -> float: ...
    @property
    def semi_major(self) -> float: ...
    @property
    def semi_minor(self) -> float: ...
    @property
    def angle_rad(self) -> float: ...


def layout_svg(
    layout: Arrangement,
    *,
    points: npt.ArrayLike | None = None,
    targets: Sequence[int] | npt.NDArray[np.integer] | None = None,
    ellipses: Iterable[EllipseShape] = (),
    width_px: float = 480,
) -> str:
    """Draw a layout; see `Layout.to_svg`."""
    scale = width_px / layout.width
    if not (np.isfinite(scale) and scale > 0):
        raise LayoutError(f"is {width_px!r}", field="width_px", fix="give a width above 0")
    total_w = width_px + 2 * _MARGIN_PX
    total_h = layout.height * scale + 2 * _MARGIN_PX + _FOOT_PX
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" width="{total_w:.0f}" '
        f'height="{total_h:.0f}" viewBox="0 0 {total_w:.2f} {total_h:.2f}" '
        f'font-family="sans-serif" aria-label={_attribute("layout " + layout.name)}>',
        f"<title>{_text(layout.name)}</title>",
        f'<rect width="{total_w:.2f}" height="{total_h:.2f}" fill="#ffffff"/>',
        f'<g transform="translate({_MARGIN_PX:g} {_MARGIN_PX:g})">',
        *_surface(layout, scale),
    ]
    parts += _touches(layout, points, targets, scale)
    parts += [_ellipse(shape, i, scale) for i, shape in enumerate(ellipses)]
    parts += ["</g>", _foot(layout, scale, total_w, total_h), "</svg>"]
    return "\n".join(part for part in parts if part) + "\n"


def keys_svg(layout: Arrangement, *, width_px: float) -> str:
    """The surface with its keys alone, without margin, scale bar and name: for a row of a table.

    width_px : of the picture; its height follows.
    """
    height_px = layout.height * width_px / layout.width
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width_px:.0f}" height="{height_px:.0f}" '
        f'viewBox="0 0 {width_px:.2f} {height_px:.2f}" font-family="sans-serif">'
        + "".join(_surface(layout, width_px / layout.width))
        + "</svg>"
    )


def _surface(layout: Arrangement, scale: float) -> list[str]:
    border = (
        f'<rect width="{layout.width * scale:.2f}" height="{layout.height * scale:.2f}" rx="3" '
        f'fill="{_SURFACE}" stroke="{_LINE}"/>'
    )
    return [border, *(_key(key, scale) for key in layout.keys)]


def _key(key: Key, scale: float) -> str:
    gap = min(1.5, 0.04 * scale * min(key.w, key.h))
    x, y = key.x * scale + gap, key.y * scale + gap
    w, h = key.w * scale - 2 * gap, key.h * scale - 2 * gap
    fill = _KEY if key.role == "letters" else _OTHER_KEY
    lines, size = fitted_label(key.label, w, h, largest=30.0)
    step = 1.15 * size
    # A capital's middle lies about 0.36 of the size above its base line.
    first = y + h / 2 + 0.36 * size - step * (len(lines) - 1) / 2
    label = "".join(
        f'<text x="{x + w / 2:.2f}" y="{first + i * step:.2f}" font-size="{size:.2f}" '
        f'text-anchor="middle" fill="{_INK}">{_text(line)}</text>'
        for i, line in enumerate(lines)
    )
    return (
        f'<rect x="{x:.2f}" y="{y:.2f}" width="{w:.2f}" height="{h:.2f}" fill="{fill}" '
        f'stroke="{_LINE}" stroke-width="0.8"/>{label}'
    )


def fitted_label(label: str, w: float, h: float, *, largest: float) -> tuple[list[str], float]:
    """The label on as many even lines as let it stand largest on a key of `w` by `h`, and the font's size."""
    best: tuple[list[str], float] = ([], 0.0)
    for count in range(1, min(len(label), 4) + 1):
        length = ceil(len(label) / count)
        size = min(0.42 * h, 0.86 * h / (1.15 * count), 0.88 * w / (_GLYPH * length), largest)
        if size > best[1] * 1.05:
            best = ([label[i : i + length] for i in range(0, len(label), length)], size)
    return best


def _touches(
    layout: Arrangement,
    points: npt.ArrayLike | None,
    targets: Sequence[int] | npt.NDArray[np.integer] | None,
    scale: float,
) -> list[str]:
    if points is None:
        return []
    points = finite_points(points, field="points")
    keys = np.zeros(len(points), dtype=np.intp) if targets is None else np.asarray(targets)
    if keys.shape != (len(points),):
        raise LayoutError(
            f"{keys.shape} targets for {len(points)} touches", field="targets", fix="give one each"
        )
    border = _MARGIN_PX / scale
    shown = (points >= -border).all(axis=1) & (
        points <= np.array([layout.width, layout.height]) + border
    ).all(axis=1)
    return [
        f'<circle cx="{x * scale:.2f}" cy="{y * scale:.2f}" r="1.6" fill="{_colour(int(key))}" '
        f'fill-opacity="0.55"/>'
        for (x, y), key in zip(points[shown], keys[shown], strict=True)
    ]


def _ellipse(shape: EllipseShape, number: int, scale: float) -> str:
    return (
        f'<ellipse rx="{shape.semi_major * scale:.2f}" ry="{shape.semi_minor * scale:.2f}" '
        f'transform="translate({shape.x * scale:.2f} {shape.y * scale:.2f}) '
        f'rotate({degrees(shape.angle_rad):.2f})" fill="none" stroke="{_colour(number)}" '
        f'stroke-width="1.6"/>'
    )


def _foot(layout: Arrangement, scale: float, total_w: float, total_h: float) -> str:
    """A scale bar of a round length of 1, 2 or 5 times a power of ten, and the layout's name."""
    most_mm = layout.width_mm / 3
    decade = 10.0 ** floor(log10(most_mm))
    bar_mm = max(step * decade for step in (1, 2, 5) if step * decade <= most_mm)
    bar_px = bar_mm / layout.unit_mm * scale
    y = total_h - _MARGIN_PX - 4
    tick = "".join(f"M{x:.2f} {y - 4:.2f}v8" for x in (_MARGIN_PX, _MARGIN_PX + bar_px))
    return (
        f'<path d="M{_MARGIN_PX:.2f} {y:.2f}h{bar_px:.2f}{tick}" fill="none" stroke="{_INK}"/>'
        f'<text x="{_MARGIN_PX + bar_px + 7:.2f}" y="{y + 4:.2f}" font-size="12" fill="{_INK}">'
        f"{bar_mm:g} mm</text>"
        f'<text x="{total_w - _MARGIN_PX:.2f}" y="{y + 4:.2f}" font-size="12" text-anchor="end" '
        f'fill="{_INK}">{_text(layout.name)}</text>'
    )


def _colour(number: int) -> str:
    return _PALETTE[number % len(_PALETTE)]


def _text(text: str) -> str:
    # XML has no way to write control characters and non-characters.
    shown = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    # The standard library's own escape would load its web modules into every keyboard app.
    return shown.replace("&", "&amp;").replace(">", "&gt;").replace("<", "&lt;")


def _attribute(text: str) -> str:
    quoted = _text(text).replace('"', "&quot;")
    return f'"{quoted}"'
