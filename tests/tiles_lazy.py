"""A mosaic of any size whose tiles are made when they are read, for tests of memory."""

import numpy as np

from engine.intake.mosaic import MosaicSource, RawMosaic
from engine.intake.report import Report
from engine.intake.stitched import stitched_mosaic
from engine.intake.tiles import TileRow, TileStack

TILE = 1024
STEP = 922
PIXEL_UM = 0.65
_PERIOD = 4096
"""The scene repeats after so many pixels: it needs no more memory than this square."""


def _scene(seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    scene = rng.normal(400, 20, (_PERIOD, _PERIOD)).astype(np.float32)
    y, x = np.mgrid[-12:13, -12:13]
    spot = (300 * np.exp(-(x**2 + y**2) / (2 * 3.7**2))).astype(np.float32)
    for row, col in rng.integers(12, _PERIOD - 13, (8000, 2)):
        scene[row - 12 : row + 13, col - 12 : col + 13] += spot
    return scene.astype(np.uint16)


def lazy_source(rows_px: int, cols_px: int, seed: int = 0, channels: int = 2):
    """A stitched source of about so many pixels, and the true errors of its tiles, whole pixels."""
    scene = _scene(seed)
    rng = np.random.default_rng(seed + 1)
    down, across = (max(1, -(-(n - TILE) // STEP) + 1) for n in (rows_px, cols_px))
    at = STEP * np.stack(np.meshgrid(np.arange(down), np.arange(across), indexing="ij"), -1)
    at = at.reshape(-1, 2)
    error = rng.integers(-12, 13, at.shape)
    rows, tiles = [], []
    for number, (nominal, true) in enumerate(zip(at, at + error, strict=True)):
        x_um, y_um = nominal[1] * PIXEL_UM, nominal[0] * PIXEL_UM
        rows.append(TileRow(f"t{number}.tif", x_um, y_um, number + 2))
        tiles.append(_tile(scene, true, channels))
    report = Report("tiles.csv")
    stack = TileStack(tuple(rows), tuple(tiles), report)
    names = ("nuclei", *(f"stain {i}" for i in range(1, channels)))
    raw = tiles[0]
    as_one = MosaicSource(names, PIXEL_UM, raw.shape, raw.dtype, raw.rows_at_once, raw, report)
    source = stitched_mosaic(stack, as_one, report)
    assert source is not None, report.defects
    return source, error


def _tile(scene: np.ndarray, first: np.ndarray, channels: int) -> RawMosaic:
    cols = (first[1] + np.arange(TILE)) % _PERIOD

    def read_rows(channel: int, start: int, stop: int) -> np.ndarray:
        rows = (first[0] + np.arange(start, stop) + 1000 * channel) % _PERIOD
        return scene[np.ix_(rows, cols)]

    return RawMosaic((channels, TILE, TILE), scene.dtype, 128, read_rows, None)
