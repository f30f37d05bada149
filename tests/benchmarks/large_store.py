"""A store with one large map of sound curves, written through a disc folder, for benchmarks."""

from pathlib import Path

import curve_simulator
import folder_kit
import h5py
import numpy as np

from engine.importing import import_folder
from engine.mechanics import Tip

SCALE_V = 3e-4
KINDS = 256


def write_map(path: Path, rows: int, cols: int, samples: int, *, retract: bool = False) -> None:
    """A curve file of rows x cols curves in 16-bit volts on one drive, each with its own noise."""
    tip = Tip("sphere", 1e3 * folder_kit.RADIUS_UM)
    z, clean, _ = curve_simulator.curves(KINDS, samples, tip=tip, white_nm=0.0)
    volts = clean / (folder_kit.SENSITIVITY_NM_PER_V * SCALE_V)
    noise = 0.15 / (folder_kit.SENSITIVITY_NM_PER_V * SCALE_V)
    rng = np.random.default_rng(0)
    with h5py.File(path, "w") as file:
        for name in ("approach", "retract") if retract else ("approach",):
            turn = slice(None, None, -1 if name == "retract" else 1)
            drive = file.create_dataset(f"{name}/z", data=z[turn])
            drive.attrs["unit"] = "nm"
            deflection = file.create_dataset(
                f"{name}/deflection", (rows, cols, samples), "i2", chunks=(1, cols, samples)
            )
            deflection.attrs.update({"unit": "V", "scale": SCALE_V, "offset": 0.0})
            for row in range(rows):
                pick = rng.integers(0, KINDS, cols)
                values = volts[pick][:, turn] + noise * rng.standard_normal((cols, samples))
                deflection[row] = np.round(values).astype(np.int16)


def large_store(home: Path, rows: int, cols: int, samples: int, *, retract: bool = False) -> Path:
    """Write a disc folder whose site ``big`` is such a map, and import it."""
    sites = [folder_kit.site("big", 60, 60)]
    folder = folder_kit.write_folder(home / "folder", sites=sites)
    write_map(folder / "curves/big.h5", rows, cols, samples, retract=retract)
    import_folder(folder, home / "big.zarr")
    return home / "big.zarr"
