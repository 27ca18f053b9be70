# ruff: noqa: E501 - tables of bytes
"""Hostile files: good examples of every format, what may be done to them, and what their readers must answer.

A reader may take a file or refuse it by a `NearkeyError` of one short line that quotes no private text. Anything else,
another exception, a hang, a crash, is a failure.
"""

from __future__ import annotations

import faulthandler
import gzip
import json
import os
import random
import re
import select
import shutil
import signal
import sys
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

import nearkey as nk
from nearkey.errors import NearkeyError, PackError

SECRET = "zyxquillon"
"""Stands in every good example that holds private text: no message may quote it."""

SECONDS = 5
"""What a reader may take for one file. Generous: machines are shared."""


@dataclass
class Reader:
    """One reader of files: good examples, and the suffix its files have."""

    name: str
    suffix: str
    read: Callable[[Path], object]
    good: list[bytes] = field(default_factory=list)
    child: bool = False
    """Whether it runs code that could end the process."""


# ---- what is done to a file ----

_NUMBERS = [
    b"0", b"-1", b"2.5", b"1e999", b"-1e999", b"1e154", b"NaN", b"Infinity", b"-Infinity", b"nan", b"inf", b"9" * 400, b"9" * 5000,
    b"18446744073709551616", b"-9223372036854775809", b"4294967296", b"1e-320", b"null", b"true", b"\"\"", b"[]", b"{}", b"\"x\"",
    b"0x10", b"1_0", b"1979-05-27T07:32:00Z", b"''",
]  # fmt: skip
_TEXTS = [
    b"", b"\x00", b"\xff\xfe", b"\xc3", b"\xed\xa0\x80", b"\\ud800", b"\\u0000", b"\x1b[2J", b"\xe2\x80\xae", b"\xef\xbb\xbf", b"\r", b"\n", b"\n\n",
    b"\"", b"'", b"\\", b",", b";", b"\t", b"{", b"}", b"[", b"]", b"#", b"=", b"[[", b"[" * 3000, b"{\"a\":" * 3000, b"x" * 20000,
    "\u0316\u0301".encode() * 2000, b"../../../etc/passwd", b"%s%n", b"\\data\\", b"<unk>", b"\xf0\x9f\x98\x80",
]  # fmt: skip
_WORDS = [
    0,
    1,
    0xFF,
    0x7F,
    0x80,
    0xFFFF,
    0x7FFFFFFF,
    0x80000000,
    0xFFFFFFFF,
    2**63 - 1,
    2**64 - 1,
    8,
    255,
    256,
]


def damaged(rng: random.Random, good: list[bytes]) -> bytes:
    """One of the good files, damaged or forged in one to four ways."""
    data = bytearray(rng.choice(good))
    for _ in range(rng.choice((1, 1, 1, 2, 2, 3, 4))):
        _damage(rng, data, good)
    return bytes(data)


def _damage(rng: random.Random, data: bytearray, good: list[bytes]) -> None:
    size = len(data)
    at = rng.randrange(size + 1)
    match rng.randrange(12):
        case 0:  # bits
            for _ in range(rng.choice((1, 1, 2, 8))):
                if size:
                    data[rng.randrange(size)] ^= 1 << rng.randrange(8)
        case 1:  # cut short
            del data[at:]
        case 2:  # a piece lost
            del data[at : at + rng.choice((1, 2, 8, 64))]
        case 3:  # a piece twice
            data[at:at] = data[at : at + rng.choice((1, 8, 64, 512))]
        case 4 | 5:  # a number is another
            spots = _numbers(data)
            if spots:
                start, end = rng.choice(spots)
                data[start:end] = rng.choice(_NUMBERS)
        case 6 | 7:
            data[at:at] = rng.choice(_TEXTS)
        case 8:  # binary words
            width = rng.choice((1, 2, 4, 8))
            low = at - at % width
            if low + width <= size:
                data[low : low + width] = (rng.choice(_WORDS) % 256**width).to_bytes(
                    width, "little"
                )
        case 9:  # lines in another order, twice, or gone
            lines = bytes(data).split(b"\n")
            one, two = rng.randrange(len(lines)), rng.randrange(len(lines))
            lines[one], lines[two] = lines[two], lines[one]
            if rng.random() < 0.5:
                lines.insert(one, lines[two])
            data[:] = b"\n".join(lines)
        case 10:  # a string is another
            spots = _strings(data)
            if spots:
                start, end = rng.choice(spots)
                data[start:end] = rng.choice(_TEXTS + _NUMBERS)
        case 11:  # a piece of another file
            other = rng.choice(good)
            start = rng.randrange(len(other) + 1)
            data[at:at] = other[start : start + rng.choice((4, 40, 400))]


