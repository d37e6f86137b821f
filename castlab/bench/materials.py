"""What the bench knows of a material: the user's own data-sheet values first, typical values of its family else.

The families are the files of `data/materials`; each value there has a range and says where it comes from.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, TypeGuard

from castlab import shipped
from castlab.errors import InputError
from castlab.given import nearest

if TYPE_CHECKING:
    import pandas as pd

    from castlab.records.models import Material

LABELS: dict[str, str] = {
    "target_phr": "mix ratio",
    "ratio_tolerance_pct": "ratio tolerance",
    "resin_g_ml": "density of the first part",
    "hardener_g_ml": "density of the second part",
    "density_g_ml": "density of the mix",
    "viscosity_pa_s": "viscosity",
    "pot_life_min": "pot life of 100 g",
    "pot_life_mass_power": "loss of pot life with mass",
    "cup_limit_g": "most to mix in one cup",
    "cure_h": "time to demold",
    "peak_c": "peak of 100 g in a cup",
    "foam_factor": "rise of the foam under vacuum",
    "shrinkage_pct": "linear shrinkage",
    "heat_j_g": "heat of reaction",
    "specific_heat_j_gk": "specific heat",
    "conductivity_w_mk": "thermal conductivity",
    "e_kj_mol": "activation energy of cure",
    "m": "autocatalytic order of cure",
    "n": "order of cure",
    "gel_conversion": "conversion at gel",
    "demold_conversion": "conversion at demold",
    "tg_start_c": "glass transition of the fresh mix",
    "tg_full_c": "glass transition when fully cured",
    "tg_lambda": "DiBenedetto ratio",
    "viscosity_e_kj_mol": "activation energy of viscosity",
    "surface_tension_n_m": "surface tension",
    "heat_limit_c": "heat limit of the cured material",
    "price_per_kg": "price",
}
"""Property -> its name in words. `price_per_kg` has no typical value: only the user knows it."""

_RECORD_FIELDS = (
    "target_phr",
    "ratio_tolerance_pct",
    "resin_g_ml",
    "hardener_g_ml",
    "viscosity_pa_s",
    "pot_life_min",
    "cure_h",
    "price_per_kg",
)


@dataclass(frozen=True)
class Value:
    """One property of a family: a typical value inside its usual range, and where both come from."""

    typical: float
    low: float
    high: float
    unit: str
    source: str


@dataclass(frozen=True)
class Volatile:
    """A part of the mix that boils first, with its usual share by moles, and where that comes from."""

    substance: str
    low: float
    high: float
    source: str


@dataclass(frozen=True)
class Family:
    """A generic kind of material."""

    name: str
    also: tuple[str, ...]
    parts: tuple[str, ...]
    """What its components are usually called, in the order of the ratio."""
    cautions: tuple[str, ...]
    """Activities whose cautions belong wherever it is handled (keys of `castlab.cautions.CAUTIONS`)."""
    volatiles: tuple[Volatile, ...]
    values: Mapping[str, Value]

    def table(self) -> pd.DataFrame:
        """property, name, typical, low, high, unit, source: one row a property."""
        import pandas as pd

        rows = [
            {"property": LABELS[name], "name": name, "typical": v.typical, "low": v.low, "high": v.high}
            | {"unit": v.unit, "source": v.source}
            for name, v in self.values.items()
        ]
        return pd.DataFrame(rows)


@dataclass(frozen=True)
class Properties:
    """The values of one material, each either the user's own or typical of its family.

    Index it by a property's name: `properties("slow clear epoxy")["pot_life_min"]`.
    """

    name: str
    family: Family | None
    own: Mapping[str, float]
    """The user's values, by property."""

    def __getitem__(self, name: str) -> float:
        low_typical_high = self.range(name)
        return low_typical_high[1]

    def __contains__(self, name: str) -> bool:
        try:
            self.range(name)
        except InputError:
            return False
        return True

    def range(self, name: str) -> tuple[float, float, float]:
        """Low, best and high of a property; all three are the user's value where there is one.

        Raises
        ------
        InputError
            If the name is unknown, or neither the user nor the family has a value.
        """
        if name not in LABELS:
            raise InputError(f"{name!r} is not a property of a material{nearest(name, LABELS)}")
        if name in self.own:
            return (self.own[name],) * 3
        if name == "density_g_ml":
            return self._density_range()
        if self.family is not None and name in self.family.values:
            value = self.family.values[name]
            return value.low, value.typical, value.high
        where = (
            f", nor has its family ({self.family.name})" if self.family else " and no family to take a typical one from"
        )
        raise InputError(f"{self.name} has no {LABELS[name]}{where}; give {name} from its data sheet")

    def _density_range(self) -> tuple[float, float, float]:
        phr = self["target_phr"]
        first, second = self.range("resin_g_ml"), self.range("hardener_g_ml")
        low, best, high = ((100 + phr) / (100 / a + phr / b) for a, b in zip(first, second, strict=True))
        return low, best, high

    @property
    def typical(self) -> tuple[str, ...]:
        """Names of the properties that are typical of the family rather than the user's."""
        return self.typical_of(*LABELS)

    def typical_of(self, *names: str) -> tuple[str, ...]:
        """Those of `names` that this material has from its family, not from the user."""
        return tuple(n for n in names if n in self and not self._is_own(n))

    def _is_own(self, name: str) -> bool:
        if name == "density_g_ml" and name not in self.own:
            return all(n in self.own for n in ("target_phr", "resin_g_ml", "hardener_g_ml"))
        return name in self.own

    def sentence(self, *names: str) -> str:
        """What was typical among `names` (all, if none are named) in one sentence; empty if nothing was.

        >>> properties("slow clear epoxy", pot_life_min=60).sentence("pot_life_min", "foam_factor")
        "Typical of slow clear epoxy, not this product's: rise of the foam under vacuum 3 (2 to 4). Its data sheet wins."
        """
        typical = self.typical_of(*(names or LABELS))
        if not typical or self.family is None:
            return ""
        parts = []
        for name in typical:
            low, best, high = self.range(name)
            unit = _unit(self.family, name)
            parts.append(f"{LABELS[name]} {best:.4g}{unit} ({low:.4g} to {high:.4g})")
        return f"Typical of {self.family.name}, not this product's: {', '.join(parts)}. Its data sheet wins."

    def table(self) -> pd.DataFrame:
        """property, name, value, low, high, unit, from ("yours" or where the typical value comes from)."""
        import pandas as pd

        rows = []
        for name in LABELS:
            if name not in self:
                continue
            low, best, high = self.range(name)
            row = {"property": LABELS[name], "name": name, "value": best, "low": low, "high": high}
            row["unit"] = _unit(self.family, name).strip() if self.family else ""
            known = (
                self.family.values[name].source
                if self.family and name in self.family.values
                else "from the ratio and the densities of the parts"
            )
            row["from"] = "yours" if self._is_own(name) else known
            rows.append(row)
        return pd.DataFrame(rows)


