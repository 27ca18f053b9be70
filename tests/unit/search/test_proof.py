"""Branch and bound equals exhaustive listing; its certificate holds before an independent checker, and only if true."""

from __future__ import annotations

import copy
import json

import numpy as np
import pytest
from test_letter_space import small
from test_objectives import make_pack

from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.search.certificate import CertificateFault, check_certificate
from nearkey.search.letter_space import SpaceRules, grid_space
from nearkey.search.objectives import AmbiguityObjective, ReachObjective, ambiguity_words
from nearkey.search.proof import prove, save_certificate

QWERTY = Layout.named("qwerty")
PACK = make_pack()
SMALL = small("etaois", "nhrdlu", "cm")
SPACES = [
    grid_space(QWERTY, rows=2, columns=2, rule="ordered"),
    grid_space(QWERTY, rows=2, columns=2, rule="loose"),
    grid_space(QWERTY, rows=3, columns=3, rule="ordered"),
    grid_space(
        QWERTY, rows=2, columns=2, rule="ordered", rules=SpaceRules(apart=("qm",), sizes=(4, 9))
    ),
    grid_space(
        SMALL, rows=1, columns=2, rule="free", rules=SpaceRules(symmetry="keys", together=("ea",))
    ),
    grid_space(SMALL, rows=1, columns=3, rule="ordered", rules=SpaceRules(groups=("et",))),
]


def words_for_checker(spelled):
    letters = spelled.letters
    return ["".join(letters[c - 1] for c in row if c) for row in spelled.typed.tolist()]


@pytest.mark.parametrize("measure", ["top1", "top3", "kspc"])
@pytest.mark.parametrize("space", SPACES, ids=lambda s: f"{s.name}-{s.count()}")
def test_it_is_the_optimum_of_the_whole_listing(space, measure, tmp_path):
    spelled = ambiguity_words(PACK, space.letters, 120)
    objective = AmbiguityObjective(spelled, measure)
    keys = space.array(space.listing())
    values = objective.evaluate(space, keys)
    best = values.min() if measure == "kspc" else values.max()
    *_, last = prove(space, objective)
    assert last.proven
    assert last.value == pytest.approx(best, abs=1e-12)
    assert space.allows(last.best)
    assert objective.evaluate(space, space.array([last.best]))[0] == pytest.approx(best, abs=1e-12)
    save_certificate(tmp_path / "c.json", space, objective, last)
    data = json.loads((tmp_path / "c.json").read_text())
    assert check_certificate(data, words_for_checker(spelled), spelled.share) > 0


def test_an_early_end_leaves_a_bound_that_holds():
    space = SPACES[0]
    objective = AmbiguityObjective(ambiguity_words(PACK, space.letters), "top1")
    best = objective.evaluate(space, space.array(space.listing())).max()
    *_, last = prove(space, objective, evaluations=60)
    assert last.value <= best <= last.bound
    assert last.gap == pytest.approx(last.bound - last.value)
    assert not last.proven
    records = list(prove(space, objective))
    bounds = [record.bound for record in records]
    assert bounds == sorted(bounds, reverse=True)
    assert records[-1].value == pytest.approx(best)


def test_an_interrupted_proof_goes_on_without_bounding_again(tmp_path):
    space, path = SPACES[0], tmp_path / "proof.log"
    objective = AmbiguityObjective(ambiguity_words(PACK, space.letters), "top1")
    *_, whole = prove(space, objective)
    *_, part = prove(space, objective, checkpoint=path, evaluations=200)
    assert not part.proven
    kept = path.read_bytes()
    with path.open("ab") as file:  # a record that a kill cut short
        file.write(b'{"bounds": [0.9')
    asked = []

    class Asked(AmbiguityObjective):
        def bound(self, space, partial):
            asked.append(len(partial))
            return super().bound(space, partial)

    *_, on = prove(space, Asked(objective.spelled, "top1"), checkpoint=path)
    assert on == whole
    assert sum(asked) == whole.evaluated - part.evaluated
    assert path.read_bytes().startswith(kept)
    with pytest.raises(PlanError, match="another search"):
        list(prove(space, objective, checkpoint=path, seed=5))
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:2] + lines[3:]))
    with pytest.raises(PlanError, match=rf"{path}: is damaged"):
        list(prove(space, objective, checkpoint=path))


def test_rows_of_what_was_found_are_a_start(tmp_path):
    space = SPACES[0]
    objective = AmbiguityObjective(ambiguity_words(PACK, space.letters), "top1")
    *_, proven = prove(space, objective)
    rows = space.array([proven.best])
    *_, again = prove(space, objective, start=rows, checkpoint=tmp_path / "proof.log")
    assert again.best == proven.best
    save_certificate(tmp_path / "c.json", space, objective, again)
    *_, same = prove(space, objective, start=[proven.best], checkpoint=tmp_path / "proof.log")
    assert same == again


@pytest.fixture(scope="module")
def certified(tmp_path_factory):
    space = SPACES[0]
    spelled = ambiguity_words(PACK, space.letters, 120)
    objective = AmbiguityObjective(spelled, "top1")
    *_, last = prove(space, objective)
    path = tmp_path_factory.mktemp("c") / "c.json"
    save_certificate(path, space, objective, last)
    return json.loads(path.read_text()), words_for_checker(spelled), spelled.share, space, objective


def test_a_certificate_of_another_best_is_refused(certified):
    data, words, share, space, objective = certified
    keys = space.array(space.listing())
    values = objective.evaluate(space, keys)
    second = float(np.unique(values.round(9))[-2])
    at = int(np.abs(values - second).argmin())
    wrong = data | {"best": keys[at].tolist(), "value": values[at], "bound": values[at]}
    with pytest.raises(CertificateFault, match="better"):
        check_certificate(wrong, words, share)


def test_a_certificate_that_leaves_a_part_out_is_refused(certified):
    data, words, share, *_ = certified
    wrong = copy.deepcopy(data)
    node = wrong["tree"]
    while node[3][0] == "split":
        node = node[3]
    node[3][:] = ["empty"]
    with pytest.raises(CertificateFault):
        check_certificate(wrong, words, share)


@pytest.mark.parametrize(
    "change",
    [
        {"value": 0.99},
        {"bound": 0.1},
        {"best": [0] * 26},
        {"tree": ["bound"]},
        {"tree": ["whatever"]},
    ],
)
def test_other_faults_are_found(certified, change):
    data, words, share, *_ = certified
    with pytest.raises(CertificateFault):
        check_certificate(data | change, words, share)


def test_what_cannot_be_proven_is_said(tmp_path):
    with pytest.raises(PlanError, match="no bound"):
        list(prove(SPACES[0], ReachObjective()))
    nothing = grid_space(
        SMALL, rows=1, columns=2, rules=SpaceRules(together=("et",), apart=("et",))
    )
    with pytest.raises(PlanError, match="no layout"):
        list(prove(nothing, AmbiguityObjective(ambiguity_words(PACK, SMALL.letters))))
    objective = AmbiguityObjective(ambiguity_words(PACK, QWERTY.letters, 50))
    first = next(prove(SPACES[0], objective))
    with pytest.raises(PlanError, match="certified"):
        save_certificate(tmp_path / "c.json", SPACES[0], objective, first)
