"""A four-sided pyramid pressed into a layer, by boundary elements: nothing of the engine is used.

Square cells of even pressure on a quarter of the surface, mirrored. What a cell does to another is
Love's solution for the half-space (Love 1929, Phil Trans R Soc A 228:377) less what the base sends
back, a smooth function of the distance. Cells that would pull are let go until none does.
"""

import numpy as np
from scipy.special import j0


def _love(x, y, half):
    """Deflection of a half-space (times pi E*) by unit pressure on a square of side 2 half."""
    p, q, r, s = x + half, x - half, y + half, y - half

    def part(a, b, c):
        return a * np.log((b + np.hypot(a, b)) / (c + np.hypot(a, c)))

    return part(p, r, s) + part(r, p, q) + part(q, s, r) + part(s, q, p)


def _sent_back(r, thickness, poisson_ratio, base):
    """What the base takes from the deflection by a unit point load (times pi E*)."""
    nodes, weights = np.polynomial.legendre.leggauss(400)
    x = 15.0 * (nodes + 1.0)
    if base == "sliding":
        stiff = (np.cosh(2 * x) - 1) / (np.sinh(2 * x) + 2 * x)
    else:
        k = 3 - 4 * poisson_ratio
        stiff = (2 * k * np.sinh(2 * x) - 4 * x) / (2 * k * np.cosh(2 * x) + 1 + k * k + 4 * x * x)
    table = np.linspace(0, r.max(), 400)
    back = (15.0 * weights * (1 - stiff)) @ j0(np.outer(x, table / thickness)) / thickness
    return np.interp(r, table, back)


def forces(depth, tan_face, thickness, poisson_ratio, base, cells=26, reach=0.9):
    """F / E* on a half-space and on the layer, on the same cells."""
    step = reach * depth * tan_face / cells
    at = (np.arange(cells) + 0.5) * step
    x, y = (v.ravel() for v in np.meshgrid(at, at))
    half_space, layer = np.zeros((2, len(x), len(x)))
    for sx in (1, -1):
        for sy in (1, -1):
            dx, dy = x[:, None] - sx * x, y[:, None] - sy * y
            love = _love(dx, dy, step / 2)
            half_space += love
            back = _sent_back(np.hypot(dx, dy), thickness, poisson_ratio, base)
            layer += love - back * step * step
    gap = depth - np.maximum(x, y) / tan_face
    return [_force(m / np.pi, gap, 4 * step * step) for m in (half_space, layer)]


def _force(compliance, gap, area):
    held = gap > 0
    while True:
        pressure = np.linalg.solve(compliance[np.ix_(held, held)], gap[held])
        if np.all(pressure >= 0):
            return area * pressure.sum()
        inside = np.flatnonzero(held)
        held[inside[pressure < 0]] = False
