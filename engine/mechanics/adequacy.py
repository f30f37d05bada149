"""How well contact laws describe a curve, side by side: ranked by AICc, gated on effect size."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .explain import CurveExplanation, explain_curve
from .models import Tip
from .noise import Noise
from .settings import MechanicsSettings

Floats = NDArray[np.float64]

PARAMETERS = 5
"""Offset, slope, modulus, contact and variance."""


@dataclass(frozen=True)
class Candidate:
    """A law to be tried.

    Attributes
    ----------
    tip
        Tip and with it the contact law.
    thickness_um
        Thickness of the layer; None = a half-space.
    """

    tip: Tip
    thickness_um: float | None = None


@dataclass(frozen=True)
class ModelRank:
    """One law and how well it describes the curve.

    Attributes
    ----------
    name
        As given.
    modulus_kPa
        Modulus under this law; NaN where it could not be fitted.
    aicc_difference
        AICc less that of the best law; infinite where it could not be fitted.
    misfit_share
        Residual that noise does not explain, over the largest force.
    durbin_watson
        2 for residuals without memory in white noise; far below where the law misses a trend.
    exponent_off
        Free exponent less the law's.
    scan_spread
        Largest over smallest modulus of the fit-depth scan, less 1.
    modulus_off
        Modulus over that of the best law, less 1.
    alike
        Whether the data cannot tell it from the best in any way that matters: neither the modulus
        nor the misfit differs by more than the settings allow. AICc alone rejects every law but one
        once samples are many.
    sound
        Whether misfit, exponent and scan all stay within the settings' limits.
    verdict
        The same as a sentence.
    explained
        The whole explanation of the curve under this law.
    """

    name: str
    modulus_kPa: float
    aicc_difference: float
    misfit_share: float
    durbin_watson: float
    exponent_off: float
    scan_spread: float
    modulus_off: float
    alike: bool
    sound: bool
    verdict: str
    explained: CurveExplanation


def rank_models(
    z_nm: ArrayLike,
    deflection_nm: ArrayLike,
    candidates: Mapping[str, Candidate | Tip],
    *,
    spring_constant_N_per_m: float,
    poisson_ratio: float,
    settings: MechanicsSettings | None = None,
    noise: Noise | None = None,
) -> tuple[ModelRank, ...]:
    """Fit a curve with several laws and rank them.

    Parameters
    ----------
    z_nm, deflection_nm
        The approach (s,), nm.
    candidates
        Laws by name; a `Tip` alone stands for a half-space.
    spring_constant_N_per_m, poisson_ratio, settings, noise
        As for `explain_curve`.

    Returns
    -------
    tuple of ModelRank
        Best first; laws that could not be fitted last.

    Raises
    ------
    ValueError
        If there is no candidate, or as `fit_curves`.
    """
    if not candidates:
        raise ValueError("candidates must name at least one law, got none")
    s = settings if settings is not None else MechanicsSettings()
    told = []
    for name, one in candidates.items():
        law = one if isinstance(one, Candidate) else Candidate(one)
        explained = explain_curve(
            z_nm,
            deflection_nm,
            tip=law.tip,
            spring_constant_N_per_m=spring_constant_N_per_m,
            poisson_ratio=poisson_ratio,
            thickness_um=law.thickness_um,
            settings=s,
            noise=noise,
        )
        told.append((name, explained, aicc(explained.residual_nm)))
    told.sort(key=lambda item: item[2])
    ranks = [_rank(name, explained, value, told[0][2]) for name, explained, value in told]
    return tuple(_against(rank, ranks[0], s) for rank in ranks)


def aicc(residual_nm: Floats) -> float:
    """Akaike's criterion with small-sample correction for a fit of four parameters and a variance.

    n ln(rss / n) + 2 p + 2 p (p + 1) / (n - p - 1); infinite where nothing was fitted.
    """
    r = residual_nm[np.isfinite(residual_nm)]
    n, p = len(r), PARAMETERS
    if n <= p + 1:
        return float("inf")
    rss = max(float(r @ r), 1e-300)
    return float(n * np.log(rss / n) + 2 * p + 2 * p * (p + 1) / (n - p - 1))


def durbin_watson(residual_nm: Floats) -> float:
    """Sum of squared differences over sum of squares (Durbin and Watson 1950); NaN for none."""
    r = residual_nm[np.isfinite(residual_nm)]
    total = float(r @ r)
    return float(np.sum(np.diff(r) ** 2) / total) if len(r) > 1 and total > 0 else float("nan")


def _rank(name: str, explained: CurveExplanation, value: float, best: float) -> ModelRank:
    fit = explained.fit
    k = fit.spring_constant_N_per_m
    unexplained = max(float(fit.rmse_nN[0]) ** 2 - (k * float(fit.noise_nm[0])) ** 2, 0.0)
    finite = np.isfinite(value)
    return ModelRank(
        name=name,
        modulus_kPa=float(fit.modulus_kPa[0]),
        aicc_difference=value - best if finite else float("inf"),
        misfit_share=float(np.sqrt(unexplained) / fit.force_nN[0]) if finite else float("nan"),
        durbin_watson=durbin_watson(explained.residual_nm),
        exponent_off=float(fit.exponent[0]) - fit.tip.law.exponent,
        scan_spread=explained.scan_spread,
        modulus_off=float("nan"),
        alike=False,
        sound=False,
        verdict="",
        explained=explained,
    )


def _against(rank: ModelRank, best: ModelRank, s: MechanicsSettings) -> ModelRank:
    off = rank.modulus_kPa / best.modulus_kPa - 1.0
    worse = rank.misfit_share - best.misfit_share
    alike = bool(abs(off) <= s.rank_modulus_off and worse <= s.rank_misfit)
    sound = bool(
        rank.misfit_share <= s.rank_misfit
        and abs(rank.exponent_off) <= s.exponent_tolerance
        and rank.scan_spread <= s.rank_scan_spread
    )
    return replace(
        rank, modulus_off=off, alike=alike, sound=sound, verdict=_verdict(rank, off, alike, sound)
    )


def _verdict(rank: ModelRank, off: float, alike: bool, sound: bool) -> str:
    if not np.isfinite(rank.modulus_kPa):
        return "This law could not be fitted."
    holds = (
        "describes the curve within the limits set"
        if sound
        else f"leaves {100 * rank.misfit_share:.2g} % of the largest force unexplained, the "
        f"exponent {rank.exponent_off:+.2f} off and the modulus drifting by "
        f"{100 * rank.scan_spread:.2g} % with the fitted depth: an apparent modulus only"
    )
    if rank.aicc_difference == 0.0:
        return f"Best by AICc; it {holds}."
    if alike:
        return f"Not to be told from the best by size of effect; it {holds}."
    return f"Worse than the best, its modulus {100 * off:+.1f} % off; it {holds}."
