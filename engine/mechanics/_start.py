"""Compiled: where a curve's fit starts. Block means, then a scan over candidate contacts."""

import numpy as np

from ._compiled import Floats, fast, plain

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
def _gain(
    c: float,
    x: Floats,
    zc: Floats,
    y: Floats,
    szz: float,
    w1: float,
    w15: float,
    w2: float,
    out: Floats,
) -> float:
    """Explained share of the residuals at a contact, 0 where the amplitude is not positive."""
    _profile(c, x, zc, y, szz, w1, w15, w2, out)
    return out[1] if out[0] > 0.0 else 0.0


@plain
def _golden(
    low: float,
    high: float,
    x: Floats,
    zc: Floats,
    y: Floats,
    szz: float,
    w1: float,
    w15: float,
    w2: float,
    out: Floats,
) -> float:
    """Six golden-section steps towards the contact that explains most."""
    share = 0.6180339887498949
    left = high - share * (high - low)
    right = low + share * (high - low)
    at_left = _gain(left, x, zc, y, szz, w1, w15, w2, out)
    at_right = _gain(right, x, zc, y, szz, w1, w15, w2, out)
    for _ in range(6):
        if at_left > at_right:
            high, right, at_right = right, left, at_left
            left = high - share * (high - low)
            at_left = _gain(left, x, zc, y, szz, w1, w15, w2, out)
        else:
            low, left, at_left = left, right, at_right
            right = low + share * (high - low)
            at_right = _gain(right, x, zc, y, szz, w1, w15, w2, out)
    return 0.5 * (low + high)


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
    w15 = 1.0 - w1 - w2
    out = np.zeros(4)
    best = 0.0
    pull = 0.0
    at = -1
    for j in range(1, n - 2, 2):
        _profile(x[j], x, zc, y, szz, w1, w15, w2, out)
        if out[0] > 0.0 and out[1] > best:
            best = out[1]
            at = j
        elif out[0] <= 0.0:
            pull = max(pull, out[1])
    start[2] = 0.0
    start[4] = best / max(syy, 1e-300)
    start[5] = pull / max(syy, 1e-300)
    if at < 0:
        return
    low = min(x[max(at - 2, 0)], x[at])
    high = max(x[min(at + 2, n - 1)], x[at])
    c = _golden(low, high, x, zc, y, szz, w1, w15, w2, out)
    if _gain(c, x, zc, y, szz, w1, w15, w2, out) < best:
        c = x[at]
        _gain(c, x, zc, y, szz, w1, w15, w2, out)
    start[2] = out[0]
    start[3] = c
    correction = out[0] * out[3] / szz
    middle = z[0] - zc[0]
    start[0] += correction * middle - out[0] * out[2] / n
    start[1] -= correction
