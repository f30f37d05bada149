"""Kernel results into the columns of the result tables."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from engine.cells import FLAGS as CELL_FLAGS
from engine.cells import (
    CellsSettings,
    GroupGrades,
    NeighbourGraph,
    NucleiDetection,
    WindowGrades,
    grade_windows,
)
from engine.cells.patterns import PATTERNS
from engine.collagen import NetworkAnalysis
from engine.flags import names_in
from engine.mechanics import FLAGS as CURVE_FLAGS
from engine.mechanics import CurveFits, MapModulus
from engine.store import DiscStore

Columns = dict[str, npt.NDArray[Any]]
_EXTRA_FIT_COLUMNS = (
    "contact_se_nm",
    "baseline_offset_nm",
    "baseline_slope",
    "exponent_se",
    "stiffness_ratio",
    "noise_nm",
)


@dataclass(frozen=True)
class Cells:
    """What was found in the mosaic.

    Attributes
    ----------
    found, graph, grades
        Nuclei, their neighbours, the grade of every group.
    """

    found: NucleiDetection
    graph: NeighbourGraph
    grades: GroupGrades


def _pattern_names(index: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Names of pattern indices; -1 becomes empty."""
    return np.array([*PATTERNS, ""], dtype=object)[np.asarray(index, dtype=np.int64)]


def _repeat(text: str, count: int) -> npt.NDArray[Any]:
    return np.full(count, text, dtype=object)


def cells_table(disc: str, cells: Cells) -> Columns:
    """Columns of the table ``cells``."""
    count = len(cells.found.x_um)
    return {
        "disc": _repeat(disc, count),
        "cell": np.arange(count),
        "x_um": cells.found.x_um,
        "y_um": cells.found.y_um,
        "diameter_um": cells.found.diameter_um,
        "cell_group": cells.graph.group,
        "pattern": _pattern_names(cells.grades.cell_pattern),
        "pattern_confidence": cells.grades.cell_confidence,
        "neighbours": cells.graph.neighbours,
        "nn_distance_um": cells.graph.nn_distance_um,
        "snr": cells.found.snr,
    }


def cell_groups_table(disc: str, cells: Cells) -> Columns:
    """Columns of the table ``cell_groups``; ``rule`` says in words what decided."""
    grades = cells.grades
    count = len(grades.pattern)
    return {
        "disc": _repeat(disc, count),
        "cell_group": np.arange(count),
        "pattern": _pattern_names(grades.pattern),
        "pattern_confidence": grades.confidence,
        "cells": grades.cells,
        "x_um": grades.x_um,
        "y_um": grades.y_um,
        "length_um": grades.length_um,
        "width_um": grades.width_um,
        "angle_deg": grades.angle_deg,
        "ambiguous": np.asarray(grades.ambiguous, dtype=bool),
        "rule": np.asarray(grades.rule, dtype=object),
    }


def curves_table(store: DiscStore, fits: Mapping[str, CurveFits]) -> Columns:
    """Columns of the table ``curves``, sites in the order of the store."""
    parts = [_site_curves(store, site, fit) for site, fit in fits.items()]
    if not parts:
        return _site_curves_empty()
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def _site_curves(store: DiscStore, site: str, fit: CurveFits) -> Columns:
    stored = store.sites[site]
    row, col = np.divmod(np.arange(stored.rows * stored.cols), max(stored.cols, 1))
    grid = stored.footprint.grid(stored.rows, stored.cols).reshape(-1, 2)
    count = len(row)
    names = {int(mask): names_in(CURVE_FLAGS, int(mask)) for mask in np.unique(fit.flags)}
    columns = {
        "disc": _repeat(store.disc, count),
        "site": _repeat(site, count),
        "row": row,
        "col": col,
        "x_um": grid[:, 0],
        "y_um": grid[:, 1],
        "modulus_kPa": fit.modulus_kPa,
        "modulus_se_kPa": fit.modulus_se_kPa,
        "contact_z_um": fit.contact_z_nm / 1e3,
        "indentation_nm": fit.indentation_nm,
        "force_nN": fit.force_nN,
        "rmse_nN": fit.rmse_nN,
        "exponent": fit.exponent,
        "adhesion_nN": fit.adhesion_nN,
        "dissipation": fit.dissipation,
        "used": fit.used,
        "flags": np.array([names[int(mask)] for mask in fit.flags], dtype=object),
    }
    return columns | {name: getattr(fit, name) for name in _EXTRA_FIT_COLUMNS}


def _site_curves_empty() -> Columns:
    from engine.store import TABLES

    names = [c.name for c in TABLES["curves"]]
    return {name: np.empty(0) for name in (*names, *_EXTRA_FIT_COLUMNS)}


