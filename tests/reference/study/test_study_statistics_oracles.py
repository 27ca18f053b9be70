"""Statistics of a study against statsmodels, scipy and pingouin; each check names its source."""

from __future__ import annotations

import math
import warnings
from dataclasses import replace

import numpy as np
import pytest
from invented_studies import invented_study

from nearkey.errors import StudyLogError
from nearkey.study import (
    StudyTruth,
    compare_conditions,
    condition_by_block,
    condition_orders,
    draw_study,
    fit_mixed_model,
    measures,
    observations,
    order_checks,
    paired_effect_size,
    partial_eta_squared,
    people_for_holm,
    repeated_measures,
    smallest_holm_p,
    study_power,
    truth_from_pilot,
)
from nearkey.study.effect_sizes import huynh_feldt

pytestmark = pytest.mark.reference
stats = pytest.importorskip("scipy.stats")
pd = pytest.importorskip("pandas")
pytest.importorskip("statsmodels")
import statsmodels.formula.api as smf  # noqa: E402
from statsmodels.stats.anova import AnovaRM, anova_lm  # noqa: E402
from statsmodels.stats.oneway import confint_effectsize_oneway, confint_noncentrality  # noqa: E402
from statsmodels.stats.power import TTestPower  # noqa: E402


@pytest.fixture(scope="module")
def study():
    logs = invented_study(people=6, conditions=("grid", "ring", "rows"), blocks=3)
    return measures(logs), condition_orders(logs)


def person_means(measured, metric="wpm"):
    return pd.DataFrame(
        [
            {"person": g.participant, "condition": g.condition, "y": getattr(g, metric)}
            for g in measured.participants
        ]
    )


def test_paired_differences_are_scipys_t_test(study) -> None:
    measured, _ = study
    table = person_means(measured).pivot(index="person", columns="condition", values="y")
    found = compare_conditions(measured, "wpm")
    for pair in found.pairs:
        t = stats.ttest_rel(table[pair.second], table[pair.first])
        ends = t.confidence_interval(0.95)
        assert (pair.low, pair.high, pair.p_t) == pytest.approx((ends.low, ends.high, t.pvalue))
    from statsmodels.stats.multitest import multipletests

    corrected = multipletests([p.p_t for p in found.pairs], method="holm")[1]
    assert [p.p_t_holm for p in found.pairs] == pytest.approx(list(corrected))


def test_effect_size_and_its_interval() -> None:
    differences = np.random.default_rng(3).normal(1.6, 0.8, 9)
    found = paired_effect_size(differences)
    t = stats.ttest_1samp(differences, 0.0).statistic
    assert found.value == pytest.approx(t / 3.0)  # d_z = t / sqrt(n), Cohen 1988
    # By definition: at the lower end a t this large has a chance of 2.5 %, at the upper end one this small.
    assert stats.nct.sf(t, 8, found.low * 3) == pytest.approx(0.025, abs=1e-6)
    assert stats.nct.cdf(t, 8, found.high * 3) == pytest.approx(0.025, abs=1e-6)
    # statsmodels inverts the noncentral F, t squared, of the same data: the other tail of t is little here.
    low, high = confint_noncentrality(t**2, (1, 8), alpha=0.05)
    assert (found.low * 3) ** 2 == pytest.approx(low, rel=0.05)
    assert (found.high * 3) ** 2 == pytest.approx(high, rel=0.001)
    turned = paired_effect_size(-differences)
    assert (turned.value, turned.low, turned.high) == pytest.approx(
        (-found.value, -found.high, -found.low)
    )


