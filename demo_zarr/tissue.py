"""Cells of an invented disc: groups laid along the direction field, arranged by degeneration."""

from dataclasses import dataclass
from math import floor

import numpy as np
import numpy.typing as npt

from demo_zarr.scene import FloatArray, Scene, part_rng

IntArray = npt.NDArray[np.int64]

PATTERNS = ("string", "double_string", "small_cluster", "big_cluster", "diffuse")

STEP_UM = 10.4
"""Distance of neighbouring cells within a group."""

GAP_UM = 26.0
"""Least distance of cells of different groups."""

_TRIES_PER_MM2 = 700
# Degeneration at which each pattern is commonest, and how far it reaches to either side.
_PEAKS = np.array([0.02, 0.30, 0.52, 0.74, 0.99])
_REACH = 0.13


@dataclass(frozen=True)
class Cells:
    """Cells in focus, and deep ones that only haze the picture.

    Attributes
    ----------
    x_um, y_um, diameter_um
        Position and diameter, shape (n,).
    stretch, angle
        Long over short axis; direction of the long axis (radians, +x towards +y), shape (n,).
    group
        Index of the group, shape (n,).
    pattern
        Pattern index of each group, shape (groups,).
    deep_xy_um, deep_sigma_um
        Deep cells: position (m, 2) and width (m,).
    """

    x_um: FloatArray
    y_um: FloatArray
    diameter_um: FloatArray
    stretch: FloatArray
    angle: FloatArray
    group: IntArray
    pattern: IntArray
    deep_xy_um: FloatArray
    deep_sigma_um: FloatArray


def pattern_weights(damage: float) -> FloatArray:
    """Probability of each pattern at a degeneration from 0 to 1, shape (5,)."""
    weights = np.exp(-0.5 * ((damage - _PEAKS) / _REACH) ** 2) + 1e-6
    return np.asarray(weights / weights.sum())


def _files(rng: np.random.Generator, files: int, length: int) -> FloatArray:
    """Cells in parallel files, along the first axis, shape (n, 2)."""
    rows = []
    for file in range(files):
        steps = np.maximum(rng.normal(STEP_UM, 0.7, length), 8.0)
        along = np.cumsum(steps) + file * rng.uniform(0, 0.5) * STEP_UM
        across = rng.normal(0, 0.7, length) + (file - (files - 1) / 2) * 9.6
        rows.append(np.column_stack([along, across]))
    cells = np.concatenate(rows)
    return np.asarray(cells - cells.mean(axis=0))


def _knot(rng: np.random.Generator, cells: int) -> FloatArray:
    """Cells packed round a point, shape (n, 2)."""
    index = np.arange(-3, 4)
    column, row = np.meshgrid(index, index)
    lattice = np.column_stack([(column + 0.5 * row).ravel(), (row * 3**0.5 / 2).ravel()])
    centre = rng.uniform(0, 0.5, 2)
    order = np.argsort(np.hypot(*(lattice - centre).T))[:cells]
    return np.asarray((lattice[order] - centre) * (STEP_UM - 0.4) + rng.normal(0, 0.8, (cells, 2)))


def _shape(rng: np.random.Generator, pattern: int) -> FloatArray:
    """Cells of one group round its centre, first axis along the tissue, shape (n, 2)."""
    if pattern == 0:
        return _files(rng, 1, int(rng.integers(4, 9)))
    if pattern == 1:
        return _files(rng, 2, int(rng.integers(4, 7)))
    if pattern == 2:
        return _knot(rng, int(rng.integers(3, 6)))
    if pattern == 3:
        return _knot(rng, int(rng.integers(10, 17)))
    return _files(rng, 1, int(rng.random() < 0.35) + 1)


class _Crowd:
    """Cells placed so far, by square of the least distance."""

    def __init__(self) -> None:
        self._squares: dict[tuple[int, int], list[tuple[float, float]]] = {}

    def is_free(self, cells: list[tuple[float, float]]) -> bool:
        """Whether no cell lies within the least distance of the ones offered."""
        return not any(self._near(x, y) for x, y in cells)

    def _near(self, x: float, y: float) -> bool:
        i, j = floor(x / GAP_UM), floor(y / GAP_UM)
        for column in (i - 1, i, i + 1):
            for row in (j - 1, j, j + 1):
                for a, b in self._squares.get((column, row), ()):
                    if (a - x) ** 2 + (b - y) ** 2 < GAP_UM**2:
                        return True
        return False

    def add(self, cells: list[tuple[float, float]]) -> None:
        """Place cells."""
        for x, y in cells:
            square = (floor(x / GAP_UM), floor(y / GAP_UM))
            self._squares.setdefault(square, []).append((x, y))


def _place(scene: Scene, rng: np.random.Generator) -> tuple[list[FloatArray], list[int]]:
    """Lay groups one after another where there is room; their cells, and their patterns."""
    size = scene.recipe.diameter_um
    tries = int(_TRIES_PER_MM2 * size**2 * 1e-6)
    centres = rng.uniform(scene.centre_um - size / 2, scene.centre_um + size / 2, (tries, 2))
    damage = scene.damage(centres[:, 0], centres[:, 1])
    turn = scene.direction(centres[:, 0], centres[:, 1]) + rng.normal(0, 0.12, tries)
    inside = scene.depth_um(centres[:, 0], centres[:, 1]) > 15.0
    crowd, groups, patterns = _Crowd(), [], []
    for i in np.flatnonzero(inside):
        pattern = int(rng.choice(5, p=pattern_weights(float(damage[i]))))
        local = _shape(rng, pattern)
        axis = np.array([[np.cos(turn[i]), np.sin(turn[i])], [-np.sin(turn[i]), np.cos(turn[i])]])
        cells = centres[i] + local @ axis
        offered = [(float(x), float(y)) for x, y in cells]
        if scene.depth_um(cells[:, 0], cells[:, 1]).min() > 12.0 and crowd.is_free(offered):
            crowd.add(offered)
            groups.append(cells)
            patterns.append(pattern)
    return groups, patterns


def grow_cells(scene: Scene) -> Cells:
    """Grow a disc's cells.

    Parameters
    ----------
    scene
        The disc.

    Returns
    -------
    Cells
        The same for the same scene.
    """
    rng = part_rng(scene.recipe, 1)
    groups, patterns = _place(scene, rng)
    xy = np.concatenate(groups)
    n = xy.shape[0]
    deep = int(0.1 * n)
    turn, reach = rng.uniform(0, 2 * np.pi, deep), np.sqrt(rng.random(deep)) * 0.97
    distance = reach * scene.radius_um(turn)
    return Cells(
        x_um=xy[:, 0],
        y_um=xy[:, 1],
        diameter_um=rng.normal(6.6, 0.45, (n,)).clip(5.2, 8.0),
        stretch=rng.uniform(1.0, 1.35, (n,)),
        angle=scene.direction(xy[:, 0], xy[:, 1]) + rng.normal(0, 0.3, n),
        group=np.repeat(np.arange(len(groups)), [len(group) for group in groups]),
        pattern=np.array(patterns, dtype=np.int64),
        deep_xy_um=scene.centre_um
        + np.column_stack([np.cos(turn), np.sin(turn)]) * distance[:, None],
        deep_sigma_um=rng.uniform(7.0, 14.0, deep),
    )
