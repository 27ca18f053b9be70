"""Touch models keep scikit-learn's conventions: its own tools work on them."""

from __future__ import annotations

import re

import numpy as np
import pytest
from invented_touches import invented_log

import nearkey as nk
from nearkey.errors import TouchModelError
from nearkey.touch import (
    TOUCH_MODELS,
    AdaptingTouch,
    FingerTouch,
    GaussianTouch,
    PeopleTouch,
    StudentTouch,
    default_models,
)

pytest.importorskip("sklearn", minversion="1.6")

from sklearn.base import clone, is_classifier, is_regressor
from sklearn.exceptions import NotFittedError
from sklearn.model_selection import GridSearchCV, GroupKFold, LeaveOneGroupOut, cross_val_score
from sklearn.utils import get_tags
from sklearn.utils.validation import check_is_fitted

PAD = nk.Layout.named("qwerty").fitted(18, 12)
LOG = invented_log(PAD, people=4).in_units_of(PAD)


@pytest.mark.parametrize("kind", sorted(set(TOUCH_MODELS) - {"person"}))
def test_every_model_clones_and_knows_whether_it_is_fitted(kind):
    model = TOUCH_MODELS[kind]()
    copied = clone(model)
    assert copied is not model
    assert copied.get_params(deep=False).keys() == model.get_params(deep=False).keys()
    with pytest.raises(NotFittedError):
        check_is_fitted(model)
    check_is_fitted(model.fit(LOG, PAD))
    with pytest.raises(NotFittedError):
        check_is_fitted(clone(model))  # a clone has learnt nothing
    assert not is_classifier(model)
    assert not is_regressor(model)
    assert get_tags(model).estimator_type == "density_estimator"


@pytest.mark.parametrize("name", sorted(default_models()))
def test_every_model_that_is_compared_is_cross_validated_by_person(name):
    model = default_models()[name]
    found = cross_val_score(
        clone(model), LOG, groups=LOG.participant, cv=LeaveOneGroupOut(), params={"layout": PAD}
    )
    per_mm2 = found - 2 * np.log(PAD.unit_mm)
    (row,) = nk.compare_touch(LOG, PAD, {name: clone(model)}).rows
    assert per_mm2.mean() == pytest.approx(row.log_likelihood)
    with pytest.raises(NotFittedError):
        check_is_fitted(clone(model))


def test_the_adapting_model_is_searched_by_what_it_forgets():
    search = GridSearchCV(
        AdaptingTouch(PeopleTouch()), {"forgetting": [1.0, 0.9], "people__background": [0.01, 0.05]}, cv=GroupKFold(2),
        error_score="raise",
    )  # fmt: skip
    search.fit(LOG, layout=PAD, groups=LOG.participant)
    assert len(set(search.cv_results_["mean_test_score"].tolist())) == 4
    with pytest.raises(TouchModelError, match="is not fitted; call fit"):
        AdaptingTouch().score(LOG)


def test_cross_validation_by_person_is_what_holding_people_out_by_hand_is():
    found = cross_val_score(
        GaussianTouch(), LOG, groups=LOG.participant, cv=LeaveOneGroupOut(), params={"layout": PAD}
    )
    by_hand = {
        name: GaussianTouch()
        .fit(LOG.without_participant(name), PAD)
        .score(LOG.of_participant(name))
        for name in LOG.participants
    }
    np.testing.assert_allclose(found, [by_hand[name] for name in sorted(by_hand)])


def test_a_grid_is_searched_and_the_best_is_fitted_again():
    search = GridSearchCV(
        GaussianTouch(), {"shrinkage": [0.0, 0.5, "auto"]}, cv=GroupKFold(2), error_score="raise"
    )
    search.fit(LOG, layout=PAD, groups=LOG.participant)
    assert search.best_params_["shrinkage"] in (0.0, 0.5, "auto")
    scores = search.cv_results_["mean_test_score"]
    assert np.isfinite(scores).all()
    assert len(set(scores.tolist())) == 3
    again = GaussianTouch(**search.best_params_).fit(LOG, PAD)
    np.testing.assert_array_equal(search.best_estimator_.means_, again.means_)


def test_parameters_of_a_model_inside_a_model_have_names_of_their_own():
    finger = FingerTouch(StudentTouch())
    assert finger.get_params()["base__background"] == StudentTouch().background
    assert "base__background" not in finger.get_params(deep=False)
    finger.set_params(base__background=0.2, exponent=1.0)
    assert finger.base.background == 0.2
    with pytest.raises(TouchModelError, match="base__nothing: is no parameter"):
        finger.set_params(base__nothing=1)
    copied = clone(finger)
    assert copied.base is not finger.base
    assert copied.base.background == 0.2


def test_logs_are_cut_like_arrays():
    assert LOG.shape == (len(LOG), 2)
    np.testing.assert_array_equal(LOG[3:6].points, LOG.points[3:6])
    np.testing.assert_array_equal(LOG[[5, 2]].points, LOG.points[[5, 2]])
    np.testing.assert_array_equal(
        LOG[LOG.participant == "invented-2"].points, LOG.of_participant("invented-2").points
    )
    assert len(LOG[-1]) == 1
    with pytest.raises(IndexError):
        LOG[len(LOG)]


def test_two_people_get_no_intervals_and_shares_stay_shares():
    two = nk.compare_touch(invented_log(PAD, people=2), PAD, {"Gaussian": GaussianTouch()})
    assert "too few people for intervals" in str(two)
    assert "±" not in str(two).splitlines()[1] or "± -" in str(two).splitlines()[1]
    three = nk.compare_touch(
        invented_log(PAD, people=3, each=2, spread_mm=0.1), PAD, {"Gaussian": GaussianTouch()}
    )
    ends = [float(n) for n in re.findall(r"\[([\d.]+), ([\d.]+)\]", str(three))[0]]
    assert 0 <= ends[0] <= ends[1] <= 100
