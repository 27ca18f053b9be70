"""Rankings by finger width: where they cross is worked out by hand; pairing, seeds and bad input."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm
from small_models import SmallLexicon, SmallPack, SmallTableModel, random_ngrams, row_layout

from nearkey.errors import PlanError
from nearkey.simulate import rank_by_width, rank_layouts
from nearkey.simulate import workload as workload_module
from nearkey.touch import FingerTouch, GaussianTouch, TouchLog, concat

SURFACE_MM = (20.0, 5.0)
WORDS, SHARES = ["a", "b", "c"], [0.1, 0.45, 0.45]
SPREAD_PER_WIDTH = 0.25  # of the invented hands


@pytest.fixture
def pack():
    """Three words of one letter: a is rare, b and c are distinguished by where the touch lands."""
    ngrams = random_ngrams(np.random.default_rng(1), len(WORDS), 1, 0.0)
    return SmallPack(
        SmallLexicon(WORDS, np.log(SHARES).astype(np.float32)), SmallTableModel(WORDS, ngrams, 1)
    )


@pytest.fixture
def layouts():
    """Four keys 5 mm apart, on which every word has its own keys; two keys 10 mm apart, on which a and b share one."""
    return [
        row_layout(["a", "b", "c", "d"], name="many").fitted(*SURFACE_MM),
        row_layout(["ab", "cd"], name="few").fitted(*SURFACE_MM),
    ]


@pytest.fixture(autouse=True)
def small_chunks(monkeypatch):
    monkeypatch.setattr(workload_module, "CHUNK_WORDS", 500)


def spread(layout, width_mm):
    return GaussianTouch.from_layout(layout, spread_mm=SPREAD_PER_WIDTH * width_mm, background=0.0)


def run(layouts, pack, **options):
    settings = {"touch": spread, "widths_mm": (4, 20), "words": 3000, "seed": 2, "by": "top1"}
    return rank_by_width(layouts, pack=pack, **(settings | options))


def right_first(layout_name: str, sigma_mm: float) -> float:
    """P(the word comes first) with the best guess at each place, by scipy's normal distribution.

    `few`: a is never read, b and c are parted halfway between their keys. `many`: neighbours i, j are parted
    where their shares times densities are equal, 5 mm apart: at the middle + (sigma^2 / 5) ln(p_i / p_j).
    """
    if layout_name == "few":
        return 0.9 * norm.cdf(5 / sigma_mm)
    edge = 5 + sigma_mm**2 / 5 * np.log(0.1 / 0.45)
    a, b, c = 2.5, 7.5, 12.5
    return (
        0.1 * norm.cdf((edge - a) / sigma_mm)
        + 0.45 * (norm.cdf((10 - b) / sigma_mm) - norm.cdf((edge - b) / sigma_mm))
        + 0.45 * norm.cdf((c - 10) / sigma_mm)
    )


def test_small_fingers_favour_many_keys_and_large_ones_few(layouts, pack):
    found = run(layouts, pack, widths_mm=(4, 8, 12, 16, 20))
    for width_mm, result in zip(found.widths_mm, found.results, strict=True):
        for name in ("many", "few"):
            expected = right_first(name, SPREAD_PER_WIDTH * width_mm)
            sd = np.sqrt(expected * (1 - expected) / 3000)
            assert abs(result.row(name).top1.value - expected) < 4 * sd
    assert (found.rows[0].best, found.rows[-1].best) == ("many", "few")
    assert found.winners == ("many", "few")
    assert found.places("few")[0] == 2
    # The one for all is the one that must lose less, and its mean loss is the mean of its losses.
    losses = {
        name: [
            max(right_first(n, SPREAD_PER_WIDTH * w) for n in ("many", "few"))
            - right_first(name, SPREAD_PER_WIDTH * w)
            for w in found.widths_mm
        ]
        for name in ("many", "few")
    }
    assert found.one_for_all == min(losses, key=lambda name: sum(losses[name]))
    assert found.mean_loss.value == pytest.approx(np.mean([r.loss.value for r in found.rows]))
    assert found.mean_loss.low <= np.mean(losses[found.one_for_all]) <= found.mean_loss.high


def test_each_width_is_the_ranking_of_its_model_with_the_same_words_and_luck(layouts, pack):
    found = run(layouts, pack, words=600)
    for width_mm, result in zip(found.widths_mm, found.results, strict=True):
        alone = rank_layouts(
            layouts,
            touch=lambda layout, w=width_mm: spread(layout, w),
            pack=pack,
            words=600,
            seed=2,
            by="top1",
        )
        assert result.to_dicts() == alone.to_dicts()
    np.testing.assert_array_equal(found.results[0].workload.word, found.results[1].workload.word)


@pytest.mark.parametrize("by", ["top1", "top3", "kspc", "wpm"])
def test_losses_are_the_paired_differences_of_the_ranking(layouts, pack, by):
    found = run(layouts, pack, words=600, by=by)
    assert [row.loss for row in found.rows] == [
        pytest.approx(tuple(loss), abs=1e-12) for loss in found.losses(found.one_for_all)
    ]
    for name in ("many", "few"):
        for place, loss in zip(found.places(name), found.losses(name), strict=True):
            assert loss.value >= 0
            assert place == 2 or loss.value == 0


def test_same_seed_same_table(layouts, pack):
    one = run(layouts, pack)
    assert str(run(layouts, pack)) == str(one)
    assert str(run(layouts, pack, workers=2)) == str(one)
    assert run(layouts, pack, seed=3).to_dicts() != one.to_dicts()
    lines = str(one).splitlines()
    assert lines[0].split()[:2] == ["finger", "mm"]
    assert [line.split()[0] for line in lines[1:3]] == ["4", "20"]
    rows = one.to_dicts()
    assert [row["width_mm"] for row in rows] == [4, 20]
    assert rows[1]["winners"]["few"] == {
        "place": 1,
        "loss": {"value": 0.0, "low": 0.0, "high": 0.0},
    }


def test_fitted_finger_models_by_name(layouts, pack):
    """Invented hands whose spread is a quarter of the finger's width: the fitted models cross as the true ones do."""
    rng = np.random.default_rng(8)
    models = {}
    for layout in layouts:
        logs = []
        for number, width_mm in enumerate((8.0, 10.0, 12.0, 14.0)):
            keys = rng.integers(0, len(layout.keys), 400)
            points = spread(layout, width_mm).sample(keys, rng)
            logs.append(
                TouchLog.from_points(
                    points,
                    [layout.key_ids[k] for k in keys],
                    participant=f"invented-{number}",
                    width_mm=width_mm,
                )
            )
        models[layout.name] = FingerTouch(GaussianTouch(background=0.0)).fit(concat(logs), layout)
    found = run(layouts, pack, touch=models)
    assert [row.best for row in found.rows] == ["many", "few"]
    one = run(layouts[:1], pack, touch=models["many"])
    assert one.results[0].row("many").top1 == found.results[0].row("many").top1
    assert one.rows[0].next is None
    with pytest.raises(PlanError, match="few: touch: no finger model for this layout"):
        run(layouts, pack, touch={"many": models["many"]})


