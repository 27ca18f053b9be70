"""Bad files on the command line: one line with file, field and fix, exit code 2, nothing left behind."""

from __future__ import annotations

import shutil

import pytest
from command_line import done, refused
from invented_touches import invented_log

import nearkey as nk

QWERTY = nk.Layout.named("qwerty")
BINARY = bytes(range(256)) * 4


# ---- layouts ----


def spec(folder, change=lambda text: text):
    path = folder / "pad.toml"
    QWERTY.save(path)
    path.write_text(change(path.read_text()))
    return path


def without_key(text: str, name: str) -> str:
    head, *keys = text.split("[[keys]]")
    return "[[keys]]".join([head, *(k for k in keys if f'id = "{name}"' not in k)])


LAYOUTS = {
    "a missing letter": (lambda t: without_key(t, "k"), "keys: letters: no key has 'k'; put each"),
    "two missing letters": (lambda t: without_key(without_key(t, "k"), "x"), "no key has 'k', 'x'"),
    "a letter twice": (lambda t: t.replace('letters = "w"', 'letters = "wq"'), "'q'"),
    "an id twice": (
        lambda t: t.replace('id = "w"', 'id = "q"'),
        'key "q": id: another key has this id; give each key its own',
    ),
    "NaN": (lambda t: t.replace("x = 0\n", "x = nan\n", 1), 'key "q": x: nan is not a finite'),
    "infinity": (lambda t: t.replace("h = 1\n", "h = inf\n", 1), 'key "q": h: inf is not a finite'),
    "an overlap": (lambda t: t.replace("x = 1\n", "x = 0.5\n", 1), "overlap"),
    "off the surface": (lambda t: t.replace("width = 10", "width = 9"), "surface"),
    "text for a number": (lambda t: t.replace("x = 0\n", 'x = "left"\n', 1), 'key "q": x: '),
    "an unknown field": (lambda t: 'colour = "red"\n' + t, "colour: unknown field"),
    "bad syntax": (lambda t: t + "\n[[keys\n", "not valid TOML"),
    "nothing": (lambda t: "", "name: is missing"),
}


@pytest.mark.parametrize("case", LAYOUTS)
def test_bad_specs(tmp_path, case):
    change, says = LAYOUTS[case]
    path = spec(tmp_path, change)
    for command in (("check", path), ("draw", path, "-o", tmp_path / "pad.svg")):
        line = refused(tmp_path, "layout", *command)
        assert line.startswith(f"nearkey: {path}: ")
        assert says in line
    save = ("--rows", 3, "--columns", 2, "-o", tmp_path / "grids")
    assert says in refused(tmp_path, "layout", "grids", path, *save)


def test_specs_that_are_no_text_or_not_there(tmp_path):
    path = tmp_path / "pad.toml"
    path.write_bytes(BINARY)
    assert f"{path}: not UTF-8 at byte 128; save" in refused(tmp_path, "layout", "check", path)
    path.write_bytes(b"\0" * 100)
    assert f"{path}: not valid TOML" in refused(tmp_path, "layout", "check", path)
    assert "is a folder, not a file" in refused(tmp_path, "layout", "check", tmp_path)
    line = refused(tmp_path, "layout", "check", tmp_path / "no.toml")
    assert "no.toml: neither a file nor a layout of the catalogue; check the path, or" in line
    assert "qwerty" in refused(tmp_path, "layout", "draw", "qwerti")


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--rows", 0, "--columns", 3), "rows: 0"),
        (("--rows", 2, "--columns", -1), "columns: -1"),
        (("--rows", 2, "--columns", 3, "--limit", 0), "limit: limit is 0; give 1 or more"),
        (("--rows", 2, "--columns", 3, "--rule", "free"), "limit"),
    ],
)
def test_grids_that_cannot_be(tmp_path, options, says):
    save = ("-o", tmp_path / "grids")
    assert says in refused(tmp_path, "layout", "grids", "qwerty", *options, *save)


def test_a_place_that_cannot_be_written_to(tmp_path):
    (tmp_path / "file").write_text("")
    target = tmp_path / "file" / "pad.svg"
    line = refused(tmp_path, "layout", "draw", "qwerty", "-o", target)
    assert line.endswith("; check the path and the disk")
    assert "file" in line


# ---- touch logs ----


def touch_log(folder, suffix=".csv"):
    path = folder / f"log{suffix}"
    invented_log(QWERTY, people=2).write(path)
    return path


def cell(column: str, value: str):
    """Another value in the third touch of a CSV."""

    def change(text: str) -> str:
        lines = text.splitlines()
        header = next(i for i, line in enumerate(lines) if not line.startswith("#"))
        row = lines[header + 3].split(",")
        row[lines[header].split(",").index(column)] = value
        lines[header + 3] = ",".join(row)
        return "\n".join(lines) + "\n"

    return change


