"""A hand-kept sheet becomes records: what is proposed, asked, added, rejected, and what a second import does."""

from __future__ import annotations

import json
from datetime import date, datetime, time, timedelta
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from castlab import Logbook, Mold
from castlab.errors import InputError, NotFoundError
from castlab.records import sheet_import
from castlab.records.sheet_cells import read_cell, read_date, read_yes_no, unit_kind
from castlab.records.sheet_reading import read_sheet
from castlab.records.sheet_words import SYNONYMS, TARGETS
from castlab.records.sheets import ImportResult, Mapping, import_sheet, propose_mapping
from castlab.results import Result

DEMO = Path(__file__).parents[2] / "data" / "demo_sheet.csv"


def one_row(**cells: str) -> pd.DataFrame:
    return pd.DataFrame({heading: [cell] for heading, cell in cells.items()})


def field_of(heading: str, *cells: str) -> str | None:
    return propose_mapping(pd.DataFrame({heading: list(cells)})).columns[0].field


@pytest.fixture
def demo_mapping() -> Mapping:
    return (
        propose_mapping(DEMO, altitude_m=150)
        .change("Cup vacuum (inHg)", unit="inHg vacuum")
        .change("Clarity (1-5)", unit="1-5")
        .change("Seed pod prep", field="insert_prep")
        .as_extra("strained?", "strained", level="batch")
        .as_extra("Tilt", "tilt_deg")
        .as_grade("Label straight (0-4)", "label_straight", "0-4")
    )


# --- reading -----------------------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    delimiter=st.sampled_from([",", ";", "\t"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "latin-1", "utf-16"]),
    rows=st.lists(
        st.tuples(st.text("abcü ,;\"'é0", max_size=8), st.text("xyz\n12", max_size=6), st.just("z")),
        min_size=1,
        max_size=5,
    ),
)
def test_cells_come_back_whatever_the_separator_and_encoding(tmp_path, delimiter, encoding, rows):
    import csv
    import io

    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter).writerows([("Größe", "cup", "ok"), *rows])
    path = tmp_path / "sheet.csv"
    path.write_bytes(text.getvalue().encode(encoding))
    sheet = read_sheet(path)
    assert sheet.headings == ("Größe", "cup", "ok")
    expected = [tuple(" ".join(c.split(" ")).strip() for c in row) for row in rows]
    assert [tuple(c.split() for c in cells.values()) for _, cells in sheet.rows] == [
        tuple(c.split() for c in row) for row in expected
    ]
    assert [number for number, _ in sheet.rows] == list(range(2, len(rows) + 2))


def test_row_numbers_are_those_of_the_spreadsheet_also_after_empty_rows(tmp_path):
    path = tmp_path / "sheet.csv"
    path.write_text("cup,bubbles\n1,3\n,\n2,4\n")
    assert [number for number, _ in read_sheet(path).rows] == [2, 4]


def test_a_workbook_reads_as_the_same_sheet_in_csv(tmp_path):
    import openpyxl

    book = openpyxl.Workbook()
    page = book.active
    page.append(["Cup", "Date", "Resin (g)", "bubbles", "ok?"])
    page.append([1, datetime(2026, 3, 14), 240.5, 3, True])
    page.append([None] * 5)
    page.append(["2", date(2026, 4, 3), "239,5", 4.0, False])
    path = tmp_path / "sheet.xlsx"
    book.save(path)
    csv = tmp_path / "sheet.csv"
    csv.write_text("Cup;Date;Resin (g);bubbles;ok?\n1;2026-03-14;240,5;3;yes\n;;;;\n2;3.4.2026;239,5;4;no\n")
    books = {}
    for source in (path, csv):
        with Logbook.open(tmp_path / f"{source.suffix[1:]}.db", who="tester") as opened:
            assert len(import_sheet(opened, source, propose_mapping(source)).rejected) == 0
            books[source.suffix] = opened.frame()
    pd.testing.assert_frame_equal(books[".xlsx"], books[".csv"])
    assert list(books[".csv"]["resin_g"]) == [240.5, 239.5]
    assert list(books[".csv"]["mixed_at"].dt.date) == [date(2026, 3, 14), date(2026, 4, 3)]


def test_only_the_first_filled_sheet_of_a_workbook_is_read_and_it_is_said(book, tmp_path):
    path = tmp_path / "sheet.xlsx"
    with pd.ExcelWriter(path) as writer:
        one_row(cup="1", bubbles="2").to_excel(writer, sheet_name="spring", index=False)
        one_row(cup="2", bubbles="3").to_excel(writer, sheet_name="summer", index=False)
    result = import_sheet(book, path, propose_mapping(path))
    assert result.added == 1
    assert any("'summer'" in caution for caution in result.cautions)


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("a.csv", b"", "is empty"),
        ("a.csv", b" ; \n;;\n", "is empty"),
        ("a.csv", b"cup,bubbles\n", "no rows"),
        ("a.csv", b"1,2,3\n2,3,4\n", "no headings"),
        ("a.csv", b"Castings of spring,,,\ncup,bubbles,mold,ok\n1,2,A,y\n", "no headings"),
        ("a.csv", b"cup,bubbles,Cup\n1,2,3\n", "more than once"),
        ("a.csv", b"\x00\x01\x02\x03", "not text"),
        ("a.xlsx", b"cup,bubbles\n1,2\n", "not a readable .xlsx"),
        ("a.pdf", b"%PDF", "accepted: .csv or .xlsx"),
    ],
)
def test_what_is_no_sheet_is_refused_with_one_clear_error(tmp_path, name, content, message):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=message):
        propose_mapping(tmp_path / name)


