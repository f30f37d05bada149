"""The bead's calibration, invented like the rest: curves on glass, and its free motion."""

from pathlib import Path

import h5py
import numpy as np

from demo_zarr.recipe import CALIBRATION, CalibrationRecipe, ProbeRecipe
from demo_zarr.scene import FloatArray, Scene, part_rng

STIFF, THERMAL = "calibration/bead_glass.h5", "calibration/bead_thermal.h5"
_KT = 1.380649e-5 * CALIBRATION.temperature_K
"""Boltzmann's constant times temperature, N/m nm^2."""


def calibration_table() -> dict[str, object]:
    """Give the table ``[probes.bead.calibration]``."""
    return {
        "stiff_curve": STIFF,
        "thermal": THERMAL,
        "temperature_K": CALIBRATION.temperature_K,
        "beam": "rectangular",
        "tilt_deg": CALIBRATION.tilt_deg,
    }


def free_motion(probe: ProbeRecipe, recipe: CalibrationRecipe, seed: FloatArray) -> FloatArray:
    """Deflection (samples,) in nm that an optical lever sees of the free cantilever.

    Parameters
    ----------
    probe, recipe
        What moves, and how.
    seed
        White noise of unit variance, (samples,).
    """
    f = np.fft.rfftfreq(len(seed), 1 / recipe.rate_Hz)
    x = f / recipe.resonance_Hz
    # along the sample's normal k is larger by 1 / cos^2 of the tilt
    spring = probe.spring_constant_N_per_m * np.cos(np.radians(recipe.tilt_deg)) ** 2
    area = recipe.beam_factor * _KT / spring
    height = area / (np.pi / 2 * recipe.resonance_Hz * recipe.quality)
    power = height / ((x * x - 1) ** 2 + (x / recipe.quality) ** 2)
    power += recipe.white_nm2_per_Hz + recipe.drift_nm2 / np.maximum(f, f[1])
    motion = np.fft.irfft(np.fft.rfft(seed) * np.sqrt(power * recipe.rate_Hz / 2), len(seed))
    return np.asarray(motion, float)


def write_calibration(folder: Path, scene: Scene, probe: ProbeRecipe) -> None:
    """Write a probe's calibration files.

    Parameters
    ----------
    folder
        The disc folder.
    scene
        The disc, for its seed.
    probe
        The probe.
    """
    rng, recipe = part_rng(scene.recipe, 11), CALIBRATION
    (folder / STIFF).parent.mkdir(parents=True, exist_ok=True)
    z = np.linspace(0.0, recipe.ramp_nm, recipe.samples)
    contact = recipe.ramp_nm * rng.uniform(0.5, 0.56, (1, recipe.curves, 1))
    bend = np.maximum(z - contact, 0.0) + rng.normal(0, probe.white_nm, (1, recipe.curves, len(z)))
    with h5py.File(folder / STIFF, "w") as file:
        for name, values, unit in (
            ("z", z, "nm"),
            ("deflection", bend / probe.sensitivity_nm_per_V, "V"),
        ):
            data = file.create_dataset(
                f"approach/{name}", data=values.astype(np.float32), track_times=False
            )
            data.attrs["unit"] = unit
    motion = free_motion(probe, recipe, rng.standard_normal(recipe.record)) / (
        probe.sensitivity_nm_per_V
    )
    scale = float(np.abs(motion).max()) / 32767.0
    with h5py.File(folder / THERMAL, "w") as file:
        stored = np.rint(motion / scale).astype(np.int16)
        data = file.create_dataset("deflection", data=stored, track_times=False)
        data.attrs["unit"], data.attrs["scale"] = "V", scale
        file.attrs["sample_rate_Hz"] = recipe.rate_Hz
