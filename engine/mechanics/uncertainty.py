"""What all curves of one probe are wrong by together: spring constant, sensitivity, tip."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .models import Tip
from .results import CurveFits
from .settings import MechanicsSettings
from .tables import law_force

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SharedUncertainty:
    """Relative standard uncertainty of E that one probe's curves share, and its parts.

    It cancels when sites measured with the same probe and calibration are compared; it does not
    across probes or days.

    Attributes
    ----------
    total
        All parts in quadrature (or by Monte Carlo of ln E).
    spring_constant, sensitivity, radius, half_angle
        The parts, to first order.
    leverage
        d ln E / d ln sensitivity = 1 + S_c / k.
    """

    total: float
    spring_constant: float
    sensitivity: float
    radius: float
    half_angle: float
    leverage: float


def shared_uncertainty(
    fits: CurveFits,
    *,
    spring_constant_rel_sd: float | None = None,
    thermal_spring_constant: bool = False,
    settings: MechanicsSettings | None = None,
) -> SharedUncertainty:
    """Propagate the probe's calibration to E at the median depth of the used curves.

    d ln E is 1 per d ln k, 1 + S_c / k per d ln sensitivity (k known independently of it), and
    minus the law's own derivative per d ln R (1/2 for a paraboloid) and per radian of the
    half-angle (2 / sin 2a for a cone).

    Parameters
    ----------
    fits
        Fits of the probe's curves.
    spring_constant_rel_sd
        Relative standard deviation of k; the settings' default if None.
    thermal_spring_constant
        Whether k came from thermal motion seen with the same sensitivity: k goes with its inverse
        square, and the errors partly cancel. Then k's standard deviation is that without it.
    settings
        Standard deviations of what the folder does not name; draws of the Monte Carlo.

    Returns
    -------
    SharedUncertainty
        NaN throughout if no curve was used.
    """
    s = settings if settings is not None else MechanicsSettings()
    used = fits.used & np.isfinite(fits.modulus_kPa)
    if not used.any():
        return SharedUncertainty(*[np.nan] * 6)
    depth = float(np.median(fits.indentation_nm[used]))
    stiffness = float(np.median(fits.stiffness_ratio[used]))
    k_sd = s.spring_constant_rel_sd if spring_constant_rel_sd is None else spring_constant_rel_sd
    leverage = 1.0 + stiffness
    shared = -2.0 if thermal_spring_constant else 0.0
    radius, angle = _tip_derivatives(fits, depth)
    parts = (
        float(k_sd),
        abs(leverage + shared) * s.sensitivity_rel_sd,
        abs(radius) * s.radius_rel_sd,
        abs(angle) * float(np.radians(s.half_angle_sd_deg)),
    )
    total = float(np.sqrt(np.sum(np.square(parts))))
    if s.systematic_draws:
        total = _by_draws(parts, stiffness, s, fits.tip.law.exponent, shared)
    return SharedUncertainty(total, *parts, leverage)


def systematic_uncertainty(
    fits: CurveFits,
    *,
    spring_constant_rel_sd: float | None = None,
    thermal_spring_constant: bool = False,
    settings: MechanicsSettings | None = None,
) -> float:
    """Relative standard uncertainty of E shared by a probe; see `shared_uncertainty`."""
    return shared_uncertainty(
        fits,
        spring_constant_rel_sd=spring_constant_rel_sd,
        thermal_spring_constant=thermal_spring_constant,
        settings=settings,
    ).total


def _log_force(depth: float, tip: Tip, fits: CurveFits) -> float:
    return float(np.log(law_force(np.array([depth]), tip, fits.layer)[0]))


def _tip_derivatives(fits: CurveFits, depth: float) -> tuple[float, float]:
    """Differentiate ln F / E* with ln R and with the half-angle (rad), numerically."""
    tip, step = fits.tip, 1e-4
    radius = angle = 0.0
    if tip.radius_nm is not None and tip.law.needs_radius:
        up, down = (replace(tip, radius_nm=tip.radius_nm * np.exp(h)) for h in (step, -step))
        radius = (_log_force(depth, up, fits) - _log_force(depth, down, fits)) / (2 * step)
    if tip.half_angle_deg is not None and tip.law.needs_angle:
        degrees = np.degrees(step)
        up, down = (
            replace(tip, half_angle_deg=tip.half_angle_deg + h) for h in (degrees, -degrees)
        )
        angle = (_log_force(depth, up, fits) - _log_force(depth, down, fits)) / (2 * step)
    return radius, angle


def _by_draws(
    parts: tuple[float, float, float, float],
    stiffness: float,
    s: MechanicsSettings,
    exponent: float,
    shared: float,
) -> float:
    """Half the central 68 % of ln E when the sensitivity's leverage is not taken as linear.

    With the deflection off by a factor f, force goes with f and depth with 1 - (f - 1) d / delta,
    d / delta = S_c / (k p).
    """
    rng = np.random.default_rng(0)
    draws = rng.standard_normal((s.systematic_draws, 4))
    factor = np.exp(s.sensitivity_rel_sd * draws[:, 1])
    left = np.maximum(1.0 - (factor - 1.0) * stiffness / exponent, 1e-6)
    log_e = (1.0 + shared) * np.log(factor) - exponent * np.log(left)
    for i in (0, 2, 3):
        log_e = log_e + parts[i] * draws[:, i]
    low, high = np.quantile(log_e, [0.158655, 0.841345])
    return float(0.5 * (high - low))