def only_header(text: str) -> str:
    return "".join(line + "\n" for line in text.splitlines()[:4])


LOGS = {
    "NaN": (cell("x", "nan"), "line 7, x: is nan; give a finite number or drop the row"),
    "infinity": (cell("y", "inf"), "line 7, y: is inf; give a finite number or drop the row"),
    "minus infinity": (cell("x", "-inf"), "line 7, x: is -inf; give"),
    "an empty cell": (cell("x", ""), "line 7, x: is empty; give"),
    "text": (cell("y", "low"), "line 7, y: 'low' is not a number; give a finite number"),
    "half a trial": (cell("trial", "1.5"), "line 7, trial: '1.5' is not a whole number"),
    "an unknown target": (
        cell("target", "zz"),
        "row 3, target: 'zz' is neither a key nor a letter of the layout; keys are q, w,",
    ),
    "no width": (cell("width_mm", "0"), "line 7, width_mm: is 0.0; give a width above 0"),
    "a field too few": (cell("width_mm", "1,2"), "line 7: has 10 fields where the header has 9"),
    "no touches": (only_header, "rows: holds no touches; log at least one touch"),
    "nothing": (lambda t: "", "columns are missing; a touch log needs participant, session, trial"),
    "no column of targets": (
        lambda t: t.replace(",target,", ",goal,"),
        "target: column is missing; a touch log needs",
    ),
    "names in capitals": (
        lambda t: t.replace(",target,", ",Target,"),
        "target: column is missing; a touch log needs participant, session, trial, order, time_s, x, y, target "
        "(names are in lower case)",
    ),
    "no targets": (
        lambda t: "".join(
            line + "\n" if i < 4 else ",".join([*line.split(",")[:7], "", "10"]) + "\n"
            for i, line in enumerate(t.splitlines())
        ),
        "target: no touch has a target; label some touches",
    ),
    "another unit": (
        lambda t: t.replace("unit = mm", "unit = inch"),
        "unit: unit 'inch' is unknown",
    ),
    "a unit mixed up": (  # 60 mm read as 60 keys of 6 mm
        lambda t: t.replace("unit = mm", "unit = layout"),
        "lie far off the 10 x 3 surface; check the unit of the log (layout or mm)",
    ),
    "a later version": (lambda t: t.replace("version = 1", "version = 9"), "version: version 9"),
    "semicolons": (lambda t: t.replace(",", ";"), "header: fields are parted by semicolons; use"),
    "open quotes": (cell("target", '"q'), "not valid CSV: unexpected end of data; correct"),
}


@pytest.mark.parametrize("case", LOGS)
def test_bad_touch_logs(tmp_path, case):
    change, says = LOGS[case]
    path = touch_log(tmp_path)
    path.write_text(change(path.read_text()))
    on = ("--layout", "qwerty")
    for command in (
        ("clean", path, *on, "-o", tmp_path / "kept.csv"),
        ("fit", path, *on, "-o", tmp_path / "touch.json"),
        ("fit", path, *on, "--keep-all", "-o", tmp_path / "touch.json"),
        ("compare", path, *on, "--draw", tmp_path / "compare.png"),
        ("draw", path, *on, "-o", tmp_path / "touches.png"),
    ):
        line = refused(tmp_path, "touch", *command)
        assert line.startswith(f"nearkey: {path}: ")
        assert says in line


def test_logs_of_other_kinds_that_are_damaged(tmp_path):
    fit = ("--layout", "qwerty", "-o", tmp_path / "touch.json")
    path = touch_log(tmp_path, ".jsonl")
    path.write_text(path.read_text() + "{oops\n")
    assert "line 418: not valid JSON" in refused(tmp_path, "touch", "fit", path, *fit)
    for suffix, says in (
        (".csv", "not UTF-8 at byte 128; save the file as UTF-8"),
        (".jsonl", "not UTF-8 at byte 128; save the file as UTF-8"),
        (".parquet", "not a readable Parquet file"),
        (".txt", "path: suffix '.txt' is unknown; use .csv, .jsonl or .parquet"),
    ):
        path = tmp_path / f"binary{suffix}"
        path.write_bytes(BINARY)
        line = refused(tmp_path, "touch", "fit", path, *fit)
        assert line.startswith(f"nearkey: {path}: ")
        assert says in line
    missing = refused(tmp_path, "touch", "fit", tmp_path / "no.csv", *fit)
    assert "no.csv: no such file; check the path" in missing


