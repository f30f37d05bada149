"""What is odd about a calibration, and where it contradicts the probe's table."""

from typing import Any

import numpy as np

from engine.intake.manifest import Probe
from engine.intake.report import Report
from engine.mechanics import MechanicsSettings, Sensitivity, ThermalCalibration

MOST_BEND = 0.05
"""Change of slope over a stiff contact from which a detector is called bent; judgement."""
MOST_SPREAD = 0.03
"""Relative scatter of stiff curves from which it is cautioned; judgement."""
MOST_MISFIT = 0.25
"""Misfit of the oscillator from which it is cautioned; a clean resonance has 0.1 or less."""
COVERAGE = 2.0
"""Two values disagree beyond this many standard deviations of their difference."""


def sensitivity_sd(found: Sensitivity) -> float:
    """Relative standard deviation: standard error, and a bend taken as a rectangular width."""
    return float(np.hypot(found.rel_se, abs(found.bend) / np.sqrt(12.0)))


def sensitivity_cautions(found: Sensitivity, probe: str, report: Report) -> None:
    """Caution where the stiff curves bend or scatter."""
    if abs(found.bend) > MOST_BEND:
        report.caution(
            "bent_detector",
            f"Probe {probe}: the slope of the stiff curves changes by {100 * found.bend:+.0f} % "
            "over the contact; the detector's end, friction or a soft surface bends it.",
        )
    if found.rel_sd > MOST_SPREAD:
        report.caution(
            "sensitivity_scatters",
            f"Probe {probe}: the stiff curves scatter by {100 * found.rel_sd:.0f} %.",
        )


def thermal_cautions(found: ThermalCalibration, probe: Probe, report: Report) -> None:
    """Caution where the spectrum strays from its fit, or the tilt is not told."""
    assert found.fit is not None
    assert probe.calibration is not None
    if found.fit.misfit > MOST_MISFIT + 3.0 / np.sqrt(found.averages):
        report.caution(
            "thermal_misfit",
            f"Probe {probe.name}: the spectrum strays from its oscillator by "
            f"{100 * found.fit.misfit:.0f} %; something else moves in "
            f"{found.range_Hz[0]:.0f} to {found.range_Hz[1]:.0f} Hz.",
        )
    if probe.calibration.tilt_deg is None:
        report.caution(
            "tilt_not_given",
            f"Probe {probe.name}: no tilt_deg beside the thermal record: taken as 0 (11 degrees "
            "would make the spring constant 4 % larger).",
        )


def compare(
    probe: Probe,
    sensitivity: Sensitivity | None,
    thermal: ThermalCalibration | None,
    report: Report,
) -> None:
    """Caution where a value of the table and its calibration disagree beyond their doubt."""
    usual = MechanicsSettings()
    if sensitivity is not None and probe.sensitivity_nm_per_V is not None:
        told = probe.sensitivity_rel_sd
        sds = (
            usual.sensitivity_rel_sd if told is None else told,
            np.hypot(sensitivity_sd(sensitivity), usual.sensitivity_repeat_rel_sd),
        )
        _caution(
            report, probe.name, "sensitivity", "nm/V",
            (probe.sensitivity_nm_per_V, sensitivity.nm_per_V), sds,
        )  # fmt: skip
    fit = None if thermal is None else thermal.fit
    if fit is not None and probe.spring_constant_N_per_m is not None:
        told = probe.spring_constant_rel_sd
        sds = (
            usual.spring_constant_rel_sd if told is None else told,
            np.hypot(fit.rel_sd, usual.thermal_method_rel_sd),
        )
        _caution(
            report, probe.name, "spring constant", "N/m",
            (probe.spring_constant_N_per_m, fit.spring_constant_N_per_m), sds,
        )  # fmt: skip


def _caution(
    report: Report,
    probe: str,
    what: str,
    unit: str,
    values: tuple[float, float],
    sds: tuple[Any, Any],
) -> None:
    table, own = values
    if abs(np.log(own / table)) <= COVERAGE * float(np.hypot(*sds)):
        return
    report.caution(
        f"{what.replace(' ', '_')}_disagrees",
        f"Probe {probe}: disc.toml says {what} {table:.4g} {unit} (to {100 * sds[0]:.0f} %), its "
        f"calibration files say {own:.4g} {unit} (to {100 * sds[1]:.0f} %); the former is used.",
    )
