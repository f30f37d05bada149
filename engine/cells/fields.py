"""The disc as a map: pattern index, density and direction of strings as continuous fields."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from engine.cells.fields_settings import FieldSettings
from engine.cells.graph import checked_positions
from engine.cells.patterns import DOUBLE_STRING, NO_PATTERN, STRING
from engine.cells.region_window import RegionWindow

_SUB = 4
"""A pixel's share of the window is counted on this many points a side."""

_TRUNCATE = 4.0
"""Standard deviations at which the kernel ends; beyond lie 6e-5 of it."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class CellFields:
    """Fields on one grid of square pixels, each array (rows, cols), NaN where nothing is said.

    Attributes
    ----------
    origin_x_um, origin_y_um
        Centre of the first pixel, disc frame.
    pixel_um
        Side of a pixel.
    bandwidth_um
        Standard deviation of the Gaussian kernel.
    pattern_index
        Expected value of the pattern, 0 to 4.
    density_per_mm2
        Cells per area.
    angle_deg
        Mean direction of strings, [0, 180), counter-clockwise from +x as the picture is seen.
    order
        Strength of that direction: 0 (strings run every way) to 1 (all one way).
    support_cells
        Cells that speak here, each by its kernel weight (1 at the point itself).
    string_cells
        The same, of cells in strings and double strings.
    inside
        Share of the kernel that lies on the tissue.
    """

    origin_x_um: float
    origin_y_um: float
    pixel_um: float
    bandwidth_um: float
    pattern_index: Floats
    density_per_mm2: Floats
    angle_deg: Floats
    order: Floats
    support_cells: Floats
    string_cells: Floats
    inside: Floats

    def at(self, name: str, points_um: Floats) -> Floats:
        """Values of one field at (k, 2) points, bilinear; NaN outside and beside a blank pixel.

        Parameters
        ----------
        name
            One of the arrays; a direction can't be read so, being a circular quantity.
        points_um
            Points, disc frame.
        """
        place = (np.asarray(points_um) - (self.origin_x_um, self.origin_y_um)) / self.pixel_um
        values: Floats = getattr(self, name)
        return np.asarray(
            map_coordinates(values, place[:, ::-1].T, order=1, mode="constant", cval=np.nan)
        )


class _Grid:
    """Pixels over a window's bounds, with room for a kernel round them."""

    def __init__(self, window: RegionWindow, s: FieldSettings) -> None:
        x0, y0, x1, y1 = window.shape.bounds
        self.pixel = s.pixel_um
        self.sigma = s.bandwidth_um / s.pixel_um
        self.room = int(np.ceil(_TRUNCATE * self.sigma)) + 1
        self.cols = max(1, int(np.ceil((x1 - x0) / self.pixel)))
        self.rows = max(1, int(np.ceil((y1 - y0) / self.pixel)))
        self.x0, self.y0 = x0 + self.pixel / 2, y0 + self.pixel / 2

    def inner(self, padded: Any) -> Any:
        return padded[self.room : self.room + self.rows, self.room : self.room + self.cols]

    def smooth(self, padded: Floats) -> Floats:
        """Weighted sum round each pixel, the kernel being 1 at its centre."""
        peak = 2 * np.pi * self.sigma**2
        smoothed = gaussian_filter(padded, self.sigma, mode="constant", truncate=_TRUNCATE)
        return np.asarray(self.inner(smoothed) * peak)

    def spread(self, xy: Floats, weight: Floats) -> Floats:
        """Weights of points dealt out to the four pixels round each (cloud in cell)."""
        u = (xy[:, 0] - self.x0) / self.pixel + self.room
        v = (xy[:, 1] - self.y0) / self.pixel + self.room
        shape = (self.rows + 2 * self.room, self.cols + 2 * self.room)
        held = (u >= 0) & (v >= 0) & (u < shape[1] - 1) & (v < shape[0] - 1)
        u, v, weight = u[held], v[held], weight[held]
        i, j = np.floor(v).astype(np.int64), np.floor(u).astype(np.int64)
        a, b = v - i, u - j
        out = np.zeros(shape)
        for di, wi in ((0, 1 - a), (1, a)):
            for dj, wj in ((0, 1 - b), (1, b)):
                np.add.at(out, (i + di, j + dj), weight * wi * wj)
        return out

    def cover(self, window: RegionWindow) -> Floats:
        """Share of each pixel that the window covers, padded."""
        sub = (np.arange(_SUB) + 0.5) / _SUB - 0.5
        x = self.x0 + self.pixel * (np.arange(self.cols)[:, None] + sub).ravel()
        out = np.zeros((self.rows + 2 * self.room, self.cols + 2 * self.room))
        inner = self.inner(out)
        for row in range(self.rows):
            y = self.y0 + self.pixel * (row + sub)
            points = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
            held = window.holds(points).reshape(_SUB, self.cols, _SUB)
            inner[row] = held.mean(axis=(0, 2))
        return out


