"""The site table: every scale's result at one place, joined by position."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from engine.assemble import Cells, Columns, pattern_names, repeat
from engine.cells import FLAGS as CELL_FLAGS
from engine.cells import PATTERNS, CellsSettings, WindowGrades, grade_windows
from engine.collagen import NetworkAnalysis
from engine.flags import Flag
from engine.frames import FLAGS as FRAME_FLAGS
from engine.image_basis import FILTERS, SIZES, basis_columns
from engine.mechanics import MapModulus
from engine.site_place import Places
from engine.stains import FLAGS as STAIN_FLAGS
from engine.stains import WindowStains
from engine.store import TABLES, DiscStore

OFF_DISC = Flag("site_off_disc", "The site's centre lies off the tissue.")
NO_MOSAIC = Flag("no_mosaic", "Without a mosaic there are no cells to grade round the site.")
FLAGS: tuple[Flag, ...] = (OFF_DISC, NO_MOSAIC)
LOCAL_FLAGS: tuple[Flag, ...] = (*FLAGS, *CELL_FLAGS, *FRAME_FLAGS, *STAIN_FLAGS)
"""Flags that hang on where a site lies and on the cells."""


def windows_of(
    centres_um: npt.NDArray[np.float64], cells: Cells | None, settings: CellsSettings
) -> WindowGrades | None:
    """Grade of the cells in the window round each centre, (sites, 2)."""
    if cells is None:
        return None
    xy_um = np.column_stack([cells.found.x_um, cells.found.y_um])
    return grade_windows(centres_um, xy_um, cells.graph, cells.grades, settings)


def inside(
    outline_um: npt.NDArray[np.float64], points_um: npt.NDArray[np.float64]
) -> npt.NDArray[np.int8]:
    """Whether points lie on the tissue: 1, 0, or -1 where the outline can't be told."""
    if len(outline_um) < 3:
        return np.full(len(points_um), -1, dtype=np.int8)
    polygon = shapely.Polygon(outline_um)
    return shapely.contains_xy(polygon, points_um[:, 0], points_um[:, 1]).astype(np.int8)


def _window_columns(windows: WindowGrades | None, sites: int) -> Columns:
    if windows is None:
        nothing = np.full(sites, np.nan)
        empty: Columns = {
            "pattern": repeat("", sites),
            "cells_in_window": np.full(sites, -1),
        }
        numbers = ("pattern_confidence", "pattern_index", "pattern_window_um")
        names = (*numbers, "cell_density_per_mm2", *(f"fraction_{p}" for p in PATTERNS))
        return empty | dict.fromkeys(names, nothing)
    columns: Columns = {
        "pattern": pattern_names(windows.pattern),
        "pattern_confidence": windows.confidence,
        "pattern_index": windows.index,
        "pattern_window_um": windows.window_um,
        "cells_in_window": windows.cells,
        "cell_density_per_mm2": windows.density_per_mm2,
    }
    fractions = {f"fraction_{p}": windows.fractions[:, i] for i, p in enumerate(PATTERNS)}
    return columns | fractions


def _modulus_values(points: int, modulus: MapModulus | None, systematic: float) -> dict[str, float]:
    if modulus is None:
        return {"curves_total": -1, "curves_used": -1}
    return {
        "curves_total": points,
        "curves_used": modulus.curves_used,
        "modulus_kPa": modulus.median_kPa,
        "modulus_ci_low_kPa": modulus.ci_low_kPa,
        "modulus_ci_high_kPa": modulus.ci_high_kPa,
        "modulus_geomean_kPa": modulus.geomean_kPa,
        "modulus_iqr_kPa": modulus.iqr_kPa,
        "modulus_syst_rel": systematic,
        "indentation_nm": modulus.indentation_nm,
        "exponent": modulus.exponent,
        "adhesion_nN": modulus.adhesion_nN,
        "dissipation": modulus.dissipation,
    }


_MORE_TEXTURE = ["Sp_nm", "Sv_nm", "Std_deg", "Sk_nm", "Spk_nm", "Svk_nm", "Smr1_pct", "Smr2_pct"]
_MORE = (
    *_MORE_TEXTURE,
    "fibril_order_traced",
    "orientation_correlation_nm",
    "tip_radius_bound_nm",
    "masked_share",
    "fibril_thickness_median_ci_low_nm",
    "fibril_thickness_median_ci_high_nm",
    "fibril_thickness_radius_sd_nm",
    "band_amplitude_nm",
)
"""Columns of a height image beyond the contract's."""
_TEXTURE = ("Sa_nm", "Sq_nm", "Sz_nm", "Ssk", "Sku", "Sdq", "Sdr_pct", "Sal_nm", "Str")


