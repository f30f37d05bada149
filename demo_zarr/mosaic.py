"""The fluorescence picture of an invented disc's cells."""

import numpy as np
import numpy.typing as npt
from scipy.special import erf

from demo_zarr.scene import FloatArray, Scene, part_rng, smooth_field
from demo_zarr.tissue import Cells

_HALF_PX = 11
_COARSE = 8
_FIELD_PX = 1024
_DARK = 120.0
_TISSUE = 210.0
_NUCLEUS = 1500.0


def _upsample(coarse: FloatArray, side: int) -> npt.NDArray[np.float32]:
    """Linear interpolation of a coarse square picture to ``side`` pixels."""
    place = np.clip((np.arange(side) + 0.5) / _COARSE - 0.5, 0, coarse.shape[0] - 1)
    low = np.minimum(place.astype(np.int64), coarse.shape[0] - 2)
    share = (place - low).astype(np.float32)
    small = coarse.astype(np.float32)
    rows = small[low] * (1 - share)[:, None] + small[low + 1] * share[:, None]
    return np.asarray(rows[:, low] * (1 - share) + rows[:, low + 1] * share)


def _haze(scene: Scene, cells: Cells, rng: np.random.Generator) -> FloatArray:
    """Tissue's own light and deep cells, on a grid ``_COARSE`` times coarser."""
    side = scene.side_px // _COARSE + 2
    place = (np.arange(side) * _COARSE + (_COARSE - 1) / 2.0) * scene.recipe.pixel_um
    x, y = np.meshgrid(place, place)
    edge = 0.5 * (1 + erf(scene.depth_um(x, y) / 8.0))
    cloud = smooth_field(rng, 150.0, 900.0, waves=12).at(x, y)
    light = edge * (_TISSUE + 26.0 * cloud)
    step = scene.recipe.pixel_um * _COARSE
    for (deep_x, deep_y), sigma in zip(cells.deep_xy_um, cells.deep_sigma_um, strict=True):
        half = int(3.5 * sigma / step) + 1
        column, row = int(deep_x / step), int(deep_y / step)
        box = np.s_[max(row - half, 0) : row + half + 1, max(column - half, 0) : column + half + 1]
        square = (x[box] - deep_x) ** 2 + (y[box] - deep_y) ** 2
        light[box] += rng.uniform(70, 190) * np.exp(-0.5 * square / sigma**2)
    return light


def _add_nuclei(
    picture: npt.NDArray[np.float32], cells: Cells, pixel_um: float, rng: np.random.Generator
) -> None:
    """Add each nucleus as a blurred ellipse."""
    n = cells.x_um.size
    column, row = np.rint(cells.x_um / pixel_um), np.rint(cells.y_um / pixel_um)
    offset = np.arange(-_HALF_PX, _HALF_PX + 1)
    dx = ((column[:, None] + offset) * pixel_um - cells.x_um[:, None])[:, None, :]
    dy = ((row[:, None] + offset) * pixel_um - cells.y_um[:, None])[:, :, None]
    cos, sin = np.cos(cells.angle)[:, None, None], np.sin(cells.angle)[:, None, None]
    root = np.sqrt(cells.stretch)[:, None, None]
    reach = np.hypot((dx * cos + dy * sin) / root, (dy * cos - dx * sin) * root)
    blur = rng.uniform(0.7, 1.1, n)[:, None, None]
    light = 0.5 * (1 - erf((reach - cells.diameter_um[:, None, None] / 2) / (2**0.5 * blur)))
    light *= (_NUCLEUS * rng.lognormal(0, 0.22, n))[:, None, None]
    rows = (row[:, None] + offset).astype(np.int64)[:, :, None]
    columns = (column[:, None] + offset).astype(np.int64)[:, None, :]
    np.add.at(picture, (rows, columns), light.astype(np.float32))


def _add_specks(picture: npt.NDArray[np.float32], side: int, rng: np.random.Generator) -> None:
    """Add dust: a few bright points far smaller than a nucleus."""
    count = side // 40
    rows, columns = rng.integers(2, side - 2, count), rng.integers(2, side - 2, count)
    light = rng.uniform(500, 1800, count).astype(np.float32)
    for dr, dc, share in ((0, 0, 1.0), (0, 1, 0.5), (1, 0, 0.5), (0, -1, 0.5), (-1, 0, 0.5)):
        picture[rows + dr, columns + dc] += np.float32(share) * light


def _shade(side: int) -> npt.NDArray[np.float32]:
    """Fall of the light towards the rim of each field of view, along one axis."""
    place = (np.arange(side) % _FIELD_PX) / _FIELD_PX - 0.5
    return np.asarray(1.0 - 0.16 * place**2, dtype=np.float32)


def draw_mosaic(scene: Scene, cells: Cells) -> npt.NDArray[np.uint16]:
    """Draw the mosaic of a disc's nuclei.

    Parameters
    ----------
    scene
        The disc.
    cells
        Its cells.

    Returns
    -------
    array
        Counts, shape (rows, cols); pixel (r, c) has its centre at (c, r) times the pixel size.
    """
    rng = part_rng(scene.recipe, 2)
    side = scene.side_px
    picture = _upsample(_haze(scene, cells, rng), side)
    _add_nuclei(picture, cells, scene.recipe.pixel_um, rng)
    _add_specks(picture, side, rng)
    shade = _shade(side)
    picture *= shade[:, None] * shade
    noise = rng.standard_normal(picture.shape, dtype=np.float32)
    noise *= np.sqrt(picture * np.float32(0.8) + np.float32(36.0))
    picture += noise
    picture += np.float32(_DARK)
    return np.clip(np.rint(picture), 0, 65535).astype(np.uint16)
