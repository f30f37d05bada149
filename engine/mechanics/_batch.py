"""Compiled: a block of curves, one after the other, through start, fit and inspection."""

from collections.abc import Callable
from typing import cast

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ._compiled import Floats, plain, source_stamp
from ._exponent import free_exponent
from ._inspect import (
    block_sums,
    difference_sigma,
    influence,
    remove_spikes,
    residuals,
    sag,
    step_statistics,
)
from ._model import law_at
from ._refine import refine
from ._start import BLOCKS, block_means, scan_contact

BANDS = 10
"""Bands of coloured noise; see `noise.NODES`."""

COLUMNS = [
    "fitted",
    "converged",
    "offset",
    "slope",
    "log_alpha",
    "contact",
    "rss",
    "c_log",
    "c_contact",
    "depth",
    "force",
    "stiffness",
    "sigma",
    "difference",
    "step",
    "largest",
    "dip",
    "before",
    "sag",
    "push",
    "pull",
    "run_high",
    "run_low",
    "rise",
    "mended",
    "place",
    "local",
    "extra",
    "c_extra",
    *(f"k_extra_{j}" for j in range(BANDS)),
    *(f"k_log_{j}" for j in range(BANDS)),
    *(f"k_contact_{j}" for j in range(BANDS)),
]
"""Numbers of a curve in the output of `fit_block`, in order (scaled lengths)."""
COLUMN = {name: i for i, name in enumerate(COLUMNS)}

(FITTED, CONVERGED, OFFSET, SLOPE, LOG_ALPHA, CONTACT, RSS) = range(7)
(C_LOG, C_CONTACT, DEPTH, FORCE, STIFFNESS) = range(7, 12)
(SIGMA, DIFFERENCE, STEP, LARGEST, DIP, BEFORE, SAG, PUSH, PULL) = range(12, 21)
(RUN_HIGH, RUN_LOW, RISE, MENDED, PLACE, LOCAL, EXTRA) = range(21, 28)
K_EXTRA = EXTRA + 2
K_FIRST = K_EXTRA + BANDS

MIN_SAMPLES = 16
SPIKE = 8.0
"""Excursion, in sigma, from which on a few samples are taken for a spike and mended."""
WIDEST_SPIKE = 4
QUIETEST = 1e-5
"""Least sigma as a share of the deflection's range: no detector resolves more, rounding does."""
BLOCK_STEPS = 12
BLOCK_STOP = 1e-3
STOP = 2e-5


@plain
def _longest_run(d: Floats, value: float) -> int:
    longest = 0
    run = 0
    for i in range(d.size):
        run = run + 1 if d[i] == value else 0
        longest = max(longest, run)
    return longest


@plain
def _extremes(d: Floats, row: Floats) -> bool:
    """Longest runs of the highest and of the lowest value; False if the curve is constant."""
    high = d[0]
    low = d[0]
    for i in range(d.size):
        high = max(high, d[i])
        low = min(low, d[i])
    row[RUN_HIGH] = _longest_run(d, high)
    row[RUN_LOW] = _longest_run(d, low)
    row[RISE] = high - low
    return bool(high > low)


@plain
def _start_values(
    zb: Floats,
    db: Floats,
    exponent: float,
    coefficients: Floats,
    work: Floats,
    row: Floats,
    theta: Floats,
) -> bool:
    """Start on block means; False where no push can be seen at all."""
    start = np.zeros(6)
    scan_contact(zb, db, exponent, work, start)
    row[PUSH] = start[4]
    row[PULL] = start[5]
    deepest = 0.0
    for b in range(zb.size):
        deepest = max(deepest, zb[b] - db[b] - start[3])
    if start[2] <= 0.0 or deepest <= 0.0:
        return False
    q = law_at(np.sqrt(deepest), coefficients)[0]
    theta[0] = start[0]
    theta[1] = start[1]
    theta[2] = np.log(start[2] * deepest ** (exponent - 1.0) / q)
    theta[3] = (start[3] + start[0]) / (1.0 - min(start[1], 0.5))
    return True


@plain
def _maximise(
    z: Floats,
    d: Floats,
    zb: Floats,
    db: Floats,
    theta: Floats,
    coefficients: Floats,
    limit: int,
    work: Floats,
    inverse: Floats,
    info: Floats,
    row: Floats,
    small: Floats,
    square: Floats,
) -> int:
    """Fit block means, then the curve, then, if spikes were mended, the curve again."""
    before = 0
    row[MENDED] = 0.0
    row[LARGEST] = 0.0
    # one place calls the fit: it is most of the compiled code
    for stage in range(4):
        zs, ds = (zb, db) if stage == 0 else (z, d)
        n = zs.size
        t, q, dq = work[0, :n], work[1, :n], work[2, :n]
        steps, stop = (BLOCK_STEPS, BLOCK_STOP) if stage == 0 else (limit, STOP)
        refine(zs, ds, t, q, dq, theta, coefficients, steps, stop, inverse, info, small, square)
        if stage == 0:
            continue
        r = work[3, :n]
        before = residuals(z, d, t, theta, int(info[1]), r)
        sigma = difference_sigma(r[:before] if before >= 16 else r)
        row[SIGMA] = max(sigma, QUIETEST * row[RISE])
        size, samples = remove_spikes(r, d, row[SIGMA], SPIKE, WIDEST_SPIKE)
        if samples == 0:
            break
        row[LARGEST] = max(row[LARGEST], size)
        row[MENDED] += samples
    return before


