"""Stretches of all ways back of a map: found, counted, and a chain's law fitted to each."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .results import CurveFits
from .settings import MechanicsSettings
from .stretches import (
    BOLTZMANN,
    CHAINS,
    FALL_SAMPLES,
    FULLEST,
    TEMPERATURE_K,
    Stretch,
    find_stretches,
    fit_stretch,
)

Floats = NDArray[np.float64]

CHUNK_CURVES = 4096
MARGIN = 0.75
"""Noise differs between the two ways: leaps from so much of the threshold on are looked at."""
TAIL_SHARE = 0.1
"""The last so much of the way back is taken as free."""
HALF_PULL = 0.5
"""A chain stiffens: halfway to the rupture it pulls with less than this share of the rupture."""


@dataclass(frozen=True)
class MapStretches:
    """Stretches of one map.

    Attributes
    ----------
    counts
        Stretches of every curve (n,); -1 where there is no way back or no contact.
    curve
        Curve of each fitted stretch (m,).
    number
        Which stretch of its curve it is, from 0 (m,).
    fitted
        The fits, for each stretch one a chain, in the order of `CHAINS`.
    """

    counts: NDArray[np.int64]
    curve: NDArray[np.int64]
    number: NDArray[np.int64]
    fitted: tuple[tuple[Stretch, ...], ...]


def separation_and_force(
    z_nm: ArrayLike, deflection_nm: ArrayLike, fits: CurveFits, index: int
) -> tuple[Floats, Floats, float]:
    """Give separation (nm) and force (nN) along one way back, and the level taken off (nm).

    Parameters
    ----------
    z_nm, deflection_nm
        The way back (s,), nm, in the order taken.
    fits, index
        Fits of the map, and which curve: contact and the slope of the baseline are its.

    Returns
    -------
    tuple
        Separation from the contact (s,), growing outwards; force (s,), negative where the sample
        pulls; median of the free end, by which the way back lies off the approach's baseline.
    """
    z, d = np.asarray(z_nm, float), np.asarray(deflection_nm, float)
    push = d - fits.baseline_offset_nm[index] - fits.baseline_slope[index] * z
    known = push[np.isfinite(push)]
    tail = known[-max(1, int(TAIL_SHARE * len(known))) :]
    level = float(np.median(tail)) if len(tail) else 0.0
    push = push - level
    return (
        fits.contact_z_nm[index] + push - z,
        push * fits.spring_constant_N_per_m,
        level,
    )


def curve_stretches(
    separation_nm: Floats, force_nN: Floats, settings: MechanicsSettings | None = None
) -> list[tuple[int, int]]:
    """Find the stretches of one way back that stiffen towards their rupture, as a chain does.

    The surface letting go of the probe pulls hardest at once and then less: that is no stretch.

    Parameters
    ----------
    separation_nm, force_nN
        As `separation_and_force` gives them.
    settings
        Threshold of a rupture.
    """
    s = settings if settings is not None else MechanicsSettings()
    found = find_stretches(separation_nm, force_nN, least_sigma=s.stretch_sigma)
    return [ends for ends in found if _stiffens(separation_nm, -force_nN, *ends)]


def _stiffens(separation: Floats, pull: Floats, first: int, last: int) -> bool:
    x, y = separation[first:last], pull[first:last]
    top = float(np.median(y[-3:]))
    middle = np.abs(x - 0.5 * (x[0] + x[-1])) <= 0.2 * (x[-1] - x[0])
    start = np.abs(x - x[0]) <= 0.2 * (x[-1] - x[0])
    if not (middle.any() and start.any()):
        return False
    half = float(np.median(y[middle]))
    return bool(top > 0 and half < HALF_PULL * top and np.median(y[start]) < HALF_PULL * top)


def map_stretches(
    z_nm: Any,
    deflection_nm: Any,
    fits: CurveFits,
    settings: MechanicsSettings | None = None,
) -> MapStretches:
    """Find and fit the stretches of a map's ways back.

    Parameters
    ----------
    z_nm, deflection_nm
        Ways back, (n, s) or (s,) and (n, s), nm, in the order taken; anything with a shape whose
        rows come by slices.
    fits
        Fits of the same curves.
    settings
        Threshold of a rupture, and how many are fitted at most.

    Returns
    -------
    MapStretches
    """
    s = settings if settings is not None else MechanicsSettings()
    count = len(fits.used)
    counts = np.full(count, -1, np.int64)
    curve: list[int] = []
    number: list[int] = []
    fitted: list[tuple[Stretch, ...]] = []
    for begin in range(0, count, CHUNK_CURVES):
        rows = slice(begin, min(begin + CHUNK_CURVES, count))
        d = np.asarray(deflection_nm[rows], float)
        z = np.asarray(z_nm if np.ndim(z_nm) == 1 else z_nm[rows], float)
        z = np.broadcast_to(z, d.shape)
        recorded = np.isfinite(d).any(axis=1) & np.isfinite(fits.contact_z_nm[rows])
        counts[rows] = np.where(recorded, 0, -1)
        for i in np.flatnonzero(recorded & _may_break(d, fits.noise_nm[rows], s)):
            x, force, _ = separation_and_force(z[i], d[i], fits, begin + int(i))
            found = curve_stretches(x, force, s)
            counts[begin + i] = len(found)
            for n, (first, last) in enumerate(found[: s.stretch_fits_max - len(fitted)]):
                curve.append(begin + int(i))
                number.append(n)
                fitted.append(
                    tuple(fit_stretch(x, force, model=m, first=first, last=last) for m in CHAINS)
                )
    return MapStretches(
        counts, np.array(curve, np.int64), np.array(number, np.int64), tuple(fitted)
    )


def _may_break(d: Floats, noise_nm: Floats, s: MechanicsSettings) -> NDArray[np.bool_]:
    """Tell the ways back in which the deflection leaps up at all; most need no closer look."""
    leap = np.nan_to_num(d[:, FALL_SAMPLES:] - d[:, :-FALL_SAMPLES], nan=-np.inf)
    least = MARGIN * s.stretch_sigma * np.nan_to_num(noise_nm)
    return np.asarray(leap.max(axis=1, initial=-np.inf) > least)


def stretch_model(stretch: Stretch, separation_nm: ArrayLike) -> Floats:
    """Pull (nN, negative) of a fitted chain at separations (nm); NaN beyond its contour length."""
    share = np.asarray(separation_nm, float) / stretch.contour_nm
    inside = (share > 0) & (share < FULLEST)
    law = CHAINS[stretch.model](np.where(inside, share, 0.0))
    return np.where(inside, -BOLTZMANN * TEMPERATURE_K / stretch.persistence_nm * law, np.nan)
