"""Pumping a chamber down, and what a logged gauge says of the pump and of leaks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from castlab import cautions
from castlab.analysis.words import about
from castlab.bench.inputs import Array, Number, number, numbers, plain, rows
from castlab.bench.vacuum.limits import HIGHEST_BAROMETER_KPA, SEA_LEVEL_KPA
from castlab.errors import FitError, InputError
from castlab.results import Result


def pump_down_min(
    volume_l: Number,
    speed_l_min: Number,
    from_kpa: Number = SEA_LEVEL_KPA,
    to_kpa: Number = 3.0,
    base_kpa: Number = 0.0,
) -> float | Array:
    """Time to pump a chamber down, min: (V/S) ln((p0 - pb)/(p - pb)).

    Arguments
    ---------
    volume_l, speed_l_min
        Volume of the empty space, l, and effective pumping speed at the chamber, l/min. Numbers or arrays, like all below.
    from_kpa, to_kpa, base_kpa
        Start, end and base pressure, kPa absolute.

    Returns
    -------
    Minutes, a float or an array.

    Raises
    ------
    InputError
        If a value is out of range, or the end is not between the base and the start: it is never reached.

    Source: constant-speed pump-down, any vacuum textbook. Real pumps slow down near their base and vapour from the mix
    adds gas, so this is the least time.

    >>> round(pump_down_min(10, 50, 101.325, 3.0, 1.0), 2)
    0.78
    """
    v = numbers("volume_l", volume_l, 1e-3, 1e5, "l")
    s = numbers("speed_l_min", speed_l_min, 1e-3, 1e6, "l/min")
    p0 = numbers("from_kpa", from_kpa, 1e-4, HIGHEST_BAROMETER_KPA, "kPa absolute")
    p1 = numbers("to_kpa", to_kpa, 1e-5, HIGHEST_BAROMETER_KPA, "kPa absolute")
    pb = numbers("base_kpa", base_kpa, 0.0, HIGHEST_BAROMETER_KPA, "kPa absolute")
    given = rows(volume_l=v, speed_l_min=s, from_kpa=p0, to_kpa=p1, base_kpa=pb)
    unreached = given["to_kpa"] <= given["base_kpa"]
    if unreached.any():
        raise InputError(
            f"to_kpa {given['to_kpa'][unreached][0]:g} kPa is never reached with base_kpa "
            f"{given['base_kpa'][unreached][0]:g} kPa; accepted: an end pressure above the base"
        )
    if (given["to_kpa"] > given["from_kpa"]).any():
        raise InputError("to_kpa is above from_kpa; accepted: an end pressure at or below the start")
    return plain(np.asarray(v / s * np.log((p0 - pb) / (p1 - pb))))


@dataclass(frozen=True, kw_only=True)
class PumpFit(Result):
    """What a logged pump-down (and rise test) says of the pump and the chamber."""

    limit: Literal["pump", "leak", "vapour", "both", "unknown"]
    """What holds the base pressure up, or "unknown" where the data cannot tell."""
    speed_l_min: float
    base_kpa: float
    leak_kpa_l_min: float
    """Gas flow into the shut chamber; NaN without a rise test."""
    estimates: pd.DataFrame
    """quantity, estimate, low, high (95%), unit."""
    readings: pd.DataFrame
    """test ("pump-down" or "rise"), time_min, pressure_kpa, fitted_kpa."""

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"What the readings give": self.estimates}


def fit_pump(
    times_min: Number,
    pressures_kpa: Number,
    volume_l: float,
    *,
    rise_times_min: Number | None = None,
    rise_pressures_kpa: Number | None = None,
    nominal_l_min: float | None = None,
) -> PumpFit:
    """Effective speed, base pressure and leak from a logged series of gauge readings.

    Arguments
    ---------
    times_min, pressures_kpa
        Pump-down of the empty, dry chamber: at least 6 readings, kPa absolute. If the valve was shut at the end, the rise
        that follows the lowest reading is taken as the rise test.
    volume_l
        Volume of the chamber, l.
    rise_times_min, rise_pressures_kpa
        Rise test: readings after the valve to the pump was shut, at least 4. Only this tells a leak from a tired pump.
    nominal_l_min
        Speed on the pump's plate, l/min, to compare with.

    Returns
    -------
    PumpFit

    Raises
    ------
    InputError
        If a reading is out of range, the times do not increase or the lengths differ.
    FitError
        If the pressure does not fall, or the fit does not converge.

    Source: p = pb + (p0 - pb) exp(-S t/V) and Q = V dp/dt (vacuum textbooks); least squares with t intervals.

    >>> import numpy as np
    >>> t = np.arange(0, 6, 0.5)
    >>> p = 2 + 99 * np.exp(-40 / 20 * t) + 0.05 * np.cos(9 * t)
    >>> fit_pump(t, p, 20).limit
    'unknown'
    """
    volume = number("volume_l", volume_l, 0.01, 1e5, "l")
    t, p = _series("times_min", times_min, "pressures_kpa", pressures_kpa, least=6)
    notes = []
    if rise_times_min is None and (bottom := _turning_point(p)) is not None:
        rise_times_min, rise_pressures_kpa = t[bottom:], p[bottom:]
        notes.append(f"The readings rise from {t[bottom]:g} min on: taken as a rise test with the valve shut.")
        t, p = t[: bottom + 1], p[: bottom + 1]
    down = _fit_down(t, p)
    notes += down.notes
    speed, speed_low, speed_high = (volume * x for x in (down.rate, down.rate_low, down.rate_high))
    estimates = [
        ("effective speed", speed, speed_low, speed_high, "l/min"),
        ("base pressure", down.base, max(down.base - down.base_half, 0.0), down.base + down.base_half, "kPa"),
    ]
    readings = [pd.DataFrame({"test": "pump-down", "time_min": t, "pressure_kpa": p, "fitted_kpa": down.fitted})]
    base_text = f"base pressure {_pm(down.base, down.base_half)} kPa, effective speed {about(speed, 3)} l/min " + (
        f"({about(speed_low, 3)} to {about(speed_high, 3)})"
    )
    limit: Literal["pump", "leak", "vapour", "both", "unknown"]
    if rise_times_min is None or rise_pressures_kpa is None:
        limit, gas = "unknown", math.nan
        verdict = (
            f"The pump-down gives a {base_text}. It cannot tell a tired pump or oil from a leak: both only raise the base. "
            "Shut the valve at the base and log the rise for 5 to 10 min."
        )
    else:
        rt, rp = _series("rise_times_min", rise_times_min, "rise_pressures_kpa", rise_pressures_kpa, least=4)
        rise = _fit_rise(rt, rp)
        readings.append(pd.DataFrame({"test": "rise", "time_min": rt, "pressure_kpa": rp, "fitted_kpa": rise.fitted}))
        gas, gas_half = volume * rise.slope, volume * rise.half
        estimates.append(("gas flow in the shut chamber", gas, gas - gas_half, gas + gas_half, "kPa l/min"))
        held, half = rise.slope / down.rate, rise.half / down.rate
        estimates.append(("base pressure that this flow explains", held, max(held - half, 0.0), held + half, "kPa"))
        limit, verdict = _what_limits(base_text, down, held, half, rise.flattens)
    if nominal_l_min is not None:
        plate = number("nominal_l_min", nominal_l_min, 1e-3, 1e6, "l/min")
        verdict += (
            f" The speed is {100 * speed / plate:.0f}% of the plate's {plate:g} l/min; hoses and filters cost some."
        )
    notes.append(
        "A gauge that reads high or low by some kPa shows as base pressure: check it against the barometer when vented "
        "and against a second gauge."
    )
    return PumpFit(
        verdict=verdict,
        cautions=(*notes, *cautions.about("vacuum", "pump")),
        limit=limit,
        speed_l_min=speed,
        base_kpa=down.base,
        leak_kpa_l_min=gas,
        estimates=pd.DataFrame(estimates, columns=["quantity", "estimate", "low", "high", "unit"]),
        readings=pd.concat(readings, ignore_index=True),
    )


def _turning_point(p: Array) -> int | None:
    """Index of the lowest reading if a pump-down of at least 6 turns there into a clear rise of at least 4; else None."""
    bottom = int(p.argmin())
    down, up = p[: bottom + 1], p[bottom:]
    if len(down) < 6 or len(up) < 4:
        return None
    scatter = float(np.median(np.abs(np.diff(up) - np.median(np.diff(up)))))
    climbs = up[-1] - up[0] > 10 * scatter and up[-1] > 1.1 * up[0] and (np.diff(up) > 0).mean() > 0.75
    return bottom if climbs else None


def _what_limits(
    base_text: str, down: _Down, held: float, half: float, flattens: bool
) -> tuple[Literal["pump", "leak", "vapour", "both", "unknown"], str]:
    head = f"The pump-down gives a {base_text}; the rise explains {_pm(held, half)} kPa of that base"
    least = (held - half) / (down.base + down.base_half)
    most = (held + half) / max(down.base - down.base_half, 1e-9)
    if most < 0.4:
        return "pump", f"{head}. The pump or its oil is the limit: change the oil, then look at the pump."
    if least > 0.6 and flattens:
        return "vapour", (
            f"{head}, and the rise flattens out: moisture or vapour in the chamber rather than a leak. "
            "Dry and empty it, pump for a long while, and test again."
        )
    if least > 0.6:
        return "leak", f"{head}. The chamber leaks (or something in it keeps giving off gas): lid seal, valve, hose."
    if most - least < 0.4:
        return "both", f"{head}. Pump and chamber share the blame: seal first, it is cheaper, then the oil."
    return "unknown", f"{head}. The readings are too scattered to say which: log a longer rise with a finer gauge."


@dataclass(frozen=True)
class _Down:
    rate: float
    rate_low: float
    rate_high: float
    base: float
    base_half: float
    fitted: Array
    notes: tuple[str, ...]


def _fit_down(t: Array, p: Array) -> _Down:
    from scipy.optimize import curve_fit
    from scipy.stats import t as student

    if p[-1] > 0.8 * p[0]:
        raise FitError(
            f"the pressure falls only from {p[0]:g} to {p[-1]:g} kPa; a fit needs a pump-down that at least halves it"
        )

    def model(time: Array, start: float, log_rate: float, base: float) -> Array:
        return base + (start - base) * np.exp(-np.exp(log_rate) * time)

    time = t - t[0]
    floor = p.min()
    half_way = time[np.argmax(p <= (p[0] + floor) / 2)]
    guess = (p[0], np.log(np.log(2) / max(half_way, (time[-1]) / 50)), floor * 0.95)
    bounds = ([0.0, -12.0, 0.0], [2 * HIGHEST_BAROMETER_KPA, 12.0, max(p)])
    try:
        best, covariance = curve_fit(model, time, p, p0=guess, bounds=bounds)
    except RuntimeError:
        covariance = np.full((3, 3), np.inf)
    if not np.isfinite(covariance).all():
        raise FitError(
            "the pump-down fit does not converge; it needs readings from the start until the gauge stands still"
        )
    width = student.ppf(0.975, len(t) - 3) * np.sqrt(np.diag(covariance))
    fitted = model(time, *best)
    rate, base = float(np.exp(best[1])), float(best[2])
    notes = []
    if (fitted[-1] - base) > 0.03 * (fitted[0] - base):
        notes.append("The log ends before the gauge stands still: the base pressure is extrapolated. Log on.")
    residual = p - fitted
    if len(t) >= 8 and np.sum(residual**2) > 0 and np.sum(residual[1:] * residual[:-1]) > 0.5 * np.sum(residual**2):
        notes.append(
            "The readings bend away from a constant speed (pumps slow down near their base, or moisture boils off): the "
            "speed is an average and its interval too narrow."
        )
    return _Down(rate, rate * np.exp(-width[1]), rate * np.exp(width[1]), base, float(width[2]), fitted, tuple(notes))


@dataclass(frozen=True)
class _Rise:
    slope: float
    half: float
    flattens: bool
    fitted: Array


def _fit_rise(t: Array, p: Array) -> _Rise:
    """Gas flow at the base: the slope of a steady rise, or the first slope of one that flattens out."""
    import statsmodels.api as sm

    time = t - t[0]
    line = sm.OLS(p, np.column_stack([np.ones_like(time), time])).fit()
    if len(t) >= 6:
        bent = sm.OLS(p, np.column_stack([np.ones_like(time), time, time**2])).fit()
        last_slope = bent.params[1] + 2 * bent.params[2] * time[-1]
        if bent.conf_int()[2][1] < 0 and last_slope < bent.params[1] / 2 and (flat := _fit_flattening(time, p)):
            return flat
    low, high = line.conf_int()[1]
    return _Rise(float(line.params[1]), float(high - low) / 2, False, np.asarray(line.fittedvalues))


def _fit_flattening(time: Array, p: Array) -> _Rise | None:
    from scipy.optimize import curve_fit
    from scipy.stats import t as student

    def model(t: Array, start: float, slope: float, level: float) -> Array:
        return start + level * (1 - np.exp(-slope / level * t))

    level = max(float(p.max() - p[0]), 1e-6)
    guess = (p[0], 3 * level / time[-1], level)
    try:
        best, covariance = curve_fit(model, time, p, p0=guess, bounds=([0, 0, 1e-9], [200, 1e4, 1e3]))
    except RuntimeError:
        return None
    if not np.isfinite(covariance).all():
        return None
    half = student.ppf(0.975, len(p) - 3) * float(np.sqrt(covariance[1, 1]))
    return _Rise(float(best[1]), half, True, model(time, *best))


def _series(t_name: str, t: Number, p_name: str, p: Number, least: int) -> tuple[Array, Array]:
    time = numbers(t_name, t, 0.0, 1e5, "min")
    pressure = numbers(p_name, p, 0.0, HIGHEST_BAROMETER_KPA, "kPa absolute")
    if time.ndim != 1 or time.shape != pressure.shape or len(time) < least:
        raise InputError(
            f"{t_name} has shape {time.shape} and {p_name} {pressure.shape}; accepted: two lists of equal length, "
            f"at least {least} readings"
        )
    if (np.diff(time) <= 0).any():
        raise InputError(f"{t_name} does not increase from reading to reading; accepted: times in order")
    return time, pressure


def _pm(value: float, half: float) -> str:
    return f"{about(value, 3)} ({about(max(value - half, 0), 3)} to {about(value + half, 3)})"
