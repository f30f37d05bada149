"""Spectra along fibrils: periodogram, background, peak, and what noise alone would reach."""

import numpy as np
from numpy.typing import NDArray
from scipy import fft, stats

Array = NDArray[np.float64]

FREQUENCIES_PER_NM: Array = np.linspace(1 / 200.0, 1 / 30.0, 400)
"""Frequencies on which all spectra are given, periods from 200 down to 30 nm."""

_SIDE_LOW_NM = (36.0, 50.0)  # beside the band; its second harmonic is left out
_SIDE_HIGH_NM = (92.0, 170.0)


def periodogram(height_nm: Array, step_nm: float) -> Array:
    """Take the Hann-windowed periodogram, per unit length, on the common frequencies.

    Parameters
    ----------
    height_nm
        Evenly spaced heights with the slow part taken off, shape (n,).
    step_nm
        Their spacing.

    Returns
    -------
    numpy.ndarray
        Power, shape (frequencies,).
    """
    n = len(height_nm)
    window = np.hanning(n + 2)[1:-1]
    size = fft.next_fast_len(max(4 * n, int(6000.0 / step_nm)), real=True)
    power = np.abs(fft.rfft(height_nm * window, size)) ** 2 / np.sum(window**2)
    return np.interp(FREQUENCIES_PER_NM, fft.rfftfreq(size, step_nm), power)


def beside_the_band(pixel_nm: float) -> NDArray[np.bool_]:
    """Tell which frequencies lie beside the band and are resolved by the pixel.

    Parameters
    ----------
    pixel_nm
        The coarser pixel size.

    Returns
    -------
    numpy.ndarray
        Boolean, shape (frequencies,).
    """
    wave = 1.0 / FREQUENCIES_PER_NM
    low = max(_SIDE_LOW_NM[0], 2.2 * pixel_nm)
    return ((wave > low) & (wave < _SIDE_LOW_NM[1])) | (
        (wave > _SIDE_HIGH_NM[0]) & (wave < _SIDE_HIGH_NM[1])
    )


def background(power: Array, side: NDArray[np.bool_]) -> Array:
    """Fit a power law through the spectrum beside the band.

    Parameters
    ----------
    power
        Spectrum, shape (frequencies,).
    side
        Frequencies that are fitted, same shape.

    Returns
    -------
    numpy.ndarray
        Background on all frequencies, same shape.
    """
    x = np.log(FREQUENCIES_PER_NM)
    slope, height = np.polyfit(x[side], np.log(np.maximum(power[side], 1e-12)), 1)
    return np.exp(height + slope * x)


def highest_peak(power: Array, floor: Array, low_nm: float, high_nm: float) -> tuple[float, float]:
    """Find the highest peak inside the band, its place by a log parabola.

    The background is taken off, not divided by, before the place is read: it falls with frequency,
    and a division would push a broad peak towards short waves.

    Parameters
    ----------
    power, floor
        Spectrum and its background, shape (frequencies,).
    low_nm, high_nm
        Shortest and longest period of the band.

    Returns
    -------
    tuple of float
        Period, NaN where there is only a flank that runs out of the band, and ratio of power to
        background there.
    """
    f = FREQUENCIES_PER_NM
    inside = np.flatnonzero((f >= 1 / high_nm) & (f <= 1 / low_nm))
    above = np.maximum(power - floor, 1e-12)
    k = int(inside[np.argmax(above[inside])])
    a, b, c = np.log(above[k - 1 : k + 2])
    bend = a - 2 * b + c
    ratio = float(power[k] / floor[k])
    if bend >= 0:
        return float("nan"), ratio
    shift = float(np.clip(0.5 * (a - c) / bend, -1, 1))
    return float(1.0 / (f[k] + shift * (f[1] - f[0]))), ratio


def ratio_needed(count: float, cells: float, false_alarm: float) -> float:
    """Peak over background that noise alone exceeds with the chance ``false_alarm``.

    The mean of ``count`` periodograms of noise is Gamma(count) / count; the highest of ``cells``
    independent frequencies is looked at.

    Parameters
    ----------
    count
        Effective number of averaged periodograms.
    cells
        Independent frequencies inside the band.
    false_alarm
        Chance of a false band.

    Returns
    -------
    float
        Ratio to the mean background.
    """
    return float(stats.gamma.ppf((1.0 - false_alarm) ** (1.0 / cells), count) / count)