def families() -> tuple[str, ...]:
    """Names of the generic families of `data/materials`.

    >>> "slow clear epoxy" in families()
    True
    """
    return tuple(_families())


def family(name: str) -> Family:
    """The family of that name (or of one of its other names, such as "addition silicone").

    Raises
    ------
    InputError
        If there is none; the message names the nearest ones.

    >>> family("addition silicone").name
    'platinum-cure silicone'
    """
    if not isinstance(name, str):
        raise InputError(f"a family is named in words, not by {name!r}; accepted: {', '.join(families())}")
    wanted = " ".join(name.lower().split())
    for known in _families().values():
        if wanted == known.name or wanted in known.also:
            return known
    names = [n for f in _families().values() for n in (f.name, *f.also)]
    raise InputError(f"{name!r} is not a material family castlab knows{nearest(wanted, names, families())}")


def family_of(material: str | Material) -> str:
    """Name of the family of a material record, or the full name of a family given by any of its names.

    Raises
    ------
    InputError
        If the record has no family, or the family is not known.

    >>> family_of("plaster")
    'gypsum'
    """
    if isinstance(material, str):
        return family(material).name
    kind = properties(material).family
    if kind is None:
        raise InputError(f"{material.name} has no family; give it one of: {', '.join(families())}")
    return kind.name


