"""The fluorescence mosaic as light on dark, or as ink on paper."""

from math import ceil, floor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.view.box import Box
from engine.view.sampling import stretch_window
from engine.view.scene import MosaicLayer
from engine.view.tiles import TileCache

GAMMA = 0.9
"""Exponent of the grey curve: the tissue stays a quiet tone against the glass round it."""


def contrast(coarse: NDArray[Any]) -> tuple[float, float]:
    """Choose the values drawn as background and as brightest: 2nd and 99.8th percentile.

    Parameters
    ----------
    coarse
        A coarse level (rows, cols); NaN where there is no datum.
    """
    known = coarse[np.isfinite(coarse)]
    if not known.size:
        return 0.0, 1.0
    low, high = (float(v) for v in np.percentile(known, [2, 99.8]))
    least = 1.0 if coarse.dtype.kind != "f" else max(1e-6 * abs(high), 1e-30)
    return low, max(high, low + least)


def draw_mosaic(layer: MosaicLayer, box: Box, cache: TileCache, grey: NDArray[np.uint8]) -> None:
    """Draw the mosaic into a picture of background; 0 is background, 255 the brightest.

    Parameters
    ----------
    layer
        The mosaic.
    box
        What is looked at.
    cache
        Decoded tiles.
    grey
        Picture (height, width), zeros, written in place.
    """
    index = _level_for(layer, box.um_per_px)
    level = layer.levels[index]
    py, px = layer.pixel_um[index]
    oy, ox = layer.origin_um[index]
    rows, cols = level.shape[-2:]
    first_row = (box.y0_um + 0.5 * box.um_per_px - oy) / py
    first_col = (box.x0_um + 0.5 * box.um_per_px - ox) / px
    step_row, step_col = box.um_per_px / py, box.um_per_px / px
    row0, row1 = _covered(first_row, step_row, rows, box.height_px)
    col0, col1 = _covered(first_col, step_col, cols, box.width_px)
    if row0 >= row1 or col0 >= col1:
        return
    top, bottom = _needed(first_row, step_row, row0, row1, rows)
    left, right = _needed(first_col, step_col, col0, col1, cols)
    window = cache.window(
        f"{layer.name}/{index}", level, layer.channel, slice(top, bottom), slice(left, right)
    )
    stretch_window(
        np.ascontiguousarray(window),
        first_row - top,
        first_col - left,
        step_row,
        step_col,
        layer.low,
        layer.high,
        GAMMA,
        grey,
        row0,
        row1,
        col0,
        col1,
    )


def _level_for(layer: MosaicLayer, um_per_px: float) -> int:
    fitting = [i for i, (_, px) in enumerate(layer.pixel_um) if px <= um_per_px * 1.2]
    return fitting[-1] if fitting else 0


def _covered(first: float, step: float, count: int, pixels: int) -> tuple[int, int]:
    """Picture pixels whose centre lies on the image; its pixels tile, so it ends half a one out."""
    start = ceil((-0.5 - first) / step)
    stop = floor((count - 0.5 - first) / step) + 1
    return max(0, start), min(pixels, stop)


def _needed(first: float, step: float, start: int, stop: int, count: int) -> tuple[int, int]:
    low = floor(first + start * step) - 1
    high = ceil(first + (stop - 1) * step) + 2
    low = min(max(0, low), count - 1)
    return low, min(max(high, low + 1), count)