@pytest.mark.parametrize("differences", [(1, 1.001), (-1, -1.001), (1, 1.00001), (5, 5.0000001)])
@pytest.mark.parametrize("confidence", [0.95, 0.999])
def test_intervals_of_two_people_hold_what_they_say_however_large_t_is(differences, confidence):
    found = paired_effect_size(differences, confidence=confidence)
    t, tail = found.value * np.sqrt(2), (1 - confidence) / 2
    # By definition: t is a normal value plus delta over the size of another normal value (one degree of freedom).
    normal = np.linspace(-9, 9, 4001)
    weight = stats.norm.pdf(normal) * (normal[1] - normal[0])
    for end, chance in zip(found[1:], (1 - tail, tail), strict=True):
        at_most = (normal + end * np.sqrt(2)) / t
        smaller = stats.halfnorm.sf(at_most) if t > 0 else stats.halfnorm.cdf(at_most)
        assert weight @ smaller == pytest.approx(chance, abs=2e-4)


def test_the_interval_of_partial_eta_squared_with_one_degree_of_freedom() -> None:
    found = partial_eta_squared(1e4, 1, 1, confidence=0.99999)
    high = 3 * found.high / (1 - found.high)
    assert stats.ncf.cdf(1e4, 1, 1, high) == pytest.approx(5e-6, rel=1e-3)


def test_values_that_leave_nothing_to_estimate_have_no_mixed_model() -> None:
    truth = StudyTruth(mean=12, sd_participant=2, sd_condition=0.1, sd_phrase=0, sd_residual=2)
    data = draw_study(
        truth,
        effects=(0.0, 1.0),
        participants=5,
        blocks=1,
        phrases=6,
        seed=np.random.default_rng(1),
    )
    for value, says in (
        (np.zeros(len(data)), "wpm is the same in every phrase; choose a measure that differs"),
        (data.condition.astype(float), "wpm leaves no spread for this model"),
        (5.0 + 1e-15 * np.arange(len(data)), "wpm leaves no spread for this model"),
    ):
        with pytest.raises(StudyLogError, match=says):
            fit_mixed_model(replace(data, value=value, place=None))


def test_smallest_p_is_what_scipy_gives_for_differences_of_one_sign() -> None:
    for people in range(2, 13):
        exact = stats.wilcoxon(np.arange(1, people + 1), method="exact").pvalue
        assert smallest_holm_p(people, 1) == pytest.approx(exact)
        assert smallest_holm_p(people, 3) == pytest.approx(min(1.0, 3 * exact))
    # Worked by hand: 2/64 x 3 = .094, 2/128 x 3 = .047.
    assert (people_for_holm(1), people_for_holm(3)) == (6, 7)


def test_partial_eta_squared_is_pingouins(study) -> None:
    pingouin = pytest.importorskip("pingouin")
    frame = person_means(study[0])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = pingouin.rm_anova(
            frame, dv="y", within="condition", subject="person", effsize="np2", correction=True
        ).iloc[0]
    table = frame.pivot(index="person", columns="condition", values="y").to_numpy()
    ours = repeated_measures(table)
    assert ours.partial_eta_squared == pytest.approx(theirs["np2"], abs=1e-6)
    assert ours.f == pytest.approx(theirs["F"], rel=1e-4)
    assert ours.epsilon == pytest.approx(theirs["eps"], abs=1e-4)
    gg = next(name for name in theirs.index if "GG" in name.upper())
    assert ours.p_corrected == pytest.approx(theirs[gg], rel=0.01)


def test_condition_by_block_is_statsmodels_and_pingouins(study) -> None:
    pingouin = pytest.importorskip("pingouin")
    measured, _ = study
    frame = pd.DataFrame(
        [
            {"person": b.participant, "condition": b.condition, "block": b.block, "y": b.wpm}
            for b in measured.blocks
        ]
    )
    found = condition_by_block(measured, "wpm")
    table = AnovaRM(frame, "y", "person", within=["condition", "block"]).fit().anova_table
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = pingouin.rm_anova(frame, dv="y", within=["condition", "block"], subject="person")
    for name, ours in zip(
        ("condition", "block", "condition:block"),
        (found.condition, found.block, found.interaction),
        strict=True,
    ):
        row = table.loc[name]
        assert (ours.df, ours.df_error) == (row["Num DF"], row["Den DF"])
        assert ours.f == pytest.approx(row["F Value"])
        assert ours.p == pytest.approx(row["Pr > F"])
        eps = theirs.set_index("Source").loc[name.replace(":", " * "), "eps"]
        if ":" not in name:  # pingouin's epsilon of an interaction is an approximation of its own
            assert ours.epsilon == pytest.approx(eps, abs=1e-4)


