"""Adhesive contact fitted: a whole branch by DMT or JKR, or two points of the way back by JKR.

(b0, b1, ln E*, z0, ln F_ad) are fitted together to the free part and to the part in contact; the
samples about the step, whose place depends on chance, are left out.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import OptimizeResult, least_squares

from .adhesive import ADHESIVE_MODELS, KPA, Branch, adhesive_curve, stable_part
from .models import Tip, contact_force

Floats = NDArray[np.float64]

MARGIN_SAMPLES = 2
FREE_SHARE = 0.02
"""Samples this share of the drive beyond the step, or nearer, are neither free nor in contact."""
LEAST_SAMPLES = 8
CLEAR_SIGMA = 8.0
"""Pull-off below this many noise sigma: no adhesion to be fitted."""
TWO_POINT = ((1.0 + 16.0 ** (1.0 / 3.0)) / 3.0) ** 1.5
"""1.2709: depth lost between zero force and pull-off, JKR, in the two-point formula."""


@dataclass(frozen=True)
class AdhesiveFit:
    """Fit of one branch with an adhesive law; NaN throughout where it failed.

    Attributes
    ----------
    model, branch
        Law and branch that were fitted.
    modulus_kPa, log_modulus_se
        Young's modulus and the standard error of its logarithm, for white noise.
    adhesion_nN, adhesion_se_nN
        Pull-off force of the law.
    work_mJ_per_m2
        Work of adhesion; NaN for a tip without a radius.
    contact_z_nm
        Drive at which the undeformed surfaces touch, nm.
    baseline_offset_nm, baseline_slope
        Baseline: offset + slope * z.
    rmse_nN
        Root mean square residual of the samples fitted.
    samples
        Their number.
    model_nm
        The law along the branch as handed over (s,); NaN where it does not reach.
    """

    model: str
    branch: Branch
    modulus_kPa: float
    log_modulus_se: float
    adhesion_nN: float
    adhesion_se_nN: float
    work_mJ_per_m2: float
    contact_z_nm: float
    baseline_offset_nm: float
    baseline_slope: float
    rmse_nN: float
    samples: int
    model_nm: Floats


def fit_adhesive(
    z_nm: ArrayLike,
    deflection_nm: ArrayLike,
    *,
    model: str,
    tip: Tip,
    spring_constant_N_per_m: float,
    poisson_ratio: float,
    branch: Branch = "retract",
) -> AdhesiveFit:
    """Fit an adhesive law to one branch of one curve.

    Parameters
    ----------
    z_nm, deflection_nm
        The branch (s,), nm, in either order; needs a free part as baseline.
    model
        Name in `ADHESIVE_MODELS`.
    tip, spring_constant_N_per_m, poisson_ratio
        As for `fit_curves`.
    branch
        Which way the probe went.

    Returns
    -------
    AdhesiveFit
        NaN where no pull stands out of the noise: then a law without adhesion is the one to fit.

    Raises
    ------
    ValueError
        If the law is unknown or not written for this tip.
    """
    _check(model, tip)
    z, d = np.asarray(z_nm, float), np.asarray(deflection_nm, float)
    k, nu = float(spring_constant_N_per_m), float(poisson_ratio)
    known = np.isfinite(z) & np.isfinite(d)
    order = np.argsort(z[known], kind="stable")
    zs, ds = z[known][order], d[known][order]
    step = _step_place(zs, ds)
    if step is None:
        return _failed(model, branch, len(z))
    inside, free = zs >= zs[step], zs <= zs[max(step - MARGIN_SAMPLES, 0)] - FREE_SHARE * np.ptp(zs)
    theta = _start(zs, ds, inside, free, tip, k)
    if theta is None:
        return _failed(model, branch, len(z))
    law = ADHESIVE_MODELS[model].branch
    x = (zs - zs[0]) / np.ptp(zs)

    def residual(t: Floats) -> Floats:
        pull = float(np.exp(t[4]))
        deepest = zs[-1] - t[3] + pull / k
        drive, push = stable_part(*law(float(np.exp(t[2])), pull, deepest, tip), k)
        line = t[0] + t[1] * x - ds
        return np.concatenate(
            [line[free], line[inside] + np.interp(zs[inside] - t[3], drive, push)]
        )

    found = least_squares(residual, theta, x_scale=(1.0, 1.0, 0.1, 1.0, 0.1), max_nfev=80)
    return _report(model, branch, found, (z, zs), tip, k, nu)


def _check(model: str, tip: Tip) -> None:
    if model not in ADHESIVE_MODELS:
        raise ValueError(f"model must be one of {', '.join(ADHESIVE_MODELS)}, got {model!r}")
    shapes = ADHESIVE_MODELS[model].shapes
    if tip.law.name not in shapes:
        raise ValueError(f"{model} is written for {', '.join(shapes)}, not for a {tip.law.name}")


def _step_place(z: Floats, d: Floats) -> int | None:
    """First sample in contact, drive ascending: half of the deepest pull; None if none is clear."""
    if len(z) < 4 * LEAST_SAMPLES or not np.ptp(z) > 0:
        return None
    far = slice(0, len(z) // 4)
    slope, offset = np.polyfit(z[far], d[far], 1)
    push = d - offset - slope * z
    sigma = np.median(np.abs(np.diff(push))) / 0.954
    if not -push.min() > CLEAR_SIGMA * sigma:
        return None
    return int(np.argmax(push < 0.5 * push.min()))


def _start(
    z: Floats, d: Floats, inside: NDArray[np.bool_], free: NDArray[np.bool_], tip: Tip, k: float
) -> Floats | None:
    """Baseline from the free part, pull-off from the step, E* from the deepest point."""
    if inside.sum() < LEAST_SAMPLES or free.sum() < LEAST_SAMPLES:
        return None
    slope, offset = np.polyfit(z[free], d[free], 1)
    push = d - offset - slope * z
    pull = max(-k * float(push[inside][0]), 1e-3 * k * float(np.ptp(push)), 1e-12)
    positive = np.flatnonzero(inside & (push <= 0))
    contact = float(z[positive[-1]]) if len(positive) else float(z[inside][0])
    depth = float(z[-1] - contact - push[-1])
    if not (push[-1] > 0 and depth > 0):
        return None
    reduced = (k * float(push[-1]) + pull) / float(contact_force(np.array([depth]), tip)[0])
    return np.array(
        [offset + slope * z[0], slope * np.ptp(z), np.log(reduced), contact, np.log(pull)]
    )


def _failed(model: str, branch: Branch, samples: int) -> AdhesiveFit:
    nan = float("nan")
    return AdhesiveFit(
        model, branch, nan, nan, nan, nan, nan, nan, nan, nan, nan, 0, np.full(samples, np.nan)
    )


def _report(
    model: str,
    branch: Branch,
    found: OptimizeResult,
    drives: tuple[Floats, Floats],
    tip: Tip,
    k: float,
    nu: float,
) -> AdhesiveFit:
    z, zs = drives
    theta, n = found.x, len(found.fun)
    variance = 2.0 * found.cost / max(n - 5, 1)
    errors = np.sqrt(np.maximum(np.diag(np.linalg.pinv(found.jac.T @ found.jac)), 0.0) * variance)
    pull, modulus = float(np.exp(theta[4])), float(np.exp(theta[2])) * (1 - nu * nu) * KPA
    slope = float(theta[1] / np.ptp(zs))
    offset = float(theta[0] - slope * zs[0])
    push = adhesive_curve(
        z,
        model=model,
        tip=tip,
        spring_constant_N_per_m=k,
        poisson_ratio=nu,
        modulus_kPa=modulus,
        adhesion_nN=pull,
        contact_z_nm=float(theta[3]),
        branch=branch,
    )
    radius = tip.radius_nm
    work = np.nan if radius is None else 1e3 * ADHESIVE_MODELS[model].work(pull, radius)
    return AdhesiveFit(
        model=model,
        branch=branch,
        modulus_kPa=modulus,
        log_modulus_se=float(errors[2]),
        adhesion_nN=pull,
        adhesion_se_nN=float(errors[4] * pull),
        work_mJ_per_m2=work,
        contact_z_nm=float(theta[3]),
        baseline_offset_nm=offset,
        baseline_slope=slope,
        rmse_nN=float(np.sqrt(variance)) * k,
        samples=n,
        model_nm=np.where(np.isfinite(z), offset + slope * z + push, np.nan),
    )


def two_point_jkr(
    depth_zero_nm: ArrayLike,
    depth_pull_off_nm: ArrayLike,
    adhesion_nN: ArrayLike,
    radius_nm: float,
    poisson_ratio: float,
) -> Floats:
    """Young's modulus (kPa) from two points of the way back, JKR (scope of ISO 21222:2020).

    E = (3 (1 - nu^2) / 4) 1.2709 F_ad / sqrt(R (d0 - d1)^3).

    Parameters
    ----------
    depth_zero_nm, depth_pull_off_nm
        z - d at zero force and at the lowest force, from any common zero, nm.
    adhesion_nN
        Pull-off force, > 0.
    radius_nm, poisson_ratio
        Tip radius and the sample's Poisson ratio.

    Returns
    -------
    numpy.ndarray
        NaN where the depths do not fall or there is no adhesion.
    """
    lost = np.asarray(depth_zero_nm, float) - np.asarray(depth_pull_off_nm, float)
    pull = np.asarray(adhesion_nN, float)
    with np.errstate(invalid="ignore", divide="ignore"):
        modulus = 0.75 * (1.0 - poisson_ratio**2) * TWO_POINT * pull / np.sqrt(radius_nm * lost**3)
    return np.where((lost > 0) & (pull > 0), modulus * KPA, np.nan)


def two_points_of(
    z_nm: ArrayLike,
    deflection_nm: ArrayLike,
    *,
    tip: Tip,
    spring_constant_N_per_m: float,
    poisson_ratio: float,
) -> tuple[float, float]:
    """Two-point JKR evaluation of a way back: Young's modulus (kPa) and pull-off force (nN).

    The lowest force is the mean of the five samples about it; zero force is where a line through
    the samples within a third of the pull-off crosses it. Both NaN where the way back shows none.

    Parameters
    ----------
    z_nm, deflection_nm
        The way back (s,), nm.
    tip
        A sphere or a paraboloid.
    spring_constant_N_per_m, poisson_ratio
        As for `fit_curves`.

    Raises
    ------
    ValueError
        If the tip is of another shape.
    """
    _check("jkr", tip)
    z, d = np.asarray(z_nm, float), np.asarray(deflection_nm, float)
    known = np.isfinite(z) & np.isfinite(d)
    order = np.argsort(z[known], kind="stable")
    z, d = z[known][order], d[known][order]
    step = _step_place(z, d)
    if step is None or step < 2 * LEAST_SAMPLES:
        return np.nan, np.nan
    free = z <= z[step - MARGIN_SAMPLES] - FREE_SHARE * np.ptp(z)
    if free.sum() < LEAST_SAMPLES:
        return np.nan, np.nan
    slope, offset = np.polyfit(z[free], d[free], 1)
    push = d - offset - slope * z
    at = int(np.argmin(push))
    lowest = slice(max(at - 2, step), at + 3)
    pull = -float(push[lowest].mean())
    near = (np.arange(len(z)) >= at) & (np.abs(push) <= pull / 3.0)
    if not pull > 0 or near.sum() < 2:
        return np.nan, np.nan
    depth = z - push
    zero = float(np.polyval(np.polyfit(push[near], depth[near], 1), 0.0))
    k = float(spring_constant_N_per_m)
    modulus = two_point_jkr(
        zero, float(depth[lowest].mean()), pull * k, float(tip.radius_nm or np.nan), poisson_ratio
    )
    return float(modulus), pull * k
