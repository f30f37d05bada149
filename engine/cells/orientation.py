"""Which way the strings run, as a field over the disc."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from engine.cells.grade import GroupGrades
from engine.cells.graph import checked_positions
from engine.cells.patterns import DOUBLE_STRING, STRING


@dataclass(frozen=True)
class OrientationField:
    """Direction of strings round points.

    Attributes
    ----------
    angle_deg
        (k,) direction, degrees in [0, 180), counter-clockwise from +x as the picture is seen; NaN
        without support.
    order
        (k,) 0 (strings run every way) to 1 (all one way); NaN without support.
    support_cells
        (k,) cells of strings that speak here, each by its kernel weight (1 at the point itself).
    """

    angle_deg: NDArray[np.float64]
    order: NDArray[np.float64]
    support_cells: NDArray[np.float64]


def orientation_field(
    points_um: NDArray[np.float64],
    grades: GroupGrades,
    scale_um: float = 100.0,
    support_min_cells: float = 3.0,
) -> OrientationField:
    """Direction of the strings and double strings round points.

    The axes of the groups are averaged as doubled angles (an axis has no head), weighted by their
    cells and by a Gaussian of the distance of their centroids.

    Parameters
    ----------
    points_um
        (k, 2) points, disc frame.
    grades
        Graded groups.
    scale_um
        Standard deviation of the Gaussian.
    support_min_cells
        Below this weighted number of cells nothing is said.

    Raises
    ------
    ValueError
        If the points are not (k, 2) or the scale is not positive.
    """
    points = checked_positions(points_um)
    if scale_um <= 0:
        raise ValueError(f"scale_um must be > 0, got {scale_um}")
    strings = np.isin(grades.pattern, (STRING, DOUBLE_STRING)) & np.isfinite(grades.angle_deg)
    centre = np.column_stack([grades.x_um, grades.y_um])[strings]
    doubled = np.exp(2j * np.radians(grades.angle_deg[strings]))
    square = np.sum((points[:, None, :] - centre[None, :, :]) ** 2, axis=2)
    weight = np.exp(-0.5 * square / scale_um**2) * grades.cells[strings]
    support = weight.sum(axis=1)
    told = support >= support_min_cells
    mean = np.divide(
        weight @ doubled, support, out=np.full(len(points), np.nan + 0j), where=told & (support > 0)
    )
    angle = np.degrees(0.5 * np.angle(mean)) % 180.0
    return OrientationField(angle, np.abs(mean), support)