def test_a_missing_file_a_folder_and_an_object_are_refused(tmp_path):
    with pytest.raises(NotFoundError, match="no file"):
        propose_mapping(tmp_path / "none.csv")
    with pytest.raises(InputError, match="folder"):
        propose_mapping(tmp_path)
    with pytest.raises(InputError, match="not a sheet"):
        propose_mapping(["cup"])


def test_a_column_without_a_heading_is_named_by_its_letter():
    assert read_sheet(pd.DataFrame([["1", "2", "x"]], columns=["cup", "bubbles", ""])).headings[2] == "column C"


# --- proposing ---------------------------------------------------------------------------------------------


def test_every_target_has_headings_and_every_heading_belongs_to_a_target():
    assert set(SYNONYMS) == set(TARGETS)


@pytest.mark.parametrize(
    ("heading", "cells", "field", "unit"),
    [
        ("Resin temp (F)", ("72", "75"), "resin_c", "F"),
        ("temp resin, °C", ("22,5",), "resin_c", "°C"),
        ("Shore D", ("78",), "shore_d", None),
        ("stir min", ("3",), "stir_min", "min"),
        ("Stir time [s]", ("180",), "stir_min", "s"),
        ("stirring", ("stick", "paddle"), "stir_method", None),
        ("stirring", ("3", "4"), "stir_min", "min"),
        ("cure", ("24 h", "2 days"), "cure_h", "h"),
        ("cure", ("40 C", "60 C"), "cure_c", "C"),
        ("Resin", ("240,5",), "resin_g", "g"),
        ("Resin", ("Clear slow",), "material", None),
        ("resin wt oz", ("8",), "resin_g", "oz"),
        ("cup_degas_kpa", ("3",), "cup_degas_kpa", "kPa absolute"),
        ("Pump base (mbar abs)", ("20",), "pump_base_kpa", "mbar abs"),
        ("gauge pressure hold, psi", ("60",), "hold_kpa", "psi gauge"),
        ("cup vacuum (bar)", ("-0,92", "-0,9"), "cup_degas_kpa", "bar gauge"),
        ("cup vacuum (mmHg)", ("-600", "-650"), "cup_degas_kpa", "mmHg gauge vacuum"),
        ("Haze %", ("0.8", "0.6"), "haze_pct", "%"),
        ("Mix ratio by weight", ("100:28",), "target_phr", "ratio by mass"),
        ("clarity (0-4, 4 best)", ("3",), "clarity_grade", "0-4"),
        ("clarity (1 best - 5 worst, 1-5)", ("3",), "clarity_grade", "5-1"),
        ("Humidty %", ("45",), "humidity_pct", "%"),
        ("Poured", ("9:40",), "poured_time", None),
        ("Remarks", ("fine",), "trial_notes", None),
        ("Batch #", ("1",), "batch", None),
        ("degas mold time [min]", ("3",), "mold_degas_min", "min"),
        ("stir time (min)", ("4:30", "5:00"), "stir_min", "min"),
        ("Largest bubble (in)", ("1/16", "1/8"), "bubble_largest_mm", "in"),
    ],
)
def test_headings_units_and_cells_propose_the_field(heading, cells, field, unit):
    column = propose_mapping(pd.DataFrame({heading: list(cells)})).columns[0]
    assert (column.field, column.unit) == (field, unit)


@pytest.mark.parametrize(
    ("heading", "cells", "asked"),
    [
        ("cup vacuum inHg", ("28",), "gauge or absolute"),
        ("pressure pot (psi)", ("60",), "gauge or absolute"),
        ("vacuum (inHg gauge)", ("28",), "cup_degas_kpa or mold_degas_kpa"),
        ("temp", ("22",), "resin_c or room_c"),
        ("room temp", ("68", "72"), "look like F"),
        ("room temp", ("20", "22"), "look like C"),
        ("RH", ("0.45", "0.5"), "fractions"),
        ("RH %", ("0.45", "0.5"), "fractions"),
        ("cup vacuum (mmHg vacuum)", ("600",), "what is left or what was taken away"),
        ("cup vacuum (torr gauge)", ("600",), "above or below the atmosphere"),
        ("clarity", ("3", "4"), "which scale"),
        ("pour time", ("9:30", "14:15"), "pour_min or poured_time"),
        ("time", ("9:30", "14:15"), "mixed_time or poured_time or stir_min"),
        ("time", ("9:30 am", "2:15 pm"), "mixed_time or poured_time: "),
        ("mixed at", ("9:30", "9:45"), "no column has the date"),
        ("date", ("3/4/26", "5/6/26"), "day or month first"),
        ("date", ("13/4/26", "3/14/26"), "day or month first"),
        ("pass", ("x", ""), "yes or no"),
        ("mix ratio", ("2:1",), "by mass or by volume"),
    ],
)
def test_what_only_the_keeper_knows_is_asked_and_import_refuses_until_it_is_said(book, heading, cells, asked):
    sheet = pd.DataFrame({"Cup": [str(n) for n, _ in enumerate(cells)], heading: list(cells)})
    mapping = propose_mapping(sheet, altitude_m=0)
    assert len(mapping.unsettled) == 1
    assert asked in mapping.unsettled[0]
    assert "mapping.change" in mapping.unsettled[0]
    with pytest.raises(InputError, match="not settled"):
        import_sheet(book, sheet, mapping, name="s")
    assert book.records("batch") == []


