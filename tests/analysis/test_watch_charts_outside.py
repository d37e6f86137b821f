"""Control charts and run rules against published worked examples.

Sources:
- Individuals and moving range: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (ten flow rates; mean 50.81, mean
  moving range 1.8778, limits 45.8159 and 55.8041). Numbers from memory.
- Counts: the same, 6.3.3.1 (25 wafers with 400 defects; centre 16, limits 4 and 28). Numbers from memory.
- Shares: the same, 6.3.3.2 (30 wafers of 50 chips; mean share 0.2313, looked up; limits 0.0524 and 0.4102 and counts from
  memory, Montgomery, Introduction to Statistical Quality Control, has the same counts).
- Run rules: average run lengths of Champ and Woodall, Technometrics 29 (1987) 393-399: 370.40 for the limits alone,
  225.44 with two of three, 166.05 with four of five. From memory; the first is also 1/0.0027.
- Nelson, Journal of Quality Technology 16 (1984) 237-239: definitions of the eight tests. From memory.
- Exponential limits for time between events, 0.00135 and 6.6077 times the mean: Montgomery, as above; from memory, and
  -ln(0.99865), -ln(0.00135).
- Laney's sigma z: Quality Engineering 14 (2002) 531-537; the definition, computed here by hand.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from castlab.analysis import watch
from castlab.analysis.production import runs

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
WAFERS = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]
CHIPS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]


def test_individuals_chart_has_the_handbook_s_limits():
    seen = watch(pd.DataFrame({"flow": FLOW}), "flow", kind="measure", method="three sigma")
    first = seen.points.iloc[0]
    assert first["centre"] == pytest.approx(50.81)
    assert (first["low"], first["high"]) == pytest.approx(
        (45.8159, 55.8041), abs=5e-3
    )  # the handbook rounds d2 to 1.128
    assert len(seen.alarms) == 0


def test_chart_of_counts_has_the_handbook_s_limits_and_its_two_wafers():
    seen = watch(pd.DataFrame({"defects": WAFERS}), "defects", kind="count", method="three sigma", rules=[1])
    assert tuple(seen.points.iloc[0][["centre", "low", "high"]]) == pytest.approx((16, 4, 28))
    assert list(seen.alarms["point"]) == ["casting 24"]  # wafer 3 lies on the limit, 28, not beyond it


def test_chart_of_shares_has_the_handbook_s_limits():
    rows = [(w, k >= bad) for w, bad in enumerate(CHIPS) for k in range(50)]
    frame = pd.DataFrame(rows, columns=["wafer", "good"])
    seen = watch(frame, "good", kind="pass", batch="wafer", method="three sigma", rules=[1])
    assert tuple(seen.points.iloc[0][["centre", "low", "high"]]) == pytest.approx((0.2313, 0.0524, 0.4102), abs=5e-5)
    assert list(seen.alarms["point"]) == ["14", "22"]  # 0.44 and 0.48, samples 15 and 23 counted from 1


def test_sigma_z_is_the_mean_moving_range_of_standardised_counts():
    seen = watch(pd.DataFrame({"defects": WAFERS}), "defects", kind="count")
    z = (np.array(WAFERS) - 16) / 4
    assert seen.dispersion == pytest.approx(np.abs(np.diff(z)).mean() / 1.128, rel=1e-3)


def test_exponential_limits_are_the_published_multiples_of_the_mean():
    gaps = [4.0, 1.5, 7.0, 2.5, 9.0, 3.0, 1.0, 5.0]
    frame = pd.DataFrame({"defect": [1] * 8, "hours": gaps})
    seen = watch(frame, "defect", kind="rare", exposure="hours", method="three sigma")
    mean = np.mean(gaps)
    assert tuple(seen.points.iloc[0][["low", "high"]]) == pytest.approx((0.00135 * mean, 6.6077 * mean), rel=1e-3)


@pytest.mark.parametrize(("rules", "published"), [((1,), 370.40), ((1, 5), 225.44), ((1, 6), 166.05)])
def test_run_rules_have_the_published_average_run_length(rules, published):
    """4000 steady charts, each watched to its first alarm or to the end."""
    rng = np.random.default_rng(3)
    z = rng.standard_normal((4000, 1500))
    fired = np.zeros(z.shape, dtype=bool)
    beyond = np.where(np.abs(z) > 3, np.sign(z), 0)
    for rule in rules:
        fired |= runs.hits(z, beyond, rule) != 0
    # points watched per alarm: the mean of a nearly geometric run length of which a few are cut off
    first = np.where(fired.any(axis=1), fired.argmax(axis=1) + 1, z.shape[1])
    assert first.sum() / fired.any(axis=1).sum() == pytest.approx(published, rel=0.05)


@pytest.mark.parametrize(
    ("rule", "row", "fires"),
    [
        (2, [0.1] * 9, True),
        (2, [0.1] * 8 + [-0.1], False),
        (3, [0, 0.1, 0.2, 0.3, 0.4, 0.5], True),
        (3, [0, 0.1, 0.2, 0.3, 0.4, 0.4], False),
        (4, [0.1, -0.1] * 7, True),
        (4, [0.1, -0.1] * 6 + [0.1, 0.2], False),
        (5, [2.1, 0, 2.1], True),
        (5, [2.1, 0, -2.1], False),
        (6, [1.1, 1.1, 0, 1.1, 1.1], True),
        (6, [1.1, 1.1, 0, 0.9, 1.1], False),
        (7, [0.9, -0.9, 0.5] * 5, True),
        (7, [0.9, -0.9, 0.5] * 4 + [0.1, 0.1, 1.1], False),
        (8, [1.1, -1.1] * 4, True),
        (8, [1.1] * 8, False),
    ],
)
def test_each_run_rule_fires_as_nelson_defines_it(rule, row, fires):
    scores = np.array(row, dtype=float)
    assert bool(runs.episodes(scores, np.zeros(len(scores)), [rule])) is fires
