"""Numbers and units as people type them. What a quantity is, and which units it takes, lives in the other modules here.

Decimal point or comma; thousands by spaces (NIST SP 811, section 10.5.3) or where two different separators make them
plain. What can be read in two ways is asked about.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Any

from castlab.errors import InputError

_SAME = str.maketrans(
    dict.fromkeys("−‐‑‒–—﹣－", "-") | dict.fromkeys("º˚", "°") | dict.fromkeys("“”″", '"') | dict.fromkeys("·⋅*", " ")
)
_FRACTIONS = {"½": "1/2", "¼": "1/4", "¾": "3/4"}

DECIMAL = r"(?:\d{1,3}(?: \d{3})+(?:[.,]\d+)?|\d+(?:[.,]\d+)*|[.,]\d+)(?:[eE][-+]?\d+)?"
NUMBER = rf"(?:(?:\d+ )?\d+/\d+(?![\d.,])|{DECIMAL})"
_TERM = re.compile(rf"(?<![A-Za-zμ\d.,/^])(?<![A-Za-zμ]-)({NUMBER})")
_RANGE = re.compile(r"\d\s*(?:-|\.\.+|\bto\b)\s*\d")


def tidy(text: Any, what: str) -> str:
    """The text with one kind of space, minus, degree and inch sign; a plain number becomes text.

    Raises InputError for anything else than text or a number, and for empty text.
    """
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise InputError(f"a {what} is typed as text with its unit, not {text!r}")
    plain = str(text)
    if re.search(r"\d\s*[⁰¹²³⁴-⁹]", plain):  # folding to plain digits would make 10² a 102
        raise InputError(f"{plain!r} has a raised digit after a number; write a power as 1e3")
    for sign, typed in _FRACTIONS.items():
        plain = re.sub(rf"(\d?)\s*{sign}", lambda m, t=typed: f"{m[1]} {t}" if m[1] else t, plain)  # type: ignore[misc]
    plain = unicodedata.normalize("NFKC", plain.translate(_SAME)).translate(_SAME)
    plain = re.sub(r"\s+", " ", plain).strip()
    if not plain:
        raise InputError(f"nothing was typed where a {what} is needed")
    return plain


def number(token: str) -> float:
    """The value of one number without sign: 22.5, 22,5, 1 500, 1,500.5, 1.500,5, 1 1/2, 1e-3.

    Raises InputError for what can be read in two ways (1,500) or in none.
    """
    if "/" in token:
        whole, _, ratio = token.rpartition(" ")
        top, bottom = (int(part) for part in ratio.split("/"))
        if bottom not in (2, 3, 4, 8, 16, 32, 64) or not 0 < top < bottom or math.gcd(top, bottom) > 1:
            raise InputError(f"{token!r} is not a fraction as a ruler or scale has it; accepted: 1/2, 3/8, 1 1/4")
        return int(whole or 0) + top / bottom
    digits, _, power = token.replace(" ", "").lower().partition("e")
    value = float(f"{_plain(digits)}e{power or 0}")
    if math.isinf(value):
        raise InputError(f"{token} is too large a number")
    return value


def _plain(digits: str) -> str:
    commas, dots = digits.count(","), digits.count(".")
    if commas == 1 and not dots:
        if re.fullmatch(r"[1-9]\d{0,2},\d{3}", digits):
            raise InputError(
                f"{digits!r} can be {digits.replace(',', '')} or {digits.replace(',', '.')}: "
                "write it with a decimal point, or without the comma"
            )
        return digits.replace(",", ".")
    if dots <= 1 and not commas:
        return digits
    for group, decimal in ((",", "."), (".", ",")):
        if re.fullmatch(rf"\d{{1,3}}(?:\{group}\d{{3}})+(?:\{decimal}\d+)?", digits):
            return digits.replace(group, "").replace(decimal, ".")
    raise InputError(f"{digits!r} is not one number; accepted: 22.5 or 22,5, and 1500 without separators")


def bare(text: str) -> float | None:
    """The value of a text that is one signed number and nothing else, else None."""
    found = re.fullmatch(rf"([-+]?)\s*({NUMBER})", text)
    return None if found is None else (-1 if found[1] == "-" else 1) * number(found[2])


def terms(text: str, what: str, accepted: str) -> tuple[str, str, list[tuple[float, str]]]:
    """Take a tidied text apart: (words before the first number, sign, [(value, unit as typed), ...]).

    Raises InputError if there is no number, or if it looks like a range.
    """
    if _RANGE.search(text):
        raise InputError(f"{text!r} looks like a range or a date; give one {what} ({accepted})")
    parts = _TERM.split(text)
    if len(parts) == 1:
        raise InputError(f"{text!r} is not a {what}; accepted: {accepted}")
    before = parts[0].strip()
    sign = before[-1] if before[-1:] in ("-", "+") else ""
    pairs = [(number(parts[i]), parts[i + 1].strip(" ,;")) for i in range(1, len(parts), 2)]
    return before.removesuffix(sign).strip(), sign, pairs


@dataclass(frozen=True)
class Kind:
    """One kind of quantity: its bench unit and the spellings it takes.

    `units` maps a unit as pint names it to spellings (lower case unless case matters); `asks` maps a spelling that
    could mean two things to what the maker must add.
    """

    name: str
    bench: str
    accepted: str
    units: Mapping[str, tuple[str, ...]]
    asks: Mapping[str, str] = field(default_factory=dict)
    signed: bool = False
    compound: bool = False

    @cached_property
    def _spelled(self) -> dict[str, str]:
        return {alias: unit for unit, aliases in self.units.items() for alias in aliases}

    def unit(self, word: str) -> str | None:
        """pint's name of a unit as typed, or None; exact case first."""
        word = _plain_word(word)
        return self._spelled.get(word) or self._spelled.get(word.lower())


