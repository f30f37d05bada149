"""The uncertainty of a site's modulus: what differs from curve to curve, and what is shared."""

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from engine.across import median_with_interval

from .results import CurveFits
from .settings import MechanicsSettings
from .summary import finite_median
from .uncertainty import shared_uncertainty

Floats = NDArray[np.float64]
Kind = Literal["between curves", "shared by the probe", "model"]

DRAWS = 20_000
"""Draws of the Monte Carlo where the settings ask for none but the leverage is high."""


@dataclass(frozen=True)
class BudgetLine:
    """One source of doubt.

    Attributes
    ----------
    name
        What it is.
    kind
        Which part of the budget it belongs to.
    input_sd
        Standard deviation of the input: relative, for an angle in rad, for a Poisson ratio as is.
    coefficient
        d ln E per unit of the input.
    relative
        |coefficient| * input_sd: relative standard uncertainty of E.
    """

    name: str
    kind: Kind
    input_sd: float
    coefficient: float
    relative: float


@dataclass(frozen=True)
class UncertaintyBudget:
    """Budget of the median modulus of one site; relative standard uncertainties.

    Attributes
    ----------
    modulus_kPa
        Median over the used curves.
    curves
        Their number.
    scatter
        Standard deviation of ln E from curve to curve.
    fit
        The part of it that noise explains: median standard error of one fit.
    between
        What is left: how much the sample itself varies within the site.
    random
        Standard uncertainty of the median: its interval's half width over the normal quantile.
    shared
        Shared by all curves of the probe, by propagation or by Monte Carlo.
    shared_low_kPa, shared_high_kPa
        Central 95 % of the median under the shared part alone.
    method
        "propagation" or "Monte Carlo" (of ln E, where the contact is stiffer than the cantilever by
        the settings' stiff ratio).
    model
        Spread of the modulus over the fitted depth, as half of a rectangular width; 0 if not given.
    total
        Random, shared and model in quadrature.
    leverage
        d ln E / d ln sensitivity.
    quotable
        Whether the modulus may be quoted at all.
    why_not
        Why not; empty if it may.
    lines
        The sources one by one.
    """

    modulus_kPa: float
    curves: int
    scatter: float
    fit: float
    between: float
    random: float
    shared: float
    shared_low_kPa: float
    shared_high_kPa: float
    method: Literal["propagation", "Monte Carlo"]
    model: float
    total: float
    leverage: float
    quotable: bool
    why_not: str
    lines: tuple[BudgetLine, ...]


def uncertainty_budget(
    fits: CurveFits,
    *,
    spring_constant_rel_sd: float | None = None,
    thermal_spring_constant: bool = False,
    scan_spread: float | None = None,
    settings: MechanicsSettings | None = None,
) -> UncertaintyBudget:
    """Draw up the budget of one site.

    Parameters
    ----------
    fits
        Fits of the site's curves.
    spring_constant_rel_sd
        Relative standard deviation of k; the settings' default if None.
    thermal_spring_constant
        Whether k came from a thermal spectrum taken with the same sensitivity: then k goes with the
        inverse square of the sensitivity, and their errors partly cancel.
    scan_spread
        Largest over smallest modulus of the fit-depth scan, less 1, of a typical curve.
    settings
        Standard deviations of the inputs; thresholds.

    Returns
    -------
    UncertaintyBudget
        NaN and not quotable where no curve was used.
    """
    s = settings if settings is not None else MechanicsSettings()
    used = fits.used & np.isfinite(fits.modulus_kPa)
    stiffness = finite_median(fits.stiffness_ratio[used])
    drawn = stiffness > s.stiff_ratio or s.systematic_draws > 0
    middle = median_with_interval(fits.modulus_kPa[used], s.interval_level)
    lines = _lines(fits, spring_constant_rel_sd, thermal_spring_constant, stiffness, s)
    scatter, fit = _scatter(fits, used)
    shared, low, high = _shared(lines, fits, stiffness, drawn, s)
    spread = 0.0 if scan_spread is None or not np.isfinite(scan_spread) else scan_spread
    model = float(np.log1p(spread) / np.sqrt(12.0))
    if model > 0.0:
        lines.append(BudgetLine("contact law over depth", "model", model, 1.0, model))
    random = _median_uncertainty(middle.low, middle.high, scatter, len(fits.modulus_kPa[used]), s)
    lines.insert(0, BudgetLine("median over the curves", "between curves", random, 1.0, random))
    why = why_not_quotable(int(used.sum()), stiffness, s)
    return UncertaintyBudget(
        modulus_kPa=middle.median,
        curves=int(used.sum()),
        scatter=scatter,
        fit=fit,
        between=float(np.sqrt(max(scatter**2 - fit**2, 0.0))) if np.isfinite(scatter) else np.nan,
        random=random,
        shared=shared,
        shared_low_kPa=middle.median * low,
        shared_high_kPa=middle.median * high,
        method="Monte Carlo" if drawn else "propagation",
        model=model,
        total=float(np.sqrt(np.nan_to_num(random) ** 2 + shared**2 + model**2)),
        leverage=1.0 + stiffness,
        quotable=not why,
        why_not=why,
        lines=tuple(lines),
    )


