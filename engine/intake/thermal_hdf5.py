"""Free thermal motion in HDF5: ``/deflection``, or ``/frequency`` and ``/density``.

``/deflection`` (samples,) has the attributes ``unit`` (V or nm), ``scale`` and ``offset`` as curves
have them, the file ``sample_rate_Hz``; a spectrum's ``/density`` has ``unit``, and the file may say
``averages``.
"""

from pathlib import Path
from typing import Any, cast

import h5py
import numpy as np
from numpy.typing import NDArray

from engine.intake import limits
from engine.intake.curves_hdf5 import (
    attribute_number,
    check_storage,
    dataset_at,
    first_line,
    sample_rate,
    unit_scale_offset,
)
from engine.intake.report import Refused, Report
from engine.intake.thermal import (
    DENSITY_UNITS,
    RECORD_UNITS,
    RawThermal,
    ThermalUnit,
    agreed_rate,
)


def read_thermal_hdf5(path: Path, rate_Hz: float | None, report: Report) -> RawThermal | None:
    """Read a record or spectrum.

    Parameters
    ----------
    path
        The file.
    rate_Hz
        Sample rate as ``disc.toml`` gives it.
    report
        Takes the defects.
    """
    try:
        file = h5py.File(path, "r", locking=False)
    except OSError as error:
        report.defect("", f"no readable HDF5 ({first_line(error)})", "a whole HDF5 file")
        return None
    with file:
        if "density" in file.keys():  # noqa: SIM118 - `in file` would follow the link
            return _spectrum(file, report)
        return _record(file, rate_Hz, report)


def _record(file: h5py.File, rate_Hz: float | None, report: Report) -> RawThermal | None:
    values = _array(file, "/deflection")
    given = unit_scale_offset(file, "/deflection", RECORD_UNITS, report)
    before = len(report.defects)
    told = sample_rate(file, report)
    if given is None or len(report.defects) > before:
        return None
    rate = agreed_rate(rate_Hz, told, "/ sample_rate_Hz")
    unit, scale, offset = given
    return RawThermal(values, cast(ThermalUnit, unit), scale, offset, sample_rate_Hz=rate)


def _spectrum(file: h5py.File, report: Report) -> RawThermal | None:
    density, frequency = _array(file, "/density"), _array(file, "/frequency")
    if density.shape != frequency.shape:
        raise Refused("/frequency", f"{len(frequency)} values", f"{len(density)}, as /density has")
    given = unit_scale_offset(file, "/density", DENSITY_UNITS, report)
    if given is None:
        return None
    unit, scale, offset = given
    averages = round(attribute_number(file.attrs, "averages", "/ averages", 0.0)) or None
    if averages is not None and averages < 1:
        raise Refused("/ averages", str(averages), "a whole number from 1")
    return RawThermal(
        density,
        cast(ThermalUnit, unit),
        scale,
        offset,
        frequency_Hz=frequency.astype(np.float64),
        averages=averages,
    )


def _array(file: h5py.File, place: str) -> NDArray[Any]:
    dataset = dataset_at(file, place)
    if dataset.dtype.kind not in "iuf":
        raise Refused(place, f"the type {dataset.dtype}", "integers or floating-point numbers")
    if dataset.shape is None or len(dataset.shape) != 1:
        raise Refused(place, f"the shape {dataset.shape}", "one row of values")
    limits.check_shape(place, dataset.shape, limits.MAX_CURVE_VALUES, "values")
    check_storage(dataset, place)
    return np.asarray(dataset[...])
