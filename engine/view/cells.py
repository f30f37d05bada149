"""Cells at every scale: a cloud of colour, dots, dots joined by their links, rings with a glyph."""

import numpy as np
from numpy.typing import NDArray

from engine.cells.patterns import PATTERNS
from engine.view.box import Box
from engine.view.glyphs import PATTERN_GLYPHS
from engine.view.marks import draw_discs, draw_lines, gather_density
from engine.view.ramps import pattern_colours
from engine.view.scene import CellLayer

CLOUD_FROM_CELLS = 20_000
"""With more cells than this in the picture they are gathered, not drawn one over the other."""
DOT_UM = 3.2
"""Radius of a dot where the scale allows: a little less than a nucleus."""
RINGS_BELOW_UM_PER_PX = 0.42
RING = 1.25
"""Diameter of a ring over that of its nucleus."""
LINKS_BELOW_UM_PER_PX = 3.0
NO_PATTERN_GREY = 140
AMBIGUOUS_ALPHA = 110
"""Cells of a group whose pattern is ambiguous are as pale as this, of 255."""


def cell_colours(layer: CellLayer, dark: bool) -> NDArray[np.uint8]:
    """Return the cells' colours by their patterns, (n, 4) RGBA.

    No pattern is grey; an ambiguous one is pale.
    """
    grey = np.full((1, 3), NO_PATTERN_GREY, np.uint8)
    table = np.vstack([pattern_colours(dark), grey])  # index -1 falls on the last row
    alpha = np.full(len(layer.pattern), 255, np.uint8)
    if len(layer.ambiguous):
        alpha[layer.ambiguous] = AMBIGUOUS_ALPHA
    return np.column_stack([table[layer.pattern], alpha])


def draw_links(
    layer: CellLayer, colours: NDArray[np.uint8], box: Box, rgba: NDArray[np.uint8]
) -> None:
    """Draw the links between the cells of a group, where they are far enough apart to be seen.

    Parameters
    ----------
    layer
        The cells.
    colours
        (n, 4) RGBA of the cells; a link has its first cell's.
    box
        What is looked at.
    rgba
        Overlay (height, width, 4), written in place.
    """
    if box.um_per_px > LINKS_BELOW_UM_PER_PX or not len(layer.links):
        return
    x, y = box.pixels_of(layer.x_um, layer.y_um)
    near = box.holds(layer.x_um, layer.y_um, 60.0 / box.um_per_px)
    first, second = layer.links[near[layer.links].any(axis=1)].T
    colour = colours[first].copy()
    colour[:, 3] = np.where(colour[:, 3] > 0, 150, 0)
    half = float(np.clip(0.9 / box.um_per_px, 0.5, 1.6))
    ends = np.stack([x[first], y[first], x[second], y[second]])
    if box.um_per_px <= RINGS_BELOW_UM_PER_PX:
        ends = _to_the_rings(ends, layer.diameter_um[first], layer.diameter_um[second], box)
    draw_lines(rgba, *ends, half, colour)


def _to_the_rings(
    ends: NDArray[np.float64],
    first_um: NDArray[np.float64],
    second_um: NDArray[np.float64],
    box: Box,
) -> NDArray[np.float64]:
    dx, dy = ends[2] - ends[0], ends[3] - ends[1]
    length = np.maximum(np.hypot(dx, dy), 1e-9)
    start, stop = (
        np.minimum(0.5 * RING * d / box.um_per_px / length, 0.5) for d in (first_um, second_um)
    )
    return np.stack(
        [ends[0] + start * dx, ends[1] + start * dy, ends[2] - stop * dx, ends[3] - stop * dy]
    )


def draw_cells(
    layer: CellLayer, colours: NDArray[np.uint8], box: Box, rgba: NDArray[np.uint8]
) -> None:
    """Draw the cells; those whose colour is clear (alpha 0) are hollow.

    Parameters
    ----------
    layer
        The cells.
    colours
        (n, 4) RGBA.
    box
        What is looked at.
    rgba
        Overlay (height, width, 4), written in place.
    """
    seen = np.flatnonzero(box.holds(layer.x_um, layer.y_um, 24.0 + 12.0 / box.um_per_px))
    if not len(seen):
        return
    x, y = box.pixels_of(layer.x_um[seen], layer.y_um[seen])
    if len(seen) > CLOUD_FROM_CELLS:
        _draw_cloud(x, y, colours[seen], rgba)
    elif box.um_per_px > RINGS_BELOW_UM_PER_PX:
        _draw_dots(x, y, colours[seen], box, rgba)
    else:
        _draw_rings(layer, seen, x, y, colours[seen], box, rgba)


def _draw_cloud(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    colours: NDArray[np.uint8],
    rgba: NDArray[np.uint8],
) -> None:
    table, kind = np.unique(colours[:, :3], axis=0, return_inverse=True)
    kind = kind.reshape(-1).astype(np.int64)
    gather_density(x, y, kind, table.astype(np.float64), 0.7, rgba)


def _draw_dots(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    colours: NDArray[np.uint8],
    box: Box,
    rgba: NDArray[np.uint8],
) -> None:
    hollow = colours[:, 3] == 0
    radius = np.full(len(x), float(np.clip(DOT_UM / box.um_per_px, 1.3, 5.0)))
    shown = colours.copy()
    shown[hollow] = (NO_PATTERN_GREY, NO_PATTERN_GREY, NO_PATTERN_GREY, 255)
    draw_discs(rgba, x, y, radius, np.where(hollow, 1.2, 0.0), shown)


def _draw_rings(
    layer: CellLayer,
    seen: NDArray[np.int64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    colours: NDArray[np.uint8],
    box: Box,
    rgba: NDArray[np.uint8],
) -> None:
    hollow = colours[:, 3] == 0
    shown = colours.copy()
    shown[hollow] = (NO_PATTERN_GREY, NO_PATTERN_GREY, NO_PATTERN_GREY, 255)
    radius = 0.5 * RING * layer.diameter_um[seen] / box.um_per_px
    line = float(np.clip(0.8 / box.um_per_px, 1.8, 3.0))
    draw_discs(rgba, x, y, radius, np.where(hollow, 1.2, line), shown)
    size = float(np.clip(3.2 / box.um_per_px, 8.0, 13.0))
    shift = np.sqrt(0.5) * (radius + line) + size * 0.9
    for index, name in enumerate(PATTERNS):
        mine = layer.pattern[seen] == index
        for dx, dy, r in PATTERN_GLYPHS[name]:
            draw_discs(
                rgba,
                (x + shift + dx * size)[mine],
                (y - shift + dy * size)[mine],
                np.full(int(mine.sum()), r * size),
                np.zeros(int(mine.sum())),
                shown[mine],
            )
