"""`nearkey touch …`: from a log to models, tables and pictures."""

from __future__ import annotations

import numpy as np
import pytest
from command_line import done, listing, refused, run, strict_json
from invented_touches import invented_log
from matplotlib.image import imread

import nearkey as nk
from nearkey.text_table import within_width
from nearkey.touch import TouchLog, concat, default_models, touch_families, touch_family

PAD = nk.Layout.named("qwerty").fitted(18, 12)
ON_PAD = ("--layout", "qwerty", "--fit-mm", 18, 12)


@pytest.fixture
def log(tmp_path):
    """A good log with two wild touches and a repeated row."""
    good = invented_log(PAD)
    points = good.points
    points[3] += (9.0, 0.0)
    points[400] -= (0.0, 9.0)
    path = tmp_path / "log.csv"
    concat([good.with_points(points), good.select([10])]).write(path)
    return path


def test_clean_says_what_it_drops_and_writes_the_rest(log, tmp_path):
    kept = tmp_path / "kept.parquet"
    found = done("touch", "clean", log, *ON_PAD, "-o", kept)
    lines = found.stdout.splitlines()
    assert lines[-1] == str(kept)
    again = TouchLog.read(kept)
    dropped = int(lines[0].split()[1])
    assert lines[0].startswith(f"Dropped {dropped} of {len(TouchLog.read(log))} touches")
    assert len(again) == len(TouchLog.read(log)) - dropped
    assert dropped >= 3
    assert again.duplicates().size == 0
    assert {"invented-1", "invented-4", "all"} <= {line.split()[0] for line in lines if line}
    assert "is there already" in refused(tmp_path, "touch", "clean", log, *ON_PAD, "-o", kept)
    done("touch", "clean", log, *ON_PAD, "-o", kept, "--force")
    fewer = done("touch", "clean", log, *ON_PAD, "--max-sd", 1.0).stdout
    assert int(fewer.split()[1]) > dropped


def test_fit_writes_the_model_python_would(log, tmp_path):
    path = tmp_path / "touch.json"
    found = done("touch", "fit", log, *ON_PAD, "-o", path)
    kept, report = nk.clean(TouchLog.read(log), PAD)
    assert found.stdout == f"{path}: 26 keys, {len(kept)} touches\n"
    assert found.stderr.strip() == within_width(str(report))
    expected = nk.GaussianTouch().fit(kept, PAD)
    np.testing.assert_array_equal(nk.load_touch(path).covariances_, expected.covariances_)
    # A key nobody touched is named.
    some = tmp_path / "some.csv"
    kept.select(kept.target != "q").write(some)
    found = done("touch", "fit", some, *ON_PAD, "--keep-all", "-o", tmp_path / "some.json")
    assert " ".join(found.stderr.split()).endswith("common offset and spread: q")
    everything = tmp_path / "all.json"
    found = done("touch", "fit", log, *ON_PAD, "--keep-all", "-o", everything)
    assert found.stderr == ""
    assert nk.load_touch(everything).n_touches_.sum() == len(TouchLog.read(log))


@pytest.mark.parametrize("name", touch_families())
def test_every_model_of_a_comparison_and_of_a_file_fits_from_the_command_line(name, log, tmp_path):
    path = tmp_path / "touch.json"
    done("touch", "fit", log, *ON_PAD, "--model", name, "-o", path)
    fitted = nk.load_touch(path)
    kept, _ = nk.clean(TouchLog.read(log), PAD)
    expected = touch_family(name).fit(kept, PAD)
    np.testing.assert_allclose(
        fitted.log_prob(kept.points[:50]), expected.log_prob(kept.points[:50])
    )


def test_a_model_has_one_name_and_those_of_before_are_taken(log, tmp_path):
    names = touch_families()
    assert [name for name in names if name != name.lower() or " " in name] == []
    assert set(default_models()) <= set(names)
    path = tmp_path / "touch.json"
    done("touch", "fit", log, *ON_PAD, "--model", "Student t", "-o", path)
    assert nk.load_touch(path).kind == "student"
    line = run("touch", "fit", log, *ON_PAD, "--model", "gauss", "-o", path).stderr
    assert "nearest-key" in line


