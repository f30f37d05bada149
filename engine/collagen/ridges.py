"""Where fibrils run: a Hessian ridge filter at several scales, and its crests."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from engine.collagen.settings import CollagenSettings
from engine.collagen.strips import strips

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]

_SIGMA_PER_DIAMETER = 0.3
_TRUNCATE = 3.0


@dataclass(frozen=True)
class Ridges:
    """Ridge filter response.

    Attributes
    ----------
    strength
        Largest over the scales of (-l1 - |l2|) d / 2; a half cylinder has about 1; (rows, cols).
    normal_rad
        Direction across the ridge, from +u towards +v, modulo pi; (rows, cols).
    diameter_nm
        Diameter of the scale that answered most strongly; (rows, cols).
    crest
        Where the strength is a maximum across the ridge; (rows, cols).
    """

    strength: Array
    normal_rad: Array
    diameter_nm: Array
    crest: Mask


def fill_missing(height_nm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Fill NaN so that filters run: by the nearest datum, lost rows by a straight line.

    Parameters
    ----------
    height_nm
        Heights, NaN where there is no datum, shape (rows, cols).

    Returns
    -------
    numpy.ndarray
        Heights without NaN, same shape; zero where there is no datum at all.
    """
    missing = ~np.isfinite(height_nm)
    if not missing.any():
        return height_nm
    if missing.all():
        return np.zeros_like(height_nm)
    near = ndimage.distance_transform_edt(missing, return_distances=False, return_indices=True)
    out = np.asarray(height_nm[tuple(near)])
    _bridge_rows(out, missing)
    return out


def _bridge_rows(filled: NDArray[np.float64], missing: Mask) -> None:
    """Bridge whole rows that are missing in a straight line, so that no step is made."""
    lost = missing.all(axis=1)
    kept = np.flatnonzero(~lost)
    for row in np.flatnonzero(lost):
        after = int(np.searchsorted(kept, row))
        if 0 < after < len(kept):
            low, high = int(kept[after - 1]), int(kept[after])
            share = (row - low) / (high - low)
            filled[row] = (1 - share) * filled[low] + share * filled[high]


def find_ridges(
    height_nm: NDArray[np.float64], pixel_nm: tuple[float, float], settings: CollagenSettings
) -> Ridges:
    """Ridge strength, direction, scale and crest of a height image without NaN.

    Parameters
    ----------
    height_nm
        Heights, flattened strongly enough that no bow looks like a ridge, shape (rows, cols).
    pixel_nm
        Spacing along u and v.
    settings
        The ``trace_*`` fields.

    Returns
    -------
    Ridges
        Response per pixel.
    """
    base = ndimage.gaussian_filter(height_nm.astype(np.float32), settings.trace_smooth_px)
    rows, cols = base.shape
    strength = np.empty(base.shape, np.float32)
    normal = np.empty(base.shape, np.float32)
    diameter = np.empty(base.shape, np.float32)
    halo = int(_TRUNCATE * _SIGMA_PER_DIAMETER * settings.trace_max_nm / pixel_nm[1]) + 3
    for read, inner, at in strips(rows, cols, halo):
        found = _strongest(base[read], pixel_nm, settings)
        strength[at], normal[at], diameter[at] = (part[inner] for part in found)
    crest = np.empty(base.shape, bool)
    for read, inner, at in strips(rows, cols, 3):
        crest[at] = _crest(strength[read], normal[read], pixel_nm)[inner]
    return Ridges(strength, normal, diameter, crest)


def _strongest(
    base: Array, pixel_nm: tuple[float, float], settings: CollagenSettings
) -> tuple[Array, Array, Array]:
    """Strength, direction across and diameter of the scale that answers most strongly."""
    strength = np.full(base.shape, -np.inf, np.float32)
    normal = np.zeros(base.shape, np.float32)
    diameter = np.zeros(base.shape, np.float32)
    for d in np.geomspace(settings.trace_min_nm, settings.trace_max_nm, settings.trace_scales):
        response, direction = _hessian_ridge(base, pixel_nm, float(d))
        better = response > strength
        strength[better] = response[better]
        normal[better] = direction[better]
        diameter[better] = d
    return strength, normal, diameter


def _hessian_ridge(base: Array, pixel_nm: tuple[float, float], d_nm: float) -> tuple[Array, Array]:
    du, dv = pixel_nm
    sigma = _SIGMA_PER_DIAMETER * d_nm
    z = ndimage.gaussian_filter(base, (sigma / dv, sigma / du), mode="nearest", truncate=_TRUNCATE)
    p = np.pad(z, 1, mode="edge")
    mid = 2.0 * z
    uu = (p[1:-1, 2:] + p[1:-1, :-2] - mid) / (du * du)
    vv = (p[2:, 1:-1] + p[:-2, 1:-1] - mid) / (dv * dv)
    uv = (p[2:, 2:] + p[:-2, :-2] - p[2:, :-2] - p[:-2, 2:]) / (4.0 * du * dv)
    half_trace = 0.5 * (uu + vv)
    half_gap = 0.5 * (uu - vv)
    root = np.sqrt(half_gap * half_gap + uv * uv)
    low, high = half_trace - root, half_trace + root
    response = (-low - np.abs(high)) * (0.5 * d_nm)
    # The eigenvector of the lowest (most negative) curvature lies across the ridge.
    across = 0.5 * np.arctan2(uv, half_gap) + np.float32(0.5 * np.pi)
    return response.astype(np.float32), across.astype(np.float32)


def _crest(strength: Array, normal: Array, pixel_nm: tuple[float, float]) -> Mask:
    step = min(pixel_nm)
    shift_u = np.cos(normal) * (step / pixel_nm[0])
    shift_v = np.sin(normal) * (step / pixel_nm[1])
    v, u = np.indices(strength.shape, dtype=np.float32)
    ahead, behind = (
        ndimage.map_coordinates(
            strength, [v + s * shift_v, u + s * shift_u], order=1, mode="nearest"
        )
        for s in (1, -1)
    )
    return np.asarray((strength >= ahead) & (strength > behind) & (strength > 0))
