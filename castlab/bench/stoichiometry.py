"""How much hardener an epoxy needs, from equivalent weights: the chemistry behind a mix ratio."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from castlab.bench.inputs import Array, Number, numbers, plain, rows
from castlab.errors import InputError

_LEAST, _MOST = 1.0, 100_000.0


def phr(eew: Number, ahew: Number) -> float | Array:
    """Hardener per hundred of resin by mass for one active hydrogen per epoxy group: 100 AHEW / EEW.

    Arguments
    ---------
    eew
        Epoxy equivalent weight of the resin, g per mole of epoxy groups; one number or an array.
    ahew
        Active-hydrogen equivalent weight of the hardener, g per mole of active hydrogens; one number or an array.

    Returns
    -------
    Parts per hundred of resin, a float or an array.

    Raises
    ------
    InputError
        If an equivalent weight is not between 1 and 100 000 g/mol, or the swept inputs differ in length.

    Source: textbook stoichiometry. A data sheet's own ratio wins: products are not always meant to be stoichiometric.

    >>> round(phr(190, ahew(146.2, 6)), 1)
    12.8
    """
    resin, hardener = numbers("eew", eew, _LEAST, _MOST, "g/mol"), numbers("ahew", ahew, _LEAST, _MOST, "g/mol")
    if resin.ndim and hardener.ndim:
        rows(eew=resin, ahew=hardener)
    return plain(np.asarray(100 * hardener / resin))


def ahew(molar_mass: Number, active_hydrogens: Number) -> float | Array:
    """Active-hydrogen equivalent weight of an amine, g/mol: molar mass over hydrogens bound to nitrogen.

    Arguments
    ---------
    molar_mass, active_hydrogens
        g/mol, and hydrogens on nitrogen per molecule; numbers or arrays.

    Returns
    -------
    g per mole of active hydrogens.

    Raises
    ------
    InputError
        If a value is out of range.

    Source: textbook definition.

    >>> round(ahew(103.2, 5), 1)
    20.6
    """
    mass = numbers("molar_mass", molar_mass, _LEAST, _MOST, "g/mol")
    return plain(np.asarray(mass / numbers("active_hydrogens", active_hydrogens, 1, 1000)))


def eew(molar_mass: Number, epoxy_groups: Number) -> float | Array:
    """Epoxy equivalent weight of a resin, g/mol: molar mass over epoxy groups per molecule (textbook definition).

    Raises
    ------
    InputError
        If a value is out of range.

    >>> eew(380, 2)
    190.0
    """
    mass = numbers("molar_mass", molar_mass, _LEAST, _MOST, "g/mol")
    return plain(np.asarray(mass / numbers("epoxy_groups", epoxy_groups, 1, 1000)))


def eew_blend(masses_g: Sequence[float], eews: Sequence[float | None]) -> float:
    """Epoxy equivalent weight of a blend of resins, diluents and fillers, g/mol: total mass over moles of epoxy.

    Arguments
    ---------
    masses_g
        Masses (or shares) of the ingredients.
    eews
        Their epoxy equivalent weights; None for what does not react, such as a filler.

    Returns
    -------
    g per mole of epoxy groups of the blend, fillers included in the mass.

    Raises
    ------
    InputError
        If the lists differ in length, a mass is negative, or nothing reacts.

    Source: textbook, 1/EEW = sum of mass fractions over their EEW.

    >>> round(eew_blend([80, 10, 10], [189, 183, None]))
    209
    """
    return _blend("eews", masses_g, eews)


def ahew_blend(masses_g: Sequence[float], ahews: Sequence[float | None]) -> float:
    """Active-hydrogen equivalent weight of a blend of hardeners, g/mol; same rule and arguments as `eew_blend`.

    >>> round(ahew_blend([50, 50], [20.6, None]), 1)
    41.2
    """
    return _blend("ahews", masses_g, ahews)


def _blend(name: str, masses_g: Sequence[float], weights: Sequence[float | None]) -> float:
    masses = np.atleast_1d(numbers("masses_g", masses_g, 0, 1e7, "g"))
    weights = list(weights)
    if len(weights) != masses.size:
        raise InputError(f"{masses.size} masses_g but {len(weights)} {name}; accepted: one for each ingredient")
    reacting = [(m, w) for m, w in zip(masses, weights, strict=True) if w is not None]
    moles = sum(m / float(numbers(name, w, _LEAST, _MOST, "g/mol")) for m, w in reacting)
    if moles <= 0:
        raise InputError(f"nothing in the blend reacts; accepted: at least one of {name} with some mass")
    return float(masses.sum() / moles)
