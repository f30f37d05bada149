"""Where a site lies in the disc frame: its own axes, its outline, its points and pixels.

A site's own frame has its origin at the site's centre; u is turned from the stage's +x by the
site's rotation towards +y, v by a further +90 degrees in the stage frame. Element (row 0, col 0)
has the smallest u and the smallest v.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Footprint:
    """A site's rectangle in the disc frame.

    Attributes
    ----------
    centre_um
        Centre in the disc frame, (2,).
    u_axis, v_axis
        Images of the site's unit axes in the disc frame, (2,) each, dimensionless. Scale and
        mirror of the stage are kept in them.
    width_um, height_um
        Size along u and v, as the stage measured it.
    """

    centre_um: Floats
    u_axis: Floats
    v_axis: Floats
    width_um: float
    height_um: float

    @property
    def matrix(self) -> Floats:
        """Site to disc, (2, 2): columns are ``u_axis`` and ``v_axis``."""
        return np.column_stack([self.u_axis, self.v_axis])

    @property
    def rotation_deg(self) -> float:
        """Direction of u as a table angle in the disc: atan2(-dy, dx), degrees in [0, 180)."""
        return float(self.table_angle(0.0))

    def to_disc(self, u_um: ArrayLike, v_um: ArrayLike) -> tuple[Floats, Floats]:
        """Disc x and y of points (u, v) of the site's own frame, micrometres."""
        u, v = np.asarray(u_um, float), np.asarray(v_um, float)
        x = self.centre_um[0] + u * self.u_axis[0] + v * self.v_axis[0]
        y = self.centre_um[1] + u * self.u_axis[1] + v * self.v_axis[1]
        return np.asarray(x), np.asarray(y)

    def from_disc(self, x_um: ArrayLike, y_um: ArrayLike) -> tuple[Floats, Floats]:
        """Coordinates u and v in the site's own frame of disc points (x, y), micrometres."""
        inverse = np.linalg.inv(self.matrix)
        dx = np.asarray(x_um, float) - self.centre_um[0]
        dy = np.asarray(y_um, float) - self.centre_um[1]
        return (
            np.asarray(inverse[0, 0] * dx + inverse[0, 1] * dy),
            np.asarray(inverse[1, 0] * dx + inverse[1, 1] * dy),
        )

    def corners(self) -> Floats:
        """Disc positions of (-u,-v), (+u,-v), (+u,+v), (-u,+v), shape (4, 2), micrometres."""
        u = np.array([-1, 1, 1, -1]) * self.width_um / 2
        v = np.array([-1, -1, 1, 1]) * self.height_um / 2
        return np.column_stack(self.to_disc(u, v))

    def grid(self, rows: int, cols: int) -> Floats:
        """Disc positions of a map's points, (rows, cols, 2); they span the size edge to edge."""
        return self._mesh(_edge_to_edge(cols, self.width_um), _edge_to_edge(rows, self.height_um))

    def pixel_centres(self, rows: int, cols: int) -> Floats:
        """Disc positions of an image's pixel centres, (rows, cols, 2); pixels tile the size."""
        u = ((np.arange(cols) + 0.5) / cols - 0.5) * self.width_um
        v = ((np.arange(rows) + 0.5) / rows - 0.5) * self.height_um
        return self._mesh(u, v)

    def table_angle(self, site_angle_deg: ArrayLike) -> Floats:
        """Table angles, degrees in [0, 180), of directions in the site's own frame.

        Parameters
        ----------
        site_angle_deg
            Counter-clockwise from +u towards +v, degrees.
        """
        angle = np.radians(np.asarray(site_angle_deg, float))
        dx = np.cos(angle) * self.u_axis[0] + np.sin(angle) * self.v_axis[0]
        dy = np.cos(angle) * self.u_axis[1] + np.sin(angle) * self.v_axis[1]
        turned = np.degrees(np.arctan2(-dy, dx)) % 180.0
        # a tiny negative angle comes out of the remainder as 180 itself
        return np.asarray(np.where(turned >= 180.0, 0.0, turned))

    def _mesh(self, u_um: Floats, v_um: Floats) -> Floats:
        u, v = np.meshgrid(u_um, v_um)
        return np.stack(self.to_disc(u, v), axis=-1)


def _edge_to_edge(count: int, size_um: float) -> Floats:
    return np.zeros(1) if count == 1 else np.linspace(-size_um / 2, size_um / 2, count)
