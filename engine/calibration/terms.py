"""How well a stored probe is known: what the shared uncertainty of its moduli starts from."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from engine.calibration.values import FROM_STIFF, FROM_THERMAL
from engine.mechanics import MechanicsSettings


@dataclass(frozen=True)
class SharedTerms:
    """How well a probe is known, for `shared_uncertainty` and `uncertainty_budget`.

    Attributes
    ----------
    spring_constant_rel_sd
        None where the settings' default holds.
    thermal_spring_constant
        Whether the spring constant goes with the inverse square of the sensitivity.
    settings
        With the probe's own sensitivity_rel_sd where it is known.
    """

    spring_constant_rel_sd: float | None
    thermal_spring_constant: bool
    settings: MechanicsSettings


def shared_terms(probe: Mapping[str, Any], settings: MechanicsSettings) -> SharedTerms:
    """How well a stored probe is known.

    Parameters
    ----------
    probe
        Its record in the store.
    settings
        What holds where the record says nothing.
    """
    sensitivity_sd = probe.get("sensitivity_rel_sd")
    if sensitivity_sd is not None:
        if probe.get("sensitivity_from") == FROM_STIFF:
            sensitivity_sd = float(np.hypot(sensitivity_sd, settings.sensitivity_repeat_rel_sd))
        settings = settings.model_copy(update={"sensitivity_rel_sd": float(sensitivity_sd)})
    spring_sd, fit_se = probe.get("spring_constant_rel_sd"), probe.get("thermal_fit_rel_se")
    if probe.get("spring_constant_from") == FROM_THERMAL:
        own = float(probe["spring_constant_rel_sd"] if fit_se is None else fit_se)
        spring_sd = float(np.hypot(own, settings.thermal_method_rel_sd))
    return SharedTerms(spring_sd, fit_se is not None, settings)
