"""The real pack, decoder and models in other processes: the table is the one made here."""

from __future__ import annotations

import multiprocessing
import pickle
import shutil
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pytest

import nearkey as nk
from nearkey.errors import PackError
from nearkey.simulate import workload as workload_module

NOTES = ["the pegs are in by the east gate", "we measured the wall again"]


@pytest.fixture(scope="module")
def pool():
    # Fresh interpreters: nothing is inherited, so that all that is needed must travel.
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as processes:
        yield processes


def candidates():
    pad = nk.Layout.named("qwerty").fitted(18, 12)
    grids = nk.grid_layouts(pad, rows=3, columns=2, width_mm=18, height_mm=12)
    models = {}
    layouts = [pad, *grids]
    for layout in layouts:
        rng = np.random.default_rng(5)
        keys = rng.integers(0, len(layout.keys), 300)
        points = nk.GaussianTouch.from_layout(layout, spread_mm=2.0).sample(keys, rng)
        log = nk.TouchLog.from_points(
            points, [layout.key_ids[k] for k in keys], participant="invented"
        )
        models[layout.name] = nk.GaussianTouch().fit(log, layout)
    return layouts, models


def test_two_processes_give_the_table_of_one_worker(english, pool, monkeypatch):
    monkeypatch.setattr(workload_module, "CHUNK_WORDS", 60)
    layouts, models = candidates()
    for running in ({}, {"corpus": NOTES, "in_context": True}):
        settings = {"touch": models, "pack": english, "words": 150, "seed": 3} | running
        here = nk.rank_layouts(layouts, workers=1, **settings)
        assert nk.rank_layouts(layouts, executor=pool, **settings).to_dicts() == here.to_dicts()


@pytest.fixture(scope="module")
def cluster():
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as made,
        distributed.Client(made) as client,
    ):
        yield client


def test_a_cluster_gives_the_table_and_the_score_of_one_worker(english, cluster):
    layouts, models = candidates()
    settings = {"touch": models, "pack": english, "words": 1500, "seed": 3}
    here = nk.rank_layouts(layouts, **settings)
    assert nk.rank_layouts(layouts, executor=cluster, **settings).to_dicts() == here.to_dicts()
    with cluster.get_executor() as executor:
        assert nk.rank_layouts(layouts, executor=executor, **settings).to_dicts() == here.to_dicts()
    settings["touch"] = models[layouts[1].name]
    alone = nk.score_layout(layouts[1], **settings)
    there = nk.score_layout(layouts[1], executor=cluster, workers=2, **settings)
    assert there.to_dict() == alone.to_dict()


def test_what_a_worker_got_is_unpacked_once_and_decoders_share_their_tries(english):
    layouts, models = candidates()
    decoders = [nk.Decoder(one, models[one.name], english) for one in layouts[1:3]]
    one, other = pickle.loads(pickle.dumps(decoders))
    assert one.pack is other.pack
    assert one._search.tries is other._search.tries


def test_a_pack_travels_as_its_folder(english):
    sent = pickle.dumps(english)
    assert len(sent) < 10_000  # its folder and the record of its files, none of their megabytes
    again = pickle.loads(sent)
    assert again.folder == english.folder.resolve()
    assert list(again.lexicon.words[:50]) == list(english.lexicon.words[:50])


def test_a_pack_that_is_gone_where_it_arrives_is_named(english, tmp_path):
    folder = tmp_path / "pack"
    shutil.copytree(english.folder, folder)
    sent = pickle.dumps(nk.load_pack(folder))
    shutil.rmtree(folder)
    with pytest.raises(PackError, match=r"no pack\.toml in this folder; give a pack's folder"):
        pickle.loads(sent)