def _numbers(data: bytes | bytearray) -> list[tuple[int, int]]:
    return [
        match.span()
        for match in re.finditer(
            rb"(?<![\w.])-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?", bytes(data[:20_000])
        )
    ]


def _strings(data: bytes | bytearray) -> list[tuple[int, int]]:
    return [match.span(1) for match in re.finditer(rb'"([^"\n]{0,80})"', bytes(data[:20_000]))]


# ---- what a reader answers ----


def answer(read: Callable[[Path], object], path: Path) -> str | None:
    """None where a reader took the file, or refused it as it should; else what it did."""
    try:
        with alarm(SECONDS):
            read(path)
    except NearkeyError as fault:
        said = str(fault)
        if not said.isprintable():
            return f"{type(fault).__name__}: not one printable line: {said!r}"
        if len(said) >= 300:
            return f"{type(fault).__name__}: {len(said)} characters"
        if SECRET in said:
            return f"{type(fault).__name__}: quotes private text: {said}"
    except TimeoutError:
        return f"more than {SECONDS} s"
    except MemoryError:
        return "MemoryError"
    except Exception as fault:
        trace = fault.__traceback__
        while trace is not None and trace.tb_next is not None:
            trace = trace.tb_next
        place = (
            ""
            if trace is None
            else f"{Path(trace.tb_frame.f_code.co_filename).name}:{trace.tb_lineno}"
        )
        return f"{type(fault).__name__} at {place}: {str(fault)[:100]}"
    return None


