"""Heights along any line one draws, and whether they are banded."""

from dataclasses import dataclass, field

import numba
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from engine.collagen.band_marks import amplitude_of, maxima
from engine.collagen.profiles import _cubic
from engine.collagen.ridges import fill_missing
from engine.collagen.settings import CollagenSettings
from engine.collagen.spectrum import (
    FREQUENCIES_PER_NM,
    background,
    beside_the_band,
    highest_peak,
    periodogram,
)

Array = NDArray[np.float64]

_DEFAULT = CollagenSettings()
_STEP_PX = 0.5
_MOST_POINTS = 20_000
_HANN_COST = 1.5
_ARC_REL_SD = 0.015
_HARMONIC_LOSS = 2.0  # of a Hann window: its side frequencies hang together over two cells


@dataclass(frozen=True)
class LineProfile:
    """Heights along a line over an image.

    Attributes
    ----------
    distance_nm
        Distance along the line in the image's plane, evenly spaced from zero, shape (n,).
    u_nm, v_nm
        Where on the image, from its centre, shape (n,).
    height_nm
        Mean height over the width across, NaN beyond the image or without a datum, shape (n,).
    spread_nm
        Standard deviation over the width across, shape (n,).
    space_nm
        Distance along the surface, its slope counted, shape (n,); the period is measured on it.
    period_nm, period_se_nm
        Band period and its standard error; NaN where there are no bands or none can be told.
    amplitude_nm
        Half of crest to trough at that period.
    ratio, ratio_needed
        Peak in the spectrum over its own background, and what noise reaches with the chance in
        the settings; NaN where the line is too short or the pixel too coarse.
    resolvable
        Whether length and pixel allow an answer at all.
    band_nm
        Distances at which the maxima of the bands lie, shape (bands,).
    wavelength_nm, power
        Spectrum over its own background, long waves first; empty where there is none.
    """

    distance_nm: Array
    u_nm: Array
    v_nm: Array
    height_nm: Array
    spread_nm: Array
    space_nm: Array
    period_nm: float
    period_se_nm: float
    amplitude_nm: float
    ratio: float
    ratio_needed: float
    resolvable: bool
    band_nm: Array
    wavelength_nm: Array
    power: Array


def _polyline(path_nm: Array, step_nm: float) -> tuple[Array, Array, Array]:
    """Even points along a polyline and unit tangents, smoothed over its corners; (n, 2) each."""
    leg = np.hypot(*np.diff(path_nm, axis=0).T)
    kept = np.concatenate([[True], leg > 0])
    path, leg = path_nm[kept], leg[leg > 0]
    arc = np.concatenate([[0.0], np.cumsum(leg)])
    count = max(2, min(_MOST_POINTS, round(arc[-1] / step_nm) + 1))
    at = np.linspace(0.0, arc[-1], count)
    point = np.column_stack([np.interp(at, arc, path[:, k]) for k in (0, 1)])
    tangent = np.gradient(point, at, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-12)[:, None]
    return at, point, tangent


@numba.njit(cache=True)
def _across(z, known, v, u, nv, nu, offset, mean, spread):  # type: ignore[no-untyped-def]
    rows, cols = z.shape
    for i in range(len(v)):
        n, total, square = 0, 0.0, 0.0
        for k in range(len(offset)):
            r, c = v[i] + offset[k] * nv[i], u[i] + offset[k] * nu[i]
            if r < -0.5 or c < -0.5 or r > rows - 0.5 or c > cols - 0.5:
                continue
            if not known[min(max(int(r + 0.5), 0), rows - 1), min(max(int(c + 0.5), 0), cols - 1)]:
                continue
            height = _cubic(z, r, c)
            n += 1
            total += height
            square += height * height
        if n:
            mean[i] = total / n
            spread[i] = np.sqrt(max(square / n - mean[i] * mean[i], 0.0))