class Quoted(Protocol):
    """What must be known of a site to say what it may be compared with; see `UncertaintyBudget`."""

    @property
    def random(self) -> float:
        """Standard uncertainty of the median, relative."""

    @property
    def shared(self) -> float:
        """Standard uncertainty that the probe shares, relative."""

    @property
    def total(self) -> float:
        """Both, and the law's, relative."""

    @property
    def quotable(self) -> bool:
        """Whether the modulus may be quoted."""

    @property
    def why_not(self) -> str:
        """Why not; empty if it may."""


def least_difference(budget: Quoted, *, shared: bool = True) -> float:
    """Relative difference of two sites like this one that is beyond chance, 1.96 sqrt(2) u.

    Parameters
    ----------
    budget
        The site's budget.
    shared
        Whether what the probe shares differs between the two, as across probes or days; within one
        probe and day it cancels.
    """
    each = np.hypot(budget.random, budget.shared) if shared else budget.random
    return float(1.96 * np.sqrt(2.0) * each)


def comparison_text(budget: Quoted, *, same_probe: bool = True, same_day: bool = True) -> str:
    """Say what this site may be compared with, and how large a difference must be to mean anything.

    Parameters
    ----------
    budget
        The site's budget.
    same_probe
        Whether the other site was measured with the same probe.
    same_day
        Whether under the same calibration, i.e. without taking the probe out in between.

    Returns
    -------
    str
        Two or three sentences.
    """
    if not budget.quotable:
        return f"This modulus should not be quoted or compared: {budget.why_not}"
    random = 100 * least_difference(budget, shared=False)
    whole = 100 * least_difference(budget)
    if not np.isfinite(budget.random):
        return "Too few curves for an interval: this site can be looked at, not compared."
    if same_probe and same_day:
        return (
            "Same probe, same calibration: what the probe has wrong cancels in the ratio. Sites "
            f"like this one differ beyond chance from about {random:.0f} % on, if the depth and "
            f"the contact law are the same. The value itself is known to {100 * budget.total:.0f} "
            "% (standard uncertainty)."
        )
    if same_probe:
        return (
            "Same probe on another day: tip and spring constant still cancel if they were not "
            "calibrated anew, the sensitivity does not. Differences below about "
            f"{whole:.0f} % may come from the calibration alone; measure a reference sample on "
            "both days."
        )
    return (
        "Another probe: nothing cancels, and another tip averages over another volume and depth. "
        f"Differences below about {whole:.0f} % may come from the calibrations alone; larger ones "
        "are differences of apparent moduli, each at its own scale."
    )


def _scatter(fits: CurveFits, used: NDArray[np.bool_]) -> tuple[float, float]:
    logs = np.log(fits.modulus_kPa[used])
    scatter = float(np.std(logs, ddof=1)) if len(logs) > 1 else float("nan")
    return scatter, finite_median(fits.log_modulus_se[used])


