"""What looks wrong in readable curves: cautions, never changes."""

import numpy as np
from numpy.typing import NDArray


def points_inside(xy_um: NDArray[np.float64], outline_um: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether points lie inside a polygon, by the even-odd rule, (n,).

    Parameters
    ----------
    xy_um
        Points, (n, 2).
    outline_um
        Corners of the polygon in order, (m, 2); it need not be closed.
    """
    x, y = xy_um[:, 0], xy_um[:, 1]
    inside = np.zeros(len(x), bool)
    for (ax, ay), (bx, by) in zip(outline_um, np.roll(outline_um, -1, axis=0), strict=True):
        if ay == by:
            continue
        crosses = ((ay > y) != (by > y)) & (x < (bx - ax) * (y - ay) / (by - ay) + ax)
        inside ^= crosses
    return inside
