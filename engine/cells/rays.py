"""A candidate nucleus along rays from its centre: contrast, edge sharpness, radius."""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

DIRECTIONS = 24
STEP_UM = 0.5


@dataclass(frozen=True)
class RayMeasures:
    """Measures of candidates along 24 rays each.

    Attributes
    ----------
    contrast
        (n,) brightness of the centre above its surround, in the image's unit.
    background
        (n,) that surround, in the image's unit: the median over rays of each ray's darkest point.
    sharpness_per_um
        (n,) steepest fall of the median profile over its contrast, 1/um. Independent of
        brightness; falls with defocus. The median over rays first and the slope after it: the other
        way round, noise alone makes faint blurs look sharp.
    radius_um
        (n,) median over rays of the distance at which half of the contrast is lost; the ray's
        length where it is not lost.
    narrow_radius_um
        (n,) lower quartile of the same: small for a fibre, which is long only along itself.
    """

    contrast: NDArray[np.float64]
    background: NDArray[np.float64]
    sharpness_per_um: NDArray[np.float64]
    radius_um: NDArray[np.float64]
    narrow_radius_um: NDArray[np.float64]


@numba.njit(cache=True, nogil=True)
def _bilinear(image, row, col, r, c):  # type: ignore[no-untyped-def]
    below = int(np.floor(r))
    left = int(np.floor(c))
    fr = r - below
    fc = c - left
    i = row + below
    j = col + left
    top = image[i, j] * (1 - fc) + image[i, j + 1] * fc
    bottom = image[i + 1, j] * (1 - fc) + image[i + 1, j + 1] * fc
    return top * (1 - fr) + bottom * fr


@numba.njit(cache=True, nogil=True)
def _half_distance(ray, half, step_um):  # type: ignore[no-untyped-def]
    for k in range(1, ray.size):
        if ray[k] < half:
            return (k - 1 + (ray[k - 1] - half) / (ray[k - 1] - ray[k])) * step_um
    return (ray.size - 1) * step_um


@numba.njit(cache=True, nogil=True)
def _measure(image, rows, cols, row_part, col_part, step_px, step_um, samples, out):  # type: ignore[no-untyped-def]
    directions = DIRECTIONS
    rays = np.empty((directions, samples))
    low = np.empty(directions)
    radius = np.empty(directions)
    profile = np.empty(samples)
    for n in range(rows.size):
        for d in range(directions):
            angle = 2 * np.pi * d / directions
            dr = step_px * np.sin(angle)
            dc = step_px * np.cos(angle)
            for k in range(samples):
                r = row_part[n] + k * dr
                c = col_part[n] + k * dc
                rays[d, k] = _bilinear(image, rows[n], cols[n], r, c)
            low[d] = rays[d].min()
        centre = rays[0, 0]
        background = np.median(low)
        contrast = centre - background
        for d in range(directions):
            radius[d] = _half_distance(rays[d], background + 0.5 * contrast, step_um)
        for k in range(samples):
            profile[k] = np.median(rays[:, k])
        steepest = 0.0
        for k in range(2, samples):
            steepest = max(steepest, (profile[k - 2] - profile[k]) / (2 * step_um))
        depth = centre - profile.min()
        radius.sort()
        out[n, 0] = contrast
        out[n, 1] = background
        out[n, 2] = steepest / depth if depth > 0 else 0.0
        out[n, 3] = 0.5 * (radius[directions // 2 - 1] + radius[directions // 2])
        out[n, 4] = radius[directions // 4]


def measure_rays(
    image: NDArray[np.float32],
    rows: NDArray[np.int64],
    cols: NDArray[np.int64],
    row_part: NDArray[np.float64],
    col_part: NDArray[np.float64],
    pixel_um: float,
    reach_um: float,
) -> RayMeasures:
    """Measure candidates along 24 rays.

    Parameters
    ----------
    image
        (rows, cols), lightly smoothed; it must reach ``reach_um`` and two pixels beyond every
        candidate.
    rows, cols
        (n,) whole pixels of the candidates' centres.
    row_part, col_part
        (n,) what to add to them. Kept apart, so that rounding does not depend on where in a block
        a candidate lies.
    pixel_um
        Pixel size.
    reach_um
        Length of the rays.
    """
    out = np.zeros((rows.size, 5))
    samples = max(3, int(np.floor(reach_um / STEP_UM)) + 1)
    step_px = STEP_UM / pixel_um
    _measure(image, rows, cols, row_part, col_part, step_px, STEP_UM, samples, out)
    return RayMeasures(*out.T)
