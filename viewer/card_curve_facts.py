"""One force curve as the site card shows it: measured, fitted, and asked how far it holds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from engine.mechanics import CurveExplanation, MechanicsSettings, explain_curve
from viewer.card_facts import SiteFacts
from viewer.library import Library
from viewer.run_settings import mechanics_of

Floats = NDArray[np.float64]

DRAWN_SAMPLES = 1200
"""A curve is not sent with many more samples than this."""
SAME_FIT = 1e-3
"""Relative difference of two moduli up to which they are called the same fit."""


@dataclass(frozen=True)
class CurveFacts:
    """One curve.

    Attributes
    ----------
    explained
        The fit and all that tells how far it can be trusted.
    retract_z_nm, retract_deflection_nm
        The way back; empty where it was not recorded.
    contact_z_nm
        Drive position of the contact; NaN where nothing was fitted.
    every
        Every so many samples are drawn.
    """

    explained: CurveExplanation
    retract_z_nm: Floats
    retract_deflection_nm: Floats
    contact_z_nm: float
    every: int


def curve_facts(library: Library, facts: SiteFacts, index: int) -> CurveFacts:
    """Read one curve and fit it with the settings of the run.

    Parameters
    ----------
    library, facts
        The open discs and the site.
    index
        Curve, row * cols + col; one that was taken.
    """
    store = library.store(facts.disc)
    curves = store.curves(facts.stored.site)
    z_nm, deflection_nm = _known(*curves.approach(index))
    retract = curves.retract(index)
    back_z, back_d = (np.zeros(0), np.zeros(0)) if retract is None else _known(*retract)
    explained = explain_curve(
        z_nm,
        deflection_nm,
        tip=facts.assumed.tip,
        spring_constant_N_per_m=facts.assumed.spring_constant_N_per_m,
        poisson_ratio=facts.assumed.poisson_ratio,
        retract_z_nm=back_z if len(back_z) else None,
        retract_deflection_nm=back_d if len(back_d) else None,
        thickness_um=facts.assumed.thickness_um,
        settings=run_settings(library, facts),
        depth_share=facts.assumed.depth_share,
    )
    return CurveFacts(
        explained=explained,
        retract_z_nm=back_z,
        retract_deflection_nm=back_d,
        contact_z_nm=float(explained.fit.contact_z_nm[0]),
        every=max(1, len(z_nm) // DRAWN_SAMPLES),
    )


def _known(z_nm: Floats, deflection_nm: Floats) -> tuple[Floats, Floats]:
    """Leave out the empty tail of a curve that is shorter than others of its map."""
    known = np.isfinite(z_nm) & np.isfinite(deflection_nm)
    return z_nm[known], deflection_nm[known]


def run_settings(library: Library, facts: SiteFacts) -> MechanicsSettings:
    """Give the settings for force curves with which the current run was made.

    `refit_differs` tells whether those of another version matter.
    """
    return mechanics_of(library, facts.disc, facts.run)


def refit_differs(curve: CurveFacts, modulus_kPa: float) -> bool:
    """Tell whether the fit that is drawn gives another modulus than the run's table."""
    drawn = float(curve.explained.fit.modulus_kPa[0])
    if not np.isfinite(drawn) or not np.isfinite(modulus_kPa):
        return bool(np.isfinite(drawn) != np.isfinite(modulus_kPa))
    return abs(drawn / modulus_kPa - 1.0) > SAME_FIT
