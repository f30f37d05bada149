"""Calibration files with known truth, for a folder of the folder kit."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import tomli_w
from folder_kit import SENSITIVITY_NM_PER_V, SPRING_N_PER_M, manifest, without_nones, write_folder

from engine.mechanics import BEAM_FACTORS
from engine.mechanics.thermal import BOLTZMANN

RATE_HZ = 250e3
RESONANCE_HZ = 9e3
QUALITY = 3.0
TEMPERATURE_K = 298.15
STIFF = "calibration/bead_stiff.h5"
THERMAL = "calibration/bead_thermal.h5"


def density(
    frequency_Hz: np.ndarray,
    spring: float,
    resonance_Hz: float = RESONANCE_HZ,
    quality: float = QUALITY,
    beam: float = BEAM_FACTORS["rectangular"],
    white: float = 2e-9,
    drift: float = 0.0,
) -> np.ndarray:
    """Spectrum that an optical lever sees of a beam with this spring constant, nm^2/Hz."""
    x = frequency_Hz / resonance_Hz
    area = beam * BOLTZMANN * TEMPERATURE_K / spring
    height = area / (np.pi / 2 * resonance_Hz * quality)
    mode = height / ((x * x - 1) ** 2 + (x / quality) ** 2)
    with np.errstate(divide="ignore"):
        return mode + white + np.where(frequency_Hz > 0, drift / np.maximum(frequency_Hz, 1), 0)


def record(spring: float, samples: int = 2**18, seed: int = 0, **given: Any) -> np.ndarray:
    """Free motion in nm: white noise through the spectrum's square root."""
    rng = np.random.default_rng(seed)
    f = np.fft.rfftfreq(samples, 1 / RATE_HZ)
    white = np.fft.rfft(rng.standard_normal(samples))
    return np.fft.irfft(white * np.sqrt(density(f, spring, **given) * RATE_HZ / 2), samples)


def stiff_curves(
    curves: int = 6, sensitivity: float = SENSITIVITY_NM_PER_V, seed: int = 0
) -> tuple[np.ndarray, np.ndarray]:
    """Drive (samples,) in nm and deflection (1, curves, samples) in V on a stiff surface."""
    rng = np.random.default_rng(seed)
    z = np.linspace(0, 400, 500)
    contact = rng.uniform(180, 220, (1, curves, 1))
    volts = np.maximum(z - contact, 0) / sensitivity + 1e-4 * z - 0.2
    return z, volts + rng.normal(0, 0.002, volts.shape)


def write_stiff(path: Path, unit: str = "V", **given: Any) -> None:
    path.parent.mkdir(exist_ok=True)
    z, volts = stiff_curves(**given)
    with h5py.File(path, "w") as file:
        file["approach/z"], file["approach/deflection"] = z, volts
        file["approach/z"].attrs["unit"] = "nm"
        file["approach/deflection"].attrs["unit"] = unit


def write_record(path: Path, motion_nm: np.ndarray, sensitivity: float = SENSITIVITY_NM_PER_V):
    """Sixteen-bit volts in HDF5, or the column of volts beside times in CSV."""
    path.parent.mkdir(exist_ok=True)
    volts = motion_nm / sensitivity
    if path.suffix == ".csv":
        times = np.arange(len(volts)) / RATE_HZ
        rows = [f"{t:.9f},{v:.8g}" for t, v in zip(times, volts, strict=True)]
        path.write_text("\n".join(["time [s],deflection [V]", *rows]) + "\n", encoding="utf-8")
        return
    scale = float(np.abs(volts).max()) / 32000
    with h5py.File(path, "w") as file:
        file["deflection"] = np.round(volts / scale).astype(np.int16)
        file["deflection"].attrs["unit"], file["deflection"].attrs["scale"] = "V", scale
        file.attrs["sample_rate_Hz"] = RATE_HZ


def calibrated_folder(
    path: Path,
    *,
    probe: Mapping[str, Any] | None = None,
    table: Mapping[str, Any] | None = None,
    stiff: Mapping[str, Any] | None = None,
    motion_nm: np.ndarray | None = None,
) -> Path:
    """A folder whose bead has no sensitivity and no spring constant but the files for both.

    A key of ``probe`` (the bead's table) or ``table`` (its calibration) that is None is left out.
    """
    write_folder(path)
    write_stiff(path / STIFF, **(stiff or {}))
    write_record(path / THERMAL, record(SPRING_N_PER_M) if motion_nm is None else motion_nm)
    calibration = {
        "stiff_curve": STIFF,
        "thermal": THERMAL,
        "temperature_K": TEMPERATURE_K,
        "beam": "rectangular",
        "tilt_deg": 0.0,
        **(table or {}),
    }
    told = manifest()
    gone = dict.fromkeys(
        ("sensitivity_nm_per_V", "spring_constant_N_per_m", "spring_constant_rel_sd")
    )
    told["probes"]["bead"] |= {**gone, **(probe or {}), "calibration": calibration}
    (path / "disc.toml").write_text(tomli_w.dumps(without_nones(told)), encoding="utf-8")
    return path
