"""Two further stains of an invented disc: which cells live, and a matrix antibody round them.

A live cell glows to two and a half micrometres beyond its nucleus, a dead one not at all; the
further the degeneration, the fewer live. The antibody marks a shell of matrix round each cell and,
faintly, all of the tissue; both fade with degeneration.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import erf

from demo_zarr.scene import FloatArray, Scene, part_rng, smooth_field
from demo_zarr.tissue import Cells

LIVE, MATRIX = "live", "collagen VI"

_HALF_PX = 18
_DARK = 90.0
_LIVE_COUNTS, _LIVE_REACH_UM = 900.0, 2.5
_SHELL_COUNTS, _SHELL_UM = 1100.0, 3.5
_FIELD_COUNTS = 260.0
_EDGE_UM = 0.8


@dataclass(frozen=True)
class Stained:
    """Stains of a disc's cells.

    Attributes
    ----------
    live
        Whether each cell lives, shape (n,).
    live_counts, shell_counts
        Brightness of its body in the live stain and of its shell in the antibody, shape (n,).
    """

    live: npt.NDArray[np.bool_]
    live_counts: FloatArray
    shell_counts: FloatArray


def stain_cells(scene: Scene, cells: Cells) -> Stained:
    """Decide which cells live and how bright their shells are.

    Parameters
    ----------
    scene
        The disc.
    cells
        Its cells.
    """
    rng = part_rng(scene.recipe, 8)
    damage = scene.damage(cells.x_um, cells.y_um)
    live = rng.random(damage.size) < 0.96 - 0.62 * damage
    glow = np.where(live, _LIVE_COUNTS * rng.lognormal(0, 0.18, damage.size), 0.0)
    shell = _SHELL_COUNTS * (1 - 0.78 * damage) * rng.lognormal(0, 0.12, damage.size)
    return Stained(live, glow, shell)


def _stamp(
    picture: npt.NDArray[np.float32],
    cells: Cells,
    pixel_um: float,
    counts: FloatArray,
    inner_um: float | None,
    outer_um: float,
) -> None:
    """Raise the picture to each cell's body, or to its shell: what overlaps doesn't add up."""
    offset = np.arange(-_HALF_PX, _HALF_PX + 1)
    for i in np.flatnonzero(counts > 0):
        column, row = round(cells.x_um[i] / pixel_um), round(cells.y_um[i] / pixel_um)
        dx = ((column + offset) * pixel_um - cells.x_um[i])[None, :]
        dy = ((row + offset) * pixel_um - cells.y_um[i])[:, None]
        cos, sin, root = np.cos(cells.angle[i]), np.sin(cells.angle[i]), cells.stretch[i] ** 0.5
        away = np.hypot((dx * cos + dy * sin) / root, (dy * cos - dx * sin) * root)
        away -= cells.diameter_um[i] / 2
        light = 0.5 * (1 - erf((away - outer_um) / _EDGE_UM))
        if inner_um is not None:
            light -= 0.5 * (1 - erf((away - inner_um) / _EDGE_UM))
        box = np.s_[row - _HALF_PX : row + _HALF_PX + 1, column - _HALF_PX : column + _HALF_PX + 1]
        part = (counts[i] * light).astype(np.float32)
        np.maximum(picture[box], part, out=picture[box])


def matrix_counts(scene: Scene, x: npt.ArrayLike, y: npt.ArrayLike) -> FloatArray:
    """Brightness of the tissue between the cells in the antibody, above the dark level."""
    edge = 0.5 * (1 + erf(scene.depth_um(x, y) / 8.0))
    return np.asarray(edge * _FIELD_COUNTS * (1 - 0.7 * scene.damage(x, y)))


@dataclass(frozen=True)
class Pictures:
    """Pictures of the two stains.

    Attributes
    ----------
    counts
        Stain to what the camera saw, shape (rows, cols).
    light
        Stain to the same without noise, above the camera's dark level.
    """

    counts: dict[str, npt.NDArray[np.uint16]]
    light: dict[str, npt.NDArray[np.float32]]

    def window_counts(self, pixel_um: float, x_um: float, y_um: float, side_um: float) -> float:
        """Mean light of the antibody in a square."""
        light = self.light[MATRIX]
        first = [int(np.ceil((at - side_um / 2) / pixel_um)) for at in (y_um, x_um)]
        stop = [int(np.floor((at + side_um / 2) / pixel_um)) + 1 for at in (y_um, x_um)]
        return float(light[first[0] : stop[0], first[1] : stop[1]].mean(dtype=np.float64))


def draw_stains(scene: Scene, cells: Cells, stained: Stained) -> Pictures:
    """Draw the pictures of the two stains.

    Parameters
    ----------
    scene, cells, stained
        The disc, its cells, and how they are stained.
    """
    rng, side = part_rng(scene.recipe, 9), scene.side_px
    pixel_um = scene.recipe.pixel_um
    place = np.arange(side) * pixel_um
    cloud = smooth_field(rng, 120.0, 700.0, waves=10)
    counts: dict[str, npt.NDArray[np.uint16]] = {}
    lights: dict[str, npt.NDArray[np.float32]] = {}
    for name in (LIVE, MATRIX):
        picture = np.zeros((side, side), np.float32)
        if name == LIVE:
            _stamp(picture, cells, pixel_um, stained.live_counts, None, _LIVE_REACH_UM)
        else:
            _stamp(picture, cells, pixel_um, stained.shell_counts, 0.0, _SHELL_UM)
        for first in range(0, side, 512):
            rows = slice(first, min(first + 512, side))
            x, y = np.meshgrid(place, place[rows])
            if name == MATRIX:
                picture[rows] += matrix_counts(scene, x, y).astype(np.float32)
            else:
                edge = 0.5 * (1 + erf(scene.depth_um(x, y) / 8.0))
                picture[rows] += (edge * (40.0 + 6.0 * cloud.at(x, y))).astype(np.float32)
        noise = rng.standard_normal(picture.shape, dtype=np.float32)
        noise *= np.sqrt(picture * np.float32(0.8) + np.float32(30.0))
        counts[name] = np.clip(np.rint(picture + noise + _DARK), 0, 65535).astype(np.uint16)
        lights[name] = picture
    return Pictures(counts, lights)
