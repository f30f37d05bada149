"""How blunt the tip can be at most, from the image alone: blind reconstruction of one radius."""

from dataclasses import dataclass, replace

import numba
import numpy as np
from numpy.typing import NDArray

from engine.collagen.tip import ImageTip, erode

Array = NDArray[np.float64]

_LARGEST_PX = 320
_DEPTH_NM = 80.0
_GROWTH = 1.18
_KNEE = 1.8  # noise lets the residual grow in proportion to the radius, relief with its square
_FLOOR = 1e-2  # nm of residual per nm of radius: images without noise have a knee as well
_LEAST = 0.25  # of the noise: below this the residual only begins to show, and grows as fast
_WIDEST = 0.3  # of the window: blunter tips are not tried


@dataclass(frozen=True)
class TipBound:
    """Upper bound of the tip's apex radius.

    Attributes
    ----------
    radius_nm
        The bluntest tip that could have taken the image; NaN where the image cannot tell. The
        true radius is smaller or about equal: equal where the surface has features that are
        sharp against the tip.
    tried_nm, residual_nm
        Radii tried and the mean height by which an opening with such a tip falls short of the
        image, shape (radii,).
    """

    radius_nm: float
    tried_nm: Array
    residual_nm: Array


@numba.njit(cache=True)
def _envelope(line, step, radius, out, at, edge):  # type: ignore[no-untyped-def]
    """Lower envelope of upward parabolas x^2 / 2R on every sample of a line."""
    n = len(line)
    k = 0
    at[0] = 0
    edge[0], edge[1] = -np.inf, np.inf
    scale = step * step / (2.0 * radius)
    for q in range(1, n):
        while True:
            p = at[k]
            s = ((line[q] + scale * q * q) - (line[p] + scale * p * p)) / (2.0 * scale * (q - p))
            if s > edge[k] or k == 0:
                break
            k -= 1
        if s <= edge[k]:
            k = -1
            s = -np.inf
        k += 1
        at[k] = q
        edge[k], edge[k + 1] = s, np.inf
    k = 0
    for q in range(n):
        while edge[k + 1] < q:
            k += 1
        out[q] = line[at[k]] + scale * (q - at[k]) * (q - at[k])


@numba.njit(cache=True)
def _erode_parabola(z, du, dv, radius):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    most = max(rows, cols)
    out = np.empty_like(z)
    at = np.empty(most + 1, np.int64)
    edge = np.empty(most + 2)
    column = np.empty(rows)
    for r in range(rows):
        _envelope(z[r], du, radius, out[r], at, edge)
    for c in range(cols):
        line = out[:, c].copy()
        _envelope(line, dv, radius, column, at, edge)
        out[:, c] = column
    return out


def _opening(z: Array, pixel_nm: tuple[float, float], tip: ImageTip) -> Array:
    if tip.shape in ("paraboloid", "sphere") and tip.radius_nm is not None:
        # Nanometre relief meets the very end of a sphere only: there it is a paraboloid.
        du, dv = pixel_nm
        eroded = _erode_parabola(z, du, dv, tip.radius_nm)
        return np.asarray(-_erode_parabola(-eroded, du, dv, tip.radius_nm))
    eroded = erode(z, pixel_nm, tip, _DEPTH_NM)
    return -erode(-eroded, pixel_nm, tip, _DEPTH_NM)


def _middle(height_nm: Array) -> Array:
    rows, cols = height_nm.shape
    top, left = max(0, (rows - _LARGEST_PX) // 2), max(0, (cols - _LARGEST_PX) // 2)
    part = height_nm[top : top + _LARGEST_PX, left : left + _LARGEST_PX]
    return np.ascontiguousarray(part)


def radius_bound(height_nm: Array, pixel_nm: tuple[float, float], tip: ImageTip | None) -> TipBound:
    """Bound the apex radius: an image is unchanged by opening it with the tip that took it.

    What a tip has dilated, an opening (erosion, then dilation) by the same tip or a sharper one
    leaves alone; a blunter one cuts the sharpest features off. The residual of the opening is
    followed over growing radii: noise makes it grow in proportion, and it bends upwards where the
    radius passes that of the tip. (The principle of blind reconstruction, Villarrubia 1997, from
    memory, with one radius in place of a free shape.)

    Parameters
    ----------
    height_nm
        Levelled heights without NaN, shape (rows, cols); the middle 320 x 320 are used.
    pixel_nm
        Spacing along u and v.
    tip
        What is known of the probe; its shape and half angle are used, not its radius. None: a
        paraboloid.

    Returns
    -------
    TipBound
        The radius at the bend.
    """
    z = _middle(height_nm)
    none = TipBound(float("nan"), np.zeros(0), np.zeros(0))
    if min(z.shape) < 32 or float(np.ptp(z)) == 0.0:
        return none
    shape = tip if tip is not None else ImageTip("paraboloid", 1.0)
    tried: list[float] = []
    residual: list[float] = []
    least = _LEAST * _unevenness(z)
    radius = 0.3 * min(pixel_nm)
    longest = _WIDEST * min(z.shape[1] * pixel_nm[0], z.shape[0] * pixel_nm[1])
    while radius < longest:
        cut = z - _opening(z, pixel_nm, replace(shape, radius_nm=radius))
        tried.append(radius)
        residual.append(float(cut.mean()))
        if len(tried) > 4 and (_bend(tried, residual, least) or 0.0) > tried[1]:
            break
        radius *= _GROWTH
    found = _bend(tried, residual, least)
    return TipBound(float("nan") if found is None else found, np.array(tried), np.array(residual))


def _unevenness(z: Array) -> float:
    """Noise from pixel to pixel along the rows, or what relief adds to it."""
    return float(np.median(np.abs(np.diff(z, 2, axis=1)))) / (0.6745 * 6**0.5)


def _bend(tried: list[float], residual: list[float], least: float) -> float | None:
    """Radius at which the residual starts to grow faster than noise lets it."""
    x = np.log(tried)
    y = np.log(np.array(residual) + _FLOOR * np.array(tried))
    if len(x) < 5:
        return None
    slope = (y[2:] - y[:-2]) / (x[2:] - x[:-2])
    seen = np.array(residual[2:-1]) > least
    over = np.concatenate([[False], (slope[:-1] > _KNEE) & (slope[1:] > _KNEE) & seen])
    bends = np.flatnonzero(over[1:] & ~over[:-1])
    if not bends.size:
        return None
    k = int(bends[0])
    if k == 0 and len(bends) == 1:
        return float(tried[1])
    # A residual that only begins to show, at the smallest radii, grows fast as well.
    k = k if k > 0 else int(bends[1])
    share = (_KNEE - slope[k - 1]) / (slope[k] - slope[k - 1])
    return float(np.exp(x[k] + share * (x[k + 1] - x[k])))
