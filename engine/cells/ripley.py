"""How cells cluster or keep apart at every distance: Ripley's K and L, pair correlation."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from engine.cells.nearest import inside
from engine.cells.region_window import RegionWindow

Correction = Literal["none", "border", "translation", "isotropic"]

_HEAVIEST = 100.0
"""Largest edge weight: a pair of which hardly any of the circle is seen must not rule the sum."""


@dataclass(frozen=True)
class PairCorrelation:
    """Density of pairs at a distance, over that of cells without order.

    Attributes
    ----------
    radii
        (r,) distances.
    g
        (r,) 1 without order, above 1 where pairs at that distance are more frequent.
    bandwidth
        Half-width of the Epanechnikov kernel.
    """

    radii: NDArray[np.float64]
    g: NDArray[np.float64]
    bandwidth: float


@dataclass(frozen=True)
class Envelope:
    """Ripley's L of the cells and of cells scattered without order in the same window.

    Attributes
    ----------
    radii
        (r,) distances.
    observed
        (r,) L(r) - r.
    low, high
        (r,) lowest and highest of the simulations at each distance.
    mean
        (r,) mean of the simulations.
    p
        Monte Carlo p of the largest departure from that mean over all distances, one test for the
        whole curve: the band at each distance alone is left by chance more often than it seems.
    simulations
        How many.
    """

    radii: NDArray[np.float64]
    observed: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    mean: NDArray[np.float64]
    p: float
    simulations: int


def _pairs(
    xy: NDArray[np.float64], reach: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Ordered pairs nearer than ``reach``: first, second, distance."""
    close = cKDTree(xy).query_pairs(reach, output_type="ndarray").astype(np.int64)
    first, second = np.vstack([close, close[:, ::-1]]).T
    return first, second, np.linalg.norm(xy[first] - xy[second], axis=1)


def _weights(
    xy: NDArray[np.float64],
    first: NDArray[np.int64],
    second: NDArray[np.int64],
    distance: NDArray[np.float64],
    window: RegionWindow,
    correction: Correction,
) -> NDArray[np.float64]:
    """Edge weight of each ordered pair."""
    if correction == "translation":
        half = distance.size // 2
        shared = window.overlap(xy[first[:half]] - xy[second[:half]])
        return np.tile(np.minimum(window.area / np.maximum(shared, 1e-300), _HEAVIEST), 2)
    if correction == "isotropic":
        share = window.circle_share(xy[first], distance)
        return np.minimum(1 / np.maximum(share, 1e-300), _HEAVIEST)
    return np.ones(distance.size)


def _border_k(
    xy: NDArray[np.float64], radii: NDArray[np.float64], window: RegionWindow
) -> NDArray[np.float64]:
    first, _, distance = _pairs(xy, float(radii.max()))
    border = window.border_distance(xy)
    out = np.full(radii.size, np.nan)
    for i, r in enumerate(radii):
        asked = border >= r
        if asked.any():
            near = np.count_nonzero((distance <= r) & asked[first])
            out[i] = window.area * near / (len(xy) * np.count_nonzero(asked))
    return out


def ripley_k(
    xy_um: NDArray[np.float64],
    radii_um: NDArray[np.float64],
    window: RegionWindow,
    correction: Correction = "isotropic",
) -> NDArray[np.float64]:
    """Ripley's K (Ripley 1977, J. R. Stat. Soc. B 39:172).

    Expected number of further cells within a radius of a cell, over the density. Without order it
    is pi r^2.

    Parameters
    ----------
    xy_um
        (n, 2) cells; those outside the window are left out.
    radii_um
        (r,) radii, same unit.
    window
        Window.
    correction
        How pairs cut off by the border are made up for: ``none``; ``border`` (only cells farther
        than the radius from it are asked); ``translation`` (the window's overlap with itself moved
        by the pair); ``isotropic`` (share of the circle through the other cell that lies inside).

    Returns
    -------
    ndarray
        (r,) K, squared unit; NaN with fewer than two cells.
    """
    xy = inside(xy_um, window)
    radii = np.asarray(radii_um, dtype=np.float64)
    n = len(xy)
    if n < 2 or not radii.size:
        return np.full(radii.shape, np.nan)
    if correction == "border":
        return _border_k(xy, radii, window)
    first, second, distance = _pairs(xy, float(radii.max()))
    weight = _weights(xy, first, second, distance, window, correction)
    order = np.argsort(distance, kind="stable")
    summed = np.concatenate([[0.0], np.cumsum(weight[order])])
    upto = np.searchsorted(distance[order], radii, side="right")
    return np.asarray(window.area * summed[upto] / (n * (n - 1)))


