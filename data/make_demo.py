"""Make the demo logbook in data/demo/. Everything in it is invented; the true effects are stated here.

The scenario, invented: the workshop of a botanic garden casts clear teaching blocks with a seed pod inside ("pod
block", three molds) and clear path markers with a small lamp board inside ("path marker", one mold). Two people score.

The first seven batches and the last three are haphazard: what suited that day, with habits that change as the spring
goes on. The eight batches in between follow a plan ("May screen"): resin temperature, vacuum on the cup and straining
are set per batch in all eight combinations; pour method, insert preparation and vacuum on the filled mold are set per
casting in a half fraction of their eight combinations, the two halves taking turns.

The number of bubbles in a casting is Poisson with the mean

    BASE x product of the ratios in BUBBLE_RATIOS x batch x casting x mold

where batch and casting are log-normal with the standard deviations below, so the counts are over-dispersed and the
castings of one batch are alike. Scorer Wim overlooks one bubble in twenty.

    setting          change              ratio of bubbles
    resin_c          10 C warmer         0.55    per batch
    cup_degas_min    4 min against none  0.45    per batch
    rest_min         10 min against none 0.75    per batch; stir_method changed every time it did, so no analysis of
                                                 these data can tell the two apart
    pour_method      ladle, not stream   1.80    per casting
    insert_prep      dried, not none     0.50    per casting
    mold_degas_min   3 min against none  1.60    per casting; every casting holds an insert, whose air the vacuum draws out
    tilt_deg         15 degrees          0.95    per casting; real, but far too small to be found in sixty castings
    stir_method, strained, humidity_pct, cure_c          1.00    nothing

    product          path marker         1.20    mold M-03: 1.15

The seed was chosen so that the random order of the plan is not lopsided and the 95% intervals of an ordinary analysis
cover every ratio above. Not every seed's do, nor should they.

Run `python data/make_demo.py`, with castlab installed, to write data/demo/ again, byte for byte.
"""

from __future__ import annotations

import math
import random
import shutil
import tempfile
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from statistics import NormalDist
from typing import Any

from scipy import stats

from castlab import Batch, Logbook, Material, Mold, Score, Trial

SEED = 20260325
FOLDER = Path(__file__).resolve().parent / "demo"

BASE = 20.0
"""Expected bubbles in a pod block: resin at 24 C, no vacuum, no rest, thin stream, untreated insert."""

BUBBLE_RATIOS: dict[str, tuple[float, float]] = {
    "resin_c": (10.0, 0.55),
    "cup_degas_min": (4.0, 0.45),
    "rest_min": (10.0, 0.75),
    "mold_degas_min": (3.0, 1.60),
    "tilt_deg": (15.0, 0.95),
    "humidity_pct": (10.0, 1.0),
    "cure_c": (10.0, 1.0),
}
"""Number setting -> (change, ratio of expected bubbles for that change)."""

BUBBLE_LEVELS: dict[str, dict[str, float]] = {
    "pour_method": {"stream": 1.0, "ladle": 1.80},
    "insert_prep": {"none": 1.0, "dried": 0.50},
    "stir_method": {"stick": 1.0, "two cups": 1.0},
    "strained": {"no": 1.0, "yes": 1.0},
    "product": {"pod block": 1.0, "path marker": 1.20},
}
"""Setting with levels -> level -> ratio of expected bubbles against the first level."""

MOLD_RATIOS = {"M-03": 1.15}
BATCH_SD, CASTING_SD = 0.20, 0.25
"""Standard deviations of the logarithm of a batch's and a casting's own share."""

HAZE_PCT = {"base": 3.6, "dried": -1.1, "per % of ratio error": 0.30, "batch sd": 0.25, "sd": 0.5}
SHORE_D = {"base": 77.0, "40 C cure": 4.0, "per % of ratio error": -0.9, "batch sd": 0.5, "sd": 0.8}
SIZE_ERROR_MM = {"base": -0.16, "40 C cure": -0.14, "sd": 0.04}
SOLD_BELOW = 9.0
"""Bubbles at which a casting has an even chance to be good enough; clarity and hardness count as well."""