@contextmanager
def alarm(seconds: float) -> Iterator[None]:
    """TimeoutError after so many seconds."""

    def ring(*_: object) -> None:
        raise TimeoutError

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def in_child(work: Callable[[], str | None], *, seconds: int = 20) -> str | None:
    """`work` in a child process; what it answered, or how the child died. One that takes longer is ended from outside:
    no signal handler of Python's runs while compiled code hangs."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        status = 0
        try:
            os.close(read)
            faulthandler.disable()
            said = work()
            if said is not None:
                os.write(write, said.encode("utf-8", "replace")[:4000])
        except BaseException as fault:
            with suppress(OSError):
                os.write(
                    write, f"{type(fault).__name__}: {fault}".encode("utf-8", "replace")[:4000]
                )
            status = 1
        finally:
            os._exit(status)
    os.close(write)
    parts: list[bytes] = []
    until = time.monotonic() + seconds
    while select.select([read], [], [], max(0.0, until - time.monotonic()))[0]:
        part = os.read(read, 65536)
        if not part:
            break
        parts.append(part)
    else:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        os.close(read)
        return f"more than {seconds} s"
    os.close(read)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return f"killed by {signal.Signals(os.WTERMSIG(status)).name}"
    said = b"".join(parts).decode("utf-8", "replace")
    return said or None


def fuzz(
    reader: Reader, folder: Path, *, cases: int, seed: int, most: int = 5
) -> tuple[int, list[str]]:
    """So many damaged files through one reader; how many failed, and what the first `most` different ones did."""
    path = folder / f"case{reader.suffix}"
    failed = 0
    told: dict[str, str] = {}
    batch = 200 if reader.child else 1

    def one(number: int) -> str | None:
        rng = random.Random(f"{seed} {reader.name} {number}")
        data = damaged(rng, reader.good)
        path.unlink(missing_ok=True)
        path.write_bytes(data)
        return answer(reader.read, path)

    def note(number: int, said: str) -> None:
        nonlocal failed
        failed += 1
        kind = said.split(":")[0]
        if kind not in told and len(told) < most:
            told[kind] = f"{reader.name}, case {number}: {said}"

    for first in range(0, cases, batch):
        numbers = range(first, min(first + batch, cases))
        if not reader.child:
            for number in numbers:
                if (said := one(number)) is not None:
                    note(number, said)
            continue

        def many(numbers: range = numbers) -> str | None:
            found = [(number, said) for number in numbers if (said := one(number)) is not None]
            return json.dumps(found) if found else None

        said = in_child(many, seconds=120)
        if said is None:
            continue
        try:
            for number, what in json.loads(said):
                note(number, what)
        except (ValueError, TypeError):
            for number in numbers:  # which of them it was
                if (said := in_child(lambda number=number: one(number))) is not None:
                    note(number, said)
    return failed, list(told.values())


# ---- the readers and their good files ----


def readers(folder: Path) -> list[Reader]:
    """Every reader of the project's own formats, with good files of it. `folder` : for making them."""
    from small_packs import RECIPE

    folder.mkdir(parents=True, exist_ok=True)
    layout = nk.Layout.named("qwerty")
    found = [*_touch_readers(folder, layout), *_personal_readers(folder, layout)]
    found.append(Reader("layout", ".toml", nk.Layout.load, [_saved(folder, layout, ".toml")]))
    recipe = RECIPE.format(
        name="notes",
        language="en",
        alphabet="abcdefghijklmnopqrstuvwxyz",
        size=60,
        order=3,
        max_bytes=10**6,
    )
    from nearkey.packs.recipe import read_recipe

    found.append(Reader("recipe", ".toml", read_recipe, [recipe.encode()]))
    found += [
        *_study_readers(folder),
        *_room_readers(folder),
        *_context_readers(folder),
        *_ranking_readers(folder, layout),
        *_model_readers(folder),
        *_text_readers(folder),
    ]
    return found


def _saved(folder: Path, thing: Any, suffix: str) -> bytes:
    path = folder / f"good{suffix}"
    path.unlink(missing_ok=True)
    thing.save(path)
    return path.read_bytes()


def _touch_readers(folder: Path, layout: nk.Layout) -> Iterator[Reader]:
    from nearkey.touch import load_touch

    rng = np.random.default_rng(5)
    touch = nk.GaussianTouch.from_layout(layout, spread=0.3)
    keys = np.repeat(np.arange(26), 4)
    log = nk.TouchLog.from_points(touch.sample(keys, rng), [layout.key_ids[k] for k in keys])
    for suffix in (".csv", ".jsonl", ".parquet"):
        path = folder / f"log{suffix}"
        log.write(path)
        yield Reader(
            f"touch log {suffix}",
            suffix,
            nk.TouchLog.read,
            [path.read_bytes()],
            child=suffix == ".parquet",
        )
    models = [
        touch,
        nk.StudentTouch().fit(log, layout),
        nk.MixtureTouch().fit(log, layout),
        nk.RegressionTouch().fit(log, layout),
    ]
    yield Reader(
        "touch model", ".json", load_touch, [_saved(folder, model, ".json") for model in models]
    )


