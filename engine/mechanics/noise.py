"""Noise of a map's curves: white, 1/f and relaxing parts, found before contact.

Instruments drift: on 1/f noise the usual (J'J)^-1 s^2 covers 40 to 60 % instead of 95 %, and noise
with a memory (first-order autoregressive) needs another correction again. The fit stays the white
one. Its variance is w h'h + hb' Cb hb, with h a parameter's row of (J'J)^-1 J', hb the same summed
in blocks, and Cb the covariance of block means of the coloured part of the noise.

The density is a sum of parts that are never negative: white, 1/f, and Lorentzians b / (1 + (f/c)^2)
at fixed corners c, which together follow a wide family of spectra. They are fitted to the mean
energies of the cosines of pre-contact stretches by Whittle's likelihood. Below 16 cycles a stretch
the expected energies are those of cosines from which the line was taken, integrated exactly, so
that the slowest of them, which matter most for the modulus, need not be dropped.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.fft import dct
from scipy.optimize import lsq_linear, nnls

from ._start import BLOCKS

Floats = NDArray[np.float64]

LOWEST = 1.0 / 32.0
"""Lowest frequency of the coloured part, in cycles over the whole curve (or stretch)."""
CORNERS = 0.25 * 0.5 ** np.arange(11)
"""Corner frequencies of the relaxing parts, cycles a sample."""
NODES = np.array([0.5, 1, 2, 4, 8, 16, 32, 64, 160, 512]) / BLOCKS
"""Frequencies, cycles a block, between which f times the density is taken as linear in ln f."""
EXACT_ORDERS = 32
"""Cosines up to this order are compared with exact expectations."""
FIRST_ORDER = 2
LEAST_SAMPLES = 32
SLOWEST = 0.125
"""Least corner of a relaxing part, cycles a stretch. With 0.5 noise that relaxes in half a curve
was taken for faster one: its intervals covered 90 % (`tests/score_noise.py`)."""
ROUNDS = 40
NNLS_STEPS = 200
SETTLED = 1e-3
OUTLIER = 25.0
"""A curve whose slow energy exceeds the map's median by this factor has no say."""


@dataclass(frozen=True)
class Noise:
    """Two-sided noise density w + a / f + sum b_i / (1 + (f / c_i)^2), f in cycles a sample.

    Attributes
    ----------
    white_nm2
        w: variance of the white part, nm^2.
    pink_nm2
        a, nm^2.
    curves
        Number of curves it was estimated from (0 = none: nothing is known).
    relaxing_nm2
        b_i at the corners `CORNERS`, nm^2 (empty = none).
    """

    white_nm2: float
    pink_nm2: float
    curves: int
    relaxing_nm2: tuple[float, ...] = ()

    def parts(self) -> Floats:
        """W, a and every b_i, nm^2, (2 + corners,)."""
        relaxing = np.zeros(len(CORNERS))
        relaxing[: len(self.relaxing_nm2)] = self.relaxing_nm2
        return np.concatenate([[self.white_nm2, self.pink_nm2], relaxing])

    def coloured(self, frequency: ArrayLike) -> Floats:
        """Density (nm^2) without its white part, at frequencies in cycles a sample."""
        return np.asarray(_densities(np.asarray(frequency, float))[..., 1:] @ self.parts()[1:])

    @property
    def difference_nm2(self) -> float:
        """Half the mean squared difference of neighbouring samples, nm^2."""
        return float(_through(lambda f: 1.0 - np.cos(2 * np.pi * f)) @ self.parts())


NO_NOISE = Noise(np.nan, np.nan, 0)


def _from_parts(parts: Floats, curves: int) -> Noise:
    return Noise(float(parts[0]), float(parts[1]), curves, tuple(float(b) for b in parts[2:]))


def _densities(frequency: Floats) -> Floats:
    """Evaluate unit densities of every part, (..., 2 + corners)."""
    f = np.maximum(frequency, 1e-12)[..., None]
    memory = np.exp(-2 * np.pi * CORNERS)
    fold = 1.0 + 4.0 * memory / (1.0 - memory) ** 2 * np.sin(np.pi * np.minimum(f, 0.5)) ** 2
    return np.concatenate([np.ones_like(f), 1.0 / f, 1.0 / fold], axis=-1)


def _through(gain: Callable[[Floats], Floats]) -> Floats:
    """Variance that a filter of this power gain makes of each part, (2 + corners,)."""
    f = np.concatenate([np.geomspace(1e-6, 1e-2, 400), np.linspace(1e-2, 0.5, 1201)[1:]])
    return np.asarray(2.0 * np.trapezoid(gain(f)[:, None] * _densities(f), f, axis=0))


