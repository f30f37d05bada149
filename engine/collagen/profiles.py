"""Thickness from profiles across a fibril: a circle through both sides of its cap."""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from engine.collagen.settings import CollagenSettings
from engine.collagen.traces import Traces
from engine.collagen.walk import gradient_along, smooth_along

Array = NDArray[np.float64]

_AXIS_SMOOTH_NM = 60.0
_ASIDE = 0.8  # of the radius


@dataclass(frozen=True)
class CapFits:
    """Circle through the cap at every path point; shape (points,) each.

    Attributes
    ----------
    thickness_nm
        Twice the circle's radius; NaN where a gate is not passed.
    residual
        Root mean square residual in radii; NaN where nothing could be fitted.
    radius_nm, offset_nm
        The circle, whether or not a gate is passed: its radius, and its centre from the path along
        the normal; NaN where nothing could be fitted.
    flank_nm
        Height of the lower flank; NaN where the profile has no crest near the path.
    """

    thickness_nm: Array
    residual: Array
    radius_nm: Array
    offset_nm: Array
    flank_nm: Array


@numba.njit(cache=True)
def _cubic(z, v, u):  # type: ignore[no-untyped-def]
    """Catmull-Rom interpolation with the border held."""
    rows, cols = z.shape
    v = min(max(v, 0.0), rows - 1.0)
    u = min(max(u, 0.0), cols - 1.0)
    v0, u0 = int(v), int(u)
    b, a = v - v0, u - u0
    wu0 = a * (-0.5 + a * (1.0 - 0.5 * a))
    wu1 = 1.0 + a * a * (-2.5 + 1.5 * a)
    wu2 = a * (0.5 + a * (2.0 - 1.5 * a))
    wu3 = a * a * (-0.5 + 0.5 * a)
    wv0 = b * (-0.5 + b * (1.0 - 0.5 * b))
    wv1 = 1.0 + b * b * (-2.5 + 1.5 * b)
    wv2 = b * (0.5 + b * (2.0 - 1.5 * b))
    wv3 = b * b * (-0.5 + 0.5 * b)
    um, u1, u2 = max(u0 - 1, 0), min(u0 + 1, cols - 1), min(u0 + 2, cols - 1)
    total = 0.0
    for k in range(4):
        r = min(max(v0 - 1 + k, 0), rows - 1)
        line = wu0 * z[r, um] + wu1 * z[r, u0] + wu2 * z[r, u1] + wu3 * z[r, u2]
        w = wv0 if k == 0 else (wv1 if k == 1 else (wv2 if k == 2 else wv3))
        total += w * line
    return total


@numba.njit(cache=True)
def _profile(z, v, u, tv, tu, dv, du, step, half, average, count, out):  # type: ignore[no-untyped-def]
    """Profile across at ``-half..half`` steps, averaged over ``count`` lines along the path."""
    for i in range(2 * half + 1):
        t = (i - half) * step
        total = 0.0
        for k in range(count):
            s = 0.0 if count == 1 else average * (2.0 * k / (count - 1) - 1.0)
            # across is the tangent turned by a quarter: (-tv, tu) in (u, v)
            total += _cubic(z, v + (s * tv + t * tu) / dv, u + (s * tu - t * tv) / du)
        out[i] = total / count


@numba.njit(cache=True)
def _side_end(p, top, sign, size):  # type: ignore[no-untyped-def]
    """Index of the foot of the flank: where the profile has turned up for good."""
    low, at = p[top], top
    i = top + sign
    while 0 <= i < size:
        if p[i] < low:
            low, at = p[i], i
        elif p[i] > low + 0.05 * (p[top] - low) + 0.3:
            break
        i += sign
    return at


@numba.njit(cache=True)
def _steepest(p, top, foot):  # type: ignore[no-untyped-def]
    """Where a flank falls most steeply: below, the tip has filled the corner with its own shape."""
    sign = 1 if foot > top else -1
    at, most = foot, 0.0
    i = top + 2 * sign
    while (foot - i) * sign >= 2:
        fall = (p[i - 2 * sign] - p[i + 2 * sign]) + (p[i - sign] - p[i + sign])
        if fall > most:
            at, most = i, fall
        i += sign
    return at