def _personal_readers(folder: Path, layout: nk.Layout) -> Iterator[Reader]:
    sys.path.append(str(Path(__file__).parents[1] / "unit" / "session"))
    from session_fakes import FakeDecoder

    from nearkey.personal import PersonalLanguage
    from nearkey.session.journal import Journal

    pack = nk.load_pack("en")
    path = folder / "words.jsonl"
    path.unlink(missing_ok=True)
    with PersonalLanguage.open(path, pack) as words:
        for word in ("the", SECRET, "tripod", SECRET, "level"):
            words.learn(word, words._pack.language_model.start())
        words.add_word("McAllister")
        snapshot = path.read_bytes()
    yield Reader(
        "personal words",
        ".jsonl",
        lambda p: PersonalLanguage.open(p, pack, read_only=True),
        [snapshot, path.read_bytes()],
    )
    decoder = FakeDecoder()
    journal = folder / "journal.jsonl"
    journal.unlink(missing_ok=True)
    with nk.Session(decoder, journal=journal) as session:
        for letter in "see":
            session.tap(*decoder.center(letter))
        session.commit()
        session.insert(SECRET)
        session.move(1)
        session.shift()
        session.undo()
        session.mark(".")
    good = [journal.read_bytes()]

    def restore(path: Path) -> None:
        Journal.read(path)
        nk.Session.restore(path, decoder).close()

    yield Reader("journal", ".jsonl", restore, good)

    def sealed(path: Path) -> None:
        _seal_journal(path)
        restore(path)

    yield Reader("journal, forged check sums", ".jsonl", sealed, good)
    from nearkey.session import content

    content.NEAR, near = 4, content.NEAR  # so that a short text has pieces far from the cursor
    short = folder / "short.jsonl"
    short.unlink(missing_ok=True)
    with nk.Session(decoder, journal=short, undo_limit=3) as session:
        for word in (*["see", "you", "at", "the", "gate", "open"], SECRET):
            for letter in word:
                session.tap(*decoder.center(letter))
            session.commit()
        session.move(9)
        session.undo()
        session._shorten(session._journal)
        session.insert("x")
    content.NEAR = near
    yield Reader("journal, shortened", ".jsonl", sealed, [short.read_bytes()])


def _seal_journal(path: Path) -> None:
    """Give every line the check sum that fits it: what a forger would do."""
    import zlib

    check, out = 0, []
    for line in path.read_bytes().split(b"\n"):
        body = re.sub(rb',"crc":"[0-9a-f]*"\}$', b"}", line)
        if not body.endswith(b"}"):
            out.append(line)
            continue
        check = zlib.crc32(body, check)
        out.append(body[:-1] + b',"crc":"%08x"}' % check)
    path.write_bytes(b"\n".join(out))


def _study_readers(folder: Path) -> Iterator[Reader]:
    from nearkey.study import StudyLog, StudyLogWriter, StudyPlan, plan_study

    path = folder / "study.jsonl"
    path.unlink(missing_ok=True)
    with StudyLogWriter(path, participant="p1", condition="invented", origin="invented") as log:
        log.prompt(f"the {SECRET} pole", 0.0)
        log.event("tap", 0.5, text="t", x=1.0, y=0.5, key="t")
        log.event("accept", 0.9, text="the ", rank=0, word="the")
        log.event("delete", 1.4, text=f"the {SECRET}")
        log.end(2.0)

    def measured(path: Path) -> None:
        StudyLog.read(path).trials()

    yield Reader("study log", ".jsonl", measured, [path.read_bytes()])
    plan = folder / "plan.json"
    plan_study(["p1", "p2"], ["pad", "grid"], [f"we moved {i}" for i in range(200)], seed=1).write(
        plan
    )
    yield Reader("study plan", ".json", StudyPlan.read, [plan.read_bytes()])


