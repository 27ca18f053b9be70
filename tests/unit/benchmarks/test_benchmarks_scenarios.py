"""The benchmark's scenarios and its runner. Own rules, no outside source."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))

import make_results
import run
import scenarios as all_scenarios
from scenarios import LAYOUTS, TEXTS, layout_of, scenarios

LETTERS = "abcdefghijklmnopqrstuvwxyz"


def test_ids_are_unique_and_the_quick_set_is_part_of_the_full_one():
    quick, full = ([s.id for s in scenarios(name)] for name in ("quick", "full"))
    assert len(set(full)) == len(full)
    assert len(set(quick)) == len(quick)
    assert set(quick) <= set(full)
    registers = {s.spec.register for s in scenarios("quick") if s.spec.file}
    assert len(registers) >= 4


def test_every_layout_has_every_letter_and_fits_the_pad():
    for name in LAYOUTS:
        layout = layout_of(name, 24.0, 12.0)
        assert set(layout.letters) >= set(LETTERS)
        assert (layout.width_mm, layout.height_mm) == (24.0, 12.0)


def test_text_the_pack_may_have_seen_is_only_used_in_its_held_out_part():
    for language, texts in TEXTS.items():
        for name, text in texts.items():
            if text.file and not text.held_out:
                assert text.file == "en_ewt_eval", f"{language}.{name}"


@pytest.fixture
def small(monkeypatch):
    monkeypatch.setattr(run, "WORDS", 60)
    monkeypatch.setattr(run, "COMPARE_WORDS", 20)
    monkeypatch.delenv("NEARKEY_DATA", raising=False)


def go(monkeypatch, folder, *more):
    arguments = ["run.py", "quick", "--only", "en.[eq]*.s10.*", "--out", str(folder), *more]
    monkeypatch.setattr(sys, "argv", arguments)
    assert run.main() == 0
    return json.loads((folder / "quick.json").read_text())


def test_a_run_repeats_skips_what_it_has_no_data_for_and_keeps_times_apart(
    english, small, monkeypatch, tmp_path
):
    first = go(monkeypatch, tmp_path / "a")
    assert list(first["scenarios"]) == ["en.q26.s10.drawn"]
    assert "name the data folder with --data" in first["skipped"]["en.q26.s10.mail"]
    go(monkeypatch, tmp_path / "b", "--threads", "1")
    one, two = ((tmp_path / name / "quick.json").read_bytes() for name in "ab")
    assert one == two
    speed = json.loads((tmp_path / "a" / "quick.speed.json").read_text())
    assert speed["environment"]["processor"]
    assert speed["scenarios"]["en.q26.s10.drawn"]["stages_s"]
    assert sorted(p.name for p in (tmp_path / "a").iterdir()) == ["quick.json", "quick.speed.json"]


def test_text_in_the_data_folder_is_used(english, small, monkeypatch, tmp_path):
    import gzip

    folder = tmp_path / "data" / "text"
    folder.mkdir(parents=True)
    lines = "bring the long staff to the gate\npeg seven is near the road\n" * 6
    (folder / "en_ewt_eval.txt.gz").write_bytes(gzip.compress(lines.encode()))
    found = go(monkeypatch, tmp_path / "a", "--data", str(tmp_path / "data"))
    score = found["scenarios"]["en.e161.s10.mail"]
    assert score["conditions"]["corpus"] == "en_ewt_eval"
    assert score["conditions"]["corpus_seen_by_pack"] is False
    assert score["conditions"]["context"] is True


def test_an_interrupted_run_goes_on_where_it_stopped(english, small, monkeypatch, tmp_path):
    bench = run.Bench(None, 1, {})
    chosen = [s for s in scenarios("quick") if s.text == "drawn"]
    store = tmp_path / "partial.jsonl"
    steps = run.run_all(chosen, bench, store)
    _, first, _, _ = next(steps)
    steps.close()
    with store.open("a") as torn:
        torn.write('["en.g2x3.s10.drawn", {"half')
    calls = []
    monkeypatch.setattr(run.Bench, "run", lambda self, s: calls.append(s.id) or ({"new": 1}, {}))
    again = list(run.run_all(chosen, bench, store))
    assert calls == [chosen[1].id]
    assert again[0][1] == json.loads(json.dumps(first))
    monkeypatch.setattr(run, "SEED", 99)
    assert len(list(run.run_all(chosen, bench, store))) == 2
    assert calls[1:] == [s.id for s in chosen], "results of another seed were taken over"


def test_a_run_becomes_sections_of_the_page(english, small, monkeypatch, tmp_path):
    from scenario_results import write_sections

    data = go(monkeypatch, tmp_path / "a")
    timing = json.loads((tmp_path / "a" / "quick.speed.json").read_text())
    write_sections(data, timing, tmp_path / "results")
    page = make_results.document(make_results.load(tmp_path / "results"))
    top1 = data["scenarios"]["en.q26.s10.drawn"]["score"]["all"]["top1"]["value"]
    assert f"{100 * top1:.1f} [" in page
    assert "Skipped, " in page
    assert data["seed"] == all_scenarios.SEED
