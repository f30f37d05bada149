"""Building the demo: disc folders with their truth beside them, and the stores from them."""

import hashlib
import os
from collections.abc import Callable, Sequence
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from demo_zarr.calibration import write_calibration
from demo_zarr.clip import write_clip
from demo_zarr.folder import write_manifest, write_measured, write_mosaic, write_sites
from demo_zarr.layout import plan_sites
from demo_zarr.measure import measure
from demo_zarr.mosaic import draw_mosaic
from demo_zarr.recipe import BEAD, DISCS, DiscRecipe
from demo_zarr.scene import make_scene
from demo_zarr.stains import draw_stains, stain_cells
from demo_zarr.tissue import grow_cells
from demo_zarr.truth import write_stain_truth, write_truth

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
    stained = stain_cells(scene, cells) if len(recipe.channels) > 1 else None
    stains = None if stained is None else draw_stains(scene, cells, stained)
    pictures = {"nuclei": draw_mosaic(scene, cells)} | (stains.counts if stains else {})
    write_mosaic(folder, scene, np.stack([pictures[name] for name in recipe.channels]))
    if recipe.calibrated:
        write_calibration(folder, scene, BEAD)
    if recipe.filmed:
        write_clip(folder, scene, pictures["nuclei"])
    sites = plan_sites(scene)
    write_sites(folder, sites, recipe.image_suffix)
    taken = []
    for i, site in enumerate(sites):
        tell(f"{recipe.id}: measuring {site.name}", 0.4 + 0.55 * i / len(sites))
        measured = measure(scene, site)
        write_measured(folder, measured, recipe.deflection, recipe.image_suffix)
        taken.append(measured)
    write_truth(target / TRUTH / recipe.id, scene, cells, taken)
    if stained is not None and stains is not None:
        write_stain_truth(target / TRUTH / recipe.id, scene, stained, stains, taken)
    tell(f"{recipe.id}: written", 1.0)
    return folder


def write_folders(
    target: Path, progress: Progress | None = None, recipes: Sequence[DiscRecipe] = DISCS
) -> list[Path]:
    """Write the demo's disc folders.

    Parameters
    ----------
    target
        Folder in which they are written; made if missing. Files of an earlier build are written
        over.
    progress
        Told what is done and how far the whole is.
    recipes
        The discs.

    Returns
    -------
    list of Path
        The disc folders, the main disc first.
    """
    tell = progress or (lambda _what, _share: None)
    folders = []
    for recipe, start, span in _shares(recipes):
        folders.append(write_disc(target, recipe, _part(tell, start, span)))
    return folders


def _shares(recipes: Sequence[DiscRecipe]) -> list[tuple[DiscRecipe, float, float]]:
    """Where in the whole each disc's work begins, and its share, by area."""
    sizes = [recipe.diameter_um**2 for recipe in recipes]
    total = sum(sizes)
    return [(recipe, sum(sizes[:i]) / total, sizes[i] / total) for i, recipe in enumerate(recipes)]


def _part(tell: Progress, start: float, span: float) -> Progress:
    """Progress of a part, told as progress of the whole."""
    return lambda what, share: tell(what, start + span * share)


def _stamp(recipes: Sequence[DiscRecipe]) -> str:
    """Digest of the recipes and of the code that follows them."""
    digest = hashlib.sha256(repr(tuple(recipes)).encode())
    for source in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(source.read_bytes())
    return digest.hexdigest()


def build_stores(
    target: Path,
    progress: Progress | None = None,
    recipes: Sequence[DiscRecipe] = DISCS,
    workers: int | None = None,
) -> list[Path]:
    """Build the demo's stores, analysed; what is there already is kept.

    Parameters
    ----------
    target
        Folder in which ``<disc>.zarr`` are built, and under ``folders/`` what they are built from.
    progress
        Told what is done and how far the whole is.
    recipes
        The discs.
    workers
        Processes of the analysis; None takes two where there are two.

    Returns
    -------
    list of Path
        The stores, the main disc first.
    """
    # Imported here: writing folders needs none of the engine's compiled kernels.
    from engine.analysis import analyse_store
    from engine.importing import import_folder
    from engine.mechanics import warm_up

    tell = progress or (lambda _what, _share: None)
    count = min(2, os.cpu_count() or 1) if workers is None else workers
    stores = [target / f"{recipe.id}.zarr" for recipe in recipes]
    stamp_file, stamp = target / "built.txt", _stamp(recipes)
    built = stamp_file.is_file() and stamp_file.read_text(encoding="utf-8") == stamp
    if not built or not all(store.is_dir() for store in stores):
        if count > 1:
            # on a new machine the fit is compiled while the folders are being written
            get_context("spawn").Process(target=warm_up, daemon=True).start()
        folders = write_folders(target / "folders", _part(tell, 0.0, 0.25), recipes)
        for folder, store, (_, start, span) in zip(folders, stores, _shares(recipes), strict=True):
            import_folder(folder, store, _part(tell, 0.25 + 0.2 * start, 0.2 * span))
        stamp_file.write_text(stamp, encoding="utf-8")
    for store, (_, start, span) in zip(stores, _shares(recipes), strict=True):
        analyse_store(store, workers=count, progress=_part(tell, 0.45 + 0.55 * start, 0.55 * span))
    tell("demo ready", 1.0)
    return stores
