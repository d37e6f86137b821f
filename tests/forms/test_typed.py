"""What is typed into one field is read by the models' own rules, and what is wrong is said in words."""

from __future__ import annotations

from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from castlab import Batch, Mold, Score, Trial, units
from castlab.errors import InputError
from castlab.records.models import KINDS
from castlab.records.typed import as_typed, read_extras, read_field, shown


@pytest.mark.parametrize(
    ("model", "name", "text", "value"),
    [
        (Batch, "resin_c", "77 F", 25.0),
        (Batch, "stir_min", "4 min 30 s", 4.5),
        (Batch, "humidity_pct", "45 %", 45.0),
        (Batch, "target_phr", "100:28 by mass", 28.0),
        (Batch, "cup_degas_kpa", "25 mbar abs", 2.5),
        (Batch, "cup_degas_kpa", "2.5", 2.5),
        (Batch, "mixed_at", "9:20", datetime(2026, 8, 3, 9, 20)),
        (Batch, "mixed_at", "2026-08-01 14:05", datetime(2026, 8, 1, 14, 5)),
        (Trial, "cure_h", "1 day", 24.0),
        (Trial, "pour_method", " Ladle ", "ladle"),
        (Trial, "cavity", "2", 2),
        (Score, "bubbles", "12", 12),
        (Score, "passed", "yes", True),
        (Score, "clarity_grade", "3", 3),
        (Batch, "extra", "spin_rpm = 900; strained = yes", {"spin_rpm": 900.0, "strained": True}),
        (Batch, "resin_g", "  ", None),
    ],
)
def test_a_field_reads_what_people_type(model, name, text, value):
    read = read_field(model, name, text, now=datetime(2026, 8, 3, 10))
    assert read == (pytest.approx(value, abs=1e-9) if isinstance(value, float) else value)


@pytest.mark.parametrize(
    ("model", "name", "text", "says"),
    [
        (Batch, "resin_c", "500", r"^resin temperature is 500\.0; accepted: -20 to 120"),
        (Batch, "resin_g", "3 fl oz", "a fluid ounce is a volume"),
        (Batch, "stir_min", "1:30", "add h or min"),
        (Batch, "cup_degas_kpa", "28.7 inHg", "does not say gauge or absolute"),
        (Batch, "mixed_at", "3/4/2026 9:20", "day or month first"),
        (Score, "clarity_grade", "5", "accepted: 0 to 4"),
        (Score, "bubbles", "2.5", "whole number"),
        (Score, "passed", "perhaps", "neither yes nor no"),
        (Batch, "extra", "spin 900", "name = value"),
        (Batch, "extra", "resin_c = 3", "already a field"),
        (Batch, "mixed_at", "noon", "^mixed at: 'noon' is not a date; accepted: 2026-03-14"),
        (Batch, "mixed_at", "3/4/2026", "day or month first[?] accepted: 2026-03-14"),
        (Batch, "mixed_at", "25:61", "^mixed at: '25:61' is not a time of the day; accepted: 9:40"),
        (Batch, "mixed_at", "2026-02-30", "is no day of the calendar"),
        (Batch, "mixed_at", "2099-01-01", "^mixed at: '2099-01-01' is still to come; accepted: a moment up to now$"),
        (Batch, "mixed_at", "23:50", "still to come.*with the date if it was not today, such as 2026-08-02 23:50$"),
        (Mold, "made_on", "9:20", "^made on: '9:20' is a time of the day; accepted: 2026-03-14"),
        (Batch, "cup_degas_kpa", "deep", "^pressure over the cup: 'deep' is not a pressure"),
        (
            Batch,
            "target_phr",
            "100:28 by volume",
            "needs the density of each part to become a ratio by mass, so give the one by mass",
        ),
        (Batch, "resin_g", "x" * 2000, "^resin: 'x{79}[.]{3} is too long to be read; accepted: up to 80 characters$"),
        (Batch, "extra", "x" * 2000, "^extra: 'x{79}[.]{3} is not a setting; accepted: name = value"),
    ],
)
def test_what_cannot_be_used_is_refused_in_words(model, name, text, says):
    with pytest.raises(InputError, match=says) as problem:
        read_field(model, name, text, now=datetime(2026, 8, 3, 9, 20), pressure=units.pressure)
    assert not str(problem.value).startswith(("Batch:", "Score:"))


def test_a_gauge_reading_needs_the_height_of_the_shop(book):
    with pytest.raises(InputError, match="a gauge reads against the air of the place"):
        read_field(Batch, "cup_degas_kpa", "28.7 inHg gauge", pressure=book.pressure)
    book.set("altitude_m", 150)
    read = read_field(Batch, "cup_degas_kpa", "28.7 inHg gauge", pressure=book.pressure)
    assert read == pytest.approx(units.pressure("28.7 inHg gauge", altitude_m=150))


def complaint(model, name, text) -> str:
    try:
        read_field(model, name, text)
    except InputError as problem:
        return str(problem)
    return ""


def test_every_field_of_every_record_can_be_checked_alone():
    for model in KINDS.values():
        for name in (*model.settings(), "notes"):
            assert read_field(model, name, "") is None
            said = complaint(model, name, "1")
            assert "is missing" not in said, (model, name)
            assert "needs at least" not in said, (model, name)


@given(st.floats(0, 1e5, allow_nan=False))
def test_a_mass_reads_back_as_it_was(mass):
    assert read_field(Batch, "resin_g", as_typed(mass)) == pytest.approx(mass, rel=1e-5)


@given(st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1)))
def test_a_moment_reads_back_as_it_was(moment):
    moment = moment.replace(microsecond=0)
    assert read_field(Batch, "mixed_at", as_typed(moment), now=moment) == moment


@given(st.dictionaries(st.from_regex(r"[a-z][a-z0-9_]{0,9}", fullmatch=True), st.booleans() | st.integers(0, 999)))
def test_settings_of_your_own_read_back_as_they_were(extras):
    assert read_extras(as_typed(extras)) == extras


def test_values_are_shown_with_their_units():
    assert shown("cup_degas_kpa", 2.34664) == "2.347 kPa absolute"
    assert shown("mixed_at", datetime(2026, 8, 3, 9, 20)) == "03 Aug 2026, 09:20"
    assert shown("extra", {"strained": True}) == "strained = yes"
