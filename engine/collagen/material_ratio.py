"""The areal material ratio curve and the parameters of its core, peaks and valleys."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_CORE = 0.4  # width of the secant that finds the core: common to all standards of this family
_CURVE_POINTS = 201


@dataclass(frozen=True)
class MaterialRatio:
    """Material ratio curve and Sk family; NaN where there are no heights.

    Attributes
    ----------
    Sk_nm, Spk_nm, Svk_nm
        Height of the core, reduced height of the peaks above and of the valleys below it.
    Smr1_pct, Smr2_pct
        Material ratio where peaks end and where valleys begin.
    ratio_pct, height_nm
        The curve: share of the area that lies at least this high, shape (points,) each.
    """

    Sk_nm: float
    Spk_nm: float
    Svk_nm: float
    Smr1_pct: float
    Smr2_pct: float
    ratio_pct: Array
    height_nm: Array


def material_ratio(height_nm: Array) -> MaterialRatio:
    """Material ratio curve of all valid heights and the parameters read from it.

    The core's line is the least-squares line through that 40 % of the curve whose secant is
    flattest; Spk and Svk are the heights of triangles of equal area (ISO 25178-2 with
    ISO 13565-2, from memory).

    Parameters
    ----------
    height_nm
        Heights, NaN where there is no datum, any shape.

    Returns
    -------
    MaterialRatio
        Heights are from the mean.
    """
    z = np.sort(height_nm[np.isfinite(height_nm)])[::-1]
    n = len(z)
    ratio = np.linspace(0.0, 100.0, _CURVE_POINTS)
    if n < 10:
        nan = float("nan")
        return MaterialRatio(nan, nan, nan, nan, nan, ratio, np.full(len(ratio), nan))
    z = z - z.mean()
    share = (np.arange(n) + 0.5) / n
    curve = np.interp(ratio / 100.0, share, z)
    upper, lower = _core_line(z, share)
    above, below = z > upper, z < lower
    peaks, valleys = float(above.mean()), float(below.mean())
    return MaterialRatio(
        Sk_nm=upper - lower,
        Spk_nm=2.0 * float((z[above] - upper).sum()) / n / peaks if peaks > 0 else 0.0,
        Svk_nm=2.0 * float((lower - z[below]).sum()) / n / valleys if valleys > 0 else 0.0,
        Smr1_pct=100.0 * peaks,
        Smr2_pct=100.0 * (1.0 - valleys),
        ratio_pct=ratio,
        height_nm=curve,
    )


def _core_line(z: Array, share: Array) -> tuple[float, float]:
    """Heights of the core's line at material ratios 0 and 100 %."""
    k = max(2, round(_CORE * len(z)))
    drop = z[: len(z) - k] - z[k:]
    flattest = np.flatnonzero(drop <= drop.min() * (1.0 + 1e-12))
    first = int(flattest[len(flattest) // 2])
    part = slice(first, first + k + 1)
    x = share[part] - share[part].mean()
    slope = float(x @ z[part] / (x @ x))
    at_zero = float(z[part].mean()) - slope * float(share[part].mean())
    return at_zero, at_zero + slope
