"""Pixel noise from the image itself, as variance against brightness."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.cells.smoothing import gaussian_taps

_TILE_PX = 96
_TILES_A_SIDE = 12


@dataclass(frozen=True)
class NoiseModel:
    """Variance of a pixel: ``read_variance + variance_per_unit * brightness``.

    Attributes
    ----------
    read_variance
        Variance at brightness zero, image unit squared; may be negative where the image has an
        offset.
    variance_per_unit
        Rise of the variance with brightness, image unit, >= 0.
    smallest_sd
        Never less than this, image unit: the rounding of the stored numbers.
    """

    read_variance: float
    variance_per_unit: float
    smallest_sd: float

    def sd_at(self, brightness: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give the standard deviation of pixels of some brightness, image unit, same shape."""
        variance = self.read_variance + self.variance_per_unit * brightness
        return np.sqrt(np.maximum(variance, self.smallest_sd**2))


def _tile_statistics(tile: NDArray[np.float64]) -> tuple[float, float]:
    """Median brightness and noise variance of a tile.

    The double second difference cancels planes and parabolas and has unit gain for white noise
    (Immerkaer 1996, Comput. Vis. Image Underst. 64:300); the median of its size shrugs off edges.
    """
    second = tile[:-2] - 2 * tile[1:-1] + tile[2:]
    laplacian = (second[:, :-2] - 2 * second[:, 1:-1] + second[:, 2:]) / 6.0
    return float(np.median(tile)), float((1.4826 * np.median(np.abs(laplacian))) ** 2)


def _starts(length: int) -> NDArray[np.int64]:
    room = max(0, length - _TILE_PX)
    return np.unique(np.linspace(0, room, _TILES_A_SIDE).astype(np.int64))


def estimate_noise(image: Any) -> NoiseModel:
    """Noise of an image from up to 144 tiles spread over it.

    Parameters
    ----------
    image
        (rows, cols), anything that slices to an array.

    Returns
    -------
    NoiseModel
        A line through variance against brightness; constant where the tiles do not differ enough
        in brightness. Assumes noise that is white from pixel to pixel: on a resampled or smoothed
        image it is too low.
    """
    rows, cols = image.shape
    levels, variances, widest = [], [], 0.0
    for r in _starts(rows):
        for c in _starts(cols):
            tile = np.nan_to_num(
                np.asarray(image[r : r + _TILE_PX, c : c + _TILE_PX], dtype=np.float64),
                nan=0.0, posinf=0.0, neginf=0.0,
            )  # fmt: skip
            if min(tile.shape) < 3:
                continue
            level, variance = _tile_statistics(tile)
            levels.append(level)
            variances.append(variance)
            widest = max(widest, float(np.ptp(tile)))
    integer = np.issubdtype(image.dtype, np.integer)
    smallest = 1 / np.sqrt(12) if integer else max(1e-4 * widest, float(np.finfo(np.float32).tiny))
    if not levels:
        return NoiseModel(0.0, 0.0, float(smallest))
    x, y = np.array(levels), np.array(variances)
    spread = np.ptp(x)
    slope = 0.0
    if len(x) > 4 and spread > 0.05 * max(abs(float(x.max())), 1e-12):
        slope = max(0.0, float(np.polyfit(x, y, 1)[0]))
    return NoiseModel(float(np.median(y - slope * x)), slope, float(smallest))


def band_pass_gain(inner_px: float, outer_px: float) -> float:
    """Give the standard deviation that a difference of Gaussians makes of unit white noise."""

    def line(sigma_px: float, length: int) -> NDArray[np.float64]:
        taps = gaussian_taps(sigma_px).astype(np.float64)
        full = np.concatenate([taps[:0:-1], taps])
        pad = length - (full.size - 1) // 2
        return np.pad(full, pad)

    reach = gaussian_taps(outer_px).size
    a, b = line(inner_px, reach), line(outer_px, reach)
    # separable kernels: the sum of squares of the difference needs one-dimensional sums only
    return float(np.sqrt((a @ a) ** 2 - 2 * (a @ b) ** 2 + (b @ b) ** 2))
