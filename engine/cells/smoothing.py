"""Gaussian smoothing that gives the same bits whatever block of an image it is run on."""

import math

import numba
import numpy as np
from numpy.typing import NDArray

TRUNCATE = 3.5
"""Kernel half-width in standard deviations; beyond it a Gaussian holds 5e-4 of its mass."""


def half_width(sigma_px: float) -> int:
    """Pixels on each side that a Gaussian of ``sigma_px`` reads."""
    return max(1, math.ceil(TRUNCATE * sigma_px))


def gaussian_taps(sigma_px: float) -> NDArray[np.float32]:
    """Centre and one side of a unit-sum sampled Gaussian, (half_width + 1,)."""
    x = np.arange(half_width(sigma_px) + 1, dtype=np.float64)
    taps = np.exp(-0.5 * (x / sigma_px) ** 2)
    return (taps / (taps[0] + 2 * taps[1:].sum())).astype(np.float32)


# No fast-math: a reordered sum would differ between blocks in the last bit, and a detection that
# hangs on the last bit is not the same in chunks as in one piece.
@numba.njit(cache=True, nogil=True)
def _columns(image, taps, out):  # type: ignore[no-untyped-def]
    rows, cols = image.shape
    half = taps.size - 1
    for r in range(half, rows - half):
        for c in range(cols):
            out[r, c] = taps[0] * image[r, c]
        for k in range(1, half + 1):
            t = taps[k]
            up = image[r - k]
            down = image[r + k]
            for c in range(cols):
                out[r, c] += t * (up[c] + down[c])


@numba.njit(cache=True, nogil=True)
def _rows(image, taps, out):  # type: ignore[no-untyped-def]
    rows, cols = image.shape
    half = taps.size - 1
    inner = cols - 2 * half
    for r in range(rows):
        source = image[r]
        target = out[r, half : half + inner]
        for c in range(inner):
            target[c] = taps[0] * source[half + c]
        for k in range(1, half + 1):
            t = taps[k]
            left = source[half - k : half - k + inner]
            right = source[half + k : half + k + inner]
            for c in range(inner):
                target[c] += t * (left[c] + right[c])


def smooth(image: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    """Gaussian smoothing of the inside of a block.

    Parameters
    ----------
    image
        (rows, cols), float32, C order, already padded.
    sigma_px
        Standard deviation, pixels, > 0.

    Returns
    -------
    ndarray
        (rows, cols) float32; within ``half_width(sigma_px)`` of the border the values are the
        unsmoothed image's and mean nothing.
    """
    taps = gaussian_taps(sigma_px)
    across = image.copy()
    _columns(image, taps, across)
    out = across.copy()
    _rows(across, taps, out)
    return out
