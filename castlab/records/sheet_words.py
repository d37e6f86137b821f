"""What a sheet's column may become (its target), and the headings makers write for it. No logic beyond the tables."""

from __future__ import annotations

from typing import Literal

from castlab import units
from castlab.records.columns import dtype_of
from castlab.records.models import KINDS, Batch, Score, Trial

Reader = Literal["key", "name", "text", "number", "whole", "quantity", "grade", "yes/no", "date", "time"]

_REFERENCES = {"batch_id", "trial_id", "mold_id", "resin_id", "photo_id"}

TIMES = {"mixed_time": "mixed_at", "poured_time": "poured_at", "scored_time": "scored_at"}
"""Target for a time of the day in a column of its own -> the date and time that it is a part of."""

FIELDS: dict[str, tuple[str, str]] = {
    **{n: (str(model.kind), n) for model in (Batch, Trial, Score) for n in model.settings() if n not in _REFERENCES},
    **{f"{model.kind}_notes": (str(model.kind), "notes") for model in (Batch, Trial, Score)},
}
FIELDS |= {apart: FIELDS[joined] for apart, joined in TIMES.items()}
"""Target -> kind of record and field it fills."""

KEYS = {
    "batch": "which cup it was poured from: the same entry in two rows makes them one batch",
    "casting": "the maker's own number of the casting; tells its row again on the next import",
}
NAMES = {
    "mold": "name of the mold; one that the logbook does not know is made",
    "material": "name of the resin system; one that the logbook does not know is made",
}
TARGETS: tuple[str, ...] = (*KEYS, *NAMES, *FIELDS)
"""Everything that a column may be mapped to, extras aside."""


def meaning(target: str) -> str:
    """What a target means, in plain words."""
    if target in KEYS or target in NAMES:
        return {**KEYS, **NAMES}[target]
    if target in TIMES:
        return f"time of the day; joined with the date of {TIMES[target]}"
    kind, field = FIELDS[target]
    return str(KINDS[kind].model_fields[field].description)


def reader_of(target: str) -> Reader:
    """How the cells of a target, or of a grade of the shop's own, are read."""
    if target.endswith("_grade"):
        return "grade"
    if target in TIMES:
        return "time"
    if target in KEYS:
        return "key"
    if target in NAMES:
        return "name"
    kind, field = FIELDS[target]
    dtype = dtype_of(KINDS[kind].model_fields[field].annotation)
    if dtype == "float64":
        return "quantity" if units.bench_unit(field) and field != "target_phr" else "number"
    readers: dict[str, Reader] = {"boolean": "yes/no", "datetime64[us]": "date", "Int64": "whole"}
    return readers.get(dtype, "text")


