"""Compiled: what the residuals of a finished fit say (noise, steps, spikes, block sums)."""

import numpy as np

from ._compiled import Floats, fast, fastest, plain
from ._start import BLOCKS

CLIP = 8.0
WINDOW = 10
SHORT_WINDOW = 4
ODD_STEP = 1.5
"""Steps above this, in sigma, are looked at more closely."""


@fast
def difference_sigma(r: Floats) -> float:
    """Noise sigma from the mean absolute first difference, trimmed twice at four times itself.

    Like the median absolute difference it is not moved by spikes, a step or a few odd samples; but
    coarsely digitised noise does not make it 0.
    """
    limit = np.inf
    mean = np.nan
    for _ in range(3):
        total = 0.0
        count = 0.0
        for i in range(r.size - 1):
            step = abs(r[i + 1] - r[i])
            inside = 1.0 if step <= limit else 0.0
            total += step * inside
            count += inside
        mean = total / count
        limit = 4.0 * mean
    # E|difference| = 2 sigma / sqrt(pi); the trimming takes 0.6 % of it away
    return mean * 0.5 * np.sqrt(np.pi) * 1.006


@fast
def residuals(z: Floats, d: Floats, t: Floats, theta: Floats, first: int, r: Floats) -> int:
    """Residuals of the whole curve into ``r``; returns the count of leading samples before z0."""
    b0 = theta[0]
    b1 = theta[1]
    z0 = theta[3]
    for i in range(first):
        r[i] = d[i] - b0 - b1 * z[i]
    zs, ds, ts, rs = z[first:], d[first:], t[first:], r[first:]
    before = 0
    for i in range(zs.size):
        u = zs[i] - z0
        touch = 1.0 if u > 0.0 else 0.0
        before += 1 if u <= 0.0 else 0
        rs[i] = ds[i] - b0 - b1 * zs[i] - touch * (u - ts[i] * ts[i])
    return first + before


@fastest
def _largest_step(clipped: Floats, sums: Floats) -> tuple[float, int]:
    """Largest difference of the means of two neighbouring windows; overwrites both arrays."""
    n = clipped.size
    width = WINDOW if n >= 4 * WINDOW else SHORT_WINDOW
    # sums of two, then of four, then of all
    for i in range(n - 1):
        clipped[i] += clipped[i + 1]
    for i in range(n - 3):
        sums[i] = clipped[i] + clipped[i + 2]
    if width == WINDOW:
        for i in range(n - WINDOW + 1):
            sums[i] += sums[i + 4] + clipped[i + 8]
    step = 0.0
    for i in range(n - 2 * width + 1):
        step = max(step, abs(sums[i + width] - sums[i]))
    return step / width, width


@plain
def _local_step(sums: Floats, step: float, width: int, n: int) -> tuple[int, float]:
    """Where the largest step is, and what is left of it beside the trend on either side."""
    at = 0
    last = n - width
    while at < last - width and abs(sums[at + width] - sums[at]) < 0.999999 * step * width:
        at += 1
    here = sums[at + width] - sums[at]
    trend = 0.0
    sides = 0
    if at >= width:
        trend += sums[at] - sums[at - width]
        sides += 1
    if at + 2 * width <= last:
        trend += sums[at + 2 * width] - sums[at + width]
        sides += 1
    return at + width, abs(here - trend / max(sides, 1)) / width


@fastest
def step_statistics(
    r: Floats, before: int, sigma: float, clipped: Floats, sums: Floats, out: Floats
) -> None:
    """Two-sided step, largest residual, lowest five-mean before contact, squared difference.

    Step: between the means of two windows of ten samples (of four in a curve of fewer than 40),
    residuals cut off at eight sigma so that a spike is no step. If it is large, then also where it
    is and how much of it the trend on either side does not explain.
    """
    n = r.size
    clip = CLIP * sigma
    largest = 0.0
    for i in range(n):
        largest = max(largest, abs(r[i]))
        clipped[i] = min(max(r[i], -clip), clip)
    squares = 0.0
    for i in range(n - 1):
        s = r[i + 1] - r[i]
        squares += s * s
    dip = 0.0
    for i in range(before - 4):
        s = r[i] + r[i + 1] + r[i + 2] + r[i + 3] + r[i + 4]
        dip = min(dip, s)
    step, width = _largest_step(clipped, sums)
    out[0] = step
    out[1] = largest
    out[2] = -dip / 5.0
    out[3] = squares / (2.0 * (n - 1))
    out[4] = n
    out[5] = 0.0
    if step > ODD_STEP * sigma:
        out[4], out[5] = _local_step(sums, step, width, n)