def _network_values(store: DiscStore, site: str, network: NetworkAnalysis) -> dict[str, float]:
    thickness, banding = network.thickness, network.banding
    values = {name: getattr(network.texture, name) for name in (*_TEXTURE, "Sq_plane_nm")}
    values |= {
        "fibril_thickness_mean_nm": thickness.mean_nm,
        "fibril_thickness_median_nm": thickness.median_nm,
        "fibril_thickness_p95_nm": thickness.p95_nm,
        "fibril_thickness_p95_ci_low_nm": thickness.p95_ci_low_nm,
        "fibril_thickness_p95_ci_high_nm": thickness.p95_ci_high_nm,
        "fibril_length_um": network.fibril_length_um,
        "fibril_junctions_per_um2": network.junctions_per_um2,
        "fibril_order": network.order,
        "fibril_angle_deg": float(store.sites[site].footprint.table_angle(network.angle_site_deg)),
        "band_period_nm": banding.period_nm,
        "band_period_se_nm": banding.period_se_nm,
        "band_fraction": banding.fraction,
        "band_resolvable": float(banding.resolvable),
        "fibril_order_traced": network.orientation.order_traced,
        "orientation_correlation_nm": network.orientation.correlation_length_nm,
        "tip_radius_bound_nm": network.tip_bound.radius_nm,
        "masked_share": network.faults.masked_share,
        "fibril_thickness_median_ci_low_nm": thickness.median_ci_low_nm,
        "fibril_thickness_median_ci_high_nm": thickness.median_ci_high_nm,
        "fibril_thickness_radius_sd_nm": thickness.radius_sd_nm
        if "radius_unknown" not in network.flags
        else np.nan,
        "band_amplitude_nm": banding.amplitude_nm,
    }
    return values | {name: getattr(network.texture, name) for name in _MORE_TEXTURE}


def _basis_columns(networks: Sequence[NetworkAnalysis | None]) -> Columns:
    none = dict.fromkeys(SIZES, np.nan) | {FILTERS: ""}
    rows = [none if n is None else basis_columns(n.basis) for n in networks]
    sizes: Columns = {name: np.array([row[name] for row in rows], dtype=float) for name in SIZES}
    return sizes | {FILTERS: np.array([row[FILTERS] for row in rows], dtype=object)}


def sites_table(
    store: DiscStore,
    moduli: Mapping[str, MapModulus],
    systematic: Mapping[str, float],
    networks: Mapping[str, NetworkAnalysis],
    windows: WindowGrades | None,
    outline_um: npt.NDArray[np.float64],
    places: Places,
    stains: WindowStains | None = None,
    map_flags: Mapping[str, Sequence[str]] | None = None,
) -> Columns:
    """Columns of the table ``sites``: the scales joined by position.

    Parameters
    ----------
    store
        The store.
    moduli, systematic, networks
        Results by site.
    windows
        Cell windows, in the order of the store's sites.
    outline_um
        Outline of the tissue, (points, 2).
    places
        How sure the sites' places are.
    stains
        Every stain in the windows, in the order of the store's sites.
    map_flags
        Further flags of sites, from the maps of their curves.
    """
    sites = list(store.sites.values())
    columns = local_columns(store, windows, outline_um, places, stains)
    values = [
        _modulus_values(s.rows * s.cols, moduli.get(s.site), systematic.get(s.site, np.nan))
        | (_network_values(store, s.site, networks[s.site]) if s.site in networks else {})
        for s in sites
    ]
    for column in TABLES["sites"]:
        if column.name not in columns and column.kind != "text":
            absent = np.nan if column.kind == "number" else -1.0
            columns[column.name] = np.array([v.get(column.name, absent) for v in values])
    for name in _MORE:
        columns[name] = np.array([v.get(name, np.nan) for v in values])
    columns |= _basis_columns([networks.get(s.site) for s in sites])
    measured = [
        [
            *getattr(moduli.get(s.site), "flags", ()),
            *getattr(networks.get(s.site), "flags", ()),
            *(map_flags or {}).get(s.site, ()),
        ]
        for s in sites
    ]
    columns["flags"] = joined_flags(columns, measured, windows, places, stains)
    return columns


def local_columns(
    store: DiscStore,
    windows: WindowGrades | None,
    outline_um: npt.NDArray[np.float64],
    places: Places,
    stains: WindowStains | None,
) -> Columns:
    """Columns that hang on where the sites lie and on the cells, not on curves or images.

    A run that takes curves and images over from an earlier one makes these anew, so whatever
    depends on the frame or the cells belongs here.
    """
    sites = list(store.sites.values())
    centres = np.array([s.footprint.centre_um for s in sites])
    columns: Columns = {
        "disc": repeat(store.disc, len(sites)),
        "donor": repeat(store.donor, len(sites)),
        "site": np.array([s.site for s in sites], dtype=object),
        "kind": np.array([s.kind for s in sites], dtype=object),
        "probe": np.array([s.probe for s in sites], dtype=object),
        "x_um": centres[:, 0],
        "y_um": centres[:, 1],
        "rotation_deg": np.array([s.footprint.rotation_deg for s in sites]),
        "in_disc": inside(outline_um, centres),
    }
    of_stains = {} if stains is None else stains.columns(store.info["channels"])
    return columns | _window_columns(windows, len(sites)) | places.columns | of_stains


def joined_flags(
    columns: Columns,
    measured: Sequence[Sequence[str]],
    windows: WindowGrades | None,
    places: Places,
    stains: WindowStains | None,
) -> npt.NDArray[Any]:
    """Join the flags of each site with ``;``: of its place, curves, image and window.

    Parameters
    ----------
    columns
        Those of `local_columns`.
    measured
        Names that come from each site's curves and image.
    windows, places, stains
        As in `sites_table`.
    """
    texts = []
    for i, of_data in enumerate(measured):
        off = (OFF_DISC.name,) if columns["in_disc"][i] == 0 else ()
        of_window = (NO_MOSAIC.name,) if windows is None else windows.flags[i]
        untold = ("no_outline",) if windows is not None and columns["in_disc"][i] < 0 else ()
        of_stains = () if stains is None else stains.flags(i)
        names = (*off, *of_data, *of_window, *untold, *places.flags[i], *of_stains)
        texts.append(";".join(name for name in dict.fromkeys(names) if name))
    return np.array(texts, dtype=object)
