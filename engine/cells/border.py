"""How far a window's pattern depends on where exactly the site lies."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from engine.cells.grade import GroupGrades
from engine.cells.graph import checked_positions
from engine.cells.patterns import NO_PATTERN, PATTERNS
from engine.cells.settings import CellsSettings
from engine.cells.windows import WindowGrades

NEAR_BORDER = "near_pattern_border"


@dataclass(frozen=True)
class WindowStability:
    """What becomes of k windows when their sites are shifted as far as their places are unsure.

    Attributes
    ----------
    stability
        (k,) share of the shifted windows that have the pattern of the window in place, 0 to 1; NaN
        where the shifts are not known.
    beside
        (k,) index of the pattern that the others have most often; `NO_PATTERN` for none.
    index_sd
        (k,) standard deviation of the pattern index over the shifted windows; NaN where fewer than
        two have one.
    flags
        (k,) names, see `engine.cells.flags`.
    """

    stability: NDArray[np.float64]
    beside: NDArray[np.int64]
    index_sd: NDArray[np.float64]
    flags: tuple[tuple[str, ...], ...]


def window_stability(
    centres_um: NDArray[np.float64],
    shifts_um: NDArray[np.float64],
    xy_um: NDArray[np.float64],
    grades: GroupGrades,
    windows: WindowGrades,
    settings: CellsSettings | None = None,
) -> WindowStability:
    """Grade the windows again at shifted centres; groups keep their grades.

    Parameters
    ----------
    centres_um
        (k, 2) sites, disc frame, um.
    shifts_um
        (k, m, 2) shifts of each site, um, an even sample of the error of its place; NaN where that
        is not known.
    xy_um
        (n, 2) cells, um.
    grades
        Grades of their groups.
    windows
        The windows in place, from the same sites and cells.
    settings
        Settings.

    Returns
    -------
    WindowStability
        One entry a site.

    Raises
    ------
    ValueError
        If shapes do not fit together.
    """
    centres, xy = checked_positions(centres_um), checked_positions(xy_um)
    shifts = np.asarray(shifts_um, dtype=np.float64)
    k = len(centres)
    if shifts.ndim != 3 or shifts.shape[::2] != (k, 2) or len(windows.pattern) != k:
        raise ValueError(
            f"sites differ: {k} centres, {len(windows.pattern)} windows, shifts {shifts.shape}"
        )
    s = settings or CellsSettings()
    order = np.argsort(xy[:, 0], kind="stable")
    x = xy[order, 0]
    stability, index_sd = np.full(k, np.nan), np.full(k, np.nan)
    beside = np.full(k, NO_PATTERN, dtype=np.int64)
    for i, (centre, shift) in enumerate(zip(centres, shifts, strict=True)):
        if not shift.size or not np.isfinite(shift).all():
            continue
        reach = s.windows.sides_um[-1] / 2 + float(np.abs(shift).max())
        low, high = np.searchsorted(x, [centre[0] - reach, centre[0] + reach])
        near = order[low : high + 1]
        near = near[np.abs(xy[near, 1] - centre[1]) <= reach]
        pattern, index = _grade(centre + shift, xy[near], grades, near, s)
        same = pattern == windows.pattern[i]
        stability[i] = same.mean()
        others = pattern[~same & (pattern != NO_PATTERN)]
        if others.size:
            beside[i] = int(np.bincount(others).argmax())
        if np.isfinite(index).sum() > 1:
            index_sd[i] = np.nanstd(index, ddof=1)
    unsure = stability < s.windows.border_below
    return WindowStability(
        stability=stability,
        beside=beside,
        index_sd=index_sd,
        flags=tuple((NEAR_BORDER,) if near else () for near in unsure),
    )


def _grade(
    centres: NDArray[np.float64],
    xy: NDArray[np.float64],
    grades: GroupGrades,
    cells: NDArray[np.int64],
    s: CellsSettings,
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Pattern and index of m windows, (m,) each, by the rules of `engine.cells.windows`."""
    far = np.abs(centres[:, None, :] - xy[None, :, :]).max(axis=2, initial=0.0)
    inside = np.zeros(far.shape, dtype=bool)
    todo = np.ones(len(centres), dtype=bool)
    for side in s.windows.sides_um:
        inside[todo] = far[todo] <= side / 2
        todo &= inside.sum(axis=1) < s.windows.cells_min
    of, sure = grades.cell_pattern[cells], grades.cell_confidence[cells]
    one_hot = (of[:, None] == np.arange(len(PATTERNS))).astype(np.float64)
    weight = inside @ one_hot
    confidence = inside @ (one_hot * sure[:, None])
    first = weight == weight.max(axis=1, keepdims=True)
    surest = np.where(first, confidence, -np.inf)
    best = surest == surest.max(axis=1, keepdims=True)
    pattern = len(PATTERNS) - 1 - best[:, ::-1].argmax(axis=1)
    count = weight.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        index = weight @ np.arange(len(PATTERNS)) / count
    enough = ~todo
    return (
        np.where(enough, pattern, NO_PATTERN).astype(np.int64),
        np.where(enough, index, np.nan),
    )
