"""The records: plan, batch, trial, photo, score, mold, material. What each field means, its unit and its range.

This is the one place a field is declared: the database tables, the JSON Schema, the frame's columns and the
contributor's guide follow from it. Storage lives in `castlab.records.entries`; nothing here touches a file.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from datetime import date, datetime
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationError,
    field_validator,
    model_validator,
)
from pydantic.fields import FieldInfo

from castlab.errors import InputError
from castlab.records.refusals import explain

MM_PER_PIXEL = 1e-6, 1_000.0
"""Least and largest scale of a photo."""
EXTRA_NAME = re.compile(r"[a-z][a-z0-9_]{0,39}")

Level = Literal["batch", "trial", "score", "mold", "material", "plan", "photo"]
ExtraValue = bool | int | float | str


def _tidy(value: Any) -> Any:
    return re.sub(r"\s+", " ", value).strip() if isinstance(value, str) else value


def _tidy_lower(value: Any) -> Any:
    value = _tidy(value)
    return value.lower() if isinstance(value, str) else value


Text = Annotated[str, BeforeValidator(_tidy), Field(min_length=1, max_length=200)]
"""A name or a lot number: kept as typed, spaces tidied."""
Word = Annotated[str, BeforeValidator(_tidy_lower), Field(min_length=1, max_length=80)]
"""A level of a factor ("ladle", "pod block"): lower-cased so that Ladle and ladle are one level."""
Note = Annotated[str, Field(max_length=20_000)]
Names = Annotated[
    str, BeforeValidator(lambda v: ", ".join(v) if isinstance(v, list | tuple) else _tidy(v)), Field(max_length=2_000)
]
"""Several columns, by commas; a list of them is accepted as well."""
RUBRIC_LETTERS = 2_000
Rubric = Annotated[str, BeforeValidator(_tidy), Field(min_length=1, max_length=RUBRIC_LETTERS)]
"""Which rubric, and the version of each of its items (`castlab.records.grades`)."""


def _field(meaning: str, low: float | None = None, high: float | None = None) -> Any:
    return Field(default=None, ge=low, le=high, description=meaning)


def is_blank(value: Any) -> bool:
    """True for what a maker leaves empty: None, "", NaN, NaT, NA."""
    if value is None or (isinstance(value, str) and not value.strip()):
        return True
    if isinstance(value, float):
        return math.isnan(value)
    return type(value).__name__ in {"NAType", "NaTType"}


class Record(BaseModel):
    """What all records share. Frozen: a change is a correction, made with `Logbook.correct`.

    Every argument is optional unless said; numbers are in the unit their suffix names, and may also be given as people
    type them ("72 F", "1 h 30 min", "25 mbar abs"). Blanks ("", NaN) count as not known.

    Raises `castlab.errors.InputError` naming each field that cannot be used, the value, and what is accepted.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", validate_default=False)

    kind: ClassVar[Level]
    prefix: ClassVar[str]

    id: str | None = Field(default=None, description="sayable identifier, given by the logbook")
    version: int = Field(default=1, ge=1, description="1 for the first entry, one more for each correction")
    logged_at: datetime | None = Field(default=None, description="when this version was written, UTC")
    logged_by: Text | None = Field(default=None, description="who wrote this version")
    why: Note | None = Field(default=None, description="why this version was written; empty for a first entry")
    notes: Note | None = Field(default=None, description="anything else, in plain words")
    withdrawn: bool | None = Field(
        default=None, description="entered by mistake: stays readable, left out of the frame; set by a correction"
    )

    def __init__(self, **data: Any) -> None:
        try:
            super().__init__(**data)
        except ValidationError as exc:
            raise InputError(explain(exc, type(self), ENVELOPE)) from None

    @classmethod
    def settings(cls) -> dict[str, FieldInfo]:
        """The fields a maker fills in: all but the identity, version and free-form ones."""
        return {n: f for n, f in cls.model_fields.items() if n not in ENVELOPE and n not in _FREE_FORM}

    @model_validator(mode="before")
    @classmethod
    def _as_typed(cls, data: Any) -> Any:
        """Blanks become None; typed quantities become bench units; local clock times lose their zone."""
        if not isinstance(data, dict):
            return data
        return {name: _bench_value(name, value, cls.model_fields.get(name)) for name, value in data.items()}

    _cautions: tuple[str, ...] | None = PrivateAttr(default=None)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What looks wrong but was kept, in plain words (see `castlab.records.checks`)."""
        if self._cautions is None:
            from castlab.records.checks import cautions_of

            return cautions_of(self)
        return self._cautions

    def with_cautions(self, cautions: tuple[str, ...]) -> Self:
        """The same record with cautions that only the logbook could find (its mold, its material)."""
        self._cautions = cautions
        return self

    def _repr_html_(self) -> str:
        from castlab.records.display import card

        return card(self)


ENVELOPE = ("id", "version", "logged_at", "logged_by", "why")
_FREE_FORM = {"notes", "extra", "extra_grades", "withdrawn"}


def _bench_value(name: str, value: Any, field: FieldInfo | None) -> Any:
    if is_blank(value):
        return None
    if field is None:
        return value
    numeric = "float" in str(field.annotation) or "int" in str(field.annotation)
    if isinstance(value, str) and numeric and name != "version":
        from castlab import units

        return units.to_bench(value, name)
    if isinstance(value, bool) and numeric and "bool" not in str(field.annotation):
        raise ValueError(f"{name} is yes/no ({value}); accepted: a number")
    if isinstance(value, datetime) and value.tzinfo is not None and name != "logged_at":
        return value.astimezone().replace(tzinfo=None)
    return value


class _WithExtras(Record):
    extra: dict[str, ExtraValue] = Field(
        default_factory=dict,
        description="settings we did not foresee: name -> number, yes/no or text; a name keeps one type",
    )

    @model_validator(mode="before")
    @classmethod
    def _extras_as_typed(cls, data: Any) -> Any:
        extras = data.get("extra") if isinstance(data, dict) else None
        if extras is None:
            return {k: v for k, v in data.items() if k != "extra"} if isinstance(data, dict) else data
        clean = {name: value for name, value in extras.items() if not is_blank(value)}
        for name, value in clean.items():
            if not EXTRA_NAME.fullmatch(name):
                raise ValueError(
                    f"extra factor {name!r} is not a usable name; accepted: lower-case letters, digits and _, "
                    "starting with a letter, at most 40, the unit last (spin_rpm)"
                )
            if name in reserved_names():
                raise ValueError(
                    f"extra factor {name!r} is already a field or column; give it under that name or rename it"
                )
            if not isinstance(value, (bool, int, float, str)):
                raise ValueError(f"extra factor {name!r} is {value!r}; accepted: a number, yes/no or text")
            if isinstance(value, float) and math.isinf(value):
                raise ValueError(f"extra factor {name!r} is infinite; accepted: a finite number")
        return {**data, "extra": clean}


class Plan(Record):
    """What a set of castings is meant to find out, written down before the first of them is made.

    Findings on a plan's own responses and factors are answers; all others were found by looking around.
    """

    kind: ClassVar[Level] = "plan"
    prefix: ClassVar[str] = "L"

    name: Text = Field(description="by which its batches name it (Batch.plan); required")
    question: Text | None = _field("what it is meant to find out, in plain words")
    factors: Names | None = _field("settings to judge: columns, by commas")
    responses: Names | None = _field("what is judged: columns, by commas, the main one first")
    castings: int | None = _field("number of castings planned", 1, 100_000)
    batches: int | None = _field("number of batches planned", 1, 100_000)
    seed: int | None = _field("seed of the plan, by which it can be made again", 0, 2**31 - 1)


class Batch(_WithExtras):
    """One mixed cup: what went in, how it was stirred and degassed, and the room it was mixed in."""

    kind: ClassVar[Level] = "batch"
    prefix: ClassVar[str] = "B"

    mixed_at: datetime | None = _field("when stirring began, shop clock")
    plan: Text | None = _field("name of the plan these castings belong to; empty for a haphazard one")
    resin_id: str | None = Field(
        default=None, pattern=r"^R-\d{2,}$", description="material record of the resin system (R-01)"
    )
    resin_lot: Text | None = _field("lot on the resin bottle")
    hardener_lot: Text | None = _field("lot on the hardener bottle")
    resin_g: float | None = _field("resin weighed, g", 0, 100_000)
    hardener_g: float | None = _field("hardener weighed, g", 0, 100_000)
    colorant_g: float | None = _field("pigment, dye or filler added, g", 0, 100_000)
    target_phr: float | None = _field("hardener that was aimed at, parts per hundred of resin by mass", 0.01, 1_000)
    resin_c: float | None = _field("resin temperature when mixed, degrees C", -20, 120)
    room_c: float | None = _field("room temperature, degrees C", -20, 60)
    humidity_pct: float | None = _field("relative humidity of the room, %", 0, 100)
    stir_min: float | None = _field("stirring time, min", 0, 120)
    stir_method: Word | None = _field("how it was stirred (stick, paddle, two cups)")
    rest_min: float | None = _field("rest between stirring and degassing or pouring, min", 0, 600)
    cup_degas_min: float | None = _field("time of the cup under vacuum, min; 0 = not degassed", 0, 240)
    cup_degas_kpa: float | None = _field("lowest pressure over the cup, kPa absolute", 0.001, 110)
    pump_base_kpa: float | None = _field(
        "lowest pressure the pump reached that day on a shut chamber, kPa absolute", 0.0001, 110
    )
    pot_life_min: float | None = _field("time until the mix was too thick to pour, min", 0, 1_440)


class Trial(_WithExtras):
    """One casting: a batch poured into one mold cavity, and what was done to it until demolding."""

    kind: ClassVar[Level] = "trial"
    prefix: ClassVar[str] = "T"

    batch_id: str = Field(pattern=r"^B-\d{3,}$", description="the batch it was poured from (B-014); required")
    mold_id: str | None = Field(default=None, pattern=r"^M-\d{2,}$", description="the mold it was poured into (M-02)")
    cavity: int | None = _field("which cavity of the mold", 1, 1_000)
    product: Word | None = _field("what it was meant to become (pod block)")
    insert: Word | None = _field("the embedded part (seed pod, lamp board)")
    insert_prep: Word | None = _field("how the insert was prepared (none, dried, sealed)")
    release: Word | None = _field("release agent on the mold (none, wax, spray)")
    poured_at: datetime | None = _field("when pouring began, shop clock")
    wait_min: float | None = _field("from the end of stirring to the pour, min", 0, 1_440)
    pour_method: Word | None = _field("how it was poured (stream, ladle, syringe)")
    pour_min: float | None = _field("how long the pour took, min", 0, 240)
    mold_c: float | None = _field("mold temperature at the pour, degrees C", -20, 150)
    depth_mm: float | None = _field("depth of the pour, mm", 0, 1_000)
    mass_g: float | None = _field("mass of the casting, g", 0, 100_000)
    mold_degas_min: float | None = _field("time of the filled mold under vacuum, min; 0 = not degassed", 0, 240)
    mold_degas_kpa: float | None = _field("lowest pressure over the filled mold, kPa absolute", 0.001, 110)
    hold_kpa: float | None = _field("pressure hold while curing, kPa absolute", 90, 1_200)
    hold_min: float | None = _field("length of the pressure hold, min; 0 = none", 0, 14_400)
    cure_c: float | None = _field("cure temperature, degrees C", -20, 200)
    cure_h: float | None = _field("cure time in the mold, h", 0, 1_000)
    post_cure_c: float | None = _field("post-cure temperature, degrees C", -20, 250)
    post_cure_h: float | None = _field("post-cure time, h; 0 = none", 0, 1_000)
    demold_h: float | None = _field("from pour to demold, h", 0, 2_000)


class Photo(Record):
    """A photo of one casting. The file itself is kept beside the logbook, under its checksum, and never altered."""

    kind: ClassVar[Level] = "photo"
    prefix: ClassVar[str] = "P"

    trial_id: str = Field(pattern=r"^T-\d{3,}\.\d+$", description="the casting it shows (T-014.3); required")
    sha256: str = Field(pattern=r"^[0-9a-f]{64}$", description="SHA-256 of the file's content; required")
    file_name: Text | None = _field("name the file came with")
    view: Word | None = _field("what it shows (top, side, target through the casting)")
    taken_at: datetime | None = _field("when it was taken, shop clock")
    mm_per_pixel: float | None = _field("scale of the photo, mm per pixel", *MM_PER_PIXEL)


GRADE_MEANING = "grade 0 (worst) to 4 (best)"


class Score(Record):
    """One reading of one casting by one person or one photo. At least one reading is needed.

    Grades run from 0 (worst) to 4 (best).
    """

    kind: ClassVar[Level] = "score"
    prefix: ClassVar[str] = "S"

    trial_id: str = Field(pattern=r"^T-\d{3,}\.\d+$", description="the casting that was scored (T-014.3); required")
    scorer: Text | None = _field("who scored it")
    scored_at: datetime | None = _field("when it was scored, shop clock")
    method: Word | None = _field("how (eye, photo, gauge)")
    rubric: Rubric | None = _field("name and version of the rubric the grades follow, and of each item in it")
    photo_id: str | None = Field(
        default=None, pattern=r"^P-\d{3,}\.\d+\.\d+$", description="the photo that was scored (P-014.3.1)"
    )
    inspected_mm2: float | None = _field("area that was inspected for bubbles, mm2", 0.01, 10_000_000)
    bubbles: int | None = _field("number of bubbles seen", 0, 1_000_000)
    bubbles_stopped: bool | None = _field("counting was stopped at that number: there were more")
    auto_bubbles: int | None = _field(
        "number of bubbles the photo count found, before correction by hand", 0, 1_000_000
    )
    auto_low: int | None = _field("least number of bubbles the photo count holds possible (95%)", 0, 1_000_000)
    auto_high: int | None = _field("largest number of bubbles the photo count holds possible (95%)", 0, 1_000_000)
    bubble_largest_mm: float | None = _field("diameter of the largest bubble, mm", 0, 1_000)
    clarity_grade: int | None = _field(f"clarity, {GRADE_MEANING}", 0, 4)
    tack_grade: int | None = _field(f"freedom from tack, {GRADE_MEANING}", 0, 4)
    surface_grade: int | None = _field(f"surface, {GRADE_MEANING}", 0, 4)
    edge_grade: int | None = _field(f"edge fill, {GRADE_MEANING}", 0, 4)
    insert_grade: int | None = _field(f"insert position, {GRADE_MEANING}", 0, 4)
    demold_grade: int | None = _field(f"freedom from demold damage, {GRADE_MEANING}", 0, 4)
    extra_grades: dict[str, int] | None = Field(
        default=None, description=f"items of the shop's own rubric: item -> {GRADE_MEANING}; in frames as item_grade"
    )
    haze_pct: float | None = _field("haze, %", 0, 100)
    shore_d: float | None = _field("Shore D hardness", 0, 100)
    size_error_mm: float | None = _field("measured minus wanted size at the fit that matters, mm", -1_000, 1_000)
    passed: bool | None = _field("good enough to sell")

    @field_validator("extra_grades", mode="before")
    @classmethod
    def _grades_of_ones_own(cls, given: Any) -> Any:
        if not isinstance(given, Mapping):
            return given
        grades = {str(item): grade for item, grade in sorted(given.items()) if not is_blank(grade)}
        for item, grade in grades.items():
            column = f"{item}_grade"
            if not EXTRA_NAME.fullmatch(column):
                raise ValueError(
                    f"item {item!r} is not a usable name; accepted: lower-case letters, digits and _, starting with a letter, "
                    "at most 34"
                )
            if column in reserved_names():
                raise ValueError(f"{column} is a field of its own: give {column}=..., not extra_grades")
            if isinstance(grade, bool) or grade not in range(5):
                raise ValueError(f"{item} is graded {grade!r}; accepted: whole grades from 0 (worst) to 4 (best)")
        return {item: int(grade) for item, grade in grades.items()} or None

    @model_validator(mode="after")
    def _has_a_reading(self) -> Self:
        if self.extra_grades is None and all(getattr(self, name) is None for name in READINGS):
            raise ValueError(f"a score needs at least one reading; accepted: any of {', '.join(READINGS)}")
        return self


_ABOUT_THE_READING = {
    "trial_id", "scorer", "scored_at", "method", "rubric", "photo_id", "inspected_mm2", "bubbles_stopped", "auto_bubbles",
    "auto_low", "auto_high",
}  # fmt: skip
READINGS = tuple(n for n in Score.settings() if n not in _ABOUT_THE_READING)


class Mold(Record):
    """A mold and its life: what it is made of, when, and how many castings it gave before the logbook began."""

    kind: ClassVar[Level] = "mold"
    prefix: ClassVar[str] = "M"

    name: Text = Field(description="what the shop calls it; required")
    product: Word | None = _field("what it casts (pod block)")
    silicone_id: str | None = Field(
        default=None, pattern=r"^R-\d{2,}$", description="material record of the silicone (R-02)"
    )
    silicone_lot: Text | None = _field("lot of the silicone")
    made_on: date | None = _field("when it was made")
    cavities: int | None = _field("number of cavities", 1, 1_000)
    cavity_ml: float | None = _field("volume of one cavity, ml", 0.01, 100_000)
    earlier_pulls: int | None = _field("castings pulled before this logbook began", 0, 100_000)
    retired_on: date | None = _field("when it was taken out of use")
    retired_why: Text | None = _field("why it was taken out of use")


class Material(Record):
    """A resin system, silicone or other material with the values of its own data sheet."""

    kind: ClassVar[Level] = "material"
    prefix: ClassVar[str] = "R"

    name: Text = Field(description="what the shop calls it; required")
    family: Word | None = _field("kind of material (slow clear epoxy, platinum-cure silicone)")
    target_phr: float | None = _field("hardener per hundred of resin by mass, from the data sheet", 0.01, 1_000)
    ratio_tolerance_pct: float | None = _field(
        "how far the ratio may miss before cure suffers, % of the hardener", 0.01, 100
    )
    resin_g_ml: float | None = _field("density of the resin, g/ml", 0.3, 5)
    hardener_g_ml: float | None = _field("density of the hardener, g/ml", 0.3, 5)
    viscosity_pa_s: float | None = _field("viscosity of the fresh mix at 25 degrees C, Pa s", 0.0001, 10_000)
    pot_life_min: float | None = _field("pot life of 100 g mixed at 25 degrees C, min", 0.1, 10_000)
    cure_h: float | None = _field("time to demold when kept at 25 degrees C, h", 0.01, 2_000)
    price_per_kg: float | None = _field("price of a kilogram of mix, in the shop's own currency", 0, 1_000_000)


KINDS: dict[str, type[Record]] = {m.kind: m for m in (Material, Mold, Plan, Batch, Trial, Photo, Score)}
"""Every record type, in the order in which one may refer to another."""


def reserved_names() -> frozenset[str]:
    """Names an extra factor may not take: fields of any record and columns that the frame derives."""
    from castlab.records.columns import DERIVED

    return frozenset(n for m in KINDS.values() for n in m.model_fields) | frozenset(DERIVED)
