"""Maps of curves at their place: each point a cell of one colour, missing ones hatched."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock

import numpy as np
from numba import njit
from numpy.typing import NDArray

from engine.footprint import Footprint
from engine.view.box import Box
from engine.view.ramps import ColourScale, lookup
from engine.view.relief import SMALLEST_PX

KEPT = 128
HATCH = {True: (92, 44), False: (150, 214)}
"""Greys of hatch and ground of what is missing, on the dark and on the light page."""
_SMALLEST_LEVEL = 8


@dataclass(frozen=True)
class SiteMapLayer:
    """One map at its place.

    Attributes
    ----------
    name
        Unique among all maps of the process: changes with disc, run, site, quantity and load.
    site
        Its site.
    footprint
        Where it lies; the points span it edge to edge.
    shape
        (rows, cols).
    read
        Gives the values, (rows, cols), NaN where there is none.
    """

    name: str
    site: str
    footprint: Footprint
    shape: tuple[int, int]
    read: Callable[[], NDArray[np.float64]]


@dataclass(frozen=True)
class SiteMaps:
    """Maps that are drawn, and in which colours."""

    layers: tuple[SiteMapLayer, ...]
    scale: ColourScale


class PlaceCache:
    """Maps as places on their colour map, at every level; kept while there are few enough.

    Parameters
    ----------
    kept
        How many are kept.
    """

    def __init__(self, kept: int = KEPT) -> None:
        self.kept = kept
        self._maps: OrderedDict[tuple[str, ColourScale], tuple[NDArray[np.float32], ...]]
        self._maps = OrderedDict()
        self._lock = Lock()

    def get(self, layer: SiteMapLayer, scale: ColourScale) -> tuple[NDArray[np.float32], ...]:
        """Return a map's levels, finest first: 0 to 1, NaN where there is no value."""
        key = (layer.name, scale)
        with self._lock:
            if key in self._maps:
                self._maps.move_to_end(key)
                return self._maps[key]
        levels = place_levels(layer.read(), scale)
        with self._lock:
            self._maps[key] = levels
            while len(self._maps) > self.kept:
                self._maps.popitem(last=False)
        return levels


def place_levels(
    values: NDArray[np.float64], scale: ColourScale
) -> tuple[NDArray[np.float32], ...]:
    """Turn values into places on their map, and halve them as long as there is something left.

    A coarser cell is the mean of its known cells, and missing where fewer than half are known.
    """
    levels = [scale.fraction(values).astype(np.float32)]
    while min(levels[-1].shape) > _SMALLEST_LEVEL:
        levels.append(_halve(levels[-1]))
    return tuple(levels)