def _room_readers(folder: Path) -> Iterator[Reader]:
    """Plans of searches and labs, saved results, checkpoints of searches, what labs are told, answers, predictions."""
    from nearkey.lab.lab_plan import LabPlan
    from nearkey.saved_results import load_result
    from nearkey.search.search_plan import EXAMPLE, SearchPlan
    from nearkey.simulate.chunk_log import ChunkLog
    from nearkey.study.prediction_gap import read_predictions
    from nearkey.study.workload_questionnaire import (
        WORKLOAD_SCALES,
        add_workload_answer,
        read_workload_answers,
        workload_answer,
    )

    yield Reader("search plan", ".toml", SearchPlan.load, [EXAMPLE.encode()])
    lab = """\
name = "Barrel pad"
pack = "en"
folder = "lab-data"
origin = "invented"
k = 5
[[conditions]]
name = "grid"
layout = "qwerty"
fit_mm = [18, 12]
spread_mm = 2.0
[pad]
keys = "faint"
rotation_deg = 3
[strokes]
min_mm = 4
left = "delete"
"""
    yield Reader("lab plan", ".toml", LabPlan.load, [lab.encode()])
    value = {"value": 0.9, "low": 0.8, "high": 1.0}
    row = {"layout": "pad", "place": 1, "top1": value, "kspc": 1.2, "wpm": [20.0, 18.0, 22.0]}
    ranking = {"schema": "nearkey-ranking", "version": 1, "conditions": {"seed": 1}, "rows": [row]}
    search = {
        "schema": "nearkey-search",
        "version": 1,
        "space": {"letters": "abc"},
        "layouts": [{"layout": "1", "groups": ["ab", "c"], "top1": 0.8, "front": True}],
        "noise": {"2": {"top1": [0.8, 0.7, 0.9]}},
    }
    group = {"top1": value, "words": 200}
    score = {
        "schema": "nearkey-score",
        "version": 1,
        "layout": "pad",
        "score": {
            "decoder": "nearkey",
            "all": group,
            "known": group,
            "unknown": group,
            "by_length": {"3": group},
        },
        "compared": {"literal": {"all": group}},
    }
    good = [json.dumps(one, indent=1).encode() for one in (ranking, search, score)]

    def saved(path: Path) -> None:
        result = load_result(path)
        str(result), repr(result), result.to_dicts()

    yield Reader("saved result", ".json", saved, good)
    yield Reader("predictions", ".json", read_predictions, [good[0], json.dumps([row]).encode()])
    path = folder / "search.log"
    path.unlink(missing_ok=True)

    def take(record: dict[str, Any]) -> None:
        np.asarray(record["values"], dtype=np.float64)
        np.asarray(record["keys"], dtype=np.uint8)
        int(record["chunk"]), int(record["evaluated"])

    header = {"schema": "nearkey-search-checkpoint", "version": 2, "run": "mark"}
    with ChunkLog(path, header, take) as log:
        for n in range(3):
            log.append(
                {"chunk": n, "keys": [[0, 1, 2]] * 2, "values": [[0.5], [0.6]], "evaluated": 4}
            )

    def resumed(path: Path) -> None:
        ChunkLog(path, header, take).close()

    def forged(path: Path) -> None:
        _seal_lines(path)
        resumed(path)

    yield Reader("search checkpoint", ".log", resumed, [path.read_bytes()])
    yield Reader("search checkpoint, forged check sums", ".log", forged, [path.read_bytes()])
    from lab_devices import lab_in

    place = folder / "lab"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    lab = lab_in(place, nk.load_pack("en", context_model=False))
    told: list[str] = []
    device = lab.connect(told.append)

    def receive(path: Path) -> None:
        told.clear()
        for line in path.read_bytes().split(b"\n"):
            lab.receive(device, line)
        for reply in map(json.loads, told):
            if reply["type"] == "problem" and (
                len(reply["problem"]) >= 300 or SECRET in reply["problem"]
            ):
                raise AssertionError(reply["problem"])

    hello = (
        b'{"type":"hello","role":"both","client":"c1","device":"'
        + SECRET.encode()
        + b'","t_ms":1.0}\n'
    )
    requests = [
        b'{"type":"start","activity":"try","conditions":["grid"]}\n'
        b'{"type":"touch","x":3.0,"y":3.0,"n":1,"t_ms":1200.0,"up_ms":1290.0,"width":8.0,"height":9.0}\n'
        b'{"type":"press","action":"space","n":2}\n{"type":"press","action":"choose","rank":1,"n":3}\n'
        b'{"type":"painted","n":1,"ms":20.0}\n{"type":"leave"}',
        b'{"type":"start","activity":"study","participant":"p1"}\n{"type":"next"}\n{"type":"next"}\n'
        b'{"type":"touch","x":9.0,"y":3.0,"n":1,"path":[[1.0,2.0,3.0]]}\n{"type":"next"}\n{"type":"leave"}',
        b'{"type":"show","keys":"faint","rotation_deg":3.0,"scale":1.5}\n{"type":"ping","t_ms":1.0}\n'
        b'{"type":"start","activity":"calibrate","participant":"p2","keys":"drawn"}\n{"type":"next"}\n'
        b'{"type":"touch","x":1.0,"y":1.0,"to":[2.0,3.0],"n":5,"kind":"pen","pressure":0.5}\n{"type":"leave"}',
    ]
    yield Reader("lab message", ".json", receive, [hello + one for one in requests])
    answers = folder / "workload.jsonl"
    answers.unlink(missing_ok=True)
    ratings = {scale.name: 50 for scale in WORKLOAD_SCALES}
    for person in ("p1", "p2"):
        fields = {"participant": person, "condition": "pad", **ratings}
        add_workload_answer(answers, workload_answer(fields))
    yield Reader("workload answers", ".jsonl", read_workload_answers, [answers.read_bytes()])


