"""Trying other settings on one map: what is tried, and what it does to every curve. Kept nowhere.

Nothing here writes to a store: the fits of a trial live as long as the card shows them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from engine.assumptions import Assumptions, assumptions
from engine.mechanics import (
    FLAGS,
    MODELS,
    ContactMethod,
    CurveFits,
    FitChange,
    MapModulus,
    MechanicsSettings,
    ProbeSettings,
    compare_fits,
    refit_map,
    summarise_map,
)
from viewer.card_curve_facts import run_settings
from viewer.card_facts import MapFacts, SiteFacts, read_only
from viewer.card_spread import Spread, spread_of, words_of_spread
from viewer.library import Library

FIELDS = {
    "shape": "contact_model",
    "depth_share": "fit_depth_share",
    "poisson_ratio": "poisson_ratio",
    "radius_nm": "tip_radius_nm",
}
"""What a trial changes, with the setting of a probe that holds it."""


@dataclass(frozen=True)
class Trial:
    """What may be tried on a map.

    Attributes
    ----------
    shape
        Name of the contact law.
    depth_share
        Share of each curve's own indentation that is fitted, 0 to 1.
    poisson_ratio
        Poisson's ratio of the tissue.
    radius_nm
        Radius of the tip; None where the tip has none.
    contact
        How the contact is found: ``fitted`` with the modulus, or by ``threshold``, where the
        deflection leaves the noise for good. A run always fits it.
    """

    shape: str
    depth_share: float
    poisson_ratio: float
    radius_nm: float | None
    contact: ContactMethod = "fitted"


@dataclass(frozen=True)
class TrialOutcome:
    """A map before and after, both fitted by this very code.

    Attributes
    ----------
    before, after
        Summaries of the map.
    change
        The two compared curve by curve.
    tried
        The map as tried, in the shape in which the card shows maps; of a large one each curve that
        was fitted stands for those beside it.
    spread
        How many curves of a large map were fitted, in words; empty where it is all of them.
    """

    before: MapModulus
    after: MapModulus
    change: FitChange
    tried: MapFacts
    spread: str


def as_stored(site: SiteFacts) -> Trial:
    """Give what the run used."""
    assumed = site.assumed
    return Trial(
        assumed.tip.law.name, assumed.depth_share, assumed.poisson_ratio, assumed.tip.radius_nm
    )


def trial_settings(site: SiteFacts, settings: MechanicsSettings, trial: Trial) -> MechanicsSettings:
    """Write what a trial changes into the settings of the site's probe.

    Parameters
    ----------
    site, settings
        The site, and the settings of its run.
    trial
        What is tried.
    """
    stored, name = as_stored(site), site.stored.probe
    changed = {
        setting: getattr(trial, field)
        for field, setting in FIELDS.items()
        if getattr(trial, field) != getattr(stored, field)
    }
    own = settings.probes.get(name, ProbeSettings())
    tried = ProbeSettings.model_validate(own.model_dump() | changed)
    return settings.model_copy(update={"probes": {**settings.probes, name: tried}})


def _assumed(site: SiteFacts, settings: MechanicsSettings, trial: Trial) -> Assumptions:
    tried = trial_settings(site, settings, trial)
    return assumptions(site.probe, site.sample, tried, site.stored.probe)


def shapes_for(site: SiteFacts, settings: MechanicsSettings) -> tuple[str, ...]:
    """Contact laws for which the probe's sizes are known, the run's own first."""
    stored = as_stored(site)
    names = [stored.shape, *(name for name in MODELS if name != stored.shape)]
    return tuple(n for n in names if _possible(site, settings, replace(stored, shape=n)))


def _possible(site: SiteFacts, settings: MechanicsSettings, trial: Trial) -> bool:
    try:
        _assumed(site, settings, trial)
    except ValueError:
        return False
    return True


def try_on_map(library: Library, site: SiteFacts, found: MapFacts, trial: Trial) -> TrialOutcome:
    """Fit a whole map as tried, and beside it as stored.

    Parameters
    ----------
    library, site, found
        The open discs, the site, and its fitted curves of the run.
    trial
        What is tried.

    Raises
    ------
    ValueError
        If the probe has no sizes for that law.
    """
    settings = run_settings(library, site)
    key = ("trial before", site.disc, site.run, site.stored.site)
    before = library.kept(key, lambda: _fit(library, site, as_stored(site), None))
    after = before if trial == as_stored(site) else _fit(library, site, trial, before)
    return TrialOutcome(
        before=summarise_map(before, settings),
        after=summarise_map(after, settings),
        change=compare_fits(before, after),
        tried=_as_map(found, after, spread_of(library, site)),
        spread=words_of_spread(found.rows, found.cols),
    )


def _fit(library: Library, site: SiteFacts, trial: Trial, before: CurveFits | None) -> CurveFits:
    curves = spread_of(library, site)
    settings = run_settings(library, site)
    assumed = _assumed(site, settings, trial)
    return refit_map(
        curves.z_nm,
        curves.deflection_nm,
        tip=assumed.tip,
        spring_constant_N_per_m=assumed.spring_constant_N_per_m,
        poisson_ratio=assumed.poisson_ratio,
        depth_share=assumed.depth_share,
        contact=trial.contact,
        thickness_um=assumed.thickness_um,
        valid=curves.valid,
        settings=settings,
        before=before,
    )


def _as_map(found: MapFacts, fits: CurveFits, spread: Spread) -> MapFacts:
    near, names = spread.near, flag_names(fits.flags)
    return replace(
        found,
        modulus_kPa=read_only(fits.modulus_kPa[near]),
        modulus_se_kPa=read_only(fits.modulus_se_kPa[near]),
        indentation_nm=read_only(fits.indentation_nm[near]),
        used=read_only(fits.used[near], bool),
        flags=names if spread.whole else tuple(names[i] for i in near),
    )


def flag_names(bits: NDArray[np.uint32]) -> tuple[str, ...]:
    """Names of the flags of curves, joined as the tables join them."""
    return tuple(
        ";".join(flag.name for i, flag in enumerate(FLAGS) if (int(word) >> i) & 1) for word in bits
    )