def test_logs_with_too_little_in_them(tmp_path):
    path = touch_log(tmp_path)
    lines = path.read_text().splitlines()
    path.write_text("\n".join(lines[:6]) + "\n")
    fit = ("touch", "fit", path, "--layout", "qwerty", "-o", tmp_path / "touch.json")
    assert "2 labelled touches are too few; log at least 3" in refused(tmp_path, *fit)
    path.write_text("\n".join(lines[:30]) + "\n")
    compare = ("touch", "compare", path, "--layout", "qwerty")
    line = refused(tmp_path, *compare)
    assert "one person and 26 touches are too few to hold some out; log several people" in line


def test_models_that_are_damaged(tmp_path):
    path = tmp_path / "touch.json"
    for content, says in (
        (b"", "not valid JSON"),
        (b"{}", "schema"),
        (b'{"schema": "other"}', "schema"),
        (BINARY, "not UTF-8"),
    ):
        path.write_bytes(content)
        line = refused(tmp_path, "touch", "ellipses", path)
        assert line.startswith(f"nearkey: {path}: ")
        assert says in line
    assert "no such file" in refused(tmp_path, "touch", "ellipses", tmp_path / "no.json")


def test_an_output_that_cannot_be_written_loses_nothing(tmp_path):
    path = touch_log(tmp_path)
    line = refused(
        tmp_path, "touch", "clean", path, "--layout", "qwerty", "-o", tmp_path / "kept.txt"
    )
    assert "suffix '.txt' is unknown" in line
    target = path / "touch.json"  # below a file
    line = refused(tmp_path, "touch", "fit", path, "--layout", "qwerty", "-o", target)
    assert line.endswith("check the path and the disk")


# ---- plans and packs ----

