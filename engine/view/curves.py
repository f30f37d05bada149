"""The points of force maps: full where the curve counts, hollow where it does not."""

from collections.abc import Collection, Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from engine.view.box import Box
from engine.view.marks import draw_discs
from engine.view.scene import CurveLayer

SHOWN_FROM_PX = 6.0
SHOWN_OVER_HEIGHT_FROM_PX = 16.0
"""Over a height image points are shown later and smaller: they must not hide it."""
HOLLOW_GREY = 150


def curve_radius_px(
    layer: CurveLayer, um_per_px: float, which: NDArray[np.intp] | slice = slice(None)
) -> NDArray[np.float64]:
    """Return the radius of each point on the screen, 0 where it is not drawn.

    Parameters
    ----------
    layer
        The points.
    um_per_px
        Scale of the view.
    which
        The points that are asked for; all of them by default.
    """
    spacing, over = layer.spacing_um[which] / um_per_px, layer.over_height[which]
    least = np.where(over, SHOWN_OVER_HEIGHT_FROM_PX, SHOWN_FROM_PX)
    share = np.where(over, 0.16, 0.36)
    return np.where(spacing >= least, np.clip(share * spacing, 2.0, 11.0), 0.0)


def without_sites(layer: CurveLayer, sites: Iterable[str], hidden: Collection[str]) -> CurveLayer:
    """Leave out the points of some sites; `sites` are in the order in which they are numbered."""
    if not hidden:
        return layer
    numbers = [number for number, site in enumerate(sites) if site in hidden]
    gone = np.isin(layer.site, numbers)
    # the colours belong to all points, so they stay and are not drawn
    return replace(layer, spacing_um=np.where(gone, 0.0, layer.spacing_um))


def draw_curves(
    layer: CurveLayer,
    colours: NDArray[np.uint8] | None,
    box: Box,
    dark: bool,
    rgba: NDArray[np.uint8],
) -> None:
    """Draw the points of all maps in the picture.

    Parameters
    ----------
    layer
        The points.
    colours
        (n, 4) RGBA; None or alpha 0 draws hollow.
    box
        What is looked at.
    dark
        Gives the thin rim that parts a point from what lies below it.
    rgba
        Overlay (height, width, 4), written in place.
    """
    if not layer.spacing_um.max(initial=0.0) / box.um_per_px >= SHOWN_FROM_PX:
        return  # a disc may have millions of points, and from afar none of them is drawn
    near = np.flatnonzero(box.holds(layer.x_um, layer.y_um, 14.0))
    radius = curve_radius_px(layer, box.um_per_px, near)
    seen, r = near[radius > 0], radius[radius > 0]
    if not len(seen):
        return
    x, y = box.pixels_of(layer.x_um[seen], layer.y_um[seen])
    fill = np.zeros((len(seen), 4), np.uint8) if colours is None else colours[seen].copy()
    hollow = ~layer.used[seen] | (fill[:, 3] == 0)
    fill[hollow] = (HOLLOW_GREY, HOLLOW_GREY, HOLLOW_GREY, 255)
    rim = np.full((len(seen), 4), (10, 10, 10, 190) if dark else (60, 60, 60, 190), np.uint8)
    full = ~hollow
    draw_discs(rgba, x[full], y[full], r[full] + 1.0, np.zeros(int(full.sum())), rim[full])
    draw_discs(rgba, x, y, np.where(hollow, r - 1.0, r), np.where(hollow, 1.6, 0.0), fill)
