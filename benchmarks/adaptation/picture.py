"""Top-1 and KSPC by words typed, as a picture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from person_trial import CHECKPOINTS
from sections import PagePicture, saved_picture
from summary import BOTH, Table, rates

from nearkey.report.style import new_figure, styled

LINES = (
    (BOTH, False, "#0b6e4f", "o-", "touch and words"),
    ("touch alone", False, "#3d6fb6", "o-", "touch alone"),
    ("words alone", False, "#b5651d", "o-", "words alone"),
    ("10 % wrong labels", False, "#0b6e4f", "o:", "touch and words, 10 % wrong labels"),
    ("10 % wrong labels, believed", False, "#999999", "o:", "the same labels, none doubted"),
    (BOTH, True, "#222222", "--", "ceiling: 1,500 more words learnt"),
)
PANELS = (
    ("words right at once, gain in points", 100.0),
    ("keystrokes per character, saved", -1.0),
)


def draw(tables: Sequence[Table], file: str, results: Path) -> PagePicture:
    """Save the picture (PNG) under `results`: gains over no adaptation, the ceiling's above them."""
    with styled():
        figure = new_figure(10, 4.6)
        panels = figure.subplots(1, len(PANELS))
        for i, (panel, (title, sign)) in enumerate(zip(panels, PANELS, strict=True)):
            for name, past, colour, style, label in LINES:
                gain = []
                for n in CHECKPOINTS:
                    now, none = (
                        rates(tables, key) for key in ((name, past, n), ("none", False, n))
                    )
                    gain.append(sign * float(now[i][0] - none[i][0]))
                panel.plot(gain, style, color=colour, markersize=3, label=label)
            panel.axhline(0.0, color="#bbbbbb", linewidth=0.8)
            panel.set_xticks(range(len(CHECKPOINTS)), [str(n) for n in CHECKPOINTS])
            panel.set_xlabel("words typed")
            panel.set_title(title)
        figure.legend(*panels[0].get_legend_handles_labels(), ncols=3, loc="outside lower center")
    caption = "Words right at once and keystrokes per character, by words typed."
    return saved_picture(figure, file, caption, results)
