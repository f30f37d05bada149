"""From volts to nanometres: the sensitivity from curves on a stiff surface."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

LEAST_SAMPLES = 8


@dataclass(frozen=True)
class Sensitivity:
    """Sensitivity of the deflection from curves on a surface far stiffer than the cantilever.

    Attributes
    ----------
    nm_per_V
        Median over the curves; NaN where none serves.
    rel_sd
        Relative standard deviation of one curve about it (1.4826 median absolute deviation); NaN
        for a single curve.
    rel_se
        Relative standard error of the median; for a single curve that of its slope.
    bend
        Median of slope in the upper over slope in the lower half of the contact, less 1: a straight
        detector on a stiff surface has 0.
    each_nm_per_V
        Of every curve (n,), NaN where it does not serve.
    """

    nm_per_V: float
    rel_sd: float
    rel_se: float
    bend: float
    each_nm_per_V: Floats


def sensitivity_from_stiff_surface(
    z_nm: ArrayLike,
    deflection_V: ArrayLike,
    *,
    lower_share: float = 0.2,
    upper_share: float = 0.9,
) -> Sensitivity:
    """Find the sensitivity from curves on a stiff surface: there the deflection is the drive.

    Parameters
    ----------
    z_nm
        Drive (s,) or (n, s), nm, growing towards the surface.
    deflection_V
        Deflection (s,) or (n, s), volts; NaN = no sample.
    lower_share, upper_share
        The slope, less the baseline's, is taken between these shares of the largest deflection
        above the baseline, away from the contact's bend and from the detector's end.

    Returns
    -------
    Sensitivity

    Raises
    ------
    ValueError
        If shapes do not agree or the shares are not 0 <= lower < upper <= 1.
    """
    d = np.atleast_2d(np.asarray(deflection_V, float))
    z = np.asarray(z_nm, float)
    if not 0 <= lower_share < upper_share <= 1:
        raise ValueError(
            f"shares must be 0 <= lower < upper <= 1, got {lower_share} and {upper_share}"
        )
    if z.shape not in (d.shape, d.shape[1:]):
        raise ValueError(f"z must be {d.shape} or {d.shape[1:]} like the deflection, got {z.shape}")
    rows = [
        _slope(zs, ds, lower_share, upper_share)
        for zs, ds in zip(np.broadcast_to(z, d.shape), d, strict=True)
    ]
    each, errors, bends = (np.array(column) for column in zip(*rows, strict=True))
    good = np.isfinite(each)
    if not good.any():
        nan = float("nan")
        return Sensitivity(nan, nan, nan, nan, each)
    middle, n = float(np.median(each[good])), int(good.sum())
    spread = float("nan")
    error = float(errors[good][0])
    if n > 1:
        spread = float(1.4826 * np.median(np.abs(each[good] / middle - 1.0)))
        error = 1.2533 * spread / np.sqrt(n)
    return Sensitivity(middle, spread, error, float(np.median(bends[good])), each)


def _slope(z: Floats, d: Floats, lower: float, upper: float) -> tuple[float, float, float]:
    """Sensitivity, its relative standard error, and the bend of one curve; NaN if it is none."""
    nan = float("nan")
    known = np.isfinite(z) & np.isfinite(d)
    z, d = z[known], d[known]
    order = np.argsort(z, kind="stable")
    z, d = z[order], d[order]
    if len(z) < 4 * LEAST_SAMPLES:
        return nan, nan, nan
    far = len(z) // 5
    line = np.polyfit(z[:far], d[:far], 1)
    push = d - np.polyval(line, z)
    sigma = float(np.std(push[:far]))
    top = float(push.max())
    if not top > 20.0 * sigma:
        return nan, nan, nan
    first = len(push) - int(np.argmax((push < lower * top)[::-1]))
    part = np.arange(len(z)) >= first
    part &= push <= upper * top
    if part.sum() < LEAST_SAMPLES:
        return nan, nan, nan
    (slope, _), covariance = np.polyfit(z[part], push[part], 1, cov=True)
    if not slope > 0:
        return nan, nan, nan
    halves = [np.polyfit(*half, 1)[0] for half in _halves(z[part], push[part])]
    return 1.0 / slope, float(np.sqrt(covariance[0, 0]) / slope), float(halves[1] / halves[0] - 1.0)


def _halves(z: Floats, d: Floats) -> list[tuple[Floats, Floats]]:
    middle = len(z) // 2
    return [(z[:middle], d[:middle]), (z[middle:], d[middle:])]