@settings(max_examples=60, deadline=None)
@given(st.lists(st.dates(date(2000, 1, 1), date(2068, 12, 31)), min_size=1, max_size=8), st.booleans(), st.booleans())
def test_the_order_of_dates_is_never_guessed_wrong(days, day_first, short):
    form = ("%d/%m/" if day_first else "%m/%d/") + ("%y" if short else "%Y")
    column = propose_mapping(pd.DataFrame({"date": [day.strftime(form) for day in days]})).columns[0]
    truth = "day first" if day_first else "month first"
    if any(day.day > 12 for day in days):
        assert column.unit == truth
    elif any(day.day != day.month for day in days):
        assert column.unit is None
    read = [read_date(day.strftime(form), column.unit or truth).date() for day in days]
    assert read == days


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-03-14", datetime(2026, 3, 14)),
        ("2026-03-14T09:40:00", datetime(2026, 3, 14, 9, 40)),
        ("14.3.2026 9:40", datetime(2026, 3, 14, 9, 40)),
        ("14.3.26", datetime(2026, 3, 14)),
        ("3/14/26, 2:15 pm", datetime(2026, 3, 14, 14, 15)),
        ("14 March 2026", datetime(2026, 3, 14)),
        ("March 14th, 2026", datetime(2026, 3, 14)),
    ],
)
def test_dates_are_read_in_the_forms_people_write(text, expected):
    assert read_date(text, "month first") == expected


@pytest.mark.parametrize("text", ["30.2.2026", "2026-13-01", "14/3/26", "soon", "3/4/26 25:00", "45730"])
def test_what_is_no_date_is_refused(text):
    with pytest.raises(InputError):
        read_date(text, "month first")


def test_the_meaning_of_crosses_and_dashes_is_shown_and_can_be_changed():
    column = propose_mapping(pd.DataFrame({"sieved": ["x", "-", "x"]})).as_extra("sieved", "sieved").columns[0]
    assert column.unit == "yes/no; x = yes; - = no"
    assert [read_yes_no(c, column.unit) for c in ("x", "-", "?", "", "No")] == [True, False, None, None, False]
    assert read_yes_no("-", "yes/no") is None
    with pytest.raises(InputError, match="neither yes nor no"):
        read_yes_no("perhaps", "yes/no")


@pytest.mark.parametrize(
    ("scale", "worst", "good"), [("0-4", "0", "3"), ("1-5", "1", "4"), ("5-1", "5", "2"), ("4-0", "4", "1")]
)
def test_grades_of_any_five_step_scale_become_0_worst_to_4_best(scale, worst, good):
    assert read_cell(worst, "clarity_grade", scale) == 0
    assert read_cell(good, "clarity_grade", scale) == 3
    for wrong in ("6", "2.5", "-1", "good"):
        with pytest.raises(InputError):
            read_cell(wrong, "clarity_grade", scale)


def test_units_are_known_by_kind_and_other_words_are_not():
    assert [unit_kind(u) for u in ("F", "psi gauge", "min", "oz", "%", "block", "1-5", "")] == [
        "_c", "_kpa", "_min", "_g", "_pct", None, None, None,
    ]  # fmt: skip


def test_two_columns_that_look_alike_are_not_both_mapped():
    mapping = propose_mapping(one_row(bubbles="3", **{"bubble count": "4"}))
    assert [c.field for c in mapping.columns] == ["bubbles", None]
    assert "looks like bubbles too" in mapping.columns[1].sure


# --- the mapping -------------------------------------------------------------------------------------------


def test_a_mapping_shows_itself_and_is_saved_and_loaded_whole(demo_mapping, tmp_path):
    path = demo_mapping.save(tmp_path / "mapping.json")
    assert Mapping.load(path) == demo_mapping
    table = demo_mapping.table()
    assert list(table["sheet column"]) == list(read_sheet(DEMO).headings)
    assert "Shelf" in demo_mapping.left_out
    for text in (str(demo_mapping), demo_mapping._repr_html_()):
        assert "inHg vacuum" in text
        assert "tilt_deg (your own, per trial)" in text
        assert "Left out" in text


