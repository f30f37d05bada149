"""Which tiles overlap, and whether a set of positions can be true at all."""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from engine.stitching.settings import StitchingSettings

Layout = Literal["overlapping", "apart", "on top"]

_WHOLE = 0.1
"""Tiles nearer than this share of their side lie on top of each other; a convention."""


def overlapping_pairs(
    position_px: ArrayLike, tile_shape: tuple[int, int], settings: StitchingSettings | None = None
) -> NDArray[np.int64]:
    """Pairs of tiles that share a strip worth comparing, (m, 2), the smaller number first.

    Parameters
    ----------
    position_px
        (n, 2) positions (row, col) of the tiles' first pixels.
    tile_shape
        (rows, cols) of every tile.
    settings
        How wide and how long an overlap must be.

    Examples
    --------
    >>> overlapping_pairs([[0, 0], [0, 90], [90, 0], [90, 90]], (100, 100),
    ...                   StitchingSettings(overlap_min_px=8)).tolist()
    [[0, 1], [0, 2], [1, 3], [2, 3]]
    """
    s = settings or StitchingSettings()
    position = np.asarray(position_px, float).reshape(-1, 2)
    shape = np.array(tile_shape, float)
    if len(position) < 2:
        return np.empty((0, 2), np.int64)
    pairs = cKDTree(position / shape).query_pairs(1.0, p=np.inf, output_type="ndarray")
    shared = shape - np.abs(position[pairs[:, 1]] - position[pairs[:, 0]])
    wide = shared.min(axis=1) >= min(s.overlap_min_px, shape.min() / 2)
    long = (shared / shape).max(axis=1) >= s.side_share_min
    kept = np.sort(pairs[wide & long].astype(np.int64), axis=1)
    return kept[np.lexsort((kept[:, 1], kept[:, 0]))]


def typical_overlap_px(
    position_px: ArrayLike, tile_shape: tuple[int, int], pairs: NDArray[np.int64]
) -> tuple[float, float]:
    """Median width of the overlaps above one another and side by side, (rows, cols), pixels.

    Zero where there is no such pair.
    """
    position = np.asarray(position_px, float).reshape(-1, 2)
    gap = np.abs(position[pairs[:, 1]] - position[pairs[:, 0]])
    share = gap / np.array(tile_shape, float)
    stacked = share[:, 0] >= share[:, 1]
    widths = []
    for axis, those in ((0, stacked), (1, ~stacked)):
        widths.append(float(tile_shape[axis] - np.median(gap[those, axis])) if those.any() else 0.0)
    return widths[0], widths[1]


def judge_layout(position_px: ArrayLike, tile_shape: tuple[int, int]) -> Layout:
    """Say whether positions overlap as tiles do, leave all tiles apart, or put them on one heap.

    Parameters
    ----------
    position_px
        (n, 2), two or more.
    tile_shape
        (rows, cols) of every tile.

    Examples
    --------
    >>> judge_layout([[0, 0], [0, 90]], (100, 100))
    'overlapping'
    >>> judge_layout([[0, 0], [0, 900]], (100, 100))
    'apart'
    """
    position = np.asarray(position_px, float).reshape(-1, 2)
    scaled = position / np.array(tile_shape, float)
    nearest = np.asarray(cKDTree(scaled).query(scaled, k=2, p=np.inf)[0])[:, 1]
    if np.median(nearest) < _WHOLE:
        return "on top"
    step = 1.0 / max(tile_shape)  # a pixel's width is shared at least
    return "overlapping" if nearest.min() <= 1.0 - step else "apart"