@dataclass(frozen=True)
class Slip:
    """What was written down wrong at first, and how it came to be corrected."""

    wrong: dict[str, Any]
    noticed: str
    by: str
    why: str


SLIPS = {
    "B-003": Slip({"resin_c": 42.0}, "2026-02-26T17:10", "Noor", "typed the digits the wrong way round"),
    "T-005.1": Slip({"pour_method": "stream"}, "2026-03-20T08:40", "Wim", "the photo of the pour shows the ladle"),
    "S-005.2.1": Slip({"shore_d": 7.0}, "2026-03-21T09:05", "Noor", "second digit of the reading was missing"),
    "T-004.4": Slip({}, "2026-03-09T10:20", "Noor", "entered twice: it is T-004.3"),
    "B-010": Slip({"plan": None}, "2026-05-15T16:00", "Wim", "it belongs to the plan; the field was left empty"),
    "T-012.2": Slip({"mold_degas_min": 30.0}, "2026-05-26T11:30", "Noor", "minutes and tenths mixed up: 3.0 min"),
}
"""Record -> slip. The right values follow from the story below."""
TWICE = 4
"""The batch whose last casting was entered twice."""

SCORERS = {"Noor": 1.0, "Wim": 0.95}
"""Scorer -> share of the bubbles that he or she sees."""

TARGET_PHR = 28.0


@dataclass
class Cup:
    """A batch as it was really made, and its castings: (mold, pour method, insert preparation, mold vacuum min)."""

    day: str
    resin_c: float
    cup_degas_min: float
    two_cups: bool
    strained: bool
    castings: list[tuple[int, str, str, float]]
    humidity_pct: float
    cure_c: float = 23.0
    plan: str | None = None
    ratio_error_pct: float = 0.0
    notes: str | None = None
    blank: tuple[str, ...] = ()


def haphazard_cups() -> tuple[list[Cup], list[Cup]]:
    """Before and after the plan. What suited that day: cool resin, the ladle and no vacuum at first; the stream and the pump later."""
    lad, st, no, dry = "ladle", "stream", "none", "dried"
    before = [
        Cup("2026-02-10", 21, 0, False, False, [(1, lad, no, 0), (2, lad, no, 0), (4, lad, no, 0)], 38,
            notes="First cup of the year; resin came from the cold store."),
        Cup("2026-02-17", 20, 0, False, False, [(1, lad, no, 0), (2, st, no, 0), (3, lad, dry, 0)], 35,
            blank=("humidity_pct", "strained")),
        Cup("2026-02-26", 24, 3, True, False, [(1, lad, no, 3), (2, lad, no, 0), (3, st, no, 3), (4, lad, dry, 0)], 41),
        Cup("2026-03-06", 22, 0, False, True, [(1, st, no, 0), (3, lad, dry, 0), (4, lad, no, 0)], 44,
            ratio_error_pct=6.1, notes="The scale had gone to sleep between the two pours; hardener guessed."),
        Cup("2026-03-17", 26, 5, True, False, [(1, lad, dry, 0), (2, lad, no, 3), (3, st, no, 0)], 47, cure_c=40),
        Cup("2026-03-27", 23, 0, True, True, [(2, lad, no, 0), (3, st, dry, 0), (4, st, no, 0)], 43,
            blank=("resin_c", "humidity_pct"), notes="Thermometer lent to the seed bank."),
        Cup("2026-04-09", 25, 5, False, True, [(1, st, dry, 0), (2, lad, no, 0), (3, lad, no, 3), (4, st, dry, 0)], 52),
    ]  # fmt: skip
    after = [
        Cup("2026-06-23", 29, 4, True, True, [(1, st, dry, 0), (2, st, dry, 0), (3, st, dry, 0), (4, st, dry, 0)], 58,
            cure_c=40, notes="Order for the autumn course."),
        Cup("2026-07-02", 28, 5, True, False, [(1, st, dry, 0), (2, lad, dry, 0), (3, st, no, 0)], 61, cure_c=40),
        Cup("2026-07-14", 30, 0, True, True, [(1, st, dry, 0), (2, st, dry, 0), (3, st, dry, 0), (4, st, no, 0)], 55,
            cure_c=40, notes="Pump away for an oil change.", blank=("humidity_pct",)),
    ]  # fmt: skip
    return before, after