def _plain_word(word: str) -> str:
    return re.sub(r"\s+", " ", word.replace("^", "").replace(".", " ")).strip()


def quantity(text: Any, kind: Kind) -> float:
    """A typed quantity in its bench unit.

    Raises InputError if the unit is missing, of another kind, or ambiguous, or the sign makes no sense.
    """
    plain = tidy(text, kind.name)
    before, sign, pairs = terms(re.sub(r"(?<=[a-z]) and (?=\d)", " ", plain), kind.name, kind.accepted)
    if before:
        raise InputError(f"{plain!r} is not a {kind.name}; accepted: {kind.accepted}")
    units = [known_unit(plain, word, kind) for _, word in pairs]
    sizes = [convert(1, unit, kind.bench) for unit in units]
    if len(pairs) > 1 and not (kind.compound and sizes == sorted(set(sizes), reverse=True)):
        raise InputError(f"{plain!r} is more than one value; give one {kind.name} ({kind.accepted})")
    if sign == "-" and not kind.signed:
        raise InputError(f"{plain!r} is below zero; a {kind.name} cannot be")
    total = sum(convert(value, unit, kind.bench) for (value, _), unit in zip(pairs, units, strict=True))
    return -total if sign == "-" else total


def known_unit(text: str, word: str, kind: Kind) -> str:
    """pint's name of the unit `word` of `text`; InputError says what to add or what is accepted."""
    unit = kind.unit(word)
    if unit is not None:
        return unit
    asked = kind.asks.get(_plain_word(word).lower())
    if asked:
        raise InputError(f"{text!r}: {asked}")
    if not word:
        raise InputError(f"{text!r} has no unit: add it ({kind.accepted})")
    raise InputError(f"{text!r}: {word!r} is not a unit of {kind.name}; accepted: {kind.accepted}")


def convert(value: float, unit: str, to: str) -> float:
    """A value from one pint unit to another of the same kind, without offsets."""
    return value * _factor(unit, to)


@cache
def _factor(unit: str, to: str) -> float:
    return float(registry().Quantity(1.0, unit).to(to).magnitude)


@cache
def registry() -> Any:
    """pint's unit registry, made on first use."""
    import pint

    return pint.UnitRegistry()
