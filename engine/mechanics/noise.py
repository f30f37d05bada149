"""Noise of a map's curves: white plus 1/f, and what it does to a fit's standard errors.

Instruments drift: on 1/f noise the usual (J'J)^-1 s^2 covers 40 to 60 % instead of 95 %. The fit
stays the white one; its variance is w h'h + hb' Cb hb, with h a parameter's row of (J'J)^-1 J', hb
the same summed in blocks, and Cb the covariance of block means of noise with density a / f.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from ._start import BLOCKS

Floats = NDArray[np.float64]

LOWEST = 1.0 / 32.0
"""Lowest frequency of the 1/f part, in cycles over the whole curve."""
DROPPED_BINS = 3


@dataclass(frozen=True)
class Noise:
    """Two-sided noise density w + a / f of deflection, f in cycles a sample.

    Attributes
    ----------
    white_nm2
        w: variance of the white part, nm^2.
    pink_nm2
        a, nm^2.
    curves
        Number of curves it was estimated from (0 = none: nothing is known).
    """

    white_nm2: float
    pink_nm2: float
    curves: int

    @property
    def ratio(self) -> float:
        """A / w: the corner frequency in cycles a sample; NaN where nothing is known."""
        return self.pink_nm2 / self.white_nm2 if self.curves and self.white_nm2 > 0 else np.nan


NO_NOISE = Noise(np.nan, np.nan, 0)


def pool_noise(noises: Sequence[Noise]) -> Noise:
    """Pooled noise of several maps of one probe: weighted means of ln w and of ln(a / w).

    Parameters
    ----------
    noises
        Noise of each map; those with no curve are passed over.

    Returns
    -------
    Noise
        With the curves added up; `NO_NOISE` for none.
    """
    known = [n for n in noises if n.curves > 0 and np.isfinite(n.ratio) and n.white_nm2 > 0]
    if not known:
        return NO_NOISE
    weight = np.array([n.curves for n in known], float)
    white = np.exp(np.average(np.log([n.white_nm2 for n in known]), weights=weight))
    ratio = np.exp(np.average(np.log([max(n.ratio, 1e-6) for n in known]), weights=weight))
    return Noise(float(white), float(white * ratio), int(weight.sum()))


DIFFERENCE_SHARE = 3.2966
"""Half mean squared first difference of noise of density 1 / f: 2 (gamma + ln pi - Ci(pi))."""


def shrunk_ratio(own: Noise, pooled: Noise | None, prior_curves: float) -> float:
    """Draw a map's a / w (in its logarithm) towards the probe's pooled ratio.

    Only the shape is shared; the level of each curve is its own. 0 where nothing is known at all.
    """
    known = pooled is not None and pooled.curves > 0
    if own.curves == 0:
        return pooled.ratio if known and pooled is not None else 0.0
    if not known or pooled is None or prior_curves <= 0:
        return own.ratio
    weight = own.curves / (own.curves + prior_curves)
    logs = np.log(np.maximum([own.ratio, pooled.ratio], 1e-6))
    return float(np.exp(weight * logs[0] + (1.0 - weight) * logs[1]))


def estimate_noise(residuals: Floats) -> Noise:
    """Fit w + a / f to the mean periodogram of residuals by Whittle's likelihood.

    Parameters
    ----------
    residuals
        Stretches of equal length before contact, (curves, samples), nm.

    Returns
    -------
    Noise
        `NO_NOISE` for fewer than 32 samples or no curve.
    """
    curves, samples = residuals.shape
    if curves == 0 or samples < 32:
        return NO_NOISE
    x = np.linspace(-1.0, 1.0, samples)
    y = residuals - residuals.mean(axis=1, keepdims=True)
    y = y - (y @ x / (x @ x))[:, None] * x
    window = np.hanning(samples + 2)[1:-1]
    power = np.abs(np.fft.rfft(y * window, axis=1)) ** 2 / np.sum(window**2)
    keep = slice(DROPPED_BINS, samples // 2)
    mean = power.mean(axis=0)[keep]
    frequency = np.fft.rfftfreq(samples)[keep]
    if not np.all(mean > 0):
        return NO_NOISE

    def profile(log_ratio: float) -> tuple[float, float]:
        shape = 1.0 + np.exp(log_ratio) / frequency
        white = float(np.mean(mean / shape))
        return float(np.mean(np.log(white * shape))), white

    best = minimize_scalar(
        lambda v: profile(v)[0], bounds=(-14.0, 4.0), method="bounded", options={"xatol": 1e-2}
    )
    white = profile(best.x)[1]
    return Noise(white, white * float(np.exp(best.x)), curves)


@lru_cache(maxsize=4)
def step_variance(width: int) -> tuple[float, float]:
    """Variance of the difference of two neighbouring means, per white and per 1/f density.

    Parameters
    ----------
    width
        Samples in each of the two windows.

    Returns
    -------
    (float, float)
        Factors of w and of a.
    """
    f = np.geomspace(1e-5, 0.5, 4001)
    mean = np.sin(np.pi * f * width) / (width * np.sin(np.pi * f))
    gain = (2.0 * mean * np.sin(np.pi * f * width)) ** 2
    return 2.0 / width, float(2.0 * np.trapezoid(gain / f, f))


@lru_cache(maxsize=1)
def pink_kernel() -> Floats:
    """Covariance, by lag, of the means of 64 equal blocks for noise of density 1 / f.

    The density has no scale of its own, so the same matrix serves curves of any length; below
    `LOWEST` cycles a curve nothing is left once a baseline is fitted.

    Returns
    -------
    numpy.ndarray
        (64,), read-only.
    """
    # in cycles a block; sinc^2 leaves less than 1e-3 of the power above the upper end
    frequency = np.geomspace(LOWEST / BLOCKS, 8.0, 20_001)
    lag = np.arange(BLOCKS)
    row = np.empty(BLOCKS)
    block = np.sinc(frequency) ** 2 / frequency
    for k in lag:
        row[k] = 2.0 * np.trapezoid(block * np.cos(2 * np.pi * frequency * k), frequency)
    row.flags.writeable = False
    return row