def ripley_l(
    xy_um: NDArray[np.float64],
    radii_um: NDArray[np.float64],
    window: RegionWindow,
    correction: Correction = "isotropic",
) -> NDArray[np.float64]:
    """Ripley's L = sqrt(K / pi): r without order (Besag 1977). Parameters as in `ripley_k`."""
    return np.sqrt(ripley_k(xy_um, radii_um, window, correction) / np.pi)


def pair_correlation(
    xy_um: NDArray[np.float64],
    radii_um: NDArray[np.float64],
    window: RegionWindow,
    correction: Correction = "translation",
    bandwidth_um: float | None = None,
) -> PairCorrelation:
    """Pair correlation by an Epanechnikov kernel.

    Parameters
    ----------
    xy_um
        (n, 2) cells; those outside the window are left out.
    radii_um
        (r,) distances, > 0.
    window
        Window.
    correction
        ``none``, ``translation`` or ``isotropic``, see `ripley_k`.
    bandwidth_um
        Half-width of the kernel; by default 0.15 over the root of the density.

    Raises
    ------
    ValueError
        If the correction is ``border``, which this has none of, or a distance is not positive.

    Notes
    -----
    The sum is divided by each pair's own distance, not by r: near zero that has less bias.
    """
    if correction == "border":
        raise ValueError("correction must be none, translation or isotropic, got border")
    xy = inside(xy_um, window)
    radii = np.asarray(radii_um, dtype=np.float64)
    if (radii <= 0).any():
        raise ValueError(f"radii_um must be > 0, got {radii.min()}")
    n = len(xy)
    if n < 2:
        return PairCorrelation(radii, np.full(radii.shape, np.nan), float("nan"))
    h = bandwidth_um or 0.15 / np.sqrt(n / window.area)
    first, second, distance = _pairs(xy, float(radii.max() + h))
    # cells in one place have no distance to divide by
    apart = distance > 0
    weight = _weights(xy, first, second, distance, window, correction)[apart]
    distance = distance[apart]
    offset = (radii[:, None] - distance[None, :]) / h
    kernel = np.where(np.abs(offset) < 1, 0.75 * (1 - offset**2) / h, 0.0)
    g = window.area / (2 * np.pi * n * (n - 1)) * (kernel @ (weight / distance))
    return PairCorrelation(radii, g, float(h))


def l_envelope(
    xy_um: NDArray[np.float64],
    radii_um: NDArray[np.float64],
    window: RegionWindow,
    correction: Correction = "isotropic",
    simulations: int = 99,
    seed: int = 0,
) -> Envelope:
    """Compare L(r) - r with that of as many cells scattered without order.

    Parameters
    ----------
    xy_um, radii_um, window, correction
        As in `ripley_k`.
    simulations
        How many patterns are scattered.
    seed
        Seed of the scattering.
    """
    xy = inside(xy_um, window)
    radii = np.asarray(radii_um, dtype=np.float64)
    rng = np.random.default_rng(seed)
    observed = ripley_l(xy, radii, window, correction) - radii
    drawn = np.array(
        [
            ripley_l(window.scatter(len(xy), rng), radii, window, correction) - radii
            for _ in range(simulations)
        ]
    ).reshape(simulations, radii.size)
    every = np.vstack([observed, drawn])
    away = np.nanmax(np.abs(every - every.mean(axis=0)), axis=1, initial=0.0)
    return Envelope(
        radii=radii,
        observed=observed,
        low=drawn.min(axis=0, initial=np.inf),
        high=drawn.max(axis=0, initial=-np.inf),
        mean=drawn.mean(axis=0) if simulations else np.full(radii.size, np.nan),
        p=float(np.mean(away >= away[0])),
        simulations=simulations,
    )