def _seal_lines(path: Path) -> None:
    """Give every line of a log of chunks the check sum that fits it."""
    import zlib

    out = []
    for line in path.read_bytes().split(b"\n"):
        body = re.sub(rb',"crc":"[0-9a-f]*"\}$', b"}", line)
        out.append(
            body[:-1] + b',"crc":"%08x"}' % zlib.crc32(body) if body.endswith(b"}") else line
        )
    path.write_bytes(b"\n".join(out))


def _context_readers(folder: Path) -> Iterator[Reader]:
    """A context model's file, and what its training reads and leaves."""
    from small_context import TRAINED, invented_network

    from nearkey.language.arrays import map_bytes
    from nearkey.language.mapped_files import (
        read_context_arrays,
        read_context_header,
        write_context_file,
    )
    from nearkey.packs.context_data import _write
    from nearkey.packs.context_part import read_trained, write_context
    from nearkey.packs.context_training.training_data import TrainingError, read_data

    arrays = invented_network(60, seed=3)
    path = folder / "context.bin"
    write_context_file(path, arrays)

    def context(path: Path) -> None:
        data = map_bytes(path)
        read_context_arrays(data, read_context_header(data, str(path)))

    yield Reader("context model", ".bin", context, [path.read_bytes()], child=True)
    trained = folder / "trained"
    trained.mkdir(exist_ok=True)
    np.savez_compressed(trained / "weights8.npz", **arrays)
    report = {"trained_s": 6.0, **TRAINED}
    (trained / "report.json").write_text(json.dumps(report))

    def reading(name: str) -> Callable[[Path], None]:
        place = folder / f"trained with another {name}"
        shutil.copytree(trained, place, dirs_exist_ok=True)

        def read(path: Path) -> None:
            shutil.copyfile(path, place / name)
            write_context(place, read_trained(place, 60))

        return read

    for name in ("report.json", "weights8.npz"):
        yield Reader(f"training: {name}", ".json", reading(name), [(trained / name).read_bytes()])
    tokens = folder / "tokens"
    tokens.mkdir(exist_ok=True)
    stream = np.arange(200, dtype=np.uint16) % 60
    _write(tokens, {"notes": stream}, {"held_out.notes": stream[:50]}, {}, 60, stream.dtype, 1)

    def training(name: str) -> Callable[[Path], None]:
        place = folder / f"tokens with another {name}"
        shutil.copytree(tokens, place, dirs_exist_ok=True)

        def read(path: Path) -> None:
            shutil.copyfile(path, place / name)
            try:
                read_data(place)
            except TrainingError as fault:
                raise PackError(str(fault).replace(str(place), "")) from None

        return read

    for name in ("data.json", "notes.xz"):
        yield Reader(f"training: {name}", ".json", training(name), [(tokens / name).read_bytes()])


