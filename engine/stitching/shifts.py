"""The offset between two overlapping tiles by band-passed plain cross-correlation.

The correlation is plain on purpose: nuclei are sparse, and whitening (phase correlation) would lift
the noise between them to the same weight.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2
from scipy.ndimage import gaussian_filter

from engine.stitching.settings import StitchingSettings

_FINE_SIGMA = 2.5
"""Binning keeps the inner Gaussian at least this wide, in binned pixels."""
_TRUNCATE = 3.0
_MAD_TO_SD = 1.4826
_BRIGHT = 0.999
_BRIGHT_NOISELESS = 1e6
_CANDIDATES = 5
_NARROWEST = 4
_LEAST = 1e-6
_REFINE = 2
"""Binned pixels round the first peak that the second look covers."""


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


@dataclass(frozen=True)
class Shift:
    """The offset of one pair.

    Attributes
    ----------
    offsets_px
        (k, 2) offsets (row, col) of the second tile's first pixel from the first one's, at the
        highest peaks, best first.
    correlations
        (k,) normalised correlation of what both tiles share there.
    peak_ratio
        Best over second best correlation.
    signal
        Brightest band-passed structure over the noise, in the fainter of both strips.
    structures
        Number of nuclei, or as large a structure, that the correlation rests on.
    """

    offsets_px: NDArray[np.float64]
    correlations: NDArray[np.float64]
    peak_ratio: float
    signal: float
    structures: float


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


def measure_shift(
    first: Strip, second: Strip, nominal_px: tuple[float, float], settings: StitchingSettings
) -> Shift:
    """Offset of two tiles from strips that hold their overlap.

    A first look at the nominal overlap finds the highest peaks within reach; a second one at each
    of them compares exactly what both strips then share, and decides.

    Parameters
    ----------
    first, second
        Strips of both tiles, as `cut_strip` makes them from `strip_ranges`.
    nominal_px
        Offset (row, col) by the nominal positions.
    settings
        Reach of the search.
    """
    size = bin_size(settings)
    reach = int(np.ceil(settings.search_px / size))
    between = np.array(first.first_px, float) - second.first_px
    # bins by which the second strip has to be moved against the first
    start = np.rint((np.asarray(nominal_px) - between) / size).astype(int)
    a, b = _common(first.values, second.values, start)
    peaks = _peaks(_correlation(a, b, reach), peak_radius(settings))
    looks = [_look(first.values, second.values, start - reach + peak) for peak in peaks]
    order = np.argsort([-correlation for _, correlation in looks], kind="stable")
    offsets = np.array([between + size * looks[i][0] for i in order]).reshape(-1, 2)
    heights = np.array([looks[i][1] for i in order])
    if not heights.size or heights[0] <= 0:
        return Shift(np.asarray(nominal_px, float)[None], np.zeros(1), 1.0, 0.0, 0.0)
    move = np.rint(looks[order[0]][0]).astype(int)
    a, b = _common(first.values, second.values, move)
    return Shift(
        offsets_px=offsets,
        correlations=heights,
        peak_ratio=float(heights[0] / max(heights[1:].max(initial=0.0), _LEAST)),
        signal=min(_signal(a, first.noise_sd), _signal(b, second.noise_sd)),
        structures=_structures(a, b) / (2 * np.pi * (settings.inner_sigma_px / size) ** 2),
    )


def _signal(part: NDArray[np.float32], noise_sd: float) -> float:
    if not part.size:
        return 0.0
    bright = float(np.quantile(part * _taper(*part.shape), _BRIGHT))
    return bright / noise_sd if noise_sd > 0 else float(bright > 0) * _BRIGHT_NOISELESS


def _structures(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    """Bins over which what both share is spread: (sum p)^2 / sum p^2 of their product p."""
    if not a.size:
        return 0.0
    shared = np.clip(a * b, 0, None) * _taper(*a.shape) ** 2
    square = float(np.sum(shared * shared, dtype=float))
    return float(shared.sum(dtype=float)) ** 2 / square if square > 0 else 0.0


def peak_radius(settings: StitchingSettings) -> float:
    """Radius, in bins, within which a second peak is taken for the shoulder of the first."""
    return 2.0 * settings.outer_sigma_px / bin_size(settings)


def _peaks(surface: NDArray[np.float32], radius: float) -> list[NDArray[np.int64]]:
    """Bins of the highest values that are further than a radius from each other, best first."""
    left = surface.copy()
    rows, cols = np.ogrid[: surface.shape[0], : surface.shape[1]]
    found = []
    for _ in range(_CANDIDATES):
        at = np.array(np.unravel_index(int(np.argmax(left)), left.shape))
        if left[at[0], at[1]] <= 0:
            break
        found.append(at)
        left[(rows - at[0]) ** 2 + (cols - at[1]) ** 2 <= radius**2] = -1.0
    return found


def _look(
    first: NDArray[np.float32], second: NDArray[np.float32], move: NDArray[Any]
) -> tuple[NDArray[np.float64], float]:
    """Move of the second array near a given one at which both agree best; their correlation."""
    a, b = _common(first, second, move)
    if min(a.shape) < _NARROWEST:
        return move.astype(float), 0.0
    surface = _correlation(a, b, _REFINE)
    at = np.unravel_index(int(np.argmax(surface)), surface.shape)
    summit = _summit(surface, (int(at[0]), int(at[1])))
    return move - _REFINE + summit, float(surface[at])


def _common(
    first: NDArray[np.float32], second: NDArray[np.float32], move: NDArray[Any]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Parts of both arrays that fall on each other when the second is moved."""
    cut_a, cut_b = [], []
    for axis in (0, 1):
        low = max(0, int(move[axis]))
        high = min(first.shape[axis], second.shape[axis] + int(move[axis]))
        high = max(low, high)
        cut_a.append(slice(low, high))
        cut_b.append(slice(low - int(move[axis]), high - int(move[axis])))
    return first[tuple(cut_a)], second[tuple(cut_b)]


