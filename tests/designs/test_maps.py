"""Maps of plans show every casting and every alias, in the picture and in words."""

from __future__ import annotations

import pytest
from matplotlib.patches import Rectangle

from castlab.designs import Factor, plan_trials, power
from castlab.errors import InputError


@pytest.fixture(scope="module")
def plan():
    factors = [
        Factor("resin_c", 22, 32, per_batch=True),
        Factor("pour_method", ["stream", "ladle"]),
        Factor.on_off("mold_vacuum"),
        Factor("cure_h", hold=24),
    ]
    return plan_trials(factors, 12, batch_size=4, blocks=["Block A", "Block B"], seed=4)


def texts(figure) -> list[str]:
    return [t.get_text() for t in figure.axes[0].texts]


def test_the_map_of_a_plan_shows_every_setting_in_the_order_of_the_castings(plan):
    axes = plan.figure().axes[0]
    cells = sorted(
        ((t.get_position()[0], t.get_position()[1], t.get_text()) for t in axes.texts if "batch" not in t.get_text()),
    )
    columns = [cells[k * 12 : (k + 1) * 12] for k in range(5)]
    shown = [[text for _, _, text in column] for column in columns]
    assert shown[0] == list(plan.table["mold"])
    assert shown[1] == [f"{v:g}" for v in plan.table["resin_c"]]
    assert shown[2] == list(plan.table["pour_method"])
    assert shown[3] == ["yes" if v else "no" for v in plan.table["mold_vacuum"]]
    assert shown[4] == ["24"] * 12
    assert [t.get_text() for t in axes.get_yticklabels()] == [str(n) for n in range(1, 13)]
    assert "resin\ntemperature\n(°C)" in [t.get_text() for t in axes.get_xticklabels()]


def test_the_map_of_a_large_plan_stays_within_a_page_and_says_so():
    figure = plan_trials([Factor("resin_c", 22, 32), Factor("rest_min", 0, 10)], 400).figure()
    assert len(figure.axes[0].get_yticklabels()) == 40
    assert figure.get_size_inches()[1] < 13
    assert figure.alt.endswith("These are the first 40 of 400 castings; the table holds all.")


def test_each_batch_has_its_frame_and_name(plan):
    axes = plan.figure().axes[0]
    assert [t.get_text() for t in axes.texts if t.get_text().startswith("batch")] == ["batch 1", "batch 2", "batch 3"]
    frames = [p for p in axes.patches if isinstance(p, Rectangle) and not p.get_fill()]
    assert [round(p.get_height()) for p in frames] == [4, 4, 4]


def test_low_and_high_settings_differ_in_grey(plan):
    patches = [p for p in plan.figure().axes[0].patches if p.get_fill()]
    light = {round(sum(p.get_facecolor()[:3]), 3) for p in patches}
    assert max(light) - min(light) > 0.4


def test_the_words_of_a_map_hold_every_casting(plan):
    alt = plan.figure().alt
    assert alt.count("resin temperature") == 12
    first = plan.table.iloc[0]
    assert (
        f"1: batch 1, mold {first['mold']}, resin temperature {first['resin_c']:g}, pour method {first['pour_method']}"
        in alt
    )


def test_the_map_of_aliases_shows_every_correlation_once(plan):
    figure = plan.figure(kind="aliases")
    shown = [t for t in texts(figure) if t]
    assert len(shown) == len(plan.aliases)
    assert "resin temperature and batch +1.00 (set per batch: judged on 3 batches)" in figure.alt


def test_many_effects_get_rows_for_the_effects_of_the_plan_only():
    screen = plan_trials([Factor(f"x{j}", 0, 1) for j in range(11)], 12, goal="screen")
    figure = screen.figure(kind="aliases")
    for axes in figure.axes:
        assert [t.get_text() for t in axes.get_yticklabels()] == list(screen.factors)
    assert sum(len(axes.get_xticklabels()) for axes in figure.axes) == 55  # main effects are clear of each other
    dark = [p for axes in figure.axes for p in axes.patches if p.get_facecolor()[0] < 0.9]
    assert len(dark) == 11 * 45  # every interaction of two other factors, by a third
    assert "Not drawn: 990 more pairs that are mixed (up to .33), in plan.aliases" in " ".join(
        figure.get_suptitle().split()
    )


def test_the_map_of_a_large_plan_stays_within_a_page():
    saturated = plan_trials([Factor(f"x{j}", 0, 1) for j in range(31)], 32, goal="screen")
    width, height = saturated.figure(kind="aliases").get_size_inches()
    assert width < 12
    assert height < 40


def test_another_kind_of_map_and_a_plan_of_one_effect_are_refused(plan):
    with pytest.raises(InputError, match="accepted: castings, aliases"):
        plan.figure(kind="pie")
    with pytest.raises(InputError, match="needs two effects"):
        plan_trials([Factor("resin_c", 22, 32)], 4).figure(kind="aliases")


def test_the_map_of_castings_says_what_is_never_cast_and_breaks_long_settings():
    plan = plan_trials(
        [
            Factor.on_off("mold_vacuum"),
            Factor.on_off("chamber"),
            Factor("insert_prep", ["none", "dried overnight at forty degrees"]),
        ],
        8,
        forbid=[{"mold_vacuum": True, "chamber": False}],
    )
    figure = plan.figure()
    assert figure.get_supxlabel() == "Never cast: mold vacuum yes with chamber no."
    assert figure.alt.endswith("Never cast: mold vacuum yes with chamber no.")
    assert "dried overnight at\nforty degrees" in [t.get_text() for t in figure.axes[0].texts]


def test_a_large_plan_whose_effects_are_all_clear_of_each_other_has_an_empty_map():
    plan = plan_trials([Factor(f"x{j}", 0, 1) for j in range(7)], 64, interactions=2)
    assert len(plan.effects) > 22
    assert plan.figure(kind="aliases").alt.endswith("No two are mixed.")


def test_the_power_of_many_effects_stays_within_a_page_and_says_what_is_not_drawn():
    def drawn(plan):
        found = power(plan, kind="measure", effect=1, spread=1)
        return found, found.figure()

    found, figure = drawn(plan_trials([Factor(f"x{j}", 0, 1) for j in range(8)], 64, interactions=2))
    assert len(figure.axes[0].get_yticklabels()) == len(found.table) == 36
    assert figure.get_size_inches()[1] < 10
    assert figure.get_supxlabel() == ""

    levels = [Factor(name, list("abc")) for name in ("pour", "prep", "lid", "cup")]
    found, figure = drawn(plan_trials(levels, 81, interactions=2))
    assert len(found.table) == 4 * 2 + 6 * 4
    assert [t.get_text().partition(":")[0] for t in figure.axes[0].get_yticklabels()][::-1] == list(
        dict.fromkeys(found.table["effect"])
    )
    weakest = found.table.groupby("effect", sort=False)["power"].min()
    shown = figure.axes[0].containers[0].lines[0].get_xdata()
    assert list(shown[::-1]) == list(weakest)
    assert "of each effect the comparison least sure to show. The other 22 (" in " ".join(
        figure.get_supxlabel().split()
    )

    found, figure = drawn(plan_trials([Factor(f"x{j}", 0, 1) for j in range(10)], 128, interactions=2))
    assert len(found.table) == 55
    assert len(figure.axes[0].get_yticklabels()) == 40
    assert figure.get_size_inches()[1] < 11
    assert "The other 15 (" in figure.get_supxlabel()
