"""Which flags a fitted curve carries: numbers against the thresholds of the settings."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from engine.flags import mask_of

from .flags import FLAGS
from .layer import Layer
from .models import Tip
from .settings import MechanicsSettings
from .tables import layer_ratio

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

EXCLUDING = mask_of(FLAGS, [flag.name for flag in FLAGS if flag.excludes])
NO_MODULUS = [
    "not_taken",
    "too_few_samples",
    "gap",
    "constant",
    "implausible_units",
    "reversed",
    "no_contact",
    "not_converged",
    "no_baseline",
    "layer_too_thin",
]
"""Flags of curves whose numbers are withheld altogether."""


@dataclass(frozen=True)
class Judged:
    """Numbers that the flags are read from; arrays (n,), lengths in nm, forces as deflection in nm.

    Attributes
    ----------
    taken, reversed_
        Whether a curve is there; whether drive or deflection run backwards.
    gap
        Whether samples are missing inside it.
    samples
        Number of samples.
    constant, implausible, converged
        As the flags' sentences say.
    sigma, force, depth, contact_se, stiffness, slope, sag, dip, step, step_se, step_local,
    step_place, largest
        Noise, largest force, largest depth, standard error of the contact, contact stiffness over
        k, baseline slope, bow, deepest five-mean before contact, two-sided step, its standard
        error, what the trend beside it leaves of it, and its sample; largest residual.
    before
        Samples before contact.
    mended
        Samples mended as spikes.
    run_high, run_low
        Longest runs of the highest and the lowest value.
    excess, excess_se
        Free exponent less the law's, and standard error.
    adhesion, adhesion_sigma
        Pull-off, NaN where not read, and what white noise does to it.
    retract_lost
        Whether there was a way back without a baseline.
    pull
        Share of the curve that a push of the wrong sign explains.
    """

    taken: Bools
    reversed_: Bools
    gap: Bools
    samples: NDArray[np.int64]
    constant: Bools
    implausible: Bools
    converged: Bools
    sigma: Floats
    force: Floats
    depth: Floats
    contact_se: Floats
    stiffness: Floats
    slope: Floats
    sag: Floats
    dip: Floats
    step: Floats
    step_se: Floats
    step_local: Floats
    step_place: Floats
    largest: Floats
    before: Floats
    mended: Floats
    run_high: Floats
    run_low: Floats
    excess: Floats
    excess_se: Floats
    adhesion: Floats
    adhesion_sigma: Floats
    retract_lost: Bools
    pull: Floats


def judge(
    j: Judged,
    tip: Tip,
    layer_nm: float | None,
    layer: Layer | None,
    s: MechanicsSettings,
    min_samples: int,
    usual_nm: float,
) -> NDArray[np.uint32]:
    """Set the flags of every curve.

    Parameters
    ----------
    j
        The numbers.
    tip
        The tip.
    layer_nm
        Known thickness of the layer, nm.
    layer
        The layer that the law was corrected for.
    s
        Thresholds.
    min_samples
        Fewest samples that are fitted.
    usual_nm
        Noise of the map's curves; see `usual_sigma`.

    Returns
    -------
    numpy.ndarray
        Bit masks (n,).
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        found = _missing(j, min_samples)
        touching = ~np.any(list(found.values()), axis=0)
        found |= {name: mask & touching for name, mask in _faults(j, s).items()}
        contact = touching & ~found["no_contact"]
        rest = _cares(j, s, usual_nm) | _tip_cares(j, tip, layer_nm, layer, s)
        found |= {name: mask & contact for name, mask in rest.items()}
    flags = np.zeros(j.taken.shape, np.uint32)
    for bit, flag in enumerate(FLAGS):
        # outliers are told once the whole map is fitted
        mask = found.get(flag.name, np.zeros(j.taken.shape, bool))
        flags |= np.where(mask, np.uint32(1 << bit), np.uint32(0)).astype(np.uint32)
    return flags


def usual_sigma(sigma_nm: Floats) -> float:
    """Median noise of a map's curves, nm; NaN if none is known."""
    return float(np.nanmedian(sigma_nm)) if np.any(np.isfinite(sigma_nm)) else float("nan")


def _missing(j: Judged, min_samples: int) -> dict[str, Bools]:
    few = j.taken & ~j.gap & (j.samples < min_samples)
    open_ = j.taken & ~j.gap & ~few
    implausible = open_ & j.implausible
    constant = open_ & ~implausible & j.constant
    return {
        "not_taken": ~j.taken,
        "gap": j.gap & j.taken,
        "too_few_samples": few,
        "implausible_units": implausible,
        "constant": constant,
        "reversed": open_ & ~implausible & ~constant & j.reversed_,
    }


