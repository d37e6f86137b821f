"""What `fit_factors` does with limits, several scorers, automatic counts, missing scores and many zeros."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from castlab import Batch, Logbook, Score, Trial
from castlab.analysis import fit_factors
from castlab.analysis.models import imperfect, imputation, pooling
from castlab.analysis.reading import limits
from castlab.analysis.reading.known import Known
from castlab.errors import FitError, InputError


def made(seed: int = 5, mean: float = 14, batches: int = 8, size: int = 4, effect: float = 0.5) -> pd.DataFrame:
    """Castings in batches; `ladle` multiplies counts by e to the effect; `haze_pct` is a measure of the same."""
    rng = np.random.default_rng(seed)
    batch, ladle = np.repeat(np.arange(batches), size), np.tile(np.arange(size) % 2, batches)
    level = np.log(mean) + effect * ladle + rng.normal(0, 0.15, batches)[batch]
    return pd.DataFrame(
        {
            "trial_id": [f"T-{i:03d}" for i in range(len(batch))],
            "batch_id": [f"B-{b:03d}" for b in batch],
            "pour": pd.Categorical(np.where(ladle, "ladle", "stream"), ["stream", "ladle"]),
            "bubbles": rng.poisson(np.exp(level)),
            "haze_pct": 3 + level + rng.normal(0, 0.3, len(batch)),
        }
    )


def stopped_at(frame: pd.DataFrame, limit: int) -> pd.DataFrame:
    return frame.assign(bubbles=frame["bubbles"].clip(upper=limit), bubbles_stopped=frame["bubbles"] >= limit)


def log_width(fit) -> float:
    return float(np.log(fit.effects["high"].iloc[0] / fit.effects["low"].iloc[0]))


def readings(frame: pd.DataFrame, response: str, seed: int = 2, both: int = 2) -> pd.DataFrame:
    """Ann and Ben, who reads 1.4 times as many and mostly the ladle castings; every `both`-th casting is read by both."""
    rng, rows = np.random.default_rng(seed), []
    for i, (casting, pour, truth) in enumerate(zip(frame["trial_id"], frame["pour"], frame[response], strict=True)):
        for who, bias, own in (("ann", 0.83, "stream"), ("ben", 1.17, "ladle")):
            if pour == own or i // 2 % both == 0:
                rows.append((casting, who, max(0, round(truth * bias + rng.normal(0, 0.5 * np.sqrt(truth))))))
    return pd.DataFrame(rows, columns=["trial_id", "scorer", response])


# limits


@pytest.mark.parametrize(
    ("text", "number", "least", "most"),
    [
        (">50", 51, True, False), ("> 50", 51, True, False), (">=50", 50, True, False), ("50+", 50, True, False),
        ("at least 50", 50, True, False), ("more than 50", 51, True, False), ("<3", 2, False, True),
        ("at most 3", 3, False, True), ("7", 7, False, False),
    ],
)  # fmt: skip
def test_limits_are_read_from_text(text, number, least, most):
    values, at_least, at_most = limits.read_texts(pd.Series([text, ">99", "4"]))
    assert (float(values[0]), at_least[0], at_most[0]) == (number, least, most)


def test_a_limit_of_a_measure_is_not_moved_to_the_next_whole_number():
    values, _, at_most = limits.read_texts(pd.Series(["<0.5", "1.2", "7"]))
    assert list(values) == [0.5, 1.2, 7.0]
    assert list(at_most) == [True, False, False]


def test_numbers_without_limits_stay_the_very_column():
    column = pd.Series(["3", "4"])
    assert limits.read_texts(column)[0] is column


def test_a_stopped_count_is_never_taken_as_exact_and_says_so():
    frame = made()
    truth = fit_factors(frame, "bubbles", ["pour"], kind="count")
    told = fit_factors(stopped_at(frame, 22), "bubbles", ["pour"], kind="count")
    naive = fit_factors(stopped_at(frame, 22).drop(columns="bubbles_stopped"), "bubbles", ["pour"], kind="count")
    assert naive.effects["estimate"].iloc[0] < told.effects["estimate"].iloc[0]
    assert log_width(told) > log_width(truth)
    assert any("known only to a limit (from bubbles_stopped)" in c for c in told.cautions)
    assert any("costs up to" in c for c in told.cautions)


def test_text_limits_and_a_named_column_give_the_same_answer():
    frame = stopped_at(made(), 22)
    flagged = frame.rename(columns={"bubbles_stopped": "more"})
    text = [f"{n}+" if more else str(n) for n, more in zip(frame["bubbles"], frame["bubbles_stopped"], strict=True)]
    one = fit_factors(flagged, "bubbles", ["pour"], kind="count", at_least="more")
    other = fit_factors(frame.drop(columns="bubbles_stopped").assign(bubbles=text), "bubbles", ["pour"])
    assert one.effects["estimate"].iloc[0] == other.effects["estimate"].iloc[0]
    assert other.kind == "count"
    assert other.data["bubbles"].max() == 22


def test_a_fit_of_exact_values_is_the_plain_fit():
    frame = made().assign(bubbles_stopped=False)
    plain = fit_factors(frame.drop(columns="bubbles_stopped"), "bubbles", ["pour"], kind="count")
    pd.testing.assert_frame_equal(fit_factors(frame, "bubbles", ["pour"], kind="count").effects, plain.effects)


def test_the_same_castings_give_the_same_answer_twice():
    frame = stopped_at(made(), 22)
    first = fit_factors(frame, "bubbles", ["pour"], kind="count")
    pd.testing.assert_frame_equal(first.effects, fit_factors(frame, "bubbles", ["pour"], kind="count").effects)


def test_a_setting_never_counted_to_the_end_is_named():
    frame = made(mean=30, effect=1.5)
    frame = stopped_at(frame, int(frame.loc[frame["pour"] == "ladle", "bubbles"].min()))
    fit = fit_factors(frame, "bubbles", ["pour"], kind="count")
    assert any("At pour ladle every value is only a limit" in c for c in fit.cautions)


def test_grades_cannot_be_limits():
    frame = made().assign(clarity_grade=2, more=True)
    frame.loc[:7, "clarity_grade"] = 3
    with pytest.raises(InputError, match="cannot be a limit"):
        fit_factors(frame, "clarity_grade", ["pour"], at_least="more")


# several scorers


def test_a_harsh_scorer_is_told_from_bubbly_castings():
    frame = made()
    scores = readings(frame, "bubbles")
    naive = frame.assign(bubbles=frame["trial_id"].map(scores.groupby("trial_id")["bubbles"].mean()).round())
    told = fit_factors(frame, "bubbles", ["pour"], scores=scores)
    truth = fit_factors(frame, "bubbles", ["pour"]).effects["estimate"].iloc[0]
    off = abs(np.log(told.effects["estimate"].iloc[0] / truth))
    face = fit_factors(naive, "bubbles", ["pour"], kind="count")
    assert off < 0.5 * abs(np.log(face.effects["estimate"].iloc[0] / truth))
    assert any("ben counts 1." in c and "times the average" in c for c in told.cautions)


def test_castings_read_more_often_are_known_better():
    frame = made()
    scores = pd.concat([readings(frame, "bubbles", seed=s, both=1) for s in range(6)])
    once = scores.groupby("trial_id").head(1)
    few = pd.concat([once.assign(scorer="ann"), scores.groupby("trial_id").nth([3]).head(8).assign(scorer="ann")])
    many = scores.assign(scorer="ann")
    assert log_width(fit_factors(frame, "bubbles", ["pour"], scores=many)) < log_width(
        fit_factors(frame, "bubbles", ["pour"], scores=few)
    )


def test_with_one_reading_each_nothing_can_be_known_of_the_scorers():
    frame = made()
    scores = frame[["trial_id", "bubbles"]].assign(scorer="ann")
    fit = fit_factors(frame, "bubbles", ["pour"], scores=scores)
    assert any("Every casting was read once (one scorer)" in c for c in fit.cautions)
    plain = fit_factors(frame, "bubbles", ["pour"])
    pd.testing.assert_frame_equal(fit.effects, plain.effects)


@pytest.mark.parametrize("kind", ["measure", "grade", "pass"])
def test_readings_of_measures_grades_and_pass_go_in_too(kind):
    frame, rng = made(effect=1.0, batches=10), np.random.default_rng(4)
    frame["y"] = {
        "measure": frame["haze_pct"],
        "grade": pd.cut(frame["bubbles"], [-1, 10, 18, 30, 999], labels=False),
        "pass": frame["bubbles"] < 20,
    }[kind]
    rows = []
    for casting, y in zip(frame["trial_id"], frame["y"], strict=True):
        for who in ("ann", "ben"):
            read = {
                "measure": y + rng.normal(0, 0.2),
                "grade": int(np.clip(y + (rng.random() < 0.2) - (rng.random() < 0.2), 0, 3)),
                "pass": bool(y) ^ bool(rng.random() < 0.05),
            }[kind]
            rows.append((casting, who, read))
    scores = pd.DataFrame(rows, columns=["trial_id", "scorer", "y"])
    fit = fit_factors(frame.drop(columns="y"), "y", ["pour"], kind=kind, scores=scores)
    truth = fit_factors(frame, "y", ["pour"], kind=kind).effects.iloc[0]
    assert fit.effects["low"].iloc[0] < truth["estimate"] < fit.effects["high"].iloc[0]
    assert "plausible sets of true responses pooled" in fit.method
    assert np.isfinite(fit.expected({"pour": ["stream", "ladle"]})[["expected", "low", "high"]]).all(axis=None)


@pytest.mark.parametrize(("wrong", "vague"), [(0.0, False), (0.15, True)])
def test_passes_judged_twice_say_how_many_readings_may_be_wrong(wrong, vague):
    frame, rng = made(effect=1.0, batches=10), np.random.default_rng(4)
    truth = frame["bubbles"] < 20
    rows = [
        (casting, who, bool(passed) ^ bool(rng.random() < wrong))
        for casting, passed in zip(frame["trial_id"], truth, strict=True)
        for who in ("ann", "ben")
    ]
    scores = pd.DataFrame(rows, columns=["trial_id", "scorer", "passed"])
    fit = fit_factors(frame, "passed", ["pour"], kind="pass", scores=scores)
    (said,) = [c for c in fit.cautions if "of the readings may be wrong" in c]
    low, high = (float(end) / 100 for end in re.findall(r"\((?:under )?(\d+)% to (\d+)%\)", said)[0])
    assert low <= max(wrong, 0.01) <= high
    assert ("rather too wide than too narrow" in said) == vague


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda s: s.drop(columns="scorer"), "no column 'scorer'"),
        (lambda s: s.assign(trial_id="X"), "no score in scores="),
        (lambda s: s.to_numpy(), "scores is a ndarray"),
    ],
)
def test_scores_that_do_not_fit_the_castings_are_refused(change, said):
    frame = made()
    with pytest.raises(InputError, match=said):
        fit_factors(frame, "bubbles", ["pour"], scores=change(readings(frame, "bubbles")))


# automatic counts


def test_an_automatic_count_is_corrected_and_its_interval_widens():
    frame, rng = made(), np.random.default_rng(8)
    found = frame.assign(bubbles=rng.binomial(frame["bubbles"], 0.75) + rng.poisson(1.5, len(frame)))
    truth = fit_factors(frame, "bubbles", ["pour"]).expected({"pour": "stream"})["expected"].iloc[0]
    sure = fit_factors(found, "bubbles", ["pour"], missed=0.25, false_finds=1.5)
    checked = fit_factors(found, "bubbles", ["pour"], missed=(5, 20), false_finds=1.5)
    plain = fit_factors(found, "bubbles", ["pour"]).expected({"pour": "stream"})
    row, unsure = (f.expected({"pour": "stream"}).iloc[0] for f in (sure, checked))
    assert plain["expected"].iloc[0] < 0.9 * truth
    assert row["expected"] == pytest.approx(truth, rel=0.1)
    assert unsure["high"] / unsure["low"] > 1.1 * row["high"] / row["low"]
    assert any("5 of 20 known bubbles were missed" in c for c in checked.cautions)


def test_the_logbooks_automatic_count_brings_its_interval():
    frame = made()
    frame = frame.assign(
        auto_bubbles=frame["bubbles"], auto_low=frame["bubbles"] // 2, auto_high=frame["bubbles"] * 2 + 2
    )
    fit = fit_factors(frame, "auto_bubbles", ["pour"], kind="count")
    assert log_width(fit) > log_width(fit_factors(frame, "bubbles", ["pour"]))
    alone = fit_factors(frame.drop(columns=["auto_low", "auto_high"]), "auto_bubbles", ["pour"], kind="count")
    assert any("taken as exact" in c for c in alone.cautions)


@pytest.mark.parametrize("wrong", [1.0, -0.1, True, "nothing", (6, 5), (1, 2, 3)])
def test_an_unusable_share_missed_is_refused(wrong):
    with pytest.raises(InputError):
        fit_factors(made(), "bubbles", ["pour"], missed=wrong)


# missing scores


def test_missing_scores_are_counted_where_they_gather_and_never_filled_in():
    frame = made().astype({"bubbles": float})
    gone = frame["pour"].eq("ladle") & (np.arange(len(frame)) % 4 == 1)
    fit = fit_factors(frame.mask(gone & frame["bubbles"].notna(), other=np.nan).assign(
        **{c: frame[c] for c in ("trial_id", "batch_id", "pour", "haze_pct")}), "bubbles", ["pour"], kind="count")  # fmt: skip
    assert fit.n == len(frame) - gone.sum()
    said = next(c for c in fit.cautions if "not spread evenly" in c)
    assert "0 of 16 at stream" in said
    assert "8 of 16 at ladle" in said


# zeros


def with_zeros(seed: int = 1, share: float = 0.35) -> pd.DataFrame:
    frame, rng = made(seed, batches=12), np.random.default_rng(seed)
    return frame.assign(bubbles=frame["bubbles"].where(rng.random(len(frame)) > share, 0))


def test_more_zeros_than_counts_have_are_said_with_the_numbers():
    frame = with_zeros()
    zeros = int((frame["bubbles"] == 0).sum())
    said = [c for c in fit_factors(frame, "bubbles", ["pour"]).cautions if "have no bubbles" in c]
    assert len(said) == 1
    assert said[0].startswith(f"{zeros} of 48 castings")


@pytest.mark.parametrize("seed", range(8))
def test_plain_counts_are_not_suspected(seed):
    rng = np.random.default_rng(seed)
    frame = made(seed, mean=2).assign(bubbles=lambda f: rng.negative_binomial(2, 2 / (2 + 2.0), len(f)))
    assert not any("of them for a reason" in c for c in fit_factors(frame, "bubbles", ["pour"]).cautions)


def test_zeros_apart_tell_the_chance_of_any_and_the_number():
    fit = fit_factors(with_zeros(), "bubbles", ["pour"], zeros="separate")
    assert fit.any_at_all.kind == "pass"
    assert fit.data["bubbles"].min() > 0
    assert fit.any_at_all.n > fit.n
    assert "Chance of any bubbles:" in fit.verdict
    assert "Number where there are any:" in fit.verdict
    assert len(fit.tables()) == 4
    row = fit.effects.iloc[0]
    assert row["p_adjusted"] == pytest.approx(min(1, 2 * row["p_value"]))
    assert row["low"] < np.exp(0.5) < row["high"]


@pytest.mark.parametrize("seed", range(4))
def test_zeros_apart_tell_no_level_surer_than_its_factor(seed):
    frame = with_zeros(seed)
    mold = np.random.default_rng(seed).permutation(np.resize(["M-1", "M-2", "M-3", "M-4"], len(frame)))
    fit = fit_factors(frame.assign(mold=mold), "bubbles", ["mold"], zeros="separate")
    for part in (fit, fit.any_at_all):
        whole = part.tests["strength"].iloc[0]
        assert whole != "not shown" or set(part.effects["strength"]) == {"not shown"}
        assert "several settings" not in part.verdict


def test_zeros_apart_need_some_of_each():
    with pytest.raises(FitError, match="at least 4 of each"):
        fit_factors(made(), "bubbles", ["pour"], zeros="separate")
    with pytest.raises(InputError, match="accepted: 'separate'"):
        fit_factors(made(), "bubbles", ["pour"], zeros="apart")


# checks


@pytest.mark.parametrize("seed", [1, 8, 11])
def test_what_carries_the_verdict_is_what_a_fit_without_it_shows(seed):
    frame = stopped_at(made(seed, effect=0.25, batches=6), 20)
    carried = fit_factors(frame, "bubbles", ["pour"], kind="count").checks().carried
    assert len(carried)
    for row in carried.itertuples():
        rest = frame[frame["trial_id" if row.what == "casting" else "batch_id"] != row.without]
        effect = fit_factors(rest, "bubbles", ["pour"], kind="count").effects.iloc[0]
        assert effect["strength"] == row.after
        assert [effect["low"], effect["high"]] == pytest.approx([row.low, row.high])


# pooling and drawing


def test_pooled_fits_of_one_and_the_same_response_are_that_fit():
    fit = fit_factors(made(), "haze_pct", ["pour"])
    one = fit._chosen.model
    pooled = pooling.Pooled((one,) * 5)
    assert pooled.interval(1) == pytest.approx(one.interval(1), rel=1e-6)
    assert pooled.test([1]).p == pytest.approx(one.test([1]).p, rel=1e-4)
    assert pooled.lost(1) == pytest.approx(0, abs=1e-9)


def test_a_test_of_several_levels_pooled_over_one_response_is_that_test():
    frame = made(batches=1, size=30).drop(columns="batch_id").assign(mold=list("abc") * 10)
    one = fit_factors(frame, "haze_pct", ["mold"])._chosen.model
    pooled = pooling.Pooled((one,) * 4)
    assert pooled.test([1, 2]).statistic == pytest.approx(one.test([1, 2]).statistic, rel=1e-3)
    assert pooled.test([1, 2]).p == pytest.approx(one.test([1, 2]).p, rel=1e-2)


def test_draws_keep_to_what_was_recorded():
    X = np.column_stack([np.ones(12), np.tile([0, 1], 6)])
    counts = np.array([3, 9, 4, 20, 2, 11, 5, 8, 20, 20, 1, 7], dtype=float)
    known = Known(counts, np.where(counts >= 20, np.inf, counts))
    drawn, _ = imputation.draw(X, None, "count", known, offset=np.zeros(12), draws=10)
    assert (drawn[:, counts < 20] == counts[counts < 20]).all()
    assert (drawn[:, counts >= 20] >= 20).all()
    assert drawn[:, counts >= 20].std() > 0


# simulated castings whose truth is known


def covers(make, runs: int = 12) -> tuple[float, float]:
    """Share of 95% intervals that hold the true effect: at face value, and told how the response was recorded."""
    held = np.zeros((runs, 2))
    for run in range(runs):
        frame, words = make(run)
        for j, (rows, options) in enumerate(
            ((frame.drop(columns="bubbles_stopped", errors="ignore"), {}), (frame, words))
        ):
            effect = fit_factors(rows, "bubbles", ["pour"], kind="count", **options).effects.iloc[0]
            held[run, j] = effect["low"] <= np.exp(0.5) <= effect["high"]
    return tuple(held.mean(axis=0))


def test_intervals_of_stopped_counts_hold_the_truth_where_face_value_does_not(monkeypatch):
    monkeypatch.setattr(imperfect, "DRAWS", 10)  # enough to see it, and quicker
    face, told = covers(lambda seed: (stopped_at(made(100 + seed, mean=18), 26), {}))
    assert told >= 10 / 12  # fewer of twelve 95% intervals: once in fifty
    assert face < told - 0.15


def test_intervals_of_automatic_counts_hold_the_truth_where_face_value_does_not(monkeypatch):
    monkeypatch.setattr(imperfect, "DRAWS", 10)

    def make(seed: int):
        frame, rng = made(200 + seed, mean=18), np.random.default_rng(seed)
        share = np.where(frame["pour"] == "ladle", 0.35, 0.1)
        return frame.assign(bubbles=rng.binomial(frame["bubbles"], 1 - share), share=share), {"missed": "share"}

    face, told = covers(make)
    assert told >= 10 / 12
    assert face < 0.5


# the logbook


def test_the_logbook_gives_its_single_scores_and_says_where_counting_stopped(tmp_path):
    book = Logbook.open(tmp_path / "shop.db")
    batch = book.add(Batch(resin_c=24))
    counted = [
        [(20, False), (30, False), (50, True)],
        [(50, True), (60, False)],
        [(20, False), (50, True)],
        [(3, None)],
    ]
    for scores in counted:
        trial = book.add(Trial(batch_id=batch.id))
        for who, (number, more) in zip("abc", scores, strict=False):
            book.add(Score(trial_id=trial.id, scorer=who, bubbles=number, bubbles_stopped=more))
    frame, scores = book.frame(), book.scores()
    assert frame["bubbles"].tolist() == [30, 60, 50, 3]
    assert frame["bubbles_stopped"].fillna(False).tolist() == [False, True, True, False]
    assert len(scores) == 8
    assert {"score_id", "trial_id", "scorer", "method", "bubbles", "bubbles_stopped"} <= set(scores.columns)
    assert scores["bubbles"].tolist() == [20, 30, 50, 50, 60, 20, 50, 3]


def test_castings_that_were_all_stopped_at_one_number_are_told_as_limits():
    frame = pd.DataFrame({"pour": ["ladle", "stream"] * 6, "bubbles": 50, "bubbles_stopped": True})
    with pytest.raises(FitError, match="bubbles is known in all 12 castings only as a limit, 50"):
        fit_factors(frame, "bubbles", "pour")


def test_zeros_apart_says_and_refuses_what_any_other_fit_does():
    frame = pd.DataFrame({"resin_c": ["22", "32"] * 10, "bubbles": [0, 4, 3, 0, 5, 6, 0, 2, 9, 7] * 2})
    fit = fit_factors(frame, "bubbles", "resin_c", zeros="separate")
    assert any("numbers written as text, which were taken as levels" in said for said in fit.cautions)
    mixed = frame.assign(resin_c=[22.0, 32.0, 26.0, "about 24"] * 5)
    with pytest.raises(InputError, match=r"resin_c holds 'about 24' \(row 3\) among numbers"):
        fit_factors(mixed, "bubbles", "resin_c", zeros="separate")
    with pytest.raises(InputError, match="no missed, false_finds, within or scores"):
        fit_factors(frame, "bubbles", "resin_c", zeros="separate", false_finds=2)
    with pytest.raises(InputError, match="no column 'spin'"):
        fit_factors(frame, "bubbles", "spin", zeros="separate")
