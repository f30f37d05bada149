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
from ._model import law
from ._refine import refine
from ._start import BLOCKS, block_means, scan_contact

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
    "k_log",
    "k_contact",
    "depth",
    "force",
    "stiffness",
    "sigma",
    "difference",
    "step",
    "largest",
    "dip",
    "window",
    "before",
    "sag",
    "push",
    "pull",
    "extra",
    "c_extra",
    "k_extra",
    "run_high",
    "run_low",
    "rise",
    "steps",
    "mended",
]
COLUMN = {name: i for i, name in enumerate(COLUMNS)}
"""Where each number of a curve stands in the output of `fit_block` (scaled lengths)."""

MIN_SAMPLES = 16
SPIKE = 8.0
"""Excursion, in sigma, from which on a few samples are taken for a spike and mended."""
WIDEST_SPIKE = 4


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
    row[27] = _longest_run(d, high)
    row[28] = _longest_run(d, low)
    row[29] = high - low
    return high > low


@plain
def _start_values(
    blocks: int, exponent: float, coefficients: Floats, work: Floats, row: Floats, theta: Floats
) -> bool:
    """Start and first fit, on block means; False where no push can be seen at all."""
    start = np.zeros(6)
    zb, db = work[0, :blocks], work[1, :blocks]
    scan_contact(zb, db, exponent, work[2:5], start)
    row[22] = start[4]
    row[23] = start[5]
    if start[2] <= 0.0:
        return False
    deepest = 0.0
    for b in range(blocks):
        deepest = max(deepest, zb[b] - db[b] - start[3])
    if deepest <= 0.0:
        return False
    t, q, dq = work[5, :blocks], work[6, :blocks], work[7, :blocks]
    t[:] = np.sqrt(deepest)
    law(t, coefficients, q, dq)
    theta[0] = start[0]
    theta[1] = start[1]
    theta[2] = np.log(start[2] * deepest ** (exponent - 1.0) / q[0])
    theta[3] = (start[3] + start[0]) / (1.0 - min(start[1], 0.5))
    inverse = np.zeros((4, 4))
    info = np.zeros(4)
    refine(zb, db, t, q, dq, theta, coefficients, 12, 1e-3, inverse, info)
    return True


@plain
def _fit_curve(
    z: Floats,
    d: Floats,
    exponent: float,
    coefficients: Floats,
    kernel: Floats,
    limit: int,
    free: bool,
    work: Floats,
    row: Floats,
) -> None:
    """Fit one scaled, centred curve; numbers go to ``row``."""
    n = z.size
    theta = np.zeros(4)
    inverse = np.zeros((4, 4))
    info = np.zeros(4)
    stats = np.zeros(5)
    blocks = block_means(z, d, work[0], work[1])
    if not _start_values(blocks, exponent, coefficients, work, row, theta):
        return
    t, q, dq, r = work[2, :n], work[3, :n], work[4, :n], work[5, :n]
    largest = 0.0
    mended = 0
    for _ in range(3):
        refine(z, d, t, q, dq, theta, coefficients, limit, 2e-5, inverse, info)
        first = int(info[1])
        before = residuals(z, d, t, theta, first, r)
        sigma = difference_sigma(r[:before] if before >= 16 else r, work[6])
        size, samples = remove_spikes(r, d, sigma, SPIKE, WIDEST_SPIKE)
        if samples == 0:
            break
        largest = max(largest, size)
        mended += samples
    alpha = np.exp(theta[2])
    step_statistics(r, before, sigma, work[7, : n + 1], stats)
    sums = np.empty((BLOCKS, 5))
    count = block_sums(z, r, q, dq, first, sums)
    sums = sums[:count]
    h = work[6, :BLOCKS]
    deepest = 0.0
    farthest = z[0]
    for i in range(first, n):
        deepest = max(deepest, t[i] * t[i])
        farthest = max(farthest, z[i])
    row[0] = 1.0
    row[1] = info[2]
    row[30] = info[3]
    row[2] = theta[0]
    row[3] = theta[1]
    row[4] = theta[2]
    row[5] = theta[3]
    row[6] = info[0]
    row[7] = inverse[2, 2]
    row[8] = inverse[3, 3]
    row[9] = influence(sums, inverse, 2, kernel, h[:count])
    row[10] = influence(sums, inverse, 3, kernel, h[:count])
    row[11] = deepest
    row[12] = max(farthest - theta[3], 0.0) - deepest
    edge_t, edge_q, edge_dq = work[8, :1], work[8, 1:2], work[8, 2:3]
    edge_t[0] = np.sqrt(deepest)
    law(edge_t, coefficients, edge_q, edge_dq)
    row[13] = alpha * (edge_q[0] + 0.5 * edge_t[0] * edge_dq[0])
    row[14] = sigma
    row[15] = stats[3]
    row[16] = stats[0]
    row[17] = max(largest, stats[1])
    row[31] = mended
    row[18] = stats[2]
    row[19] = stats[4]
    row[20] = before
    row[21] = sag(sums, before)
    if free and deepest > 0.0:
        free_exponent(sums, theta, coefficients, deepest, kernel, work, row[24:27])


def _build(stamp: int) -> Callable[..., None]:
    @njit(cache=True, nogil=True, error_model="numpy")
    def fit_block(
        z: Floats,
        d: Floats,
        counts: NDArray[np.int64],
        exponent: float,
        coefficients: Floats,
        scale: float,
        kernel: Floats,
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
        kernel
            Covariance of block means for a noise density 1 / f, (64, 64).
        limit
            Most steps of a fit.
        free
            Whether the exponent is set free as well.
        out
            Receives `COLUMNS`, (n, columns); NaN where there is none. Offset and contact are in
            nm, with the baseline at z = 0; other lengths are in units of ``scale``.
        """
        s = d.shape[1]
        work = np.empty((11, max(s + 1, BLOCKS)))
        out[:] = np.nan
        for c in range(d.shape[0]):
            n = counts[c]
            out[c, 0] = 0.0 * stamp
            if n < MIN_SAMPLES:
                continue
            raw = d[c, :n]
            if not _extremes(raw, out[c]):
                continue
            zc, dc = work[9, :n], work[10, :n]
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
            _fit_curve(zc, dc, exponent, coefficients, kernel, limit, free, work, row)
            row[2] = row[2] * scale + level - row[3] * middle
            row[5] = row[5] * scale + middle

    return cast(Callable[..., None], fit_block)


fit_block = _build(source_stamp())
