"""A small analysed disc whose height image n001 has curves over it."""

from pathlib import Path

import folder_kit
import h5py
import maps_simulator as sim
import numpy as np

from engine.analysis import analyse_store
from engine.importing import import_folder

ROWS, COLS = 24, 20
UNTAKEN, UNTOUCHED = 3, 45
"""Curves of n001 that were not taken, and that touch nothing."""
WIDTH_UM, HEIGHT_UM = 3.0, 2.4
ADHESION_NN = np.linspace(0.15, 0.45, ROWS)[:, None]


def truth() -> np.ndarray:
    """Heights at the points of the map, nm; not square, so that a turned map would be seen."""
    return sim.surface(ROWS, COLS)


def modulus_kPa() -> np.ndarray:
    return 150.0 * 4.0 ** np.linspace(0.0, 1.0, COLS)[None, :] * np.ones((ROWS, 1))


def write_curves(path: Path) -> None:
    taken = sim.take(truth(), modulus_kPa())
    d = taken.d_nm.copy()
    d[UNTOUCHED] = 0.1 * np.random.default_rng(2).standard_normal(d.shape[1])
    valid = np.ones(ROWS * COLS, bool)
    valid[UNTAKEN] = False
    back = sim.way_back(sim.Taken(taken.z_nm, d, taken.height_nm, taken.modulus_kPa), ADHESION_NN)
    with h5py.File(path, "w") as file:
        for way, (z, deflection) in {"approach": (taken.z_nm, d), "retract": back}.items():
            for name, values in (("z", z), ("deflection", deflection)):
                data = file.create_dataset(f"{way}/{name}", data=values.reshape(ROWS, COLS, -1))
                data.attrs["unit"] = "nm"
        file["valid"] = valid.reshape(ROWS, COLS)


def make_store(home: Path) -> Path:
    """Maps b001, b002; image n001 with curves, n002 without."""
    sites = folder_kit.default_sites()
    sites[2] |= {
        "probe": "needle",
        "curves": "curves/n001.h5",
        "width_um": WIDTH_UM,
        "height_um": HEIGHT_UM,
        "rotation_deg": 20,
    }
    needle = {"shape": "paraboloid", "radius_nm": 20.0, "spring_constant_N_per_m": sim.K}
    folder = folder_kit.write_folder(
        home / "folder", sites=sites, changes={"probes": {"needle": needle}}
    )
    write_curves(folder / "curves/n001.h5")
    image = sim.surface(240, 300, pixels=True)
    folder_kit.write_height(folder / "topography/n001.tif", image.astype(np.float32))
    store = home / "maps.zarr"
    import_folder(folder, store)
    analyse_store(store)
    return store
