"""Density and nearest neighbours of the cells in a region."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.stats import chi2, norm

from engine.cells.graph import checked_positions
from engine.cells.region_window import RegionWindow


@dataclass(frozen=True)
class Density:
    """Cells per area.

    Attributes
    ----------
    cells
        Number of cells in the window.
    per_mm2, low_per_mm2, high_per_mm2
        Density, with the exact interval for cells that lie independently (Poisson). Cells in groups
        do not: for them the interval is too narrow.
    """

    cells: int
    per_mm2: float
    low_per_mm2: float
    high_per_mm2: float


@dataclass(frozen=True)
class ClarkEvans:
    """Mean nearest distance against that of cells without order.

    Attributes
    ----------
    cells
        Number of cells in the window.
    nearest
        (n,) distance of each cell to the nearest other in the window, unit of the coordinates.
    ratio
        Observed over expected mean without regard to the border (Clark & Evans 1954, Ecology
        35:445): below 1 clustered, above 1 regular; too high in small windows.
    ratio_corrected
        The same with Donnelly's expectation (1978), which allows for the border.
    z, p
        Of the corrected difference, with Donnelly's standard error; two-sided, normal.
    """

    cells: int
    nearest: NDArray[np.float64]
    ratio: float
    ratio_corrected: float
    z: float
    p: float


def inside(xy_um: NDArray[np.float64], window: RegionWindow) -> NDArray[np.float64]:
    """Cells that lie in the window, (k, 2)."""
    xy = checked_positions(xy_um)
    return xy[window.holds(xy)]


def density(xy_um: NDArray[np.float64], window: RegionWindow, level: float = 0.95) -> Density:
    """Cells per mm2 with an interval.

    Parameters
    ----------
    xy_um
        (n, 2) cells, um; those outside the window are left out.
    window
        Window, um.
    level
        Level of the interval.
    """
    n = len(inside(xy_um, window))
    area_mm2 = window.area * 1e-6
    tail = 0.5 * (1 - level)
    low = 0.5 * chi2.ppf(tail, 2 * n) if n else 0.0
    high = 0.5 * chi2.ppf(1 - tail, 2 * n + 2)
    return Density(n, n / area_mm2, float(low / area_mm2), float(high / area_mm2))


def clark_evans(xy_um: NDArray[np.float64], window: RegionWindow) -> ClarkEvans:
    """Compare the mean nearest distance with that of cells without order.

    Parameters
    ----------
    xy_um
        (n, 2) cells; those outside the window are left out.
    window
        Window, same unit.

    Returns
    -------
    ClarkEvans
        NaN where fewer than two cells lie in the window.

    Notes
    -----
    With A the area, P the perimeter: expected mean 0.5 sqrt(A/n) + (0.0514 + 0.0412/sqrt n) P/n,
    variance (0.0703 A + 0.037 P sqrt(A/n)) / n^2 (Donnelly 1978; the variance from memory, checked
    by simulation).
    """
    xy = inside(xy_um, window)
    n, area, perimeter = len(xy), window.area, window.perimeter
    if n < 2:
        return ClarkEvans(n, np.full(n, np.nan), *[float("nan")] * 4)
    nearest = np.asarray(cKDTree(xy).query(xy, 2)[0])[:, 1]
    mean, plain = float(nearest.mean()), 0.5 * np.sqrt(area / n)
    expected = plain + (0.0514 + 0.0412 / np.sqrt(n)) * perimeter / n
    error = np.sqrt(0.0703 * area + 0.037 * perimeter * np.sqrt(area / n)) / n
    z = (mean - expected) / error
    p = 2 * norm.sf(abs(z))
    return ClarkEvans(n, nearest, float(mean / plain), float(mean / expected), float(z), float(p))


def nearest_distribution(
    xy_um: NDArray[np.float64], window: RegionWindow, radii_um: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Share of cells whose nearest other cell is within a radius.

    Only cells farther than the radius from the border are asked, because only of them the nearest
    is surely seen (border method).

    Parameters
    ----------
    xy_um
        (n, 2) cells.
    window
        Window.
    radii_um
        (r,) radii.

    Returns
    -------
    ndarray
        (r,) shares; NaN where no cell is that far from the border.
    """
    xy = inside(xy_um, window)
    radii = np.asarray(radii_um, dtype=np.float64)
    if len(xy) < 2:
        return np.full(radii.shape, np.nan)
    nearest = np.asarray(cKDTree(xy).query(xy, 2)[0])[:, 1]
    border = window.border_distance(xy)
    asked = (border[None, :] >= radii[:, None]).sum(axis=1)
    near = ((border[None, :] >= radii[:, None]) & (nearest[None, :] <= radii[:, None])).sum(axis=1)
    return np.where(asked > 0, near / np.maximum(asked, 1), np.nan)
