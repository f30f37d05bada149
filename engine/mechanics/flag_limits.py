"""The limit behind every flag, in words, with the value that the settings give it."""

from collections.abc import Mapping

from ._batch import MIN_SAMPLES
from .settings import MechanicsSettings

LIMITS: Mapping[str, str] = {
    "not_taken": "",
    "too_few_samples": f"limit: {MIN_SAMPLES} samples",
    "gap": "limit: 1 missing sample between others",
    "constant": "limit: 0 nm of change",
    "implausible_units": "limits: drive from {drive_range_min_nm:g} to {drive_range_max_nm:g} nm, "
    "deflection from {deflection_range_min_nm:g} nm to {rigid_slope:g} of the drive, modulus from "
    "{modulus_min_kPa:g} to {modulus_max_kPa:g} kPa",
    "reversed": "limit: {weak_sigma:g} sigma of push once the sign is turned",
    "no_contact": "limit: {no_contact_sigma:g} sigma of noise",
    "saturated": "limit: {saturated_run_samples:g} equal extremes in a row; below, "
    "{saturated_low_share:.0%} of the samples",
    "jump": "limit: {jump_se:g} standard errors",
    "not_converged": "limit: {fit_steps_max:g} steps",
    "no_baseline": "limit: {baseline_samples_min:g} samples",
    "shallow": "limits: {shallow_nm:g} nm, {shallow_contact_se:g} standard errors of the contact",
    "layer_too_thin": "limit: contact radius {layer_refused_ratio:g} of the thickness",
    "spike": "limit: {spike_sigma:g} sigma of noise",
    "weak": "limit: {weak_sigma:g} sigma of noise",
    "noisy_baseline": "limit: {noisy_ratio:g} times the map's median noise",
    "short_baseline": "limit: {short_baseline_share:.0%} of the samples",
    "tilt": "limit: {tilt_share:.1%} of the drive",
    "sag": "limits: {sag_nm:g} nm, {sag_sigma:g} sigma of noise",
    "snap_in": "limits: {adhesion_share:.1%} of the largest force, {snap_in_sigma:g} sigma",
    "adhesion": "limits: {adhesion_share:.1%} of the largest force, {adhesion_sigma:g} sigma",
    "stiff_contact": "limit: {stiff_ratio:g} times the spring constant",
    "not_quotable": "limit: {not_quotable_ratio:g} times the spring constant",
    "exponent_off": "limits: {exponent_tolerance:g} off, {exponent_se:g} of its standard errors",
    "deep_for_tip": "limits: {deep_ratio:g} radius of a sphere, {fibril_radius_nm:g} nm for tips "
    "below {sharp_radius_nm:g} nm",
    "apex_unknown": "limit: {apex_depths:g} apex radii of depth, where the radius is known",
    "thin_layer": "limit: contact radius {layer_corrected_ratio:g} of the thickness",
    "layer_ignored": "limit: contact radius {layer_corrected_ratio:g} of the thickness",
    "no_retract_baseline": f"limit: {MIN_SAMPLES} samples of the way back, 8 of them free",
    "outlier": "limit: {outlier_mad:g} scaled median absolute deviations of ln E",
    "no_curve_used": "limit: 1 curve",
    "few_curves_used": "limit: {few_curves_share:.0%} of those taken",
    "no_interval": "level: {interval_level:.0%}",
    "modulus_drift": "limits: {drift_modulus_share:.0%} from first to last, p {drift_p:g}",
    "baseline_drift": "limits: {drift_baseline_share:g} of the largest deflection, p {drift_p:g}",
    "contact_drift": "limits: {drift_contact_depths:g} depths, p {drift_p:g}",
    "law_doubtful": "limits: residual {rank_misfit:.1%} of the largest force, exponent "
    "{exponent_tolerance:g}, modulus {rank_scan_spread:.0%} over the depth",
    "other_law": "limits: AICc {rank_aicc_gap:g} worse, modulus {rank_modulus_off:.0%}, "
    "residual {rank_misfit:.1%} of the largest force",
    "many_outliers": "limit: {outlier_share:.0%} of the usable curves",
}
"""Flag to its limit, fields named as in `MechanicsSettings`; empty where a flag has no number."""


def limit_words(name: str, settings: MechanicsSettings | None = None) -> str:
    """Say at which limit a flag of a curve or a map is raised.

    Parameters
    ----------
    name
        Name of the flag.
    settings
        Those of the run; the defaults if None.

    Returns
    -------
    str
        Empty for a flag without a number, or one that mechanics does not know.

    Examples
    --------
    >>> limit_words("tilt")
    'limit: 3.0 % of the drive'
    """
    s = settings if settings is not None else MechanicsSettings()
    return LIMITS.get(name, "").format_map(s.model_dump()).replace("%", " %")
