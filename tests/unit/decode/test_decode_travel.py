"""Decoders and packs go to other processes with the models they have, or say which of them cannot."""

from __future__ import annotations

import pickle
import shutil
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest
import travelling
from kenlm_of_pack import kenlm_of
from small_packs import build_small_pack
from travelling import Doubling, Locked, pack_says, read

import nearkey as nk
from nearkey.errors import NearkeyError, PackError
from nearkey.language import Truecase

LAYOUT = nk.Layout.named("qwerty")
TOUCH = nk.GaussianTouch.from_layout(LAYOUT, spread=0.4)
POINTS = np.asarray([LAYOUT.centers[LAYOUT.key_of_letter[c]] for c in "up"])


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    folder = tmp_path_factory.mktemp("packs")
    return [build_small_pack(folder / str(order), order=order)[0] for order in (3, 2)]


@pytest.fixture(scope="module")
def pack(folders):
    return nk.load_pack(folders[0])


@pytest.fixture
def packs(pack, folders, tmp_path):
    """The pack as it was read, and with other language models."""
    favourite = pack.lexicon.index("on")
    other = nk.load_pack(folders[1])
    return {
        "as read": pack,
        "of one's own": replace(pack, language_model=Doubling(pack.language_model, favourite)),
        "KenLM": replace(pack, language_model=kenlm_of(pack, tmp_path / "own.arpa")),
        "another pack's": replace(pack, language_model=other.language_model),
        "no case": replace(pack, truecase=Truecase(pack.lexicon, {}, {})),
    }


def in_processes(function, *args):
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(function, *args).result()


def in_loky(function, *args):
    joblib = pytest.importorskip("joblib")
    return joblib.Parallel(n_jobs=2, backend="loky")([joblib.delayed(function)(*args)] * 2)[1]


@pytest.fixture(scope="module")
def in_dask():
    distributed = pytest.importorskip("distributed")
    cluster = distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, dashboard_address=None, processes=True
    )
    with cluster, distributed.Client(cluster) as client:
        yield lambda function, *args: client.submit(function, *args, pure=False).result()


@pytest.fixture(params=["processes", "loky", "dask"])
def elsewhere(request):
    """Runs a function in another process."""
    if request.param == "dask":
        return request.getfixturevalue("in_dask")
    return {"processes": in_processes, "loky": in_loky}[request.param]


def test_packs_and_decoders_answer_elsewhere_as_they_do_here(packs, elsewhere):
    seen = set()
    for name, pack in packs.items():
        decoder = nk.Decoder(LAYOUT, TOUCH, pack, edits=nk.EditCosts.typical(LAYOUT))
        here = read(decoder, POINTS)
        assert elsewhere(read, decoder, POINTS) == here, name
        assert elsewhere(pack_says, pack) == pack_says(pack), name
        seen.add(tuple(here))
    assert len(seen) >= 3  # else one model could stand for another unnoticed


def test_what_was_read_from_the_folder_is_read_there_again_and_nothing_else_is_sent(packs):
    as_read = len(pickle.dumps(packs["as read"]))
    assert as_read < 10_000
    assert len(pickle.dumps(packs["another pack's"])) > as_read
    again = pickle.loads(pickle.dumps(packs["no case"]))
    assert again.truecase.forms == {}
    assert again.marks.log_probs("the") == packs["as read"].marks.log_probs("the")
    assert len(pickle.dumps(again)) < 20_000  # and so once more


def test_a_part_that_cannot_travel_is_named(pack):
    locked = replace(pack, language_model=Locked(pack.language_model, 0))
    says = r"language_model: Locked cannot travel to another process: .*lock"
    with pytest.raises(NearkeyError, match=says):
        pickle.dumps(locked)
    with pytest.raises(NearkeyError, match=says):
        pickle.dumps(nk.Decoder(LAYOUT, TOUCH, locked))

    class Here(nk.GaussianTouch):
        pass

    with pytest.raises(NearkeyError, match="Decoder: touch: Here cannot travel"):
        pickle.dumps(nk.Decoder(LAYOUT, Here.from_layout(LAYOUT, spread=0.4), pack))


def test_classes_of_a_script_travel_where_cloudpickle_sends_them(pack):
    cloudpickle = pytest.importorskip("cloudpickle")

    class Mine(Doubling):
        pass

    decoder = nk.Decoder(LAYOUT, TOUCH, replace(pack, language_model=Mine(pack.language_model, 3)))
    again = cloudpickle.loads(cloudpickle.dumps(decoder))
    assert read(again, POINTS) == read(decoder, POINTS)


def test_another_file_at_the_same_path_is_no_model_that_was_sent(pack, folders, tmp_path):
    copy = tmp_path / "pack"
    build_small_pack(tmp_path / "moving", order=3)[0].rename(copy)
    sent = pickle.dumps(nk.load_pack(copy))
    assert pickle.loads(sent).info == pack.info
    copy.rename(tmp_path / "away")
    shutil.copytree(folders[1], copy)
    with pytest.raises(PackError, match="another pack than the one that was sent"):
        pickle.loads(sent)
    model = kenlm_of(pack, tmp_path / "own.arpa")
    sent = pickle.dumps(model)
    text = (tmp_path / "own.arpa").read_text()
    (tmp_path / "own.arpa").write_text(text.replace("\n-2.", "\n-3.", 1))
    with pytest.raises(PackError, match="another model than the one that was sent"):
        pickle.loads(sent)


def test_a_fresh_interpreter_reads_what_was_sent(packs, tmp_path):
    """Nothing that this process has imported or set up is needed."""
    decoder = nk.Decoder(LAYOUT, TOUCH, packs["of one's own"])
    (tmp_path / "sent").write_bytes(pickle.dumps((decoder, POINTS)))
    support = str(Path(travelling.__file__).parent)
    code = f"import sys, pickle; sys.path.insert(0, {support!r}); from travelling import read; " + (
        f"print(read(*pickle.load(open({str(tmp_path / 'sent')!r}, 'rb'))))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == str(read(decoder, POINTS))


def test_a_ranking_elsewhere_has_the_language_model_it_was_given(packs):
    layouts = [LAYOUT, nk.Layout.named("qwerty").renamed("again")]
    blurred = nk.GaussianTouch.from_layout(LAYOUT, spread=1.2)  # so that the language model decides

    def ranked(pack, **where):
        lines = ["We set up the tripod on the ridge.", "They moved the prism near the river."] * 8
        return nk.rank_layouts(
            layouts, touch=blurred, pack=pack, words=60, corpus=lines, in_context=True, **where
        ).to_dicts()

    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        here, there = ranked(packs["of one's own"]), ranked(packs["of one's own"], executor=pool)
        assert there == here
        assert here != ranked(packs["as read"])
        locked = replace(
            packs["as read"], language_model=Locked(packs["as read"].language_model, 0)
        )
        with pytest.raises(NearkeyError, match="language_model: Locked cannot travel"):
            ranked(locked, executor=pool)