def test_changing_a_mapping_leaves_the_old_one_alone():
    mapping = propose_mapping(one_row(cup="1", shelf="3"))
    changed = mapping.change("shelf", field="bubbles")
    assert mapping.left_out == ("shelf",)
    assert changed.column_of("bubbles") == "shelf"
    assert changed.leave_out("shelf").left_out == ("shelf",)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda m: m.change("Cup", field="resin_temp"), "did you mean resin_c"),
        (lambda m: m.change("cupp", field="batch"), "did you mean 'Cup'"),
        (lambda m: m.change("room", field="bubbles"), "both mapped to bubbles"),
        (lambda m: m.change("room", field="room_c", unit="inHg"), "cannot be used"),
        (lambda m: m.change("bubbles", unit="mm"), "has no unit"),
        (lambda m: m.change("room"), "left out"),
        (lambda m: m.change("bubbles"), "nothing to change"),
        (lambda m: m.as_extra("room", "Room 1"), "not a usable name"),
        (lambda m: m.as_extra("room", "room_c"), "already a field"),
        (lambda m: m.as_extra("room", "shelf", level="mold"), "level is 'mold'"),
        (lambda m: m.as_extra("room", "shelf", type="colour"), "type is 'colour'"),
        (lambda m: m.as_extra("room", "gloss", level="score"), r"level is 'score'.*mapping\.as_grade"),
        (lambda m: m.change("room", field="gloss_grade"), r"mapping\.as_grade\('room', 'gloss'\)"),
        (lambda m: m.as_grade("room", "Gloss"), "not a usable name"),
        (lambda m: m.as_grade("room", "clarity"), "already a field"),
        (lambda m: m.as_grade("room", "gloss", "0-7"), "the scale from worst to best"),
        (lambda m: m.as_grade("rom", "gloss"), "did you mean 'room'"),
    ],
)
def test_a_change_that_cannot_be_used_is_one_clear_error(change, message):
    mapping = propose_mapping(one_row(Cup="1", room="blue", bubbles="3"))
    with pytest.raises(InputError, match=message):
        change(mapping)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda _: "[]",
        lambda _: "{",
        lambda text: text.replace("castlab-sheet-mapping-1", "other"),
        lambda text: text.replace('"batch"', '"barrel"'),
        lambda text: text.replace('"column": "Cup"', '"column": null'),
    ],
)
def test_a_file_that_is_no_mapping_is_refused(tmp_path, spoil):
    path = propose_mapping(one_row(Cup="1", bubbles="3")).save(tmp_path / "m.json")
    path.write_text(spoil(path.read_text()))
    with pytest.raises(InputError):
        Mapping.load(path)
    with pytest.raises(NotFoundError):
        Mapping.load(tmp_path / "none.json")


def test_a_unit_settled_by_hand_in_the_saved_file_counts(tmp_path):
    sheet = one_row(Cup="1", **{"cup vacuum inHg": "28"})
    path = propose_mapping(sheet, altitude_m=0).save(tmp_path / "m.json")
    content = json.loads(path.read_text())
    content["columns"][1]["unit"] = "inHg vacuum"
    path.write_text(json.dumps(content))
    assert Mapping.load(path).unsettled == ()


def test_the_mapping_is_used_again_and_missing_and_new_columns_are_said(book):
    mapping = propose_mapping(one_row(Cup="1", bubbles="3", **{"Room temp (F)": "70"}))
    result = import_sheet(book, one_row(Cup="9", bubbles="2", Humidity="50"), mapping, name="later")
    assert result.added == 1
    assert any("no column 'Room temp (F)'" in c for c in result.cautions)
    assert any("new to the mapping" in c and "'Humidity'" in c for c in result.cautions)


def test_a_mapping_of_another_sheet_is_refused(book):
    mapping = propose_mapping(one_row(Cup="1", bubbles="3"))
    with pytest.raises(InputError, match="not for this sheet"):
        import_sheet(book, one_row(bubbles="3", other="4"), mapping, name="s")
    with pytest.raises(InputError, match="leaves every column out"):
        import_sheet(book, one_row(shelf="top"), propose_mapping(one_row(shelf="top")), name="s")


# --- importing ---------------------------------------------------------------------------------------------


def test_the_demo_sheet_is_imported_but_for_the_two_rows_that_cannot_be(book, demo_mapping):
    result = import_sheet(book, DEMO, demo_mapping)
    assert isinstance(result, Result)
    assert isinstance(result, ImportResult)
    assert (result.added, result.already_there, result.changed) == (13, 0, 0)
    assert result.records == {"mold": 4, "batch": 6, "trial": 13, "score": 12}
    assert list(zip(result.rejected["row"], result.rejected["column"], result.rejected["value"], strict=True)) == [
        (6, "Bubbles", "about 40"),
        (10, "Resin temp (F)", "27 C"),
    ]
    frame = book.frame().set_index("trial_id")
    first = frame.loc["T-001.1"]
    # 70 F by the definition of the Fahrenheit scale; 28 inHg (3.386 389 kPa each) below the standard atmosphere at
    # 150 m, 99.536 kPa (US Standard Atmosphere 1976).
    assert first["resin_c"] == pytest.approx((70 - 32) / 1.8)
    assert first["cup_degas_kpa"] == pytest.approx(99.536 - 28 * 3.386389, abs=0.01)
    assert first["resin_g"] == 240.5
    assert first["clarity_grade"] == 2
    assert list(frame["label_straight_grade"].fillna(-1)) == [4, 3, 4, 2, -1, 4, 4, -1, 3, 4, 3, 1, -1]
    assert first["product"] == "pod block"
    assert bool(first["strained"]) is True
    assert frame.loc["T-003.1", "resin_c"] == 25
    assert frame.loc["T-004.1", "stir_min"] == 4.5
    assert frame.loc["T-001.3", "resin_g"] == 240.5
    assert pd.isna(frame.loc["T-004.2", "passed"])
    assert frame.loc["T-006.2", "scores"] == 0
    assert list(frame["mixed_at"].dt.strftime("%m-%d").unique()) == [
        "03-09",
        "03-14",
        "03-20",
        "04-02",
        "04-09",
        "04-16",
    ]


def test_importing_twice_adds_nothing_twice(book, demo_mapping):
    import_sheet(book, DEMO, demo_mapping)
    before = book.frame()
    again = import_sheet(book, DEMO, demo_mapping)
    assert (again.added, again.already_there, again.changed, again.records) == (0, 13, 0, {})
    assert len(again.rejected) == 2
    pd.testing.assert_frame_equal(book.frame(), before)
    assert len(book.records("mold")) == 4


def sheet(*rows: str, headings: str = "No,Cup,Room temp (F),Mold,pour min,bubbles") -> pd.DataFrame:
    return pd.DataFrame([row.split(",") for row in rows], columns=headings.split(","))


