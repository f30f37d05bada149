"""Compiled: where a curve's fit starts. Block means, then a scan over candidate contacts."""

import numpy as np

from ._compiled import Floats, fast, plain
from ._linear import copy_to

BLOCKS = 64


@fast
def block_means(z: Floats, d: Floats, zb: Floats, db: Floats) -> int:
    """Average a curve into at most `BLOCKS` blocks whose sizes differ by one at most.

    Returns
    -------
    int
        Number of blocks.
    """
    n = z.size
    blocks = min(n, BLOCKS)
    low = 0
    for b in range(blocks):
        high = (b + 1) * n // blocks
        sz = 0.0
        sd = 0.0
        for i in range(low, high):
            sz += z[i]
            sd += d[i]
        zb[b] = sz / (high - low)
        db[b] = sd / (high - low)
        low = high
    return blocks


@fast
def _profile(
    c: float,
    x: Floats,
    zc: Floats,
    y: Floats,
    szz: float,
    w1: float,
    w15: float,
    w2: float,
    out: Floats,
) -> None:
    """Least squares of y on (x - c)+^p with intercept and slope projected out.

    ``out`` receives the amplitude, the amount by which the residual sum falls, and the sums of the
    column and of the column times ``zc``. One of the weights is 1: it picks the power.
    """
    sh = 0.0
    shz = 0.0
    shh = 0.0
    shy = 0.0
    for i in range(x.size):
        w = x[i] - c
        w = max(0.0, w)
        h = w * (w1 + w15 * np.sqrt(w) + w2 * w)
        sh += h
        shz += h * zc[i]
        shh += h * h
        shy += h * y[i]
    left = shh - sh * sh / x.size - shz * shz / szz
    good = left > 1e-12 * shh
    out[0] = shy / left if good else 0.0
    out[1] = shy * shy / left if good else 0.0
    out[2] = sh
    out[3] = shz


@fast
def _detrend(
    z: Floats, d: Floats, x: Floats, zc: Floats, y: Floats, start: Floats
) -> tuple[float, float]:
    """Fill x = z - d, centred z and d less its line; returns the sums of zc^2 and of y^2."""
    n = z.size
    zm = 0.0
    dm = 0.0
    for i in range(n):
        zm += z[i]
        dm += d[i]
    zm /= n
    dm /= n
    szz = 0.0
    szd = 0.0
    for i in range(n):
        x[i] = z[i] - d[i]
        zc[i] = z[i] - zm
        szz += zc[i] * zc[i]
        szd += zc[i] * d[i]
    slope = szd / szz
    syy = 0.0
    for i in range(n):
        y[i] = d[i] - dm - slope * zc[i]
        syy += y[i] * y[i]
    start[0] = dm - slope * zm
    start[1] = slope
    return szz, syy


@plain
def scan_contact(z: Floats, d: Floats, exponent: float, work: Floats, start: Floats) -> None:
    """Start values from block means: the contact at which baseline plus power law fits best.

    Parameters
    ----------
    z, d
        Block means (blocks,), scaled lengths.
    exponent
        1, 1.5 or 2.
    work
        Scratch (3, blocks).
    start
        Receives b0, b1, amplitude of the power law (0 = no push was seen), contact in x = z - d,
        and the share of the residuals that the best push and the best pull explain.
    """
    n = z.size
    x, zc, y = work[0, :n], work[1, :n], work[2, :n]
    szz, syy = _detrend(z, d, x, zc, y, start)
    w1 = 1.0 if exponent < 1.25 else 0.0
    w2 = 1.0 if exponent > 1.75 else 0.0
    out = np.zeros(4)
    kept = np.zeros(4)
    pull = 0.0
    reach = 0.0
    scans = (n - 2) // 2
    # every other block as contact, then ever smaller steps to both sides of the best
    for step in range(scans + 12):
        if step < scans:
            c = x[2 * step + 1]
        else:
            c = start[3] + (reach if step % 2 else -reach)
            reach *= 0.7746
        _profile(c, x, zc, y, szz, w1, 1.0 - w1 - w2, w2, out)
        if out[0] <= 0.0:
            pull = max(pull, out[1])
        elif out[1] > kept[1]:
            copy_to(kept, out)
            start[3] = c
            if step < scans:
                at = 2 * step + 1
                reach = 0.25 * abs(x[min(at + 2, n - 1)] - x[at - 1])
    start[2] = kept[0]
    start[4] = kept[1] / max(syy, 1e-300)
    start[5] = pull / max(syy, 1e-300)
    correction = kept[0] * kept[3] / szz
    start[0] += correction * (z[0] - zc[0]) - kept[0] * kept[2] / n
    start[1] -= correction
