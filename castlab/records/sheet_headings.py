"""What a heading says: its name and its unit, and the fields that makers mean by such a name."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Iterator
from functools import cache

from castlab.records.sheet_cells import check_unit, unit_kind
from castlab.records.sheet_words import SEVERAL, SYNONYMS, TARGETS

SIMILAR = 0.86
"""How alike (difflib ratio, 0 to 1) a heading must be to a known one to be proposed."""

_STOP = {"of", "the", "in", "at", "a", "for", "was", "it", "to", "used"}
_SPELLED = {
    "mould": "mold",
    "demould": "demold",
    "demoulded": "demolded",
    "temperature": "temp",
    "wt": "weight",
    "vac": "vacuum",
    "nr": "no",
    "number": "no",
    "#": "no",
    "mixing": "mix",
}
"""Spellings that are taken for one."""
SCALE = re.compile(r"\b(\d)\s*(?:-|–|to|\.\.)\s*(\d)\b")
"""A scale of grades in a heading (1-5)."""
_BASIS_WORD = re.compile(r"gauge|gage|abs|absolute|vacuum|vac", re.IGNORECASE)


def normal(text: str) -> str:
    """A heading in lower case, without accents and punctuation, its words spelled in one way."""
    plain = unicodedata.normalize("NFKD", text.replace("ß", "ss")).casefold()
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    return " ".join(_SPELLED.get(word, word) for word in re.sub(r"[^\w%°\"#/]+|_", " ", plain).split())


def splits(heading: str) -> Iterator[tuple[str, str | None]]:
    """Ways to take a heading apart into a name and a unit."""
    yield normal(heading), None
    rest = re.sub(r"[(\[][^)\]]*[)\]]", " ", heading)
    inside = heading_unit(heading)
    if rest != heading:
        yield normal(rest), inside
    if (unscaled := SCALE.sub(" ", rest)) != rest:
        yield normal(unscaled), None
    if inside and rest == heading:
        yield normal(_without_unit(heading)), inside
    bare = re.sub(r"\b(gauge|gage|abs|absolute)\b", " ", rest, flags=re.IGNORECASE)
    if bare != rest:
        yield normal(_without_unit(bare) if rest == heading else bare), inside


def heading_unit(heading: str) -> str | None:
    """The unit in a heading: in brackets, or its last words."""
    for text in re.findall(r"[(\[]([^)\]]*)[)\]]", heading):
        for part in (text, *re.split(r"[,;]", text)):
            if unit_kind(part.strip()):
                return _with_basis(part.strip(), heading)
    words = _last_words(heading)
    return _with_basis(" ".join(words), heading) if words else None


def _with_basis(unit: str, heading: str) -> str:
    said = re.search(r"\b(gauge|gage|absolute|abs)\b", heading, flags=re.IGNORECASE)
    if unit_kind(unit) == "_kpa" and said and check_unit("hold_kpa", unit):
        return f"{unit} {'abs' if said[1].lower().startswith('abs') else 'gauge'}"
    return unit


def _last_words(heading: str) -> list[str]:
    words = re.sub(r"[_,;:]+|(?<=\w)-(?=\w)", " ", heading).split()
    for count in (3, 2, 1):
        tail = words[-count:]
        if len(words) > count and not _BASIS_WORD.fullmatch(tail[0]) and unit_kind(" ".join(tail)):
            return tail
    return []


def _without_unit(heading: str) -> str:
    words = re.sub(r"[_,;:]+|(?<=\w)-(?=\w)", " ", heading).split()
    return " ".join(words[: len(words) - len(_last_words(heading))])


@cache
def _phrases() -> dict[str, list[str]]:
    """Normalised heading -> the fields it stands for."""
    found: dict[str, list[str]] = {}
    for field in TARGETS:
        for phrase in dict.fromkeys(map(normal, (*SYNONYMS[field].split("|"), field))):
            found.setdefault(phrase, []).append(field)
    for phrase, fields in SEVERAL.items():
        found[phrase] = list(fields)
    return found


def _alike(name: str, phrase: str) -> float:
    """How well a heading fits words that are known for a field, 0 to 0.95; 0 if not at all."""
    words, known = set(name.split()) - _STOP, set(phrase.split()) - _STOP
    if name == phrase:
        return 0.95
    if words and words == known:
        return 0.9
    if len(name) > 3 and difflib.SequenceMatcher(None, name, phrase).ratio() >= SIMILAR:
        return 0.8
    return 0.6 + 0.02 * len(known) if len(known) > 1 and known < words else 0.0


def named_own(name: str, own: Iterable[str]) -> tuple[float, str]:
    """The setting or grade of the shop's own that a name without unit fits best, and how well (0 = not at all).

    A name that the shop uses itself goes before a field that other makers may mean by it.
    """
    fits = [
        (score + 0.01, field)
        for field in own
        for phrase in {field, field.removesuffix("_grade")}
        if (score := _alike(name, normal(phrase)))
    ]
    return max(fits, default=(0.0, ""))


@cache
def named(name: str) -> list[tuple[float, str]]:
    """The fields a name without unit may mean, each with how well it fits (1 = the field's own name)."""
    best: dict[str, float] = {}
    words = set(name.split()) - _STOP
    for phrase, fields in _phrases().items():
        score = _alike(name, phrase)
        for field in fields if score else ():
            if (
                (place := field.split("_")[0]) in ("cup", "mold")
                and words & {"cup", "mold"} - {place}
                and place not in words
            ):
                continue  # "degas mold time" is not about the cup
            best[field] = max(best.get(field, 0.0), 1.0 if name == normal(field) else score)
    return [(score, field) for field, score in best.items()]


def likely_field(name: str) -> str | None:
    """The field that a name most likely means, or None."""
    fits = sorted(named(normal(name)), key=lambda fit: -fit[0])
    return fits[0][1] if fits else None
