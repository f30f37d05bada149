"""What lies under a click: tests on plain arrays."""

import numpy as np
from numpy.typing import NDArray

from engine.footprint import Footprint
from engine.view.curves import curve_radius_px
from engine.view.scene import CellLayer, CurveLayer

MARK_PX = 13.0
"""A footprint smaller than this on the screen is shown as a mark of fixed size."""
REACH_PX = 12.0
ON_MARK_PX = 7.0
RIM_PX = 11.0
CELL_PX = 7.0
"""A click as near as this on the screen touches a cell, however small it is drawn."""
CELL_RING = 1.25
"""Diameter within which a click touches a cell, over that of its nucleus."""
LINK_PX = 4.0


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


def nearest_cell(
    layer: CellLayer, x_um: float, y_um: float, um_per_px: float, links: bool = True
) -> int | None:
    """Tell which cell a click means: the nearest of those it touches; None where it touches none.

    Parameters
    ----------
    layer
        The cells.
    x_um, y_um
        The click, disc frame.
    um_per_px
        Scale of the view.
    links
        Whether a click on the line between two cells means the nearer of them.
    """
    reach = CELL_PX * um_per_px
    largest = 0.5 * CELL_RING * float(layer.diameter_um.max(initial=0.0))
    box = max(reach, largest)
    near = np.flatnonzero((np.abs(layer.x_um - x_um) <= box) & (np.abs(layer.y_um - y_um) <= box))
    away = np.hypot(layer.x_um[near] - x_um, layer.y_um[near] - y_um)
    hit = away <= np.maximum(reach, 0.5 * CELL_RING * layer.diameter_um[near])
    if hit.any():
        return int(near[np.argmin(np.where(hit, away, np.inf))])
    return _nearest_link(layer, x_um, y_um, LINK_PX * um_per_px) if links else None


def _nearest_link(layer: CellLayer, x_um: float, y_um: float, reach_um: float) -> int | None:
    """Nearer end of the link that a click touches; None where it touches none."""
    a, b = layer.links.T
    ax, ay = layer.x_um[a] - x_um, layer.y_um[a] - y_um
    bx, by = layer.x_um[b] - x_um, layer.y_um[b] - y_um
    low_x, high_x = np.minimum(ax, bx), np.maximum(ax, bx)
    low_y, high_y = np.minimum(ay, by), np.maximum(ay, by)
    near = np.flatnonzero(
        (low_x <= reach_um) & (high_x >= -reach_um) & (low_y <= reach_um) & (high_y >= -reach_um)
    )
    if not near.size:
        return None
    start = np.stack([ax[near], ay[near]])
    step = np.stack([bx[near], by[near]]) - start
    share = -(start * step).sum(axis=0) / np.maximum((step**2).sum(axis=0), 1e-12)
    away = np.hypot(*(start + np.clip(share, 0.0, 1.0) * step))
    best = int(np.argmin(away))
    if away[best] > reach_um:
        return None
    return int((a if share[best] < 0.5 else b)[near[best]])


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
