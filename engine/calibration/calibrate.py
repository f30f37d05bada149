"""What follows from a probe's calibration files."""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.calibration.cautions import (
    compare,
    sensitivity_cautions,
    sensitivity_sd,
    thermal_cautions,
)
from engine.calibration.values import FROM_STIFF, FROM_THERMAL, ProbeValues, table_values
from engine.intake import DiscFolder
from engine.intake.calibration import RawCalibration
from engine.intake.curves import RawCurves
from engine.intake.manifest import Probe
from engine.intake.report import Report
from engine.intake.thermal import RawThermal
from engine.mechanics import (
    MechanicsSettings,
    Sensitivity,
    ThermalCalibration,
    ThermalTerms,
    averages_from_scatter,
    calibrate_record,
    calibrate_spectrum,
    sensitivity_from_stiff_surface,
)

_NM = {"m": 1e9, "um": 1e3, "nm": 1.0}


@dataclass(frozen=True)
class CalibratedProbe:
    """What one probe's calibration files gave.

    Attributes
    ----------
    raw
        As handed over.
    sensitivity
        From the stiff curves; None without any.
    thermal
        From the free motion; None without any.
    values
        What is used.
    """

    raw: RawCalibration
    sensitivity: Sensitivity | None
    thermal: ThermalCalibration | None
    values: ProbeValues


def probe_record(probe: Probe, calibrated: CalibratedProbe | None) -> dict[str, Any]:
    """Give a probe as a store keeps it: its table, with the values that are used."""
    values = table_values(probe) if calibrated is None else calibrated.values
    record = probe.model_dump(mode="json") | asdict(values)
    return record if calibrated is None else record | {"files_say": _files_say(calibrated)}


def _files_say(calibrated: CalibratedProbe) -> dict[str, float]:
    """Values that the files gave, whether they are used or not."""
    found = {}
    if calibrated.sensitivity is not None:
        found["sensitivity_nm_per_V"] = calibrated.sensitivity.nm_per_V
    if calibrated.thermal is not None and calibrated.thermal.fit is not None:
        found["spring_constant_N_per_m"] = calibrated.thermal.fit.spring_constant_N_per_m
    return found


def calibrate_folder(folder: DiscFolder) -> dict[str, CalibratedProbe]:
    """Work out the calibration of every probe that has files; defects and cautions are told.

    Parameters
    ----------
    folder
        An opened disc folder.
    """
    found = {}
    for probe in folder.probes:
        raw = folder.calibration(probe)
        if raw is not None and probe.calibration is not None:
            calibrated = calibrate_probe(raw, folder)
            if calibrated is not None:
                found[probe.name] = calibrated
    return found


def calibrate_probe(raw: RawCalibration, folder: DiscFolder) -> CalibratedProbe | None:
    """Work out one probe's calibration; None, with defects told, where a file gives no value."""
    table = raw.probe.calibration
    assert table is not None
    sensitivity = thermal = None
    if raw.stiff is not None and table.stiff_curve:
        report = folder.report_on(table.stiff_curve)
        sensitivity = _sensitivity(raw.stiff, raw.probe.name, report)
    values = _with_sensitivity(table_values(raw.probe), sensitivity)
    if raw.thermal is not None and table.thermal:
        if raw.thermal.in_volts and values.sensitivity_nm_per_V is None:
            return None  # the stiff curves' defect is told
        thermal = _thermal(raw.thermal, raw.probe, values, folder.report_on(table.thermal))
    if (raw.stiff is None) != (sensitivity is None) or (raw.thermal is None) != (thermal is None):
        return None
    values = _with_spring(values, thermal, raw.thermal is not None and raw.thermal.in_volts)
    found = CalibratedProbe(raw, sensitivity, thermal, values)
    compare(raw.probe, sensitivity, thermal, folder.report_on("disc.toml"))
    return found


def stiff_arrays(curves: RawCurves) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Approach of the taken curves: drive in nm and deflection in V, (n, samples) each."""
    part = curves.approach
    volts = part.deflection.astype(float) * part.deflection_scale + part.deflection_offset
    z_nm = (part.z.astype(float) * part.z_scale + part.z_offset) * _NM[part.z_unit]
    taken = curves.valid.ravel()
    volts = volts.reshape(-1, volts.shape[-1])[taken]
    z_nm = np.broadcast_to(z_nm, part.deflection.shape).reshape(-1, volts.shape[-1])[taken]
    return z_nm, volts


def _sensitivity(curves: RawCurves, probe: str, report: Report) -> Sensitivity | None:
    found = sensitivity_from_stiff_surface(*stiff_arrays(curves))
    if not np.isfinite(found.nm_per_V):
        report.defect(
            "deflection",
            "no curve with a contact that rises evenly out of the noise",
            "at least one approach onto a stiff surface, from before contact",
        )
        return None
    sensitivity_cautions(found, probe, report)
    return found


def _with_sensitivity(values: ProbeValues, found: Sensitivity | None) -> ProbeValues:
    if found is None or values.sensitivity_nm_per_V is not None:
        return values
    own = (found.nm_per_V, sensitivity_sd(found), FROM_STIFF)
    return ProbeValues(
        *own,
        values.spring_constant_N_per_m,
        values.spring_constant_rel_sd,
        values.spring_constant_from,
        None,
    )


def _thermal(
    raw: RawThermal, probe: Probe, values: ProbeValues, report: Report
) -> ThermalCalibration | None:
    table = probe.calibration
    assert table is not None
    assert table.temperature_K is not None
    factor = values.sensitivity_nm_per_V if raw.in_volts else 1.0
    assert factor is not None
    sd = _known_sensitivity_sd(values) if raw.in_volts else 0.0
    given = table.low_Hz is not None and table.high_Hz is not None
    terms = ThermalTerms(
        table.temperature_K,
        table.beam or "rectangular",
        table.beam_factor,
        table.tilt_deg or 0.0,
        sd,
        (table.low_Hz or 0.0, table.high_Hz or 0.0) if given else None,
    )
    values_nm = raw.values.astype(float) * raw.scale + raw.offset
    if raw.frequency_Hz is None:
        assert raw.sample_rate_Hz is not None
        found = calibrate_record(values_nm * factor, raw.sample_rate_Hz, terms)
    else:
        density = raw.values.astype(float) * raw.scale * factor**2
        averages = table.averages or raw.averages or averages_from_scatter(density)
        found = calibrate_spectrum(raw.frequency_Hz, density, averages, terms)
    if found.fit is None or not np.isfinite(found.fit.spring_constant_N_per_m):
        report.defect(
            "spectrum",
            "no resonance that could be fitted",
            "a resonance that rises over its background (low_Hz and high_Hz say where to look)",
        )
        return None
    thermal_cautions(found, probe, report)
    return found


def _known_sensitivity_sd(values: ProbeValues) -> float:
    usual = MechanicsSettings()
    if values.sensitivity_rel_sd is None:
        return usual.sensitivity_rel_sd
    return values.sensitivity_rel_sd


def _with_spring(
    values: ProbeValues, found: ThermalCalibration | None, in_volts: bool
) -> ProbeValues:
    if found is None or found.fit is None or values.spring_constant_N_per_m is not None:
        return values
    return ProbeValues(
        values.sensitivity_nm_per_V,
        values.sensitivity_rel_sd,
        values.sensitivity_from,
        found.fit.spring_constant_N_per_m,
        found.fit.rel_sd,
        FROM_THERMAL,
        found.fit.fit_rel_se if in_volts else None,
    )
