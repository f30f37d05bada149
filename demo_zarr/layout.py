"""Where an invented disc is measured: bead maps on a loose lattice, images beside some of them."""

from dataclasses import dataclass

import numpy as np

from demo_zarr.recipe import BEAD, NEEDLE, DiscRecipe, ProbeRecipe
from demo_zarr.scene import FloatArray, Scene, part_rng

_RIM_UM = 95.0
_TURNS = (0.0, 20.0, 90.0, -35.0, 0.0, 60.0, 135.0)


@dataclass(frozen=True)
class Site:
    """One measured site.

    Attributes
    ----------
    name, kind, probe
        As in the disc folder.
    number
        Running number within the disc, to draw its own chance from.
    stage_um, disc_um
        Centre in either frame, shape (2,).
    rotation_deg, width_um
        Turn in the stage frame; side of the square.
    px, pixel_nm
        Pixels of the image and their size; 0 without one.
    curves
        Points a side of the grid of curves; 0 without one.
    """

    name: str
    kind: str
    probe: ProbeRecipe
    number: int
    stage_um: FloatArray
    disc_um: FloatArray
    rotation_deg: float
    width_um: float
    px: int
    pixel_nm: float
    curves: int


def _lattice(scene: Scene, rng: np.random.Generator) -> FloatArray:
    """Disc positions of the bead maps, shape (n, 2), in rows across the disc."""
    step = scene.recipe.map_spacing_um
    index = np.arange(-12, 13)
    column, row = np.meshgrid(index, index)
    local = np.column_stack([(column + 0.5 * (row % 2)).ravel(), (row * 3**0.5 / 2).ravel()])
    turn = np.deg2rad(scene.recipe.front_deg)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    points = scene.centre_um + (local * step) @ axes
    points += rng.normal(0, 0.06 * step, points.shape)
    return np.asarray(points[scene.depth_um(points[:, 0], points[:, 1]) > _RIM_UM])


def _spread(damage: FloatArray, count: int) -> list[int]:
    """Pick ``count`` sites spread evenly over the whole range of degeneration."""
    order = np.argsort(damage)
    wanted = np.linspace(damage.min() + 0.01, damage.max() - 0.01, count)
    chosen: list[int] = []
    for value in wanted:
        near = order[np.argsort(np.abs(damage[order] - value), kind="stable")]
        chosen.append(next(int(i) for i in near if int(i) not in chosen))
    return chosen


def _image(recipe: DiscRecipe, index: int) -> tuple[int, float, int]:
    """Pixels, pixel size and curves a side of the image with this index."""
    px = recipe.image_px[index % len(recipe.image_px)]
    pixel_nm = recipe.image_pixel_nm[index % len(recipe.image_pixel_nm)]
    # Curves go to one early and one late image, so that both ends of the story have them.
    places = np.linspace(2, recipe.images - 3, max(recipe.force_images, 1)).astype(int)
    force = recipe.force_images > 0 and index in places.tolist()
    return px, pixel_nm, recipe.force_side if force else 0


def plan_sites(scene: Scene) -> list[Site]:
    """Plan where a disc is measured.

    Parameters
    ----------
    scene
        The disc.

    Returns
    -------
    list of Site
        Bead maps first, then images, each beside a bead map.
    """
    recipe, rng = scene.recipe, part_rng(scene.recipe, 3)
    maps = _lattice(scene, rng)
    stage = np.round(scene.to_stage(maps), 2)
    sites = []
    for i, (point, on_stage) in enumerate(zip(maps, stage, strict=True)):
        turn = _TURNS[i % len(_TURNS)] if i % 5 == 0 else 0.0
        name = f"map-{i + 1:02d}"
        width, side = recipe.map_width_um, recipe.map_side
        sites.append(Site(name, "bead-map", BEAD, i, on_stage, point, turn, width, 0, 0.0, side))
    for j, i in enumerate(_spread(scene.damage(maps[:, 0], maps[:, 1]), recipe.images)):
        turn = rng.uniform(0, 2 * np.pi)
        point = maps[i] + rng.uniform(30, 48) * np.array([np.cos(turn), np.sin(turn)])
        px, pixel_nm, side = _image(recipe, j)
        sites.append(
            Site(
                name=f"net-{j + 1:02d}",
                kind="nano-image",
                probe=NEEDLE,
                number=len(maps) + j,
                stage_um=np.round(scene.to_stage(point[None])[0], 2),
                disc_um=point,
                rotation_deg=_TURNS[j % len(_TURNS)],
                width_um=px * pixel_nm * 1e-3,
                px=px,
                pixel_nm=pixel_nm,
                curves=side,
            )
        )
    return sites
