"""Where the tiles of a stitched mosaic lie, and how well each overlap agrees with their places."""

import numpy as np
from numpy.typing import NDArray

from engine.view.box import Box
from engine.view.marks import draw_discs, draw_lines
from engine.view.ramps import lookup
from engine.view.scene import TileLayer

PLAIN = {True: (235, 235, 235, 150), False: (40, 40, 40, 150)}
"""Outline of a sound tile, on the dark and on the light page."""
WEAK = {True: (240, 180, 41, 255), False: (138, 90, 0, 255)}
"""Outline of a tile that is flagged: the page's colour of a caution."""
_WEAK_HALF_PX = 1.7
_PLAIN_HALF_PX = 0.7
_INSET = 0.012
"""Outlines are drawn this share of a tile's side inside its edge, so that neighbours' differ."""


def residual_colours(layer: TileLayer) -> NDArray[np.uint8]:
    """Return the colours of the overlaps by their residuals, (m, 4); alpha 0 where unused."""
    place = np.nan_to_num(layer.residual_um / layer.limit_um, nan=0.0)
    table = lookup("length")
    rgba = np.zeros((len(place), 4), np.uint8)
    rgba[:, :3] = table[np.rint(np.clip(place, 0.0, 1.0) * 255).astype(int)]
    rgba[:, 3] = np.where(layer.used, 255, 0)
    return rgba


def draw_tiles(layer: TileLayer, box: Box, dark: bool, rgba: NDArray[np.uint8]) -> None:
    """Draw outlines of the tiles and a dot for each overlap.

    A dot's colour is the distance between the offset that was measured in the overlap and the one
    that was kept; a hollow dot stands for an overlap that could not be used. Flagged tiles have a
    strong outline.

    Parameters
    ----------
    layer
        The tiles.
    box
        What is looked at.
    dark
        Light on dark, or ink on paper.
    rgba
        Overlay (height, width, 4), written in place.
    """
    size = np.array(layer.size_um)
    for weak, half, colours in ((False, _PLAIN_HALF_PX, PLAIN), (True, _WEAK_HALF_PX, WEAK)):
        corner = layer.corner_um[layer.weak == weak]
        low, high = corner + _INSET * size, corner + (1 - _INSET) * size
        x0, y0 = box.pixels_of(low[:, 0], low[:, 1])
        x1, y1 = box.pixels_of(high[:, 0], high[:, 1])
        colour = np.tile(np.array(colours[dark], np.uint8), (len(corner), 1))
        for ends in ((x0, y0, x1, y0), (x1, y0, x1, y1), (x1, y1, x0, y1), (x0, y1, x0, y0)):
            draw_lines(rgba, *ends, half, colour)
    middle = layer.corner_um[layer.pairs].mean(axis=1) + size / 2
    x, y = box.pixels_of(middle[:, 0], middle[:, 1])
    radius = float(np.clip(0.03 * size.min() / box.um_per_px, 2.0, 6.0))
    colours_of = residual_colours(layer)
    used = colours_of[:, 3] > 0
    radii = np.full(len(x), radius)
    rim = np.tile(np.array((20, 20, 20, 200), np.uint8), (len(x), 1))
    draw_discs(rgba, x[used], y[used], radii[used] + 1, np.zeros(int(used.sum())), rim[used])
    draw_discs(rgba, x[used], y[used], radii[used], np.zeros(int(used.sum())), colours_of[used])
    count = int((~used).sum())
    hollow = np.tile(np.array(PLAIN[dark], np.uint8), (count, 1))
    draw_discs(rgba, x[~used], y[~used], radii[~used], np.full(count, 1.4), hollow)
