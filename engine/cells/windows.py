"""The pattern of the square window round a site."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.cells.grade import GroupGrades
from engine.cells.graph import NeighbourGraph, checked_positions
from engine.cells.patterns import NO_PATTERN, PATTERNS
from engine.cells.settings import CellsSettings


@dataclass(frozen=True)
class WindowGrades:
    """Patterns of k windows.

    Attributes
    ----------
    pattern
        (k,) index of the pattern that most of the window's cells have; -1 with too few cells.
    confidence
        (k,) 0 to 1: mean over the window's cells of the confidence of those that have the pattern
        (others count zero); NaN with too few cells.
    index
        (k,) expected value of the pattern over the cells, 0 to 4; NaN with too few cells.
    window_um
        (k,) side of the window that was used.
    cells
        (k,) cells in it.
    density_per_mm2
        (k,) those cells per area of the window.
    fractions
        (k, 5) share of the window's cells in each pattern; NaN with no cell.
    groups
        (k,) groups that reach into the window.
    flags
        (k,) names, see `engine.cells.flags`.
    """

    pattern: NDArray[np.int64]
    confidence: NDArray[np.float64]
    index: NDArray[np.float64]
    window_um: NDArray[np.float64]
    cells: NDArray[np.int64]
    density_per_mm2: NDArray[np.float64]
    fractions: NDArray[np.float64]
    groups: NDArray[np.int64]
    flags: tuple[tuple[str, ...], ...]


def _inside(
    xy: NDArray[np.float64], order: NDArray[np.int64], centre: NDArray[np.float64], side: float
) -> NDArray[np.int64]:
    """Cells in a square along the disc's axes; ``order`` sorts them by x."""
    x = xy[order, 0]
    first = np.searchsorted(x, centre[0] - side / 2, side="left")
    last = np.searchsorted(x, centre[0] + side / 2, side="right")
    near = order[first:last]
    return np.sort(near[np.abs(xy[near, 1] - centre[1]) <= side / 2])


def _window(
    xy: NDArray[np.float64],
    order: NDArray[np.int64],
    centre: NDArray[np.float64],
    s: CellsSettings,
) -> tuple[float, NDArray[np.int64]]:
    """Smallest of the windows that holds enough cells, else the largest."""
    for side in s.windows.sides_um:
        cells = _inside(xy, order, centre, side)
        if cells.size >= s.windows.cells_min:
            break
    return side, cells


def _dominant(weight: NDArray[Any], sure: NDArray[Any]) -> int:
    """Pattern of the most cells; of equals the surer one, then the one further on."""
    ties = np.flatnonzero(weight == weight.max())
    return int(ties[np.lexsort((ties, sure[ties]))[-1]])


def _names(side: float, cells: int, sure: float, s: CellsSettings) -> tuple[str, ...]:
    if cells < s.windows.cells_min:
        return ("too_few_cells",)
    wide = ("wider_window",) if side > s.windows.sides_um[0] else ()
    return (*wide, "pattern_ambiguous") if sure < s.confidence.ambiguous_below else wide


def grade_windows(
    centres_um: NDArray[np.float64],
    xy_um: NDArray[np.float64],
    graph: NeighbourGraph,
    grades: GroupGrades,
    settings: CellsSettings | None = None,
) -> WindowGrades:
    """Grade the window round each site.

    Groups are graded whole; each that reaches into the window counts by its cells in it. A window
    that cut groups apart would see pieces of strings and clusters, which look like something else.

    Parameters
    ----------
    centres_um
        (k, 2) sites, disc frame, um.
    xy_um
        (n, 2) cells, um.
    graph, grades
        Their neighbours and grades.
    settings
        Settings.

    Returns
    -------
    WindowGrades
        One entry a site.

    Raises
    ------
    ValueError
        If shapes do not fit together or positions are not finite.
    """
    centres, xy = checked_positions(centres_um), checked_positions(xy_um)
    if not len(xy) == len(graph.group) == len(grades.cell_pattern):
        raise ValueError(
            f"cells differ: {len(xy)} positions, {len(graph.group)} in the graph, "
            f"{len(grades.cell_pattern)} graded"
        )
    s = settings or CellsSettings()
    k, patterns = len(centres), len(PATTERNS)
    order = np.argsort(xy[:, 0], kind="stable")
    pattern = np.full(k, NO_PATTERN, dtype=np.int64)
    confidence, index = np.full(k, np.nan), np.full(k, np.nan)
    sides, counts, groups = np.zeros(k), np.zeros(k, np.int64), np.zeros(k, np.int64)
    fractions = np.full((k, patterns), np.nan)
    for i, centre in enumerate(centres):
        sides[i], cells = _window(xy, order, centre, s)
        counts[i] = cells.size
        groups[i] = np.unique(graph.group[cells]).size
        if not cells.size:
            continue
        of = grades.cell_pattern[cells]
        weight = np.bincount(of, minlength=patterns).astype(np.float64)
        sure = np.bincount(of, weights=grades.cell_confidence[cells], minlength=patterns)
        fractions[i] = weight / cells.size
        if cells.size >= s.windows.cells_min:
            pattern[i] = _dominant(weight, sure)
            confidence[i] = sure[pattern[i]] / cells.size
            index[i] = fractions[i] @ np.arange(patterns)
    return WindowGrades(
        pattern=pattern,
        confidence=confidence,
        index=index,
        window_um=sides,
        cells=counts,
        density_per_mm2=counts / (sides * 1e-3) ** 2 if k else np.empty(0),
        fractions=fractions,
        groups=groups,
        flags=tuple(
            _names(float(side), int(n), float(c), s)
            for side, n, c in zip(sides, counts, confidence, strict=True)
        ),
    )