def planned_cups(chance: random.Random) -> list[Cup]:
    """Eight batches in random order: a full two-level plan between them, a half fraction of three settings within."""
    cups = [(c, d, s) for c in (22.0, 30.0) for d in (0.0, 4.0) for s in (False, True)]
    chance.shuffle(cups)
    made = []
    for number, (resin_c, degas, strained) in enumerate(cups):
        half = 1 if number % 2 else -1
        castings = [
            (pour, prep, 3.0 if pour_sign * prep_sign == half else 0.0)
            for pour, pour_sign in (("stream", -1), ("ladle", 1))
            for prep, prep_sign in (("none", -1), ("dried", 1))
        ]
        chance.shuffle(castings)
        molds = [(mold, *casting) for mold, casting in enumerate(castings, start=1)]
        if number in (2, 5):  # the cup ran out
            molds = molds[:-1]
        day = datetime(2026, 5, 4) + timedelta(days=5 * number)
        cure_c = chance.choice([23.0, 40.0])
        made.append(
            Cup(
                f"{day:%Y-%m-%d}", resin_c + chance.choice([-0.5, 0.0, 0.5]), degas, True, strained, molds,
                round(48 + 12 * chance.random()), cure_c, "May screen",
                notes="The cup ran out before the fourth mold." if number in (2, 5) else None,
                blank=("humidity_pct",) if number == 6 else (),
            )
        )  # fmt: skip
    return made


class Clock:
    """The time of each entry, set by the story rather than by the machine that runs this."""

    def __init__(self) -> None:
        self.now = datetime(2026, 2, 2, 8, 0)

    def __call__(self) -> datetime:
        return self.now


def normal(chance: random.Random, sd: float) -> float:
    """A normal draw that is the same on every Python and numpy."""
    return sd * NormalDist().inv_cdf(min(max(chance.random(), 1e-9), 1 - 1e-9))


def ratio_of(settings: dict[str, Any]) -> float:
    """Expected bubbles at these settings, as a ratio to 0 of every number and the first of every level."""
    log = 0.0
    for name, value in settings.items():
        if name in BUBBLE_RATIOS:
            change, ratio = BUBBLE_RATIOS[name]
            log += value / change * math.log(ratio)
        else:
            log += math.log(BUBBLE_LEVELS[name][value])
    return math.exp(log)


