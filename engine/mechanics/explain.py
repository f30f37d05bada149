"""One curve laid open: data, model, residuals, and what the modulus does with the fitted depth."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .fit import KPA, fit_curves
from .models import Tip
from .noise import Noise
from .results import CurveFits
from .settings import MechanicsSettings
from .tables import law_force

Floats = NDArray[np.float64]

GRID = 4097


@dataclass(frozen=True)
class CurveExplanation:
    """One curve and its fit.

    Attributes
    ----------
    fit
        The fit, arrays of length one.
    z_nm, deflection_nm
        The approach (s,), nm.
    model_nm, residual_nm
        Fitted deflection and data less fit (s,), nm; NaN where nothing was fitted. Beyond the depth
        that is fitted the model goes on, and there is no residual.
    indentation_nm, force_nN
        Depth (negative before contact) and force of the approach (s,).
    model_force_nN
        Force of the law at ``indentation_nm`` (s,).
    retract_indentation_nm, retract_force_nN
        The same of the way back, on the approach's baseline and contact; empty without one.
    scan_fraction, scan_indentation_nm, scan_modulus_kPa, scan_se_kPa
        Share of the depth that was fitted, contact and baseline refitted each time; the depth, the
        modulus and its standard error (m,). One that drifts says that the law is not the sample's.
    scan_spread
        Largest over smallest modulus of the scan, less 1; NaN if fewer than two could be fitted.
    """

    fit: CurveFits
    z_nm: Floats
    deflection_nm: Floats
    model_nm: Floats
    residual_nm: Floats
    indentation_nm: Floats
    force_nN: Floats
    model_force_nN: Floats
    retract_indentation_nm: Floats
    retract_force_nN: Floats
    scan_fraction: Floats
    scan_indentation_nm: Floats
    scan_modulus_kPa: Floats
    scan_se_kPa: Floats
    scan_spread: float


def model_curve(z_nm: ArrayLike, fits: CurveFits, index: int = 0) -> Floats:
    """Deflection of one fitted curve at drive positions.

    Parameters
    ----------
    z_nm
        Drive positions (s,), nm.
    fits
        Fits of a map.
    index
        Which curve.

    Returns
    -------
    numpy.ndarray
        Deflection (s,), nm; NaN where the curve has no modulus.
    """
    z = np.asarray(z_nm, float)
    line = fits.baseline_offset_nm[index] + fits.baseline_slope[index] * z
    modulus = fits.modulus_kPa[index]
    if not np.isfinite(modulus):
        return np.full_like(z, np.nan)
    u = np.maximum(z - fits.contact_z_nm[index], 0.0)
    return np.asarray(line + u - _depth(u, fits, float(modulus)))


def _reduced(fits: CurveFits, modulus_kPa: float) -> float:
    """E* in nN / nm^2."""
    return modulus_kPa / KPA / (1.0 - fits.poisson_ratio**2)


def _depth(u: Floats, fits: CurveFits, modulus_kPa: float) -> Floats:
    """Depth at a drive u beyond contact: delta + F(delta) / k = u, through a table in sqrt(u)."""
    top = float(np.nanmax(u, initial=0.0))
    if top <= 0.0:
        return np.zeros_like(u)
    t = np.linspace(0.0, np.sqrt(top), GRID)
    force = _reduced(fits, modulus_kPa) * law_force(t * t, fits.tip, fits.layer)
    root = np.sqrt(t * t + force / fits.spring_constant_N_per_m)
    return np.asarray(np.interp(np.sqrt(u), root, t) ** 2)


def explain_curve(
    z_nm: ArrayLike,
    deflection_nm: ArrayLike,
    *,
    tip: Tip,
    spring_constant_N_per_m: float,
    poisson_ratio: float,
    retract_z_nm: ArrayLike | None = None,
    retract_deflection_nm: ArrayLike | None = None,
    thickness_um: float | None = None,
    settings: MechanicsSettings | None = None,
    noise: Noise | None = None,
    depth_share: float = 1.0,
) -> CurveExplanation:
    """Fit one curve and everything that shows how far the number can be trusted.

    Parameters
    ----------
    z_nm, deflection_nm
        The approach (s,), nm.
    tip, spring_constant_N_per_m, poisson_ratio, thickness_um, settings, depth_share
        As for `fit_curves`; the depth scan goes through shares of the depth that is fitted.
    retract_z_nm, retract_deflection_nm
        The way back (s',), nm.
    noise
        Noise of the curve's map, so that the errors are those of the table.

    Returns
    -------
    CurveExplanation

    Raises
    ------
    ValueError
        As `fit_curves`.
    """
    s = settings if settings is not None else MechanicsSettings()
    # one curve says little of its own 1/f noise: the map's word is taken
    s = s.model_copy(update={"noise_prior_curves": 1e4}) if noise is not None else s
    z = np.asarray(z_nm, float)
    d = np.asarray(deflection_nm, float)

    def fit(zs: Floats, ds: Floats, *back: ArrayLike | None, share: float = 1.0) -> CurveFits:
        return fit_curves(
            zs,
            ds,
            tip=tip,
            spring_constant_N_per_m=spring_constant_N_per_m,
            poisson_ratio=poisson_ratio,
            retract_z_nm=None if not back or back[0] is None else np.asarray(back[0])[None, :],
            retract_deflection_nm=None
            if not back or back[1] is None
            else np.asarray(back[1])[None, :],
            thickness_um=thickness_um,
            settings=s,
            pooled_noise=noise,
            depth_share=share,
        )

    whole = fit(z[None, :], d[None, :], retract_z_nm, retract_deflection_nm, share=depth_share)
    indentation, force = _forces(z, d, whole)
    back_z = np.asarray([] if retract_z_nm is None else retract_z_nm, float)
    back_d = np.asarray([] if retract_deflection_nm is None else retract_deflection_nm, float)
    back_indentation, back_force = _forces(back_z, back_d, whole)
    model = model_curve(z, whole)
    cuts = _cut(z, d, whole, s.depth_fractions)
    scan = fit(z, cuts) if len(cuts) else None
    moduli = np.array([]) if scan is None else scan.modulus_kPa
    finite = moduli[np.isfinite(moduli)]
    return CurveExplanation(
        fit=whole,
        z_nm=z,
        deflection_nm=d,
        model_nm=model,
        residual_nm=fitted_part(z, d, whole) - model,
        indentation_nm=indentation,
        force_nN=force,
        model_force_nN=_reduced(whole, float(whole.modulus_kPa[0]))
        * law_force(np.nan_to_num(indentation), tip, whole.layer),
        retract_indentation_nm=back_indentation,
        retract_force_nN=back_force,
        scan_fraction=np.array(s.depth_fractions if scan is not None else ()),
        scan_indentation_nm=np.array([]) if scan is None else scan.indentation_nm,
        scan_modulus_kPa=moduli,
        scan_se_kPa=np.array([]) if scan is None else scan.modulus_se_kPa,
        scan_spread=float(finite.max() / finite.min() - 1.0) if len(finite) > 1 else np.nan,
    )


def fitted_part(z: Floats, d: Floats, fits: CurveFits) -> Floats:
    """Copy one curve (s,) without what lies beyond the depth that its fit was given."""
    if fits.depth_share >= 1.0 or not np.isfinite(fits.modulus_kPa[0]):
        return d
    return _cut(z, d, fits, (1.0,))[0]


def _forces(z: Floats, d: Floats, fits: CurveFits) -> tuple[Floats, Floats]:
    push = d - fits.baseline_offset_nm[0] - fits.baseline_slope[0] * z
    return z - fits.contact_z_nm[0] - push, push * fits.spring_constant_N_per_m


def _cut(z: Floats, d: Floats, fits: CurveFits, fractions: tuple[float, ...]) -> Floats:
    """Copy the curve, ending where the fitted depth passes a share of its largest."""
    modulus = float(fits.modulus_kPa[0])
    if not np.isfinite(modulus):
        return np.empty((0, len(d)))
    depth = _depth(np.maximum(z - fits.contact_z_nm[0], 0.0), fits, modulus)
    cuts = np.tile(d, (len(fractions), 1))
    for row, share in zip(cuts, fractions, strict=True):
        beyond = np.flatnonzero(depth > share * fits.indentation_nm[0] * (1 + 1e-9))
        if len(beyond):
            row[beyond[0] :] = np.nan
    return cuts
