"""What lies under a click: tests on plain arrays."""

import numpy as np
from numpy.typing import NDArray

from engine.footprint import Footprint
from engine.view.curves import curve_radius_px
from engine.view.scene import CurveLayer

REACH_PX = 12.0


def nearest_site(
    footprints: dict[str, Footprint], x_um: float, y_um: float, um_per_px: float
) -> str | None:
    """Tell which site a click means.

    A click inside footprints means the smallest of them; else the nearest centre within
    `REACH_PX` on the screen, because a footprint may be smaller than its mark.

    Parameters
    ----------
    footprints
        Site to footprint.
    x_um, y_um
        The click, disc frame.
    um_per_px
        Scale of the view.
    """
    inside = []
    near = []
    for site, foot in footprints.items():
        u, v = foot.from_disc(x_um, y_um)
        if abs(float(u)) <= foot.width_um / 2 and abs(float(v)) <= foot.height_um / 2:
            inside.append((foot.width_um * foot.height_um, site))
        away = float(np.hypot(foot.centre_um[0] - x_um, foot.centre_um[1] - y_um)) / um_per_px
        if away <= REACH_PX:
            near.append((away, site))
    small = [entry for entry in inside if np.sqrt(entry[0]) / um_per_px >= REACH_PX]
    for candidates in (small, near, inside):
        if candidates:
            return min(candidates)[1]
    return None


def nearest_curve(
    layer: CurveLayer, site: int, x_um: float, y_um: float, um_per_px: float
) -> int | None:
    """Tell which point of a site's force map a click means; None unless a drawn one is hit.

    Parameters
    ----------
    layer
        The points of all maps.
    site
        Number of the site in the layer.
    x_um, y_um
        The click, disc frame.
    um_per_px
        Scale of the view.

    Returns
    -------
    int or None
        Number of the curve in its map, row * cols + col.
    """
    mine: NDArray[np.intp] = np.flatnonzero(layer.site == site)
    radius = curve_radius_px(layer, um_per_px)[mine]
    away = np.hypot(layer.x_um[mine] - x_um, layer.y_um[mine] - y_um) / um_per_px
    hit = (radius > 0) & (away <= radius + 3.0)
    if not hit.any():
        return None
    chosen = mine[np.argmin(np.where(hit, away, np.inf))]
    return int(layer.index[chosen])
