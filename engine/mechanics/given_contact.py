"""Fit with the contact point given instead of fitted: what a dragged contact does to the modulus.

Deflection is b0 + b1 z + g(z - z0) as in the full fit, but z0 is held; (b0, b1, ln alpha) are
found by Gauss-Newton on the whole curve, all curves of a map at once.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .tables import LawTable

Floats = NDArray[np.float64]

STEPS = 25
STEP_CAP = 0.7
SETTLED = 1e-6
LEAST_SAMPLES = 8
"""Fewest samples on either side of the contact."""
TINY = 1e-9


@dataclass(frozen=True)
class GivenFit:
    """Fits of n curves at given contacts; arrays (n,), NaN where nothing could be fitted.

    Attributes
    ----------
    reduced_per_k
        E* / k, 1 / nm.
    offset_nm, slope
        Baseline, offset at z = 0.
    depth_nm, push_nm
        Largest depth and largest deflection of the law.
    stiffness
        Contact stiffness over k at the largest depth.
    rms_nm
        Root mean square residual, n - 3 degrees of freedom.
    """

    reduced_per_k: Floats
    offset_nm: Floats
    slope: Floats
    depth_nm: Floats
    push_nm: Floats
    stiffness: Floats
    rms_nm: Floats


def table_law(t: Floats, table: LawTable) -> tuple[Floats, Floats]:
    """Q(t) and dQ/dt of a tabulated law, any shape."""
    c = table.coefficients
    pieces = len(c)
    x = t * pieces
    if pieces == 1:
        rows = c[0]
    else:
        k = np.clip(x.astype(int), 0, pieces - 1)
        x = x - k
        rows = np.moveaxis(c[k], -1, 0)
    q, dq = np.zeros_like(t), np.zeros_like(t)
    for i in range(c.shape[1] - 1 if pieces == 1 else 3, -1, -1):
        dq = dq * x + q
        q = q * x + rows[i]
    return q, dq * pieces


def _roots(
    u: Floats, t: Floats, alpha: Floats, table: LawTable, sweeps: int
) -> tuple[Floats, Floats]:
    """Depth's root t and S = dF/ddelta / k at drives u beyond contact (scaled)."""
    top = np.sqrt(u) + TINY
    for _ in range(sweeps):
        q, dq = table_law(t, table)
        off = t * t * (1.0 + alpha * q) - u
        t = np.clip(t - off / (t * (2.0 + alpha * (2.0 * q + t * dq))), TINY, top)
    q, dq = table_law(t, table)
    return t, alpha * (q + 0.5 * t * dq)


def _start(
    u: Floats, x: Floats, y: Floats, weight: Floats, before: Floats, table: LawTable
) -> Floats:
    """Start (b0, b1, ln alpha): a line before contact, then the law through the deepest sample."""
    w = weight * before
    sums = [np.sum(w * v, axis=1) for v in (x**0, x, x * x, y, x * y)]
    spread = np.maximum(sums[0] * sums[2] - sums[1] ** 2, 1e-300)
    slope = (sums[0] * sums[4] - sums[1] * sums[3]) / spread
    offset = (sums[3] - slope * sums[1]) / np.maximum(sums[0], 1.0)
    push = (y - offset[:, None] - slope[:, None] * x) * weight
    rows = np.arange(len(u))
    last = np.argmax(u * weight, axis=1)
    force = np.maximum(push[rows, last], 1e-6)
    depth = np.maximum(u[rows, last] - force, 1e-3 * np.maximum(u[rows, last], TINY))
    q, _ = table_law(np.sqrt(depth), table)
    return np.stack([offset, slope, np.log(force / (depth * q))], axis=1)


def _normal(columns: list[Floats], r: Floats) -> tuple[Floats, Floats]:
    matrix = np.stack([np.stack([np.sum(a * b, axis=1) for b in columns], -1) for a in columns], -1)
    return matrix, np.stack([np.sum(a * r, axis=1) for a in columns], -1)


