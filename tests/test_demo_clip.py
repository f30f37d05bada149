"""The demo's clip shows what the recipe says of the place where it was taken: strings."""

import numpy as np

from demo_zarr.clip import clip_table, take_clip
from demo_zarr.mosaic import draw_mosaic
from demo_zarr.recipe import CLIP, DISCS
from demo_zarr.scene import make_scene
from demo_zarr.tissue import grow_cells
from engine.clips import analyse_clip


def test_strings_ahead_of_the_front() -> None:
    recipe = next(r for r in DISCS if r.filmed)
    scene = make_scene(recipe)
    frames = take_clip(scene, draw_mosaic(scene, grow_cells(scene)))
    assert frames.shape == (CLIP.frames, CLIP.side, CLIP.side)
    pixel_um = clip_table(recipe.pixel_um)["pixel_size_um"]
    found = analyse_clip(frames.__getitem__, len(frames), float(str(pixel_um)))
    assert found.verdict.verdict == "string"
    assert 5 < found.focus.sharp.sum() < CLIP.frames - 5
    assert np.isfinite(found.path.residual_px)
