"""Compiled: pull-off, works and the two points of an adhesive contact, from the way back."""

from collections.abc import Callable
from typing import cast

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ._compiled import Floats, fast, plain, source_stamp

FAR = 0.2
"""The retract baseline is fitted farther from the contact than this share of the way to its end."""
REACH = 0.1
"""Pull-off is looked for within this share of the drive's range beyond the zero crossing."""
LEAST_FAR = 8
LEAP_SIGMA = 8.0
LEAP_SAMPLES = 3
LEAST_NEAR = 3
"""Fewest samples about zero force, and"""
RETRACT_COLUMNS = 7
"""what is told of every curve; see `retract_block`."""
WINDOW_SHARE = 100
"""Pull-off is read in windows of this part of the samples."""


def window_of(samples: NDArray[np.int64]) -> NDArray[np.int64]:
    """Count the samples of the window in which the pull-off of such curves is read."""
    return np.maximum(1, samples // WINDOW_SHARE)


@plain
def _baseline(z: Floats, d: Floats, limit: float, line: Floats) -> bool:
    """Least-squares line through the samples with z below a limit; False if they are too few."""
    count = 0
    sz, sd, szz, szd = 0.0, 0.0, 0.0, 0.0
    for i in range(z.size):
        if z[i] < limit:
            x = z[i] - limit
            count += 1
            sz += x
            sd += d[i]
            szz += x * x
            szd += x * d[i]
    if count < LEAST_FAR:
        return False
    spread = szz - sz * sz / count
    if not spread > 0.0:
        return False
    line[1] = (szd - sz * sd / count) / spread
    line[0] = (sd - line[1] * sz) / count - line[1] * limit
    return True


@plain
def _after_rupture(z: Floats, d: Floats, limit: float) -> float:
    """Drive beyond which the probe is free: the limit, or farther out behind the last rupture.

    A chain that still holds pulls the baseline down; where it breaks, the deflection leaps up.
    """
    count = 0
    rough = 0.0
    for i in range(z.size - 1):
        if z[i] < limit:
            count += 1
            rough += abs(d[i + 1] - d[i])
    if count < LEAST_FAR:
        return limit
    # 1.128: mean absolute difference of white noise over its sigma
    leap = LEAP_SIGMA * rough / (1.128 * count)
    for i in range(z.size - 1 - LEAP_SAMPLES, 0, -1):
        if z[i] >= limit:
            break
        if d[i + LEAP_SAMPLES] - d[i] > leap:
            return z[i + LEAP_SAMPLES]
    return limit


@fast
def _work(z: Floats, d: Floats, line: Floats, contact: float) -> float:
    """Integral of (d - baseline) over z where z is above the contact."""
    total = 0.0
    for i in range(z.size - 1):
        middle = 0.5 * (z[i] + z[i + 1])
        inside = 1.0 if middle > contact else 0.0
        total += inside * (0.5 * (d[i] + d[i + 1]) - line[0] - line[1] * middle) * (z[i + 1] - z[i])
    return total


@plain
def _parity_mean(z: Floats, d: Floats, line: Floats, start: int, width: int, parity: int) -> float:
    total = 0.0
    count = 0
    for i in range(start, start + width):
        if width < 6 or (i - start) % 2 == parity:
            total += d[i] - line[0] - line[1] * z[i]
            count += 1
    return total / count


@plain
def _crossing(z: Floats, d: Floats, line: Floats, width: int) -> int:
    """First window, on the way out, whose mean lies below the baseline; -1 if there is none."""
    for i in range(z.size - width + 1):
        if _parity_mean(z, d, line, i, width, 0) < 0.0:
            return i
    return -1


@plain
def _pull_off(
    z: Floats, d: Floats, line: Floats, crossing: int, width: int, reach: float, place: Floats
) -> float:
    """Depth of the pull-off below the baseline.

    Every second sample chooses the place, the others give the depth, and the other way round: the
    least of many noisy means is no longer biased by its being the least. ``place`` receives the
    mean drive of the two windows and the last sample of the nearer one.
    """
    total = 0.0
    place[0] = 0.0
    place[1] = z.size
    limit = z[crossing] - reach
    for parity in range(2):
        best = 0.0
        at = crossing
        for i in range(crossing, z.size - width + 1):
            if z[i + width - 1] < limit:
                break
            mean = _parity_mean(z, d, line, i, width, parity)
            if mean < best:
                best = mean
                at = i
        total -= 0.5 * _parity_mean(z, d, line, at, width, 1 - parity)
        place[0] += 0.25 * (z[at] + z[at + width - 1])
        place[1] = min(place[1], at + width - 1)
    return total


@plain
def _pull_work(z: Floats, d: Floats, line: Floats, crossing: int, limit: float) -> float:
    """Integral of the pull over the drive, from zero force out to a limit."""
    total = 0.0
    for i in range(crossing, z.size - 1):
        if z[i + 1] < limit:
            break
        middle = 0.5 * (z[i] + z[i + 1])
        total += (0.5 * (d[i] + d[i + 1]) - line[0] - line[1] * middle) * (z[i + 1] - z[i])
    return total


@plain
def _zero_depth(z: Floats, d: Floats, line: Floats, last: int, pull: float) -> float:
    """Depth z - d at zero force: a line through what lies within a third of the pull-off."""
    count = 0
    sx, sy, sxx, sxy = 0.0, 0.0, 0.0, 0.0
    for i in range(last + 1):
        push = d[i] - line[0] - line[1] * z[i]
        if abs(push) <= pull / 3.0:
            count += 1
            depth = z[i] - push - z[last]
            sx += push
            sy += depth
            sxx += push * push
            sxy += push * depth
    spread = sxx - sx * sx / max(count, 1)
    if count < LEAST_NEAR or not spread > 0.0:
        return np.nan
    slope = (sxy - sx * sy / count) / spread
    return (sy - slope * sx) / count + z[last]


def _build(stamp: int) -> Callable[..., None]:
    @njit(cache=True, nogil=True, error_model="numpy")
    def retract_block(
        z: Floats,
        d: Floats,
        zr: Floats,
        dr: Floats,
        counts: NDArray[np.int64],
        counts_back: NDArray[np.int64],
        offset: Floats,
        slope: Floats,
        contact: Floats,
        force: Floats,
        out: Floats,
    ) -> None:
        """Adhesion and dissipation of curves.

        Parameters
        ----------
        z, d
            Approach (n, s), nm; z may be (1, s).
        zr, dr
            Retract (n, s'), nm, in the order taken; zr may be (1, s').
        counts, counts_back
            Samples of each (n,).
        offset, slope, contact
            The approach's fit: baseline and contact (n,), nm; NaN contact is passed over.
        force
            Largest deflection of the fit, nm (n,).
        out
            Receives pull-off (nm of deflection; >= 0), lost / loading work, whether there was a
            retract baseline, the loading and the lost work and that of the pull (nm^2: over k), and
            the separation from zero force to pull-off (nm), (n, 7).
        """
        place = np.zeros(2)
        line = np.zeros(2)
        ahead = np.zeros(2)
        for c in range(d.shape[0]):
            n = counts_back[c]
            out[c, :] = np.nan
            out[c, 2] = 0.0 * stamp
            if n < 16 or counts[c] < 16 or not np.isfinite(contact[c]):
                continue
            zb, db = zr[c if zr.shape[0] > 1 else 0, :n], dr[c, :n]
            za, da = z[c if z.shape[0] > 1 else 0, : counts[c]], d[c, : counts[c]]
            room = contact[c] - zb[n - 1]
            if not room > 0.0:
                continue
            free = _after_rupture(zb, db, contact[c] - FAR * room)
            if not _baseline(zb, db, free, line):
                continue
            out[c, 2] = 1.0
            width = max(1, n // WINDOW_SHARE)
            crossing = _crossing(zb, db, line, width)
            if crossing < 0:
                continue
            reach = REACH * (zb[0] - zb[n - 1])
            pull = max(_pull_off(zb, db, line, crossing, width, reach, place), 0.0)
            out[c, 0] = pull
            ahead[0] = offset[c]
            ahead[1] = slope[c]
            forth = _work(za, da, ahead, contact[c])
            load = forth - 0.5 * force[c] * force[c]
            back = -_work(zb[: crossing + 1], db[: crossing + 1], line, -np.inf)
            if load > 0.0:
                out[c, 1] = (forth - back) / load
                out[c, 3] = load
                out[c, 4] = forth - back
            out[c, 5] = _pull_work(zb, db, line, crossing, free)
            out[c, 6] = _zero_depth(zb, db, line, int(place[1]), pull) - (place[0] + pull)

    return cast(Callable[..., None], retract_block)


retract_block = _build(source_stamp())
"""See the inner function: adhesion and dissipation of a block of curves."""
