"""An invented clip of a hand-held endoscope: a shaking window over the disc's own mosaic."""

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import tifffile
from scipy.ndimage import gaussian_filter, map_coordinates

from demo_zarr.recipe import CLIP, ClipRecipe
from demo_zarr.scene import FloatArray, Scene, part_rng

FILE = "clips/hand.tif"


def clip_table(pixel_um: float) -> dict[str, object]:
    """Give the table ``[[clips]]``; ``pixel_um`` is the mosaic's."""
    return {
        "file": FILE,
        "pixel_size_um": round(CLIP.coarser * pixel_um, 4),
        "note": "invented: a shaking window over this disc's mosaic",
    }


def _walk(rng: np.random.Generator, recipe: ClipRecipe) -> FloatArray:
    """Places (row, col) of the window's middle about where it starts, clip pixels."""
    pace = gaussian_filter(rng.normal(size=(recipe.frames, 2)), (3.0, 0.0))
    pace *= recipe.step_px / np.sqrt((pace**2).sum(axis=1).mean())
    way = np.cumsum(pace, axis=0)
    return np.asarray(way - way.mean(axis=0))


def take_clip(scene: Scene, picture: npt.NDArray[np.uint16]) -> npt.NDArray[np.uint8]:
    """Frames of the clip.

    Parameters
    ----------
    scene
        The disc.
    picture
        Its mosaic, (rows, cols).

    Returns
    -------
    ndarray
        (frames, side, side).
    """
    rng, recipe = part_rng(scene.recipe, 12), CLIP
    front = np.radians(scene.recipe.front_deg)
    ahead = -recipe.ahead_um * np.array([np.cos(front), np.sin(front)])
    middle = (scene.centre_um + ahead)[::-1] / scene.recipe.pixel_um
    way = _walk(rng, recipe)
    shake = np.abs(gaussian_filter(rng.normal(size=recipe.frames), 1.5))
    blur = recipe.blur_px * (0.3 + np.clip(shake / shake.std() - 0.8, 0.0, 1.6) ** 2)
    grid = np.arange(recipe.side) - (recipe.side - 1) / 2
    radius2 = (grid[:, None] ** 2 + grid[None] ** 2) / (recipe.side / 2) ** 2
    shade = 1.0 - recipe.vignette * radius2 / 2.0
    low, high = np.percentile(picture[picture > 0], (2.0, 99.9))
    frames, light = [], (picture.astype(np.float32) - low) / (high - low)
    for at, sigma in zip(way, blur, strict=True):
        rows = middle[0] + recipe.coarser * (at[0] + grid)
        cols = middle[1] + recipe.coarser * (at[1] + grid)
        place = np.meshgrid(rows, cols, indexing="ij")
        seen = map_coordinates(light, place, order=1, mode="nearest")
        bright = gaussian_filter(seen, sigma) * shade
        counts = recipe.brightest * np.clip(bright + 0.06, 0.0, None) * rng.normal(1.0, 0.02)
        noisy = rng.poisson(counts * recipe.photons) / recipe.photons
        frames.append(np.clip(np.rint(noisy), 0, 255).astype(np.uint8))
    return np.stack(frames)


def write_clip(folder: Path, scene: Scene, picture: npt.NDArray[Any]) -> None:
    """Write the clip as multi-page TIFF."""
    path = folder / FILE
    path.parent.mkdir(parents=True, exist_ok=True)
    tifffile.imwrite(
        path,
        take_clip(scene, picture),
        photometric="minisblack",
        metadata=None,
        software="splendens demo",
        compression="zlib",
    )
