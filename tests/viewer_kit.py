"""A tiny disc on its way through the whole tool, for the viewer's tests."""

from pathlib import Path

import numpy as np
from folder_kit import image_site, site, write_folder

SITES = {
    "b001": (60.0, 80.0),
    "b002": (140.0, 110.0),
    "b003": (120.0, 60.0),
    "n001": (100.0, 150.0),
}
"""Centres in the disc frame, micrometres."""
MOSAIC_PX = 320


def mosaic(seed: int = 3) -> np.ndarray:
    """Tissue with three files of nuclei and some lone ones."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:MOSAIC_PX, :MOSAIC_PX]
    half = MOSAIC_PX / 2
    image = 250.0 * ((x - half) ** 2 + (y - half) ** 2 < (0.48 * MOSAIC_PX) ** 2)
    files = [(70, 90, 0.3), (200, 120, 1.2), (150, 230, 0.8)]
    spots = [
        (cx + 18 * k * np.cos(a), cy + 18 * k * np.sin(a)) for cx, cy, a in files for k in range(5)
    ]
    spots += [(60, 190), (100, 260), (250, 220)]
    for cx, cy in spots:
        image += 2200 * np.exp(-(((x - cx) ** 2 + (y - cy) ** 2) / (2 * 4.0**2)))
    return np.clip(image + rng.normal(110, 12, image.shape), 0, 65535).astype(np.uint16)


def tiny_folder(path: Path, name: str = "tiny-1", donor: str = "sheep-1") -> Path:
    rows = [
        image_site(k, x, y, "tif") if k.startswith("n") else site(k, x, y)
        for k, (x, y) in SITES.items()
    ]
    changes = {"disc": {"id": name, "donor": donor, "diameter_mm": 0.2}, "mosaic": {}}
    return write_folder(path, mosaic=mosaic(), sites=rows, changes=changes)


def tiny_store(path: Path, name: str = "tiny-1", analysed: bool = True) -> Path:
    """Import, and unless told otherwise analyse, the tiny disc; gives the store's path."""
    from engine.analysis import analyse_store
    from engine.importing import import_folder

    store = path / f"{name}.zarr"
    import_folder(tiny_folder(path / f"{name}-folder", name), store)
    if analysed:
        analyse_store(store)
    return store