def fit_given(
    z_nm: Floats, deflection_nm: Floats, contact_z_nm: Floats, table: LawTable
) -> GivenFit:
    """Fit baseline and modulus of every curve at its given contact.

    Parameters
    ----------
    z_nm, deflection_nm
        Approach (n, s), nm; NaN = no sample.
    contact_z_nm
        (n,), nm.
    table
        The contact law.

    Returns
    -------
    GivenFit
        NaN for curves with fewer than eight samples on either side of the contact, or without a
        push beyond it.
    """
    scale = table.scale_nm
    there = np.isfinite(z_nm) & np.isfinite(deflection_nm)
    weight = there.astype(float)
    contact = np.where(np.isfinite(contact_z_nm), contact_z_nm, 0.0)[:, None]
    x = np.where(there, z_nm - contact, 0.0) / scale
    level = np.where(there, deflection_nm, 0.0)[:, :1]
    y = np.where(there, deflection_nm - level, 0.0) / scale
    u = np.maximum(x, 0.0)
    before = there & (x <= 0.0)
    beyond = there & (x > 0.0)
    good = (
        np.isfinite(contact_z_nm)
        & (before.sum(axis=1) >= LEAST_SAMPLES)
        & (beyond.sum(axis=1) >= LEAST_SAMPLES)
        & (np.max(u, axis=1, initial=0.0) <= 1.0)
    )
    theta = _start(u, x, y, weight, before.astype(float), table)
    # samples before every curve's contact need no law
    first = int(np.argmax(beyond.any(axis=0))) if beyond.any() else 0
    touch = beyond[:, first:]
    t = np.sqrt(u[:, first:]) + TINY
    sweeps = 6
    g, s = np.zeros_like(x), np.zeros_like(x)
    for _ in range(STEPS):
        t, s[:, first:] = _roots(u[:, first:], t, np.exp(theta[:, 2:]), table, sweeps)
        g[:, first:] = np.where(touch, u[:, first:] - t * t, 0.0)
        r = weight * (y - theta[:, :1] - theta[:, 1:2] * x - g)
        matrix, right = _normal([weight, weight * x, weight * g / (1.0 + s)], r)
        matrix = matrix + 1e-12 * np.eye(3) * np.trace(matrix, axis1=1, axis2=2)[:, None, None]
        step = np.linalg.solve(np.where(good[:, None, None], matrix, np.eye(3)), right[..., None])
        step = step[..., 0] * good[:, None]
        size = np.abs(step[:, 2]).max(initial=0.0)
        theta = theta + step * np.minimum(1.0, STEP_CAP / np.maximum(np.abs(step[:, 2:]), 1e-300))
        sweeps = 2
        if size < SETTLED:
            break
    return _result(theta, (u, t, s, r), weight, good, scale, contact[:, 0], level[:, 0])


def _result(
    theta: Floats,
    parts: tuple[Floats, Floats, Floats, Floats],
    weight: Floats,
    good: NDArray[np.bool_],
    scale: float,
    contact: Floats,
    level: Floats,
) -> GivenFit:
    u, t, s, r = parts
    rows = np.arange(len(u))
    last = np.argmax(u * weight, axis=1)
    depth = t[rows, np.maximum(last - (u.shape[1] - t.shape[1]), 0)] ** 2
    push = u[rows, last] - depth
    good = good & (push > 0.0) & (np.abs(theta[:, 2]) < 60.0)

    def shown(values: Floats) -> Floats:
        return np.where(good, values, np.nan)

    return GivenFit(
        reduced_per_k=shown(np.exp(np.minimum(theta[:, 2], 60.0)) / scale),
        offset_nm=shown(theta[:, 0] * scale + level - theta[:, 1] * contact),
        slope=shown(theta[:, 1]),
        depth_nm=shown(depth * scale),
        push_nm=shown(push * scale),
        stiffness=shown(s[rows, last]),
        rms_nm=shown(
            np.sqrt(np.sum(r * r, axis=1) / np.maximum(weight.sum(axis=1) - 3, 1)) * scale
        ),
    )
