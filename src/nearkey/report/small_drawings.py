"""A layout as a small drawing for a row of a table."""

from __future__ import annotations

import base64
from xml.sax.saxutils import escape

from nearkey.layout import Layout


def small_drawing(layout: Layout, *, width: int = 132) -> str:
    """A data URI of an SVG picture of the keys and their letters, as wide as `width` pixels.

    layout : drawn in true proportions, each key with its letters in as many lines as suit it.
    """
    scale = width / layout.width_mm
    mm = layout.unit_mm * scale
    height = layout.height_mm * scale
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height:.1f}" width="{width}" '
        f'height="{height:.1f}" font-family="sans-serif" text-anchor="middle">',
        f'<rect width="{width}" height="{height:.1f}" fill="#f3f4f6"/>',
    ]
    for key in layout.keys:
        x, y, w, h = (round(mm * v, 1) for v in (key.x, key.y, key.w, key.h))
        parts.append(
            f'<rect x="{x}" y="{y}" width="{w}" height="{h}" fill="#fff" stroke="#5c626b" stroke-width="1"/>'
        )
        text = key.label
        if not text:
            continue
        best, size = [text], 0.0
        for lines in range(1, min(4, len(text)) + 1):
            each = -(-len(text) // lines)
            fits = min(w / (0.72 * each), h / (1.15 * lines), 16.0)
            if fits > size:
                size, best = fits, [text[i : i + each] for i in range(0, len(text), each)]
        for i, line in enumerate(best):
            at = y + h / 2 + (i - (len(best) - 1) / 2) * 1.1 * size + 0.36 * size
            parts.append(
                f'<text x="{x + w / 2:.1f}" y="{at:.1f}" font-size="{size:.1f}">{escape(line)}</text>'
            )
    parts.append("</svg>")
    return "data:image/svg+xml;base64," + base64.b64encode("".join(parts).encode()).decode("ascii")
