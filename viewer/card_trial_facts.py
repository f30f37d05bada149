"""Trying other settings on one map: what is tried, and what it does to every curve. Kept nowhere.

Nothing here writes to a store: the fits of a trial live as long as the card shows them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from engine.mechanics import (
    FLAGS,
    MODELS,
    CurveFits,
    FitChange,
    MapModulus,
    Tip,
    compare_fits,
    refit_map,
    summarise_map,
)
from engine.tasks import tip_of
from viewer.card_curve_facts import run_settings
from viewer.card_facts import MapFacts, SiteFacts, read_only
from viewer.library import Library


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
    """

    shape: str
    depth_share: float
    poisson_ratio: float
    radius_nm: float | None


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
        The map as tried, in the shape in which the card shows maps.
    """

    before: MapModulus
    after: MapModulus
    change: FitChange
    tried: MapFacts


def as_stored(site: SiteFacts) -> Trial:
    """Give what the run used: probe and sample as the disc folder describes them."""
    tip = tip_of(site.probe)
    return Trial(tip.shape, 1.0, float(site.sample["poisson_ratio"]), tip.radius_nm)


def shapes_for(site: SiteFacts) -> tuple[str, ...]:
    """Contact laws for which the probe's sizes are known, its own first."""
    own = tip_of(site.probe)
    names = [own.shape, *(name for name in MODELS if name != own.shape)]
    return tuple(name for name in names if _tip(site, name, own.radius_nm) is not None)


def _tip(site: SiteFacts, shape: str, radius_nm: float | None) -> Tip | None:
    try:
        return replace(tip_of(site.probe), shape=shape, radius_nm=radius_nm)  # type: ignore[arg-type]
    except ValueError:
        return None


def try_on_map(library: Library, site: SiteFacts, found: MapFacts, trial: Trial) -> TrialOutcome:
    """Fit a whole map as tried, and beside it as stored.

    Parameters
    ----------
    library, site, found
        The open discs, the site, and its fitted curves of the run.
    trial
        What is tried; a law the probe has no sizes for falls back to its own.
    """
    settings = run_settings(library, site)
    key = ("trial before", site.disc, site.run, site.stored.site)
    before = library.kept(key, lambda: _fit(library, site, as_stored(site), None))
    after = before if trial == as_stored(site) else _fit(library, site, trial, before)
    return TrialOutcome(
        before=summarise_map(before, settings),
        after=summarise_map(after, settings),
        change=compare_fits(before, after),
        tried=_as_map(found, after),
    )


def _fit(library: Library, site: SiteFacts, trial: Trial, before: CurveFits | None) -> CurveFits:
    curves = library.store(site.disc).curves(site.stored.site)
    z_nm, deflection_nm = curves.approach()
    return refit_map(
        z_nm,
        deflection_nm,
        tip=_tip(site, trial.shape, trial.radius_nm) or tip_of(site.probe),
        spring_constant_N_per_m=site.probe["spring_constant_N_per_m"],
        poisson_ratio=trial.poisson_ratio,
        depth_share=trial.depth_share if trial.depth_share < 1.0 else None,
        thickness_um=site.sample.get("thickness_um"),
        valid=curves.valid,
        settings=run_settings(library, site),
        before=before,
    )


def _as_map(found: MapFacts, fits: CurveFits) -> MapFacts:
    return replace(
        found,
        modulus_kPa=read_only(fits.modulus_kPa),
        modulus_se_kPa=read_only(fits.modulus_se_kPa),
        indentation_nm=read_only(fits.indentation_nm),
        used=read_only(fits.used, bool),
        flags=flag_names(fits.flags),
    )


def flag_names(bits: NDArray[np.uint32]) -> tuple[str, ...]:
    """Names of the flags of curves, joined as the tables join them."""
    return tuple(
        ";".join(flag.name for i, flag in enumerate(FLAGS) if (int(word) >> i) & 1) for word in bits
    )