SYNONYMS: dict[str, str] = {
    "batch": "batch no|batch number|batch id|batch nr|cup|cup no|cup number|mix no|mix number|mix id|mixed cup",
    "casting": "casting no|casting number|casting id|cast no|cast number|trial no|trial number|piece no|piece|part no|"
    "no|number|nr|id|#",
    "mold": "mould|mold name|mould name|mold used|mould used|which mold|form",
    "material": "resin system|resin type|resin name|resin brand|epoxy|material name|resin",
    "mixed_at": "date|day|mix date|mixing date|date mixed|mixed|mixed on|mixed at|batch date|casting date|date cast",
    "mixed_time": "mix time|time mixed|mixed at|mixing time|mix time of day|start of mixing|mix start",
    "plan": "plan name|series|experiment",
    "resin_lot": "lot|lot number|lot no|resin batch no|resin lot no|lot resin|part a lot|bottle lot",
    "hardener_lot": "hardener lot no|lot hardener|catalyst lot|part b lot",
    "resin_g": "resin|resin mass|resin weight|weight resin|part a|a part|resin amount|side a",
    "hardener_g": "hardener|hardener mass|hardener weight|weight hardener|part b|b part|catalyst|hardener amount|side b",
    "colorant_g": "colorant|colourant|pigment|dye|colour|color|filler|tint",
    "target_phr": "phr|ratio|mix ratio|target ratio|mixing ratio|hardener phr",
    "resin_c": "resin temp|resin temperature|temp resin|mix temp|mix temperature|temp of resin|resin warm",
    "room_c": "room temp|room temperature|ambient|ambient temp|shop temp|air temp|workshop temp|temp room",
    "humidity_pct": "humidity|rh|rel humidity|relative humidity|room humidity|air humidity",
    "stir_min": "stir|stirring|stir time|stirring time|mix time|mixing time|stirred|stirred for|mixed for",
    "stir_method": "stirred with|stirring method|how stirred|stirrer|stir how|mixing method|mix method|stir|stirring",
    "rest_min": "rest|rest time|resting|stand time|settle time|let stand|rested",
    "cup_degas_min": "cup degas|cup degas time|cup vacuum time|degas cup|degassed cup|time under vacuum cup|cup vac time|"
    "vacuum time|degas|degas time|degassing|degassing time|time under vacuum|degassed|vac time|vacuum|vac",
    "cup_degas_kpa": "cup vacuum|cup vac|vacuum cup|cup degas pressure|cup pressure|degas pressure|vacuum|vac|"
    "vacuum level|vacuum reached|degas|degas vacuum|gauge|gauge reading|vacuum gauge",
    "pump_base_kpa": "pump base|base pressure|pump base pressure|blank off|blank off pressure|pump vacuum|best vacuum",
    "pot_life_min": "pot life|working time|potlife",
    "cavity": "cavity no|cavity number|cav|slot",
    "product": "product name|item|what|for what|object|model|piece type|article",
    "insert": "insert type|inclusion|embedded|embed|embedded part|inside|specimen",
    "insert_prep": "insert preparation|insert prep|prep|preparation|insert treated|insert treatment",
    "release": "release agent|mold release|mould release|released with",
    "poured_at": "poured|pour date|date poured|poured on|poured at|pour at",
    "poured_time": "poured|pour time|time poured|poured at|pour at|pour time of day|poured at time|pouring time|time of pour|pour start",
    "wait_min": "wait|wait time|waiting|wait before pour|time to pour|wait until pour",
    "pour_method": "pour|pouring|how poured|pour how|poured with|pouring method|pour style|poured",
    "pour_min": "pour time|pour duration|pouring time|time of pour|pour took",
    "mold_c": "mold temp|mould temp|mold temperature|mould temperature|temp mold",
    "depth_mm": "depth|pour depth|thickness|height|casting depth|depth of pour",
    "mass_g": "mass|weight|casting weight|casting mass|part weight|weight of casting",
    "mold_degas_min": "mold degas|mould degas|mold vacuum time|mould vacuum time|degas mold|degas mould|vacuum time|degas|"
    "degas time|degassing|degassing time|time under vacuum|degassed|vac time|vacuum|vac",
    "mold_degas_kpa": "mold vacuum|mould vacuum|mold vac|vacuum mold|mold degas pressure|degas pressure|vacuum|vac|"
    "vacuum level|vacuum reached|degas|degas vacuum|gauge|gauge reading|vacuum gauge",
    "hold_kpa": "hold|pressure hold|hold pressure|pressure|pot|pot pressure|pressure pot|cure pressure|tank pressure",
    "hold_min": "hold|hold time|pressure hold|pressure hold time|time in pressure pot|pressure time|pressure pot",
    "cure_c": "cure temp|cure temperature|curing temp|curing temperature|cure|oven|oven temp|oven temperature",
    "cure_h": "cure|curing|cure time|curing time|time to cure|cured for|cured|oven time",
    "post_cure_c": "post cure|post cure temp|post cure temperature|postcure|postcure temp",
    "post_cure_h": "post cure|post cure time|postcure|postcure time",
    "demold_h": "demold|demould|demold time|demould time|demolded after|demoulded after|time to demold|out of mold after",
    "scorer": "scored by|who scored|checked by|judged by|inspector|rater|who",
    "scored_at": "scored|scored on|score date|date scored|checked on|inspected on|date checked",
    "scored_time": "time scored|scored at|time checked",
    "method": "how scored|score method|checked with|scoring method",
    "rubric": "rubric version|score card",
    "inspected_mm2": "inspected area|area|area inspected|window",
    "bubbles": "bubble count|bubble|number of bubbles|no of bubbles|bubbles seen|nr of bubbles|# bubbles|bubbles counted",
    "bubbles_stopped": "more than that|stopped counting|counting stopped|or more|too many to count",
    "auto_bubbles": "automatic count|photo count|counted by photo",
    "auto_low": "photo count low|automatic count low",
    "auto_high": "photo count high|automatic count high",
    "bubble_largest_mm": "largest bubble|biggest bubble|max bubble|bubble size|bubble largest",
    "clarity_grade": "clarity|clear|clearness|clarity score|transparency",
    "tack_grade": "tack|tacky|tackiness|sticky|tack score",
    "surface_grade": "surface|surface score|finish|surface finish",
    "edge_grade": "edge|edges|edge fill|edge score",
    "insert_grade": "insert position|insert score|insert centred|insert centered",
    "demold_grade": "demold damage|demould damage|demold score",
    "haze_pct": "haze|haze meter",
    "shore_d": "shore|hardness|shore hardness|durometer|shore d hardness",
    "size_error_mm": "size error|size deviation|fit error|size off|off size|deviation",
    "passed": "pass|ok|good|sellable|sell|accepted|accept|usable|good enough|passed qc|pass fail|good one",
    "trial_notes": "notes|note|remarks|remark|comments|comment|observations|what happened|casting notes",
    "batch_notes": "mix notes|cup notes|batch remarks|batch comments",
    "score_notes": "score remarks|scoring notes|score comments",
}
"""Target -> headings that mean it, without units; a heading may stand for several, and units and cells then decide."""

SEVERAL = {
    "temp": ("resin_c", "room_c", "mold_c", "cure_c"),
    "temperature": ("resin_c", "room_c", "mold_c", "cure_c"),
    "time": ("mixed_time", "poured_time", "stir_min", "cup_degas_min", "pour_min", "cure_h"),
    "time of day": ("mixed_time", "poured_time"),
    "clock": ("mixed_time", "poured_time"),
    "hour": ("mixed_time", "poured_time"),
    "pressure": ("hold_kpa", "cup_degas_kpa", "mold_degas_kpa"),
}
"""Headings too short to tell: the fields they could mean, which their keeper has to choose from."""
