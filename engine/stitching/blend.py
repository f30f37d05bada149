"""One image from placed tiles, any rows of it at a time.

Every tile is moved to its place by cubic convolution (Keys, IEEE Transactions on Acoustics, Speech
and Signal Processing 29 (1981) 1153, a = -1/2) and fades out linearly over the overlap. What a
pixel becomes depends on the tiles alone, never on the rows it was asked for with.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, DTypeLike, NDArray

from engine.stitching.flat import gain_rows
from engine.stitching.results import FlatField

ReadRows = Callable[[int, int, int], NDArray[Any]]
"""``read(tile, first, stop)`` -> (stop - first, cols) of one tile."""

_TAPS = 2
"""Rows that cubic convolution needs beyond those it is asked for."""
_WEIGHT_MIN = np.float32(1e-3)
"""Of the outermost pixel of a tile, so that it still counts where nothing else is."""


@dataclass(frozen=True)
class Canvas:
    """Where placed tiles lie on one grid of pixels.

    Attributes
    ----------
    shape
        (rows, cols) that hold every tile.
    origin_px
        (row, col) of the canvas' first pixel in the frame of the positions, in pixels: a whole
        number of pixels from the upper left corner of the nominal positions.
    place_px
        (n, 2) positions of the tiles' first pixels on the canvas; none is negative.
    tile_shape
        (rows, cols) of a tile.
    ramp_px
        Widths (rows, cols) over which a tile fades out at its edges.
    """

    shape: tuple[int, int]
    origin_px: tuple[float, float]
    place_px: NDArray[np.float64]
    tile_shape: tuple[int, int]
    ramp_px: tuple[float, float]


def lay_out(
    position_px: ArrayLike,
    correction_px: ArrayLike,
    tile_shape: tuple[int, int],
    overlap_px: tuple[float, float],
) -> Canvas:
    """Find the smallest canvas that holds the corrected tiles.

    Parameters
    ----------
    position_px, correction_px
        (n, 2) nominal positions and what is added to them.
    tile_shape
        (rows, cols) of a tile.
    overlap_px
        Typical overlap (rows, cols), over which tiles fade into one another.

    Examples
    --------
    >>> canvas = lay_out([[0, 0], [0, 90]], [[1.5, 0], [-1.5, 0]], (100, 100), (0, 10))
    >>> canvas.shape, canvas.origin_px
    ((104, 190), (-2.0, 0.0))
    """
    position = np.asarray(position_px, float).reshape(-1, 2)
    corrected = position + np.asarray(correction_px, float)
    corner = position.min(axis=0)
    origin = corner + np.floor(corrected.min(axis=0) - corner)
    place = corrected - origin
    size = np.ceil(place.max(axis=0)).astype(int) + np.array(tile_shape)
    ramp = [max(1.0, min(o, n / 2)) for o, n in zip(overlap_px, tile_shape, strict=True)]
    return Canvas(
        (int(size[0]), int(size[1])),
        (float(origin[0]), float(origin[1])),
        place,
        tile_shape,
        (ramp[0], ramp[1]),
    )


def blend_rows(
    canvas: Canvas,
    read: ReadRows,
    first: int,
    stop: int,
    field: FlatField,
    dtype: DTypeLike,
) -> NDArray[Any]:
    """Rows of the blended image, (stop - first, cols).

    Integers are rounded and cut off at their range. What no tile covers gets the level of the
    surround, NaN in a floating image.

    Parameters
    ----------
    canvas
        Where the tiles lie.
    read
        Gives rows of a tile.
    first, stop
        Rows wanted, the last excluded.
    field
        Flat field that the tiles are divided by.
    dtype
        Type of the result.
    """
    cols = canvas.shape[1]
    total = np.zeros((stop - first, cols), np.float32)
    weight = np.zeros((stop - first, cols), np.float32)
    top = canvas.place_px[:, 0]
    inside = (top < stop) & (top + canvas.tile_shape[0] > first)
    for number in np.flatnonzero(inside).tolist():
        _add_tile(canvas, number, read, first, stop, field, total, weight)
    return _finished(total, weight, field, np.dtype(dtype))


def _add_tile(
    canvas: Canvas,
    number: int,
    read: ReadRows,
    first: int,
    stop: int,
    field: FlatField,
    total: NDArray[np.float32],
    weight: NDArray[np.float32],
) -> None:
    rows, cols = canvas.tile_shape
    place = canvas.place_px[number]
    base = np.floor(place).astype(int)
    # canvas rows whose sampling position lies on the tile
    begin = max(first, int(np.ceil(place[0])))
    end = min(stop, int(np.floor(place[0] + rows - 1)) + 1)
    if begin >= end:
        return
    low = max(0, begin - int(base[0]) - _TAPS)
    high = min(rows, end - int(base[0]) + _TAPS)
    seen = read(number, low, high).astype(np.float32)
    if field.estimated:
        dark = np.float32(field.dark)
        seen = dark + (seen - dark) * gain_rows(field, canvas.tile_shape, low, high)
    down = _fade(np.arange(begin, end) - place[0], rows, canvas.ramp_px[0])
    left = int(np.ceil(place[1]))
    right = int(np.floor(place[1] + cols - 1)) + 1
    across = _fade(np.arange(left, right) - place[1], cols, canvas.ramp_px[1])
    _accumulate(
        seen,
        low,
        rows,
        _taps(float(place[0] - base[0])),
        _taps(float(place[1] - base[1])),
        begin - int(base[0]),
        left - int(base[1]),
        down,
        across,
        total[begin - first : end - first, left:right],
        weight[begin - first : end - first, left:right],
    )


def _fade(at: NDArray[np.float64], count: int, ramp: float) -> NDArray[np.float32]:
    """Weight along one axis: 1 inside, falling linearly to the tile's edge."""
    edge = np.minimum(at + 0.5, count - 0.5 - at) / ramp
    return np.clip(edge, _WEIGHT_MIN, 1.0).astype(np.float32)