def _faults(j: Judged, s: MechanicsSettings) -> dict[str, Bools]:
    no_contact = ~(j.force >= s.no_contact_sigma * j.sigma)
    # a quiet or coarsely digitised baseline repeats its lowest value: it counts where the stretch
    # is long and the rest of the curve is not quiet
    low = (j.run_low >= np.maximum(s.saturated_run_samples, s.saturated_low_share * j.samples)) & (
        j.largest > 50.0 * j.sigma
    )
    return {
        "no_contact": no_contact,
        "saturated": (j.run_high >= s.saturated_run_samples) & ~no_contact | low,
        "jump": _jump(j, s) & ~_at_contact(j, s),
        "not_converged": ~j.converged & ~no_contact,
        "no_baseline": (j.before < s.baseline_samples_min) & ~no_contact,
        "shallow": ((j.depth < s.shallow_nm) | (j.depth < s.shallow_contact_se * j.contact_se))
        & ~no_contact,
    }


def _jump(j: Judged, s: MechanicsSettings) -> Bools:
    # a law that does not fit leaves smooth residuals: they are no step. 1.6 is the ratio of the two
    # statistics' standard errors, and the second need not be as sure as the first
    return (j.step > s.jump_se * j.step_se) & (j.step_local > 0.6 * 1.6 * s.jump_se * j.step_se)


def _dip(j: Judged, s: MechanicsSettings) -> Bools:
    return (j.dip > s.adhesion_share * j.force) & (j.dip > s.snap_in_sigma * j.sigma)


def _at_contact(j: Judged, s: MechanicsSettings) -> Bools:
    """Tell a step at the contact from a jump.

    Either the tip was drawn in just before, or the step is small against the force: there a law
    that does not fit leaves its sharpest residuals.
    """
    near = np.abs(j.step_place - j.before) <= s.contact_share * j.samples + 1.0
    return near & (_dip(j, s) | (j.step < s.contact_step_share * j.force))


def _cares(j: Judged, s: MechanicsSettings, usual: float) -> dict[str, Bools]:
    return {
        "spike": (j.mended > 0) | (j.largest > s.spike_sigma * j.sigma),
        "weak": j.force < s.weak_sigma * j.sigma,
        "noisy_baseline": j.sigma > s.noisy_ratio * usual,
        "short_baseline": j.before < s.short_baseline_share * j.samples,
        "tilt": np.abs(j.slope) > s.tilt_share,
        "sag": (np.abs(j.sag) > s.sag_nm) & (np.abs(j.sag) > s.sag_sigma * j.sigma),
        "snap_in": _dip(j, s),
        "adhesion": (j.adhesion > s.adhesion_share * j.force)
        & (j.adhesion > s.adhesion_sigma * j.adhesion_sigma),
        "stiff_contact": j.stiffness > s.stiff_ratio,
        "not_quotable": j.stiffness > s.not_quotable_ratio,
        "exponent_off": (np.abs(j.excess) > s.exponent_tolerance)
        & (np.abs(j.excess) > s.exponent_se * j.excess_se),
        "no_retract_baseline": j.retract_lost,
    }


def _apex(j: Judged, tip: Tip, s: MechanicsSettings) -> Bools:
    """Tell where an apex that is not in the law decides the modulus.

    A sharp law read from a capped cone, contact refitted, is 2 % off at 22 apex radii, 6 % at 15,
    19 % at 9; a pyramid's known apex enters no law.
    """
    if tip.radius_nm is None:
        return np.ones(j.taken.shape, bool)
    return (tip.law.name == "pyramid") & (j.depth < s.apex_depths * tip.radius_nm)


def _tip_cares(
    j: Judged, tip: Tip, layer_nm: float | None, layer: Layer | None, s: MechanicsSettings
) -> dict[str, Bools]:
    nothing = np.zeros(j.taken.shape, bool)
    radius = np.inf if tip.radius_nm is None else tip.radius_nm
    pointed = tip.shape in ("cone", "pyramid", "capped_cone", "truncated_cone")
    sharp = pointed or radius < s.sharp_radius_nm
    deep = j.depth > s.fibril_radius_nm if sharp else nothing
    if tip.shape == "sphere":
        deep = deep | (j.depth > s.deep_ratio * radius)
    chi = layer_ratio(j.depth, tip, layer_nm) if layer_nm else 0.0 * j.depth
    thin = chi > s.layer_corrected_ratio
    return {
        "deep_for_tip": deep,
        "apex_unknown": _apex(j, tip, s) if pointed else nothing,
        "thin_layer": thin if layer is not None else nothing,
        "layer_ignored": thin if layer is None else nothing,
        "layer_too_thin": chi > s.layer_refused_ratio if layer is not None else nothing,
    }
