"""Texts of hub data sets through the real `datasets` library: folders of every format, and a hub on loopback.

Yardstick: the invented rows as they were before `csv`, `json` and `pyarrow` wrote them.
"""

from __future__ import annotations

import gzip
import json
import os
import subprocess
import sys

import pytest
from library_texts import SAID, hub_environment, quiet_hub, write_hub_folder
from loopback_hub import loopback_hub

from nearkey.errors import NearkeyError, PackError
from nearkey.language.reading.corpus import LIBRARY_READERS, ReadOptions, ReadReport

pytest.importorskip("datasets")
pytest.importorskip("pyarrow")

FORMS = ["csv", "jsonl", "parquet", "arrow", "txt"]

OVER_HTTP = """
import json, sys

def at_home(event, arguments):
    host = {"socket.connect": lambda: arguments[1][0], "socket.getaddrinfo": lambda: arguments[0]}.get(event)
    if host is not None and host() != "127.0.0.1":
        raise OSError(f"a test asked the network for {host()}")

sys.addaudithook(at_home)
from nearkey.errors import NearkeyError
from nearkey.language.reading.corpus import LIBRARY_READERS, ReadOptions, ReadReport
found = []
for name in sys.argv[1:]:
    try:
        found.append(list(LIBRARY_READERS["hub"](name, ReadOptions(), ReadReport())))
    except NearkeyError as fault:
        found.append(str(fault))
print(json.dumps(found))
"""
"""Reads the data sets named; refuses all addresses but loopback."""


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    """Off line, with the library's caches here."""
    folder = tmp_path_factory.mktemp("hub")
    with quiet_hub(folder):
        yield folder


def read(name: object, column: str = "text") -> tuple[list[str], ReadReport]:
    report = ReadReport()
    lines = list(LIBRARY_READERS["hub"](str(name), ReadOptions(column=column), report))
    assert report.lines == len(lines)
    return lines, report


def refusal(name: object, column: str = "text") -> NearkeyError:
    with pytest.raises(PackError) as caught:
        read(name, column)
    message = str(caught.value)
    assert message.startswith(f"hub:{name}: ")
    assert "\n" not in message
    assert caught.value.fix
    return caught.value


@pytest.mark.parametrize("form", FORMS)
def test_every_format_gives_its_rows_and_splits(cache, tmp_path, form):
    rows = [*SAID, None, "two lines\nof one note"]
    folder = write_hub_folder(tmp_path / "notes", rows, form, split="train")
    write_hub_folder(folder, ["kept apart"], form, split="test")
    lines, report = read(folder)
    if form == "txt":  # which has lines, and no way to hold none
        assert lines == [*SAID, "two lines", "of one note"]
    else:
        assert lines == [*SAID, "two lines", "of one note"]
        assert report.dropped == {"row without text": 1}
    assert read(f"{folder}@test")[0] == ["kept apart"]


def test_nothing_of_the_text_is_kept(cache, tmp_path):
    folder = write_hub_folder(tmp_path / "notes", SAID, "csv", split="train")
    assert read(folder)[0] == SAID
    kept = [path for path in cache.rglob("*") if path.is_file()]
    assert not [path for path in kept if b"tripod" in path.read_bytes()]


def test_packed_files_and_another_column(cache, tmp_path):
    folder = tmp_path / "notes"
    folder.mkdir()
    (folder / "train.csv.gz").write_bytes(gzip.compress(b"said,text\nbring it,no\n"))
    assert read(folder, "said")[0] == ["bring it"]


def test_a_row_may_hold_several_texts(cache, tmp_path):
    folder = tmp_path / "talks"
    folder.mkdir()
    talks = [{"text": ["where is it", "by the kerb"]}, {"text": ["ok", None]}, {"text": None}]
    (folder / "train.jsonl").write_text("".join(json.dumps(talk) + "\n" for talk in talks))
    lines, report = read(folder)
    assert lines == ["where is it", "by the kerb", "ok"]
    assert report.dropped == {"row without text": 2}


def test_rows_without_words_are_counted(cache, tmp_path):
    folder = tmp_path / "numbers"
    folder.mkdir()
    (folder / "train.csv").write_text("text\n12\n13\n")
    assert read(folder)[1].dropped == {"row without text": 2}


def test_sound_beside_the_text_is_not_decoded(cache, tmp_path):
    # Decoding needs another library, and these bytes are no sound.
    import datasets
    import pyarrow as pa
    import pyarrow.parquet as pq

    folder = tmp_path / "spoken"
    folder.mkdir()
    sound = pa.array(
        [{"bytes": b"no sound", "path": None}] * 2,
        type=pa.struct([("bytes", pa.binary()), ("path", pa.string())]),
    )
    features = datasets.Features({"text": datasets.Value("string"), "sound": datasets.Audio()})
    about = {"info": {"features": features.to_dict()}}
    table = pa.table({"text": ["bring it", "move it"], "sound": sound})
    table = table.replace_schema_metadata({"huggingface": json.dumps(about)})
    pq.write_table(table, folder / "train.parquet")
    rows = datasets.load_dataset(os.fspath(folder), split="train", streaming=True)
    with pytest.raises(Exception):  # noqa: B017  whatever the library raises: it tried
        list(rows)
    assert read(folder)[0] == ["bring it", "move it"]


