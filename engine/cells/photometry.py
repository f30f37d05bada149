"""Compiled sums over the pixels of nuclei, of rims round them and of the ground beyond."""

import numba
import numpy as np

from engine.cells.segments import nearest_is

EVERY = 2
"""Of the ground's pixels every second row and column is looked at: neighbours are alike."""


@numba.njit(cache=True, nogil=True)
def _clipped_median(values, clip_sd):  # type: ignore[no-untyped-def]
    """Median after one clip at ``clip_sd`` robust standard deviations; NaN of nothing."""
    known = values[np.isfinite(values)]
    if known.size == 0:
        return np.nan
    middle = np.median(known)
    spread = 1.4826 * np.median(np.abs(known - middle))
    if spread <= 0:
        return middle
    return np.median(known[np.abs(known - middle) <= clip_sd * spread])


@numba.njit(cache=True, nogil=True)
def _is_clear(k, r, c, row, col, radius, clear, starts, others):  # type: ignore[no-untyped-def]
    for n in range(starts[k], starts[k + 1]):
        j = others[n]
        if (r - row[j]) ** 2 + (c - col[j]) ** 2 <= (radius[j] + clear) ** 2:
            return False
    return True


@numba.njit(cache=True, nogil=True)
def _ring(  # type: ignore[no-untyped-def]
    labels, top, left, k, inner, outer, clear, row, col, radius, starts, others, at
):
    """Pixels of the ring of nucleus ``k`` that keep clear of all nuclei; how many were put."""
    rows, cols = labels.shape
    reach = int(np.ceil(outer))
    r0, c0 = round(row[k]) - top, round(col[k]) - left
    found = 0
    for dr in range(-reach, reach + 1, EVERY):
        for dc in range(-reach, reach + 1, EVERY):
            r, c = r0 + dr, c0 + dc
            if r < 0 or c < 0 or r >= rows or c >= cols or labels[r, c] != 0:
                continue
            away = ((r + top - row[k]) ** 2 + (c + left - col[k]) ** 2) ** 0.5
            if away < inner or away > outer or found >= len(at):
                continue
            if _is_clear(k, r + top, c + left, row, col, radius, clear, starts, others):
                at[found, 0], at[found, 1] = r, c
                found += 1
    return found


@numba.njit(cache=True, nogil=True)
def _parts(  # type: ignore[no-untyped-def]
    labels, top, left, k, reach, rim_from, rim_to, row, col, radius, starts, others, at
):
    """Pixels of nucleus ``k`` and, after them, of its rim; how many of either."""
    rows, cols = labels.shape
    r0, c0 = round(row[k]) - top, round(col[k]) - left
    nucleus = 0
    for part in range(2):
        found = nucleus if part else 0
        for r in range(max(0, r0 - reach), min(rows, r0 + reach + 1)):
            for c in range(max(0, c0 - reach), min(cols, c0 + reach + 1)):
                if part == 0:
                    mine = labels[r, c] == k + 1
                else:
                    away = ((r + top - row[k]) ** 2 + (c + left - col[k]) ** 2) ** 0.5 - radius[k]
                    mine = labels[r, c] == 0 and rim_from <= away <= rim_to
                    mine = mine and nearest_is(
                        k, r + top, c + left, row, col, radius, starts, others
                    )
                if mine and found < len(at):
                    at[found, 0], at[found, 1] = r, c
                    found += 1
        if part == 0:
            nucleus = found
    return nucleus, found - nucleus


@numba.njit(cache=True, nogil=True)
def _mean(pixels, at, first, stop):  # type: ignore[no-untyped-def]
    total, count = 0.0, 0
    for n in range(first, stop):
        value = pixels[at[n, 0], at[n, 1]]
        if np.isfinite(value):
            total += value
            count += 1
    return total / count if count else np.nan


@numba.njit(cache=True, nogil=True)
def _count_tops(pixels, at, total, tops, counts):  # type: ignore[no-untyped-def]
    """Count the finite pixels (last column) and those at each of the values ``tops``."""
    for n in range(total):
        value = pixels[at[n, 0], at[n, 1]]
        if np.isfinite(value):
            counts[len(tops)] += 1
        for t in range(len(tops)):
            if value == tops[t]:
                counts[t] += 1


@numba.njit(cache=True, nogil=True)
def measure_nuclei(  # type: ignore[no-untyped-def]
    pixels, labels, top, left, which, row, col, radius, starts, others,
    reach, distances, pixels_min, clip_sd, tops, size, mean, rim, ground, counts, area,
):  # fmt: skip
    """Measure some nuclei in a piece of one channel; see `engine.cells.intensities`."""
    rim_from, rim_to, from_, to, to_max, clear = distances
    at = np.empty((size, 2), np.int64)
    values = np.empty(size)
    step = 0.5 * (to - from_)
    for k in which:
        inside, round_it = _parts(
            labels, top, left, k, reach, rim_from, rim_to, row, col, radius, starts, others, at
        )
        area[k] = inside
        mean[k] = _mean(pixels, at, 0, inside)
        rim[k] = _mean(pixels, at, inside, inside + round_it)
        _count_tops(pixels, at, inside + round_it, tops, counts[k])
        outer, found = to, 0
        while found < pixels_min and outer < to_max + step:
            found = _ring(
                labels, top, left, k, radius[k] + from_, radius[k] + min(outer, to_max), clear,
                row, col, radius, starts, others, at,
            )  # fmt: skip
            outer += step
        if found < pixels_min:
            continue
        for n in range(found):
            values[n] = pixels[at[n, 0], at[n, 1]]
        ground[k] = _clipped_median(values[:found], clip_sd)
