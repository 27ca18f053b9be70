"""What a long life costs a session: the memory it grows by, the size of its journal, the time to restore it.

    python benchmarks/session/long_session.py [--words 100000] [--before FOLDER]

A hundred thousand words of the English pack, drawn by their frequency, are typed on 26 keys with a spread of touches, the
last touch of one in fifty taken back; a learner that answers with numbers stands for a person's models. The decoder reads
the nearest keys and no more, so that the session alone is measured. Every part runs in a process of its own: memory is
what the process grew by at its most after the first 1,000 words, or from before a journal was restored. `--before` names
the folder of an earlier checkout with its kernel built, whose figures come first.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from argparse import SUPPRESS
from hashlib import sha256
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, os.fspath(ROOT / "benchmarks"))

from harness import options

SEED = 7
SETTLED = 1000


class Nearest:
    """A decoder that reads the nearest letters, and knows no language."""

    def __init__(self) -> None:
        from nearkey.layout import Layout

        self.layout = Layout.named("qwerty")

    def key_at(self, point: Any) -> Any:
        return self.layout.keys[int(self.layout.nearest_key([point])[0])]

    def literal(self, points: Any) -> str:
        return "".join(self.layout.keys[k].letters for k in self.layout.nearest_key(points))

    def candidates(self, points: Any, **_: Any) -> list[Any]:
        from nearkey.decode import Candidate

        text = self.literal(points) if points else "the"
        return [Candidate(text, text, -1.0, -0.5, -0.5, "word" if points else "prediction")]

    def letters_at(self, point: Any, *, before: str = "") -> list[tuple[str, float]]:
        return [(self.literal([point]), 0.0)]

    def marks(self, context: str) -> list[tuple[str, float]]:
        return [("", -0.1), (".", -2.4)]

    def state_after(self, text: str) -> str:
        return text


class Numbering:
    """A learner that answers with numbers and keeps nothing."""

    def __init__(self) -> None:
        self.n = 0

    def confirm(self, observation: object, /) -> int:
        self.n += 1
        return self.n

    def retract(self, update_id: int | str, /) -> None:
        pass


def memory_mb(field: str) -> float:
    """What /proc says of this process: VmRSS now, VmHWM at its most."""
    lines = Path("/proc/self/status").read_text("ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(field)) / 1024


def type_words(path: Path, n_words: int) -> dict[str, Any]:
    """Type the words into a session with a journal; the figures, and what stood at the end."""
    import numpy as np

    import nearkey as nk

    rng = np.random.default_rng(SEED)
    decoder = Nearest()
    layout, lexicon = decoder.layout, nk.load_pack("en").lexicon
    shares = np.exp(np.asarray(lexicon.log_probs, dtype=float))
    drawn = rng.choice(len(shares), size=n_words, p=shares / shares.sum())
    place = layout.key_of_letter
    session = nk.Session(decoder, journal=path, learners=[Numbering()])
    settled = typing = 0.0
    for number, index in enumerate(drawn.tolist()):
        if number == SETTLED:
            settled = memory_mb("VmRSS")
            Path("/proc/self/clear_refs").write_text("5")  # from here on VmHWM is anew
        letters = [place[c] for c in lexicon.words[index] if c in place] or [0]
        points = layout.centers[letters] + rng.normal(0, 0.2, (len(letters), 2))
        start = time.process_time()
        for x, y in points.tolist():
            session.tap(x, y)
            shown = session.text, session.candidates
        if number % 50 == 49:
            session.delete()
            session.tap(x, y)
            assert shown[1]
        session.commit()
        typing += time.process_time() - start
    grown = memory_mb("VmHWM") - settled
    stood = state_of(session)
    session.close()
    return {
        "grown_mb": grown,
        "file_mb": path.stat().st_size / 1e6,
        "ms_a_word": typing / n_words * 1e3,
        "stood": stood,
    }


def restore(path: Path) -> dict[str, Any]:
    """Restore the session of a journal; the figures, and what stands then."""
    import nearkey as nk

    decoder = Nearest()
    decoder.literal([(0.0, 0.0)])
    before = memory_mb("VmRSS")
    start = time.process_time()
    session = nk.Session.restore(path, decoder, learners=[Numbering()])
    seconds = time.process_time() - start
    stood = state_of(session)
    undone = 0
    while undone < 1000 and session.undo():
        undone += 1
    return {
        "seconds": seconds,
        "grown_mb": memory_mb("VmHWM") - before,
        "undone": undone,
        "stood": stood,
    }


def state_of(session: Any) -> list[Any]:
    """What tells two sessions apart."""
    return [len(session.text), session.cursor, sha256(session.text.encode()).hexdigest()]


def measured(source: Path, n_words: int) -> dict[str, dict[str, Any]]:
    """Both parts, each in its own process, with the code of one checkout."""
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.jsonl"
        for part in ("type", "restore"):
            command = [sys.executable, __file__, "--part", part, "--journal", str(path)]
            done = subprocess.run(
                [*command, "--words", str(n_words)],
                env={**os.environ, "PYTHONPATH": os.fspath(source / "src")},
                stdout=subprocess.PIPE,
                check=True,
            )
            found[part] = json.loads(done.stdout)
    if found["type"].pop("stood") != found["restore"].pop("stood"):
        raise SystemExit(f"{source}: the restored session does not stand as it stood")
    return found


def main() -> None:
    before = (Path, "folder of an earlier checkout")
    hidden = {"part": (str, SUPPRESS), "journal": (Path, SUPPRESS)}
    args = options(__doc__, words=100_000, before=before, **hidden)
    if args.part:
        typed = args.part == "type"
        print(json.dumps(type_words(args.journal, args.words) if typed else restore(args.journal)))
        return

    from sections import save_section

    rows = []
    for name, source in (("before", args.before), ("now", ROOT)):
        if source is None:
            continue
        found = measured(source, args.words)
        rows.append([name, *found["type"].values(), *found["restore"].values()])
        print(rows[-1], flush=True)
    save_section(
        "session_long",
        f"A session of {args.words:,} words",
        "session; grows by, MB|1; journal, MB|1; processor ms a word, text and list read at every touch|2; "
        "restored in, processor s|2; restoring grows by, MB|1; messages undone of 1,000",
        rows,
        more="--before CHECKOUT",
        order=46,
        notes=[
            "Words of the English pack drawn by frequency, random touches on 26 keys, the last touch of one word in "
            "fifty taken back, a learner that answers every word with a number, a decoder that reads nearest keys "
            "and no more. Every part in a process of its own, memory at its most after the first 1,000 words.",
            "*before* kept the touches of all words as they were and every message for undo and in the journal; *now* "
            "pieces far from the cursor are compressed, 1,000 messages or more can be undone, and a journal is "
            "shortened to a snapshot whenever it has grown by a quarter. Words opened again keep their touches in both.",
        ],
        timed=True,
    )


if __name__ == "__main__":
    main()
