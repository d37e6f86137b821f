"""Blind sessions: who reads what in which order, how readings come back, and what they show of a scorer over time.

Castings for a wanted precision follow Bonett, Statistics in Medicine 21 (2002) 1331; the simulation below checks what the
formula promises.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from castlab import Batch, Logbook, Score, Trial
from castlab.errors import ConflictError, InputError
from castlab.scoring import agreement, drift_of_scorer, enter_rescoring, gauge_study, plan_rescoring, rubric
from castlab.scoring.agreeing import intraclass
from castlab.scoring.marking import METHOD
from castlab.scoring.photo_scores import SCORER
from castlab.scoring.rescoring import castings_for

IDS = [f"T-001.{n}" for n in range(1, 13)]


def test_every_scorer_reads_every_casting_in_an_order_of_its_own_by_codes_only():
    session = plan_rescoring(IDS, ["Noor", "Wim"], repeats=2, seed=4)
    orders = [tuple(part["code"]) for _, part in session.sheets.groupby(["scorer", "round"])]
    assert len(orders) == len(set(orders)) == 4
    assert all(sorted(order) == sorted(session.key["code"]) for order in orders)
    assert sorted(session.key["trial_id"]) == sorted(IDS)
    assert "trial_id" not in session.sheets
    again = plan_rescoring(IDS, ["Noor", "Wim"], repeats=2, seed=4)
    assert again.name == session.name != plan_rescoring(IDS, ["Noor", "Wim"], repeats=2, seed=5).name


def test_the_result_shows_each_order_in_a_line():
    session = plan_rescoring(IDS, ["Noor", "Wim"], repeats=2, seed=4)
    (table,) = session.tables().values()
    assert table["scorer"].tolist() == ["Noor", "Noor", "Wim", "Wim"]
    first = session.sheets.query("scorer == 'Noor' and round == 1")["code"]
    assert table["codes, in order"].iloc[0].split() == list(first)


def test_castings_are_drawn_from_good_to_bad():
    frame = pd.DataFrame({"trial_id": IDS, "bubbles": range(12)})
    for seed in range(5):
        drawn = plan_rescoring(frame, ["Noor"], by="bubbles", how_many=4, repeats=2, seed=seed).key
        places = sorted(IDS.index(i) // 3 for i in drawn["trial_id"])
        assert places == [0, 1, 2, 3]


def test_the_number_of_castings_gives_the_wanted_width():
    rng = np.random.default_rng(6)
    agreement, scorers, half = 0.75, 3, 0.12
    n = castings_for(half, agreement, scorers)
    widths = []
    for _ in range(200):
        values = rng.normal(0, np.sqrt(agreement), (n, 1)) + rng.normal(0, np.sqrt(1 - agreement), (n, scorers))
        row = intraclass(values).iloc[0]
        widths.append((row["high"] - row["low"]) / 2)
    assert np.mean(widths) == pytest.approx(half, rel=0.1)


def test_further_rounds_of_the_same_people_promise_no_surer_agreement_between_people():
    """Two people, two rounds: where what one says again is what that person said before, rounds add nothing; simulated."""
    castings, expected = 24, 0.8
    frame = [f"T-{n:03d}.1" for n in range(1, castings + 1)]
    planned = [plan_rescoring(frame, ["Noor", "Wim"], repeats=n, expected=expected).half_width for n in (1, 2)]
    rng = np.random.default_rng(2)
    found = []
    for _ in range(2000):
        said = rng.normal(size=(castings, 1)) + rng.normal(0, 0.5, (castings, 2))
        found.append(np.corrcoef(said.T)[0, 1])
    low, high = np.quantile(found, [0.025, 0.975])
    assert planned[1] == planned[0]
    assert planned[1] == pytest.approx((high - low) / 2, rel=0.1)
    alone = [plan_rescoring(frame, ["Noor"], repeats=n).half_width for n in (2, 3)]
    assert alone[1] < alone[0]
    cautions = plan_rescoring(frame, ["Noor", "Wim"]).cautions
    assert any("2 scorers hardly tell how far other people differ" in said for said in cautions)
    assert not [said for said in plan_rescoring(frame, ["Noor"], repeats=2).cautions if "hardly tell" in said]


@pytest.fixture
def shop(tmp_path):
    book = Logbook.open(tmp_path / "shop.db", who="Noor")
    book.add(Batch())
    for n in range(12):
        casting = book.add(Trial(batch_id="B-001"))
        book.add(Score(trial_id=casting.id, scorer="Noor", scored_at="2026-03-01 10:00", bubbles=n))
    return book


def test_readings_come_back_as_scores_once_and_drift_is_seen(shop):
    session = plan_rescoring(IDS, ["Noor"], repeats=2, seed=1)
    first = dict(zip(session.key["trial_id"], range(12), strict=False))
    truth = {f"T-001.{n + 1}": n for n in range(12)}
    readings = {
        code: {"bubbles": truth[t] + 3 + n % 2} for n, (code, t) in enumerate(session.key.itertuples(index=False))
    }
    scores = enter_rescoring(shop, session, "Noor", readings, scored_at="2026-06-01 10:00", printed=session.name)
    assert len(scores) == len(first) == 12
    again = enter_rescoring(shop, session, "Noor", readings, scored_at="2026-06-01 10:00", printed=session.name)
    assert [s.id for s in again] == [s.id for s in scores]
    assert len(shop.records("score")) == 24
    row = drift_of_scorer(shop.scores(), "bubbles").table.iloc[0]
    assert row["shift"] == pytest.approx(3.5)
    assert 3 < row["low"] < row["high"] < 4


def test_grades_of_a_session_carry_the_version_of_their_rubric(shop):
    session = plan_rescoring(IDS, ["Noor"], seed=1)
    house = rubric.load()
    readings = {"A1": {"bubbles": 2}, "B1": {"clarity_grade": 3}}
    counted, graded = enter_rescoring(
        shop, session, "Noor", readings, scored_at="2026-06-01", rubric=house, printed=session.name
    )
    assert (counted.rubric, graded.rubric) == (None, house.version)


def test_an_item_of_ones_own_is_entered_as_the_sheet_names_it(shop, tmp_path):
    anchors = '["none", "little", "some", "much", "all"]'
    (tmp_path / "own.toml").write_text(f'name = "ours"\n[gloss]\nanchors = {anchors}\n')
    own = rubric.load(tmp_path / "own.toml")
    session = plan_rescoring(IDS, ["Noor"], readings=["gloss_grade"], seed=1)
    given = {"scored_at": "2026-06-01", "rubric": own, "printed": session.name}
    (score,) = enter_rescoring(shop, session, "Noor", {"A1": {"gloss_grade": 3}}, **given)
    assert (score.extra_grades, score.rubric) == ({"gloss": 3}, own.version)
    with pytest.raises(ConflictError, match="entered before"):
        enter_rescoring(shop, session, "Noor", {"A1": {"gloss_grade": 2}}, **given)


def test_other_values_or_an_unknown_code_write_nothing(shop):
    session = plan_rescoring(IDS, ["Noor"], repeats=2, seed=1)
    enter_rescoring(shop, session, "Noor", {"A1": {"bubbles": 1}}, scored_at="2026-06-01", printed=session.name)
    with pytest.raises(ConflictError, match="entered before"):
        enter_rescoring(
            shop,
            session,
            "Noor",
            {"B1": {"bubbles": 2}, "A1": {"bubbles": 9}},
            scored_at="2026-06-01",
            printed=session.name,
        )
    with pytest.raises(InputError, match="has no Z9"):
        enter_rescoring(
            shop,
            session,
            "Noor",
            {"B1": {"bubbles": 2}, "Z9": {"bubbles": 9}},
            scored_at="2026-06-01",
            printed=session.name,
        )
    assert len(shop.records("score")) == 13


def test_a_score_logged_after_printing_moves_no_reading_to_another_casting(shop, tmp_path):
    def plan(**kept):
        first = shop.scores().query("method != 'blind'").drop_duplicates("trial_id")
        return plan_rescoring(first, ["Noor"], by="bubbles", how_many=6, seed=3, repeats=2, **kept)

    file = tmp_path / "session.json"
    session = plan(keep=file)
    assert plan(keep=file).name == session.name
    casting = shop.add(Trial(batch_id="B-001"))
    shop.add(Score(trial_id=casting.id, scorer="Noor", scored_at="2026-03-02", bubbles=7))
    other = plan()
    assert other.name != session.name
    given = {"scored_at": "2026-06-01", "printed": session.name}
    with pytest.raises(ConflictError, match=f"{session.name}.*{other.name}"):
        enter_rescoring(shop, other, "Noor", {"A1": {"bubbles": 3}}, **given)
    assert len(shop.records("score")) == 13
    kept = plan(keep=file)
    assert any(session.name in said and other.name in said for said in kept.cautions)
    (score,) = enter_rescoring(shop, kept, "Noor", {"A1": {"bubbles": 3}}, **given)
    assert score.trial_id == session.key.set_index("code").loc["A1", "trial_id"]


def test_neither_castings_nor_scorers_are_made_of_nothing():
    with pytest.raises(InputError, match="a casting has no id"):
        plan_rescoring(pd.DataFrame({"trial_id": [*IDS, np.nan]}), ["Noor"])
    with pytest.raises(InputError, match="one or more different names"):
        plan_rescoring(IDS, [None, "Noor"])
    with pytest.raises(InputError, match="seed is 'x'"):
        plan_rescoring(IDS, ["Noor"], seed="x")


@pytest.mark.parametrize(
    ("readings", "when", "said"),
    [
        ({"A1": 3}, "2026-06-01", "reading of A1 is 3"),
        (None, "2026-06-01", "readings are None"),
        ({"A1": {"bubbles": 3}}, "soon", "scored_at is 'soon'"),
        ({"A1": {"bubbles": 3}}, None, "scored_at is None"),
        ({"A1": {"bubbles": 3}}, 3, "scored_at is 3"),
        ({"A1": {"trial_id": "T-001.1"}}, "2026-06-01", "names trial_id"),
    ],
)
def test_readings_that_cannot_be_entered_are_refused_with_what_is_accepted(shop, readings, when, said):
    session = plan_rescoring(IDS, ["Noor"], seed=1)
    with pytest.raises(InputError, match=said):
        enter_rescoring(shop, session, "Noor", readings, scored_at=when, printed=session.name)
    assert len(shop.records("score")) == 12


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"scorer": ["Noor"]}, "scorer is .*accepted: the name of one scorer"),
        ({"turn": "first"}, "turn is 'first'; accepted: a whole number from 1 up"),
        ({"rubric": "rubric.toml"}, "rubric is 'rubric.toml'; accepted: what rubric.load"),
    ],
)
def test_a_session_is_entered_by_one_scorer_round_and_rubric(shop, change, said):
    session = plan_rescoring(["T-001.1", "T-001.2"], ["Noor"], readings=["bubbles"])
    told = {"scorer": "Noor", "printed": session.name, "scored_at": "2026-03-01", **change}
    with pytest.raises(InputError, match=said):
        enter_rescoring(shop, session, readings={"A1": {"clarity_grade": 3}}, **told)


def test_a_session_is_kept_in_a_file():
    with pytest.raises(InputError, match=r"keep is 3; accepted: the name of a file"):
        plan_rescoring(["T-001.1", "T-001.2"], ["Noor"], keep=3)


def test_drift_without_a_dated_score_or_of_several_scorers_is_said():
    scores = pd.DataFrame({"trial_id": ["T-001.1"], "scorer": ["Noor"], "scored_at": [None], "bubbles": [3]})
    with pytest.raises(InputError, match="nobody has read three castings twice"):
        drift_of_scorer(scores, "bubbles")
    with pytest.raises(InputError, match=r"scorer is \['Noor'\]; accepted: the name of one scorer"):
        drift_of_scorer(scores, "bubbles", scorer=["Noor"])


def test_what_is_no_session_is_said(shop):
    with pytest.raises(InputError, match=r"session is None; accepted: the plan of the session"):
        enter_rescoring(shop, None, "Noor", {}, printed="abc", scored_at="2026-03-01")


def test_a_withdrawn_reading_entered_again_is_said_to_be_withdrawn(shop):
    session = plan_rescoring(IDS, ["Noor"], seed=1)
    given = {"scored_at": "2026-06-01", "printed": session.name}
    (score,) = enter_rescoring(shop, session, "Noor", {"A1": {"bubbles": 3}}, **given)
    shop.correct(score.id, why="wrong casting", withdrawn=True)
    with pytest.raises(ConflictError, match=f"{score.id}, which has been withdrawn"):
        enter_rescoring(shop, session, "Noor", {"A1": {"bubbles": 3}}, **given)


@pytest.mark.parametrize(
    "wrong",
    [
        {"bubbles": "many"}, {"bubbles": ">50"}, {"bubbles": np.inf}, {"scored_at": "yesterday"}, {"scored_at": 5},
        {"bubbles": pd.Categorical(["bad", "good"] * 3, ordered=True)},
    ],
)  # fmt: skip
def test_drift_of_what_is_no_number_or_no_time_is_refused(wrong):
    rows = pd.DataFrame({"trial_id": IDS[:3] * 2, "scorer": "Noor", "scored_at": ["2026-03-01"] * 3 + ["2026-04-01"] * 3, "bubbles": [1, 2, 3, 2, 3, 5]})  # fmt: skip
    with pytest.raises(InputError, match=r"accepted: (finite numbers|times)"):
        drift_of_scorer(rows.assign(**wrong), "bubbles")
    with pytest.raises(InputError, match="DataFrame"):
        drift_of_scorer(None, "bubbles")


def test_a_kept_session_is_not_written_over_and_a_damaged_one_is_refused(tmp_path):
    file = tmp_path / "session.json"
    session = plan_rescoring(IDS, ["Noor"], keep=file)
    assert plan_rescoring(IDS, ["Noor"], keep=file).sheets.equals(session.sheets)
    with pytest.raises(ConflictError, match=f"holds session {session.name}.*seed 1, now 2"):
        plan_rescoring(IDS, ["Noor"], seed=2, keep=file)
    file.write_text(file.read_text().replace("T-001.3", "T-001.4"))
    with pytest.raises(InputError, match="no whole blind session"):
        plan_rescoring(IDS, ["Noor"], keep=file)
    with pytest.raises(InputError, match="cannot be kept"):
        plan_rescoring(IDS, ["Noor"], keep=tmp_path / "nowhere" / "session.json")


def test_a_scorer_who_reads_alike_is_not_said_to_drift_more_often_than_chance():
    rng = np.random.default_rng(8)
    said = 0
    for _ in range(300):
        first = rng.normal(50, 8, 12)
        rows = pd.DataFrame(
            {
                "trial_id": IDS * 2,
                "scorer": "Noor",
                "scored_at": ["2026-03-01"] * 12 + ["2026-05-01"] * 12,
                "haze_pct": np.concatenate([first + rng.normal(0, 2, 12), first + rng.normal(0, 2, 12)]),
            }
        )
        row = drift_of_scorer(rows, "haze_pct").table.iloc[0]
        said += row["low"] > 0 or row["high"] < 0
    assert said / 300 < 0.09


@pytest.mark.parametrize("look", ["agreement", "gauge", "drift"])
def test_stopped_automatic_and_corrected_counts_are_told_by_number(look):
    people = ["Noor", SCORER] if look == "agreement" else ["Noor", "Wim"]
    rows = pd.DataFrame(
        [(t, who, f"2026-0{turn}-01", 3 * n + turn + (who == "Wim")) for n, t in enumerate(IDS) for who in people for turn in (3, 5)],
        columns=["trial_id", "scorer", "scored_at", "bubbles"],
    )  # fmt: skip
    rows["bubbles_stopped"] = pd.array([True, True] + [None] * (len(rows) - 2), dtype="boolean")
    rows["method"] = [METHOD] * 3 + ["eye"] * (len(rows) - 3)
    if look == "agreement":
        got = agreement(rows, "ratio", item="trial_id", scorer="scorer", value="bubbles")
        assert any("24 of 48 readings are automatic" in said for said in got.cautions)
    elif look == "gauge":
        got = gauge_study(rows, "trial_id", "scorer", "bubbles")
    else:
        got = drift_of_scorer(rows, "bubbles")
    assert any("2 of 48 counts were stopped" in said for said in got.cautions)
    assert any("3 of 48 readings were made by correcting" in said for said in got.cautions)


@pytest.mark.parametrize("study", ["agreement", "gauge"])
def test_a_corrected_count_takes_the_place_of_the_automatic_one(study):
    rows = [(t, "Noor", 3 * n, "eye", None) for n, t in enumerate(IDS)]
    rows += [(t, "Wim", 3 * n + 1, METHOD if n % 2 else "eye", f"P-{n}" if n % 2 else None) for n, t in enumerate(IDS)]
    people = pd.DataFrame(rows, columns=["trial_id", "scorer", "bubbles", "method", "photo_id"])
    automatic = pd.DataFrame(
        [(t, SCORER, 9 * n, "photo", f"P-{n}") for n, t in enumerate(IDS) if n % 2], columns=list(people)
    )
    both = pd.concat([automatic, people], ignore_index=True)

    def studied(frame):
        if study == "agreement":
            return agreement(frame, "ratio", item="trial_id", scorer="scorer", value="bubbles")
        return gauge_study(frame, "trial_id", "scorer", "bubbles")

    got = studied(both)
    assert got.verdict == studied(people).verdict
    assert any(f"{len(automatic)} automatic counts are left out, because a person corrected" in s for s in got.cautions)


def test_of_two_automatic_counts_of_a_photo_the_later_counts():
    rows = [(t, who, 3 * n + add, "photo" if "photo" in who else "eye", f"P-{n}") for who, add in (("Noor", 0), ("photo count 1", 9), ("photo count 2", 1)) for n, t in enumerate(IDS)]  # fmt: skip
    frame = pd.DataFrame(rows, columns=["trial_id", "scorer", "bubbles", "method", "photo_id"])
    got = agreement(frame, "ratio", item="trial_id", scorer="scorer", value="bubbles")
    assert got.scorers == ("Noor", "photo count 2")
    assert any("counted again later" in said for said in got.cautions)


def test_drift_agreement_and_gauge_say_of_grades_whose_words_changed_and_of_no_others():
    rubrics = ["ours 1 (a1b2c3): clarity 111111, tack 222222"] * 4 + [
        "ours 2 (d4e5f6): clarity 999999, tack 222222"
    ] * 4
    seen = [1, 2, 3, 2, 2, 3, 3, 3]
    rows = pd.DataFrame({"trial_id": IDS[:4] * 2, "scorer": "Noor", "scored_at": ["2026-03-01"] * 4 + ["2026-05-01"] * 4, "clarity_grade": seen, "tack_grade": seen, "rubric": rubrics})  # fmt: skip
    both = pd.concat([rows, rows.assign(scorer="Wim", rubric=rubrics[0])], ignore_index=True)
    for column, times in (("clarity_grade", 1), ("tack_grade", 0)):
        for got in (
            drift_of_scorer(rows, column),
            agreement(both, "ordinal", item="trial_id", scorer="scorer", value=column),
            gauge_study(both, "trial_id", "scorer", column),
        ):
            told = [said for said in got.cautions if "(111111 of ours 1; 999999 of ours 2)" in said]
            assert len(told) == times
            assert not [said for said in got.cautions if "of its words" in said and said not in told]


@pytest.mark.parametrize("shift", [0, 1])
def test_shifts_all_alike_are_no_proof_of_drift(shift):
    rows = pd.DataFrame({"trial_id": IDS[:3] * 2, "scorer": "Noor", "scored_at": ["2026-03-01"] * 3 + ["2026-05-01"] * 3, "bubbles": [5, 9, 2, 5 + shift, 9 + shift, 2 + shift]})  # fmt: skip
    got = drift_of_scorer(rows, "bubbles")
    assert got.table[["low", "high", "p_value"]].isna().all(axis=None)
    assert "has drifted" not in got.verdict
    assert "to tell an interval" in got.verdict
    assert got.tables()
    assert got.figure()
    assert got._repr_html_()


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"readings": "bubbles"}, "readings is 'bubbles'"),
        ({"scorers": "Ada"}, "scorers is 'Ada'"),
        ({"castings": None}, "castings is None"),
        ({"readings": ["code"]}, "readings name code"),
        ({"readings": ["bubbles", "bubbles"]}, "different names"),
        ({"by": "words"}, "words holds 'x'"),
        ({"half_width": "x"}, "half_width is 'x'"),
        ({"expected": "much"}, "expected is 'much'"),
        ({"half_width": 0.001}, "would take .* castings"),
        ({"half_width": 0.1, "scorers": ["Ada"]}, "half_width needs two readings"),
    ],
)
def test_a_plan_asked_for_in_the_wrong_way_is_refused(wrong, said):
    asked = {"castings": pd.DataFrame({"trial_id": IDS, "words": "x"}), "scorers": ["Ada", "Noor"]} | wrong
    with pytest.raises(InputError, match=said):
        plan_rescoring(**asked)