@fast
def _any_leap(r: Floats, limit: float) -> bool:
    """Whether any two neighbours lie farther apart than a limit; counted, which is quick."""
    count = 0.0
    for i in range(r.size - 1):
        count += 1.0 if abs(r[i + 1] - r[i]) > limit else 0.0
    return count > 0.0


@plain
def remove_spikes(
    r: Floats, d: Floats, sigma: float, limit: float, widest: int
) -> tuple[float, int]:
    """Take short excursions out of a curve: runs that are back within ``widest`` samples.

    The residuals are bridged by a straight line and ``d`` is moved along with them.

    Returns
    -------
    (float, int)
        The largest excursion and the number of samples mended.
    """
    largest = 0.0
    mended = 0
    if not _any_leap(r, limit * sigma):
        return largest, mended
    i = 1
    while i < r.size - 1:
        out = r[i] - r[i - 1]
        if abs(out) > limit * sigma:
            for j in range(i + 1, min(i + widest + 1, r.size)):
                if abs(r[j] - r[i - 1]) < 0.5 * abs(out):
                    for k in range(i, j):
                        bridge = r[i - 1] + (r[j] - r[i - 1]) * (k - i + 1) / (j - i + 1)
                        largest = max(largest, abs(r[k] - bridge))
                        d[k] += bridge - r[k]
                        r[k] = bridge
                        mended += 1
                    i = j
                    break
        i += 1
    return largest, mended


@plain
def block_sums(z: Floats, r: Floats, j2: Floats, j3: Floats, first: int, blocks: Floats) -> int:
    """Means of z, residual and two Jacobian columns in blocks, (blocks, 5), counts first."""
    n = z.size
    count = min(n, BLOCKS)
    low = 0
    for b in range(count):
        high = (b + 1) * n // count
        sz, sr, s2, s3 = 0.0, 0.0, 0.0, 0.0
        for i in range(low, high):
            sz += z[i]
            sr += r[i]
        for i in range(max(low, first), high):
            s2 += j2[i]
            s3 += j3[i]
        m = high - low
        blocks[b, 0] = m
        blocks[b, 1] = sz / m
        blocks[b, 2] = sr / m
        blocks[b, 3] = s2 / m
        blocks[b, 4] = s3 / m
        low = high
    return count


@fast
def band_forms(h: Floats, kernels: Floats, out: Floats) -> None:
    """Evaluate h' K h for covariances that depend on the lag only, (bands, lags), into ``out``."""
    n = h.size
    bands = kernels.shape[0]
    for j in range(bands):
        out[j] = 0.0
    for lag in range(n):
        left, right = h[: n - lag], h[lag:]
        product = 0.0
        for i in range(left.size):
            product += left[i] * right[i]
        product *= 1.0 if lag == 0 else 2.0
        for j in range(bands):
            out[j] += kernels[j, lag] * product


@plain
def influence(
    blocks: Floats, inverse: Floats, row: int, kernels: Floats, h: Floats, out: Floats
) -> None:
    """H' K h of one parameter, h being its row of (J'J)^-1 J' summed in blocks, into ``out``."""
    for b in range(blocks.shape[0]):
        h[b] = blocks[b, 0] * (
            inverse[row, 0]
            + inverse[row, 1] * blocks[b, 1]
            + inverse[row, 2] * blocks[b, 3]
            + inverse[row, 3] * blocks[b, 4]
        )
    band_forms(h, kernels, out)


@plain
def sag(blocks: Floats, before: int) -> float:
    """Bow of the baseline: middle against ends of the quadratic in the residuals before contact."""
    seen = 0.0
    count = 0
    for b in range(blocks.shape[0]):
        seen += blocks[b, 0]
        if seen > before:
            break
        count += 1
    if count < 6:
        return np.nan
    top = 0.0
    bottom = 0.0
    for b in range(count):
        s = 2.0 * b / (count - 1) - 1.0
        p = 1.5 * s * s - 0.5 * (count + 1) / (count - 1)
        top += p * blocks[b, 2]
        bottom += p * p
    return 1.5 * top / bottom