@plain
def _describe(
    z: Floats,
    theta: Floats,
    coefficients: Floats,
    work: Floats,
    inverse: Floats,
    info: Floats,
    row: Floats,
) -> None:
    """Numbers that need no look at the residuals."""
    n = z.size
    t = work[0, :n]
    deepest = 0.0
    farthest = z[0]
    for i in range(int(info[1]), n):
        deepest = max(deepest, t[i] * t[i])
        farthest = max(farthest, z[i])
    root = np.sqrt(deepest)
    q, dq = law_at(root, coefficients)
    row[FITTED] = 1.0
    row[CONVERGED] = info[2]
    row[OFFSET] = theta[0]
    row[SLOPE] = theta[1]
    row[LOG_ALPHA] = theta[2]
    row[CONTACT] = theta[3]
    row[RSS] = info[0]
    row[C_LOG] = inverse[2, 2]
    row[C_CONTACT] = inverse[3, 3]
    row[DEPTH] = deepest
    row[FORCE] = max(farthest - theta[3] - deepest, 0.0)
    row[STIFFNESS] = np.exp(theta[2]) * (q + 0.5 * root * dq)


@plain
def _fit_curve(
    z: Floats,
    d: Floats,
    exponent: float,
    coefficients: Floats,
    kernels: Floats,
    limit: int,
    free: bool,
    work: Floats,
    small: Floats,
    square: Floats,
    row: Floats,
) -> None:
    """Fit one scaled, centred curve; numbers go to ``row``."""
    n = z.size
    theta, info, stats, inverse = small[44:48], small[48:52], small[52:58], square[2]
    blocks = block_means(z, d, work[7], work[8])
    zb, db = work[7, :blocks], work[8, :blocks]
    if not _start_values(zb, db, exponent, coefficients, work, row, theta):
        return
    before = _maximise(
        z, d, zb, db, theta, coefficients, limit, work, inverse, info, row, small, square
    )
    _describe(z, theta, coefficients, work, inverse, info, row)
    if not np.isfinite(info[0]):
        row[FITTED] = 0.0
        return
    r = work[3, :n]
    step_statistics(r, before, row[SIGMA], work[4, :n], work[0, :n], stats)
    row[STEP] = stats[0]
    row[LARGEST] = max(row[LARGEST], stats[1])
    row[DIP] = stats[2]
    row[DIFFERENCE] = stats[3]
    row[PLACE] = stats[4]
    row[LOCAL] = stats[5]
    row[BEFORE] = before
    sums = np.empty((BLOCKS, 5))
    count = block_sums(z, r, work[1, :n], work[2, :n], int(info[1]), sums)
    sums = sums[:count]
    row[SAG] = sag(sums, before)
    for i in range(2):
        bands = row[K_FIRST + i * BANDS : K_FIRST + (i + 1) * BANDS]
        influence(sums, inverse, 2 + i, kernels, work[4, :count], bands)
    if free and row[DEPTH] > 0.0:
        free_exponent(sums, theta, coefficients, row[DEPTH], kernels, work, row[EXTRA:K_FIRST])


def _build(stamp: int) -> Callable[..., None]:
    @njit(cache=True, nogil=True, error_model="numpy")
    def fit_block(
        z: Floats,
        d: Floats,
        counts: NDArray[np.int64],
        exponent: float,
        coefficients: Floats,
        scale: float,
        kernels: Floats,
        limit: int,
        free: bool,
        out: Floats,
    ) -> None:
        """Fit curves.

        Parameters
        ----------
        z, d
            Drive position and deflection (n, s), nm; z may be (1, s).
        counts
            Samples of each curve (n,); fewer than `MIN_SAMPLES` are not fitted.
        exponent, coefficients, scale
            The law's table.
        kernels
            Covariances of block means by lag for noise in bands, (bands, 64).
        limit
            Most steps of a fit.
        free
            Whether the exponent is set free as well.
        out
            Receives `COLUMNS`, (n, columns); NaN where there is none. Offset and contact are in
            nm, with the baseline at z = 0; other lengths are in units of ``scale``.
        """
        s = d.shape[1]
        work = np.empty((9, max(s + 1, BLOCKS)))
        small = np.zeros(58)
        square = np.zeros((3, 4, 4))
        out[:] = np.nan
        for c in range(d.shape[0]):
            n = counts[c]
            out[c, FITTED] = 0.0 * stamp
            if n < MIN_SAMPLES:
                continue
            raw = d[c, :n]
            if not _extremes(raw, out[c]):
                continue
            out[c, RISE] /= scale
            zc, dc = work[5, :n], work[6, :n]
            zr = z[c if z.shape[0] > 1 else 0, :n]
            middle = 0.5 * (zr[0] + zr[n - 1])
            level = 0.0
            lead = max(n // 4, 1)
            for i in range(lead):
                level += raw[i]
            level /= lead
            for i in range(n):
                zc[i] = (zr[i] - middle) / scale
                dc[i] = (raw[i] - level) / scale
            if not zc[n - 1] > zc[0]:
                continue
            row = out[c]
            _fit_curve(
                zc, dc, exponent, coefficients, kernels, limit, free, work, small, square, row
            )
            row[OFFSET] = row[OFFSET] * scale + level - row[SLOPE] * middle
            row[CONTACT] = row[CONTACT] * scale + middle

    return cast(Callable[..., None], fit_block)


fit_block = _build(source_stamp())
