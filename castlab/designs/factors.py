"""What can be set at the bench: `Factor`, and combinations of settings that must not be cast."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.errors import InputError
from castlab.given import as_number, flag, shown

ACCEPTED = (
    "accepted: a range (low, high), a list of at least two settings (numbers, texts or yes/no), Factor.on_off(name), or "
    "hold= for a factor that stays as it is"
)
LONGEST, MOST_SETTINGS = 60, 100
"""Characters of a name, and settings of a list."""
APART = 1e-9
"""Numbers that differ by less than this share of them are one setting."""
BEYOND = 1e15
"""Numbers of settings are smaller than this."""


@dataclass(frozen=True, init=False)
class Factor:
    """One thing that can be set: a range, a list of settings, on or off, or held constant.

    Parameters
    ----------
    name : str
        As the logbook calls it, with its unit's suffix ("resin_c", "cup_degas_min").
    low, high : float
        Ends of the range that may be tried, in the unit of the name. Or, in place of `low`, a list of settings: numbers
        (a straight-line or bent effect over them) or levels without order (texts, yes/no).
    per_batch : bool
        Set once for each mixed cup, not for each casting.
    hold : optional
        Keep the factor at this setting in every run: it is written on the run list and its effect is not asked. Within the
        range or among the settings, where they are given too.

    Raises
    ------
    InputError
        For no settings, one setting, a range without width, settings that repeat or mix numbers with texts, or a factor
        held outside its own.

    Examples
    --------
    >>> Factor("resin_c", 22, 32, per_batch=True).settings
    (22.0, 32.0)
    >>> Factor("pour", ["stream", "ladle"]).numeric
    False
    >>> Factor.on_off("mold_vacuum").settings
    (False, True)
    """

    name: str
    settings: tuple[Any, ...]
    """Ends of a range, or the settings in order (numbers ascending)."""
    numeric: bool
    is_range: bool
    per_batch: bool
    hold: Any

    def __init__(
        self,
        name: str,
        low: float | Sequence[Any] | None = None,
        high: float | None = None,
        *,
        per_batch: bool = False,
        hold: Any = None,
    ) -> None:
        if not isinstance(name, str) or not 0 < len(name) <= LONGEST or name != name.strip() or not name.isprintable():
            raise InputError(
                f"a factor's name is {shown(name)}; accepted: a plain text such as 'resin_c' of up to {LONGEST} characters, "
                "without blanks at its ends"
            )
        if hold is not None:
            read = _setting(hold)
            if read is None:
                raise InputError(
                    f"factor {name} is held at {shown(hold)}; accepted: one setting, a number, text or yes/no"
                )
            hold = read
        settings, is_range = _read(name, low, high, hold)
        numeric = not any(isinstance(v, (bool, str)) for v in settings)
        if hold is not None:
            _check_hold(name, hold, settings, numeric)
        for field, value in {
            "name": name, "settings": settings, "numeric": numeric, "is_range": is_range,
            "per_batch": flag(f"per_batch of factor {name}", per_batch),
            "hold": hold,
        }.items():  # fmt: skip
            object.__setattr__(self, field, value)

    @classmethod
    def on_off(cls, name: str, *, per_batch: bool = False) -> Factor:
        """A factor that is either done or not done: settings no (False) and yes (True)."""
        return cls(name, [False, True], per_batch=per_batch)

    @classmethod
    def of(cls, name: str, given: Any, *, per_batch: bool = False) -> Factor:
        """A factor as parameters of a notebook give it: two numbers are a range, one value alone is held.

        Parameters
        ----------
        name : str
        given
            [low, high] of a range; a list of three or more numbers, of texts, or of yes and no (True, False); or one value
            that stays as it is.
        per_batch : bool

        Examples
        --------
        >>> Factor.of("resin_c", [22, 32]).is_range, Factor.of("cure_h", 24).hold
        (True, 24)
        """
        if isinstance(given, Factor):
            return given
        if not _is_list(given):
            return cls(name, hold=given, per_batch=per_batch)
        if len(given) == 2 and all(as_number(v) is not None for v in given):
            return cls(name, *given, per_batch=per_batch)
        return cls(name, list(given), per_batch=per_batch)

    @property
    def varied(self) -> bool:
        """Whether it changes; else it is held at one setting."""
        return self.hold is None

    @property
    def two_settings(self) -> bool:
        """Whether two settings are all that a straight-line effect needs."""
        return self.numeric or len(self.settings) == 2

    def grid(self, bend: bool) -> tuple[Any, ...]:
        """The settings that a plan may use: the ends of a range, and its middle where a bend is asked for."""
        if not self.numeric:
            return self.settings
        if self.is_range:
            low, high = self.settings
            return (low, (low + high) / 2, high) if bend else (low, high)
        return self.settings if bend else (self.settings[0], self.settings[-1])

    def bends(self) -> bool:
        """Whether its settings can show a bend: numbers, at least three."""
        return self.numeric and (self.is_range or len(self.settings) > 2)

    def coded(self, values: Sequence[Any]) -> np.ndarray:
        """Numbers from -1 (lowest) to 1 (highest), or the position of each level.

        Raises
        ------
        InputError
            For a value that is no number, or no level of the factor.
        """
        if self.numeric:
            low, high = float(self.settings[0]), float(self.settings[-1])
            try:
                read = np.array([float(v) for v in values])
            except (TypeError, ValueError, OverflowError):
                raise InputError(f"factor {self.name} holds a value that is not a number") from None
            if not np.all(np.isfinite(read)):
                raise InputError(f"factor {self.name} holds a blank; leave out runs whose settings are not known")
            return (read - (low + high) / 2) / ((high - low) / 2)
        known = {str(v): k for k, v in enumerate(self.settings)}
        if set(known) == {"False", "True"}:
            known |= {"no": 0, "yes": 1, "0": 0, "1": 1}
        names = [v if isinstance(v, str) else shown(v) for v in values]
        unknown = [v for v, name in zip(values, names, strict=True) if name not in known]
        if unknown:
            raise InputError(
                f"factor {self.name} has no setting {shown(unknown[0])}; its settings: "
                f"{', '.join(labels.level(v) for v in self.settings)}"
            )
        return np.array([known[name] for name in names])


def _is_list(value: Any) -> bool:
    ordered = isinstance(value, (Sequence, np.ndarray, pd.Series, pd.Index)) and not isinstance(value, (str, bytes))
    return ordered and getattr(value, "shape", None) != ()


def _setting(value: Any) -> Any:
    """A number, a text or yes/no as Python writes it; None for anything else, a blank among them."""
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, str):
        return str(value) if value.strip() and value.isprintable() else None
    number = as_number(value)
    if number is None or not np.isfinite(number):
        return None
    return int(value) if isinstance(value, (int, np.integer)) else number


def _read(name: str, low: Any, high: Any, hold: Any) -> tuple[tuple[Any, ...], bool]:
    if low is None and high is None:
        if hold is None:
            raise InputError(f"factor {name} has no settings; {ACCEPTED}")
        return (hold,), False
    if high is not None:
        return _read_range(name, low, high), True
    if not _is_list(low):
        if _setting(low) is None:
            raise InputError(f"factor {name} has {shown(low)} for settings; {ACCEPTED}")
        raise InputError(
            f"factor {name} has one setting, {shown(low)}; {ACCEPTED} (Factor({name!r}, hold={shown(low)}))"
        )
    return _read_list(name, list(low)), False


def _read_range(name: str, low: Any, high: Any) -> tuple[float, float]:
    first, last = as_number(low), as_number(high)
    if first is None or last is None or not (abs(first) < BEYOND and abs(last) < BEYOND):
        raise InputError(
            f"factor {name} runs from {shown(low)} to {shown(high)}; accepted: two numbers, low before high"
        )
    if first > last:
        raise InputError(f"factor {name} runs downwards ({first:g} to {last:g}); accepted: low below high")
    if _alike(first, last):
        raise InputError(
            f"factor {name} has one setting ({first:g} to {last:g}); accepted: low below high, "
            f"or Factor({name!r}, hold={first:g}) to hold it"
        )
    return first, last


def _read_list(name: str, given: list[Any]) -> tuple[Any, ...]:
    if not given:
        raise InputError(f"factor {name} has an empty list of settings; {ACCEPTED}")
    if len(given) > MOST_SETTINGS:
        raise InputError(f"factor {name} has a list of {len(given)} settings; accepted: up to {MOST_SETTINGS} settings")
    read = [_setting(v) for v in given]
    if None in read:
        stray = given[read.index(None)]
        number = as_number(stray)
        blank = stray in (None, "") if isinstance(stray, (str, type(None))) else stray is pd.NA or stray is pd.NaT
        blank = blank or (number is not None and not isinstance(stray, int) and np.isnan(number))
        raise InputError(f"factor {name} has {'a blank' if blank else shown(stray)} among its settings; {ACCEPTED}")
    if len(read) == 1:
        raise InputError(
            f"factor {name} has one setting, {read[0]!r}, so its effect cannot be seen; {ACCEPTED} "
            f"(Factor({name!r}, hold={read[0]!r}))"
        )
    numbers = [not isinstance(v, (bool, str)) for v in read]
    if any(numbers) and not all(numbers):
        raise InputError(
            f"factor {name} mixes numbers with other settings; accepted: all numbers, or all texts or yes/no"
        )
    settings = sorted(float(v) for v in read) if all(numbers) else read
    if all(numbers):
        twice = any(_alike(a, b) for a, b in pairwise(settings))
    else:
        twice = len({unicodedata.normalize("NFC", labels.level(v).strip()) for v in settings}) < len(settings)
    if twice:
        raise InputError(f"factor {name} names a setting twice: {shown(given)}; accepted: each setting once")
    return tuple(settings)


def _alike(first: float, last: float) -> bool:
    return last - first <= APART * max(abs(first), abs(last))


def _check_hold(name: str, hold: Any, settings: tuple[Any, ...], numeric: bool) -> None:
    if numeric:
        inside = not isinstance(hold, (bool, str)) and settings[0] <= hold <= settings[-1]
        accepted = f"{settings[0]:g} to {settings[-1]:g}"
    else:
        inside, accepted = any(_same(hold, v) for v in settings), ", ".join(labels.level(v) for v in settings)
    if not inside:
        raise InputError(
            f"factor {name} is held at {shown(hold)}, outside its settings; accepted: {accepted}, or hold={shown(hold)} alone"
        )


def _same(one: Any, other: Any) -> bool:
    """Whether `one` says the setting `other`, also where yes and no are written out or as 1 and 0."""
    if isinstance(other, bool) and not isinstance(one, (bool, str)):
        return bool(one == other)
    return labels.level(other) == labels.level(one) or str(other) == str(one)


def forbidden(
    rule: Mapping[str, Any], factors: Sequence[Factor], grids: Sequence[tuple[Any, ...]]
) -> dict[int, np.ndarray]:
    """Position of each factor in the rule -> which of its grid's settings the rule covers.

    Raises
    ------
    InputError
        For a rule that names no factor, an unknown one, a setting that the factor does not have, or a range whose first
        number is not the smaller.
    """
    names = [f.name for f in factors]
    found = {}
    for name, what in rule.items():
        if name not in names:
            raise InputError(
                f"a forbidden combination names {shown(name)}, which is no factor; the factors: {', '.join(names)}"
            )
        at = names.index(name)
        found[at] = covered(factors[at], what, grids[at])
    return found


def covered(factor: Factor, what: Any, values: Sequence[Any]) -> np.ndarray:
    """Which of the values a forbidden combination means with `what`: a setting, a list of settings, or a range.

    Raises
    ------
    InputError
        For a range whose first number is not the smaller, or what is no setting at all.
    """
    told = f"a forbidden combination holds {factor.name}: {shown(what)}"
    if factor.numeric and isinstance(what, tuple):
        ends = [as_number(v) for v in what]
        if len(ends) != 2 or ends[0] is None or ends[1] is None or not ends[0] <= ends[1]:
            raise InputError(f"{told}; accepted: a range (from, to), the smaller first")
        return np.array([ends[0] <= float(v) <= ends[1] for v in values], dtype=bool)
    given = meant(what)
    wanted = [w for w in map(_setting, given) if w is not None]
    short = not wanted or len(wanted) < len(given)
    if factor.numeric:
        if short or any(isinstance(w, (bool, str)) for w in wanted):
            raise InputError(f"{told}; accepted: a number, a list of numbers, or a range (from, to)")
        return np.array([any(np.isclose(float(v), w, rtol=APART) for w in wanted) for v in values], dtype=bool)
    known = (False, True) if isinstance(factor.settings[0], bool) else factor.settings
    alone = len(known) == 1  # a level that is held: others need not be known
    stray = next(
        (v for v in given if _setting(v) is None or not (alone or any(_same(_setting(v), k) for k in known))), None
    )
    if short or stray is not None:
        raise InputError(
            f"a forbidden combination asks for what is not there: factor {factor.name} has no setting {shown(stray)}; "
            f"its settings: {', '.join(labels.level(v) for v in known)}"
        )
    if alone:
        return np.array([any(_same(w, v) for w in wanted) for v in values], dtype=bool)
    return np.array(
        [any(_same(w, known[k]) for w in wanted) for k in Factor(factor.name, known).coded(values)], dtype=bool
    )


def in_words(rule: Mapping[str, Any], factors: Sequence[Factor]) -> str:
    """A forbidden combination: "mold vacuum yes with chamber no", "tilt 5 to 10 with pour method ladle"."""
    return " with ".join(
        f"{labels.name(f.name)} {_what(f, rule[f.name])}"
        for f in sorted((f for f in factors if f.name in rule), key=lambda f: list(rule).index(f.name))
    )


def _what(factor: Factor, what: Any) -> str:
    if factor.numeric:
        return (
            " to ".join(labels.level(as_number(v)) for v in what)
            if isinstance(what, tuple)
            else " or ".join(labels.level(as_number(v)) for v in meant(what))
        )
    return " or ".join(labels.level(v) for v in factor.settings if any(_same(w, v) for w in meant(what)))


def meant(what: Any) -> list[Any]:
    """The settings that a rule lists; a single one need not be in a list."""
    several = isinstance(what, (list, set, frozenset)) or (
        isinstance(what, (np.ndarray, pd.Series)) and len(what.shape) == 1
    )
    return list(what) if several else [what]
