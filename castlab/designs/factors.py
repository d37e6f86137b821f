"""What can be set at the bench: `Factor`, and combinations of settings that must not be cast."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from numbers import Real
from typing import Any

import numpy as np
import pandas as pd

from castlab import labels
from castlab.errors import InputError

ACCEPTED = (
    "accepted: a range (low, high), a list of at least two settings, Factor.on_off(name), or hold= for a factor that stays "
    "as it is"
)


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
        if not isinstance(name, str) or not name.strip():
            raise InputError(f"a factor's name is {name!r}; accepted: a text such as 'resin_c'")
        if hold is not None and (not pd.api.types.is_scalar(hold) or pd.isna(hold)):
            raise InputError(f"factor {name} is held at {hold!r}; accepted: one setting")
        settings, is_range = _read(name, low, high, hold)
        numeric = all(isinstance(v, Real) and not isinstance(v, bool) for v in settings)
        if hold is not None:
            _check_hold(name, hold, settings, numeric)
        for field, value in {
            "name": name, "settings": settings, "numeric": numeric, "is_range": is_range, "per_batch": bool(per_batch),
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
        if isinstance(given, str) or not isinstance(given, (Sequence, np.ndarray)):
            return cls(name, hold=given, per_batch=per_batch)
        numbers = [isinstance(v, Real) and not isinstance(v, bool) for v in given]
        if len(numbers) == 2 and all(numbers):
            return cls(name, *given, per_batch=per_batch)
        return cls(name, list(given), per_batch=per_batch)

    @property
    def varied(self) -> bool:
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
            except (TypeError, ValueError):
                raise InputError(f"factor {self.name} holds a value that is not a number") from None
            if not np.all(np.isfinite(read)):
                raise InputError(f"factor {self.name} holds a blank; leave out runs whose settings are not known")
            return (read - (low + high) / 2) / ((high - low) / 2)
        known = {str(v): k for k, v in enumerate(self.settings)}
        if set(known) == {"False", "True"}:
            known |= {"no": 0, "yes": 1, "0": 0, "1": 1}
        unknown = [v for v in values if str(v) not in known]
        if unknown:
            raise InputError(
                f"factor {self.name} has no setting {unknown[0]!r}; its settings: "
                f"{', '.join(labels.level(v) for v in self.settings)}"
            )
        return np.array([known[str(v)] for v in values])


def _read(name: str, low: Any, high: Any, hold: Any) -> tuple[tuple[Any, ...], bool]:
    if low is None and high is None:
        if hold is None:
            raise InputError(f"factor {name} has no settings; {ACCEPTED}")
        return (hold,), False
    if high is not None:
        ends = [low, high]
        if not all(isinstance(v, Real) and not isinstance(v, bool) and np.isfinite(float(v)) for v in ends):
            raise InputError(f"factor {name} runs from {low!r} to {high!r}; accepted: two numbers, low before high")
        if float(low) >= float(high):
            what = "has one setting" if float(low) == float(high) else "runs downwards"
            raise InputError(
                f"factor {name} {what} ({low:g} to {high:g}); accepted: low below high, "
                f"or Factor({name!r}, hold={low:g}) to hold it"
            )
        return (float(low), float(high)), True
    if isinstance(low, (str, bytes)) or not isinstance(low, (Sequence, np.ndarray, pd.Series, pd.Index)):
        raise InputError(f"factor {name} has one setting, {low!r}; {ACCEPTED} (Factor({name!r}, hold={low!r}))")
    given = [v.item() if isinstance(v, np.generic) else v for v in low]
    if not given:
        raise InputError(f"factor {name} has an empty list of settings; {ACCEPTED}")
    if len(given) == 1:
        raise InputError(
            f"factor {name} has one setting, {given[0]!r}, so its effect cannot be seen; {ACCEPTED} "
            f"(Factor({name!r}, hold={given[0]!r}))"
        )
    if any(v is None or (isinstance(v, float) and not np.isfinite(v)) for v in given):
        raise InputError(f"factor {name} has a blank among its settings; {ACCEPTED}")
    if len({str(v) for v in given}) < len(given):
        raise InputError(
            f"factor {name} names a setting twice: {', '.join(map(str, given))}; accepted: each setting once"
        )
    numbers = [isinstance(v, Real) and not isinstance(v, bool) for v in given]
    if any(numbers) and not all(numbers):
        raise InputError(
            f"factor {name} mixes numbers with other settings; accepted: all numbers, or all texts or yes/no"
        )
    return (tuple(sorted(float(v) for v in given)) if all(numbers) else tuple(given)), False


def _check_hold(name: str, hold: Any, settings: tuple[Any, ...], numeric: bool) -> None:
    if numeric and isinstance(hold, Real) and not isinstance(hold, bool):
        inside, accepted = settings[0] <= hold <= settings[-1], f"{settings[0]:g} to {settings[-1]:g}"
    else:
        inside, accepted = hold in settings, ", ".join(labels.level(v) for v in settings)
    if not inside:
        raise InputError(
            f"factor {name} is held at {hold!r}, outside its settings; accepted: {accepted}, or hold={hold!r} alone"
        )


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
    if not isinstance(rule, Mapping) or not rule:
        raise InputError(
            f"a forbidden combination is {rule!r}; accepted: factor -> setting, a list of settings, or for numbers a "
            "range (from, to), such as {'mold_vacuum': True, 'chamber': False}"
        )
    names = [f.name for f in factors]
    found = {}
    for name, what in rule.items():
        if name not in names:
            raise InputError(
                f"a forbidden combination names {name!r}, which is no factor; the factors: {', '.join(names)}"
            )
        place = names.index(name)
        found[place] = covered(factors[place], what, grids[place])
    return found


def covered(factor: Factor, what: Any, values: Sequence[Any]) -> np.ndarray:
    """Which of the values a forbidden combination means with `what`: a setting, a list of settings, or a range.

    Raises
    ------
    InputError
        For a setting that the factor does not have, or a range whose first number is not the smaller.
    """
    if factor.numeric and isinstance(what, tuple):
        if len(what) != 2 or not all(isinstance(v, Real) for v in what) or not what[0] <= what[1]:
            raise InputError(
                f"a forbidden combination holds {factor.name}: {what!r}; accepted: a range (from, to), the smaller first"
            )
        return np.array([what[0] <= float(v) <= what[1] for v in values], dtype=bool)
    return np.isin(np.round(factor.coded(values), 9), np.round(factor.coded(meant(what)), 9))


def in_words(rule: Mapping[str, Any], factors: Sequence[Factor]) -> str:
    """A forbidden combination: "mold vacuum yes with chamber no", "tilt 5 to 10 with pour method ladle"."""
    return " with ".join(
        f"{labels.name(f.name)} {_what(f, rule[f.name])}"
        for f in sorted((f for f in factors if f.name in rule), key=lambda f: list(rule).index(f.name))
    )


def _what(factor: Factor, what: Any) -> str:
    if factor.numeric:
        return (
            " to ".join(map(labels.level, what))
            if isinstance(what, tuple)
            else " or ".join(map(labels.level, meant(what)))
        )
    return " or ".join(labels.level(factor.settings[k]) for k in factor.coded(meant(what)))


def meant(what: Any) -> list[Any]:
    """The settings that a rule lists; a single one need not be in a list."""
    return list(what) if isinstance(what, (list, set, frozenset, np.ndarray, pd.Series)) else [what]
