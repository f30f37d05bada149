"""A probe's sensitivity and spring constant that are used, and where they come from."""

from dataclasses import dataclass

from engine.intake.manifest import Probe

FROM_TABLE, FROM_STIFF, FROM_THERMAL = "disc.toml", "stiff curve", "thermal motion"


@dataclass(frozen=True)
class ProbeValues:
    """Sensitivity and spring constant that are used, and where they come from.

    Attributes
    ----------
    sensitivity_nm_per_V, sensitivity_rel_sd, sensitivity_from
        None where there is none, or where nobody said; `FROM_TABLE`, `FROM_STIFF` or empty.
    spring_constant_N_per_m, spring_constant_rel_sd, spring_constant_from
        Likewise; `FROM_TABLE` or `FROM_THERMAL`.
    thermal_fit_rel_se
        Of a spring constant from motion in volts: the part of its standard deviation that the
        sensitivity has not; None for any other.
    """

    sensitivity_nm_per_V: float | None
    sensitivity_rel_sd: float | None
    sensitivity_from: str
    spring_constant_N_per_m: float | None
    spring_constant_rel_sd: float | None
    spring_constant_from: str
    thermal_fit_rel_se: float | None


def table_values(probe: Probe) -> ProbeValues:
    """Take a probe's values as its table has them."""
    return ProbeValues(
        probe.sensitivity_nm_per_V,
        probe.sensitivity_rel_sd,
        "" if probe.sensitivity_nm_per_V is None else FROM_TABLE,
        probe.spring_constant_N_per_m,
        probe.spring_constant_rel_sd,
        "" if probe.spring_constant_N_per_m is None else FROM_TABLE,
        None,
    )