def test_order_checks_are_comparisons_of_statsmodels_least_squares(study) -> None:
    measured, orders = study
    frame = person_means(measured)
    frame["place"] = [
        orders[p].index(c) for p, c in zip(frame.person, frame.condition, strict=True)
    ]
    frame["before"] = [
        "none" if place == 0 else orders[p][place - 1]
        for p, place in zip(frame.person, frame.place, strict=True)
    ]
    small = smf.ols("y ~ C(person) + C(condition)", frame).fit()
    place = smf.ols("y ~ C(person) + C(condition) + C(place)", frame).fit()
    before = smf.ols("y ~ C(person) + C(condition) + C(place) + C(before)", frame).fit()
    found = order_checks(measured, "wpm", orders=orders)
    assert found.place is not None
    assert found.carry_over is not None
    theirs = anova_lm(small, place).iloc[1]
    assert (found.place.f, found.place.p) == pytest.approx((theirs["F"], theirs["Pr(>F)"]))
    f, p, df = before.compare_f_test(place)
    # statsmodels counts columns by rank as well: the first place and "none" are one.
    assert (found.carry_over.f, found.carry_over.p, found.carry_over.df) == pytest.approx(
        (f, p, df)
    )


def test_carry_over_of_two_conditions_is_the_t_test_of_sums_between_orders() -> None:
    logs = invented_study(people=6)
    measured, orders = measures(logs), condition_orders(logs)
    sums = person_means(measured).groupby("person").y.sum()
    groups = [
        [sums[p] for p, order in orders.items() if order[0] == first] for first in ("grid", "rows")
    ]
    found = order_checks(measured, "wpm", orders=orders)
    assert found.between
    assert found.carry_over is not None
    assert found.carry_over.p == pytest.approx(stats.ttest_ind(*groups).pvalue)


