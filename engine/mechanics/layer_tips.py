"""A layer under tips whose stiffening is no function of one ratio: sphere, capped, truncated cone.

The equation of `layer` holds for any axisymmetric tip once the paraboloid's t^2 / R is replaced by
the depth g(t) at which the tip's contact with a half-space has radius t: g is what Sneddon (1965,
Int J Eng Sci 3:47) integrates from the profile, t int_0^t f'(r) / sqrt(t^2 - r^2) dr. It is solved
for each tip and layer at a few dozen contact radii; finite elements agree to 0.3 %.

A pyramid has no such equation. Far from a contact only its force is felt, so that the base answers
it, to first order, as it answers the cone of equal force; boundary elements (see the tests) put the
rest at 0.2 % for a ratio of 0.35 and at 0.7 % for 0.5, where a layer's modulus is refused.
"""

from collections.abc import Callable
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from .layer import LARGEST_RATIO, Base, Layer, missing
from .models import PYRAMID_FACTOR, Tip, capped_depth, contact_radius, tip_sizes, truncated_depth

Floats = NDArray[np.float64]
Depth = Callable[[Floats, float, float], Floats]

RADII = 36
"""Contact radii at which the equation is solved."""


def _sphere_depth(a: Floats, radius: float, _: float) -> Floats:
    """Sneddon 1965: a L / 2."""
    return np.asarray(a * np.arctanh(np.minimum(a / radius, 1.0 - 1e-12)))


DEPTHS: dict[str, Depth] = {
    "sphere": _sphere_depth,
    "capped_cone": capped_depth,
    "truncated_cone": truncated_depth,
}
"""Depth in a half-space at a contact radius, ``depth(a, radius, tan_angle)``, by law."""


def equivalent_tangent(tan_face: float) -> float:
    """Tangent of the half-angle of the cone that a half-space answers as the pyramid."""
    return PYRAMID_FACTOR * np.pi / 2.0 * tan_face


def tip_layer_factor(depth_nm: Floats, tip: Tip, layer: Layer) -> Floats:
    """Force on a layer over force on a half-space at equal depth, for the tips of `DEPTHS`.

    Parameters
    ----------
    depth_nm
        Depths, nm, any shape.
    tip, layer
        The tip, and the layer under it.

    Returns
    -------
    numpy.ndarray
        The factor; held at the end of the table, at a contact three times as wide as the layer is
        thick.
    """
    radius, tangent = tip_sizes(tip)
    table = _table(
        tip.law.name,
        radius / layer.thickness_nm,
        tangent if tip.law.needs_angle else 1.0,
        float(layer.poisson_ratio),
        layer.base,
    )
    a = contact_radius(np.asarray(depth_nm, float), tip) / layer.thickness_nm
    return np.asarray(table(np.clip(a, table.x[0], table.x[-1])))


@lru_cache(maxsize=32)
def _table(
    law: str, radius: float, tangent: float, poisson_ratio: float, base: Base
) -> PchipInterpolator:
    """Factor against the half-space's contact radius; lengths over the layer's thickness."""
    depth = DEPTHS[law]
    flat = radius if law == "truncated_cone" else 0.0
    widest = min(LARGEST_RATIO, 0.999 * radius) if law == "sphere" else flat + LARGEST_RATIO
    radii = flat + (widest - flat) * np.linspace(0.0, 1.0, RADII + 1) ** 1.5
    # at a flat end the first contact is a punch's; a pointed tip's first contact is a half-space's
    points = [(flat, _flat_factor(flat, poisson_ratio, base) if flat else 1.0)]
    tip = Tip(law, radius, np.degrees(np.arctan(tangent)))  # type: ignore[arg-type]
    for a in radii[1:]:
        found, force = _solve(float(a), radius, tangent, depth, poisson_ratio, base)
        a_half = float(contact_radius(np.array([found]), tip)[0])
        half = _half_space(a_half, radius, tangent, depth)
        points.append((a_half, force / half))
    x, y = np.array(points).T
    return PchipInterpolator(x, y)


def _nodes(a: float, kink: float) -> tuple[Floats, Floats]:
    """Gauss nodes and weights on (0, a), in two pieces where its slope changes at ``kink``."""
    nodes, weights = _gauss(32)
    s, w = 0.5 * (nodes + 1.0), 0.5 * weights
    if not 0.0 < kink < a:
        return a * s, a * w
    # beyond the kink g starts as a square root: s^2 makes it smooth
    wide = a - kink
    return (
        np.concatenate([kink * s, kink + wide * s * s]),
        np.concatenate([kink * w, 2.0 * wide * s * w]),
    )


def _kink(law_depth: Depth, radius: float, tangent: float) -> float:
    if law_depth is capped_depth:
        return float(radius * np.cos(np.arctan(tangent)))
    return radius if law_depth is truncated_depth else 0.0


def _half_space(a: float, radius: float, tangent: float, depth: Depth) -> float:
    """F / E* at a contact radius: 2 int_0^a (g(a) - g(t)) dt."""
    t, w = _nodes(a, _kink(depth, radius, tangent))
    end = float(depth(np.array([a]), radius, tangent)[0])
    return float(2.0 * w @ (end - depth(t, radius, tangent)))


def _kernel(t: Floats, poisson_ratio: float, base: Base) -> Floats:
    """int_0^oo (1 - L(x)) cos(x s) cos(x t) dx at all pairs of nodes."""
    nodes, weights = _gauss(240)
    x = 12.5 * (nodes + 1.0)
    cosines = np.cos(x[:, None] * t)
    return np.asarray((cosines.T * (12.5 * weights * missing(x, poisson_ratio, base))) @ cosines)


@cache
def _gauss(count: int) -> tuple[Floats, Floats]:
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return nodes, weights


def _answers(
    t: Floats, w: Floats, right: Floats, poisson_ratio: float, base: Base
) -> tuple[Floats, Floats]:
    """Solve for right-hand sides given at the nodes and, in the last row, at the edge."""
    pull = (2.0 / np.pi) * _kernel(t, poisson_ratio, base)[:, :-1] * w
    phi = np.linalg.solve(np.eye(len(w)) - pull[:-1], right[:-1])
    return np.asarray(phi), np.asarray(right[-1] + pull[-1] @ phi)


def _solve(
    a: float, radius: float, tangent: float, depth: Depth, poisson_ratio: float, base: Base
) -> tuple[float, float]:
    """Depth and F / E* on the layer at a contact radius."""
    inner, w = _nodes(a, _kink(depth, radius, tangent))
    t = np.append(inner, a)
    right = np.stack([np.ones_like(t), depth(t, radius, tangent)], axis=1)
    phi, edge = _answers(t, w, right, poisson_ratio, base)
    found = float(edge[1] / edge[0])
    return found, float(2.0 * w @ (phi[:, 0] * found - phi[:, 1]))


def _flat_factor(a: float, poisson_ratio: float, base: Base) -> float:
    """Stiffening of a flat punch of radius a (over the layer's thickness)."""
    inner, w = _nodes(a, 0.0)
    t = np.append(inner, a)
    phi, _ = _answers(t, w, np.ones((len(t), 1)), poisson_ratio, base)
    return float(w @ phi[:, 0] / a)