def test_a_row_that_changed_is_reported_and_nothing_is_added_or_overwritten(book):
    mapping = propose_mapping(sheet("1,A,70,M1,2,3"))
    import_sheet(book, sheet("1,A,70,M1,2,3", "2,A,70,M1,2,0"), mapping, name="s")
    result = import_sheet(book, sheet("1,A,70,M2,3,4", "2,A,70,M1,,0"), mapping, name="s")
    assert (result.added, result.already_there, result.changed) == (0, 0, 2)
    assert list(result.rejected["column"]) == ["Mold", "pour min", "bubbles", "pour min"]
    assert (
        result.rejected["reason"]
        .str.startswith("changed in the sheet since it was imported: correct it with book.correct")
        .all()
    )
    assert "T-001.1 has pour_min 2, the sheet 3" in result.rejected["reason"][1]
    assert [m.name for m in book.records("mold")] == ["M1"]
    assert list(book.frame()["bubbles"]) == [3, 0]


def test_a_batch_setting_that_changed_or_vanished_is_reported(book):
    mapping = propose_mapping(sheet("1,A,70,M1,2,3"))
    import_sheet(book, sheet("1,A,70,M1,2,3", "2,A,,M1,2,0"), mapping, name="s")
    warmer = import_sheet(book, sheet("1,A,77,M1,2,3", "2,A,,M1,2,0"), mapping, name="s")
    assert (warmer.already_there, warmer.changed) == (1, 1)
    assert "B-001 has room_c 21.1111, the sheet 25" in warmer.rejected["reason"][0]
    gone = import_sheet(book, sheet("1,A,,M1,2,3", "2,A,,M1,2,0"), mapping, name="s")
    assert gone.changed == 1
    assert "the sheet nothing" in gone.rejected["reason"][0]


def test_a_correction_in_the_logbook_is_no_change_of_the_sheet_and_neither_is_the_sheet_following_it(book):
    mapping = propose_mapping(sheet("1,A,70,M1,2,3"))
    import_sheet(book, sheet("1,A,70,M1,2,3"), mapping, name="s")
    book.correct("T-001.1", why="misread the watch", pour_min=5)
    book.correct("S-001.1.1", why="counted again", bubbles=4)
    book.correct("B-001", why="misread", room_c=25)
    assert import_sheet(book, sheet("1,A,70,M1,2,3"), mapping, name="s").already_there == 1
    assert import_sheet(book, sheet("1,A,77,M1,5,4"), mapping, name="s").already_there == 1
    assert import_sheet(book, sheet("1,A,70,M1,6,3"), mapping, name="s").changed == 1


def test_a_score_that_is_filled_in_later_is_added_to_its_casting(book):
    mapping = propose_mapping(sheet("1,A,70,M1,2,3"))
    import_sheet(book, sheet("1,A,70,M1,2,"), mapping, name="s")
    assert book.records("score") == []
    result = import_sheet(book, sheet("1,A,70,M1,2,7"), mapping, name="s")
    assert (result.added, result.records) == (1, {"score": 1})
    assert list(book.frame()["bubbles"]) == [7]


def test_rows_added_to_a_sheet_later_join_their_batch(book):
    mapping = propose_mapping(sheet("1,A,70,M1,2,3"))
    import_sheet(book, sheet("1,A,70,M1,2,3"), mapping, name="s")
    result = import_sheet(book, sheet("1,A,70,M1,2,3", "2,a,,m1,4,0", "3,A,72,M1,2,1"), mapping, name="s")
    assert (result.added, result.already_there, result.records) == (1, 1, {"trial": 1, "score": 1})
    assert [t.batch_id for t in book.records("trial")] == ["B-001", "B-001"]
    assert "its batch is in the logbook with another value" in result.rejected["reason"][0]


def test_rows_of_a_batch_that_disagree_are_rejected_and_the_first_stands(book):
    rows = sheet("1,A,70,M1,2,3", "2,A,,M1,2,3", "3,A,75,M1,2,3", "4,B,75,M1,2,3")
    result = import_sheet(book, rows, propose_mapping(rows), name="s")
    assert result.added == 3
    assert list(result.rejected["row"]) == [4]
    assert "a setting of the cup has one value" in result.rejected["reason"][0]


def test_a_rejected_row_does_not_speak_for_its_batch(book):
    rows = sheet("1,A,70,M1,soon,3", "2,A,75,M1,2,3")
    result = import_sheet(book, rows, propose_mapping(rows), name="s")
    assert list(result.rejected["column"]) == ["pour min"]
    assert book.frame()["room_c"][0] == pytest.approx((75 - 32) / 1.8)


def test_every_wrong_cell_of_a_row_is_reported_and_the_row_adds_nothing(book):
    rows = sheet("1,A,900,M9,-2,3.5", "2,B,70,M1,2,3")
    result = import_sheet(book, rows, propose_mapping(rows), name="s")
    assert list(result.rejected["column"]) == ["Room temp (F)", "pour min", "bubbles"]
    assert set(result.rejected["row"]) == {2}
    assert [m.name for m in book.records("mold")] == ["M1"]
    assert len(book.records("batch")) == 1


def test_casting_numbers_must_be_given_once(book):
    rows = sheet("1,A,70,M1,2,3", "1,A,70,M1,2,3", ",A,70,M1,2,3")
    result = import_sheet(book, rows, propose_mapping(sheet("1,A,70,M1,2,3")), name="s")
    assert result.added == 1
    assert list(result.rejected["row"]) == [3, 4]
    assert "already in row 2" in result.rejected["reason"][0]


