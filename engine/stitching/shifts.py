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

from engine.stitching.settings import StitchingSettings
from engine.stitching.strips import Strip, bin_size

_BRIGHT = 0.999
_BRIGHT_NOISELESS = 1e6
_CANDIDATES = 5
_NARROWEST = 4
_LEAST = 1e-6
_REFINE = 2
"""Binned pixels round the first peak that the second look covers."""


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
