"""Maxima of the bands as short strokes across their fibrils, where they are far enough apart."""

import numpy as np
from numpy.typing import NDArray

from engine.view.box import Box
from engine.view.marks import draw_lines
from engine.view.scene import BandLayer

STROKE = (122, 215, 255, 215)
"""Colour of the strokes: nothing else on a height image is blue."""
BELOW_UM_PER_PX = 0.012
"""At coarser scales a period of 67 nm is less than six pixels: no strokes then."""
SHARE = 0.8
"""Length of a stroke over the fibril's thickness."""


def draw_bands(layer: BandLayer, box: Box, rgba: NDArray[np.uint8]) -> None:
    """Draw the band maxima of one height image.

    Parameters
    ----------
    layer
        The image's bands, read when they are first drawn.
    box
        What is looked at.
    rgba
        Overlay (height, width, 4), written in place.
    """
    if box.um_per_px > BELOW_UM_PER_PX or not _reaches(layer, box):
        return
    marks = layer.read()
    foot = layer.footprint
    half = 0.5 * SHARE * marks["width_nm"]
    ends = [
        foot.to_disc(
            1e-3 * (marks["u_nm"] + sign * half * marks["across_u"]),
            1e-3 * (marks["v_nm"] + sign * half * marks["across_v"]),
        )
        for sign in (-1.0, 1.0)
    ]
    seen = box.holds(*ends[0], 40.0) | box.holds(*ends[1], 40.0)
    if not seen.any():
        return
    (x0, y0), (x1, y1) = (box.pixels_of(x[seen], y[seen]) for x, y in ends)
    width = float(np.clip(0.004 / box.um_per_px, 0.7, 1.6))
    draw_lines(rgba, x0, y0, x1, y1, width, np.tile(np.array(STROKE, np.uint8), (len(x0), 1)))


def _reaches(layer: BandLayer, box: Box) -> bool:
    (left, top), (right, bottom) = (f(layer.footprint.corners(), axis=0) for f in (np.min, np.max))
    return bool(
        right >= box.x0_um and left <= box.x1_um and bottom >= box.y0_um and top <= box.y1_um
    )