def pool_noise(noises: Sequence[Noise]) -> Noise:
    """Pooled noise of several maps of one probe: the mean of their shapes, at their mean level.

    Parameters
    ----------
    noises
        Noise of each map; those with no curve are passed over.

    Returns
    -------
    Noise
        With the curves added up; `NO_NOISE` for none.
    """
    known = [n for n in noises if n.curves > 0 and n.difference_nm2 > 0]
    if not known:
        return NO_NOISE
    weight = np.array([n.curves for n in known], float)
    levels = np.array([n.difference_nm2 for n in known])
    shape = np.average([n.parts() / v for n, v in zip(known, levels, strict=True)], 0, weight)
    level = float(np.exp(np.average(np.log(levels), weights=weight)))
    return _from_parts(shape * level, int(weight.sum()))


def noise_shape(own: Noise, pooled: Noise | None, prior_curves: float) -> Noise:
    """Noise for a half mean squared difference of 1, a map's drawn towards its probe's.

    Only the shape is shared; the level of each curve is its own. White where nothing is known.
    """
    known = [
        (noise, weight)
        for noise, weight in ((own, float(own.curves)), (pooled, prior_curves))
        if noise is not None and noise.curves > 0 and weight > 0
    ]
    if not known:
        return Noise(1.0, 0.0, 0)
    parts = [noise.parts() / noise.difference_nm2 for noise, _ in known]
    return _from_parts(np.average(parts, 0, [w for _, w in known]), own.curves)


def estimate_noise(residuals: Floats) -> Noise:
    """Fit the parts of the noise to stretches before contact.

    Parameters
    ----------
    residuals
        Stretches of equal length, (curves, samples), nm; a line in them does no harm.

    Returns
    -------
    Noise
        `NO_NOISE` for fewer than 32 samples or no curve.
    """
    curves, samples = residuals.shape
    if curves == 0 or samples < LEAST_SAMPLES:
        return NO_NOISE
    x = np.linspace(-1.0, 1.0, samples)
    y = residuals - residuals.mean(axis=1, keepdims=True)
    y = y - (y @ x / (x @ x))[:, None] * x
    level = 0.5 * np.mean(np.diff(y, axis=1) ** 2, axis=1)
    y = y[level > 0] / np.sqrt(level[level > 0])[:, None]
    if not len(y):
        return NO_NOISE
    energy = dct(y, axis=1, norm="ortho")[:, FIRST_ORDER:] ** 2
    slow = energy[:, :4].sum(axis=1)
    energy = energy[slow <= OUTLIER * np.median(slow)]
    bins, expected = _order_bins(samples)
    mean = np.add.reduceat(energy.mean(axis=0), bins[:-1]) / np.diff(bins)
    if not np.all(mean > 0):
        return NO_NOISE
    parts = _whittle(mean, expected, np.diff(bins).astype(float))
    return _from_parts(parts * float(level[level > 0].mean()), len(energy))


def _whittle(mean: Floats, expected: Floats, weight: Floats) -> Floats:
    """Least sum weight (ln s + mean / s), s = expected @ parts, parts >= 0."""
    s = mean.copy()
    parts = np.zeros(expected.shape[1])
    for _ in range(ROUNDS):
        scale = np.sqrt(weight) / s
        parts = _nonnegative(expected * scale[:, None], mean * scale)
        new = expected @ parts
        moved = np.max(np.abs(new / s - 1.0))
        s = new
        if moved < SETTLED:
            break
    return np.asarray(parts)


def _nonnegative(columns: Floats, right: Floats) -> Floats:
    """Least squares with parts >= 0, on columns of one length, which are often nearly alike."""
    length = np.sqrt(np.sum(columns**2, axis=0))
    length[length == 0.0] = 1.0
    try:
        found = nnls(columns / length, right, maxiter=NNLS_STEPS)[0]
    except RuntimeError:  # it goes round in circles now and then: slower, but always an end
        found = lsq_linear(columns / length, right, (0.0, np.inf)).x
    return np.asarray(found / length)


