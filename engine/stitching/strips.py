"""The part of a tile that another one overlaps, band-passed and binned for comparison."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from engine.stitching.settings import StitchingSettings

_FINE_SIGMA = 2.5
"""Binning keeps the inner Gaussian at least this wide, in binned pixels."""
_TRUNCATE = 3.0
_MAD_TO_SD = 1.4826


@dataclass(frozen=True)
class Strip:
    """A band-passed, binned part of a tile.

    Attributes
    ----------
    values
        (rows, cols), float32, in bins.
    first_px
        Tile pixel (row, col) that the first bin starts at.
    noise_sd
        Standard deviation that the tile's pixel noise has after the band-pass.
    """

    values: NDArray[np.float32]
    first_px: tuple[int, int]
    noise_sd: float


def bin_size(settings: StitchingSettings) -> int:
    """Pixels along each side of a bin: as many as the band-pass leaves without detail."""
    return max(1, int(settings.inner_sigma_px / _FINE_SIGMA))


def strip_ranges(
    offset_px: tuple[int, int], tile_shape: tuple[int, int], reach_px: int
) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Parts of both tiles that hold their overlap at a nominal offset, widened by a reach.

    Parameters
    ----------
    offset_px
        (row, col) of the second tile's first pixel from the first one's.
    tile_shape
        (rows, cols) of both.
    reach_px
        How much further into the tiles the parts shall go.

    Returns
    -------
    tuple
        (rows, cols) slices in the first tile, and in the second.
    """
    first, second = [], []
    for offset, size in zip(offset_px, tile_shape, strict=True):
        low, high = max(0, offset), min(size, size + offset)
        first.append(slice(max(0, low - reach_px), min(size, high + reach_px)))
        low, high = low - offset, high - offset
        second.append(slice(max(0, low - reach_px), min(size, high + reach_px)))
    return (first[0], first[1]), (second[0], second[1])


def cut_strip(tile: NDArray[Any], part: tuple[slice, slice], settings: StitchingSettings) -> Strip:
    """Bin a part of a tile and take its difference of two Gaussians.

    Parameters
    ----------
    tile
        (rows, cols).
    part
        Rows and columns that are wanted.
    settings
        Widths of the Gaussians.
    """
    size = bin_size(settings)
    margin = size * int(np.ceil(_TRUNCATE * settings.outer_sigma_px / size))
    # whole bins in front of the part, so that it starts with a bin
    lows = [min(p.start, margin) // size * size for p in part]
    highs = [min(n, p.stop + margin) for n, p in zip(tile.shape, part, strict=True)]
    begin = [p.start - low for p, low in zip(part, lows, strict=True)]
    binned = _binned(tile[begin[0] : highs[0], begin[1] : highs[1]], size)
    inner, outer = settings.inner_sigma_px / size, settings.outer_sigma_px / size
    band = gaussian_filter(binned, inner, truncate=_TRUNCATE, mode="nearest")
    band -= gaussian_filter(binned, outer, truncate=_TRUNCATE, mode="nearest")
    cut = [
        slice(low // size, low // size + (p.stop - p.start) // size)
        for low, p in zip(lows, part, strict=True)
    ]
    noise = _pixel_noise(binned) * _noise_gain(inner, outer)
    return Strip(band[cut[0], cut[1]], (part[0].start, part[1].start), noise)


def _pixel_noise(image: NDArray[np.float32]) -> float:
    """Noise from second differences along both axes, which smooth structure leaves near zero.

    Immerkaer, Computer Vision and Image Understanding 64 (1996) 300, with a median for his mean.
    """
    if min(image.shape) < 3:
        return 0.0
    down = image[2:] - 2 * image[1:-1] + image[:-2]
    both = down[:, 2:] - 2 * down[:, 1:-1] + down[:, :-2]
    return float(np.median(np.abs(both))) * _MAD_TO_SD / 6.0


@lru_cache(maxsize=8)
def _noise_gain(inner: float, outer: float) -> float:
    """Root of the summed squares of the band-pass: what it leaves of white noise."""
    size = 2 * int(np.ceil(_TRUNCATE * outer)) + 3
    point = np.zeros((size, size))
    point[size // 2, size // 2] = 1
    band = gaussian_filter(point, inner, truncate=_TRUNCATE)
    band -= gaussian_filter(point, outer, truncate=_TRUNCATE)
    return float(np.sqrt((band**2).sum()))


def _binned(part: NDArray[Any], size: int) -> NDArray[np.float32]:
    rows, cols = (n // size for n in part.shape)
    whole = np.nan_to_num(part[: rows * size, : cols * size].astype(np.float32))
    if size == 1:
        return whole
    down = whole.reshape(rows, size, cols * size).sum(axis=1)
    across: NDArray[np.float32] = down.reshape(rows, cols, size).sum(axis=2)
    return across / np.float32(size * size)