def test_mixed_model_is_statsmodels_formula_with_students_t() -> None:
    # A study in which no variance comes out as zero: there our errors are those of analysis of variance (below).
    truth = StudyTruth(
        **{
            "mean": 12,
            "sd_participant": 2,
            "sd_condition": 0.8,
            "sd_phrase": 0.7,
            "sd_residual": 1.5,
        },
        learning=1.0,
        sd_learning=1.0,
    )
    data = draw_study(
        truth,
        effects=(0.0, 1.0),
        participants=6,
        blocks=2,
        phrases=5,
        seed=np.random.default_rng(4),
    )
    ours = fit_mixed_model(data)
    frame = pd.DataFrame(
        {
            "y": data.value,
            "person": data.participant,
            "condition": data.condition,
            "block": np.log2(data.block),
            "place": data.place,
            "phrase": data.phrase,
            "one": 1,
        }
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = smf.mixedlm(
            "y ~ C(condition) + block + place",
            frame,
            groups="one",
            re_formula="0",
            vc_formula={
                "person": "0 + C(person)",
                "phrase": "0 + C(phrase)",
                "both": "0 + C(person):C(condition)",
                "slope": "0 + C(person):block",
            },
        ).fit(
            reml=True, method=["powell"]
        )  # its gradient methods stop short of the best likelihood
    names = ("C(condition)[T.1]", "block", "place")
    for one, name, stratum in zip(ours.effects, names, (4, 5, 4), strict=True):
        assert one.estimate.value == pytest.approx(theirs.fe_params[name], abs=2e-3)
        assert one.standard_error == pytest.approx(theirs.bse_fe[name], rel=2e-2)
        # Satterthwaite's lie near those of the stratum, to which they are equal in a balanced study (the next test).
        assert one.freedom == pytest.approx(stratum, rel=0.2)
        freedom = one.freedom
        half = stats.t.ppf(0.975, freedom) * one.standard_error
        assert one.estimate.half == pytest.approx(half)
        t = abs(one.estimate.value) / one.standard_error
        assert one.p == pytest.approx(2 * stats.t.sf(t, freedom))
    spread = dict(zip(theirs.model.exog_vc.names, np.sqrt(theirs.vcomp), strict=True))
    assert ours.spreads["participant"] == pytest.approx(spread["person"], abs=0.02)
    assert ours.spreads["phrase"] == pytest.approx(spread["phrase"], abs=0.02)
    assert ours.spreads["residual"] == pytest.approx(math.sqrt(theirs.scale), abs=0.02)


@pytest.mark.parametrize("seed", range(4))
def test_mixed_model_of_a_balanced_study_is_its_analysis_of_variance(seed: int) -> None:
    # Without phrases that come again and without place the difference of two conditions is the paired t test of the
    # participants' means, exactly, also where the variance between participants comes out below what the residual
    # explains.
    truth = StudyTruth(mean=12, sd_participant=2, sd_condition=0.1, sd_phrase=0, sd_residual=2)
    data = draw_study(
        truth,
        effects=(0.0, 1.0),
        participants=5,
        blocks=1,
        phrases=6,
        seed=np.random.default_rng(seed),
    )
    alone = replace(data, place=None, phrase=np.arange(len(data)))
    (effect,) = fit_mixed_model(alone).effects
    means = data.value.reshape(5, 2, 6).mean(axis=2)
    t = stats.ttest_rel(means[:, 1], means[:, 0])
    ends = t.confidence_interval(0.95)
    assert effect.freedom == pytest.approx(4, rel=0.01)
    assert effect.p == pytest.approx(t.pvalue, rel=0.01)
    assert effect.estimate[1:] == pytest.approx((ends.low, ends.high), rel=0.01)


def test_intervals_of_partial_eta_squared_are_statsmodels() -> None:
    for f, df, df_error in ((9.0, 2, 30), (0.8, 3, 12), (68.2, 1, 5)):
        theirs = confint_effectsize_oneway(f, (df, df_error))
        ours = partial_eta_squared(f, df, df_error)
        # statsmodels inverts within some 1e-4; by definition the lower end leaves 2.5 % above, the upper below.
        assert ours[1:] == pytest.approx(tuple(np.maximum(theirs.eta2, 0.0)), abs=1e-3)
        low, high = ((df + df_error + 1) * end / (1 - end) for end in ours[1:])
        assert stats.ncf.cdf(f, df, df_error, high) == pytest.approx(0.025, abs=1e-6)
        if low > 0:
            assert stats.ncf.sf(f, df, df_error, low) == pytest.approx(0.025, abs=1e-6)
        assert ours.value == pytest.approx(f * df / (f * df + df_error))


def test_huynh_and_feldts_epsilon_is_pingouins(study) -> None:
    pingouin = pytest.importorskip("pingouin")
    frame = person_means(study[0])
    wide = frame.pivot(index="person", columns="condition", values="y")
    ours = repeated_measures(wide.to_numpy())
    theirs = pingouin.epsilon(wide, correction="hf")
    assert huynh_feldt(ours.epsilon, ours.df, ours.df_error) == pytest.approx(theirs, abs=1e-4)


def test_no_likelihood_statsmodels_finds_is_better_than_ours() -> None:
    # Studies in which a variance is small: statsmodels' gradient methods report convergence short of the best.
    from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams, VCSpec

    truth = StudyTruth(
        mean=12, sd_participant=2, sd_condition=0.8, sd_phrase=0.7, sd_residual=1.5, sd_learning=0.3
    )
    for seed in range(3):
        data = draw_study(
            truth,
            effects=(0.0, 1.0),
            participants=5,
            blocks=2,
            phrases=4,
            seed=np.random.default_rng(seed),
        )
        ours = fit_mixed_model(data)
        log_block = np.log2(data.block)
        z_person = np.eye(5)[data.participant]
        parts = {
            "participant": z_person,
            "phrase": np.eye(len(data.phrases))[data.phrase],
            "participant x condition": np.eye(10)[data.participant * 2 + data.condition],
            "participant x block": z_person * log_block[:, None],
        }
        spec = VCSpec(
            list(parts),
            [[[str(i) for i in range(z.shape[1])]] for z in parts.values()],
            [[z] for z in parts.values()],
        )
        design = np.column_stack(
            [np.ones(len(data)), data.condition == 1, log_block, data.place]
        ).astype(float)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model = MixedLM(data.value, design, np.zeros(len(data)), exog_vc=spec)
            theirs = model.fit(reml=True)
            ratios = [
                max((ours.spreads[name] / ours.spreads["residual"]) ** 2, 1e-9)
                for name in model.exog_vc.names
            ]
            packed = MixedLMParams.from_components(vcomp=np.array(ratios), cov_re=np.zeros((0, 0)))
            best = model.loglike(packed, profile_fe=True)
        assert best >= theirs.llf - 1e-3


def test_mixed_model_says_what_it_cannot_tell() -> None:
    logs = invented_study(people=4, blocks=1, conditions=("grid", "rows"))
    data = observations(measures(logs), "wpm")  # no orders
    fit = fit_mixed_model(data)
    assert [one.name for one in fit.effects] == ["grid -> rows"]
    text = str(fit)
    assert "left out: block: there is only one" in text
    assert "left out: place: the order is not known, or the same for all" in text


def test_power_of_the_t_test_is_statsmodels() -> None:
    # With everything normal the difference of a person's means has this variance: the power is known in closed form.
    truth = StudyTruth(mean=12, sd_participant=2, sd_condition=0.8, sd_phrase=0.0, sd_residual=1.5)
    sd = math.sqrt(2 * (0.8**2 + 1.5**2 / 8))
    table = study_power(
        truth,
        difference=1.2,
        participants=(6, 12),
        blocks=(2,),
        phrases=(4,),
        simulations=1500,
        seed=3,
    )
    for row in table.rows:
        expected = TTestPower().power(1.2 / sd, row.participants, 0.05)
        assert row.t.low - 0.01 < expected < row.t.high + 0.01
    assert table.rows[0].unreachable == 0.0
    three = study_power(truth, difference=1.2, conditions=3, participants=(6,), simulations=40)
    assert (three.rows[0].unreachable, three.rows[0].wilcoxon.value) == (1.0, 0.0)
    assert "below reach with fewer than 7 participants" in str(three)


def test_a_pilot_gives_back_the_truth_it_was_drawn_from() -> None:
    truth = StudyTruth(
        mean=12, sd_participant=2, sd_condition=0.8, sd_phrase=0.7, sd_residual=1.5, learning=1.0
    )
    data = draw_study(
        truth,
        effects=(0.0, 1.0),
        participants=30,
        blocks=2,
        phrases=3,
        seed=np.random.default_rng(2),
    )
    found = truth_from_pilot(data)
    assert found.sd_participant == pytest.approx(2.0, rel=0.5)
    assert found.sd_condition == pytest.approx(0.8, rel=0.5)
    assert found.sd_phrase == pytest.approx(0.7, rel=0.5)
    assert found.sd_residual == pytest.approx(1.5, rel=0.15)
    assert found.learning == pytest.approx(1.0, abs=0.5)
    assert found.mean == pytest.approx(12.0, abs=1.5)
