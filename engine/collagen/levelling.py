"""Levelling: the plane and row jitter by default; stronger steps only where they are asked for."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from engine.collagen.polynomial import subtract_polynomial as subtract_polynomial
from engine.collagen.settings import CollagenSettings, LevelStep

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Levelled:
    """A levelled height image.

    Attributes
    ----------
    height_nm
        Levelled heights with mean zero, NaN where there is no datum, shape (rows, cols).
    Sq_plane_nm
        Root mean square height after the least-squares plane alone.
    jitter_nm
        Row offsets that were taken out as jitter, shape (rows,); zero where none were.
    jitter_share
        Variance of the row jitter over the variance of the levelled heights, whether or not it
        was taken out.
    steps
        What was done, in order.
    Sq_nm
        Root mean square height as measured and after each of these steps, shape (steps + 1,).
    """

    height_nm: Array
    Sq_plane_nm: float
    jitter_nm: Array
    jitter_share: float
    steps: tuple[str, ...]
    Sq_nm: Array


def row_offsets(height_nm: Array) -> Array:
    """Offset of each row from the accumulated medians of row differences.

    Rows without data get the offset of the row before them.

    Parameters
    ----------
    height_nm
        Heights, shape (rows, cols).

    Returns
    -------
    numpy.ndarray
        Offsets in nanometres, shape (rows,), the first is zero.
    """
    has_data = np.isfinite(height_nm).any(axis=1)
    kept = height_nm[has_data]
    step = np.zeros(len(height_nm))
    if len(kept) > 1:
        difference = np.diff(kept, axis=0)
        step[np.flatnonzero(has_data)[1:]] = [_median(row) for row in difference]
    return np.cumsum(step)


def _median(values: Array) -> float:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if finite.size else 0.0


# Offsets of rows give -2/3 and below; sharp valleys along the rows come down to -1/2.
_NEXT_ROW_MAX = -0.58
_ROWS_AT_ONCE = 256
_THIRD = np.array([1.0, -3.0, 3.0, -1.0]) / 3.0


def _third_differences(height_nm: Array) -> Array:
    """Median over each row of the third difference down the rows; NaN without data."""
    if len(height_nm) < 4:
        return np.zeros(0)
    out = np.full(len(height_nm) - 3, np.nan)
    for first in range(0, len(out), _ROWS_AT_ONCE):
        z = height_nm[first : first + _ROWS_AT_ONCE + 3]
        third = _THIRD[0] * z[:-3] + _THIRD[1] * z[1:-2] + _THIRD[2] * z[2:-1] + _THIRD[3] * z[3:]
        finite = np.isfinite(third)
        whole = finite.all(axis=1)
        out[first : first + len(third)][whole] = np.median(third[whole], axis=1)
        for i in np.flatnonzero(finite.any(axis=1) & ~whole):
            out[first + i] = _median(third[i])
    return out


def jitter_level(height_nm: Array) -> tuple[float, float]:
    """Measure how much rows are offset against their neighbours.

    Parameters
    ----------
    height_nm
        Heights, shape (rows, cols).

    Returns
    -------
    tuple of float
        Robust standard deviation of the row medians of third differences, nanometres, and their
        correlation with those of the next row: -3/4 for independent offsets, -2/3 for a random
        walk, above zero for a fibril that lies along the rows. Zero where there are too few rows.
    """
    third = _third_differences(height_nm)
    third = third[np.isfinite(third)]
    if third.size < 3:
        return 0.0, 0.0
    third = third - np.median(third)
    level = 1.4826 * float(np.median(np.abs(third)))
    if level == 0.0:
        return 0.0, 0.0
    third = np.clip(third, -3 * level, 3 * level)
    return level, float(np.mean(third[1:] * third[:-1]) / np.mean(third**2))


def row_jitter(height_nm: Array, longest_rows: float) -> Array:
    """Estimate offsets of rows against their neighbours.

    A smooth surface has next to no third difference down the rows, whichever way its fibrils run;
    an offset of a row has one in every column, so the median over the columns shows it. The
    offsets are those that explain these medians best while staying small: a wave of
    ``longest_rows`` is half taken out, slower ones less. (Own estimator. Medians of first
    differences take a fibril that lies along the rows for an offset.)

    Parameters
    ----------
    height_nm
        Heights, NaN where there is no datum, shape (rows, cols).
    longest_rows
        Period that is half taken out, rows.

    Returns
    -------
    numpy.ndarray
        Jitter in nanometres, shape (rows,).
    """
    rows = len(height_nm)
    third = _third_differences(height_nm)
    known = np.isfinite(third)
    if not known.any():
        return np.zeros(rows)
    third = np.where(known, third - np.median(third[known]), 0.0)
    right = np.zeros(rows)
    bands = np.zeros((4, rows))  # lower bands of the normal matrix
    for i, a in enumerate(_THIRD):
        right[i : rows - 3 + i] += a * third
        for j in range(i + 1):
            bands[i - j, j : rows - 3 + j] += a * _THIRD[j] * known
    # |transfer| of the third difference at a period P is (8 / 3) sin(pi / P)^3.
    bands[0] += (8.0 / 3.0 * np.sin(np.pi / longest_rows) ** 3) ** 2
    return np.asarray(linalg.solveh_banded(bands, right, lower=True))


def _row_median(height_nm: Array) -> Array:
    return height_nm - np.array([_median(row) for row in height_nm])[:, None]


def _row_difference(height_nm: Array) -> Array:
    return height_nm - row_offsets(height_nm)[:, None]


_STEPS: dict[LevelStep, Callable[[Array], Array]] = {
    "plane": lambda z: subtract_polynomial(z, 1),
    "quadratic": lambda z: subtract_polynomial(z, 2),
    "row_median": _row_median,
    "row_difference": _row_difference,
}


def _rms(values: Array) -> float:
    finite = values[np.isfinite(values)]
    if not finite.size:
        return float("nan")
    finite -= finite.mean()
    return float(np.sqrt(np.vdot(finite, finite) / finite.size))


def _jitter_where_present(height_nm: Array, settings: CollagenSettings) -> Array:
    # Real relief has third differences along both axes; line noise only across the rows.
    found, next_row = jitter_level(height_nm)
    relief, _ = jitter_level(np.ascontiguousarray(height_nm.T))
    needed = max(settings.jitter_min_nm, settings.jitter_min_ratio * relief)
    if found <= needed or next_row > _NEXT_ROW_MAX:
        return np.zeros(len(height_nm))
    return row_jitter(height_nm, settings.jitter_rows)


def level(height_nm: Array, settings: CollagenSettings) -> Levelled:
    """Level a height image by the steps in the settings.

    Parameters
    ----------
    height_nm
        Heights as measured, NaN where there is no datum, shape (rows, cols).
    settings
        ``levelling`` and the ``jitter_*`` fields.

    Returns
    -------
    Levelled
        The levelled heights with what was done to them.
    """
    plane = subtract_polynomial(height_nm, 1)
    measured = row_jitter(plane, settings.jitter_rows)
    out, removed = height_nm, np.zeros(len(height_nm))
    done: list[str] = []
    spreads = [_rms(height_nm)]
    for step in settings.levelling:
        if step == "row_jitter":
            # Tilt would pass into the row offsets; jitter is judged on the plane's residual.
            removed = _jitter_where_present(subtract_polynomial(out, 1), settings)
            out = out - removed[:, None]
            done += ["row_jitter"] if removed.any() else []
        else:
            out = _STEPS[step](out)
            done.append(step)
        if len(spreads) <= len(done):
            spreads.append(_rms(out))
    finite = np.isfinite(out)
    out = out - out[finite].mean() if finite.any() else out
    spread = _rms(plane)
    share = float(np.mean(measured**2)) / spread**2 if spread > 0 else 0.0
    return Levelled(out, spread, removed, share, tuple(done), np.array(spreads))


OPTIONS: tuple[LevelStep, ...] = (
    "plane",
    "row_jitter",
    "row_median",
    "row_difference",
    "quadratic",
)
"""Every step, in the order in which :func:`preview` tells its effect."""


def preview(height_nm: Array, settings: CollagenSettings) -> Array:
    """Tell what each step would do to Sq: the plane alone, then the plane and one further step.

    Parameters
    ----------
    height_nm
        Heights as measured, NaN where there is no datum, shape (rows, cols).
    settings
        The ``jitter_*`` fields.

    Returns
    -------
    numpy.ndarray
        Sq in nanometres in the order of ``OPTIONS``, shape (options,).
    """
    plane = subtract_polynomial(height_nm, 1)
    jitter = _jitter_where_present(plane, settings)[:, None]
    further = (_rms(_STEPS[step](plane)) for step in OPTIONS[2:])
    return np.array([_rms(plane), _rms(plane - jitter), *further])
