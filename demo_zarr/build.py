"""Building the demo: disc folders with their truth beside them."""

from collections.abc import Callable
from pathlib import Path

from demo_zarr.folder import write_manifest, write_measured, write_mosaic, write_sites
from demo_zarr.layout import plan_sites
from demo_zarr.measure import measure
from demo_zarr.mosaic import draw_mosaic
from demo_zarr.recipe import DISCS, DiscRecipe
from demo_zarr.scene import make_scene
from demo_zarr.tissue import grow_cells
from demo_zarr.truth import write_truth

Progress = Callable[[str, float], None]
"""``progress(what, share)``: what is being done, and the share of the whole done, 0 to 1."""

TRUTH = "truth"
"""Name of the folder that holds the discs' truth, beside the discs."""


def write_disc(target: Path, recipe: DiscRecipe, progress: Progress | None = None) -> Path:
    """Write one invented disc's folder, and its truth beside it.

    Parameters
    ----------
    target
        Folder in which ``<disc>/`` and ``truth/<disc>/`` are written.
    recipe
        The disc's numbers.
    progress
        Told what is done and how far this disc is.

    Returns
    -------
    Path
        The disc folder. The same recipe always gives the same bytes on one machine.
    """
    tell = progress or (lambda _what, _share: None)
    folder = target / recipe.id
    scene = make_scene(recipe)
    tell(f"{recipe.id}: growing cells", 0.0)
    cells = grow_cells(scene)
    write_manifest(folder, scene)
    write_mosaic(folder, scene, draw_mosaic(scene, cells))
    sites = plan_sites(scene)
    write_sites(folder, sites, recipe.image_suffix)
    taken = []
    for i, site in enumerate(sites):
        tell(f"{recipe.id}: measuring {site.name}", 0.4 + 0.55 * i / len(sites))
        measured = measure(scene, site)
        write_measured(folder, measured, recipe.deflection, recipe.image_suffix)
        taken.append(measured)
    write_truth(target / TRUTH / recipe.id, scene, cells, taken)
    tell(f"{recipe.id}: written", 1.0)
    return folder


def write_folders(target: Path, progress: Progress | None = None) -> list[Path]:
    """Write the demo's disc folders.

    Parameters
    ----------
    target
        Folder in which they are written; made if missing. Files of an earlier build are written
        over.
    progress
        Told what is done and how far the whole is.

    Returns
    -------
    list of Path
        The disc folders, the main disc first.
    """
    tell = progress or (lambda _what, _share: None)
    sizes = [recipe.diameter_um**2 for recipe in DISCS]
    folders, done = [], 0.0
    for recipe, size in zip(DISCS, sizes, strict=True):
        share = size / sum(sizes)

        def part(what: str, of_disc: float, start: float = done, span: float = share) -> None:
            tell(what, start + span * of_disc)

        folders.append(write_disc(target, recipe, part))
        done += share
    return folders