def properties(material: str | Material | Properties, **own: float | None) -> Properties:
    """The values of a material: yours first, typical ones of its family for the rest.

    Arguments
    ---------
    material
        A family's name, a `castlab.Material` record, or properties to which values are added.
    **own
        Values from the data sheet by property name (keys of `LABELS`), in the unit of the name's suffix.

    Returns
    -------
    Properties, indexed by name; `.typical` names what is not the user's.

    Raises
    ------
    InputError
        If the material or a property is unknown, or a value is not a finite number.

    >>> mix = properties("slow clear epoxy", pot_life_min=60)
    >>> mix["pot_life_min"], "pot_life_min" in mix.typical, "foam_factor" in mix.typical
    (60.0, False, True)
    """
    if isinstance(material, Properties):
        name, kind, given = material.name, material.family, dict(material.own)
    elif isinstance(material, str):
        kind = family(material)
        name, given = kind.name, {}
    elif _is_record(material):
        kind = family(material.family) if material.family is not None else None
        name = material.name
        given = {n: float(getattr(material, n)) for n in _RECORD_FIELDS if getattr(material, n) is not None}
    else:
        raise InputError(
            f"a material is a family's name or a Material record, not {material!r}; families: {', '.join(families())}"
        )
    for key, value in own.items():
        if key not in LABELS:
            raise InputError(f"{key!r} is not a property of a material{nearest(key, LABELS)}")
        if value is not None:
            given[key] = _checked(key, value)
    return Properties(name=name, family=kind, own=given)


def _is_record(material: object) -> TypeGuard[Material]:
    from castlab.records.models import Material  # late: a family's name needs no record models

    return isinstance(material, Material)


def _checked(name: str, value: Any) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = math.nan
    signed = name in {"shrinkage_pct", "tg_start_c", "tg_full_c", "heat_limit_c"}
    zero_ok = name in {"heat_j_g", "pot_life_mass_power", "m", "price_per_kg"}
    if isinstance(value, bool) or not math.isfinite(number):
        raise InputError(f"{name} is {value!r}; accepted: a number")
    if not signed and (number < 0 or (number == 0 and not zero_ok)):
        raise InputError(
            f"{name} ({LABELS[name]}) is {number:g}; accepted: {'0 or more' if zero_ok else 'more than 0'}"
        )
    return number


def _unit(kind: Family | None, name: str) -> str:
    if name == "density_g_ml":
        return " g/ml"
    if kind is None or name not in kind.values or kind.values[name].unit == "1":
        return ""
    unit = kind.values[name].unit
    return unit if unit == "%" else f" {unit}"


@cache
def _families() -> dict[str, Family]:
    found = {}
    for file in sorted(shipped.path("data", "materials").glob("*.toml")):
        raw = tomllib.loads(file.read_text(encoding="utf-8"))
        found[raw["name"]] = Family(
            name=raw["name"],
            also=tuple(raw["also"]),
            parts=tuple(raw["parts"]),
            cautions=tuple(raw["cautions"]),
            volatiles=tuple(_volatile(v) for v in raw.get("volatiles", ())),
            values={name: _value(v) for name, v in raw["values"].items()},
        )
    return found


def _value(raw: dict[str, Any]) -> Value:
    low, high = raw["range"]
    return Value(float(raw["typical"]), float(low), float(high), raw["unit"], raw["source"])


def _volatile(raw: dict[str, Any]) -> Volatile:
    low, high = raw["mole_share"]
    return Volatile(raw["substance"], low, high, raw["source"])
