"""The array container: round trips, and every kind of damage."""

import numpy as np
import pytest

from nearkey.errors import PackError
from nearkey.language.arrays import read_arrays, write_arrays


@pytest.fixture
def stored(tmp_path):
    path = tmp_path / "x.bin"
    arrays = {
        "text": np.frombuffer(b"abc", np.uint8),
        "rows": np.arange(6, dtype=np.float32).reshape(2, 3),
        "none": np.zeros(0, np.uint32),
    }
    write_arrays(path, arrays, meta={"fold": True})
    return path, arrays


def test_round_trip(stored):
    path, arrays = stored
    found, meta = read_arrays(path)
    assert meta == {"fold": True}
    assert found.keys() == arrays.keys()
    for name, array in arrays.items():
        np.testing.assert_array_equal(found[name], array)
        assert found[name].dtype == array.dtype


def test_equal_input_gives_equal_bytes(stored, tmp_path):
    path, arrays = stored
    write_arrays(tmp_path / "y.bin", arrays, meta={"fold": True})
    assert (tmp_path / "y.bin").read_bytes() == path.read_bytes()


def test_objects_are_refused(tmp_path):
    with pytest.raises(TypeError, match="'x' has type object"):
        write_arrays(tmp_path / "y.bin", {"x": np.array([{}], dtype=object)})


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (lambda data: b"PK" + data[2:], "not a nearkey array file"),
        (lambda data: data[:12], "not a nearkey array file"),
        (lambda data: data[:8] + (10**6).to_bytes(4, "little") + data[12:], "cut short"),
        (lambda data: data.replace(b'"rows"', b'"rows '), "header: not valid JSON"),
        (lambda data: data.replace(b'"f4"', b'"O8"'), "damaged entry"),
        (lambda data: data[:-16], "reaches past the end"),
    ],
)
def test_damage_is_named(stored, change, problem):
    path, _ = stored
    path.write_bytes(change(path.read_bytes()))
    with pytest.raises(PackError, match=problem) as caught:
        read_arrays(path)
    assert caught.value.where == str(path)


def test_a_missing_file(tmp_path):
    with pytest.raises(PackError, match="no such file"):
        read_arrays(tmp_path / "none.bin")
