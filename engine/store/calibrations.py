"""A probe's calibration in the store: the files' arrays as handed over, and what followed."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import zarr

from engine.calibration import CalibratedProbe, stiff_arrays
from engine.intake import RawCurves
from engine.intake.thermal import RawThermal

PLACE = "calibration"
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class StoredCalibration:
    """What followed from one probe's calibration files.

    Attributes
    ----------
    files
        Path of each file by its kind, ``stiff_curve`` and ``thermal``.
    sensitivity
        Fields of `engine.mechanics.Sensitivity`; empty without stiff curves.
    thermal
        Fields of `engine.mechanics.ThermalFit` with ``averages``, ``low_Hz``, ``high_Hz``; empty
        without a record.
    terms
        What was assumed: temperature_K, beam, beam_factor, tilt_deg.
    stiff_z_nm, stiff_V
        Approach of the stiff curves (n, samples); (0, 0) without any.
    frequency_Hz, density_nm2_per_Hz, model_nm2_per_Hz
        Spectrum and fit (m,), NaN outside the fitted range; (0,) without a record.
    """

    files: dict[str, str]
    sensitivity: dict[str, Any]
    thermal: dict[str, Any]
    terms: dict[str, Any]
    stiff_z_nm: Floats
    stiff_V: Floats
    frequency_Hz: Floats
    density_nm2_per_Hz: Floats
    model_nm2_per_Hz: Floats


WriteCurves = Callable[[zarr.Group, RawCurves], None]


def write_calibrations(
    root: zarr.Group, found: Mapping[str, CalibratedProbe], write_curves: WriteCurves
) -> None:
    """Write every probe's calibration into a store; nothing where there is none.

    Parameters
    ----------
    root
        The store's root.
    found
        Calibrations by probe.
    write_curves
        Writes curves into a group.
    """
    if not found:
        return
    parent = root.create_group(PLACE)
    for name, probe in found.items():
        group = parent.create_group(name, attributes=_told(probe))
        if probe.raw.stiff is not None:
            write_curves(group.create_group("stiff"), probe.raw.stiff)
            z_nm, volts = stiff_arrays(probe.raw.stiff)
            _array(group, "stiff_z_nm", z_nm)
            _array(group, "stiff_V", volts)
        if probe.raw.thermal is not None:
            _write_thermal(group.create_group("thermal"), probe.raw.thermal)
        if probe.thermal is not None and probe.thermal.fit is not None:
            _array(group, "frequency_Hz", probe.thermal.frequency_Hz)
            _array(group, "density_nm2_per_Hz", probe.thermal.density_nm2_per_Hz)
            _array(group, "model_nm2_per_Hz", probe.thermal.fit.model_nm2_per_Hz)


def read_calibration(root: zarr.Group, probe: str) -> StoredCalibration | None:
    """Read what followed from a probe's calibration; None where it has none."""
    if f"{PLACE}/{probe}" not in root:
        return None
    group: Any = root[f"{PLACE}/{probe}"]
    told = dict(group.attrs)

    def array(name: str, empty: tuple[int, ...]) -> Floats:
        return np.asarray(group[name][...] if name in group else np.empty(empty), np.float64)

    return StoredCalibration(
        **{k: told[k] for k in ("files", "sensitivity", "thermal", "terms")},
        stiff_z_nm=array("stiff_z_nm", (0, 0)),
        stiff_V=array("stiff_V", (0, 0)),
        frequency_Hz=array("frequency_Hz", (0,)),
        density_nm2_per_Hz=array("density_nm2_per_Hz", (0,)),
        model_nm2_per_Hz=array("model_nm2_per_Hz", (0,)),
    )


def _told(probe: CalibratedProbe) -> dict[str, Any]:
    table = probe.raw.probe.calibration
    assert table is not None
    named = {"stiff_curve": table.stiff_curve, "thermal": table.thermal}
    thermal: dict[str, Any] = {}
    if probe.thermal is not None and probe.thermal.fit is not None:
        low, high = probe.thermal.range_Hz
        thermal = {"averages": probe.thermal.averages, "low_Hz": low, "high_Hz": high}
        thermal |= _numbers(probe.thermal.fit)
    terms = {k: getattr(table, k) for k in ("temperature_K", "beam", "beam_factor", "tilt_deg")}
    return {
        "files": {k: v for k, v in named.items() if v},
        "sensitivity": {} if probe.sensitivity is None else _numbers(probe.sensitivity),
        "thermal": thermal,
        "terms": terms,
    }


def _numbers(result: Any) -> dict[str, Any]:
    """Give the fields that are single numbers; what could not be had becomes null."""
    values = {f.name: getattr(result, f.name) for f in fields(result)}
    known = {k: float(v) for k, v in values.items() if not isinstance(v, np.ndarray)}
    return {k: v if math.isfinite(v) else None for k, v in known.items()}


def _write_thermal(group: zarr.Group, raw: RawThermal) -> None:
    group.attrs.update(
        {
            "unit": raw.unit,
            "scale": raw.scale,
            "offset": raw.offset,
            "sample_rate_Hz": raw.sample_rate_Hz,
            "averages": raw.averages,
        }
    )
    _array(group, "values", raw.values)
    if raw.frequency_Hz is not None:
        _array(group, "frequency_Hz", raw.frequency_Hz)


def _array(group: zarr.Group, name: str, values: npt.NDArray[Any]) -> None:
    chunks = tuple(min(n, 2**18) for n in values.shape)
    dtype = values.dtype.newbyteorder("=")
    group.create_array(name, shape=values.shape, dtype=dtype, chunks=chunks)[...] = values