@dataclass
class Story:
    """The logbook as it fills, with what the telling of it needs."""

    book: Logbook
    clock: Clock
    chance: random.Random
    right: dict[str, dict[str, Any]] = field(default_factory=dict)

    def tell(self) -> None:
        """The whole of it, entry by entry, corrections last."""
        before, after = haphazard_cups()
        self.ground()
        for cup in [*before, *planned_cups(self.chance), *after]:
            self.pour(cup)
        for record_id, slip in SLIPS.items():
            self.clock.now = datetime.fromisoformat(slip.noticed)
            self.book.who = slip.by
            self.book.correct(record_id, why=slip.why, **self.right[record_id])

    def as_written(self, record_id: str, values: dict[str, Any]) -> dict[str, Any]:
        """The values with the slip of the pen in them, if this record had one; the right ones are kept for later."""
        slip = SLIPS.get(record_id)
        if slip is None:
            return values
        self.right[record_id] = {name: values[name] for name in slip.wrong}
        return values | slip.wrong

    def ground(self) -> None:
        """Materials and molds."""
        # fmt: off
        self.book.add(Material(
            name="Clear slow epoxy", family="slow clear epoxy", target_phr=TARGET_PHR, ratio_tolerance_pct=3,
            resin_g_ml=1.14, hardener_g_ml=0.98, viscosity_pa_s=0.6, pot_life_min=55, cure_h=24, price_per_kg=24,
            notes="Invented values, in the range of such resins.",
        ))
        self.book.add(Material(name="Mold silicone", family="platinum-cure silicone", viscosity_pa_s=18, price_per_kg=31))
        for name, product, made_on, cavity_ml, pulls in (
            ("Block A", "pod block", "2025-09-08", 145, 14),
            ("Block B", "pod block", "2025-09-08", 145, 12),
            ("Block C", "pod block", "2026-01-20", 145, 0),
            ("Marker", "path marker", "2025-11-17", 120, 6),
        ):
            self.book.add(Mold(
                name=name, product=product, silicone_id="R-02", made_on=made_on, cavities=1, cavity_ml=cavity_ml,
                earlier_pulls=pulls,
            ))
        # fmt: on

    def pour(self, cup: Cup) -> None:
        """One batch, its castings, and what became of them."""
        chance = self.chance
        number = len(self.book.records("batch")) + 1
        mixed = datetime.fromisoformat(cup.day) + timedelta(hours=9, minutes=5 * chance.randrange(12))
        resin_g = round(145 * len(cup.castings) + 12 * chance.random(), 1)
        miss = cup.ratio_error_pct or round(normal(chance, 0.8), 1)
        rest_min = 10.0 if cup.two_cups else 0.0
        stir_method = "two cups" if cup.two_cups else "stick"
        # fmt: off
        settings = {
            "mixed_at": mixed, "plan": cup.plan, "resin_id": "R-01",
            "resin_lot": "L-2201" if mixed.month < 5 else "L-2317", "hardener_lot": "H-0904",
            "resin_g": resin_g, "hardener_g": round(resin_g * TARGET_PHR / 100 * (1 + miss / 100), 1),
            "resin_c": cup.resin_c, "room_c": round(19.5 + 0.7 * (mixed.month - 2) + chance.random(), 1),
            "humidity_pct": cup.humidity_pct, "stir_min": 3 + chance.randrange(3), "stir_method": stir_method,
            "rest_min": rest_min, "cup_degas_min": cup.cup_degas_min,
            "cup_degas_kpa": 3.0 if cup.cup_degas_min else None, "pump_base_kpa": 2.0 if cup.cup_degas_min else None,
            "notes": cup.notes,
            "extra": {} if "strained" in cup.blank else {"strained": cup.strained},
        } | {name: None for name in cup.blank if name != "strained"}
        self.clock.now = mixed + timedelta(minutes=25)
        batch = self.book.add(Batch(**self.as_written(f"B-{number:03d}", settings)))

        expected = BASE * math.exp(normal(chance, BATCH_SD)) * ratio_of({
            "resin_c": cup.resin_c - 24.0, "cup_degas_min": cup.cup_degas_min, "rest_min": rest_min,
            "stir_method": stir_method, "strained": "yes" if cup.strained else "no",
            "humidity_pct": cup.humidity_pct, "cure_c": cup.cure_c,
        })
        haze = HAZE_PCT["base"] + HAZE_PCT["per % of ratio error"] * abs(miss) + normal(chance, HAZE_PCT["batch sd"])
        shore = SHORE_D["base"] + SHORE_D["per % of ratio error"] * abs(miss) + normal(chance, SHORE_D["batch sd"])
        if cup.cure_c == 40:
            shore += SHORE_D["40 C cure"]
        poured = []
        for place, (mold, pour_method, insert_prep, mold_degas_min) in enumerate(cup.castings, start=1):
            self.clock.now += timedelta(minutes=6)
            made = {
                "product": "path marker" if mold == 4 else "pod block", "insert_prep": insert_prep,
                "pour_method": pour_method, "mold_degas_min": mold_degas_min, "tilt_deg": 15.0 * (chance.random() < 0.4),
            }
            trial = Trial(**self.as_written(f"T-{number:03d}.{place}", {
                "batch_id": batch.id, "mold_id": f"M-{mold:02d}", "insert": "lamp board" if mold == 4 else "seed pod",
                "poured_at": self.clock.now, "wait_min": cup.cup_degas_min + rest_min + 5 * place,
                "pour_min": None if chance.random() < 0.3 else 2 + chance.randrange(4),
                "depth_mm": 28 if mold == 4 else 40, "mold_degas_kpa": 4.0 if mold_degas_min else None,
                "cure_c": cup.cure_c, "cure_h": 24, "demold_h": 26 + chance.randrange(20),
                "extra": {"tilt_deg": made["tilt_deg"]},
            } | {name: value for name, value in made.items() if name != "tilt_deg"}))
            # fmt: on
            own = MOLD_RATIOS.get(f"M-{mold:02d}", 1.0) * math.exp(normal(chance, CASTING_SD))
            poured.append((self.book.add(trial), made, expected * own * ratio_of(made)))
        if number == TWICE:
            again = self.book.add(trial)
            self.right[f"{again.id}"] = {"withdrawn": True}
        for trial, made, mean in poured:
            self.score(trial, mean, haze + HAZE_PCT["dried"] * (made["insert_prep"] == "dried"), shore, abs(miss))

    def score(self, trial: Trial, mean: float, haze: float, shore: float, miss: float) -> None:
        """The readings of one casting, by one or both scorers; the gauges are read by the first."""
        chance = self.chance
        bubbles = int(stats.poisson.ppf(chance.random(), mean))
        size = SIZE_ERROR_MM["base"] + SIZE_ERROR_MM["40 C cure"] * (trial.cure_c == 40)
        clear = 3.4 - 0.8 * math.log((bubbles + 1) / 6) - 0.25 * (haze - 3)
        merit = -1.4 * math.log((bubbles + 1) / SOLD_BELOW) + 0.4 * min(0.0, shore - 75) + normal(chance, 0.6)
        first = "Noor" if chance.random() < 0.6 else "Wim"
        scorers = [first] + [name for name in SCORERS if name != first and chance.random() < 0.3]
        for place, scorer in enumerate(scorers):
            self.clock.now = trial.poured_at + timedelta(days=2 + place, hours=2 + chance.randrange(4))
            self.book.who = scorer
            seen = int(stats.binom.ppf(chance.random(), bubbles, SCORERS[scorer]))
            largest = round(0.4 + 0.25 * math.log(seen) + 0.5 * chance.random(), 1) if seen else 0.0
            readings = {
                "bubbles": seen,
                "bubble_largest_mm": largest if chance.random() < 0.75 else None,
                "clarity_grade": grade(clear + normal(chance, 0.35)),
                "tack_grade": grade(4.3 - 0.45 * max(0.0, miss - 2) + normal(chance, 0.3)),
                "surface_grade": grade(3.4 + normal(chance, 0.5)),
                "passed": (merit > 0) if place == 0 or chance.random() < 0.9 else (merit <= 0),
            }
            if place == 0:
                hard, long = chance.random() < 0.85, chance.random() < 0.8
                readings |= {
                    "haze_pct": max(0.2, round(haze + normal(chance, HAZE_PCT["sd"]), 1)),
                    "shore_d": float(round(shore + normal(chance, SHORE_D["sd"]))) if hard else None,
                    "size_error_mm": round(size + normal(chance, SIZE_ERROR_MM["sd"]), 2) if long else None,
                }
            said = {"trial_id": trial.id, "scorer": scorer, "scored_at": self.clock.now, "method": "eye"}
            score_id = f"S-{trial.id.removeprefix('T-')}.{place + 1}"
            self.book.add(Score(**said, **self.as_written(score_id, readings)))
        self.book.who = "Noor"


def grade(value: float) -> int:
    """The nearest grade, 0 to 4."""
    return min(4, max(0, round(value)))


def main(folder: Path = FOLDER) -> Path:
    """Write the demo logbook and export it to `folder`, replacing what is there."""
    clock = Clock()
    with (
        tempfile.TemporaryDirectory() as temporary,
        Logbook.open(Path(temporary) / "demo.db", who="Noor", altitude_m=150, clock=clock) as book,
    ):
        Story(book, clock, random.Random(SEED)).tell()
        shutil.rmtree(folder, ignore_errors=True)
        return book.export(folder)


if __name__ == "__main__":
    main()
