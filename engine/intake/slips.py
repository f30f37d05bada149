"""Sizes that no drive, detector, tip or cantilever has: slips of a unit, cautioned, never mended.

The limits are conventions of this project, with no source, generous against what is made: tips from
1 nm to 500 um, cantilevers from 1 mN/m to 1 kN/m, drives from 1 nm to 1 mm. Within a curve the
engine's own flags judge; here a slip is told at import, with the number that was found.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from engine.intake.curves import RawCurves
from engine.intake.manifest import Probe

LIKELY: dict[str, tuple[float, float, str]] = {
    "radius_um": (1e-3, 500.0, "um"),
    "spring_constant_N_per_m": (1e-3, 1e3, "N/m"),
    "sensitivity_nm_per_V": (0.5, 2e4, "nm/V"),
}
"""Least and largest likely size of a probe's number, and its unit."""
DRIVE_NM = (1.0, 1e6)
"""Least and largest likely range of a drive, nm."""
LEAST_RISE_NM = 1e-3
"""No detector resolves a smaller deflection, nm."""
MOST_CURVES = 64
_NM = {"m": 1e9, "um": 1e3, "nm": 1.0}


def probe_slips(probe: Probe) -> Iterator[tuple[str, str]]:
    """Yield name and sentence of a caution for each unlikely number of a probe."""
    for name, (least, most, unit) in LIKELY.items():
        value = getattr(probe, name)
        if value is not None and not least <= value <= most:
            yield (
                f"unlikely_{name.partition('_')[0]}",
                f"The probe {probe.name} has {name} = {value:g}: likely is {least:g} to {most:g} "
                f"{unit}; look for a slip of units.",
            )


def curve_slips(curves: RawCurves, probe: Probe | None) -> Iterator[tuple[str, str]]:
    """Yield name and sentence of a caution for a drive or a deflection of an unlikely size.

    Parameters
    ----------
    curves
        The map.
    probe
        Its probe, for the deflection's unit; None where it is not known.
    """
    taken = np.flatnonzero(curves.valid.ravel())
    if not len(taken):
        return
    taken = taken[np.unique(np.linspace(0, len(taken) - 1, MOST_CURVES).astype(int))]
    part = curves.approach
    z = np.atleast_2d(part.z.reshape(-1, part.z.shape[-1]))
    drive = _range(z if part.shared_z else z[taken]) * abs(part.z_scale) * _NM[part.z_unit]
    if drive > 0 and not DRIVE_NM[0] <= drive <= DRIVE_NM[1]:
        yield (
            "unlikely_drive",
            f"The drive runs over {drive:.3g} nm: likely is {DRIVE_NM[0]:g} to {DRIVE_NM[1]:g} nm; "
            "look for a slip of units.",
        )
    factor = _nm_per(part.deflection_unit, probe)
    d = part.deflection.reshape(-1, part.deflection.shape[-1])[taken]
    rise = _range(d) * abs(part.deflection_scale) * factor
    if np.isfinite(rise) and rise > 0 and (rise < LEAST_RISE_NM or rise > 1.1 * drive > 0):
        yield (
            "unlikely_deflection",
            f"The deflection runs over {rise:.3g} nm on a drive of {drive:.3g} nm: likely is at "
            f"least {LEAST_RISE_NM:g} nm and less than the drive; look for a slip of units or of "
            "the sensitivity.",
        )


def _range(values: NDArray[np.generic]) -> float:
    """Median range of rows, as stored; 0 where nothing is."""
    x = values.astype(float)
    known = np.isfinite(x)
    rows = known.any(axis=1)
    high = np.where(known, x, -np.inf).max(axis=1)[rows]
    low = np.where(known, x, np.inf).min(axis=1)[rows]
    return float(np.median(high - low)) if rows.any() else 0.0


def _nm_per(unit: str, probe: Probe | None) -> float:
    """Nanometres of deflection a unit; NaN where the probe does not say."""
    if unit == "nm":
        return 1.0
    size = None
    if probe is not None:
        size = probe.sensitivity_nm_per_V if unit == "V" else probe.spring_constant_N_per_m
    if size is None:
        return float("nan")
    return float(size if unit == "V" else 1.0 / size)
