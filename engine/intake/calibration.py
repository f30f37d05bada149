"""The calibration files of a probe, read and checked; what follows from them is told elsewhere."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from engine.intake.curves import RawCurves
from engine.intake.formats import curve_reader
from engine.intake.manifest import Probe
from engine.intake.paths import inside
from engine.intake.report import Report
from engine.intake.thermal import RawThermal, read_thermal

ReportOn = Callable[[str], Report]


@dataclass(frozen=True)
class RawCalibration:
    """What a laboratory handed over for one probe.

    Attributes
    ----------
    probe
        The probe, with what its table says.
    stiff
        Curves on a surface far stiffer than the cantilever; None where there are none.
    thermal
        Free motion; None where there is none.
    """

    probe: Probe
    stiff: RawCurves | None
    thermal: RawThermal | None


def calibration_files(probe: Probe) -> tuple[str, ...]:
    """Paths of a probe's calibration files, relative to the folder."""
    table = probe.calibration
    return () if table is None else tuple(filter(None, (table.stiff_curve, table.thermal)))


def read_calibration(
    root: Path, probe: Probe, manifest: Report, report_on: ReportOn
) -> RawCalibration | None:
    """Read a probe's calibration files; every defect is told.

    Parameters
    ----------
    root
        The disc folder.
    probe
        The probe.
    manifest
        Takes defects of ``disc.toml``.
    report_on
        Gives the report on a file.

    Returns
    -------
    RawCalibration or None
        None where there is no calibration, or a wrong one.
    """
    table = probe.calibration
    if table is None:
        return None
    where = f"[probes.{probe.name}.calibration]"
    before = len(manifest.defects)
    stiff = thermal = None
    if table.stiff_curve:
        stiff = _stiff(root, table.stiff_curve, where, manifest, report_on(table.stiff_curve))
    if table.thermal:
        report = report_on(table.thermal)
        path = _path(root, f"{where} thermal", table.thermal, manifest)
        if path is not None:
            with report.reading():
                thermal = read_thermal(path, table, report)
    known = probe.sensitivity_nm_per_V is not None or table.stiff_curve is not None
    if thermal is not None and thermal.in_volts and not known:
        manifest.defect(
            f"[probes.{probe.name}] sensitivity_nm_per_V",
            f"nothing, but the motion in {table.thermal} is in volts",
            "a sensitivity, a stiff_curve, or motion in nm",
        )
    return RawCalibration(probe, stiff, thermal) if len(manifest.defects) == before else None


def _path(root: Path, place: str, text: str, manifest: Report) -> Path | None:
    with manifest.reading():
        return inside(root, place, text)
    return None


def _stiff(root: Path, text: str, where: str, manifest: Report, report: Report) -> RawCurves | None:
    path = _path(root, f"{where} stiff_curve", text, manifest)
    if path is None:
        return None
    curves = None
    with report.reading():
        curves = curve_reader(path)(path, report)
    if curves is None:
        return None
    unit = curves.approach.deflection_unit
    if unit != "V":
        report.defect("deflection", f"the unit {unit}", "V: a sensitivity is nanometres a volt")
        return None
    if not curves.valid.any():
        report.defect("", "no curve that was taken", "at least one curve")
        return None
    return curves
