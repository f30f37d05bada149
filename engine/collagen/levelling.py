"""Levelling: the plane and row jitter by default; stronger steps only where they are asked for."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

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
    """

    height_nm: Array
    Sq_plane_nm: float
    jitter_nm: Array
    jitter_share: float
    steps: tuple[str, ...]


def _terms(shape: tuple[int, int], degree: int) -> list[Array]:
    rows, cols = shape
    v = np.linspace(-1.0, 1.0, rows)[:, None] if rows > 1 else np.zeros((1, 1))
    u = np.linspace(-1.0, 1.0, cols)[None, :] if cols > 1 else np.zeros((1, 1))
    return [
        np.broadcast_to(u**i * v**j, shape)
        for i in range(degree + 1)
        for j in range(degree + 1 - i)
        if (i == 0 or cols > i) and (j == 0 or rows > j)
    ]


def subtract_polynomial(height_nm: Array, degree: int) -> Array:
    """Subtract the least-squares polynomial surface of a total degree.

    Parameters
    ----------
    height_nm
        Heights, NaN where there is no datum, shape (rows, cols).
    degree
        1 for a plane, 2 for a quadratic.

    Returns
    -------
    numpy.ndarray
        Residual heights, same shape.
    """
    finite = np.isfinite(height_nm)
    if not finite.any():
        return height_nm.copy()
    terms = _terms(height_nm.shape, degree)
    values = height_nm[finite]
    offset = values.mean()
    picked = [np.asarray(t[finite]) for t in terms]
    # Normal equations on [-1, 1]: well conditioned, and no (pixels x terms) matrix in memory.
    gram = np.array([[p @ q for q in picked] for p in picked])
    weight, *_ = np.linalg.lstsq(
        gram, np.array([p @ (values - offset) for p in picked]), rcond=None
    )
    out = height_nm - offset
    for w, term in zip(weight, terms, strict=True):
        out -= w * term
    return out


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


def row_jitter(height_nm: Array, smooth_rows: float) -> Array:
    """Fast part of the row offsets: themselves minus their own Gaussian smooth.

    Parameters
    ----------
    height_nm
        Heights, shape (rows, cols).
    smooth_rows
        Standard deviation of the smooth, rows.

    Returns
    -------
    numpy.ndarray
        Jitter in nanometres, shape (rows,).
    """
    offsets = row_offsets(height_nm)
    return offsets - ndimage.gaussian_filter1d(offsets, smooth_rows, mode="nearest")


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
    return float(np.sqrt(np.mean((finite - finite.mean()) ** 2))) if finite.size else float("nan")


def _jitter_where_present(height_nm: Array, settings: CollagenSettings) -> Array:
    jitter = row_jitter(height_nm, settings.jitter_smooth_rows)
    # Real relief shifts the medians of rows and of columns alike; line noise only those of rows.
    across = row_jitter(np.ascontiguousarray(height_nm.T), settings.jitter_smooth_rows)
    return jitter if _rms(jitter) > settings.jitter_min_ratio * _rms(across) else 0.0 * jitter


def level(height_nm: Array, settings: CollagenSettings) -> Levelled:
    """Level a height image by the steps in the settings.

    Parameters
    ----------
    height_nm
        Heights as measured, NaN where there is no datum, shape (rows, cols).
    settings
        ``levelling``, ``jitter_smooth_rows``, ``jitter_min_ratio``.

    Returns
    -------
    Levelled
        The levelled heights with what was done to them.
    """
    plane = subtract_polynomial(height_nm, 1)
    measured = row_jitter(plane, settings.jitter_smooth_rows)
    out, removed = height_nm, np.zeros(len(height_nm))
    done: list[str] = []
    for step in settings.levelling:
        if step == "row_jitter":
            # Tilt would pass into the row offsets; jitter is judged on the plane's residual.
            removed = _jitter_where_present(subtract_polynomial(out, 1), settings)
            out = out - removed[:, None]
            done += ["row_jitter"] if removed.any() else []
        else:
            out = _STEPS[step](out)
            done.append(step)
    finite = np.isfinite(out)
    out = out - out[finite].mean() if finite.any() else out
    spread = _rms(plane)
    share = float(np.mean(measured**2)) / spread**2 if spread > 0 else 0.0
    return Levelled(out, spread, removed, share, _steps(done))


def _steps(done: Sequence[str]) -> tuple[str, ...]:
    return tuple(done)
