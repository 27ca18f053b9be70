"""What a live study loads: a session, its study log, a decoder; no simulator, search, pack building or report."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter

LIVE_STUDY = """
import nearkey as nk
from nearkey.session import SessionLog
from nearkey.study import StudyLogWriter
layout = nk.Layout.named("qwerty")
nk.GaussianTouch.from_layout(layout, spread=0.3)
nk.Decoder, nk.Session, nk.load_pack
import json, sys
print(json.dumps([name for name in sys.modules if name.split(".")[0] == "nearkey"]))
"""


def test_a_live_study_loads_no_simulator() -> None:
    done = subprocess.run(
        [sys.executable, "-c", LIVE_STUDY], capture_output=True, text=True, check=True
    )
    names = json.loads(done.stdout.splitlines()[-1])
    rooms = Counter(name.split(".")[1] for name in names if "." in name)
    assert {"session", "study", "decode", "layout", "touch", "language"} <= rooms.keys()
    unwanted = {"simulate", "search", "packs", "report", "commands", "personal"}
    assert rooms.keys() & unwanted == set()
    # It was 152 while the recorder lay with the simulator, 99 when it moved; what a change adds has to be worth it.
    assert len(names) <= 110