def cell_fields(
    xy_um: Floats,
    pattern: NDArray[np.int64],
    angle_deg: Floats,
    window: RegionWindow,
    settings: FieldSettings | None = None,
) -> CellFields:
    """Smooth what is known of cells into fields over the tissue.

    Parameters
    ----------
    xy_um
        (n, 2) cells, disc frame; those outside the window are left out.
    pattern
        (n,) pattern of each, -1 for none.
    angle_deg
        (n,) axis of each cell's group; NaN for none.
    window
        The tissue.
    settings
        Bandwidth, pixel, and the support below which nothing is said.

    Raises
    ------
    ValueError
        If the lengths differ or the positions are no positions.

    Notes
    -----
    Density: sum of kernels over the share of the kernel on the tissue (Diggle 1985, J. R. Stat.
    Soc. C 34:138), so that an even pattern has one density up to the border. Index: kernel mean
    (Nadaraya 1964, Watson 1964), in which the border cancels. Direction: kernel mean of doubled
    angles (an axis has no head), its length is the order.
    """
    xy = checked_positions(xy_um)
    if not len(xy) == len(pattern) == len(angle_deg):
        raise ValueError(f"{len(xy)} cells, {len(pattern)} patterns, {len(angle_deg)} angles")
    s = settings or FieldSettings()
    inside = window.holds(xy)
    xy, pattern, angle = xy[inside], np.asarray(pattern)[inside], np.asarray(angle_deg)[inside]
    grid = _Grid(window, s)
    cover = grid.cover(window)
    on_tissue = grid.inner(cover) > 0.5
    kernel_area_um2 = 2 * np.pi * s.bandwidth_um**2
    held = grid.smooth(cover) * s.pixel_um**2 / kernel_area_um2
    support = grid.smooth(grid.spread(xy, np.ones(len(xy))))
    graded = pattern != NO_PATTERN
    told = grid.smooth(grid.spread(xy[graded], np.ones(int(graded.sum()))))
    index = grid.smooth(grid.spread(xy[graded], pattern[graded].astype(np.float64)))
    strings = np.isin(pattern, (STRING, DOUBLE_STRING)) & np.isfinite(angle)
    doubled = 2 * np.radians(angle[strings])
    along = grid.smooth(grid.spread(xy[strings], np.ones(int(strings.sum()))))
    c = grid.smooth(grid.spread(xy[strings], np.cos(doubled)))
    d = grid.smooth(grid.spread(xy[strings], np.sin(doubled)))

    def mean(total: Floats, weight: Floats, there: NDArray[np.bool_]) -> Floats:
        return np.divide(total, weight, out=np.full(total.shape, np.nan), where=there)

    spoken = on_tissue & (told >= s.support_min_cells)
    run = on_tissue & (along >= s.support_min_cells)
    return CellFields(
        origin_x_um=grid.x0,
        origin_y_um=grid.y0,
        pixel_um=s.pixel_um,
        bandwidth_um=s.bandwidth_um,
        pattern_index=mean(index, told, spoken),
        density_per_mm2=mean(1e6 * support / kernel_area_um2, held, on_tissue),
        angle_deg=np.where(run, np.degrees(0.5 * np.arctan2(d, c)) % 180.0, np.nan),
        order=mean(np.hypot(c, d), along, run),
        support_cells=np.where(on_tissue, support, np.nan),
        string_cells=np.where(on_tissue, along, np.nan),
        inside=np.where(on_tissue, held, np.nan),
    )