@numba.njit(cache=True)
def _circle(p, t0, step, first, last, floor, sol):  # type: ignore[no-untyped-def]
    """Linear least-squares circle through the points of ``first..last`` above ``floor``."""
    n = 0
    sx = sz = sxx = szz = sxz = sq = sxq = szq = 0.0
    z0 = p[(first + last) // 2]
    for i in range(first, last + 1):
        if p[i] < floor:
            continue
        x, y = t0 + i * step, p[i] - z0
        q = x * x + y * y
        n += 1
        sx += x
        sz += y
        sxx += x * x
        szz += y * y
        sxz += x * y
        sq += q
        sxq += x * q
        szq += y * q
    if n < 5:
        return n
    cxx, czz, cxz = sxx - sx * sx / n, szz - sz * sz / n, sxz - sx * sz / n
    cxq, czq = sxq - sx * sq / n, szq - sz * sq / n
    det = cxx * czz - cxz * cxz
    if det <= 1e-9 * cxx * cxx:
        return 0
    a = 0.5 * (cxq * czz - czq * cxz) / det
    b = 0.5 * (czq * cxx - cxq * cxz) / det
    r2 = sq / n - 2.0 * (a * sx + b * sz) / n + a * a + b * b
    sol[0], sol[1], sol[2] = a, b + z0, np.sqrt(max(r2, 0.0))
    error = 0.0
    for i in range(first, last + 1):
        if p[i] >= floor:
            e = np.hypot(t0 + i * step - a, p[i] - sol[1]) - sol[2]
            error += e * e
    sol[3] = np.sqrt(error / n)
    return n


@numba.njit(cache=True)
def _fit_cap(p, step, half, reach, flank_share, depth_share, sol):  # type: ignore[no-untyped-def]
    """Circle through both sides of the cap; sol: centre, height, r, rms, reach, flank."""
    size = 2 * half + 1
    top = half
    for i in range(max(half - reach, 0), min(half + reach, size - 1) + 1):
        if p[i] > p[top]:
            top = i
    left, right = _side_end(p, top, -1, size), _side_end(p, top, 1, size)
    drop_left, drop_right = p[top] - p[left], p[top] - p[right]
    sol[5] = min(drop_left, drop_right)
    if sol[5] <= 0.0:
        return 0
    left, right = _steepest(p, top, left), _steepest(p, top, right)
    deepest = np.inf
    n = 0
    first, last = left, right
    for _ in range(4):
        first, last = top, top
        while first > left and p[top] - p[first - 1] <= min(flank_share * drop_left, deepest):
            first -= 1
        while last < right and p[top] - p[last + 1] <= min(flank_share * drop_right, deepest):
            last += 1
        n = _circle(p, -half * step, step, first, last, -np.inf, sol)
        if n < 5:
            return 0
        deepest = depth_share * sol[2]
    sol[4] = min(sol[0] + half * step - first * step, last * step - half * step - sol[0])
    return n


@numba.njit(cache=True)
def _fit_all(  # type: ignore[no-untyped-def]
    z, v, u, tv, tu, cosine, diameter, pixel, shares, average, count, out
):
    dv, du = pixel
    step = 0.5 * min(dv, du)
    p = np.empty(2 * int(400.0 / step) + 3)
    sol = np.zeros(6)
    for i in range(len(v)):
        span = min(max(0.9 * diameter[i], 4.0 * step), 390.0)
        half = int(span / step) + 1
        _profile(z, v[i], u[i], tv[i], tu[i], dv, du, step, half, average, count, p)
        for k in range(2 * half + 1):
            p[k] *= cosine[i]
        reach = int(0.3 * diameter[i] / step) + 1
        points = _fit_cap(p, step, half, reach, shares[0], shares[1], sol)
        out[i, 5] = sol[5]
        if points >= 5:
            for k in range(5):
                out[i, k] = sol[k]


def fit_caps(
    height_nm: Array, traces: Traces, pixel_nm: tuple[float, float], settings: CollagenSettings
) -> CapFits:
    """Fit a circle to the cap at every point of every path.

    Parameters
    ----------
    height_nm
        Eroded heights, NaN where there is no datum, shape (rows, cols).
    traces
        Paths with tangents.
    pixel_nm
        Spacing along u and v.
    settings
        ``profile_*``, ``gate_*``, ``thickness_*``, ``edge_nm``.

    Returns
    -------
    CapFits
        Thickness where all gates are passed.
    """
    out = np.full((len(traces.u_px), 6), np.nan)
    _fit_all(
        np.ascontiguousarray(height_nm),
        traces.v_px,
        traces.u_px,
        traces.tangent_v,
        traces.tangent_u,
        axis_cosine(height_nm, traces),
        traces.diameter_nm,
        (float(pixel_nm[1]), float(pixel_nm[0])),
        (settings.profile_flank_share, settings.profile_depth_share),
        settings.profile_average_nm,
        3 if settings.profile_average_nm > 0 else 1,
        out,
    )
    offset, radius, rms, reach, flank = out[:, 0], out[:, 2], out[:, 3], out[:, 4], out[:, 5]
    with np.errstate(invalid="ignore", divide="ignore"):
        residual = rms / radius
        passed = (
            (residual < settings.gate_residual)
            & (reach > settings.gate_reach * radius)
            & (flank > settings.gate_flank_nm)
            & (2 * radius > settings.thickness_min_nm)
            & (2 * radius < settings.thickness_max_nm)
            & _inside(height_nm.shape, traces, pixel_nm, settings.edge_nm)
        )
        flank = np.where(flank > 0, flank, np.nan)
    return CapFits(np.where(passed, 2.0 * radius, np.nan), residual, radius, offset, flank)


def on_crest(caps: CapFits) -> NDArray[np.bool_]:
    """Tell which path points lie on a crest, not on a shoulder or between two fibrils.

    Parameters
    ----------
    caps
        Circle fits at the points.

    Returns
    -------
    numpy.ndarray
        Boolean, shape (points,): the heights fall on both sides, and the circle that fits them is
        centred on the path.
    """
    aside = np.abs(caps.offset_nm) > _ASIDE * caps.radius_nm  # false where nothing was fitted
    return np.asarray(np.isfinite(caps.flank_nm) & ~aside)


def axis_height(height_nm: Array, traces: Traces, smooth_nm: float) -> Array:
    """Height along each path, smoothed.

    Parameters
    ----------
    height_nm
        Heights, shape (rows, cols).
    traces
        Paths.
    smooth_nm
        Standard deviation of the smooth along the path.

    Returns
    -------
    numpy.ndarray
        Heights, shape (points,).
    """
    raw = np.empty(len(traces.u_px))
    _sample(np.ascontiguousarray(height_nm), traces.v_px, traces.u_px, raw)
    return smooth_along(raw, traces.arc_nm, traces.start, smooth_nm)


@numba.njit(cache=True)
def _sample(z, v, u, out):  # type: ignore[no-untyped-def]
    for i in range(len(v)):
        out[i] = _cubic(z, v[i], u[i])


def axis_cosine(height_nm: Array, traces: Traces) -> Array:
    """Cosine of the slope of each fibril's axis: what a vertical section across it is scaled by.

    Parameters
    ----------
    height_nm
        Heights, shape (rows, cols).
    traces
        Paths.

    Returns
    -------
    numpy.ndarray
        Cosines, shape (points,).
    """
    height = axis_height(height_nm, traces, _AXIS_SMOOTH_NM)
    slope = gradient_along(height, traces.arc_nm, traces.start)
    return 1.0 / np.sqrt(1.0 + slope * slope)


def _inside(
    shape: tuple[int, ...], traces: Traces, pixel_nm: tuple[float, float], edge_nm: float
) -> NDArray[np.bool_]:
    margin_u, margin_v = edge_nm / pixel_nm[0], edge_nm / pixel_nm[1]
    return np.asarray(
        (traces.u_px >= margin_u)
        & (traces.u_px <= shape[1] - 1 - margin_u)
        & (traces.v_px >= margin_v)
        & (traces.v_px <= shape[0] - 1 - margin_v)
    )