def test_configurations_are_named_after_a_colon(cache, tmp_path):
    folder = tmp_path / "both"
    write_hub_folder(folder / "field", ["out here"], "csv", split="train")
    write_hub_folder(folder / "field", ["out there"], "csv", split="test")
    write_hub_folder(folder / "office", ["in there"], "csv", split="train")
    (folder / "README.md").write_text(
        "---\nconfigs:\n"
        "- config_name: field\n  data_files:\n"
        "  - split: train\n    path: field/train.csv\n  - split: test\n    path: field/test.csv\n"
        "- config_name: office\n  data_files: office/*.csv\n---\nInvented.\n"
    )
    assert read(f"{folder}:office")[0] == ["in there"]
    assert read(f"{folder}:field@test")[0] == ["out there"]
    fault = refusal(folder)
    assert "['field', 'office']" in fault.problem
    assert "hub:NAME:CONFIG@SPLIT" in fault.fix
    assert "['field', 'office']" in refusal(f"{folder}:attic").problem


@pytest.mark.parametrize("place", ["me@home", "me@home/notes", "notes:old", "notes:old@home"])
def test_a_folder_s_name_may_hold_the_signs_of_splits(cache, tmp_path, place):
    folder = write_hub_folder(tmp_path / place, ["bring it"], "csv", split="train")
    write_hub_folder(folder, ["move it"], "csv", split="test")
    assert read(folder)[0] == ["bring it"]
    assert read(f"{folder}@test")[0] == ["move it"]


def test_an_unknown_split_is_told_with_those_there_are(cache, tmp_path):
    folder = write_hub_folder(tmp_path / "notes", SAID, "csv", split="test")
    for name in (folder, f"{folder}@attic", f"{folder}@test[:5]"):
        fault = refusal(name)
        assert "'test'" in fault.problem
        assert "hub:NAME@SPLIT" in fault.fix


@pytest.mark.parametrize("form", FORMS[:4])
def test_an_unknown_column_is_told_with_those_there_are(cache, tmp_path, form):
    folder = write_hub_folder(tmp_path / "notes", SAID, form, split="train")
    fault = refusal(folder, "said")
    assert fault.problem == "has no column 'said'"
    assert fault.fix == "set `column` to one of place, text"


def test_what_is_not_there_is_told(cache, tmp_path):
    (tmp_path / "empty").mkdir()
    for name in (tmp_path / "none", tmp_path / "empty", "no/such/thing"):
        assert "check the name" in refusal(name).fix
    for folder in (
        "me@home",
        "me:home",
    ):  # signs in the name of a folder, and no split or configuration
        assert folder in refusal(tmp_path / folder / "none").problem
    assert "hub:NAME" in refusal("").fix
    assert "hub:NAME" in refusal("@train").fix


def test_without_a_network_it_says_so(cache):
    fault = refusal("surveyors/field-notes@train")
    assert "surveyors/field-notes" in fault.problem
    assert "check the network" in fault.fix


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("train.jsonl", b'{"text": "fine"}\n{nonsense\n', "JSON"),
        ("train.parquet", b"PAR1 not really", "Parquet"),
        ("train.txt", "caf\xe9\n".encode("latin-1"), "utf-8"),
    ],
)
def test_damaged_files_are_told(cache, tmp_path, name, content, told):
    (tmp_path / "notes").mkdir()
    (tmp_path / "notes" / name).write_bytes(content)
    fault = refusal(tmp_path / "notes")
    assert told in fault.problem
    assert "download its files" in fault.fix


def over_http(address: str, cache: object, *names: str) -> list[list[str] | str]:
    """What reading the data sets gives, in a process whose hub is at the address."""
    clean = {name: value for name, value in os.environ.items() if "proxy" not in name.lower()}
    hub = {**hub_environment(cache), "HF_HUB_OFFLINE": "0", "HF_ENDPOINT": address}
    done = subprocess.run(
        [sys.executable, "-c", OVER_HTTP, *names],
        env={**clean, **hub}, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    found: list[list[str] | str] = json.loads(done.stdout)
    return found


def test_a_name_is_found_and_streamed_over_http(tmp_path):
    notes = write_hub_folder(tmp_path / "notes", [*SAID, None], "parquet", split="train")
    write_hub_folder(notes, ["kept apart"], "parquet", split="test")
    posts = write_hub_folder(tmp_path / "posts", ["over here"], "jsonl", split="train")
    sets = {"surveyors/field-notes": notes, "surveyors/posts": posts}
    with loopback_hub(sets) as (address, asked):
        names = (
            "surveyors/field-notes", "surveyors/field-notes@test", "surveyors/posts@train",
            "surveyors/posts@attic", "surveyors/nothing",
        )  # fmt: skip
        first, test, other, no_split, no_set = over_http(address, tmp_path / "cache", *names)
    assert (first, test, other) == (SAID, ["kept apart"], ["over here"])
    assert "Available splits: ['train']" in no_split
    assert no_set.startswith("hub:surveyors/nothing: cannot be opened: ")
    assert "doesn't exist" in no_set
    assert "check the name" in no_set
    assert any(line.startswith("GET") and line.endswith("train.parquet") for line in asked)
    kept = [path for path in (tmp_path / "cache").rglob("*") if path.is_file()]
    assert not [path for path in kept if b"tripod" in path.read_bytes()]
