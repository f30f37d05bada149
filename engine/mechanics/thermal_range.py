"""What a spectrum says of itself: where its first resonance rises, how many spectra it averages."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import median_filter
from scipy.optimize import brentq
from scipy.special import polygamma

Floats = NDArray[np.float64]

REACH = 2.5
"""The range reaches from the resonance over this to the resonance times this; judgement: wide
enough to see the white background on both sides, short of the second mode of a rectangular beam at
6.27 times the first (clamped beam, (4.694 / 1.875)^2)."""
_POINTS, _FEWEST, _SIGMAS = 100, 24, 6.0
_RISE = 1.25
_LAG = 4
"""Neighbours under a Hann window share power up to two bins away."""


def resonance_range(
    frequency_Hz: ArrayLike, density: ArrayLike, averages: int
) -> tuple[float, float]:
    """Find the range round the first resonance.

    The first bump is taken that rises over what lies below and above it by a quarter and by six
    times its scatter (judgement): 1/f noise only falls, white noise has none. Broad ones are
    looked for in the spectrum at points even in ln f, narrow ones against a running median.

    Parameters
    ----------
    frequency_Hz, density
        One-sided spectrum (m,), any unit.
    averages
        Independent spectra in the mean.

    Returns
    -------
    (low_Hz, high_Hz)
        NaN both where nothing rises enough.

    Raises
    ------
    ValueError
        If the two are not alike.
    """
    f, p = np.asarray(frequency_Hz, float), np.asarray(density, float)
    if f.ndim != 1 or f.shape != p.shape:
        raise ValueError(f"spectrum must be two (m,) arrays, got {f.shape} and {p.shape}")
    inside = (f > 0) & (p > 0)
    f, p = f[inside], p[inside]
    resonance = float("nan")
    if len(f) >= 4 * _FEWEST:
        resonance = _narrow(f, p, averages)
        if not np.isfinite(resonance):
            resonance = _broad(f, p, averages)
    if not np.isfinite(resonance):
        return float("nan"), float("nan")
    return max(resonance / REACH, float(f[0])), min(resonance * REACH, float(f[-1]))


def _broad(f: Floats, p: Floats, averages: int) -> float:
    """Frequency of the first bump in the spectrum read at points even in ln f."""
    edges = np.geomspace(f[_FEWEST // 2], f[-1], _POINTS)
    starts = [0]
    for place in np.searchsorted(f, edges):
        if place - starts[-1] >= _FEWEST:
            starts.append(int(place))
    sums, counts = np.add.reduceat(p, starts), np.diff([*starts, len(p)])
    level = median_filter(np.log(sums / counts), 3, mode="nearest")
    centres = np.add.reduceat(f, starts) / counts
    scatter = _SIGMAS / np.sqrt(averages * _FEWEST)
    below = level - np.minimum.accumulate(level)
    above = level - np.minimum.accumulate(level[::-1])[::-1]
    rise = np.minimum(below, above)
    best = float(rise.max())
    if best < max(np.log(_RISE), scatter):
        return float("nan")
    first = int(np.argmax(rise > 0.5 * best))
    end = first + int(np.argmax(np.append(rise[first:] <= 0.25 * best, True)))
    return float(centres[first + int(np.argmax(level[first:end]))])


def _narrow(f: Floats, p: Floats, averages: int) -> float:
    """Frequency of the strongest peak a few bins wide; a line of one bin is passed over."""
    ratio = median_filter(p, 3, mode="nearest") / median_filter(p, 129, mode="nearest")
    ratio[f < f[-1] / 300.0] = 1.0
    peak = int(np.argmax(ratio))
    high = bool(ratio[peak] > 1.5 + _SIGMAS / np.sqrt(averages))
    return float(f[peak]) if high else float("nan")


def averages_from_scatter(density: ArrayLike) -> int:
    """Estimate how many spectra were averaged from how bins stray about their neighbours.

    A mean of n periodograms is a gamma variable of shape n: the variance of its logarithm is
    trigamma(n). Taken from second differences over four bins, which a smooth spectrum does not
    enter, by the median absolute deviation, which a sharp peak or a line does not enter.

    Parameters
    ----------
    density
        Spectrum (m,).

    Returns
    -------
    int
        At least 1.
    """
    p = np.asarray(density, float)
    p = np.log(p[np.isfinite(p) & (p > 0)])
    if len(p) < 8 * _LAG:
        return 1
    away = p[_LAG:-_LAG] - 0.5 * (p[: -2 * _LAG] + p[2 * _LAG :])
    variance = float((1.4826 * np.median(np.abs(away - np.median(away)))) ** 2 / 1.5)
    if variance >= float(polygamma(1, 1.0)):
        return 1
    high = 1e7
    if variance <= float(polygamma(1, high)):
        return int(high)
    return max(1, round(float(brentq(lambda n: float(polygamma(1, n)) - variance, 1.0, high))))
