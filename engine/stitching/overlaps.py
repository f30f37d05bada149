"""What two tiles show of the same spots: the scene drops out, what is left is the shading."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.stitching.results import Registration

_ALONG = 12
_ACROSS = 2
_PIXELS_A_SIDE = 24
_NARROWEST_PX = 4

ReadRows = Callable[[int, int, int], NDArray[Any]]
"""``read(tile, first, stop)`` -> (stop - first, cols) of one tile."""


@dataclass(frozen=True)
class OverlapSamples:
    """Medians of patches that two tiles share.

    Attributes
    ----------
    first_at, second_at
        (k, 2) centre (row, col) of the patch in either tile, -1 to 1 over the tile.
    first, second
        (k,) median in either tile, image unit.
    """

    first_at: NDArray[np.float64]
    second_at: NDArray[np.float64]
    first: NDArray[np.float64]
    second: NDArray[np.float64]


def sample_overlaps(
    read: ReadRows, found: Registration, tile_shape: tuple[int, int], most_pairs: int
) -> OverlapSamples:
    """Take medians of patches along the overlaps of well-placed pairs.

    Parameters
    ----------
    read
        Gives rows of a tile.
    found
        Where the tiles lie.
    tile_shape
        (rows, cols) of a tile.
    most_pairs
        Of more pairs than these, evenly spread ones are looked at.
    """
    those = np.flatnonzero(found.consistent)
    if len(those) > most_pairs:
        those = those[np.linspace(0, len(those) - 1, most_pairs).astype(int)]
    rows: list[tuple[float, ...]] = []
    for number in those.tolist():
        rows += _of_pair(read, found, number, tile_shape)
    table = np.array(rows, float).reshape(-1, 6)
    return OverlapSamples(table[:, 0:2], table[:, 2:4], table[:, 4], table[:, 5])


def _of_pair(
    read: ReadRows, found: Registration, number: int, tile_shape: tuple[int, int]
) -> list[tuple[float, ...]]:
    a, b = found.links.pairs[number].tolist()
    offset = np.rint(found.corrected_px[b] - found.corrected_px[a]).astype(int)
    low = np.maximum(0, offset)
    high = np.minimum(tile_shape, np.array(tile_shape) + offset)
    size = high - low
    if size.min() < _NARROWEST_PX:
        return []
    first = read(a, int(low[0]), int(high[0]))
    second = read(b, int(low[0] - offset[0]), int(high[0] - offset[0]))
    counts = [_ALONG if n == size.max() else _ACROSS for n in size]
    edges = [np.linspace(0, n, c + 1).astype(int) for n, c in zip(size, counts, strict=True)]
    rows = []
    for i in range(counts[0]):
        for j in range(counts[1]):
            top, bottom = int(edges[0][i]), int(edges[0][i + 1])
            left, right = int(edges[1][j]), int(edges[1][j + 1])
            centre = np.array([top + bottom, left + right]) / 2 + low
            patch = slice(top, bottom), slice(int(low[1]) + left, int(low[1]) + right)
            other = slice(top, bottom), slice(patch[1].start - offset[1], patch[1].stop - offset[1])
            values = _median(first[patch]), _median(second[other])
            if np.isfinite(values).all():
                places = [2 * c / np.array(tile_shape) - 1 for c in (centre, centre - offset)]
                rows.append((*places[0].tolist(), *places[1].tolist(), *values))
    return rows


def _median(patch: NDArray[Any]) -> float:
    step = [max(1, n // _PIXELS_A_SIDE) for n in patch.shape]
    part = patch[:: step[0], :: step[1]]
    values = part[np.isfinite(part)] if part.dtype.kind == "f" else part
    return float(np.median(values)) if values.size else float("nan")