def _median_uncertainty(
    low: float, high: float, scatter: float, curves: int, s: MechanicsSettings
) -> float:
    """Take the uncertainty of ln(median) from its interval, else 1.2533 scatter / sqrt(n)."""
    if np.isfinite(low) and low > 0:
        return float(np.log(high / low) / (2.0 * norm.ppf(0.5 + 0.5 * s.interval_level)))
    return float(1.2533 * scatter / np.sqrt(curves)) if curves > 1 else float("nan")


def _lines(
    fits: CurveFits, k_sd: float | None, thermal: bool, stiffness: float, s: MechanicsSettings
) -> list[BudgetLine]:
    parts = shared_uncertainty(
        fits,
        spring_constant_rel_sd=k_sd,
        settings=s.model_copy(update={"systematic_draws": 0}),
    )
    nu, angle_sd = fits.poisson_ratio, float(np.radians(s.half_angle_sd_deg))
    exponent = fits.tip.law.exponent
    inputs = [
        ("spring constant", parts.spring_constant, 1.0),
        ("sensitivity", s.sensitivity_rel_sd, 1.0 + stiffness - (2.0 if thermal else 0.0)),
        ("tip radius", s.radius_rel_sd, -_share(parts.radius, s.radius_rel_sd)),
        ("half-angle", angle_sd, -_share(parts.half_angle, angle_sd)),
        ("Poisson ratio", s.poisson_ratio_sd, -2.0 * nu / (1.0 - nu * nu)),
        ("drive scale", s.drive_rel_sd, -(exponent + stiffness)),
    ]
    return [
        BudgetLine(name, "shared by the probe", sd, c, abs(c) * sd)
        for name, sd, c in inputs
        if sd > 0 and c != 0
    ]


def _share(part: float, sd: float) -> float:
    return part / sd if sd > 0 else 0.0


def _shared(
    lines: list[BudgetLine], fits: CurveFits, stiffness: float, drawn: bool, s: MechanicsSettings
) -> tuple[float, float, float]:
    """Relative standard uncertainty and the central 95 % as factors of E."""
    if not drawn or not np.isfinite(stiffness):
        total = float(np.sqrt(sum(line.relative**2 for line in lines))) if lines else 0.0
        total = total if np.isfinite(stiffness) else float("nan")
        return total, float(np.exp(-1.96 * total)), float(np.exp(1.96 * total))
    rng = np.random.default_rng(0)
    draws = rng.standard_normal((max(s.systematic_draws, DRAWS), len(lines)))
    exponent = fits.tip.law.exponent
    log_e = np.zeros(len(draws))
    for line, z in zip(lines, draws.T, strict=True):
        if line.name == "sensitivity":
            # force goes with the deflection's factor, depth loses what the deflection gains
            factor = np.exp(line.input_sd * z)
            depth = np.maximum(1.0 - (factor - 1.0) * stiffness / exponent, 1e-6)
            rest = line.coefficient - 1.0 - stiffness
            log_e += (1.0 + rest) * np.log(factor) - exponent * np.log(depth)
        else:
            log_e += line.coefficient * line.input_sd * z
    low, one, two, high = np.quantile(log_e, [0.025, 0.158655, 0.841345, 0.975])
    return float(0.5 * (two - one)), float(np.exp(low)), float(np.exp(high))


def why_not_quotable(
    curves: int, stiffness: float, settings: MechanicsSettings | None = None
) -> str:
    """Say why a modulus may not be quoted; empty if it may.

    Parameters
    ----------
    curves
        Curves that were used.
    stiffness
        Median of the contact stiffness over the spring constant: the leverage less 1.
    settings
        The limit.
    """
    s = settings if settings is not None else MechanicsSettings()
    if not curves:
        return "no curve of the site could be used."
    if stiffness > s.not_quotable_ratio:
        return (
            f"the contact is {stiffness:.0f} times stiffer than the cantilever (limit "
            f"{s.not_quotable_ratio:g}), so that the sensitivity alone decides the modulus; use a "
            "stiffer cantilever or a sharper tip."
        )
    return ""