def _ranking_readers(folder: Path, layout: nk.Layout) -> Iterator[Reader]:
    from nearkey.simulate.outcomes import WordOutcomes
    from nearkey.simulate.rank_plan import RankPlan
    from nearkey.simulate.results_comparison import SCORE, compare_results, read_tolerance
    from nearkey.simulate.running import Checkpoint

    plan = """\
name = "invented"
words = 200
seed = 3
[surface]
width_mm = 18
height_mm = 12
[[candidates]]
base = "qwerty"
rows = 3
columns = 2
[touch]
spread_mm = 2.0
"""
    yield Reader("ranking plan", ".toml", RankPlan.load, [plan.encode()])
    path = folder / "run.jsonl"
    path.unlink(missing_ok=True)
    with Checkpoint(path, "mark") as kept:
        for chunk in range(3):
            one = np.arange(4)
            kept.put(
                ("qwerty", chunk),
                WordOutcomes(one, one, one, one.astype(float), one.astype(float), one),
            )

    def checkpoint(path: Path) -> None:
        with Checkpoint(path, "mark"):
            pass

    yield Reader("checkpoint", ".jsonl", checkpoint, [path.read_bytes()])
    good = json.dumps(
        {
            "schema": SCORE,
            "version": 1,
            "layout": "pad",
            "conditions": {"words": 200, "seed": 1},
            "static": {"collision_rate": 0.2, "kspc": 1.1},
            "completion": {"savings": {"value": 0.3}},
            "score": {
                "decoder": "nearkey",
                "faults": {"swap": {"count": 1}},
                "calibration_known": {"error": 0.1},
                "all": {"top1": {"value": 0.9}},
                "known": {"top1": {"value": 0.9}},
                "unknown": {"top1": None},
            },
            "compared": {},
        },
        indent=1,
    ).encode()
    before = folder / "before.json"
    before.write_bytes(good)
    yield Reader("results comparison", ".json", lambda p: compare_results(before, p), [good])
    tolerance = b"[tolerance]\ntop1 = 0.01\n"
    yield Reader("tolerance", ".toml", read_tolerance, [tolerance])


def _model_readers(folder: Path) -> Iterator[Reader]:
    from nearkey.language.kenlm_model import KenlmModel
    from nearkey.packs.arpa import estimate_file, read_arpa

    text = folder / "text.txt"
    text.write_text("we set up the tripod\nthe crew moved the tripod\nwe moved\n" * 3)
    path = folder / "model.arpa"
    estimate_file(text, order=3).save(path)
    good = [path.read_bytes()]
    yield Reader("ARPA", ".arpa", read_arpa, good)

    def kenlm(path: Path) -> None:
        model = KenlmModel(path, ["the", "tripod", "we"])
        state = model.advance(model.start(), "the")
        model.log_probs(state)
        model.log_unknown(state)

    with suppress(ImportError):
        import kenlm as _  # noqa: F401

        yield Reader("KenLM", ".arpa", kenlm, good, child=True)


def _text_readers(folder: Path) -> Iterator[Reader]:
    from nearkey.language.reading.corpus import read_corpus
    from nearkey.language.reading.textfiles import ReadOptions
    from nearkey.packs.wordlists import read_counted, read_frequencies, read_spelling

    lines = f"We set up the tripod.\nThe {SECRET} is level, then we rested.\n" * 20
    table = "id,text\n" + "".join(f'{i},"We moved the {SECRET}, twice."\n' for i in range(20))
    records = "".join(json.dumps({"text": f"We moved the {SECRET}."}) + "\n" for _ in range(20))

    def read(path: Path) -> None:
        deque(read_corpus(path)[1], maxlen=0)

    examples = {
        ".txt": lines.encode(),
        ".csv": table.encode(),
        ".tsv": table.replace(",", "\t").encode(),
        ".json": json.dumps([{"text": "We moved."}, {"text": SECRET}]).encode(),
        ".jsonl": records.encode(),
        ".txt.gz": gzip.compress(lines.encode(), mtime=0),
        ".jsonl.gz": gzip.compress(records.encode(), mtime=0),
    }
    for suffix, good in examples.items():
        yield Reader(f"text {suffix}", suffix, read, [good])
    with suppress(ImportError):
        import pyarrow as pa
        import pyarrow.parquet as pq

        pq.write_table(pa.table({"text": ["We moved.", SECRET] * 10}), folder / "t.parquet")
        yield Reader(
            "text .parquet", ".parquet", read, [(folder / "t.parquet").read_bytes()], child=True
        )
    options = ReadOptions()
    yield Reader(
        "counted words",
        ".txt",
        lambda p: read_counted(p),
        [b"the 120\ntripod 31\nlevel 12\n" * 4],
    )
    yield Reader(
        "spelling list",
        ".txt",
        lambda p: read_spelling([p], options),
        [b"the\ntripod\nlevel/S\n" * 4],
    )
    import msgspec

    bins: list[object] = [{"format": "cB", "version": 1}, [], ["the"], ["tripod", "level"]]
    packed = gzip.compress(msgspec.msgpack.encode(bins), mtime=0)
    yield Reader("word frequencies", ".msgpack.gz", lambda p: read_frequencies(p), [packed])


