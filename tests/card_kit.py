"""A small analysed disc for the tests of the site card: what each site holds is known."""

from pathlib import Path

import folder_kit
import numpy as np

from engine.analysis import analyse_store
from engine.importing import import_folder

MODULUS_KPA = folder_kit.MODULUS_KPA
UNTAKEN, UNTOUCHED, STEPPED = 3, 6, 9
"""Curves of b001 with a known fault: NaN, no contact, a step in the deflection."""
PERIOD_NM = 67.0
NOTE = "<b>said</b> to be wet"


def banded_height(rng: np.random.Generator) -> np.ndarray:
    """Half cylinders 140 nm thick along v, banded every 67 nm, pixels of 5 nm."""
    v, u = np.mgrid[:256, :256] * 5.0
    across = (u % 213.0) - 106.0
    height = np.sqrt(np.clip(70.0**2 - across**2, 0, None))
    height += np.where(np.abs(across) < 60, 4 * np.cos(2 * np.pi * v / PERIOD_NM), 0)
    return (height + rng.normal(0, 0.3, u.shape)).astype(np.float32)


def faulty_curves(rng: np.random.Generator) -> dict[str, np.ndarray]:
    """A map of 4 x 4 with three faults."""
    data = folder_kit.make_curves(rng)
    for name in ("approach", "retract"):
        flat = data[name].reshape(16, -1)
        flat[UNTOUCHED] = rng.normal(0, 0.3, flat.shape[1])
    data["approach"].reshape(16, -1)[STEPPED, 100:] += 60.0
    return data


def write_curves(path: Path, data: dict[str, np.ndarray]) -> None:
    import h5py

    folder_kit.write_curves(path, **data)
    with h5py.File(path, "a") as file:
        valid = np.ones((4, 4), bool)
        valid.flat[UNTAKEN] = False
        file["valid"] = valid


def make_store(home: Path) -> Path:
    """Write, import and analyse the disc ``tiny-1``: maps b001, b002, images n001, n002."""
    rng = np.random.default_rng(5)
    sites = folder_kit.default_sites()
    sites[0]["note"] = NOTE
    folder = folder_kit.write_folder(home / "folder", sites=sites)
    write_curves(folder / "curves/b001.h5", faulty_curves(rng))
    folder_kit.write_height(folder / "topography/n001.tif", banded_height(rng))
    flat = np.zeros((64, 64), np.float32) + rng.normal(0, 0.5, (64, 64)).astype(np.float32)
    folder_kit.write_height(folder / "topography/n002.tif", flat)
    store = home / "tiny.zarr"
    import_folder(folder, store)
    analyse_store(store)
    return store
