"""The safety cautions, in one place: shown by notebooks, run sheets and reports where the work is done.

Common practice, no source. They never replace the safety data sheet, local codes or licensed practice.
"""

from __future__ import annotations

import html

from castlab.errors import InputError

DEFER = "The safety data sheet of each product, local codes and licensed practice come first; these are only the usual cautions."

CAUTIONS: dict[str, str] = {
    "vacuum": (
        "Vacuum vessel: use only purpose-made walls and lids; look over acrylic for crazing and cracks before each pull "
        "and keep solvents off it; wear eye protection; vent slowly."
    ),
    "pressure": (
        "Pressure vessel: use only a rated, inspected vessel with a working relief valve; never above its rating; "
        "let the pressure off before touching the clamps."
    ),
    "epoxy": (
        "Epoxy resin and hardener are skin sensitisers: nitrile gloves, no skin contact, eye protection, ventilation; "
        "change gloves when they are soiled."
    ),
    "isocyanate": (
        "Isocyanates (polyurethane) sensitise the airways: train and protect as local law asks; not without the "
        "ventilation or respirator that the data sheet names."
    ),
    "styrene": (
        "Styrene and peroxide (polyester): flammable and harmful to breathe; no flames or sparks; never mix promoter "
        "and peroxide directly."
    ),
    "exotherm": (
        "A large mass in a cup can overheat, smoke or ignite: pour promptly, spread what is left out thin, and take a cup "
        "that heats up outside."
    ),
    "silicone": (
        "Addition-cure silicone is inhibited by sulfur (some clays, latex gloves), amines, tin compounds and under-cured "
        "photopolymer prints: test a spot first."
    ),
    "dust": "Sanding dust: wear a particle respirator, sand wet, and keep the dust out of the room.",
    "oven": ("Oven: never one that is used for food; ventilated; well below the flash points on the data sheets."),
    "pump": "Vacuum pump: lead the exhaust's oil mist and vapours outside.",
    "electrical": "Electrical inserts: test unpowered first; mains voltage is for licensed practice only.",
}
"""Activity -> caution."""


def about(*activities: str) -> tuple[str, ...]:
    """The cautions for these activities, in a fixed order, ending with the line that defers to the data sheets.

    Parameters
    ----------
    *activities
        Any of the keys of `CAUTIONS`: "vacuum", "pressure", "epoxy", "isocyanate", "styrene", "exotherm",
        "silicone", "dust", "oven", "pump", "electrical".

    Raises
    ------
    InputError
        If an activity is unknown.

    Examples
    --------
    >>> about("dust")[0][:12]
    'Sanding dust'
    """
    unknown = sorted(set(activities) - set(CAUTIONS))
    if unknown:
        raise InputError(f"no cautions are kept for {', '.join(unknown)}; accepted: {', '.join(CAUTIONS)}")
    chosen = tuple(text for name, text in CAUTIONS.items() if name in activities)
    return (*chosen, DEFER) if chosen else ()


class Shown(tuple[str, ...]):
    """Cautions that show themselves as a list in a notebook."""

    def _repr_html_(self) -> str:
        items = "".join(f"<li>{html.escape(text)}</li>" for text in self)
        return f"<div role='note' aria-label='Safety cautions'><strong>Take care</strong><ul>{items}</ul></div>"


def show(*activities: str) -> Shown:
    """The cautions for these activities as a list for a notebook cell (see `about`)."""
    return Shown(about(*activities))