def _halve(place: NDArray[np.float32]) -> NDArray[np.float32]:
    rows, cols = place.shape
    padded = np.pad(place, ((0, rows % 2), (0, cols % 2)), constant_values=np.nan)
    blocks = padded.reshape(padded.shape[0] // 2, 2, padded.shape[1] // 2, 2)
    known = np.isfinite(blocks)
    inside = np.pad(np.ones(place.shape, bool), ((0, rows % 2), (0, cols % 2)))
    cells = inside.reshape(blocks.shape).sum(axis=(1, 3))
    count = known.sum(axis=(1, 3))
    total = np.where(known, blocks, 0.0).sum(axis=(1, 3))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(2 * count >= cells, total / count, np.nan).astype(np.float32)


def cell_at(
    footprint: Footprint, shape: tuple[int, int], x_um: float, y_um: float
) -> tuple[int, int] | None:
    """Tell which cell of a map a place of the disc lies in.

    Parameters
    ----------
    footprint
        Where the map lies.
    shape
        (rows, cols).
    x_um, y_um
        The place, disc frame.

    Returns
    -------
    tuple of int or None
        (row, col), None outside.
    """
    u, v = (float(w) for w in footprint.from_disc(x_um, y_um))
    across, down = u / footprint.width_um + 0.5, v / footprint.height_um + 0.5
    if not (0.0 <= across <= 1.0 and 0.0 <= down <= 1.0):
        return None
    rows, cols = shape
    return int(down * (rows - 1) + 0.5), int(across * (cols - 1) + 0.5)


def draw_site_maps(
    maps: SiteMaps, box: Box, dark: bool, cache: PlaceCache, rgba: NDArray[np.uint8]
) -> float:
    """Draw maps into the picture.

    Parameters
    ----------
    maps
        What is drawn.
    box
        What is looked at.
    dark
        Gives the greys of what is missing.
    cache
        Maps as places on their colour map.
    rgba
        Overlay (height, width, 4), written in place.

    Returns
    -------
    float
        Side of the largest map on the screen in pixels.
    """
    colours = lookup(maps.scale.kind)
    largest = 0.0
    for layer in maps.layers:
        largest = max(largest, _draw(layer, maps.scale, colours, box, dark, cache, rgba))
    return largest


def _draw(
    layer: SiteMapLayer,
    scale: ColourScale,
    colours: NDArray[np.uint8],
    box: Box,
    dark: bool,
    cache: PlaceCache,
    rgba: NDArray[np.uint8],
) -> float:
    corners = layer.footprint.corners()
    x, y = box.pixels_of(corners[:, 0], corners[:, 1])
    col0, col1 = max(0, int(np.floor(x.min()))), min(box.width_px, int(np.ceil(x.max())) + 1)
    row0, row1 = max(0, int(np.floor(y.min()))), min(box.height_px, int(np.ceil(y.max())) + 1)
    side = float(max(np.ptp(x), np.ptp(y)))
    if col0 >= col1 or row0 >= row1 or side < SMALLEST_PX:
        return 0.0
    levels = cache.get(layer, scale)
    cell_px = side / max(layer.shape)
    level = min(max(0, int(np.floor(-np.log2(cell_px)))), len(levels) - 1)
    to_share = _screen_to_share(layer.footprint, box)
    steps = np.maximum(np.array(layer.shape[::-1], dtype=float) - 1.0, 0.0)
    hatch = np.array(HATCH[dark], np.uint8)
    paste_cells(
        levels[level], to_share, steps, float(2**level), colours, hatch, rgba,
        row0, row1, col0, col1,
    )  # fmt: skip
    return side


def _screen_to_share(foot: Footprint, box: Box) -> NDArray[np.float64]:
    """(2, 3) map from screen (col, row, 1) to shares 0 to 1 of the site along u and v."""
    to_site = np.linalg.inv(foot.matrix) / np.array([[foot.width_um], [foot.height_um]])
    shift = np.array([box.centre_x_um, box.centre_y_um]) - foot.centre_um
    first = shift - 0.5 * box.um_per_px * np.array([box.width_px - 1, box.height_px - 1])
    return np.column_stack([to_site * box.um_per_px, to_site @ first + 0.5])


@njit(cache=True, nogil=True)
def paste_cells(
    place: NDArray[np.float32],
    to_share: NDArray[np.float64],
    steps: NDArray[np.float64],
    factor: float,
    colours: NDArray[np.uint8],
    hatch: NDArray[np.uint8],
    rgba: NDArray[np.uint8],
    row0: int,
    row1: int,
    col0: int,
    col1: int,
) -> None:
    """Paste one level of a map, rotated and possibly mirrored, each cell in its one colour.

    Parameters
    ----------
    place
        Places on the colour map (m, n), 0 to 1, NaN = missing.
    to_share
        (2, 3): shares along (u, v) = to_share @ (screen col, screen row, 1).
    steps
        Steps of the finest level along u and v: its points less one.
    factor
        Points of the finest level to one cell of this one.
    colours
        The colour map (256, 3).
    hatch
        Greys of hatch and ground of what is missing.
    rgba
        Overlay (height, width, 4), written in place; the map's edge is blended into it.
    row0, row1, col0, col1
        Part of the picture to look at.
    """
    m, n = place.shape
    per_px_u = np.hypot(to_share[0, 0], to_share[0, 1])
    per_px_v = np.hypot(to_share[1, 0], to_share[1, 1])
    for i in range(row0, row1):
        for j in range(col0, col1):
            u = to_share[0, 0] * j + to_share[0, 1] * i + to_share[0, 2]
            v = to_share[1, 0] * j + to_share[1, 1] * i + to_share[1, 2]
            edge = min(min(u, 1.0 - u) / per_px_u, min(v, 1.0 - v) / per_px_v)
            cover = min(max(edge + 0.5, 0.0), 1.0)
            if cover <= 0.0:
                continue
            col = int((min(max(u, 0.0), 1.0) * steps[0] + 0.5) / factor)
            row = int((min(max(v, 0.0), 1.0) * steps[1] + 0.5) / factor)
            at = place[min(row, m - 1), min(col, n - 1)]
            below = (rgba[i, j, 3] / 255.0) * (1.0 - cover)
            total = cover + below
            grey = hatch[0] if (i + j) % 8 < 2 else hatch[1]
            for channel in range(3):
                value = float(grey)
                if not np.isnan(at):
                    value = float(colours[int(at * 255.0 + 0.5), channel])
                mixed = (value * cover + rgba[i, j, channel] * below) / total
                rgba[i, j, channel] = np.uint8(mixed + 0.5)
            rgba[i, j, 3] = np.uint8(total * 255.0 + 0.5)
