"""Disc folders whose mosaic is a set of tiles, for tests."""

from pathlib import Path

import numpy as np
import tifffile
from folder_kit import PIXEL_UM, write_folder, write_rows
from stitching_simulator import Scan, scan


def small_scan(seed=0, grid=(3, 3), **options) -> Scan:
    """Nine tiles of 200 pixels with an overlap of 40: as small as can be stitched."""
    base = {"shape": (200, 200), "overlap": 0.2, "per_mpx": 1200, "jitter_px": 4.0, "noise": 12.0}
    return scan(seed, grid, **{**base, **options})


def tile_name(number: int) -> str:
    return f"mosaic/t{number:03d}.tif"


def write_tiles(
    path: Path,
    made: Scan,
    *,
    origin_um=(0.0, 0.0),
    channels=("nuclei",),
    images=None,
    compression=None,
) -> None:
    """Write tiles and their table; ``origin_um`` is (x, y) of the first tile."""
    rows = []
    for number, (row, col) in enumerate(made.nominal_px):
        image = made.read(number) if images is None else images(number)
        if len(channels) > 1 and image.ndim == 2:
            image = np.stack([image] * len(channels))
        tifffile.imwrite(path / tile_name(number), image, compression=compression, metadata=None)
        x_um, y_um = origin_um[0] + col * PIXEL_UM, origin_um[1] + row * PIXEL_UM
        rows.append({"file": tile_name(number), "x_um": f"{x_um:.4f}", "y_um": f"{y_um:.4f}"})
    write_rows(path / "mosaic/tiles.csv", rows)


def write_tiled_folder(path: Path, made: Scan, *, sites=None, **options) -> Path:
    """A valid disc folder with tiles instead of one image."""
    channels = options.get("channels", ("nuclei",))
    changes = {"mosaic": {"file": None, "tiles": "mosaic/tiles.csv", "channels": list(channels)}}
    write_folder(path, mosaic=None, changes=changes, sites=sites)
    write_tiles(path, made, **options)
    return path