# ---- packs ----


def forge(folder: Path, name: str, data: bytes) -> None:
    """Put other bytes into a pack's folder, with the checksums that fit them: what a stranger would do."""
    from nearkey.language.info import record_file, sealed
    from nearkey.schema import read_toml

    (folder / name).unlink(missing_ok=True)
    (folder / name).write_bytes(data)
    raw = read_toml(folder / "pack.toml", PackError)
    record = record_file(folder / name)
    raw["files"][name] = {"bytes": record.bytes, "crc32": record.crc32, "sha256": record.sha256}
    (folder / "pack.toml").write_text(sealed(raw))


def use_pack(folder: Path) -> object:
    """All that is done with a pack: loaded, checked, decoded with."""
    from nearkey.packs.evaluate import inspect_pack

    pack = nk.load_pack(folder)
    layout = nk.Layout.named("qwerty")
    edits = nk.EditCosts.typical(layout)
    decoder = nk.Decoder(
        layout, nk.GaussianTouch.from_layout(layout, spread=0.4), pack, edits=edits
    )
    places = layout.centers[[4, 8, 2, 9]]
    for context in ("", "the", "we set up the"):
        decoder.candidates(places, context=context)
        decoder.candidates(places[:0], context=context)
    decoder.decode_sentence(places, k=2)
    decoder.marks("the")
    decoder.letters_at(places[0], before="t")
    for word in ("the", "tripod", "zz", "\u00e9"):
        pack.lexicon.index(word)
        pack.language_model.log_prob("we set", word)
    return inspect_pack(folder)


def fuzz_packs(
    good: Path, folder: Path, *, cases: int, seed: int, most: int = 5
) -> tuple[dict[str, list[int]], list[str]]:
    """Forged packs, each in a child process: of every file [cases, failures], and what the first failures did."""
    from nearkey.language.info import read_info

    names = [*read_info(good).files, "pack.toml"]
    tally = {name: [0, 0] for name in names}
    told: list[str] = []
    bytes_of = {name: (good / name).read_bytes() for name in names}
    for number in range(cases):
        rng = random.Random(f"{seed} pack {number}")
        name = names[number % len(names)]
        data = damaged(rng, [bytes_of[name]])
        place = folder / "forged"

        def work(name: str = name, data: bytes = data, place: Path = place) -> str | None:
            shutil.rmtree(place, ignore_errors=True)
            shutil.copytree(good, place)
            if name == "pack.toml":
                (place / name).write_bytes(_sealed_again(data))
            else:
                forge(place, name, data)
            return answer(use_pack, place)

        said = in_child(work)
        tally[name][0] += 1
        if said is not None:
            tally[name][1] += 1
            if len(told) < most:
                told.append(f"pack {name}, case {number}: {said}")
    return tally, told


def _sealed_again(data: bytes) -> bytes:
    import zlib

    text = data.rpartition(b"# CRC-32 of the lines above: ")[0]
    return text + b"# CRC-32 of the lines above: %08x\n" % zlib.crc32(text)


if sys.platform == "win32":  # pragma: no cover
    raise ImportError("needs fork and alarms")