def test_casting_numbers_that_start_again_in_each_batch_are_known_with_it(book):
    rows = sheet("1,A,70,M1,2,3", "2,A,70,M1,2,3", "1,B,70,M1,2,3")
    mapping = propose_mapping(rows)
    assert mapping.columns[0].unit == "within its batch"
    assert import_sheet(book, rows, mapping, name="s").added == 3
    assert import_sheet(book, rows, mapping, name="s").already_there == 3


def test_without_casting_numbers_a_row_is_known_by_its_place_in_its_batch(book):
    rows = sheet("A,1", "B,2", "A,3", headings="Cup,bubbles")
    mapping = propose_mapping(rows)
    import_sheet(book, rows, mapping, name="s")
    moved = sheet("A,1", "A,3", "B,2", headings="Cup,bubbles")
    assert import_sheet(book, moved, mapping, name="s").already_there == 3


def test_without_a_batch_column_every_row_is_a_batch_and_a_caution_says_so(book):
    rows = sheet("1,70", "2,70", headings="bubbles,Room temp (F)")
    result = import_sheet(book, rows, propose_mapping(rows), name="s")
    assert result.records["batch"] == 2
    assert any("batch of its own" in c for c in result.cautions)


def test_a_row_without_its_batch_is_rejected(book):
    rows = sheet("1,A,70,M1,2,3", "2,,70,M1,2,3")
    result = import_sheet(book, rows, propose_mapping(rows), name="s")
    assert list(result.rejected["column"]) == ["Cup"]


def test_molds_are_found_by_name_and_two_of_one_name_are_asked_about(book):
    book.add(Mold(name="Leaf A"))
    rows = sheet("1,A,70,leaf  a,2,3")
    import_sheet(book, rows, propose_mapping(rows), name="s")
    assert [t.mold_id for t in book.records("trial")] == ["M-01"]
    book.add(Mold(name="LEAF A"))
    result = import_sheet(book, sheet("2,B,70,leaf a,2,3"), propose_mapping(rows), name="s")
    assert "M-01 or M-02" in result.rejected["reason"][0]


def test_molds_and_materials_that_are_made_are_said(book):
    rows = one_row(Cup="1", mold="Leaf A", material="Clear slow", bubbles="1")
    result = import_sheet(book, rows, propose_mapping(rows), name="s")
    assert result.records == {"material": 1, "mold": 1, "batch": 1, "trial": 1, "score": 1}
    assert any("mold M-01 (Leaf A)" in c and "material R-01 (Clear slow)" in c for c in result.cautions)
    assert list(book.frame()["material"]) == ["Clear slow"]


def test_an_extra_that_has_another_type_in_the_logbook_rejects_its_rows(book):
    rows = one_row(Cup="1", shelf="top")
    import_sheet(book, rows, propose_mapping(rows).as_extra("shelf", "shelf"), name="s")
    other = one_row(Cup="2", shelf="3")
    result = import_sheet(book, other, propose_mapping(other).as_extra("shelf", "shelf"), name="s")
    assert "shelf" in result.rejected["reason"][0]
    assert len(book.records("batch")) == 1


def test_records_that_look_wrong_are_kept_and_named_in_the_cautions(book):
    rows = one_row(Cup="1", phr="28", bubbles="1", **{"Resin (g)": "100", "Hardener (g)": "20"})
    result = import_sheet(book, rows, propose_mapping(rows), name="s")
    assert result.added == 1
    assert any(c.startswith("row 2, B-001: the weighed hardener") for c in result.cautions)


def test_the_height_of_the_shop_comes_from_the_logbook_if_the_mapping_has_none(tmp_path):
    rows = one_row(Cup="1", **{"cup vacuum (inHg vacuum)": "26"})
    mapping = propose_mapping(rows)
    assert "altitude" in mapping.unsettled[0]
    with Logbook.open(tmp_path / "high.db", altitude_m=1000, who="tester") as high:
        import_sheet(high, rows, mapping, name="s")
        assert high.frame()["cup_degas_kpa"][0] == pytest.approx(89.876 - 26 * 3.386389, abs=0.01)


def test_a_time_alone_is_of_the_day_in_the_row(book):
    rows = pd.DataFrame({"Cup": ["1", "2"], "Date": ["14.3.2026", ""], "Poured": ["9:40", "9:50"]})
    result = import_sheet(book, rows, propose_mapping(rows), name="s")
    assert [t.poured_at for t in book.records("trial")] == [datetime(2026, 3, 14, 9, 40)]
    assert "a time without a date" in result.rejected["reason"][0]