PLAN = """\
name = "invented"
words = 200
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


def added(text: str):
    return lambda plan: plan + text


def other(old: str, new: str):
    def change(plan: str) -> str:
        assert old in plan
        return plan.replace(old, new)

    return change


LOG_OF = '[[touch.logs]]\nfile = "{file}"\nlayout = "qwerty"\n'
PLANS = {
    "an unknown field": (other("words", "wordz"), "wordz: unknown field; remove it or correct"),
    "an unknown field within": (other("rows", "row"), "candidates[0].row: unknown field"),
    "an unknown option": (
        added("[selection]\nshown = 3\n"),
        "selection.shown: unknown field; write one of style, k",
    ),
    "a missing field": (other("width_mm = 18\n", ""), "surface.width_mm: is missing; add it"),
    "no candidate": (
        other('[[candidates]]\nbase = "qwerty"\nrows = 3\ncolumns = 2\n', ""),
        "candidates: is missing",
    ),
    "bad syntax": (added("[corpus\n"), "not valid TOML: Expected ']'"),
    "text for a number": (other("200", '"many"'), "words: expected `int`, got `str`; correct"),
    "one word": (other("200", "1"), "words: expected `int` >= 2; correct the value"),
    "a seed below 0": (other("words", "seed = -1\nwords"), "seed: expected `int` >= 0"),
    "no workers": (other("words", "workers = 0\nwords"), "workers: expected `int` >= 1"),
    "an unknown measure": (
        other("words", 'by = "beauty"\nwords'),
        "by: 'beauty' is no measure; write one of top1, top3, top5, kspc, wpm",
    ),
    "a weight of NaN": (other("words", "lm_weight = nan\nwords"), "lm_weight: is nan; give 0 or"),
    "a flat surface": (other("18", "0"), "surface.width_mm: is 0; give millimetres above 0"),
    "an endless surface": (other("12", "inf"), "surface.height_mm: is inf; give millimetres"),
    "no spread": (other("2.0", "-2.0"), "touch.spread_mm: is -2; give millimetres above 0"),
    "a spread of NaN": (other("2.0", "nan"), "touch.spread_mm: is nan; give"),
    "no touches": (
        other("spread_mm = 2.0\n", ""),
        "touch: says nothing about touches; give touch.spread_mm or touch.logs",
    ),
    "no word of touches": (
        other("[touch]\nspread_mm = 2.0\n", ""),
        "touch: says nothing about touches; give touch.spread_mm or touch.logs",
    ),
    "an unknown rule": (other("rows", 'rule = "odd"\nrows'), "candidates[0].rule: no rule 'odd'"),
    "no rows": (other("rows = 3\n", ""), "candidates[0].rows: is missing; say how many cells"),
    "a base that is not there": (
        other('"qwerty"', '"pad.toml"'),
        "candidates[0].base: no file {folder}/pad.toml; check the name; it is relative to the plan",
    ),
    "a base of no kind": (other('"qwerty"', '"qwerti"'), "candidates[0].base: 'qwerti' is neither"),
    "a log that is not there": (
        added(LOG_OF.format(file="no.csv")),
        "touch.logs[0].file: no file {folder}/no.csv; check the name; it is relative to the plan",
    ),
    "a text that is not there": (
        added('[corpus]\nfile = "no.txt"\n'),
        "corpus.file: no file {folder}/no.txt; check the name; it is relative to the plan",
    ),
    "context without text": (added("[corpus]\ncontext = true\n"), "corpus.file: is missing; add"),
    "an unknown style": (
        added('[selection]\nstyle = "blink"\n'),
        "selection.style: 'blink' is not known; write one of next, tap",
    ),
    "a time of NaN": (
        added("[speed]\na_s = nan\n"),
        "speed.a_s: nan is not a time or length; give 0 or more",
    ),
}


@pytest.mark.parametrize("case", PLANS)
def test_bad_plans(tmp_path, case):
    change, says = PLANS[case]
    path = tmp_path / "plan.toml"
    path.write_text(change(PLAN))
    line = refused(tmp_path, "rank", path, "--checkpoint", tmp_path / "run.jsonl")
    assert line.startswith(f"nearkey: {path}: ")
    assert says.format(folder=tmp_path) in line


def test_plans_that_are_no_text_or_not_there(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_bytes(BINARY)
    assert f"{path}: not UTF-8 at byte 128; save" in refused(tmp_path, "rank", path)
    path.write_text("")
    assert f"{path}: name: is missing; add it" in refused(tmp_path, "rank", path)
    line = refused(tmp_path, "rank", tmp_path / "no.toml")
    assert "no.toml: no such file; check the path" in line


def test_what_a_plan_names_is_checked_under_its_own_name(tmp_path):
    path = tmp_path / "plan.toml"
    for case in ("NaN", "an unknown target", "no touches"):
        change, says = LOGS[case]
        log = touch_log(tmp_path)
        log.write_text(change(log.read_text()))
        path.write_text(PLAN + LOG_OF.format(file="log.csv"))
        line = refused(tmp_path, "rank", path)
        assert line.startswith(f"nearkey: {log}: ")
        assert says in line
    path.write_text(PLAN.replace('"qwerty"', '"pad.toml"'))
    pad = spec(tmp_path, LAYOUTS["a missing letter"][0])
    line = refused(tmp_path, "rank", path)
    assert line.startswith(f"nearkey: {pad}: ")
    assert "no key has 'k'" in line
    path.write_text(PLAN + '[corpus]\nfile = "notes.txt"\n')
    for content, says in ((b"\n\n", "holds no text"), (BINARY, "line 1, byte 0: holds zero bytes")):
        (tmp_path / "notes.txt").write_bytes(content)
        line = refused(tmp_path, "rank", path)
        assert line.startswith(f"nearkey: {tmp_path / 'notes.txt'}: {says}")


@pytest.fixture(scope="module")
def pack_folder(english, tmp_path_factory):
    folder = tmp_path_factory.mktemp("pack") / "en"
    shutil.copytree(english.folder, folder)
    return folder


@pytest.mark.parametrize(
    "name", ["words.ngram", "letters.ngram", "words.bin", "lexicon.marisa", "case.bin", "marks.bin"]
)
def test_a_flipped_byte_in_a_pack_is_found(tmp_path, pack_folder, name):
    path = tmp_path / "plan.toml"
    path.write_text(f'pack = "{pack_folder}"\n{PLAN}')
    file = pack_folder / name
    good = file.read_bytes()
    bad = bytearray(good)
    bad[len(bad) // 2] ^= 1
    file.write_bytes(bad)
    try:
        line = refused(tmp_path, "rank", path, "--checkpoint", tmp_path / "run.jsonl")
        assert line.startswith(f"nearkey: {file}: ")
        assert "checksum" in line
        file.unlink()
        assert name in refused(tmp_path, "rank", path)
    finally:
        file.write_bytes(good)


def test_packs_that_are_not_there_or_no_packs(tmp_path, pack_folder):
    path = tmp_path / "plan.toml"
    path.write_text(f'pack = "klingon"\n{PLAN}')
    told = f"nearkey: {path}: pack: klingon: no such pack; install it, or build it"
    assert refused(tmp_path, "rank", path).startswith(told)
    empty = tmp_path / "empty"
    empty.mkdir()
    path.write_text(f'pack = "{empty}"\n{PLAN}')
    assert "no pack.toml in this folder; give a pack's folder" in refused(tmp_path, "rank", path)
    info = pack_folder / "pack.toml"
    good = info.read_bytes()
    path.write_text(f'pack = "{pack_folder}"\n{PLAN}')
    try:
        for content in (b"", b"format = 99\n", BINARY, good + b"\n[x\n"):
            info.write_bytes(content)
            assert str(info) in refused(tmp_path, "rank", path)
    finally:
        info.write_bytes(good)
    done("rank", path, "--words", 20, "--no-report")
