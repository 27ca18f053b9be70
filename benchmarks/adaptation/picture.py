"""Top-1 and KSPC by words typed, as a picture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from person_trial import CHECKPOINTS
from summary import BOTH, Table, rates

from nearkey.files import atomic_path

LINES = (
    (BOTH, False, "#0b6e4f", "-", "touch and words"),
    ("touch alone", False, "#3d6fb6", "-", "touch alone"),
    ("words alone", False, "#b5651d", "-", "words alone"),
    ("10 % wrong labels", False, "#0b6e4f", ":", "touch and words, 10 % wrong labels"),
    ("10 % wrong labels, believed", False, "#999999", ":", "the same labels, none doubted"),
)


def draw(tables: Sequence[Table], path: Path) -> None:
    """Write the picture (PNG): gains over no adaptation, the ceiling's above them."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    figure, panels = plt.subplots(1, 2, figsize=(10, 4.6), layout="constrained")
    places = range(len(CHECKPOINTS))
    for i, (panel, title) in enumerate(
        zip(
            panels,
            ("words right at once, gain in points", "keystrokes per character, saved"),
            strict=True,
        )
    ):
        sign = 100.0 if i == 0 else -1.0
        for name, past, colour, style, label in LINES:
            gain = [
                sign
                * float(
                    rates(tables, (name, past, n))[i][0] - rates(tables, ("none", False, n))[i][0]
                )
                for n in CHECKPOINTS
            ]
            panel.plot(places, gain, style, color=colour, marker="o", markersize=3, label=label)
        best = [
            sign
            * float(rates(tables, (BOTH, True, n))[i][0] - rates(tables, ("none", False, n))[i][0])
            for n in CHECKPOINTS
        ]
        panel.plot(places, best, "--", color="#222222", label="ceiling: 1,500 more words learnt")
        panel.axhline(0.0, color="#bbbbbb", linewidth=0.8)
        panel.set_xticks(list(places), [str(n) for n in CHECKPOINTS])
        panel.set_xlabel("words typed")
        panel.set_title(title, fontsize=10)
    lines, labels = panels[0].get_legend_handles_labels()
    figure.legend(lines, labels, fontsize=8, ncols=3, loc="outside lower center", frameon=False)
    path.parent.mkdir(parents=True, exist_ok=True)
    with atomic_path(path) as temporary:
        figure.savefig(temporary, dpi=130, format="png", metadata={"Software": None})
    plt.close(figure)
