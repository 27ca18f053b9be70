"""The yardsticks' accuracy on the benchmark's own words and touches, through the line protocol.

    bash benchmarks/yardsticks/setup.sh
    python benchmarks/yardsticks/accuracy.py

Runs in nearkey's environment and starts each yardstick in its own. Speed: see `benchmarks/decoder/`.
"""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from harness import options
from scenarios import PAD_MM, SEED, SPREADS_MM, layout_of
from sections import Cell, save_section

import nearkey as nk
from nearkey.simulate.decoders import OutsideDecoder, OwnDecoder
from nearkey.simulate.layout_score import DecoderScore, score_decoder
from nearkey.simulate.outcomes import MEASURES
from nearkey.simulate.trial import type_workload
from nearkey.simulate.workload import make_workload
from nearkey.touch import GaussianTouch

ROOT = HERE.parents[1]
PYTHON = ROOT / ".yardsticks" / "bin" / "python"
ENGINES = {
    "speech": "flashlight-text, beam 100",
    "speech-python": "pyctcdecode, beam 100",
    "finite-state": "pynini",
}


def row(scenario: str, name: str, found: DecoderScore, ours: DecoderScore) -> list[Cell]:
    """One line of the table."""
    group = found.all
    gap = MEASURES["top1"].difference(found.outcomes, ours.outcomes)
    return [
        scenario,
        name,
        group.words,
        list(group.top[1]),
        group.top[3].value,
        None if found is ours else list(gap),
        found.faults.total,
    ]


def main() -> int:
    """Command line; returns the exit code."""
    asked = options(__doc__, words=300)
    if not PYTHON.exists():
        print("no environment for the yardsticks: bash benchmarks/yardsticks/setup.sh")
        return 2
    pack = nk.load_pack("en")
    rows: list[list[Cell]] = []
    for name in ("q26", "g2x3"):
        layout = layout_of(name, *PAD_MM)
        touch = GaussianTouch.from_layout(layout, spread_mm=SPREADS_MM["s10"])
        workload = make_workload(
            pack, None, words=asked.words, seed=SEED, letters=layout.letters, in_context=False
        )
        typed = type_workload(layout, touch, workload, seed=SEED)
        scenario = f"en.{name}.s10.drawn"
        lexicon = pack.lexicon.words
        own = OwnDecoder(nk.Decoder(layout, touch, pack))
        ours = score_decoder(typed, own, lexicon=lexicon, name="nearkey")
        rows.append(row(scenario, "nearkey", ours, ours))
        for engine, shown in ENGINES.items():
            command = [str(PYTHON), str(HERE / "line_decoder.py"), engine]
            with OutsideDecoder(
                command, layout=layout, touch=touch, pack=pack, start_s=180.0, answer_s=60.0
            ) as decoder:
                found = score_decoder(typed, decoder, lexicon=lexicon, name=engine)
            rows.append(row(scenario, shown, found, ours))
            print(rows[-1], file=sys.stderr)
    columns = "scenario; decoder; words; top-1|%; top-3|%; top-1 to ours|3; faults"
    notes = [
        f"Words drawn from the pack, no context, seed {SEED}; the same touches for all, asked over the line protocol.",
        "The yardsticks were made for other work; how each is set stands in benchmarks/yardsticks/engines.py. "
        "pyctcdecode is given words of the letters a to z alone, so words with an apostrophe are beyond it.",
    ]
    save_section(
        "yardsticks_accuracy",
        "Yardsticks: accuracy on the benchmark's words",
        columns,
        rows,
        notes=notes,
        order=20,
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