def _taps(fraction: float) -> NDArray[np.float32]:
    """Weights of the four pixels round a sampling position.

    The canvas pixel of number k (counted from the floor of the tile's place) samples the tile at
    k - fraction; the pixels are k - 2 to k + 1.
    """
    t = 1.0 - fraction if fraction > 0 else 1.0
    return np.array([_far(1 + t), _near(t), _near(1 - t), _far(2 - t)], np.float32)


def _near(x: float) -> float:
    return 1.5 * x**3 - 2.5 * x**2 + 1


def _far(x: float) -> float:
    return -0.5 * x**3 + 2.5 * x**2 - 4 * x + 2


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator,unused-ignore]
def _accumulate(
    seen: NDArray[np.float32],
    low: int,
    rows: int,
    taps_y: NDArray[np.float32],
    taps_x: NDArray[np.float32],
    first_row: int,
    first_col: int,
    down: NDArray[np.float32],
    across: NDArray[np.float32],
    total: NDArray[np.float32],
    weight: NDArray[np.float32],
) -> None:
    """Add one tile's weighted, moved pixels; beyond its edge the outermost pixel is repeated."""
    cols = seen.shape[1]
    line = np.empty(cols + 4, np.float32)
    for i in range(total.shape[0]):
        k = first_row + i
        r0 = min(max(k - 2, 0), rows - 1) - low
        r1 = min(max(k - 1, 0), rows - 1) - low
        r2 = min(max(k, 0), rows - 1) - low
        r3 = min(max(k + 1, 0), rows - 1) - low
        for j in range(cols):
            line[j + 2] = (
                taps_y[0] * seen[r0, j]
                + taps_y[1] * seen[r1, j]
                + taps_y[2] * seen[r2, j]
                + taps_y[3] * seen[r3, j]
            )
        line[0] = line[2]
        line[1] = line[2]
        line[cols + 2] = line[cols + 1]
        line[cols + 3] = line[cols + 1]
        for j in range(total.shape[1]):
            c = first_col + j
            value = (
                taps_x[0] * line[c]
                + taps_x[1] * line[c + 1]
                + taps_x[2] * line[c + 2]
                + taps_x[3] * line[c + 3]
            )
            if not np.isnan(value):
                w = down[i] * across[j]
                total[i, j] += w * value
                weight[i, j] += w


def _finished(
    total: NDArray[np.float32], weight: NDArray[np.float32], field: FlatField, dtype: np.dtype[Any]
) -> NDArray[Any]:
    covered = weight > 0
    np.divide(total, weight, out=total, where=covered)
    if dtype.kind == "f":
        total[~covered] = np.nan
        return total.astype(dtype, copy=False)
    total[~covered] = field.low
    np.rint(total, out=total)
    top = np.iinfo(dtype).max
    return np.clip(total, 0, top, out=total).astype(dtype)
