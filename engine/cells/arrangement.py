"""How the cells of one region lie: density, neighbours, clustering at every distance, direction."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from engine.cells.graph import checked_positions
from engine.cells.nearest import ClarkEvans, Density, clark_evans, density, nearest_distribution
from engine.cells.patterns import DOUBLE_STRING, STRING
from engine.cells.region_window import RegionWindow
from engine.cells.ripley import Envelope, PairCorrelation, l_envelope, pair_correlation

MOST_CELLS = 1000
"""Cells that pairs are counted among; of more a random part stands for all."""

FEWEST_CELLS = 10
"""Of fewer cells no curve is told."""

SIMULATIONS = 39
"""Scatterings behind the band: its ends are then passed at a given distance once in twenty."""

REACH_UM = 120.0
RADII = 40
_SHARE_OF_SIDE = 0.25
_PAIR_WIDTH_UM = 3.0

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Neighbours:
    """What is told at once.

    Attributes
    ----------
    density
        Cells per area, with the interval of cells that lie independently.
    low_per_mm2, high_per_mm2
        Interval that counts groups as wholes: with n the cells of each group in the region, the
        number of cells has the variance sum n^2 (a compound Poisson process); 95 %.
    clark_evans
        Mean nearest distance over that of cells without order.
    ratio_low, ratio_high
        95 % interval of the corrected ratio by Donnelly's standard error without order.
    nearest_um
        Quartiles (25, 50, 75 %) of the distance to the nearest cell, border method.
    radii_um, nearest_share
        (r,) distances, and the share of cells whose nearest other is within each; NaN where no
        cell is that far from the border.
    angle_deg, order
        Mean direction of the strings' axes and how far they agree, 0 to 1; NaN without strings.
    string_cells
        Cells of strings and double strings.
    """

    density: Density
    low_per_mm2: float
    high_per_mm2: float
    clark_evans: ClarkEvans
    ratio_low: float
    ratio_high: float
    nearest_um: tuple[float, float, float]
    radii_um: Floats
    nearest_share: Floats
    angle_deg: float
    order: float
    string_cells: int


@dataclass(frozen=True)
class Clustering:
    """What takes a moment: pairs at every distance, and cells scattered for comparison.

    Attributes
    ----------
    envelope
        L(r) - r with the band of the simulations.
    k
        (r,) Ripley's K at the envelope's radii.
    pairs
        Pair correlation at the same radii, the first left out where it is zero.
    cells, asked
        Cells in the region, and those among which pairs were counted.
    """

    envelope: Envelope
    k: Floats
    pairs: PairCorrelation
    cells: int
    asked: int

    @property
    def strongest_um(self) -> float:
        """Distance at which L(r) - r departs most from the simulations' mean."""
        away = np.abs(self.envelope.observed - self.envelope.mean)
        return float(self.envelope.radii[np.nanargmax(away)])


def reach_of(window: RegionWindow) -> float:
    """Largest distance that is looked at: a quarter of the region's shorter side at most."""
    x0, y0, x1, y1 = window.shape.bounds
    return float(min(REACH_UM, _SHARE_OF_SIDE * min(x1 - x0, y1 - y0)))


def _radii(window: RegionWindow) -> Floats:
    return np.linspace(0.0, reach_of(window), RADII + 1)[1:]


def neighbours(
    xy_um: Floats,
    group: NDArray[np.int64],
    pattern: NDArray[np.int64],
    angle_deg: Floats,
    window: RegionWindow,
) -> Neighbours:
    """Tell density, nearest neighbours and direction of a region.

    Parameters
    ----------
    xy_um
        (n, 2) cells; those outside are left out.
    group, pattern, angle_deg
        (n,) group, pattern and axis of the group of each cell.
    window
        The region.

    Raises
    ------
    ValueError
        If the lengths differ.
    """
    xy = checked_positions(xy_um)
    if not len(xy) == len(group) == len(pattern) == len(angle_deg):
        raise ValueError(f"{len(xy)} cells, {len(group)} groups, {len(pattern)} patterns")
    held = window.holds(xy)
    plain, order = density(xy[held], window), clark_evans(xy[held], window)
    sizes = np.unique(group[held], return_counts=True)[1].astype(np.float64)
    half = norm.ppf(0.975) * np.sqrt((sizes**2).sum()) / (window.area * 1e-6)
    radii = _radii(window)
    strings = held & np.isin(pattern, (STRING, DOUBLE_STRING)) & np.isfinite(angle_deg)
    mean = np.exp(2j * np.radians(angle_deg[strings])).mean() if strings.any() else np.nan + 0j
    wide = norm.ppf(0.975) * abs(order.ratio_corrected - 1) / abs(order.z) if order.z else np.nan
    told = strings.any()
    quartiles = (float("nan"),) * 3
    if order.cells > 1:
        q = np.percentile(order.nearest, [25, 50, 75])
        quartiles = (float(q[0]), float(q[1]), float(q[2]))
    return Neighbours(
        density=plain,
        low_per_mm2=float(max(plain.per_mm2 - half, 0.0)),
        high_per_mm2=float(plain.per_mm2 + half),
        clark_evans=order,
        ratio_low=float(order.ratio_corrected - wide),
        ratio_high=float(order.ratio_corrected + wide),
        nearest_um=quartiles,
        radii_um=radii,
        nearest_share=nearest_distribution(xy[held], window, radii),
        angle_deg=float(np.degrees(0.5 * np.angle(mean)) % 180.0) if told else float("nan"),
        order=float(np.abs(mean)) if told else float("nan"),
        string_cells=int(strings.sum()),
    )


def clustering(xy_um: Floats, window: RegionWindow, seed: int = 0) -> Clustering | None:
    """Count pairs at every distance, and compare with cells scattered without order.

    Of more than `MOST_CELLS` cells a random part is taken: thinning by chance leaves K, L and the
    pair correlation as they are (Baddeley, Rubak & Turner 2015, Spatial Point Patterns, 5.7; from
    memory), and only makes the band wider.

    Parameters
    ----------
    xy_um
        (n, 2) cells; those outside are left out.
    window
        The region.
    seed
        Seed of the part that is taken and of the scattering.

    Returns
    -------
    Clustering or None
        None with fewer than ten cells.
    """
    xy = checked_positions(xy_um)
    xy = xy[window.holds(xy)]
    if len(xy) < FEWEST_CELLS:
        return None
    rng = np.random.default_rng(seed)
    asked = xy if len(xy) <= MOST_CELLS else xy[rng.permutation(len(xy))[:MOST_CELLS]]
    radii = _radii(window)
    envelope = l_envelope(asked, radii, window, "isotropic", SIMULATIONS, seed)
    pairs = pair_correlation(asked, radii, window, "isotropic", _PAIR_WIDTH_UM)
    k = np.pi * (envelope.observed + radii) ** 2
    return Clustering(envelope, k, pairs, len(xy), len(asked))
