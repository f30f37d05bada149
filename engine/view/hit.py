"""What lies under a click: tests on plain arrays."""

import numpy as np
from numpy.typing import NDArray

from engine.footprint import Footprint
from engine.view.curves import curve_radius_px
from engine.view.scene import CurveLayer

MARK_PX = 13.0
"""A footprint smaller than this on the screen is shown as a mark of fixed size."""
REACH_PX = 12.0
ON_MARK_PX = 7.0
RIM_PX = 11.0


def nearest_site(
    footprints: dict[str, Footprint], x_um: float, y_um: float, um_per_px: float
) -> str | None:
    """Tell which site a click means.

    A mark that is hit comes first, because it lies on top; then the smallest footprint that the
    click is inside of; then the nearest centre within `REACH_PX` on the screen.

    Parameters
    ----------
    footprints
        Site to footprint.
    x_um, y_um
        The click, disc frame.
    um_per_px
        Scale of the view.
    """
    found: list[tuple[int, float, str]] = []
    for site, foot in footprints.items():
        u, v = foot.from_disc(x_um, y_um)
        rim = min(RIM_PX * um_per_px, 0.15 * foot.width_um)  # a map's outer points lie on it
        inside = (
            abs(float(u)) <= foot.width_um / 2 + rim and abs(float(v)) <= foot.height_um / 2 + rim
        )
        size_px = max(foot.width_um, foot.height_um) / um_per_px
        away_px = float(np.hypot(foot.centre_um[0] - x_um, foot.centre_um[1] - y_um)) / um_per_px
        if size_px < MARK_PX and away_px <= ON_MARK_PX:
            found.append((0, away_px, site))
        elif size_px >= MARK_PX and inside:
            found.append((1, size_px, site))
        elif away_px <= REACH_PX:
            found.append((2, away_px, site))
    return min(found)[2] if found else None


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
