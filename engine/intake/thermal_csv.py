"""Free thermal motion in CSV: ``time [s],deflection [V]`` or ``frequency [Hz],density [V^2/Hz]``.

The column of times may be missing where ``disc.toml`` gives the sample rate.
"""

import csv
import re
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from engine.intake.limits import MAX_TEXT_BYTES
from engine.intake.report import Refused, Report, shown
from engine.intake.text import read_text
from engine.intake.thermal import (
    DENSITY_UNITS,
    RECORD_UNITS,
    RawThermal,
    ThermalUnit,
    agreed_rate,
)

_HEADER = "time [s],deflection [V], or frequency [Hz],density [V^2/Hz]"
_UNITS = {
    "time": ("s",),
    "deflection": RECORD_UNITS,
    "frequency": ("Hz",),
    "density": DENSITY_UNITS,
}
_UNEVEN = 0.01


def read_thermal_csv(path: Path, rate_Hz: float | None, report: Report) -> RawThermal | None:
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
    lines = read_text(path, MAX_TEXT_BYTES).splitlines()
    if not lines:
        raise Refused("", "an empty file", f"a header row: {_HEADER}")
    units = _header(lines[0], report)
    if units is None:
        return None
    columns = _numbers(lines, list(units), report)
    if columns is None:
        return None
    if "density" in units:
        unit = cast(ThermalUnit, units["density"])
        return RawThermal(columns["density"], unit, frequency_Hz=columns["frequency"])
    told = _rate_of(columns["time"]) if "time" in units else None
    rate = agreed_rate(rate_Hz, told, "column time" if told is not None else "header")
    unit = cast(ThermalUnit, units["deflection"])
    return RawThermal(columns["deflection"], unit, sample_rate_Hz=rate)


def _header(line: str, report: Report) -> dict[str, str] | None:
    """Units by column; other columns under their own name with an empty unit."""
    units: dict[str, str] = {}
    before = len(report.defects)
    for cell in next(csv.reader([line]), []):
        match = re.fullmatch(r"\s*(\w+)\s*\[\s*(.*?)\s*\]\s*", cell)
        name = match[1] if match else cell.strip()
        if name in units:
            report.defect(f"header, {name}", "the column more than once", _HEADER)
        units[name] = match[2] if match else ""
        if name in _UNITS and units[name] not in _UNITS[name]:
            found = shown(units[name]) if units[name] else "no unit"
            expected = f"{name} [unit] with one of {', '.join(_UNITS[name])}"
            report.defect(f"header, {name}", found, expected)
    if "deflection" not in units and not {"frequency", "density"} <= set(units):
        report.defect("header", shown(line), _HEADER)
    return units if len(report.defects) == before else None


def _numbers(
    lines: list[str], names: list[str], report: Report
) -> dict[str, NDArray[np.float64]] | None:
    """Columns that are known; the first line that is no row of numbers is told."""
    wanted = [i for i, name in enumerate(names) if name in _UNITS]
    values: list[list[float]] = []
    for number, line in enumerate(lines[1:], 2):
        if not line.strip():
            continue
        cells = line.split(",")
        if len(cells) != len(names):
            report.defect(f"line {number}", f"{len(cells)} cells", f"{len(names)}, as the header")
            return None
        try:
            values.append([float(cells[i]) for i in wanted])
        except ValueError:
            report.defect(f"line {number}", shown(line), "numbers")
            return None
    table = np.array(values, float).reshape(-1, len(wanted))
    return {names[i]: table[:, k].copy() for k, i in enumerate(wanted)}


def _rate_of(time_s: NDArray[Any]) -> float:
    if len(time_s) < 2:
        raise Refused("column time", f"{len(time_s)} values", "times that grow")
    steps = np.diff(time_s)
    step = float((time_s[-1] - time_s[0]) / (len(time_s) - 1))
    # times of few digits are uneven by their rounding; what counts is where they end up
    straight = time_s[0] + step * np.arange(len(time_s))
    stray = float(np.max(np.abs(time_s - straight))) if np.isfinite(time_s).all() else np.inf
    if not (steps > 0).all() or not step > 0 or stray > max(_UNEVEN * len(time_s), 2.0) * step:
        raise Refused("column time", "times that do not grow evenly", "an even sample rate")
    return 1.0 / step
