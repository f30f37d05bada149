"""The demo's stores: folders written, imported and analysed, each step only if it is not done."""

import os
from collections.abc import Callable
from pathlib import Path

from demo_zarr.build import write_folders
from demo_zarr.recipe import DISCS
from engine.analysis import analyse_store
from engine.importing import import_folder
from engine.store.atomic import staged_folder

Progress = Callable[[str, float], None]
"""``progress(what, share)``: what is being done, and the share of the whole done, 0 to 1."""

FOLDERS = "folders"
"""Name of the folder that holds the disc folders and their truth, beside the stores."""


def build_stores(target: Path, progress: Progress | None = None) -> list[Path]:
    """Build the demo's stores where they are not there yet.

    Parameters
    ----------
    target
        Folder of the demo; made if missing.
    progress
        Told what is done and how far the whole is.

    Returns
    -------
    list of Path
        The analysed stores, the main disc first.
    """
    tell = progress or (lambda _what, _share: None)
    stores = [target / f"{recipe.id}.zarr" for recipe in DISCS]
    if not (target / FOLDERS).is_dir():
        with staged_folder(target / FOLDERS) as staged:
            write_folders(staged, _part(tell, "", 0.0, 0.4))
    start, span = 0.4, 0.6 / len(DISCS)
    for recipe, store in zip(DISCS, stores, strict=True):
        folder = target / FOLDERS / recipe.id
        if not (store / "zarr.json").is_file():
            import_folder(folder, store, _part(tell, f"{recipe.id}: import, ", start, 0.3 * span))
        analyse_store(
            store,
            workers=os.cpu_count() or 1,
            progress=_part(tell, f"{recipe.id}: ", start + 0.3 * span, 0.7 * span),
        )
        start += span
    return stores


def _part(tell: Progress, prefix: str, start: float, span: float) -> Progress:
    return lambda what, share: tell(prefix + what, start + span * share)