def test_a_person_is_learnt_on_top_of_the_others(log, tmp_path):
    path = tmp_path / "person.json"
    done(
        "touch", "fit", log, *ON_PAD, "--model", "person", "--participant", "invented-1", "-o", path
    )
    model = nk.load_touch(path)
    kept, _ = nk.clean(TouchLog.read(log), PAD)
    assert model.n_touches_.sum() == pytest.approx(len(kept.of_participant("invented-1")), rel=0.1)
    again = ("touch", "fit", log, *ON_PAD, "-o", tmp_path / "no.json")
    line = refused(tmp_path, *again, "--model", "person", "--participant", "nobody")
    assert "no touches of 'nobody'" in line
    assert "--participant: gaussian learns nobody by name" in refused(
        tmp_path, *again, "--participant", "invented-1"
    )


def test_ellipses_are_printed_one_a_key(log, tmp_path):
    path = tmp_path / "touch.json"
    done("touch", "fit", log, *ON_PAD, "-o", path)
    rows = [line.split() for line in done("touch", "ellipses", path).stdout.splitlines()][1:]
    assert [row[0] for row in rows] == list(PAD.key_ids)
    model = nk.load_touch(path)
    for row, mean, covariance in zip(rows, model.means_, model.covariances_, strict=True):
        assert [float(v) for v in row[1:3]] == pytest.approx(mean, abs=6e-4)
        # Half axes are the square roots of eigenvalues times 5.991, the 95 % quantile of chi-square with 2
        # degrees of freedom (any statistics table).
        axes = np.sqrt(5.991 * np.linalg.eigvalsh(covariance))[::-1]
        assert [float(v) for v in row[3:5]] == pytest.approx(axes, abs=1.5e-3)
    half = strict_json(done("touch", "ellipses", path, "--coverage", 0.5, "--json").stdout)
    assert half[0]["key_id"] == rows[0][0]
    assert half[0]["semi_major"] < float(rows[0][3])


def test_compare_prints_a_row_a_model_and_draws(log, tmp_path):
    picture = tmp_path / "compare.png"
    compare = ("touch", "compare", log, *ON_PAD, "--clean")
    found = done(*compare, "--draw", picture, "--baseline", "gaussian")
    assert "Leave one person out, 4 people" in found.stdout
    assert str(picture) in found.stderr
    image = imread(picture)
    assert image.shape[1] > 900
    assert (image[..., :3].min(axis=2) < 0.5).mean() > 0.005  # something is on it
    rows = strict_json(done(*compare, "--json").stdout)
    assert len(rows) == 12
    by_name = {row["model"]: row for row in rows}
    for name, row in by_name.items():
        assert name in found.stdout
        assert row["top1"] is None  # nothing was decoded
        assert 0 < row["key_hit"] <= 1
    assert by_name["person"]["gain"] > by_name["nearest-key"]["gain"]
    assert by_name["nearest-key"]["gain"] == 0
    assert "is there already" in refused(tmp_path, *compare, "--draw", picture)
    assert "end it in .png, .pdf or .svg" in refused(
        tmp_path, *compare, "--draw", tmp_path / "c.jpg"
    )
    assert "use one of 'nearest-key', " in refused(tmp_path, *compare, "--baseline", "magic")


def test_compare_decodes_words_with_a_pack(english, tmp_path):
    log = tmp_path / "log.jsonl"
    invented_log(PAD, people=2, each=6).write(log)
    compare = ("touch", "compare", log, *ON_PAD, "--pack", "en", "--words", 30, "--json")
    rows = strict_json(done(*compare).stdout)
    assert all(0 <= row["top1"] <= 1 for row in rows)
    assert strict_json(done(*compare).stdout) == rows
    assert strict_json(done(*compare, "--seed", 1).stdout) != rows


def test_touches_and_people_are_drawn(log, tmp_path):
    for name, options in (
        ("touches.png", ()),
        ("people.png", ("--participants",)),
        ("ellipses.png", ("--ellipses",)),
    ):
        path = tmp_path / name
        assert done("touch", "draw", log, *ON_PAD, *options, "-o", path).stdout == f"{path}\n"
        assert imread(path).shape[1] > 600
        again = ("touch", "draw", log, *ON_PAD, *options, "-o", path)
        assert "is there already" in refused(tmp_path, *again)
        done(*again, "--force")
    assert "end it in .png, .pdf or .svg" in refused(
        tmp_path, "touch", "draw", log, *ON_PAD, "-o", tmp_path / "touches.bmp"
    )
    assert len(listing(tmp_path)) == 4
    done("touch", "draw", log, *ON_PAD, "-o", tmp_path / "touches.svg")
    assert (tmp_path / "touches.svg").read_text().lstrip().startswith("<?xml")
    done("touch", "draw", log, *ON_PAD, "-o", tmp_path / "touches.pdf")
    assert (tmp_path / "touches.pdf").read_bytes()[:5] == b"%PDF-"