def _validated(
    height_nm: NDArray[np.floating], path_nm: NDArray[np.floating], width_nm: float
) -> tuple[Array, Array]:
    height, path = np.asarray(height_nm), np.asarray(path_nm, dtype=np.float64)
    if height.ndim != 2 or not height.size:
        raise ValueError(f"height_nm must have shape (rows, cols), got {height.shape}")
    if path.ndim != 2 or path.shape[1] != 2 or len(path) < 2 or not np.isfinite(path).all():
        raise ValueError(f"path_nm must be finite, of shape (2 or more, 2), got {path.shape}")
    if not np.ptp(path, axis=0).any():
        raise ValueError("path_nm must have two different points, got one point repeated")
    if not (np.isfinite(width_nm) and width_nm >= 0):
        raise ValueError(f"width_nm must be >= 0, got {width_nm}")
    return height.astype(np.float64), path


def profile_along(
    height_nm: NDArray[np.floating],
    pixel_nm: tuple[float, float],
    path_nm: NDArray[np.floating],
    width_nm: float = 0.0,
    settings: CollagenSettings = _DEFAULT,
) -> LineProfile:
    """Heights along a polyline, averaged across it, and their band period.

    Parameters
    ----------
    height_nm
        Levelled heights, NaN where there is no datum, shape (rows, cols).
    pixel_nm
        Spacing along u and v.
    path_nm
        Corners of the line, (u, v) from the image's centre, shape (points, 2).
    width_nm
        Full width over which heights are averaged across the line; 0: none.
    settings
        The ``band_*`` fields.

    Returns
    -------
    LineProfile
        Points half a pixel apart by cubic interpolation. Bands are searched in the longest
        stretch without a gap.

    Raises
    ------
    ValueError
        If an array has another shape, the line has no length or the width is negative.
    """
    height, path = _validated(height_nm, path_nm, width_nm)
    at, point, tangent = _polyline(path, _STEP_PX * min(pixel_nm))
    rows, cols = height.shape
    u = point[:, 0] / pixel_nm[0] + 0.5 * (cols - 1)
    v = point[:, 1] / pixel_nm[1] + 0.5 * (rows - 1)
    lines = 1 + 2 * int(np.ceil(0.5 * width_nm / (_STEP_PX * min(pixel_nm))))
    offset = width_nm * ((np.arange(lines) + 0.5) / lines - 0.5)
    mean, spread = np.full(len(at), np.nan), np.full(len(at), np.nan)
    known = np.isfinite(height)
    across_v, across_u = tangent[:, 0] / pixel_nm[1], -tangent[:, 1] / pixel_nm[0]
    _across(fill_missing(height), known, v, u, across_v, across_u, offset, mean, spread)
    space = _in_space(at, mean, settings.band_axis_smooth_nm)
    bands = _bands(space, mean, max(pixel_nm), settings)
    return LineProfile(
        distance_nm=at,
        u_nm=point[:, 0],
        v_nm=point[:, 1],
        height_nm=mean,
        spread_nm=spread,
        space_nm=space,
        period_nm=bands.period_nm,
        period_se_nm=bands.period_se_nm,
        amplitude_nm=bands.amplitude_nm,
        ratio=bands.ratio,
        ratio_needed=bands.ratio_needed,
        resolvable=bands.resolvable,
        band_nm=np.interp(bands.at_nm, space, at),
        wavelength_nm=1.0 / FREQUENCIES_PER_NM if bands.power.size else np.zeros(0),
        power=bands.power,
    )


def _in_space(at: Array, height: Array, smooth_nm: float) -> Array:
    """Distance along the smoothed surface; gaps count as level."""
    step = at[1] - at[0]
    known = np.isfinite(height)
    if not known.any():
        return at.copy()
    filled = np.interp(at, at[known], height[known])
    even = ndimage.gaussian_filter1d(filled, smooth_nm / step, mode="nearest")
    rise = np.diff(even)
    return np.concatenate([[0.0], np.cumsum(np.hypot(step, rise))])


@dataclass(frozen=True)
class _Bands:
    period_nm: float = float("nan")
    period_se_nm: float = float("nan")
    amplitude_nm: float = float("nan")
    ratio: float = float("nan")
    ratio_needed: float = float("nan")
    resolvable: bool = False
    at_nm: Array = field(default_factory=lambda: np.zeros(0))
    power: Array = field(default_factory=lambda: np.zeros(0))


