"""How clear a casting is: the contrast of printed bars seen through it against the same bars seen directly, and its tint.

Contrast is that of the fundamental wave of the bars, amplitude over mean, in linear light; its share that is left by
line pairs per mm is the contrast transfer. A blur of standard deviation s leaves exp(-2 pi^2 s^2 f^2), a veil of light
v over a mean m leaves m / (m + v) at every frequency. Amplitudes are freed of the bias of noise (mean square of the
residual times 2 / points, times 2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from castlab.errors import FitError, InputError
from castlab.given import whole
from castlab.results import Result
from castlab.scoring import colour, pictures
from castlab.scoring.barring import Seen, from_sheet
from castlab.scoring.own_bars import from_tiles
from castlab.scoring.printed import Sheet, clarity_target

RESAMPLES = 2000
_MOST = 1.05
"""Share of contrast left above which, its whole interval, the photos cannot be what they are said to be."""
_BURNT_SHARE = 0.02
RESOLVED = 0.15
"""Contrast below which the camera itself is said not to resolve the bars seen directly, as a share of the clearest
(castlab's own bound)."""
_GRADES = ((0.9, "clear"), (0.6, "a little dull"), (0.3, "hazy or blurred"), (-1.0, "barely to be seen through"))
"""Mean transfer from which it is called so (castlab's own words, no standard)."""
_PHONE = (
    "A phone chooses exposure, tone curve, sharpening and white balance by itself: lock them, and compare only castings "
    "photographed with the same camera, light, distance and print."
)
_REPEAT = (
    "The interval holds for these photos: it says how much the bars differ from place to place, not how much another focus, "
    "light or placing would change. Repeat the photos to see that."
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Clarity(Result):
    """How much of the bars' contrast a casting leaves, and what colour it adds.

    `transfer`: the summary, mean share of contrast left over the bars that the camera itself resolves, with 95% interval
    `low`, `high`. `half_lp_mm`: line pairs per mm at which half is left; None where it stays above. `bars`: one row per
    frequency (lp_mm, direct, through, transfer, low, high, resolved). `tint`: colour difference CIEDE2000 of white
    paper seen through and directly, None without white patches; `yellowness`: what the casting adds to the index
    ASTM E313. `colours`: Lab and yellowness of both.
    """

    transfer: float
    low: float
    high: float
    half_lp_mm: float | None
    bars: pd.DataFrame
    mm_per_pixel: float
    tint: float | None = None
    yellowness: float | None = None
    colours: pd.DataFrame = field(default_factory=pd.DataFrame)

    def tables(self) -> dict[str, pd.DataFrame]:
        told = self.bars.rename(columns={"lp_mm": "line pairs per mm"}).round(3)
        return {"Contrast by bars": told} | (
            {"Colour of white paper": self.colours.round(1)} if len(self.colours) else {}
        )


def clarity(
    through: Any,
    direct: Any = None,
    *,
    target: Sheet | None = None,
    mm_per_pixel: float | None = None,
    region: Sequence[float] | None = None,
    direct_region: Sequence[float] | None = None,
    white_lab: tuple[float, float, float] = colour.WHITE_LAB,
    seed: int = 1,
) -> Clarity:
    """How clear a casting is, from bars seen through it and the same bars seen directly.

    Parameters
    ----------
    through
        Photo (as `count_bubbles` takes it) of the printed target with the casting on its left bars; or, with
        `mm_per_pixel`, of upright bars of your own seen through the casting.
    direct
        Photo of the same bars bare, same camera and place. None: the bare bars beside the casting in the same photo.
    target : Sheet, optional
        The target that was printed; None: `clarity_target()`.
    mm_per_pixel : float, optional
        For bars of your own: scale of both photos, which must then show the same bars in the same place.
    region, direct_region : (x, y, width, height), optional
        For bars of your own: where they are in each photo, pixels, equally large. With `direct` None both are taken from the
        one photo.
    white_lab : (L, a, b)
        Colour of the paper if it was measured; else colours are relative to it.
    seed : int
        Of the bootstrap over patches of bars.

    Returns
    -------
    Clarity
        `.transfer` with `.low`, `.high`; `.half_lp_mm`, `.bars`, `.tint`, `.yellowness`, `.colours`, `.verdict`.

    Raises
    ------
    InputError
        If a photo cannot be read, or the target or bars are not found in it.
    FitError
        If the camera resolves fewer than two of the frequencies even directly.
    """
    if target is not None and not isinstance(target, Sheet):
        raise InputError(f"target is {target!r}; accepted: the sheet that was printed, clarity_target(...)")
    white_lab = _white(white_lab)
    one = pictures.read_colours(through)
    other = one if direct is None else pictures.read_colours(direct)
    if mm_per_pixel is not None:
        if direct is None and (region is None or direct_region is None):
            raise InputError(
                "one photo only: give region= and direct_region=, where the bars are seen through and directly"
            )
        seen = from_tiles(one, other, mm_per_pixel, region, direct_region)
    else:
        if region is not None or direct_region is not None:
            raise InputError("region is for bars of your own: give their scale too, mm_per_pixel=")
        seen = from_sheet(one, None if direct is None else other, clarity_target() if target is None else target)
    bars, transfer, low, high = _transfer(seen, seed)
    half = _half(bars)
    tint, yellow, colours, said = _tint(seen, white_lab)
    resolved = int(bars["resolved"].sum())
    doubt = _doubt(low, seen.burnt)
    cautions = [_PHONE, _REPEAT, *seen.cautions, *said, *doubt]
    if resolved < len(bars):
        finest = bars.loc[bars["resolved"], "lp_mm"].max()
        cautions.append(f"The camera resolves bars up to {finest:.2g} line pairs per mm; finer ones are left out.")
    return Clarity(
        verdict=_verdict(transfer, low, high, resolved, half, tint, yellow, bool(doubt)),
        cautions=tuple(cautions),
        transfer=transfer, low=low, high=high, half_lp_mm=half, bars=bars, mm_per_pixel=seen.mm_per_pixel,
        tint=tint, yellowness=yellow, colours=colours,
    )  # fmt: skip


def _white(white_lab: Any) -> tuple[float, float, float]:
    try:
        level, red, yellow = (float(value) for value in white_lab)
    except (TypeError, ValueError):
        level = red = yellow = float("nan")
    if not (0 < level <= 100 and np.isfinite([red, yellow]).all()):
        raise InputError(f"white_lab is {white_lab!r}; accepted: (L, a, b) of the paper, L above 0 and up to 100")
    return level, red, yellow


def _doubt(low: float, burnt: float) -> list[str]:
    """Why the share of contrast that is left is not to be trusted."""
    said = []
    if low > _MOST:
        said.append(
            "More contrast through the casting than directly is not possible: the photos or regions are swapped, the casting lies "
            "on the right bars instead of the left, or one of them is overexposed or out of focus."
        )
    if burnt > _BURNT_SHARE:
        said.append(
            f"{burnt:.0%} of the white paper is burnt out: that lowers the contrast seen directly more than that through the "
            "casting, so the share left is too high. Expose less and photograph again."
        )
    return said


def _transfer(seen: Seen, seed: int) -> tuple[pd.DataFrame, float, float, float]:
    rng = np.random.default_rng(whole("seed", seed, 0))
    clearest = max(float(np.mean(patches)) for patches in seen.direct.values())
    rows, every, point = [], [], []
    for frequency in sorted(seen.direct):
        bare, cast = seen.direct[frequency], seen.through[frequency]
        middle = float(np.mean(bare))
        resolved = middle >= RESOLVED * clearest and frequency * seen.mm_per_pixel <= 0.4
        row = {"lp_mm": frequency, "direct": middle, "through": float(np.mean(cast)), "resolved": resolved}
        if resolved:
            number = max(len(bare), len(cast))
            some = [part[rng.integers(0, len(part), (RESAMPLES, len(part)))].mean(axis=1) for part in (cast, bare)]
            ratios = some[0] / some[1]
            row["transfer"] = row["through"] / middle
            row["low"], row["high"] = np.quantile(ratios, [0.025, 0.975]) if number > 1 else (np.nan, np.nan)
            every.append(ratios)
            point.append(row["transfer"])
        rows.append(row)
    if len(point) < 2:
        raise FitError(
            f"seen directly, the camera resolves {len(point)} of {len(rows)} sets of bars: go nearer, focus on the bars, "
            "or print coarser ones; nothing can be said about the casting"
        )
    low, high = np.quantile(np.mean(every, axis=0), [0.025, 0.975])
    columns = ["lp_mm", "direct", "through", "transfer", "low", "high", "resolved"]
    return pd.DataFrame(rows, columns=columns), float(np.mean(point)), float(low), float(high)


def _half(bars: pd.DataFrame) -> float | None:
    """Where the transfer first falls through a half, between two sets of bars in proportion."""
    some = bars[bars["resolved"]]
    lp, left = some["lp_mm"].to_numpy(), some["transfer"].to_numpy()
    if left[0] < 0.5:
        return None
    below = np.flatnonzero(left < 0.5)
    if not len(below):
        return None
    k = int(below[0])
    return float(lp[k - 1] + (left[k - 1] - 0.5) / (left[k - 1] - left[k]) * (lp[k] - lp[k - 1]))


def _tint(
    seen: Seen, white_lab: tuple[float, float, float]
) -> tuple[float | None, float | None, pd.DataFrame, list[str]]:
    if seen.white_through is None or seen.white_direct is None:
        return None, None, pd.DataFrame(), []
    if seen.burnt > _BURNT_SHARE:
        burnt = f"{seen.burnt:.0%} of the white paper is burnt out: no colour is given. Expose less."
        return None, None, pd.DataFrame(), [burnt]
    both = [colour.balanced(patch, 1.0, white_lab) for patch in (seen.white_through, seen.white_direct)]
    labs = [colour.lab(xyz) for xyz in both]
    yellow = [float(colour.yellowness(xyz)) for xyz in both]
    table = pd.DataFrame(labs, columns=["L*", "a*", "b*"])
    table.insert(0, "seen", ["through the casting", "directly"])
    table["yellowness"] = yellow
    said = []
    if tuple(white_lab) == colour.WHITE_LAB:
        said.append("Colours are relative to the bare paper, which is called white; give white_lab if it was measured.")
    said.append("Light passes the casting on its way in and out: the tint is about that of twice its thickness.")
    return float(colour.difference(labs[0], labs[1])), yellow[0] - yellow[1], table, said


def _verdict(
    transfer: float,
    low: float,
    high: float,
    resolved: int,
    half: float | None,
    tint: float | None,
    yellow: float | None,
    doubtful: bool,
) -> str:
    grade = next(words for bound, words in _GRADES if transfer >= bound)
    if doubtful:
        grade = "not possible, see the cautions" if low > _MOST else "not to be trusted, see the cautions"
    digits = 0 if high - low > 0.02 else 1
    text = (
        f"The casting leaves {transfer:.{digits}%} of the bars' contrast (95% interval {low:.{digits}%} to {high:.{digits}%}; mean over "
        f"{resolved} sets of bars that the camera resolves): {grade}."
    )
    if half is not None:
        text += f" Half is left at {half:.2g} line pairs per mm."
    if tint is not None and yellow is not None:
        way = (
            f"{abs(yellow):.1f} {'yellower' if yellow > 0 else 'less yellow'}" if abs(yellow) >= 0.05 else "no yellower"
        )
        text += f" Tint: colour difference {tint:.1f} (CIEDE2000), {way} (ASTM E313)."
    return text