def test_dates_and_times_in_two_columns_become_one_moment(book):
    rows = pd.DataFrame(
        {
            "Cup": ["1", "1", "2", "3"],
            "Date": ["2026-03-14", "", "2026-03-15", "2026-03-16 10:00"],
            "Time": ["9:40", "9:40", "2:15 pm", "11:00"],
            "Time poured": ["10:05", "10:20", "", ""],
            "Scored on": ["2026-03-20", "2026-03-20", "2026-03-21", ""],
            "Time scored": ["8:00", "8:10", "", ""],
            "bubbles": ["3", "4", "5", "6"],
        }
    )
    proposed = propose_mapping(rows)
    assert [proposed.column_of(f) for f in ("poured_time", "scored_time")] == ["Time poured", "Time scored"]
    mapping = proposed.change("Time", field="mixed_time")
    result = import_sheet(book, rows, mapping, name="moments")
    assert [b.mixed_at for b in book.records("batch")] == [datetime(2026, 3, 14, 9, 40), datetime(2026, 3, 15, 14, 15)]
    assert [t.poured_at for t in book.records("trial")] == [
        datetime(2026, 3, 14, 10, 5), datetime(2026, 3, 14, 10, 20), None,
    ]  # fmt: skip
    assert [s.scored_at for s in book.records("score")] == [
        datetime(2026, 3, 20, 8, 0), datetime(2026, 3, 20, 8, 10), datetime(2026, 3, 21),
    ]  # fmt: skip
    assert list(result.rejected["row"]) == [5]
    assert result.rejected["reason"][0] == "11:00, but its date says 10:00: leave one of the two out"
    assert import_sheet(book, rows, mapping, name="moments").already_there == 3


def test_a_time_that_is_written_once_for_a_cup_holds_for_all_its_castings(book):
    rows = pd.DataFrame(
        {"Cup": ["1", "1"], "Date": ["2026-03-14"] * 2, "Mixed at": ["9:40", ""], "Poured at": ["9:55", "noon"]}
    )
    result = import_sheet(book, rows, propose_mapping(rows), name="s")
    assert book.get("B-001").mixed_at == datetime(2026, 3, 14, 9, 40)
    assert list(result.rejected["column"]) == ["Poured at"]
    assert "'noon' is not a time of the day; accepted: 9:40" in result.rejected["reason"][0]


def test_a_frame_needs_a_name_and_two_names_are_two_sheets(book):
    rows = one_row(Cup="1", bubbles="1")
    with pytest.raises(InputError, match="needs a name"):
        import_sheet(book, rows, propose_mapping(rows))
    import_sheet(book, rows, propose_mapping(rows), name="spring")
    import_sheet(book, rows, propose_mapping(rows), name="summer")
    assert len(book.records("batch")) == 2


def test_a_long_sheet_shows_a_progress_bar_and_a_short_one_does_not(book, capsys, monkeypatch):
    rows = sheet("A,1", "A,2", "B,3", headings="Cup,bubbles")
    import_sheet(book, rows, propose_mapping(rows), name="short")
    assert capsys.readouterr() == ("", "")
    monkeypatch.setattr(sheet_import, "BAR_FROM_ROWS", 2)
    import_sheet(book, rows, propose_mapping(rows), name="long")
    assert "Importing" in capsys.readouterr().err


def test_the_result_shows_counts_and_rejected_rows(book, demo_mapping):
    result = import_sheet(book, DEMO, demo_mapping)
    assert result.verdict == "demo_sheet: of 15 rows, 13 added, 0 already there, 2 rejected."
    assert "about 40" in result._repr_html_()
    assert str(result).startswith(result.verdict)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(st.floats(1, 999).map(lambda x: round(x, 2)), st.floats(-4, 248).map(lambda x: round(x, 1))),
        min_size=1,
        max_size=6,
    )
)
def test_masses_and_temperatures_arrive_as_typed_with_decimal_commas(tmp_path_factory, values):
    folder = tmp_path_factory.mktemp("sheet")
    lines = [
        f"{n};{str(mass).replace('.', ',')};{str(warm).replace('.', ',')}" for n, (mass, warm) in enumerate(values)
    ]
    (folder / "s.csv").write_text("\n".join(["Cup;Resin (g);Resin temp (F)", *lines]))
    with Logbook.open(folder / "a.db", who="tester") as opened:
        import_sheet(opened, folder / "s.csv", propose_mapping(folder / "s.csv"))
        for record, (mass, warm) in zip(opened.records("batch"), values, strict=True):
            assert record.resin_g == mass
            assert record.resin_c == pytest.approx((warm - 32) / 1.8, abs=1e-9)


def test_a_casting_that_moved_to_another_batch_in_the_sheet_is_reported(book):
    mapping = propose_mapping(sheet("1,A,70,M1,2,3"))
    import_sheet(book, sheet("1,A,70,M1,2,3", "2,B,75,M1,2,3"), mapping, name="s")
    result = import_sheet(book, sheet("1,A,70,M1,2,3", "2,A,70,M1,2,3"), mapping, name="s")
    assert (result.added, result.already_there, result.changed) == (0, 1, 1)
    assert list(result.rejected["column"]) == ["Cup"]
    assert "T-002.1 was poured from B-002" in result.rejected["reason"][0]


def test_a_mold_that_was_renamed_in_the_logbook_is_still_the_sheets_mold(book):
    mapping = propose_mapping(sheet("1,A,70,M1,2,3"))
    import_sheet(book, sheet("1,A,70,M1,2,3"), mapping, name="s")
    book.correct("M-01", why="relabelled", name="Leaf A")
    result = import_sheet(book, sheet("1,A,70,M1,2,3", "2,A,70,M1,2,3"), mapping, name="s")
    assert (result.added, result.already_there, result.changed) == (1, 1, 0)
    assert [t.mold_id for t in book.records("trial")] == ["M-01", "M-01"]


def test_a_date_that_differs_within_cups_is_proposed_as_the_pour():
    rows = sheet("A,1.3.2026 9:00", "A,1.3.2026 9:10", "B,2.3.2026 9:00", "B,2.3.2026 9:10", headings="Cup,Date")
    assert propose_mapping(rows).columns[1].field == "poured_at"
    rows["Date"] = ["1.3.2026", "1.3.2026", "2.3.2026", "3.3.2026"]
    assert propose_mapping(rows).columns[1].field == "mixed_at"


