"""Contrast of upright bars, patch by patch, on a photo of the printed target: directly and through a casting."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from castlab.errors import InputError
from castlab.scoring import colour, magnified
from castlab.scoring.locating import Located, inside, locate
from castlab.scoring.magnified import Look
from castlab.scoring.printed import NARROWEST_MM, WIDEST_MM, Box, Field, Sheet, Strip, clarity_target

LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
"""Of linear sRGB (IEC 61966-2-1)."""
LENS = 0.06
"""Change of size from which a casting is said to act as a lens; a flat one of 30 mm shows 3%, seen from 300 mm."""
_NEARER = 0.05
"""Share by which bars may lie nearer than those they are compared with before it is said (castlab's own bound)."""
_PATCHES = 8
_BURNT = 0.99
_AS_PRINTED = Look(1.0, (0.0, 0.0), 1.0, 1.0)
_NEAR_THROUGH, _NEAR_DIRECT = np.linspace(0.97, 1.03, 25), np.linspace(0.99, 1.01, 9)
"""Sizes about the one that was found, at which each set of bars is sought: the rim of a lens magnifies otherwise."""
_ALIKE_DIRECT, _ALIKE_THROUGH = 0.75, 0.45
"""Least likeness of bars to their drawing (castlab's own bounds: rendered bars of a field 2 mm wider or narrower stay below
0.75, strong blur leaves 0.65, and bars beyond the sizes sought 0.35)."""
_BETTER = 0.02
"""So much more like bars of another width may bare bars be (castlab's own bound: on a sheet that bulges by 5 mm the right
width stays the likest)."""
_VEILED = 0.35
"""Spread of the light, as a share of that seen directly, below which there is nothing to be seen through the casting."""
_WHOLE, _FEWEST_PAIRS = 0.5, 2.0
"""Share of the height of a set of bars or of a patch, and pairs of bars, that must be seen."""


@dataclass(frozen=True)
class Seen:
    """Contrast of the bars by line pairs per mm, one value per patch; linear colours of white paper relative to bare
    paper about it; share of white that is burnt out."""

    direct: dict[float, np.ndarray]
    through: dict[float, np.ndarray]
    mm_per_pixel: float
    white_direct: np.ndarray | None = None
    white_through: np.ndarray | None = None
    burnt: float = 0.0
    cautions: list[str] = field(default_factory=list)


def from_sheet(through: np.ndarray, direct: np.ndarray | None, target: Sheet) -> Seen:
    """Measure the printed target: the casting lies on its first bars; bare are the second, or the first of another photo.

    Raises
    ------
    InputError
        If the target or its bars are not found in a photo.
    """
    if not target.fields:
        raise InputError("this sheet has no bars; accepted: clarity_target()")
    first = _Photo(through, target)
    second = first if direct is None else _Photo(direct, target)
    which = 1 if direct is None else 0
    cast, bare = target.fields[0], target.fields[which]
    plain = second.look(bare)
    if plain.alike < max(_ALIKE_DIRECT, _beside(second, bare, which) - _BETTER):
        raise InputError(f"the bare bars do not lie as on this sheet; {_advice(second, which)}")
    seen = _through(first, cast, plain.spread)
    found: dict[str, dict[float, np.ndarray]] = {"direct": {}, "through": {}}
    for strip, other in zip(cast.strips, bare.strips, strict=True):
        contrasts = first.contrast(strip, cast, seen, _NEAR_THROUGH)
        whole = second.contrast(other, bare, _AS_PRINTED, _NEAR_DIRECT)
        if contrasts is not None and whole is not None:
            found["through"][strip.frequency], found["direct"][strip.frequency] = contrasts, whole
    cautions = []
    if first.located.residual_mm > 0.25 or second.located.residual_mm > 0.25:
        cautions.append(
            "The printed target is bent or blurred, or the lens distorts: lay it flat, focus, and photograph from farther away."
        )
    nearer = first.pixels_per_mm(cast) / second.pixels_per_mm(bare)
    if abs(nearer - 1) > _NEARER:
        cautions.append(
            f"The bars under the casting lie {abs(nearer - 1):.0%} {'nearer' if nearer > 1 else 'farther'} than the bare ones, by a "
            "slanted camera or another distance; this is corrected as for a plain blur of the camera. Hold it straight above."
        )
    if len(found["direct"]) < len(cast.strips):
        cautions.append(
            f"{len(cast.strips) - len(found['direct'])} of {len(cast.strips)} sets of bars are not seen through the casting as a "
            "whole and are left out."
        )
    white = clipped(seen.seen_at(cast.white, cast), cast)
    white_direct, burnt = second.white(bare.white)
    white_through = None
    if white[3] >= _WHOLE * seen.size * cast.white[3]:
        white_through, burnt_through = first.white(white)
        burnt = max(burnt, burnt_through)
    else:
        cautions.append("The white patch is not seen through the casting: no tint is told.")
    return Seen(
        found["direct"], at_one_size(found["through"], found["direct"], seen.size * nearer), first.located.mm_per_pixel, white_direct,
        white_through, burnt, [*cautions, *lens(seen.size)],
    )  # fmt: skip


def at_one_size(
    through: dict[float, np.ndarray], direct: dict[float, np.ndarray], size: float
) -> dict[float, np.ndarray]:
    """Contrasts through the casting as the camera would show them without the change of size: it shows fine bars duller.
    `size`: how much larger they look in the photo, through a lens or from nearer."""
    known = np.array(sorted(direct))
    camera = np.log([max(float(np.mean(direct[frequency])), 1e-6) for frequency in known])
    last = min(0.0, float(np.diff(camera[-2:])[0] / np.diff(known[-2:] ** 2)[0])) if len(known) > 1 else 0.0

    def shown(frequency: float) -> float:  # between the bars as a blur falls off: its logarithm with the square
        beyond = last * max(0.0, frequency**2 - known[-1] ** 2)
        return float(np.exp(np.interp(frequency**2, known**2, camera) + beyond))

    return {frequency: values * shown(frequency) / shown(frequency / size) for frequency, values in through.items()}


def lens(size: float) -> list[str]:
    """A caution where bars look larger or smaller than a flat casting shows them."""
    if abs(size - 1) <= LENS:
        return []
    way = "larger" if size > 1 else "smaller"
    return [
        f"The casting makes the bars look {abs(size - 1):.0%} {way}, as a lens does. The contrast is set against that of bars which "
        "look as fine directly; a flat casting of the same batch tells more surely how clear the resin is."
    ]


def _through(photo: _Photo, cast: Field, direct_spread: float) -> Look:
    """How the bars look through the casting; as printed where next to nothing is seen."""
    seen = photo.look(cast, magnified.SMALLEST, magnified.LARGEST)
    if seen.alike >= _ALIKE_THROUGH:
        return seen
    if seen.spread < _VEILED * direct_spread:
        return _AS_PRINTED
    raise InputError(
        f"the bars are not recognised through the casting at {magnified.SMALLEST:g} to {magnified.LARGEST:g} times their size: "
        "it is a strong lens, it hides them (an insert, glare, a shadow), or it does not lie on the left bars; photograph a "
        "flat, empty part of it"
    )


def _beside(photo: _Photo, bare: Field, which: int) -> float:
    """How alike bare bars are to those of a field 1 mm narrower or wider, at best."""
    widths = [mm for mm in (bare.box[2] - 1, bare.box[2] + 1) if NARROWEST_MM <= mm <= WIDEST_MM]
    return max(photo.look(clarity_target(field_mm=mm).fields[which]).alike for mm in widths)


def _advice(photo: _Photo, which: int) -> str:
    """Which width of field lies there, if one does."""
    likeness = {
        mm: photo.look(clarity_target(field_mm=mm).fields[which]).alike
        for mm in range(int(NARROWEST_MM), int(WIDEST_MM) + 1)
    }
    best = max(likeness, key=likeness.__getitem__)
    if likeness[best] < _ALIKE_DIRECT:
        return "leave them bare, evenly lit and in focus, and give target= the sheet that was printed"
    return f"they are {best} mm wide: give target=clarity_target(field_mm={best})"


def clipped(box: Box, cast: Field) -> Box:
    """The part of a box that the casting covers, up to the dashed line."""
    x, y, width, height = cast.box
    margin = magnified.MARGIN_MM
    left, top = max(box[0], x - margin), max(box[1], y - margin)
    right, bottom = min(box[0] + box[2], x + width + margin), min(box[1] + box[3], y + height + margin)
    return left, top, max(0.0, right - left), max(0.0, bottom - top)


class _Photo:
    """One photo of the target: where it lies, and how the light falls on its bare paper."""

    def __init__(self, colours: np.ndarray, target: Sheet) -> None:
        self.coded = colours
        # one colour at a time, for a photo may fill much of the memory
        self.plane = np.zeros(colours.shape[:2], np.float32)
        for n, share in enumerate(LUMINANCE):
            self.plane += np.float32(share) * colour.linear(colours[..., n])
        self.located: Located = locate(self.plane, target.marks)
        side = target.marks.side
        places = np.array(target.marks.blanks)
        patches = [(x - side / 2, y - side / 2, side, side) for x, y in places]
        bright = np.array([self._mean(box)[0] for box in patches])
        shape = np.column_stack([np.ones(len(places)), places - places.mean(axis=0)])
        self._middle = places.mean(axis=0)
        kept = np.ones(len(places), bool)
        level = np.log(np.maximum(bright, 1e-4))
        for _ in range(3):  # paper under a shadow or a finger is left out
            self._fall = np.linalg.lstsq(shape[kept], level[kept], rcond=None)[0]
            off = np.abs(level - shape @ self._fall).max(axis=1)
            kept = off <= max(0.1, 3 * float(np.median(off)))

    def _mean(self, box: Box, margin: float = 0.0) -> tuple[np.ndarray, float]:
        rows, columns, _, _ = inside(box, self.located, self.plane.shape, margin)
        if len(rows) < 9:
            raise InputError(
                "the target is too small in the photo: go nearer, so that its squares are dozens of pixels wide"
            )
        coded = self.coded[rows, columns].astype(float)
        return colour.linear(coded).mean(axis=0), float((coded.max(axis=1) >= _BURNT).mean())

    def white(self, box: Box) -> tuple[np.ndarray, float]:
        """Colour of a patch relative to what bare paper would show in its place."""
        mean, burnt = self._mean(box, margin=0.2 * box[3])
        place = np.array([box[0] + box[2] / 2, box[1] + box[3] / 2]) - self._middle
        return mean / np.exp(np.array([1.0, *place]) @ self._fall), burnt

    def pixels_per_mm(self, field: Field) -> float:
        """How large a field lies in the photo, across its bars."""
        x, y, width, height = field.box
        ends = self.located.to_mm.inverse(np.array([[x, y + height / 2], [x + width, y + height / 2]]))
        return float(np.hypot(*(ends[1] - ends[0]))) / width

    def look(self, field: Field, smallest: float = 1.0, largest: float = 1.0) -> Look:
        """How a field of bars looks."""
        return magnified.look(self.plane, self.located, field, smallest, largest)

    def contrast(self, strip: Strip, field: Field, look: Look, near: np.ndarray) -> np.ndarray | None:
        """Contrast in patches of a strip, the first and last pair and the rims left out; None if too little is seen."""
        x, y, width, height = look.seen_at(strip.box, field)
        frequency = strip.frequency / look.size
        rim = min(0.5 / frequency + 0.3, 0.2 * width)
        whole = (x + rim, y + 0.22 * height, width - 2 * rim, 0.56 * height)
        seen = clipped(whole, field)
        if seen[3] < _WHOLE * whole[3] or seen[2] * frequency < _FEWEST_PAIRS:
            return None
        rows, columns, across, down = inside(seen, self.located, self.plane.shape)
        return patch_contrasts(self.plane[rows, columns], across, down, frequency, near)


def patch_contrasts(
    light: np.ndarray, across: np.ndarray, down: np.ndarray, frequency: float, sizes: np.ndarray
) -> np.ndarray:
    """Amplitude over mean of the bars' fundamental wave, in patches from left to right and from top to bottom.

    Parameters
    ----------
    light, across, down
        Linear light of pixels and their places, mm.
    frequency
        Line pairs per mm.
    sizes
        Factors by which the bars may look larger.
    """
    if len(light) < 60:
        return np.zeros(1)
    powers = [_wave(light, across, down, frequency / size)[0] for size in sizes]
    at = frequency / float(sizes[int(np.argmax(powers))])
    wide = max(2, min(_PATCHES // 2, int(np.ptp(across) * at / 2)))
    column = np.clip(((across - across.min()) / (np.ptp(across) + 1e-9) * wide).astype(int), 0, wide - 1)
    row = (down > np.median(down)).astype(int)
    found = []
    for n in range(wide):
        for m in range(2):
            chosen = (column == n) & (row == m)
            if chosen.sum() >= 25:
                found.append(contrast_of(*_wave(light[chosen], across[chosen], down[chosen], at)))
    return np.array(found) if found else np.zeros(1)


def contrast_of(amplitude2: float, mean: float) -> float:
    """Amplitude over mean, from the squared amplitude, which noise may leave below 0."""
    return float(np.sqrt(max(amplitude2, 0.0)) / max(mean, 1e-6))


def waves(across: np.ndarray, frequency: float) -> list[np.ndarray]:
    """The fundamental of the bars and their first overtone: cosine and sine of each."""
    return [wave(2 * np.pi * n * frequency * across) for n in (1, 3) for wave in (np.cos, np.sin)]


def _wave(light: np.ndarray, across: np.ndarray, down: np.ndarray, frequency: float) -> tuple[float, float]:
    """Squared amplitude of the fundamental, freed of noise, and mean; slopes and overtones are fitted beside it."""
    u, v = across - across.mean(), down - down.mean()
    design = np.column_stack([np.ones(len(u)), u, v, *waves(u, frequency)])
    fit, *_ = np.linalg.lstsq(design, light, rcond=None)
    left = light - design @ fit
    noise = float(left @ left) / max(len(light) - design.shape[1], 1)
    return float(fit[3] ** 2 + fit[4] ** 2) - 4 * noise / len(light), float(fit[0])