def _longest_run(known: NDArray[np.bool_]) -> slice:
    edge = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(np.int8), [0]])))
    first, last = edge[::2], edge[1::2]
    k = int(np.argmax(last - first))
    return slice(int(first[k]), int(last[k]))


def _bands(space: Array, height: Array, pixel_nm: float, settings: CollagenSettings) -> _Bands:
    known = np.isfinite(height)
    if not known.any() or pixel_nm > settings.band_pixel_max_nm:
        return _Bands()
    run = _longest_run(known)
    arc, z = space[run], height[run]
    length = float(arc[-1] - arc[0])
    if length < settings.band_piece_min_nm:
        return _Bands()
    step = length / (len(arc) - 1)
    even = np.interp(arc[0] + step * np.arange(len(arc)), arc, z)
    even -= ndimage.gaussian_filter1d(even, settings.band_highpass_nm / step, mode="reflect")
    power = periodogram(even, step)
    side = beside_the_band(pixel_nm)
    floor = _floor(power, side)
    period, ratio = highest_peak(power, floor, settings.band_low_nm, settings.band_high_nm)
    needed = ratio_needed_alone(length, side, settings)
    found = bool(np.isfinite(period) and ratio >= needed)
    if not found:
        return _Bands(ratio=ratio, ratio_needed=needed, resolvable=True, power=power / floor)
    place, _ = maxima(even, step, period)
    return _Bands(
        period,
        period_error(period, length, ratio),
        amplitude_of(even, step, period),
        ratio,
        needed,
        True,
        arc[0] + place,
        power / floor,
    )


def _floor(power: Array, side: NDArray[np.bool_]) -> Array:
    """Mean background: the higher of a power law and one whose slope changes with frequency."""
    x = np.log(FREQUENCIES_PER_NM)
    x = x - x.mean()
    bent = np.polyfit(x[side], np.log(np.maximum(power[side], 1e-12)), 2)
    both = np.maximum(background(power, side), np.exp(np.polyval(bent, x)))
    # The fits run through mean logarithms, which lie below the logarithm of the mean.
    return np.asarray(both * np.exp(np.euler_gamma))


def period_error(period_nm: float, length_nm: float, ratio: float) -> float:
    """Tell the standard error of the period of one tone seen over a length by a Hann window.

    The Cramér-Rao bound of a frequency in white noise is sd(f) = sqrt(6) / (2 pi L sqrt(ratio));
    the Hann window costs a factor of about 1.5, and the length in space of a fibril is known to
    about 1.5 % (both by own simulation).

    Parameters
    ----------
    period_nm
        The period.
    length_nm
        Length of the profile.
    ratio
        Peak over background.

    Returns
    -------
    float
        Standard error, nanometres.
    """
    bound = np.sqrt(6.0) / (2.0 * np.pi * length_nm * np.sqrt(max(ratio - 1.0, 0.5)))
    return float(np.hypot(_HANN_COST * period_nm**2 * bound, _ARC_REL_SD * period_nm))


def ratio_needed_alone(
    length_nm: float, side: NDArray[np.bool_], settings: CollagenSettings
) -> float:
    """Peak over background that noise alone exceeds with the chance in the settings.

    One periodogram knows its own background only from the few independent frequencies beside the
    band, so that the ratio of a band frequency to it follows an F, not an exponential,
    distribution.

    Parameters
    ----------
    length_nm
        Length of the profile.
    side
        Frequencies that the background was fitted through, shape (frequencies,).
    settings
        ``band_low_nm``, ``band_high_nm``, ``band_false_alarm``.

    Returns
    -------
    float
        Ratio to the background.
    """
    spacing = float(FREQUENCIES_PER_NM[1] - FREQUENCIES_PER_NM[0])
    beside = max(2.0, np.count_nonzero(side) * spacing * length_nm / _HARMONIC_LOSS)
    cells = max(1.0, length_nm * (1 / settings.band_low_nm - 1 / settings.band_high_nm))
    chance = 1.0 - (1.0 - settings.band_false_alarm) ** (1.0 / cells)
    return float(stats.f.isf(chance, 2.0, 2.0 * beside))
