"""Kernel results into the columns of the result tables."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from engine.cells import CellIntensities, GroupGrades, NeighbourGraph, NucleiDetection
from engine.cells.patterns import PATTERNS
from engine.collagen import NetworkAnalysis
from engine.flags import names_in
from engine.map_tables import curve_columns
from engine.map_tasks import MapAside
from engine.mechanics import FLAGS as CURVE_FLAGS
from engine.mechanics import CurveFits
from engine.stains import cell_columns
from engine.store import TABLES, DiscStore

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
    stains
        Every stain at every nucleus.
    """

    found: NucleiDetection
    graph: NeighbourGraph
    grades: GroupGrades
    stains: CellIntensities


def pattern_names(index: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Names of pattern indices; -1 becomes empty."""
    return np.array([*PATTERNS, ""], dtype=object)[np.asarray(index, dtype=np.int64)]


def repeat(text: str, count: int) -> npt.NDArray[Any]:
    """Give one text ``count`` times."""
    return np.full(count, text, dtype=object)


def empty(table: str, further: tuple[str, ...] = ()) -> Columns:
    """Columns of a table without rows."""
    return {name: np.empty(0) for name in (*(c.name for c in TABLES[table]), *further)}


def cells_table(disc: str, cells: Cells | None, channels: Sequence[str] = ()) -> Columns:
    """Columns of the table ``cells``; four a stain beside the contract's."""
    if cells is None:
        return empty("cells", ("snr", "by_hand")) | cell_columns(channels, None)
    count = len(cells.found.x_um)
    by_hand = cells.found.by_hand
    return {
        "disc": repeat(disc, count),
        "cell": np.arange(count),
        "x_um": cells.found.x_um,
        "y_um": cells.found.y_um,
        "diameter_um": cells.found.diameter_um,
        "cell_group": cells.graph.group,
        "pattern": pattern_names(cells.grades.cell_pattern),
        "pattern_confidence": cells.grades.cell_confidence,
        "neighbours": cells.graph.neighbours,
        "nn_distance_um": cells.graph.nn_distance_um,
        "snr": cells.found.snr,
        "by_hand": by_hand if len(by_hand) else np.zeros(count, dtype=bool),
        **cell_columns(channels, cells.stains),
    }


def cell_groups_table(disc: str, cells: Cells | None) -> Columns:
    """Columns of the table ``cell_groups``; ``rule`` says in words what decided."""
    if cells is None:
        return empty("cell_groups", ("ambiguous", "stability", "margin", "second", "rule"))
    grades = cells.grades
    count = len(grades.pattern)
    return {
        "disc": repeat(disc, count),
        "cell_group": np.arange(count),
        "pattern": pattern_names(grades.pattern),
        "pattern_confidence": grades.confidence,
        "cells": grades.cells,
        "x_um": grades.x_um,
        "y_um": grades.y_um,
        "length_um": grades.length_um,
        "width_um": grades.width_um,
        "angle_deg": grades.angle_deg,
        "ambiguous": np.asarray(grades.ambiguous, dtype=bool),
        "stability": grades.stability,
        "margin": grades.margin,
        "second": pattern_names(grades.second),
        "rule": np.asarray(grades.rule, dtype=object),
    }


def curves_table(
    store: DiscStore, fits: Mapping[str, CurveFits], asides: Mapping[str, MapAside]
) -> Columns:
    """Columns of the table ``curves``, sites in the order of the store."""
    parts = [
        _site_curves(store, site, fit) | curve_columns(fit, asides.get(site))
        for site, fit in fits.items()
    ]
    if not parts:
        return empty("curves", _EXTRA_FIT_COLUMNS)
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def _site_curves(store: DiscStore, site: str, fit: CurveFits) -> Columns:
    stored = store.sites[site]
    row, col = np.divmod(np.arange(stored.rows * stored.cols), max(stored.cols, 1))
    grid = stored.footprint.grid(stored.rows, stored.cols).reshape(-1, 2)
    count = len(row)
    names = {int(mask): names_in(CURVE_FLAGS, int(mask)) for mask in np.unique(fit.flags)}
    columns = {
        "disc": repeat(store.disc, count),
        "site": repeat(site, count),
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


def assumed_columns(store: DiscStore, fits: Mapping[str, CurveFits]) -> Columns:
    """Columns of the table ``sites`` that say with what every modulus was found."""
    found = [fits.get(site) for site in store.sites]
    return {
        "modulus_model": _words("" if f is None else f.tip.law.name for f in found),
        "modulus_layer": _words("" if f is None else _layer_word(f) for f in found),
        "modulus_depth_share": np.array([np.nan if f is None else f.depth_share for f in found]),
        "modulus_poisson_ratio": np.array(
            [np.nan if f is None else f.poisson_ratio for f in found]
        ),
    }


def _words(texts: Iterable[str]) -> npt.NDArray[Any]:
    return np.array(list(texts), dtype=object)


def _layer_word(fit: CurveFits) -> str:
    """Say what the law was corrected for; empty = taken as a half-space."""
    layer = fit.layer
    return "" if layer is None else f"{layer.base} {layer.thickness_nm / 1e3:g} um"


def fibrils_table(store: DiscStore, networks: Mapping[str, NetworkAnalysis]) -> Columns:
    """Columns of the table ``fibrils``; positions and angles in the disc frame."""
    parts = []
    for site, network in networks.items():
        fibrils, footprint = network.fibrils, store.sites[site].footprint
        count = len(fibrils.u_nm)
        x_um, y_um = footprint.to_disc(fibrils.u_nm / 1e3, fibrils.v_nm / 1e3)
        parts.append(
            {
                "disc": repeat(store.disc, count),
                "site": repeat(site, count),
                "fibril": np.arange(count),
                "x_um": x_um,
                "y_um": y_um,
                "length_nm": fibrils.length_nm,
                "thickness_nm": fibrils.thickness_nm,
                "thickness_se_nm": fibrils.thickness_se_nm,
                "angle_deg": footprint.table_angle(fibrils.angle_deg),
                "band_period_nm": fibrils.band_period_nm,
                "band_snr": fibrils.band_snr,
                "thickness_radius_sd_nm": fibrils.thickness_radius_sd_nm,
                "band_amplitude_nm": network.banding.piece_amplitude_nm,
            }
        )
    if not parts:
        return empty("fibrils", ("thickness_radius_sd_nm", "band_amplitude_nm"))
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