def test_a_decoder_may_be_wrong_about_the_finger(layouts, pack):
    knows = run(layouts[:1], pack, widths_mm=(12,))
    believes = run(
        layouts[:1], pack, widths_mm=(12,), decoder_touch=lambda layout: spread(layout, 2)
    )
    assert believes.results[0].rows[0].top1.value < knows.results[0].rows[0].top1.value


def test_every_width_keeps_a_checkpoint_and_progress_counts_all(layouts, pack, tmp_path):
    told = []
    one = run(layouts, pack, checkpoint=tmp_path / "run.jsonl", progress=told.append)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["run-20mm.jsonl", "run-4mm.jsonl"]
    assert [(p.done, p.total) for p in told] == [(i, 24) for i in range(1, 25)]
    kept = {p: p.read_bytes() for p in tmp_path.iterdir()}
    assert str(run(layouts, pack, checkpoint=tmp_path / "run.jsonl")) == str(one)
    assert kept == {p: p.read_bytes() for p in tmp_path.iterdir()}


@pytest.mark.parametrize(
    ("widths", "says"),
    [
        ([], "widths_mm: no finger width; give one or more"),
        ([8, -1], "widths_mm: is -1; give millimetres above 0"),
        ([float("nan")], "widths_mm: is nan"),
        ([8, 10, 8], "widths_mm: 8 stands twice"),
    ],
)
def test_bad_widths_are_named(layouts, pack, widths, says):
    with pytest.raises(PlanError, match=says):
        run(layouts, pack, widths_mm=widths)