def test_marks_of_the_sheets_own_are_read_as_they_are_explained(book):
    rows = pd.DataFrame({"Cup": ["1", "2", "3", "4"], "OK": ["sold", "scrap", "x", "-"], "bubbles": ["1"] * 4})
    mapping = propose_mapping(rows)
    assert "yes or no" in mapping.unsettled[0]
    mapping = mapping.change("OK", unit="sold = yes; scrap = no; x = no")
    import_sheet(book, rows, mapping, name="s")
    assert [s.passed for s in book.records("score")] == [True, False, False, None]


def test_a_ratio_by_mass_becomes_parts_per_hundred(book):
    rows = one_row(Cup="1", **{"mix ratio by weight": "100:28"})
    import_sheet(book, rows, propose_mapping(rows), name="s")
    assert book.records("batch")[0].target_phr == pytest.approx(28)


def test_an_impossible_height_and_a_path_for_a_mapping_are_refused(book):
    rows = one_row(Cup="1", bubbles="1")
    with pytest.raises(InputError, match="altitude_m"):
        propose_mapping(rows, altitude_m=99_999)
    with pytest.raises(InputError, match=r"Mapping\.load"):
        import_sheet(book, rows, "mapping.json", name="s")


@pytest.mark.parametrize(
    ("cell", "field", "unit", "value"),
    [
        ("1/16", "bubble_largest_mm", "in", 1.5875),
        ("1 1/2", "depth_mm", "in", 38.1),
        ("½", "depth_mm", "in", 12.7),
        ("1 500", "resin_g", "oz", 1500 * 28.349523125),
        ("1e2", "resin_c", "F", (100 - 32) / 1.8),
        ("1/2", "humidity_pct", "fraction", 50),
    ],
)
def test_a_number_alone_takes_the_unit_of_its_column_however_it_is_written(cell, field, unit, value):
    assert read_cell(cell, field, unit) == pytest.approx(value)


def test_a_mark_that_is_neither_yes_nor_no_says_how_to_give_its_meaning():
    with pytest.raises(InputError, match="yes/no; ja = yes"):
        read_yes_no("ja", "yes/no")


def test_spreadsheet_percentages_and_times_beyond_a_day_are_read_as_they_are_shown(tmp_path, book):
    import openpyxl

    workbook = openpyxl.Workbook()
    page = workbook.active
    page.append(["Cup", "RH", "Cure time (h)", "Bubbles"])
    page.append(["1", 0.45, timedelta(hours=30, minutes=30), 0])
    page.append(["2", 0.005, time(18, 15), 3])
    for row in (2, 3):
        page.cell(row, 2).number_format = "0.0%"
    path = tmp_path / "shown.xlsx"
    workbook.save(path)
    mapping = propose_mapping(path)
    assert mapping.unsettled == ()
    import_sheet(book, path, mapping)
    frame = book.frame()
    assert frame["humidity_pct"].tolist() == [45, 0.5]
    assert frame["cure_h"].tolist() == [30.5, 18.25]
    assert frame["bubbles"].tolist() == [0, 3]


def test_a_copy_of_a_sheet_under_another_name_is_refused_until_its_name_is_said(book, tmp_path):
    text = "Cup,Resin temp (C),Bubbles\n1,22,3\n1,22,4\n2,25,5\n"
    for name in ("spring.csv", "spring (1).csv"):
        (tmp_path / name).write_text(text, encoding="utf-8")
    mapping = propose_mapping(tmp_path / "spring.csv")
    import_sheet(book, tmp_path / "spring.csv", mapping)
    copy = tmp_path / "spring (1).csv"
    with pytest.raises(InputError, match="imported as 'spring'"):
        import_sheet(book, copy, mapping)
    assert len(book.frame()) == 3
    copy.write_text(text + "2,25,9\n", encoding="utf-8")
    grown = import_sheet(book, copy, mapping, name="spring")
    assert (grown.added, grown.already_there) == (1, 3)
    copy.write_text(text, encoding="utf-8")
    assert import_sheet(book, copy, mapping, name="spring (1)").added == 3
    assert import_sheet(book, copy, mapping).already_there == 3


def test_another_sheet_with_the_same_numbers_is_no_copy(book, tmp_path):
    for name, bubbles in (("spring.csv", 3), ("summer.csv", 8)):
        (tmp_path / name).write_text(f"Cup,Bubbles\n1,{bubbles}\n2,{bubbles}\n", encoding="utf-8")
        assert import_sheet(book, tmp_path / name, propose_mapping(tmp_path / name)).added == 2


def test_several_meanings_at_once_are_those_given_one_by_one(tmp_path):
    sheet = tmp_path / "kept.csv"
    sheet.write_text("Temp resin,Wobble,Clear\n75,3,4\n80,5,2\n", encoding="utf-8")
    proposed = propose_mapping(sheet)
    one_by_one = proposed.change("Temp resin", field="resin_c", unit="F").as_extra("Wobble", "wobble_deg")
    meant = {"Temp resin": {"field": "resin_c", "unit": "F"}, "Wobble": {"extra": "wobble_deg"}}
    assert str(proposed.settle(meant)) == str(one_by_one)
    with pytest.raises(InputError, match="'Wobble' is given 'units'; accepted: field and unit, or extra"):
        proposed.settle({"Wobble": {"units": "deg"}})
