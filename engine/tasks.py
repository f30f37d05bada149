"""The pieces of an analysis, each a function of a store and the settings; run in any process."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from engine.cells import (
    GroupGrades,
    NeighbourGraph,
    NucleiDetection,
    detect_nuclei,
    grade_groups,
    neighbour_graph,
    tissue_outline,
)
from engine.collagen import ImageTip, NetworkAnalysis, analyse_height
from engine.mechanics import CurveFits, Noise, Tip, fit_curves
from engine.settings import Settings
from engine.store import DiscStore, open_store

OUTLINE_PIXEL_UM = 4.0
"""The tissue's outline is told from a level of the mosaic with pixels of about this size."""


class ChannelView:
    """One channel of a stored mosaic as an image that is read piece by piece.

    Attributes
    ----------
    shape
        (rows, cols).
    dtype
        Type of the pixels.
    """

    def __init__(self, level: Any, channel: int) -> None:
        self._level, self._channel = level, channel
        self.shape: tuple[int, int] = level.shape[1:]
        self.dtype: np.dtype[Any] = level.dtype

    def __getitem__(self, piece: tuple[slice, slice]) -> np.ndarray[Any, Any]:
        """Read a piece by its row and column slices."""
        pixels: np.ndarray[Any, Any] = self._level[(self._channel, *piece)]
        return pixels


def tip_of(probe: dict[str, Any]) -> Tip:
    """Tip geometry of a stored probe."""
    radius_um = probe.get("radius_um")
    return Tip(
        shape=probe["shape"],
        radius_nm=None if radius_um is None else 1e3 * radius_um,
        half_angle_deg=probe.get("half_angle_deg"),
    )


def _image_tip(probe: dict[str, Any]) -> ImageTip:
    tip = tip_of(probe)
    return ImageTip(probe["shape"], tip.radius_nm, tip.half_angle_deg, probe.get("radius_rel_sd"))


def find_cells(
    store: DiscStore, settings: Settings
) -> tuple[NucleiDetection, NeighbourGraph, GroupGrades]:
    """Nuclei, their graph and the grade of every group."""
    pyramid = store.mosaic
    if pyramid is None:
        raise ValueError(f"{store.path} holds no mosaic")
    channel = store.info["channels"].index("nuclei")
    pixel_um = pyramid.pixel_um[0][1]
    found = detect_nuclei(ChannelView(pyramid.levels[0], channel), pixel_um, settings.cells)
    origin_y, origin_x = pyramid.origin_um[0]
    found = replace(found, x_um=found.x_um + origin_x, y_um=found.y_um + origin_y)
    xy_um = np.column_stack([found.x_um, found.y_um])
    graph = neighbour_graph(xy_um, settings.cells)
    return found, graph, grade_groups(xy_um, graph, settings.cells, settings.seed)


def outline_of(store: DiscStore, settings: Settings) -> np.ndarray[Any, Any]:
    """Outline of the tissue, (points, 2) in disc micrometres; empty where it can't be told."""
    pyramid = store.mosaic
    if pyramid is None:
        return np.empty((0, 2))
    level = pyramid.level_for(OUTLINE_PIXEL_UM)
    channel = store.info["channels"].index("nuclei")
    outline = tissue_outline(
        pyramid.levels[level][channel], pyramid.pixel_um[level][1], settings.cells
    )
    origin_y, origin_x = pyramid.origin_um[level]
    return outline + np.array([origin_x, origin_y])


def fit_site(
    store: DiscStore, site: str, settings: Settings, pooled_noise: Noise | None = None
) -> CurveFits:
    """Fit every curve of a site.

    Parameters
    ----------
    store, site, settings
        Where, which and how.
    pooled_noise
        Noise of all maps of the probe, which steadies the standard errors of a small map.
    """
    curves = store.curves(site)
    probe = store.info["probes"][store.sites[site].probe]
    z_nm, deflection_nm = curves.approach()
    retract = curves.retract()
    return fit_curves(
        z_nm,
        deflection_nm,
        tip=tip_of(probe),
        spring_constant_N_per_m=probe["spring_constant_N_per_m"],
        poisson_ratio=store.info["sample"]["poisson_ratio"],
        retract_z_nm=None if retract is None else retract[0],
        retract_deflection_nm=None if retract is None else retract[1],
        valid=curves.valid,
        thickness_um=store.info["sample"].get("thickness_um"),
        settings=settings.mechanics,
        pooled_noise=pooled_noise,
    )


def analyse_network(store: DiscStore, site: str, settings: Settings) -> NetworkAnalysis:
    """Texture, fibrils and banding of a site's height image."""
    pyramid = store.height(site)
    probe = store.info["probes"][store.sites[site].probe]
    pixel_v_um, pixel_u_um = pyramid.pixel_um[0]
    return analyse_height(
        pyramid.levels[0][:],
        (1e3 * pixel_u_um, 1e3 * pixel_v_um),
        _image_tip(probe),
        settings.collagen,
        settings.seed,
    )


def run_task(path: Path, kind: str, sites: Sequence[str], settings: Settings) -> Any:
    """Run one planned piece in this process.

    Parameters
    ----------
    path
        The store's folder.
    kind
        ``cells``, ``curves`` or ``network``.
    sites
        The sites it covers; none for ``cells``.
    settings
        All settings.

    Returns
    -------
    object
        For ``cells`` what :func:`find_cells` returns; else a list, one result a site.
    """
    store = open_store(path)
    if kind == "cells":
        return find_cells(store, settings)
    if kind == "curves":
        return [fit_site(store, site, settings) for site in sites]
    return [analyse_network(store, site, settings) for site in sites]