def fibrils_table(store: DiscStore, networks: Mapping[str, NetworkAnalysis]) -> Columns:
    """Columns of the table ``fibrils``; positions and angles in the disc frame."""
    parts = []
    for site, network in networks.items():
        fibrils, footprint = network.fibrils, store.sites[site].footprint
        count = len(fibrils.u_nm)
        x_um, y_um = footprint.to_disc(fibrils.u_nm / 1e3, fibrils.v_nm / 1e3)
        parts.append(
            {
                "disc": _repeat(store.disc, count),
                "site": _repeat(site, count),
                "fibril": np.arange(count),
                "x_um": x_um,
                "y_um": y_um,
                "length_nm": fibrils.length_nm,
                "thickness_nm": fibrils.thickness_nm,
                "thickness_se_nm": fibrils.thickness_se_nm,
                "angle_deg": footprint.table_angle(fibrils.angle_deg),
                "band_period_nm": fibrils.band_period_nm,
                "band_snr": fibrils.band_snr,
            }
        )
    if not parts:
        from engine.store import TABLES

        return {c.name: np.empty(0) for c in TABLES["fibrils"]}
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


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
            "pattern": _repeat("", sites),
            "cells_in_window": np.full(sites, -1),
        }
        numbers = ("pattern_confidence", "pattern_index", "pattern_window_um")
        names = (*numbers, "cell_density_per_mm2", *(f"fraction_{p}" for p in PATTERNS))
        return empty | dict.fromkeys(names, nothing)
    columns: Columns = {
        "pattern": _pattern_names(windows.pattern),
        "pattern_confidence": windows.confidence,
        "pattern_index": windows.index,
        "pattern_window_um": windows.window_um,
        "cells_in_window": windows.cells,
        "cell_density_per_mm2": windows.density_per_mm2,
    }
    fractions = {f"fraction_{p}": windows.fractions[:, i] for i, p in enumerate(PATTERNS)}
    return columns | fractions


def _modulus_values(modulus: MapModulus | None, systematic: float) -> dict[str, float]:
    if modulus is None:
        return {"curves_total": -1, "curves_used": -1}
    return {
        "curves_total": modulus.curves_total,
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


_TEXTURE = ("Sa_nm", "Sq_nm", "Sz_nm", "Ssk", "Sku", "Sdq", "Sdr_pct", "Sal_nm", "Str")
_NUMBERS_OF_A_SITE = [
    "curves_total",
    "curves_used",
    "modulus_kPa",
    "modulus_ci_low_kPa",
    "modulus_ci_high_kPa",
    "modulus_geomean_kPa",
    "modulus_iqr_kPa",
    "modulus_syst_rel",
    "indentation_nm",
    "exponent",
    "adhesion_nN",
    "dissipation",
    "Sa_nm",
    "Sq_nm",
    "Sz_nm",
    "Ssk",
    "Sku",
    "Sdq",
    "Sdr_pct",
    "Sal_nm",
    "Str",
    "Sq_plane_nm",
    "fibril_thickness_mean_nm",
    "fibril_thickness_median_nm",
    "fibril_thickness_p95_nm",
    "fibril_thickness_p95_ci_low_nm",
    "fibril_thickness_p95_ci_high_nm",
    "fibril_length_um",
    "fibril_junctions_per_um2",
    "fibril_order",
    "fibril_angle_deg",
    "band_period_nm",
    "band_period_se_nm",
    "band_fraction",
    "band_resolvable",
]
_COUNTS_OF_A_SITE = {"curves_total", "curves_used", "band_resolvable"}


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
    }
    return values


def sites_table(
    store: DiscStore,
    moduli: Mapping[str, MapModulus],
    systematic: Mapping[str, float],
    networks: Mapping[str, NetworkAnalysis],
    windows: WindowGrades | None,
    outline_um: npt.NDArray[np.float64],
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
    """
    sites = list(store.sites.values())
    centres = np.array([s.footprint.centre_um for s in sites])
    columns: Columns = {
        "disc": _repeat(store.disc, len(sites)),
        "donor": _repeat(store.donor, len(sites)),
        "site": np.array([s.site for s in sites], dtype=object),
        "kind": np.array([s.kind for s in sites], dtype=object),
        "probe": np.array([s.probe for s in sites], dtype=object),
        "x_um": centres[:, 0],
        "y_um": centres[:, 1],
        "rotation_deg": np.array([s.footprint.rotation_deg for s in sites]),
        "in_disc": inside(outline_um, centres),
    }
    columns |= _window_columns(windows, len(sites))
    values = [
        _modulus_values(moduli.get(s.site), systematic.get(s.site, np.nan))
        | (_network_values(store, s.site, networks[s.site]) if s.site in networks else {})
        for s in sites
    ]
    for name in _NUMBERS_OF_A_SITE:
        absent = -1 if name in _COUNTS_OF_A_SITE else np.nan
        columns[name] = np.array([v.get(name, absent) for v in values], dtype=float)
    columns["flags"] = np.array(
        [
            ";".join(_site_flags(s.site, i, moduli, networks, windows, columns))
            for i, s in enumerate(sites)
        ],
        dtype=object,
    )
    return columns


def _site_flags(
    site: str,
    index: int,
    moduli: Mapping[str, MapModulus],
    networks: Mapping[str, NetworkAnalysis],
    windows: WindowGrades | None,
    columns: Columns,
) -> Sequence[str]:
    names: list[str] = []
    if columns["in_disc"][index] == 0:
        names.append("off_disc")
    if site in moduli:
        names += moduli[site].flags
    if site in networks:
        names += networks[site].flags
    if windows is None:
        names.append("no_mosaic")
    else:
        names += names_in(CELL_FLAGS, int(windows.flags[index])).split(";")
    return [name for name in dict.fromkeys(names) if name]
