"""How deep the fitted law goes at any load between contact and trigger.

A force curve gives modulus and contact; its law then gives the depth at every smaller load, so one
map holds the surface at zero force and at each load up to the trigger. Under load a surface lies
lower than at zero force, by that depth.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .layer import Layer
from .models import Tip
from .results import CurveFits
from .tables import law_force

Floats = NDArray[np.float64]

POINTS = 513
SHALLOWEST = 1e-8
"""Least depth of a table over its largest."""
DEEPER = 3.0
"""A table goes this much deeper than the deepest curve, for loads a little beyond a curve's end."""
NN_PER_KPA_NM2 = 1e-6


@dataclass(frozen=True)
class LoadLaw:
    """The contact law of one map as numbers, so that a load can be answered without the kernel.

    Attributes
    ----------
    depth_nm
        Depths, evenly spaced in their logarithm, shape (points,).
    force_nN_per_kPa
        Force at these depths over Young's modulus E (not E / (1 - nu^2)), shape (points,).
    """

    depth_nm: Floats
    force_nN_per_kPa: Floats


def load_law(tip: Tip, layer: Layer | None, poisson_ratio: float, depth_max_nm: float) -> LoadLaw:
    """Tabulate the law of a map.

    Parameters
    ----------
    tip, layer, poisson_ratio
        What the fit assumed.
    depth_max_nm
        Largest depth that will be asked for.

    Returns
    -------
    LoadLaw

    Raises
    ------
    ValueError
        If the largest depth is not positive and finite.
    """
    if not (np.isfinite(depth_max_nm) and depth_max_nm > 0):
        raise ValueError(f"depth_max_nm must be > 0 and finite, got {depth_max_nm}")
    depth = np.geomspace(SHALLOWEST * depth_max_nm, depth_max_nm, POINTS)
    force = law_force(depth, tip, layer) * NN_PER_KPA_NM2 / (1.0 - poisson_ratio**2)
    return LoadLaw(depth, force)


def law_of(fits: CurveFits) -> LoadLaw:
    """Tabulate the law that a map was fitted with; without points where nothing was fitted."""
    deepest = fits.indentation_nm[np.isfinite(fits.indentation_nm)].max(initial=0.0)
    if not deepest > 0:
        return LoadLaw(np.zeros(0), np.zeros(0))
    return load_law(fits.tip, fits.layer, fits.poisson_ratio, DEEPER * float(deepest))


def depth_at_load(
    load_nN: float,
    modulus_kPa: ArrayLike,
    reached_nN: ArrayLike,
    law: LoadLaw,
    beyond_share: float = 0.0,
) -> Floats:
    """Depth of the fitted law at one load.

    Parameters
    ----------
    load_nN
        The load, from 0 on.
    modulus_kPa
        Young's modulus of each curve, any shape; NaN where there is none.
    reached_nN
        Largest force of each curve's fit, same shape.
    law
        The map's law.
    beyond_share
        The law is followed beyond a curve's own largest force by at most this share of it.

    Returns
    -------
    numpy.ndarray
        Depths in nanometres, same shape; NaN where the curve did not reach the load.

    Raises
    ------
    ValueError
        If the load is negative or not finite.

    Examples
    --------
    >>> law = load_law(Tip("paraboloid", 20.0), None, 0.5, 100.0)
    >>> depth_at_load(0.0, [500.0], [2.0], law)
    array([0.])
    """
    if not (np.isfinite(load_nN) and load_nN >= 0):
        raise ValueError(f"load_nN must be >= 0 and finite, got {load_nN}")
    modulus, reached = np.asarray(modulus_kPa, float), np.asarray(reached_nN, float)
    known = np.isfinite(modulus) & (modulus > 0)
    known &= reached * (1.0 + beyond_share) >= load_nN
    if load_nN == 0 or not len(law.depth_nm):
        return np.where(known & (load_nN == 0), 0.0, np.nan)
    wanted = np.log(load_nN / np.where(known, modulus, 1.0))
    # force is a power of depth piece by piece, so straight lines between logarithms are near exact
    depth = np.interp(
        wanted, np.log(law.force_nN_per_kPa), np.log(law.depth_nm), left=-np.inf, right=np.nan
    )
    return np.where(known, np.exp(depth), np.nan)


def trigger_of(force_nN: ArrayLike, used: ArrayLike) -> float:
    """Load up to which a map can be shown: the median of its used curves' largest force, nN."""
    force = np.asarray(force_nN, float)[np.asarray(used, bool)]
    force = force[np.isfinite(force)]
    return float(np.median(force)) if len(force) else float("nan")


def contact_height(contact_z_nm: ArrayLike, used: ArrayLike) -> Floats:
    """Height of the surface at zero force from the drive's position at contact.

    The drive travels towards the sample, so a high place is touched early: height is minus the
    contact position, here from the median of the used curves. The deflection's baseline is the
    detector's own offset and moves nothing.

    Parameters
    ----------
    contact_z_nm
        Drive position of the contact, any shape, nm; grows towards the sample.
    used
        Whether the curve counts, same shape.

    Returns
    -------
    numpy.ndarray
        Heights in nanometres, same shape; NaN where a curve does not count.
    """
    contact = np.where(np.asarray(used, bool), np.asarray(contact_z_nm, float), np.nan)
    finite = contact[np.isfinite(contact)]
    return (float(np.median(finite)) if len(finite) else 0.0) - contact
