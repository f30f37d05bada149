"""A probe's free thermal motion as handed over: a record in time, or a ready spectrum.

One file a format; a reader is a function of a path and a report, as for curves.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from engine.intake.manifest import ProbeCalibration
from engine.intake.report import Refused, Report, shown

RECORD_UNITS = ("V", "nm")
DENSITY_UNITS = ("V^2/Hz", "nm^2/Hz")
ThermalUnit = Literal["V", "nm", "V^2/Hz", "nm^2/Hz"]
FEWEST_SAMPLES = 4096
"""Fewest samples of a record: 32 stretches of 128."""
FEWEST_BINS = 64
_AGREE = 0.01
RATE_EXPECTED = "a sample rate: sample_rate_Hz in disc.toml or in the file, or a column time [s]"


@dataclass(frozen=True)
class RawThermal:
    """Free motion of a probe, as stored: value = stored * scale + offset.

    Attributes
    ----------
    values
        Deflection (samples,) of a record, or density (bins,) of a spectrum, in its stored type.
    unit
        ``V`` or ``nm`` for a record, ``V^2/Hz`` or ``nm^2/Hz`` for a spectrum.
    scale, offset
        Calibration of ``values``.
    frequency_Hz
        (bins,) of a spectrum; None for a record.
    sample_rate_Hz
        Of a record; None for a spectrum.
    averages
        Spectra in the mean, where the file says so.
    """

    values: NDArray[Any]
    unit: ThermalUnit
    scale: float = 1.0
    offset: float = 0.0
    frequency_Hz: NDArray[np.float64] | None = None
    sample_rate_Hz: float | None = None
    averages: int | None = None

    @property
    def in_volts(self) -> bool:
        """Whether a sensitivity is needed to know the motion."""
        return self.unit.startswith("V")


def read_thermal(path: Path, table: ProbeCalibration, report: Report) -> RawThermal | None:
    """Read a record or spectrum of free motion; every defect is told.

    Parameters
    ----------
    path
        The file, ``.csv`` or ``.h5``.
    table
        What ``disc.toml`` says of it.
    report
        Takes the defects.
    """
    # imported here, since the readers need the class above
    from engine.intake.thermal_csv import read_thermal_csv
    from engine.intake.thermal_hdf5 import read_thermal_hdf5

    readers = {".csv": read_thermal_csv, ".h5": read_thermal_hdf5, ".hdf5": read_thermal_hdf5}
    reader = readers.get(path.suffix.lower())
    if reader is None:
        raise Refused("", f"the suffix {shown(path.suffix)}", "one of " + ", ".join(readers))
    found = reader(path, table.sample_rate_Hz, report)
    return found if found is not None and _sound(found, report) else None


def agreed_rate(given_Hz: float | None, told_Hz: float | None, place: str) -> float:
    """Sample rate from the file and from ``disc.toml``.

    Raises
    ------
    Refused
        If there is none, or the two differ by more than 1 %.
    """
    rate = told_Hz if told_Hz is not None else given_Hz
    if rate is None:
        raise Refused(place, "no sample rate", RATE_EXPECTED)
    if given_Hz is not None and abs(given_Hz - rate) > _AGREE * given_Hz:
        found, expected = f"{rate:g} Hz beside {given_Hz:g} Hz", "the rate in disc.toml within 1 %"
        raise Refused(place, found, expected)
    return rate


def _sound(found: RawThermal, report: Report) -> bool:
    before = len(report.defects)
    values = found.values
    what = "deflection" if found.frequency_Hz is None else "density"
    fewest = FEWEST_SAMPLES if found.frequency_Hz is None else FEWEST_BINS
    if len(values) < fewest:
        report.defect(what, f"{len(values)} values", f"at least {fewest}")
    wrong = int((~np.isfinite(values)).sum())
    if wrong:
        report.defect(what, f"{wrong} values that are no number", "finite numbers")
    elif len(values) and np.ptp(values) == 0:
        report.defect(what, f"the one value {values[0]} throughout", "the motion of a free probe")
    if found.frequency_Hz is not None:
        _check_spectrum(found.frequency_Hz, values, report)
    return len(report.defects) == before


def _check_spectrum(frequency: NDArray[Any], density: NDArray[Any], report: Report) -> None:
    if not np.isfinite(frequency).all() or (frequency < 0).any():
        report.defect("frequency", "values that are no number or negative", "numbers from 0, hertz")
    elif (np.diff(frequency) <= 0).any():
        row = int(np.argmax(np.diff(frequency) <= 0)) + 1
        report.defect("frequency", f"a value in bin {row} that does not grow", "growing numbers")
    if (density < 0).any():
        report.defect(
            "density", f"{int((density < 0).sum())} negative values", "power a hertz, no decibels"
        )
