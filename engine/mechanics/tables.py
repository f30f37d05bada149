"""A contact law as a table that the compiled fit can read, the same for every law.

With depth = scale * t^2 and force / E* = scale^2 * t^2 * Q(t), Q is smooth for every tip: t for a
paraboloid, t^2 for a cone, a constant at first for a flat end. One polynomial of degree 7 holds it
to better than 1e-7 where the law has no kink; otherwise 512 cubic pieces, evenly spaced in t.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from .layer import Base, Layer, Punch, layer_factor
from .layer_tips import DEPTHS, equivalent_tangent, tip_layer_factor
from .models import Tip, contact_force, contact_radius, tip_sizes

Floats = NDArray[np.float64]

DEGREE = 7
PIECES = 512
POLYNOMIAL_TOLERANCE = 1e-7
"""Largest error of the single polynomial, of the largest Q, before pieces are used."""


@dataclass(frozen=True)
class LawTable:
    """Q(t) on 0 <= t <= 1 for one tip and one scale.

    Attributes
    ----------
    coefficients
        Ascending powers, shape (pieces, 8): of t for a single piece, of the fraction of the piece's
        own width otherwise (only the first four).
    scale_nm
        Depth at t = 1, nm.
    exponent
        Power of the depth at which force starts to grow.
    """

    coefficients: Floats
    scale_nm: float
    exponent: float


def scale_for(depth_max_nm: float) -> float:
    """Find the power of two (nm) not below a depth, so that equal maps share equal tables."""
    return float(2.0 ** np.ceil(np.log2(max(depth_max_nm, 1e-6))))


def law_force(depth_nm: Floats, tip: Tip, layer: Layer | None = None) -> Floats:
    """F / E* (nm^2) of a tip at depths (nm), on a half-space or on a layer.

    On a layer the contact problem is solved for the very tip, for a pyramid that of the cone that a
    half-space answers with the same force.
    """
    force = contact_force(depth_nm, tip)
    if layer is None or not layered(tip):
        return force
    if tip.law.name in DEPTHS:
        return force * tip_layer_factor(depth_nm, tip, layer)
    chi = layer_ratio(depth_nm, tip, layer.thickness_nm)
    punch: Punch = "paraboloid" if tip.law.name == "paraboloid" else "cone"
    return force * layer_factor(chi, layer.poisson_ratio, layer.base, punch)


def layered(tip: Tip) -> bool:
    """Whether a layer's thickness can be allowed for with this tip."""
    return tip.law.name in ("paraboloid", "cone", "pyramid", *DEPTHS)


def layer_under(
    tip: Tip, thickness_um: float | None, poisson_ratio: float, base: Base | Literal["ignore"]
) -> Layer | None:
    """Give the layer that a tip's law is corrected for; None = taken as a half-space."""
    if thickness_um is None or base == "ignore" or not layered(tip):
        return None
    return Layer(1e3 * float(thickness_um), float(poisson_ratio), base)


def layer_ratio(depth_nm: Floats, tip: Tip, thickness_nm: float) -> Floats:
    """Chi: width of the contact over the layer's thickness, roughly.

    For cone and pyramid tan(half-angle) depth / thickness (a pyramid's is that of its cone of equal
    force), else the half-space's contact radius over the thickness, for sphere and paraboloid with
    sqrt(R depth) for it.
    """
    depth = np.maximum(depth_nm, 0.0)
    radius, tangent = tip_sizes(tip)
    name = tip.law.name
    if name in ("sphere", "paraboloid"):
        width = np.sqrt(radius * depth)
    elif name in ("cone", "pyramid"):
        width = depth * (tangent if name == "cone" else equivalent_tangent(tangent))
    else:
        width = contact_radius(depth, tip)
    return np.asarray(width / thickness_nm)


def tabulate(tip: Tip, depth_max_nm: float, layer: Layer | None = None) -> LawTable:
    """Tabulate the contact law of a tip up to a depth.

    Parameters
    ----------
    tip
        The tip.
    depth_max_nm
        The largest depth that can be asked for, nm.
    layer
        The layer that is indented; None = a half-space.

    Returns
    -------
    LawTable
    """
    scale = scale_for(depth_max_nm)
    t = 0.5 * (1.0 - np.cos(np.pi * (np.arange(96) + 0.5) / 96))
    q = _q(t, tip, scale, layer)
    single = Polynomial.fit(t, q, DEGREE, domain=[0, 1], window=[0, 1])
    if np.max(np.abs(single(t) - q)) <= POLYNOMIAL_TOLERANCE * np.max(q):
        coefficients = single.coef[None, :]
    else:
        coefficients = _pieces(tip, scale, layer)
    return LawTable(np.ascontiguousarray(coefficients), scale, tip.law.exponent)


def _q(t: Floats, tip: Tip, scale: float, layer: Layer | None) -> Floats:
    depth = scale * t * t
    return np.asarray(law_force(depth, tip, layer) / (scale * depth))


def _pieces(tip: Tip, scale: float, layer: Layer | None) -> Floats:
    t = np.linspace(0.0, 1.0, PIECES + 1)
    t[0] = 1e-4 / PIECES  # the limit at 0; the law is only written for depths above it
    cubic = PchipInterpolator(np.linspace(0.0, 1.0, PIECES + 1), _q(t, tip, scale, layer)).c
    width = 1.0 / PIECES
    coefficients = np.zeros((PIECES, DEGREE + 1))
    coefficients[:, :4] = cubic[::-1].T * width ** np.arange(4)
    return coefficients
