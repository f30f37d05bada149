"""Maps of every site's curves and its surface at zero force: into the run and the site table."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from engine.assemble import Columns
from engine.collagen import NetworkAnalysis
from engine.force_volume import MAPPED, ForceVolume, force_volume
from engine.image_basis import MAP_FILTERS, MAP_SIZES, map_basis_columns
from engine.mechanics import CurveFits
from engine.settings import Settings
from engine.store import DiscStore
from engine.store.runs import RunWriter, as_record
from engine.tasks import image_tip_of
from engine.zero_force import SurfaceNumbers, ZeroForce, compare_loads

MAPS = "maps"
"""Folder of a run; one group a site."""
_SURFACES = {"zero": "zero_force", "loaded": "at_load", "image": "image_alike"}
_KEPT = {
    "Sa_nm": "Sa_{}_nm",
    "Sq_nm": "Sq_{}_nm",
    "Sz_nm": "Sz_{}_nm",
    "Sdq": "Sdq_{}",
    "Sdr_pct": "Sdr_{}_pct",
    "Sal_nm": "Sal_{}_nm",
    "thickness_median_nm": "fibril_thickness_median_{}_nm",
}
_MATCHED = {
    "map_image_correlation": "correlation",
    "map_image_scale": "scale",
    "map_image_shift_u_nm": "shift_u_nm",
    "map_image_shift_v_nm": "shift_v_nm",
    "map_image_drift_nm": "drift_nm",
}
COLUMNS: tuple[str, ...] = (
    *(form.format(word) for form in _KEPT.values() for word in _SURFACES.values()),
    "at_load_nN",
    "contact_height_noise_nm",
    "image_load_nN",
    *_MATCHED,
)
"""Numbers that the site table gets from here, beside the ground they rest on."""


def record_maps(
    run: RunWriter,
    store: DiscStore,
    settings: Settings,
    fits: Mapping[str, CurveFits],
    networks: Mapping[str, NetworkAnalysis],
) -> tuple[Columns, dict[str, tuple[str, ...]]]:
    """Make the maps of all sites, keep them with the run, and give what the site table holds.

    Parameters
    ----------
    run
        The run that is written.
    store
        Gives shapes, footprints and probes.
    settings
        All settings.
    fits, networks
        Results by site.

    Returns
    -------
    columns, flags
        Further columns of the table ``sites`` in the order of the store's sites, and each site's
        further flags.
    """
    rows: list[dict[str, Any]] = []
    flags: dict[str, tuple[str, ...]] = {}
    for site in store.sites:
        volume, compared = None, None
        if site in fits:
            volume, compared = _of_site(store, settings, site, fits[site], networks.get(site))
            run.detail(f"{MAPS}/{site}", _record(volume, compared))
            flags[site] = (*volume.flags, *(compared.flags if compared else ()))
        rows.append(_values(volume, compared))
    columns: Columns = {
        name: np.array([row[name] for row in rows], dtype=float) for name in (*COLUMNS, *MAP_SIZES)
    }
    return columns | {
        MAP_FILTERS: np.array([row[MAP_FILTERS] for row in rows], dtype=object)
    }, flags


def _of_site(
    store: DiscStore,
    settings: Settings,
    site: str,
    fits: CurveFits,
    network: NetworkAnalysis | None,
) -> tuple[ForceVolume, ZeroForce | None]:
    stored = store.sites[site]
    volume = force_volume(
        fits,
        (stored.rows, stored.cols),
        stored.footprint,
        None if network is None else network.levelled_nm.astype(np.float64),
        settings.collagen,
        settings.maps,
    )
    if stored.kind != "nano-image":
        # a bead rolls over the network: its contacts are a map, but no texture
        return volume, None
    tip = image_tip_of(store.info["probes"][stored.probe])
    compared = compare_loads(volume, network, tip, settings.collagen, settings.maps, settings.seed)
    return volume, compared


def _record(volume: ForceVolume, compared: ZeroForce | None) -> dict[str, Any]:
    kept = {"maps": list(MAPPED), **as_record(replace(volume, flags=()))}
    kept["flags"] = list(volume.flags)
    return kept if compared is None else kept | as_record(compared, "surface.")


def _values(volume: ForceVolume | None, compared: ZeroForce | None) -> dict[str, Any]:
    values: dict[str, Any] = dict.fromkeys(COLUMNS, np.nan)
    if volume is not None and volume.match.points:
        values |= {name: getattr(volume.match, field) for name, field in _MATCHED.items()}
    if compared is None:
        return values | map_basis_columns(None)
    for part, word in _SURFACES.items():
        surface: SurfaceNumbers | None = getattr(compared, part)
        if surface is not None:
            values |= {form.format(word): getattr(surface, n) for n, form in _KEPT.items()}
    values |= {"at_load_nN": compared.load_nN, "contact_height_noise_nm": compared.noise_nm}
    values["image_load_nN"] = compared.image_load_nN
    return values | map_basis_columns(compared.basis)
