"""Try it on the card: a whole map fitted again with one thing changed, or a contact dragged."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .explain import CurveExplanation, fitted_part, model_curve
from .fit import KPA, fit_curves
from .given_contact import GivenFit, fit_given
from .models import Tip
from .results import CurveFits
from .settings import MechanicsSettings
from .summary import finite_median
from .tables import LawTable, law_force, tabulate

Floats = NDArray[np.float64]
ContactMethod = Literal["fitted", "threshold"]

THRESHOLD_SIGMA = 5.0
"""Deflection above the baseline, in noise sigma, that the threshold method calls contact."""


@dataclass(frozen=True)
class FitChange:
    """What a change did to a map.

    Attributes
    ----------
    ratio
        Modulus after over before (n,), NaN where either is missing.
    median_ratio
        Median of it over the curves used both times; NaN if there is none.
    median_before_kPa, median_after_kPa
        Medians over the curves used each time.
    used_before, used_after
        Their numbers.
    """

    ratio: Floats
    median_ratio: float
    median_before_kPa: float
    median_after_kPa: float
    used_before: int
    used_after: int


@dataclass(frozen=True)
class ContactTrial:
    """One curve with its contact put somewhere; NaN where no fit is possible there.

    Attributes
    ----------
    contact_z_nm
        The contact that was given, nm of drive.
    modulus_kPa
        Modulus of the best fit with that contact (baseline refitted).
    modulus_ratio
        The same over the modulus of the free fit.
    indentation_nm, force_nN
        Largest depth and force.
    rmse_nN
        Root mean square residual.
    misfit
        The same over that of the free fit: 1 at the best contact, larger elsewhere.
    baseline_offset_nm, baseline_slope
        Baseline, offset + slope * z.
    model_nm
        The fit along the curve's drive (s,), nm.
    """

    contact_z_nm: float
    modulus_kPa: float
    modulus_ratio: float
    indentation_nm: float
    force_nN: float
    rmse_nN: float
    misfit: float
    baseline_offset_nm: float
    baseline_slope: float
    model_nm: Floats


def refit_map(
    z_nm: ArrayLike,
    deflection_nm: ArrayLike,
    *,
    tip: Tip,
    spring_constant_N_per_m: float,
    poisson_ratio: float,
    depth_nm: float | None = None,
    depth_share: float | None = None,
    contact: ContactMethod | ArrayLike = "fitted",
    thickness_um: float | None = None,
    valid: ArrayLike | None = None,
    settings: MechanicsSettings | None = None,
    before: CurveFits | None = None,
) -> CurveFits:
    """Fit a map again with another tip, depth, contact, Poisson ratio or spring constant.

    Parameters
    ----------
    z_nm, deflection_nm
        Approach as for `fit_curves`.
    tip, spring_constant_N_per_m, poisson_ratio, thickness_um, valid, settings
        As for `fit_curves`; change what is to be tried.
    depth_nm, depth_share
        Fit only down to this depth, or to this share of each curve's own largest depth (of a fit
        of the whole curve with the same law); None = all. Not both.
    contact
        ``"fitted"`` = contact and modulus together; ``"threshold"`` = where the deflection leaves
        five sigma of noise for good, which reads the contact late; or drive positions (n,), nm.
        Unless fitted, standard errors and exponent are NaN: the contact's own doubt is not known.
    before
        Fits of the map as they stand, so that its noise need not be found anew.

    Returns
    -------
    CurveFits
        Flags are those of the free fit to the same samples.

    Raises
    ------
    ValueError
        As `fit_curves`; if both depths are given, one is out of range, the contact method is
        unknown or has another number of curves.
    """
    s = settings if settings is not None else MechanicsSettings()
    _check_depths(depth_nm, depth_share)
    noise = None if before is None else before.noise
    if noise is not None and noise.curves > 0:
        s = s.model_copy(update={"noise_prior_curves": 1e4, "noise_curves_max": 1})
    z, d = np.asarray(z_nm, float), np.asarray(deflection_nm, float)

    def fit(deflection: Floats, setting: MechanicsSettings, share: float = 1.0) -> CurveFits:
        return fit_curves(
            z,
            deflection,
            tip=tip,
            spring_constant_N_per_m=spring_constant_N_per_m,
            poisson_ratio=poisson_ratio,
            valid=valid,
            thickness_um=thickness_um,
            settings=setting,
            pooled_noise=noise,
            depth_share=share,
        )

    free = isinstance(contact, str) and contact == "fitted"
    if free and depth_nm is None:
        return fit(d, s, depth_share or 1.0)
    cut = depth_nm is not None or depth_share is not None
    quick = s.model_copy(update={"free_exponent": False})
    fits = fit(d, quick)
    if cut:
        share = fits.indentation_nm * depth_share if depth_share is not None else depth_nm
        d = cut_at_depth(z, d, fits, share)
        fits = fit(d, s if free else quick)
    if free:
        return fits
    rows = np.broadcast_to(z, d.shape)
    return _at_contacts(rows, d, _contacts(contact, rows, d, fits), fits)


def compare_fits(before: CurveFits, after: CurveFits) -> FitChange:
    """Compare two fits of the same map curve by curve.

    Raises
    ------
    ValueError
        If they are not of the same number of curves.
    """
    if len(before.used) != len(after.used):
        raise ValueError(f"fits of {len(before.used)} and of {len(after.used)} curves")
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = after.modulus_kPa / before.modulus_kPa
    both = before.used & after.used & np.isfinite(ratio)
    return FitChange(
        ratio=ratio,
        median_ratio=finite_median(ratio[both]),
        median_before_kPa=finite_median(before.modulus_kPa[before.used]),
        median_after_kPa=finite_median(after.modulus_kPa[after.used]),
        used_before=int(before.used.sum()),
        used_after=int(after.used.sum()),
    )


def cut_at_depth(z: Floats, d: Floats, fits: CurveFits, depth_nm: ArrayLike | None) -> Floats:
    """Copy curves, ending where their fit passes a depth.

    Parameters
    ----------
    z
        Drive (s,) or (n, s), nm.
    d
        Deflection (n, s), nm.
    fits
        Fits of these curves.
    depth_nm
        One depth, or one a curve.

    Returns
    -------
    numpy.ndarray
        (n, s) with NaN beyond; curves without a modulus are left whole.
    """
    depth = np.broadcast_to(np.asarray(depth_nm, float), fits.modulus_kPa.shape)
    reduced = fits.modulus_kPa / KPA / (1.0 - fits.poisson_ratio**2)
    push = reduced * law_force(np.nan_to_num(depth), fits.tip, fits.layer)
    end = fits.contact_z_nm + depth + push / fits.spring_constant_N_per_m
    with np.errstate(invalid="ignore"):
        return np.where(z > end[:, None] * (1 + 1e-12), np.nan, d)


def modulus_at_contact(curve: CurveExplanation, contact_z_nm: float) -> ContactTrial:
    """Put the contact of one curve somewhere and see what it does to the modulus.

    Parameters
    ----------
    curve
        The curve, as `explain_curve` gives it.
    contact_z_nm
        Where the contact shall be, nm of drive.

    Returns
    -------
    ContactTrial
    """
    z0, own = float(contact_z_nm), curve.fit
    fits = _with_given(own, np.array([z0]), _trials(curve, [z0]))
    modulus, rmse = float(fits.modulus_kPa[0]), float(fits.rmse_nN[0])
    return ContactTrial(
        contact_z_nm=z0,
        modulus_kPa=modulus,
        modulus_ratio=modulus / float(own.modulus_kPa[0]),
        indentation_nm=float(fits.indentation_nm[0]),
        force_nN=float(fits.force_nN[0]),
        rmse_nN=rmse,
        misfit=rmse / float(own.rmse_nN[0]),
        baseline_offset_nm=float(fits.baseline_offset_nm[0]),
        baseline_slope=float(fits.baseline_slope[0]),
        model_nm=model_curve(curve.z_nm, fits),
    )


def contact_profile(
    curve: CurveExplanation, contact_z_nm: Sequence[float] | Floats
) -> tuple[Floats, Floats]:
    """Modulus (kPa) and misfit (residual over that of the free fit) at many contacts, (m,) each."""
    given = _trials(curve, contact_z_nm)
    rmse = given.rms_nm * curve.fit.spring_constant_N_per_m
    return given.reduced_per_k * _unit(curve.fit), rmse / curve.fit.rmse_nN[0]


def _check_depths(depth_nm: float | None, depth_share: float | None) -> None:
    if depth_nm is not None and depth_share is not None:
        raise ValueError("depth_nm and depth_share were both given; give one")
    if depth_nm is not None and not (np.isfinite(depth_nm) and depth_nm > 0):
        raise ValueError(f"depth_nm must be > 0 and finite, got {depth_nm}")
    if depth_share is not None and not 0 < depth_share <= 1:
        raise ValueError(f"depth_share must lie in (0, 1], got {depth_share}")


def _contacts(contact: ContactMethod | ArrayLike, z: Floats, d: Floats, fits: CurveFits) -> Floats:
    if isinstance(contact, str):
        if contact != "threshold":
            raise ValueError(f"contact must be fitted, threshold or positions, got {contact!r}")
        line = fits.baseline_offset_nm[:, None] + fits.baseline_slope[:, None] * z
        with np.errstate(invalid="ignore"):
            low = d - line <= THRESHOLD_SIGMA * fits.noise_nm[:, None]
        last = d.shape[1] - 1 - np.argmax(low[:, ::-1], axis=1)
        return np.where(low.any(axis=1), z[np.arange(len(z)), last], np.nan)
    given = np.asarray(contact, float)
    if given.shape != (len(d),):
        raise ValueError(f"contact must be ({len(d)},) positions, got shape {given.shape}")
    return given


def _at_contacts(z: Floats, d: Floats, contact: Floats, fits: CurveFits) -> CurveFits:
    contact = np.where(np.isfinite(fits.modulus_kPa), contact, np.nan)
    return _with_given(fits, contact, fit_given(z, d, contact, _table(z, fits)))


def _trials(curve: CurveExplanation, contact_z_nm: Sequence[float] | Floats) -> GivenFit:
    contact = np.asarray(contact_z_nm, float)
    shape = (len(contact), len(curve.z_nm))
    z = np.broadcast_to(curve.z_nm, shape)
    d = np.broadcast_to(fitted_part(curve.z_nm, curve.deflection_nm, curve.fit), shape)
    return fit_given(z, d, contact, _table(z, curve.fit))


def _table(z: Floats, fits: CurveFits) -> LawTable:
    span = 1.25 * float(np.nanmax(z, initial=0.0) - np.nanmin(z, initial=np.inf))
    return tabulate(fits.tip, max(span, 1.0), fits.layer)


def _unit(fits: CurveFits) -> float:
    """E (kPa) of E* / k = 1 / nm."""
    return fits.spring_constant_N_per_m * (1.0 - fits.poisson_ratio**2) * KPA


def _with_given(fits: CurveFits, contact: Floats, given: GivenFit) -> CurveFits:
    """Fits with the numbers of a given contact in place of their own."""
    unknown = np.full_like(contact, np.nan)
    found = np.isfinite(given.reduced_per_k)
    k = fits.spring_constant_N_per_m
    return replace(
        fits,
        modulus_kPa=given.reduced_per_k * _unit(fits),
        modulus_se_kPa=unknown,
        log_modulus_se=unknown,
        contact_z_nm=np.where(found, contact, np.nan),
        contact_se_nm=unknown,
        baseline_offset_nm=given.offset_nm,
        baseline_slope=given.slope,
        indentation_nm=given.depth_nm,
        force_nN=given.push_nm * k,
        rmse_nN=given.rms_nm * k,
        exponent=unknown,
        exponent_se=unknown,
        stiffness_ratio=given.stiffness,
        used=fits.used & found,
    )
