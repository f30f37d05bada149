"""Compiled: what the residuals of a finished fit say (noise, steps, spikes, block sums)."""

import numpy as np

from ._compiled import Floats, fast, plain
from ._start import BLOCKS

CLIP = 8.0
WINDOW = 10
SUBSAMPLE = 255


@plain
def median_in_place(x: Floats) -> float:
    """Median (upper of the two middle values) by quickselect; reorders ``x``."""
    k = x.size // 2
    low = 0
    high = x.size - 1
    while low < high:
        pivot = x[(low + high) // 2]
        i = low
        j = high
        while i <= j:
            while x[i] < pivot:
                i += 1
            while x[j] > pivot:
                j -= 1
            if i <= j:
                x[i], x[j] = x[j], x[i]
                i += 1
                j -= 1
        if k <= j:
            high = j
        elif k >= i:
            low = i
        else:
            break
    return x[k]


@plain
def difference_sigma(r: Floats, work: Floats) -> float:
    """Noise sigma from the median absolute first difference (of at most 255, evenly spread)."""
    m = r.size - 1
    if m < 4:
        return np.nan
    stride = max(1, (m + SUBSAMPLE - 1) // SUBSAMPLE)
    count = 0
    total = 0.0
    for i in range(0, m, stride):
        step = abs(r[i + 1] - r[i])
        work[count] = step
        total += step * step
        count += 1
    sigma = median_in_place(work[:count]) / (0.6744897501960817 * np.sqrt(2.0))
    return sigma if sigma > 0.0 else np.sqrt(0.5 * total / count)


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


@fast
def step_statistics(r: Floats, before: int, sigma: float, cumulative: Floats, out: Floats) -> None:
    """Two-sided step, largest residual, lowest five-mean before contact, squared difference."""
    n = r.size
    clip = CLIP * sigma
    largest = 0.0
    squares = 0.0
    for i in range(n):
        a = abs(r[i])
        largest = max(largest, a)
    for i in range(n - 1):
        s = r[i + 1] - r[i]
        squares += s * s
    total = 0.0
    cumulative[0] = 0.0
    for i in range(n):
        v = min(max(r[i], -clip), clip)
        total += v
        cumulative[i + 1] = total
    w = min(WINDOW, n // 4)
    step = 0.0
    mid, up, down = cumulative[w : n + 1 - w], cumulative[2 * w :], cumulative[: n + 1 - 2 * w]
    for i in range(mid.size):
        s = abs(up[i] - 2.0 * mid[i] + down[i])
        step = max(step, s)
    dip = 0.0
    for i in range(before - 4):
        s = cumulative[i + 5] - cumulative[i]
        dip = min(dip, s)
    out[0] = step / w
    out[1] = largest
    out[2] = -dip / 5.0
    out[3] = squares / (2.0 * max(n - 1, 1))
    out[4] = w


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
def quadratic_form(h: Floats, kernel: Floats) -> float:
    """H' K h."""
    n = h.size
    total = 0.0
    for i in range(n):
        row = 0.0
        for j in range(n):
            row += kernel[i, j] * h[j]
        total += row * h[i]
    return total


@plain
def influence(blocks: Floats, inverse: Floats, row: int, kernel: Floats, h: Floats) -> float:
    """H' K h of one parameter, h being its row of (J'J)^-1 J' summed in blocks."""
    for b in range(blocks.shape[0]):
        h[b] = blocks[b, 0] * (
            inverse[row, 0]
            + inverse[row, 1] * blocks[b, 1]
            + inverse[row, 2] * blocks[b, 3]
            + inverse[row, 3] * blocks[b, 4]
        )
    return quadratic_form(h, kernel)


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