@lru_cache(maxsize=32)
def _order_bins(samples: int) -> tuple[NDArray[np.int64], Floats]:
    """Edges of bins of cosine orders (from `FIRST_ORDER`) and each part's mean energy in them."""
    exact = min(EXACT_ORDERS, samples)
    edges = np.arange(FIRST_ORDER, exact + 1)
    if samples > exact:
        top = np.geomspace(exact, samples, 2 + int(np.log(samples / exact) / np.log(1.25)))
        edges = np.concatenate([edges, np.unique(np.round(top).astype(int))[1:]])
    frequency, power = _cosine_power()
    weight = np.gradient(frequency) * 2.0
    slow = (power[: exact - FIRST_ORDER] * weight) @ _densities(frequency / samples)
    fast = _densities(np.arange(exact, samples) / (2.0 * samples))
    # what the integral leaves out of the white part above its upper end
    slow[:, 0] = _power_sums()[: exact - FIRST_ORDER]
    orders = np.concatenate([slow, fast])
    bins = edges - FIRST_ORDER
    expected = np.add.reduceat(orders, bins[:-1], axis=0) / np.diff(bins)[:, None]
    # what relaxes in eight stretches and more cannot be told from the line in them; what relaxes in
    # two to eight is seen by its fast side alone, which is all of it that a fitted line leaves
    expected[:, 2:][:, CORNERS * samples < SLOWEST] = 0.0
    return bins, expected


@lru_cache(maxsize=1)
def _cosines() -> Floats:
    """Cosines of orders 2 to 31 on 512 points of a stretch, unit length, the line taken out."""
    x = (np.arange(512) + 0.5) / 512
    rows = np.cos(np.pi * np.arange(FIRST_ORDER, EXACT_ORDERS)[:, None] * x) / np.sqrt(256.0)
    line = x - 0.5
    return np.asarray(rows - (rows @ line / (line @ line))[:, None] * line)


@lru_cache(maxsize=1)
def _cosine_power() -> tuple[Floats, Floats]:
    """Power spectra of these cosines at frequencies in cycles a stretch, (30, m)."""
    f = np.concatenate([np.geomspace(LOWEST, 0.5, 60), np.arange(0.55, 40.0, 0.05)])
    turn = np.exp(-2j * np.pi * np.outer(np.arange(512) / 512, f))
    return f, np.abs(_cosines() @ turn) ** 2 / 512


def _power_sums() -> Floats:
    """Squared lengths of these cosines, (30,): their energy in white noise of variance 1."""
    return np.asarray(np.sum(_cosines() ** 2, axis=1))


@lru_cache(maxsize=4)
def step_variance(width: int) -> Floats:
    """Variance that each part of the noise makes of the difference of two neighbouring means.

    Parameters
    ----------
    width
        Samples in each of the two windows.

    Returns
    -------
    numpy.ndarray
        Factors of the parts, (2 + corners,).
    """

    def gain(f: Floats) -> Floats:
        mean = np.sin(np.pi * f * width) / (width * np.sin(np.pi * f))
        return np.asarray((2.0 * mean * np.sin(np.pi * f * width)) ** 2)

    return _through(gain)


@lru_cache(maxsize=1)
def band_kernels() -> Floats:
    """Covariance, by lag, of the means of 64 equal blocks for noise in bands.

    Band j has f times density 1 at node j of `NODES`, 0 at the others, linear in ln f between and
    level beyond the ends, so that 1/f noise is the sum of all bands whatever the curve's length.
    Below `LOWEST` cycles a curve nothing is left once a baseline is fitted.

    Returns
    -------
    numpy.ndarray
        (bands, 64), read-only.
    """
    # in cycles a block; sinc^2 leaves less than 1e-3 of the power above the upper end
    log_f = np.linspace(np.log(LOWEST / BLOCKS), np.log(8.0), 8001)
    block = np.sinc(np.exp(log_f)) ** 2
    hats = np.stack([np.interp(log_f, np.log(NODES), row) for row in np.eye(len(NODES))])
    kernels = np.empty((len(NODES), BLOCKS))
    for lag in range(BLOCKS):
        cosine = block * np.cos(2 * np.pi * np.exp(log_f) * lag)
        kernels[:, lag] = 2.0 * np.trapezoid(hats * cosine, log_f, axis=1)
    kernels.flags.writeable = False
    return kernels


def band_densities(shape: Noise, counts: NDArray[np.int64]) -> Floats:
    """F times the coloured density at the bands' nodes, for curves of so many samples.

    Returns
    -------
    numpy.ndarray
        (n, bands).
    """
    blocks = np.clip(counts, 1, BLOCKS)
    kinds, where = np.unique(np.maximum(counts, 1) / blocks, return_inverse=True)
    frequency = NODES / kinds[:, None]
    return np.asarray((frequency * shape.coloured(frequency))[where])
