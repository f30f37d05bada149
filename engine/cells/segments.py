"""Which pixels belong to which nucleus, block by block.

A nucleus is what hangs together round its centre above half of its contrast, out to a little more
than its radius; a pixel that two could claim goes to the one whose centre is nearer in units of its
radius. The half level is the usual edge of a blurred disc (common practice, no source).
"""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from engine.cells.smoothing import smooth

REACH = 1.6
"""Farthest pixel of a nucleus from its centre, in radii: room for oblong ones."""
_HEART = 0.5
"""Within this many radii a pixel belongs to the nucleus, however dark its middle is."""


@dataclass(frozen=True)
class Nuclei:
    """Nuclei as they lie in an image.

    Attributes
    ----------
    row, col
        (n,) centres, pixels.
    radius_px
        (n,) radii, pixels.
    contrast
        (n,) brightness of the centre above the surround, image unit.
    starts, others
        Neighbours of nucleus ``i`` are ``others[starts[i]:starts[i + 1]]``.
    """

    row: NDArray[np.float64]
    col: NDArray[np.float64]
    radius_px: NDArray[np.float64]
    contrast: NDArray[np.float64]
    starts: NDArray[np.int64]
    others: NDArray[np.int64]

    @property
    def reach_px(self) -> int:
        """Farthest pixel of any nucleus from its centre."""
        return int(np.ceil(REACH * self.radius_px.max(initial=1.0))) + 1


def nuclei_with_neighbours(
    row: NDArray[np.float64],
    col: NDArray[np.float64],
    radius_px: NDArray[np.float64],
    contrast: NDArray[np.float64],
    within_px: float,
) -> Nuclei:
    """Join nuclei with those near enough to matter.

    Parameters
    ----------
    row, col, radius_px, contrast
        As in `Nuclei`.
    within_px
        Distance of two centres up to which they are neighbours.
    """
    at = np.column_stack([row, col]).reshape(-1, 2)
    pairs = np.empty((0, 2), np.int64)
    if len(at) > 1:
        pairs = cKDTree(at).query_pairs(within_px, output_type="ndarray").astype(np.int64)
    both = np.vstack([pairs, pairs[:, ::-1]])
    both = both[np.lexsort((both[:, 1], both[:, 0]))]
    starts = np.searchsorted(both[:, 0], np.arange(len(at) + 1))
    others = np.ascontiguousarray(both[:, 1])
    return Nuclei(row, col, radius_px, contrast, starts.astype(np.int64), others)


@numba.njit(cache=True, nogil=True)
def nearest_is(k, r, c, row, col, radius, starts, others):  # type: ignore[no-untyped-def]
    """Tell whether of all nuclei ``k`` is the nearest to a pixel, in units of their radii."""
    own = ((r - row[k]) ** 2 + (c - col[k]) ** 2) / radius[k] ** 2
    for n in range(starts[k], starts[k + 1]):
        j = others[n]
        other = ((r - row[j]) ** 2 + (c - col[j]) ** 2) / radius[j] ** 2
        if other < own or (other == own and j < k):
            return False
    return True


@numba.njit(cache=True, nogil=True)
def _belongs(  # type: ignore[no-untyped-def]
    smoothed, r, c, top, left, k, level, row, col, radius, starts, others
):
    away = ((r + top - row[k]) ** 2 + (c + left - col[k]) ** 2) ** 0.5 / radius[k]
    if away > REACH or (away > _HEART and smoothed[r, c] < level):
        return False
    return nearest_is(k, r + top, c + left, row, col, radius, starts, others)


@numba.njit(cache=True, nogil=True)
def _flood(  # type: ignore[no-untyped-def]
    smoothed, top, left, which, row, col, radius, contrast, starts, others, labels
):
    rows, cols = smoothed.shape
    stack = np.empty((min(65536, rows * cols), 2), np.int64)
    for k in which:
        r0, c0 = round(row[k]) - top, round(col[k]) - left
        if r0 < 0 or c0 < 0 or r0 >= rows or c0 >= cols:
            continue
        level = smoothed[r0, c0] - 0.5 * contrast[k]
        labels[r0, c0] = k + 1
        stack[0, 0], stack[0, 1] = r0, c0
        held = 1
        while held > 0:
            held -= 1
            r, c = stack[held, 0], stack[held, 1]
            for step in range(4):
                rr = r + (step == 0) - (step == 1)
                cc = c + (step == 2) - (step == 3)
                if rr < 0 or cc < 0 or rr >= rows or cc >= cols or labels[rr, cc] == k + 1:
                    continue
                if held < len(stack) and _belongs(
                    smoothed, rr, cc, top, left, k, level, row, col, radius, starts, others
                ):
                    labels[rr, cc] = k + 1
                    stack[held, 0], stack[held, 1] = rr, cc
                    held += 1


def paint_labels(
    pixels: NDArray[np.float32],
    top: int,
    left: int,
    nuclei: Nuclei,
    which: NDArray[np.int64],
    edge_px: float,
) -> NDArray[np.uint32]:
    """Label the pixels of nuclei in a piece of an image.

    Parameters
    ----------
    pixels
        (rows, cols) float32 of the nuclei channel, with a surround of the smoothing's half-width.
    top, left
        Row and column of its first pixel in the image.
    nuclei
        All nuclei of the image.
    which
        Numbers of those that may reach into the piece.
    edge_px
        Standard deviation of the smoothing before the half level is taken, pixels.

    Returns
    -------
    ndarray
        (rows, cols) uint32: number of the nucleus + 1, 0 for none.
    """
    labels = np.zeros(pixels.shape, np.uint32)
    if which.size:
        _flood(
            smooth(pixels, edge_px), top, left, which, nuclei.row, nuclei.col, nuclei.radius_px,
            nuclei.contrast, nuclei.starts, nuclei.others, labels,
        )  # fmt: skip
    return labels
