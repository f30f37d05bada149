"""What is asked of a map beside its fits: other laws and depths, stretches of its ways back."""

from dataclasses import dataclass

from engine.assumptions import assumptions
from engine.mechanics import (
    CurveFits,
    MapAdequacy,
    MapStretches,
    chosen_curves,
    map_adequacy,
    map_stretches,
)
from engine.settings import Settings
from engine.store import DiscStore


@dataclass(frozen=True)
class MapAside:
    """Found beside the fits of one map.

    Attributes
    ----------
    adequacy
        Whether the law is the sample's; None where no curve was asked.
    stretches
        Stretches of the ways back; None where none was recorded.
    """

    adequacy: MapAdequacy | None
    stretches: MapStretches | None


def examine_site(store: DiscStore, site: str, settings: Settings, fits: CurveFits) -> MapAside:
    """Ask of one map what its fits alone do not tell.

    Parameters
    ----------
    store, site, settings
        Where, which and how.
    fits
        Its fits.
    """
    curves = store.curves(site)
    probe = store.sites[site].probe
    assumed = assumptions(
        store.info["probes"][probe], store.info["sample"], settings.mechanics, probe
    )
    rows = chosen_curves(fits, settings.mechanics)
    z_nm, deflection_nm = curves.approach(rows)
    adequacy = map_adequacy(
        z_nm,
        deflection_nm,
        fits,
        thickness_um=assumed.thickness_um,
        settings=settings.mechanics,
        rows=rows,
    )
    if not curves.has_retract:
        return MapAside(adequacy, None)
    stretches = map_stretches(*curves.rows_of("retract"), fits, settings.mechanics)
    return MapAside(adequacy, stretches)
