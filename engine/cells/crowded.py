"""Nuclei that crowd and touch, where nothing is out of focus: threshold and watershed."""

import math
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, minimum_filter
from skimage.filters import threshold_otsu

from engine.cells.blocks import Block, blocks
from engine.cells.settings import DetectionSettings
from engine.cells.smoothing import half_width, smooth

_BINS = 4096
_CLIMB_STEPS = 64


def _widths(pixel_um: float, settings: DetectionSettings) -> tuple[float, int, float, int]:
    """Edge smoothing, background reach, smoothing of the distance (pixels), and the margin."""
    edge = settings.edge_scale_um / pixel_um
    reach = max(1, round(settings.background_radius_um / pixel_um))
    even = settings.watershed_smoothing_um / pixel_um
    ground = half_width(edge) + reach + half_width(reach / 2)
    # twice the climb: a pixel climbs to its summit, and the summit's own basin is summed up
    return edge, reach, even, ground + reach + half_width(even) + 2 * _CLIMB_STEPS


def _raised(block: Block, edge: float, reach: int) -> NDArray[np.float32]:
    """Block with its local background taken off: smoothed local minimum."""
    smoothed = smooth(block.pixels, edge)
    ground = minimum_filter(smoothed, size=2 * reach + 1)
    smoothed -= smooth(ground, reach / 2)
    return smoothed


@numba.njit(cache=True, nogil=True)
def _uphill(height, i, j):  # type: ignore[no-untyped-def]
    """Highest of a pixel and its eight neighbours."""
    best = height[i, j]
    bi, bj = i, j
    for di in range(-1, 2):
        for dj in range(-1, 2):
            if height[i + di, j + dj] > best:
                best = height[i + di, j + dj]
                bi, bj = i + di, j + dj
    return bi, bj


@numba.njit(cache=True, nogil=True)
def _climb(height, mask, steps, row, col):  # type: ignore[no-untyped-def]
    """Summit that each masked pixel reaches by steepest ascent; -1 where it takes too long."""
    rows, cols = height.shape
    for r in range(1, rows - 1):
        for c in range(1, cols - 1):
            row[r, c] = -1
            if not mask[r, c]:
                continue
            i, j = r, c
            for _ in range(steps):
                bi, bj = _uphill(height, i, j)
                if bi == i and bj == j:
                    row[r, c] = i
                    col[r, c] = j
                    break
                i, j = bi, bj
                if i < 1 or j < 1 or i >= rows - 1 or j >= cols - 1:
                    break


@numba.njit(cache=True, nogil=True)
def _basins(row, col, margin, reach):  # type: ignore[no-untyped-def]
    """Centroid offsets and areas of the basins whose summit lies in the core, in reading order."""
    rows, cols = row.shape
    out = [(0, 0, 0.0, 0.0, 0)]
    for r in range(margin, rows - margin):
        for c in range(margin, cols - margin):
            if row[r, c] != r or col[r, c] != c:
                continue
            area, dr, dc = 0, 0.0, 0.0
            for i in range(r - reach, r + reach + 1):
                for j in range(c - reach, c + reach + 1):
                    if row[i, j] == r and col[i, j] == c:
                        area += 1
                        dr += i - r
                        dc += j - c
            out.append((r, c, dr / area, dc / area, area))
    return out[1:]


def _threshold(image: Any, edge: float, reach: int, margin: int, side: int) -> float:
    """Otsu's threshold of the background-free image, from one histogram over all blocks."""
    top = 0.0
    for block in blocks(image, side, margin):
        top = max(top, float(_raised(block, edge, reach)[margin:-margin, margin:-margin].max()))
    counts = np.zeros(_BINS, dtype=np.int64)
    edges = np.linspace(0.0, max(top, 1e-12), _BINS + 1)
    for block in blocks(image, side, margin):
        raised = _raised(block, edge, reach)[margin:-margin, margin:-margin]
        counts += np.histogram(np.clip(raised, 0.0, edges[-1]), bins=edges)[0]
    centres = 0.5 * (edges[:-1] + edges[1:])
    return float(threshold_otsu(hist=(counts, centres)))


def split_touching(
    image: Any, pixel_um: float, settings: DetectionSettings
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Nuclei by threshold and watershed.

    The background (smoothed local minimum) is taken off, the rest parted by Otsu's threshold, and
    each pixel climbs the smoothed distance transform by steepest ascent: pixels that reach the same
    summit are one nucleus. A climb is local, so blocks give what the whole image would.

    Parameters
    ----------
    image
        (rows, cols), anything that slices to an array.
    pixel_um
        Pixel size.
    settings
        Settings.

    Returns
    -------
    row, col, diameter_um
        (n,) centroids in pixels, ordered by row then column, and diameters of equal area.
    """
    edge, reach, even, margin = _widths(pixel_um, settings)
    level = np.float32(
        settings.crowded_level_share * _threshold(image, edge, reach, margin, settings.block_px)
    )
    found: list[tuple[float, float, float]] = []
    for block in blocks(image, settings.block_px, margin):
        mask = _raised(block, edge, reach) > level
        distance = np.minimum(distance_transform_edt(mask), reach).astype(np.float32)
        height = smooth(distance, even)
        row = np.full(mask.shape, -1, dtype=np.int32)
        col = np.full(mask.shape, -1, dtype=np.int32)
        _climb(height, mask, _CLIMB_STEPS, row, col)
        for r, c, dr, dc, area in _basins(row, col, margin, _CLIMB_STEPS):
            diameter = 2 * math.sqrt(area / math.pi) * pixel_um
            found.append(((r - margin + block.row) + dr, (c - margin + block.col) + dc, diameter))
    out = np.array(found, dtype=np.float64).reshape(-1, 3)
    out = out[out[:, 2] >= 2 * settings.narrow_radius_min_um]
    order = np.lexsort((out[:, 1], out[:, 0]))
    return out[order, 0], out[order, 1], out[order, 2]
