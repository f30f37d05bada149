"""Order and director of the network, how they vary over the image, and over which distance."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from engine.collagen.network import orientation
from engine.collagen.settings import CollagenSettings
from engine.collagen.traces import Traces

Array = NDArray[np.float64]

_SECTORS = 36
_MOST_POINTS = 2500
_LAG_NM = 40.0
_FEWEST_PAIRS = 200


@dataclass(frozen=True)
class OrientationField:
    """Orientation over the image.

    Attributes
    ----------
    order_traced
        Order of the traced length as it stands, without what crossings hide.
    seen_share
        Smallest share, over directions, of the length that crossings leave long enough to trace.
    cell_nm
        Side of the cells of the map.
    cell_u_nm, cell_v_nm
        Centres of the cells that hold fibrils, from the site's centre, shape (cells,).
    cell_angle_deg, cell_order, cell_length_nm
        Director [0, 180) from +u towards +v, order and traced length of each cell; (cells,).
    lag_nm, correlation
        Mean of cos 2(difference) over pairs of path points so far apart; shape (lags,).
    correlation_length_nm
        Distance at which the correlation has fallen to 1/e of the way from one down to what the
        order of the whole image leaves; NaN where it does not within a third of the image.
    """

    order_traced: float = float("nan")
    seen_share: float = float("nan")
    cell_nm: float = float("nan")
    cell_u_nm: Array = field(default_factory=lambda: np.zeros(0))
    cell_v_nm: Array = field(default_factory=lambda: np.zeros(0))
    cell_angle_deg: Array = field(default_factory=lambda: np.zeros(0))
    cell_order: Array = field(default_factory=lambda: np.zeros(0))
    cell_length_nm: Array = field(default_factory=lambda: np.zeros(0))
    lag_nm: Array = field(default_factory=lambda: np.zeros(0))
    correlation: Array = field(default_factory=lambda: np.zeros(0))
    correlation_length_nm: float = float("nan")


def hidden_weight(
    traces: Traces, shortest_nm: float, end_loss_nm: float = 0.0
) -> tuple[Array, float]:
    """Weigh path points by what crossings hide of fibrils in their direction.

    A fibril is seen in runs between those that cross over it. A trace loses something at both
    ends of a run, and runs that leave less than the shortest traced piece are lost altogether. A
    fibril that lies across the others meets more of them, so more of its length is lost and the
    order reads too high. With crossings at random, runs are exponential with a rate k proportional
    to the mean of |sin| of the angle to all the others, and the share of length that is traced is
    (1 + k s) exp(-k (s + c)), s the shortest piece, c the loss at both ends together. The scale of
    the rate comes from the mean traced piece, s + 1 / k. (Own correction, from the stereology of
    random lines.)

    Parameters
    ----------
    traces
        Pieces that were traced along crests, short ones included.
    shortest_nm
        Length below which pieces are dropped.
    end_loss_nm
        Length that a trace loses of a run, both ends together.

    Returns
    -------
    tuple
        Weight of each path point, nanometres, shape (points,), and the smallest share seen.
    """
    weight = traces.step_nm
    if not len(traces.length_nm) or not weight.sum() > 0:
        return weight, float("nan")
    mean = max(float(traces.length_nm.mean()) - shortest_nm, 0.5 * shortest_nm)
    angle = np.arctan2(traces.tangent_v, traces.tangent_u) % np.pi
    sector = np.minimum((angle / np.pi * _SECTORS).astype(np.int64), _SECTORS - 1)
    middle = (np.arange(_SECTORS) + 0.5) * np.pi / _SECTORS
    crossing = np.abs(np.sin(middle[:, None] - middle[None, :]))
    np.fill_diagonal(crossing, np.pi / _SECTORS / 3.0)  # mean within one sector
    traced = np.bincount(sector, weight, _SECTORS)
    there, gain = traced, np.ones(_SECTORS)
    for _ in range(3):  # what is added back crosses others in turn
        rate = crossing @ there / there.sum()
        rate = rate / (float(np.average(rate, weights=traced)) * mean)
        gain = np.exp(rate * (shortest_nm + end_loss_nm)) / (1.0 + rate * shortest_nm)
        there = traced * gain
    return weight * gain[sector], float(1.0 / gain[traced > 0].max())


def order_and_director(traces: Traces, settings: CollagenSettings) -> tuple[float, float, float]:
    """Order and director, corrected for what crossings hide.

    Parameters
    ----------
    traces
        Pieces that were traced along crests, short ones included.
    settings
        ``piece_min_nm``, ``order_end_loss``.

    Returns
    -------
    tuple of float
        Order, director in degrees [0, 180) from +u towards +v, and the smallest share of length
        seen over directions; NaN without pieces.
    """
    loss = (
        settings.order_end_loss * float(np.median(traces.diameter_nm))
        if len(traces.diameter_nm)
        else 0.0
    )
    weight, seen = hidden_weight(traces, settings.piece_min_nm, 2.0 * loss)
    order, angle = orientation(traces.tangent_u, traces.tangent_v, weight)
    return order, angle, seen


def orientation_field(
    traces: Traces,
    seen_share: float,
    shape: tuple[int, ...],
    pixel_nm: tuple[float, float],
    settings: CollagenSettings,
) -> OrientationField:
    """Map of local orientation, and how far it reaches.

    Parameters
    ----------
    traces
        Pieces that were kept.
    seen_share
        From :func:`order_and_director`.
    shape
        Rows and columns of the image.
    pixel_nm
        Spacing along u and v.
    settings
        ``map_cell_nm``.

    Returns
    -------
    OrientationField
        Empty where nothing was traced.
    """
    if not len(traces.length_nm):
        return OrientationField(cell_nm=settings.map_cell_nm)
    u = (traces.u_px + 0.5 - 0.5 * shape[1]) * pixel_nm[0]
    v = (traces.v_px + 0.5 - 0.5 * shape[0]) * pixel_nm[1]
    double = (traces.tangent_u + 1j * traces.tangent_v) ** 2
    order = float(abs((double * traces.step_nm).sum()) / traces.step_nm.sum())
    extent = min(shape[1] * pixel_nm[0], shape[0] * pixel_nm[1])
    lag, correlation = _correlation(u, v, double, traces.step_nm, extent / 3.0)
    cells = _cells(u, v, double, traces.step_nm, shape, pixel_nm, settings.map_cell_nm)
    return OrientationField(
        order,
        seen_share,
        settings.map_cell_nm,
        *cells,
        lag,
        correlation,
        _length(lag, correlation, order),
    )


def _cells(
    u: Array,
    v: Array,
    double: NDArray[np.complex128],
    weight: Array,
    shape: tuple[int, ...],
    pixel_nm: tuple[float, float],
    cell_nm: float,
) -> tuple[Array, Array, Array, Array, Array]:
    across = max(1, int(np.ceil(shape[1] * pixel_nm[0] / cell_nm)))
    down = max(1, int(np.ceil(shape[0] * pixel_nm[1] / cell_nm)))
    col = np.clip(np.floor(u / cell_nm + 0.5 * across).astype(np.int64), 0, across - 1)
    row = np.clip(np.floor(v / cell_nm + 0.5 * down).astype(np.int64), 0, down - 1)
    cell = row * across + col
    size = across * down
    total = np.asarray(np.bincount(cell, weight, size), dtype=np.float64)
    real = np.bincount(cell, weight * double.real, size)
    imag = np.bincount(cell, weight * double.imag, size)
    some = np.flatnonzero(total > 0.25 * cell_nm)
    mean = (real[some] + 1j * imag[some]) / total[some]
    return (
        (some % across).astype(np.float64) * cell_nm - 0.5 * (across - 1) * cell_nm,
        (some // across).astype(np.float64) * cell_nm - 0.5 * (down - 1) * cell_nm,
        np.degrees(0.5 * np.angle(mean)) % 180.0,
        np.asarray(np.abs(mean), dtype=np.float64),
        total[some],
    )


def _correlation(
    u: Array, v: Array, double: NDArray[np.complex128], weight: Array, reach_nm: float
) -> tuple[Array, Array]:
    """Mean cosine of twice the angle between path points, by their distance."""
    # Evenly along the paths, so that every length counts alike.
    total = np.cumsum(weight)
    count = min(_MOST_POINTS, len(u))
    at = np.unique(np.searchsorted(total, (np.arange(count) + 0.5) / count * total[-1]))
    at = np.minimum(at, len(u) - 1)
    x, y, d = u[at], v[at], double[at]
    bins = max(3, int(reach_nm / _LAG_NM))
    sums, counts = np.zeros(bins), np.zeros(bins)
    for i in range(len(at) - 1):
        distance = np.hypot(x[i + 1 :] - x[i], y[i + 1 :] - y[i])
        k = (distance / reach_nm * bins).astype(np.int64)
        near = k < bins
        alike = d.real[i + 1 :] * d.real[i] + d.imag[i + 1 :] * d.imag[i]
        sums += np.bincount(k[near], alike[near], bins)
        counts += np.bincount(k[near], minlength=bins)
    lag = (np.arange(bins) + 0.5) * reach_nm / bins
    enough = counts >= _FEWEST_PAIRS
    return lag[enough], sums[enough] / counts[enough]


def _length(lag: Array, correlation: Array, order: float) -> float:
    level = order**2 + (1.0 - order**2) / np.e
    x, y = np.concatenate([[0.0], lag]), np.concatenate([[1.0], correlation])
    below = np.flatnonzero(y <= level)
    if not below.size or below[0] == 0:
        return float("nan")
    k = int(below[0])
    return float(x[k - 1] + (x[k] - x[k - 1]) * (y[k - 1] - level) / (y[k - 1] - y[k]))
