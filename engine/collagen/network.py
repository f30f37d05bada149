"""What the pieces of fibrils add up to: thickness, order, director, junctions."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from engine.collagen.profiles import CapFits
from engine.collagen.settings import CollagenSettings
from engine.collagen.traces import Traces

Array = NDArray[np.float64]

# Neighbouring profiles share heights; about this far apart they are independent.
_CORRELATION_NM = 50.0
_COUNTS_AT_ONCE = 2_000_000


@dataclass(frozen=True)
class PieceThickness:
    """Thickness of each piece; shape (pieces,) each.

    Attributes
    ----------
    thickness_nm
        Median over the gated points; NaN where too little of the piece was measured.
    se_nm
        Standard error of that median from the scatter along the piece.
    measured_nm
        Path length over which all gates were passed.
    """

    thickness_nm: Array
    se_nm: Array
    measured_nm: Array


@dataclass(frozen=True)
class ThicknessSummary:
    """Length-weighted thickness of one image; NaN where nothing was measured.

    Attributes
    ----------
    mean_nm, median_nm, p95_nm
        Over pieces, weighted by their length.
    p95_ci_low_nm, p95_ci_high_nm
        Interval of the 95th percentile: bootstrap over pieces, method and radius terms added. It is
        about the fibrils of this image, not of the tissue: pieces of one fibril are alike.
    pieces
        Pieces that were measured.
    radius_sd_nm
        Standard deviation of the 95th percentile from the tip radius alone.
    radius_unknown_nm
        Where the radius is unknown: how much thinner all would be under the bluntest tip that the
        image allows; the interval's low end reaches down by it.
    median_ci_low_nm, median_ci_high_nm
        Interval of the median, made alike.
    pieces_needed
        Measured pieces after which the interval's half-width would be that of ``interval_aim``, the
        bootstrap's share falling with the root of their number; NaN where method and radius alone
        are wider.
    """

    mean_nm: float
    median_nm: float
    p95_nm: float
    p95_ci_low_nm: float
    p95_ci_high_nm: float
    pieces: int
    radius_sd_nm: float
    radius_unknown_nm: float = 0.0
    pieces_needed: float = float("nan")
    median_ci_low_nm: float = float("nan")
    median_ci_high_nm: float = float("nan")


def piece_thickness(traces: Traces, caps: CapFits, settings: CollagenSettings) -> PieceThickness:
    """Median thickness of each piece.

    Parameters
    ----------
    traces
        Paths.
    caps
        Circle fits at their points.
    settings
        ``measured_min_nm``, ``measured_min_share``.

    Returns
    -------
    PieceThickness
        A value for every piece of which enough was measured.
    """
    pieces = len(traces.length_nm)
    good = np.isfinite(caps.thickness_nm)
    measured = np.bincount(traces.piece[good], traces.step_nm[good], pieces).astype(np.float64)
    enough = (measured >= settings.measured_min_nm) & (
        measured >= settings.measured_min_share * traces.length_nm
    )
    thickness, error = np.full(pieces, np.nan), np.full(pieces, np.nan)
    for i in np.flatnonzero(enough):
        value = caps.thickness_nm[traces.start[i] : traces.start[i + 1]]
        value = value[np.isfinite(value)]
        thickness[i] = np.median(value)
        sigma = 1.4826 * np.median(np.abs(value - thickness[i]))
        # 1.2533 = sqrt(pi / 2): a median's standard error against a mean's.
        error[i] = 1.2533 * sigma / np.sqrt(max(1.0, measured[i] / _CORRELATION_NM))
    return PieceThickness(thickness, error, measured)


def weighted_quantile(values: Array, weights: Array, share: float) -> float:
    """Quantile of weighted values, linear between the middles of their weights.

    Parameters
    ----------
    values, weights
        Shape (n,), n at least 1.
    share
        Between 0 and 1.

    Returns
    -------
    float
        The quantile.

    Examples
    --------
    >>> weighted_quantile(np.array([3.0, 1.0, 2.0]), np.ones(3), 0.5)
    2.0
    """
    order = np.argsort(values)
    w = weights[order]
    middle = (np.cumsum(w) - 0.5 * w) / w.sum()
    return float(np.interp(share, middle, values[order]))


def _bootstrap(values: Array, weights: Array, shares: Array, samples: int, seed: int) -> Array:
    """Quantiles of resampled pieces, by counts so that nothing is sorted again.

    Shape (shares, samples).
    """
    order = np.argsort(values)
    x, w = values[order], weights[order]
    rng = np.random.default_rng(seed)
    batch = max(1, _COUNTS_AT_ONCE // len(x))
    parts = [
        _resampled(x, w, shares, min(batch, samples - done), rng)
        for done in range(0, samples, batch)
    ]
    return np.concatenate(parts, axis=1)


def _resampled(x: Array, w: Array, shares: Array, samples: int, rng: np.random.Generator) -> Array:
    n = len(x)
    counts = rng.multinomial(n, np.full(n, 1 / n), samples)
    weight = counts * w
    middle = (np.cumsum(weight, axis=1) - 0.5 * weight) / weight.sum(axis=1, keepdims=True)
    row = np.arange(samples)
    out = np.empty((len(shares), samples))
    for k, share in enumerate(shares):
        high = np.minimum((middle < share).sum(axis=1), n - 1)
        low = np.maximum(high - 1, 0)
        gap = middle[row, high] - middle[row, low]
        part = np.where(gap > 0, (share - middle[row, low]) / np.where(gap > 0, gap, 1.0), 1.0)
        out[k] = x[low] + np.clip(part, 0, 1) * (x[high] - x[low])
    return out


def summarise_thickness(
    piece: PieceThickness,
    length_nm: Array,
    radius_sd_nm: float,
    settings: CollagenSettings,
    seed: int,
    unknown_nm: float = 0.0,
) -> ThicknessSummary:
    """Length-weighted thickness with the interval of its 95th percentile.

    Parameters
    ----------
    piece
        Thickness of the pieces.
    length_nm
        Their lengths, shape (pieces,).
    radius_sd_nm
        Standard deviation of thickness from the tip radius, which all pieces share.
    settings
        ``bootstrap_samples``, ``interval_level``, ``method_rel_sd``, ``interval_aim``.
    seed
        Of the bootstrap.
    unknown_nm
        How much thinner all would be under the bluntest tip possible, where it is not known.

    Returns
    -------
    ThicknessSummary
        Only fibrils that lie open enough to be measured count: buried ones are missing.
    """
    good = np.isfinite(piece.thickness_nm)
    value, weight = piece.thickness_nm[good], length_nm[good]
    if not value.size:
        nan = float("nan")
        return ThicknessSummary(nan, nan, nan, nan, nan, 0, radius_sd_nm, unknown_nm)
    p95 = weighted_quantile(value, weight, 0.95)
    median = weighted_quantile(value, weight, 0.5)
    tail = 0.5 * (1.0 - settings.interval_level)
    drawn = _bootstrap(value, weight, np.array([0.5, 0.95]), settings.bootstrap_samples, seed)
    ends = np.quantile(drawn, [tail, 1.0 - tail], axis=1)
    z = float(stats.norm.ppf(1.0 - tail))

    def interval(middle: float, low: float, high: float) -> tuple[float, float]:
        shared = z * float(np.hypot(settings.method_rel_sd * middle, radius_sd_nm))
        below = np.hypot(np.hypot(max(middle - low, 0.0), shared), unknown_nm)
        return middle - float(below), middle + float(np.hypot(max(high - middle, 0.0), shared))

    low, high = interval(p95, *ends[:, 1])
    median_low, median_high = interval(median, *ends[:, 0])
    shared = z * float(np.hypot(settings.method_rel_sd * p95, radius_sd_nm))
    return ThicknessSummary(
        mean_nm=float(np.average(value, weights=weight)),
        median_nm=median,
        p95_nm=p95,
        p95_ci_low_nm=low,
        p95_ci_high_nm=high,
        pieces=int(value.size),
        radius_sd_nm=radius_sd_nm,
        radius_unknown_nm=unknown_nm,
        pieces_needed=_pieces_needed(
            value.size, 0.5 * float(ends[1, 1] - ends[0, 1]), shared, p95, settings
        ),
        median_ci_low_nm=median_low,
        median_ci_high_nm=median_high,
    )


def _pieces_needed(
    pieces: int, sampled_nm: float, shared_nm: float, p95_nm: float, settings: CollagenSettings
) -> float:
    left = (settings.interval_aim * p95_nm) ** 2 - shared_nm**2
    return float(np.ceil(pieces * sampled_nm**2 / left)) if left > 0 else float("nan")


def orientation(tangent_u: Array, tangent_v: Array, weight: Array) -> tuple[float, float]:
    """Two-dimensional nematic order and director of weighted tangents.

    Parameters
    ----------
    tangent_u, tangent_v
        Unit tangents, sign without meaning, shape (points,).
    weight
        Path length each stands for, shape (points,).

    Returns
    -------
    tuple of float
        Order |<exp(2 i angle)>|, 0 to 1, and director in degrees [0, 180) from +u towards +v;
        NaN without points.
    """
    total = weight.sum()
    if not total > 0:
        return float("nan"), float("nan")
    double = ((tangent_u + 1j * tangent_v) ** 2 * weight).sum() / total
    angle = float(np.degrees(0.5 * np.angle(double))) % 180.0
    return float(abs(double)), 0.0 if angle >= 180.0 else angle


def piece_angles(traces: Traces) -> Array:
    """Director of each piece.

    Parameters
    ----------
    traces
        Paths.

    Returns
    -------
    numpy.ndarray
        Degrees [0, 180) from +u towards +v, shape (pieces,).
    """
    double = (traces.tangent_u + 1j * traces.tangent_v) ** 2 * traces.step_nm
    pieces = len(traces.length_nm)
    total = np.bincount(traces.piece, double.real, pieces) + 1j * np.bincount(
        traces.piece, double.imag, pieces
    )
    return np.degrees(0.5 * np.angle(total)) % 180.0


def junction_density(traces: Traces, valid_px: int, pixel_nm: tuple[float, float]) -> float:
    """Apparent junctions per square micrometre: crossings and splits are not told apart.

    Parameters
    ----------
    traces
        Paths with junctions.
    valid_px
        Number of pixels that hold a datum.
    pixel_nm
        Spacing along u and v.

    Returns
    -------
    float
        Per square micrometre; NaN without valid pixels.
    """
    area_um2 = valid_px * pixel_nm[0] * pixel_nm[1] * 1e-6
    return len(traces.junction_u_px) / area_um2 if area_um2 > 0 else float("nan")
