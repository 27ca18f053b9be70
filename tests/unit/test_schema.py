"""Faults of msgspec, JSON and TOML as one-line errors that name file, field and fix."""

from __future__ import annotations

from typing import Annotated

import msgspec
import pytest

from nearkey.errors import NearkeyError, PackError, PlanError
from nearkey.schema import convert, decode, parse_json, parse_toml, read_json, read_toml


class Peg(msgspec.Struct, forbid_unknown_fields=True):
    x: float
    notes: dict[str, int] = {}

    def __post_init__(self) -> None:
        if self.x < 0:
            raise PackError("is left of the pad", field="x", fix="move it right")


class Pad(msgspec.Struct, forbid_unknown_fields=True):
    pegs: list[Peg]
    rows: Annotated[int, msgspec.Meta(ge=2)] = 2
    maker: Annotated[str, msgspec.Meta(pattern="^[a-z]+$")] = "invented"


@pytest.mark.parametrize(
    ("data", "told"),
    [
        ({}, "pegs: is missing; add it"),
        ({"pegs": [{}]}, "pegs[0].x: is missing; add it"),
        (
            {"pegs": [{"x": 1, "y": 2}]},
            "pegs[0].y: unknown field; remove it or correct its spelling",
        ),
        ({"pegs": [{"x": "a"}]}, "pegs[0].x: expected `float`, got `str`; correct the value"),
        (
            {"pegs": [{"x": 1, "notes": {"a": "b"}}]},
            "pegs[0].notes[...]: expected `int`, got `str`",
        ),
        ({"pegs": [{"x": 1, "notes": {2: 3}}]}, "pegs[0].notes: expected `str`, got `int`"),
        ({"pegs": [], "rows": 1}, "rows: expected `int` >= 2; correct the value"),
        ({"pegs": [{"x": 10**400}]}, "pegs[0].x: number out of range; correct the value"),
        ({"pegs": [{"x": -1}]}, "x: is left of the pad; move it right"),
        (3, "expected `object`, got `int`; correct the value"),
    ],
)
def test_a_fault_names_the_field_and_the_fix(data, told) -> None:
    with pytest.raises(PlanError) as caught:
        convert(data, Pad, error=PlanError, where="pad.toml")
    assert str(caught.value).startswith(f"pad.toml: {told}")
    assert "\n" not in str(caught.value)


def test_the_owner_of_a_schema_may_say_it_better() -> None:
    def explain(field: str, problem: str) -> tuple[str, str] | None:
        return ("may hold only a to z", "leave the rest out") if "regex" in problem else None

    bad = {"pegs": [], "maker": "A 1"}
    with pytest.raises(PlanError, match=r"^p: maker: may hold only a to z; leave the rest out$"):
        convert(bad, Pad, error=PlanError, where="p", explain=explain)
    with pytest.raises(PlanError, match=r"^rows: expected `int` >= 2; correct the value$"):
        convert({"pegs": [], "rows": 0}, Pad, error=PlanError, explain=explain)
    with pytest.raises(PlanError, match=r"^maker: expected .*; build it again$"):
        convert(bad, Pad, error=PlanError, fix="build it again")
    with pytest.raises(PlanError, match=r"^pegs of number 1 x: is missing"):
        convert(
            {"pegs": [{"x": 1}, {}]},
            Pad,
            error=PlanError,
            field_name=lambda steps: f"{steps[0]} of number {steps[1][1:-1]} {steps[2]}",
        )


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (b"", "line 7: not valid JSON: Input data was truncated; correct the syntax"),
        (b"{", "line 7: not valid JSON: Input data was truncated"),
        (b"{'", "line 7: not valid JSON: "),
        (b'{"pegs":[], "maker":"\xff"}', "line 7: "),
        (b'{"pegs":[{"x":1}],"rows":1}', "line 7, rows: expected `int` >= 2; correct the value"),
        (b"[" * 100_000, "line 7: "),
    ],
)
def test_a_line_of_a_log_is_placed(line, told) -> None:
    decoder = msgspec.json.Decoder(Pad)
    with pytest.raises(PlanError) as caught:
        decode(line, decoder, error=PlanError, where="log", place="line 7")
    assert str(caught.value).startswith(f"log: {told}")
    assert decode(b'{"pegs":[]}', decoder, error=PlanError) == Pad(pegs=[])


def test_json_and_toml_files(tmp_path) -> None:
    path = tmp_path / "data"
    path.write_text('{"a": NaN,\n "b": }')
    with pytest.raises(PackError, match=r"data: line 2: not valid JSON: Expecting value; again$"):
        read_json(path, PackError, fix="again")
    with pytest.raises(PackError, match=r"^not valid JSON: nested too deeply; correct the syntax$"):
        parse_json("[" * 100_000, error=PackError)
    with pytest.raises(PackError, match=r"^line 4: not valid JSON: "):
        parse_json("{", error=PackError, place="line 4")
    with pytest.raises(PackError, match=r"data: not valid TOML: .*line 1"):
        read_toml(path, PackError)
    with pytest.raises(NearkeyError, match=r"^t: not readable: "):
        parse_toml(f"a = {'[' * 100_000}", error=PlanError, where="t")
    assert parse_json("[Infinity]", error=PackError) == [float("inf")]
    assert parse_toml("a = [1, 2]", error=PackError) == {"a": [1, 2]}


def test_a_device_without_end_is_no_file():
    with pytest.raises(NearkeyError, match="is a device"):
        read_toml("/dev/zero", NearkeyError)
