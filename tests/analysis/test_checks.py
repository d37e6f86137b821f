"""What the checks of a fit find when a fault is planted, and how seldom they cry without one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from castlab.analysis import Checks, fit_factors
from castlab.analysis.effects import holm

FACTORS = ["warm", "pour", "temp_c"]
BY_CHANCE = ["odd castings", "shape of the scatter", "spread", "straight lines", "time trend", "molds", "batches"]


def made(seed: int, kind: str = "measure", fault: str = "", batches: int = 8, size: int = 4) -> pd.DataFrame:
    """A sound plan in batches and molds, with one fault planted."""
    rng = np.random.default_rng(seed)
    codes = np.repeat(np.arange(batches), size)
    n = len(codes)
    warm = rng.permutation(np.arange(batches) % 2)[codes]
    pour = np.concatenate([rng.permutation(np.arange(size) % 2) for _ in range(batches)])
    temp = rng.permutation(np.resize([20.0, 25.0, 30.0], batches))[codes]
    mold = np.concatenate([rng.permutation(np.arange(size)) % 3 for _ in range(batches)])
    eta = 0.7 * (pour - warm) + 0.3 * rng.normal(size=batches)[codes]
    if fault == "trend":
        eta = eta + 6.0 * np.arange(n) / n
    if fault == "mold":
        eta = eta + 1.2 * (mold == 1)
    if fault == "bend":
        eta = eta + 2.0 * ((temp - 25) / 5) ** 2
    if fault == "batch":
        eta = eta + 4.0 * (codes == 2)
    if kind == "count":
        y: np.ndarray = rng.negative_binomial(20, 20 / (20 + np.exp(2 + eta)))
        if fault == "odd":
            y[7] += 90
    else:
        y = eta + (0.05 + 0.3 * np.exp(eta - eta.mean()) if fault == "spread" else 0.5) * rng.normal(size=n)
        if fault == "odd":
            y[7] += 5
    return pd.DataFrame(
        {
            "trial_id": [f"T-{c + 1:03d}.{i % size + 1}" for i, c in enumerate(codes)],
            "batch_id": [f"B-{c + 1:03d}" for c in codes], "mold_id": [f"M-{m + 1}" for m in mold], "warm": warm,
            "pour": pour, "temp_c": temp, "y": y,
        }
    )  # fmt: skip


def checked(frame: pd.DataFrame, kind: str = "measure", **options: object) -> Checks:
    return fit_factors(frame, "y", FACTORS, kind=kind, **options).checks()


def finding(checks: Checks, check: str) -> str:
    return str(checks.table.set_index("check").loc[check, "finding"])


@pytest.mark.parametrize("kind", ["measure", "count"])
def test_an_odd_casting_is_found_and_named(kind):
    checks = checked(made(3, kind, "odd"), kind)
    assert finding(checks, "odd castings") in ("look", "serious")
    row = checks.table.set_index("check").loc["odd castings"]
    assert "T-002.4" in row["sentence"]
    assert "T-002.4" in checks.verdict
    assert checks.castings.loc[checks.castings["odd"], "casting"].to_list() == ["T-002.4"]


@pytest.mark.parametrize(
    ("fault", "check", "told"),
    [
        ("trend", "time trend", "there is a drift"),
        ("mold", "molds", "mold M-2 comes out higher"),
        ("bend", "straight lines", "misses a bend in temp"),
    ],
)
def test_planted_faults_are_mostly_found(fault, check, told):
    found = [checked(made(seed, "measure", fault)) for seed in range(4)]
    hits = [c for c in found if finding(c, check) in ("look", "serious")]
    assert len(hits) >= 3
    assert all(told in c.table.set_index("check").loc[check, "sentence"] for c in hits)


def test_an_odd_batch_is_named():
    hits = [
        c
        for c in (checked(made(s, "measure", "batch", batches=10)) for s in range(4))
        if finding(c, "batches") != "fine"
    ]
    assert hits
    assert all("Batch B-003 is higher" in c.table.set_index("check").loc["batches", "sentence"] for c in hits)


def test_batches_that_were_switched_off_are_noticed():
    checks = checked(made(1, "measure", "batch"), batch=False)
    assert finding(checks, "batches") in ("look", "serious")
    assert "Fit again with batch=" in checks.verdict


def test_sound_data_are_seldom_suspected():
    found = [checked(made(seed, kind), kind) for seed in range(100, 105) for kind in ("measure", "count")]
    suspected = [any(finding(c, name) not in ("fine", "cannot tell") for name in BY_CHANCE) for c in found]
    assert sum(suspected) <= 2  # of 10; less than one is expected
    assert all(f"{len(c.table)} checks were looked at" in c.verdict for c in found)


def test_a_casting_that_carries_the_verdict_is_named_by_a_real_refit():
    haze = [4.76, 5.47, 4.5, 5.6, 5.34, 5.26, 5.13, 5.48, 4.88, 5.14]
    frame = pd.DataFrame({"pour": pd.Categorical(["ladle", "stream"] * 5), "haze_pct": haze})
    whole = fit_factors(frame, "haze_pct", ["pour"])
    words = {i: fit_factors(frame.drop(index=i), "haze_pct", ["pour"]) for i in range(10)}
    lost = {f"row {i}": fit for i, fit in words.items() if fit.effects["strength"].iloc[0] == "not shown"}
    assert whole.effects["strength"].iloc[0] == "clear"
    assert set(lost) == {"row 0", "row 3"}
    checks = whole.checks()
    row = checks.table.set_index("check").loc["one casting"]
    assert row["finding"] == "serious"
    assert row["number"] == 2
    kept = checks.carried.set_index("without")
    assert set(kept.index) == set(lost)
    for name, alone in lost.items():
        assert kept.loc[name, "estimate"] == pytest.approx(alone.effects["estimate"].iloc[0])
        assert kept.loc[name, "high"] == pytest.approx(alone.effects["high"].iloc[0])
        assert name in row["sentence"]


def test_a_planned_finding_is_not_said_to_rest_on_a_casting_for_being_adjusted_differently():
    frame = made(16, batches=6)
    others = {f"other_{k}": np.random.default_rng(k).permutation(np.tile([0, 1], 12)) for k in range(6)}
    fit = fit_factors(frame.assign(**others), "y", ["pour", *others], planned=["pour"])
    pour = fit.effects.set_index("factor").loc["pour"]
    assert pour["strength"] == "clear"
    assert holm([pour["p_value"], *[1.0] * 6])[0] > 0.05  # it would not be clear among all the others
    assert "pour" not in set(fit.checks().carried["factor"])


def test_a_single_casting_of_a_level_is_told():
    frame = pd.DataFrame({"pour": ["stream"] * 9 + ["ladle"], "haze_pct": [*np.linspace(4, 4.4, 9), 9.0]})
    checks = fit_factors(frame, "haze_pct", ["pour"]).checks()
    assert "Without row 9" in checks.table.set_index("check").loc["one casting", "sentence"]
    assert "cannot be judged" in checks.table.set_index("check").loc["one casting", "sentence"]


def test_two_settings_cannot_show_a_bend_and_that_is_said():
    row = (
        fit_factors(made(1), "y", ["warm", "pour"], kind="measure")
        .checks()
        .table.set_index("check")
        .loc["straight lines"]
    )
    assert row["finding"] == "cannot tell"
    assert "two settings only" in row["sentence"]


def test_settings_with_one_outcome_only_are_named():
    frame = pd.DataFrame({"passed": [0, 1, 0, 1, 1, 1, 1, 1], "pour": ["stream"] * 4 + ["ladle"] * 4})
    row = fit_factors(frame, "passed", ["pour"], kind="pass").checks().table.set_index("check").loc["separation"]
    assert row["finding"] == "look"
    assert "pour stream instead of ladle" in row["sentence"]


def test_castings_in_the_order_of_their_settings_cannot_tell_a_drift():
    """Rows sorted by a setting whose effect bends: the bend read as a drift of 130 to more than 1000 times."""
    rng = np.random.default_rng(4)
    warm = np.sort(rng.uniform(20, 32, 24))
    frame = pd.DataFrame({"resin_c": warm, "bubbles": rng.poisson(np.exp(1 + (warm - 20) ** 2 / 30))})
    for made, told in (
        (frame, "The rows stand in the order of resin temperature"),
        (
            frame.assign(poured_at=pd.date_range("2026-03-02", periods=24, freq="h")),
            "The castings were made (by poured_at) in the order of resin temperature",
        ),
    ):
        row = fit_factors(made, "bubbles", "resin_c").checks().table.set_index("check").loc["time trend"]
        assert row["finding"] in ("cannot tell", "look")
        assert row["sentence"].startswith(told)
        assert "times" not in row["sentence"]
    mixed = frame.sample(frac=1, random_state=1)
    assert "in the order" not in str(fit_factors(mixed, "bubbles", "resin_c").checks().table["sentence"].to_list())


@pytest.mark.parametrize(("check", "none"), [("molds", "No difference"), ("time trend", "No drift")])
def test_what_lies_between_the_line_and_a_finding_is_told_as_a_hint(check, none):
    for seed in range(60):
        row = checked(made(seed)).table.set_index("check").loc[check]
        if row["finding"] == "fine":
            assert row["sentence"].startswith(none) == (row["number"] >= 0.05)
        if 0.01 <= row["number"] < 0.05:
            assert "hint" in row["sentence"]
            assert row["finding"] == "fine"
            return
    raise AssertionError("no seed gave a p-value between 0.01 and 0.05")


def test_counts_that_were_stopped_show_no_bend_and_no_odd_scatter_where_they_pile_up():
    """True counts follow a straight line (on the log scale); stopped at 50, they seem to level off."""
    rng = np.random.default_rng(8)
    warm = rng.permutation(np.repeat([20.0, 24.0, 28.0, 32.0], 6))
    true = rng.poisson(np.exp(2.3 + 0.2 * (warm - 20)))
    stopped = true > 50
    frame = pd.DataFrame({"resin_c": warm, "bubbles": np.minimum(true, 50), "bubbles_stopped": stopped})
    at_face = fit_factors(frame.drop(columns="bubbles_stopped"), "bubbles", "resin_c").checks()
    assert finding(at_face, "straight lines") != "fine"
    rows = fit_factors(frame, "bubbles", "resin_c").checks().table.set_index("check")
    assert rows.loc["straight lines", "finding"] == "fine"
    for check in ("shape of the scatter", "spread"):
        assert rows.loc[check, "finding"] == "cannot tell"
        assert f"Of {stopped.sum()} of 24 castings only a limit of bubbles is known" in rows.loc[check, "sentence"]


@pytest.mark.parametrize(("kind", "values"), [("grade", [0, 1, 2, 3]), ("pass", [0, 1]), ("count", [3, 9, 4, 7])])
def test_every_kind_is_checked_with_and_without_batches(kind, values):
    frame = made(2).assign(y=np.random.default_rng(2).choice(values, 32))
    for batch in (None, False):
        checks = fit_factors(frame, "y", FACTORS, kind=kind, batch=batch).checks()
        assert set(checks.table["finding"]) <= {"fine", "look", "serious", "cannot tell"}
        assert np.isfinite(checks.castings[["residual", "plain", "leverage", "cook"]].to_numpy()).all()
        assert checks.table["sentence"].str.endswith(".").all()
        assert checks.figure().alt.startswith("Checks of a fit of y")


def test_the_page_shows_a_panel_for_each_question_and_what_rests_on_one():
    checks = checked(made(3, "measure", "odd"))
    figure = checks.figure()
    titles = [axes.get_title(loc="left") for axes in figure.get_axes() if axes.get_title(loc="left")]
    assert any(title.startswith("Is any casting odd?") for title in titles)
    assert any(title.startswith("Do molds differ") for title in titles)
    assert all("odd castings" in checks.tables()["How far to trust it"]["check"].to_list() for _ in titles)


def test_the_furthest_casting_is_named_also_where_none_is_odd():
    told = set()
    for seed in range(4):
        rng = np.random.default_rng(seed)
        frame = pd.DataFrame({"pour": ["stream", "ladle"] * 12, "haze_pct": rng.uniform(4, 6, 24)})
        checks = fit_factors(frame, "haze_pct", "pour", batch=False).checks()
        middle = frame["haze_pct"] - frame.groupby("pour")["haze_pct"].transform("mean")
        row = checks.table.set_index("check").loc["odd castings"]
        assert row["finding"] == "fine"
        assert f"row {middle.abs().idxmax()}" in " ".join(str(value) for value in row)
        told.add(middle.abs().idxmax())
    assert told != {0}


def test_many_castings_show_a_bar_once_the_checks_take_long_and_few_do_not(capsys, monkeypatch):
    monkeypatch.setattr("castlab.analysis.checking.checks.PATIENCE_S", 0.0)
    rng = np.random.default_rng(1)
    made = pd.DataFrame({"haze_pct": rng.normal(size=1200), "pour": rng.integers(0, 2, 1200).astype(str)})
    fit_factors(made.head(100), "haze_pct", "pour").checks()
    assert capsys.readouterr().err == ""
    fit_factors(made, "haze_pct", "pour").checks()
    assert "Checking the fit" in capsys.readouterr().err