@lru_cache(maxsize=64)
def _taper(rows: int, cols: int) -> NDArray[np.float32]:
    """Root of a Hann window along both axes."""
    sides = [np.sin(np.pi * (np.arange(n) + 0.5) / n) for n in (rows, cols)]
    window = np.outer(*sides).astype(np.float32)
    window.flags.writeable = False
    return window


def _correlation(a: NDArray[np.float32], b: NDArray[np.float32], reach: int) -> NDArray[np.float32]:
    """Normalised correlation for moves of b by -reach..reach along both axes."""
    rows, cols = a.shape
    window = _taper(rows, cols)
    a, b = a * window, b * window
    norm = float(np.sqrt(np.sum(a * a, dtype=float) * np.sum(b * b, dtype=float)))
    side = 2 * reach + 1
    if norm <= 0 or not np.isfinite(norm):
        return np.zeros((side, side), np.float32)
    shape = (next_fast_len(rows + reach, real=True), next_fast_len(cols + reach, real=True))
    full = irfft2(rfft2(a, shape) * np.conj(rfft2(b, shape)), shape)
    down, across = (np.arange(-reach, reach + 1) % n for n in shape)
    # scipy's stubs widen the type; the transform keeps single precision
    return (full[np.ix_(down, across)] / norm).astype(np.float32)


def _summit(surface: NDArray[np.float32], at: tuple[int, int]) -> NDArray[np.float64]:
    """Summit of the paraboloid through the 3 x 3 values round the largest one.

    Least squares over the nine values; half a step at most. At the surface's edge the largest
    value itself.
    """
    row, col = at
    if not (0 < row < surface.shape[0] - 1 and 0 < col < surface.shape[1] - 1):
        return np.array(at, float)
    v = surface[row - 1 : row + 2, col - 1 : col + 2].astype(float)
    gy, gx = (v[2].sum() - v[0].sum()) / 6, (v[:, 2].sum() - v[:, 0].sum()) / 6
    yy = (v[0].sum() + v[2].sum() - 2 * v[1].sum()) / 3
    xx = (v[:, 0].sum() + v[:, 2].sum() - 2 * v[:, 1].sum()) / 3
    xy = (v[2, 2] + v[0, 0] - v[0, 2] - v[2, 0]) / 4
    det = yy * xx - xy * xy
    if det <= 0:
        return np.array(at, float)
    step = np.array([-(xx * gy - xy * gx), -(yy * gx - xy * gy)]) / det
    return np.array(at, float) + np.clip(step, -0.5, 0.5)
