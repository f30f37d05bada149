"""Force curves as handed over, and the table of formats that they are read from.

A reader is a function of a path and a :class:`~engine.intake.report.Report`; it gives
:class:`RawCurves` or, with the defects told, None. Others join by an entry point in the group
``splendens.curve_readers`` whose name is the file's suffix without the dot.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from engine.intake.report import Report

Z_UNITS = ("m", "um", "nm")
DEFLECTION_UNITS = ("V", "nm", "nN")
ZUnit = Literal["m", "um", "nm"]
DeflectionUnit = Literal["V", "nm", "nN"]
MIN_SAMPLES = 2


@dataclass(frozen=True)
class RawSegment:
    """One direction of travel, as stored: value = stored * scale + offset.

    Attributes
    ----------
    z
        Drive, (rows, cols, s), or (s,) where all curves share it.
    z_unit, z_scale, z_offset
        Unit and calibration of ``z``.
    deflection
        (rows, cols, s), in its stored type; a tail of NaN is a shorter curve.
    deflection_unit, deflection_scale, deflection_offset
        Unit and calibration of ``deflection``; ``nN`` is force already.
    """

    z: NDArray[Any]
    z_unit: ZUnit
    z_scale: float
    z_offset: float
    deflection: NDArray[Any]
    deflection_unit: DeflectionUnit
    deflection_scale: float
    deflection_offset: float

    @property
    def shared_z(self) -> bool:
        """Whether all curves share one drive."""
        return self.z.ndim == 1

    def lengths(self) -> NDArray[np.int64]:
        """Count the samples of each curve before its tail of NaN, (rows, cols)."""
        return np.asarray(np.sum(self.present(), axis=-1), np.int64)

    def present(self) -> NDArray[np.bool_]:
        """Whether a sample has both a drive and a deflection, (rows, cols, s)."""
        here = np.ones(self.deflection.shape, bool)
        for array in (self.z, self.deflection):
            if array.dtype.kind == "f":
                here &= ~np.isnan(array)
        return here


@dataclass(frozen=True)
class RawCurves:
    """All curves of one site.

    Attributes
    ----------
    rows, cols
        The grid; row 0, column 0 has the smallest v and u.
    approach, retract
        The two directions; retract is None where it was not taken.
    valid
        Whether a curve was taken, (rows, cols).
    sample_rate_Hz
        None where not given.
    """

    rows: int
    cols: int
    approach: RawSegment
    retract: RawSegment | None
    valid: NDArray[np.bool_]
    sample_rate_Hz: float | None = None


CurveReader = Callable[[Path, Report], RawCurves | None]


def finish(
    approach: RawSegment,
    retract: RawSegment | None,
    valid: NDArray[np.bool_] | None,
    sample_rate_Hz: float | None,
    report: Report,
    names: tuple[str, str] = ("approach", "retract"),
) -> RawCurves | None:
    """Check NaN and infinity of both directions and work out which curves were taken.

    Parameters
    ----------
    approach, retract, valid, sample_rate_Hz
        As read.
    report
        Takes the defects.
    names
        What the two directions are called in the file.
    """
    rows, cols = approach.deflection.shape[:2]
    before = len(report.defects)
    taken = np.ones((rows, cols), bool) if valid is None else valid.copy()
    taken &= _check_segment(approach, names[0], taken, report)
    if retract is not None:
        _check_segment(retract, names[1], taken, report)
    if len(report.defects) > before:
        return None
    return RawCurves(rows, cols, approach, retract, taken, sample_rate_Hz)


def _check_segment(
    segment: RawSegment, name: str, taken: NDArray[np.bool_], report: Report
) -> NDArray[np.bool_]:
    for part, array in (("z", segment.z), ("deflection", segment.deflection)):
        if array.dtype.kind == "f":
            infinite = int(np.isinf(array).sum())
            if infinite:
                report.defect(f"{name} {part}", f"{infinite} infinite values", "finite numbers")
    present = segment.present()
    gaps = np.any(present[..., 1:] & ~present[..., :-1], axis=-1) & taken
    if gaps.any():
        row, col = np.argwhere(gaps)[0]
        report.defect(
            f"{name}, row {row}, col {col}",
            f"NaN before or between numbers (in {int(gaps.sum())} curve(s))",
            "NaN for a whole curve, or as a tail",
        )
    return np.asarray(present.any(axis=-1))
