"""The pieces of an analysis, each a function of a store and the settings; run in any process."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from engine.assumptions import assumptions, tip_of
from engine.cells import (
    CellIntensities,
    CellsSettings,
    GroupGrades,
    NeighbourGraph,
    NucleiDetection,
    correct_nuclei,
    detect_nuclei,
    grade_groups,
    measure_cells,
    neighbour_graph,
    tissue_outline,
)
from engine.clips import ClipAnalysis, analyse_clip
from engine.collagen import ImageTip, NetworkAnalysis, analyse_height
from engine.errors import Cancelled
from engine.map_tasks import examine_site
from engine.mechanics import CurveFits, Noise, fit_curves
from engine.settings import Settings
from engine.store import DiscStore, open_store
from engine.store.corrections import corrections_of
from engine.store.labels import BLOCK as LABEL_BLOCK
from engine.store.labels import LabelWriter
from engine.store.pyramid import Pyramid

OUTLINE_PIXEL_UM = 4.0
"""The tissue's outline is told from a level of the mosaic with pixels of about this size."""
CHUNK_SAMPLES = 1 << 21
"""Samples of a site that are held at a time, each way, so that memory stays flat."""
_CHUNK_CURVES = 256, 8_192

Tell = Callable[[float], None]
"""``tell(share)``: how much of a piece is done, 0 to 1."""


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


def image_tip_of(probe: dict[str, Any]) -> ImageTip:
    """Tip of a stored probe as the height images see it."""
    tip = tip_of(probe)
    return ImageTip(probe["shape"], tip.radius_nm, tip.half_angle_deg, probe.get("radius_rel_sd"))


def find_cells(
    store: DiscStore,
    settings: Settings,
    run: Path | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[NucleiDetection, NeighbourGraph, GroupGrades, CellIntensities]:
    """Nuclei, their graph, the grade of every group, and every stain at every cell.

    Parameters
    ----------
    store, settings
        Where and how.
    run
        Folder of the run that takes the label image of the nuclei; None keeps none.
    cancelled
        Asked between blocks of the image.

    Raises
    ------
    Cancelled
        If ``cancelled`` said so.
    """
    pyramid = store.mosaic
    if pyramid is None:
        raise ValueError(f"{store.path} holds no mosaic")
    names = store.info["channels"]
    views = [ChannelView(pyramid.levels[0], number) for number in range(len(names))]
    nuclei, pixel_um = views[names.index("nuclei")], pyramid.pixel_um[0][1]
    found = detect_nuclei(nuclei, pixel_um, settings.cells)
    if settings.use_corrections:
        found = with_corrections(store, found, settings)
    labels = None if run is None else LabelWriter(run, pyramid)

    def take(row: int, col: int, block: np.ndarray[Any, Any]) -> None:
        if cancelled is not None and cancelled():
            raise Cancelled("the analysis was cancelled; the store is as it was")
        if labels is not None:
            labels.take(row, col, block)

    stains = measure_cells(
        nuclei,
        views,
        pixel_um,
        found.x_um,
        found.y_um,
        found.diameter_um,
        found.contrast,
        settings.cells.intensities,
        take,
        LABEL_BLOCK,
    )
    if labels is not None:
        labels.finish()
    origin_y, origin_x = pyramid.origin_um[0]
    found = replace(found, x_um=found.x_um + origin_x, y_um=found.y_um + origin_y)
    xy_um = np.column_stack([found.x_um, found.y_um])
    graph = neighbour_graph(xy_um, settings.cells)
    return found, graph, grade_groups(xy_um, graph, settings.cells, settings.seed), stains


def with_corrections(
    store: DiscStore, found: NucleiDetection, settings: Settings
) -> NucleiDetection:
    """Lay the corrections kept in a store over nuclei of its mosaic; the note says how many.

    Positions of the nuclei are those from the centre of the mosaic's first pixel.
    """
    assert store.mosaic is not None
    origin = np.array(store.mosaic.origin_um[0][::-1])
    places: dict[str, list[tuple[float, float]]] = {"add": [], "remove": []}
    for correction in corrections_of(store.path):
        if correction.stands:
            places[correction.what].append((correction.x_um, correction.y_um))
    add, remove = (np.array(places[k], float).reshape(-1, 2) - origin for k in ("add", "remove"))
    sizes = settings.cells.detection
    typical = 0.5 * (sizes.small_diameter_um + sizes.large_diameter_um)
    corrected = correct_nuclei(found, add, remove, settings.cells.by_hand.reach_um, typical)
    idle = int((~corrected.added).sum() + (~corrected.removed).sum())
    note = (
        f"{found.note} By hand: {corrected.added.sum()} added, {corrected.removed.sum()} taken out"
        f"{f'; {idle} more met nothing to change' if idle else ''}."
    )
    return replace(corrected.found, note=note)


def outline_of(store: DiscStore, settings: Settings) -> np.ndarray[Any, Any]:
    """Outline of the tissue, (points, 2) in disc micrometres; empty where it can't be told."""
    if store.mosaic is None:
        return np.empty((0, 2))
    return outline_of_pyramid(store.mosaic, store.info["channels"], settings.cells)


def outline_of_pyramid(
    pyramid: Pyramid, channels: Sequence[str], settings: CellsSettings | None = None
) -> np.ndarray[Any, Any]:
    """Outline of the tissue from a coarse level of a stored mosaic, as `outline_of`.

    Parameters
    ----------
    pyramid, channels
        The mosaic and the names of its channels.
    settings
        Settings.
    """
    if "nuclei" not in channels:
        return np.empty((0, 2))
    level = pyramid.level_for(OUTLINE_PIXEL_UM)
    outline = tissue_outline(
        pyramid.levels[level][list(channels).index("nuclei")], pyramid.pixel_um[level][1], settings
    )
    origin_y, origin_x = pyramid.origin_um[level]
    return outline + np.array([origin_x, origin_y])


def fit_site(
    store: DiscStore,
    site: str,
    settings: Settings,
    pooled_noise: Noise | None = None,
    *,
    threads: int = 1,
    tell: Tell | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> CurveFits:
    """Fit every curve of a site; a large one is read and fitted in chunks.

    Parameters
    ----------
    store, site, settings
        Where, which and how.
    pooled_noise
        Noise of all maps of the probe, which steadies the standard errors of a small map.
    threads
        Worker threads.
    tell
        Told how far it is after every chunk.
    cancelled
        Asked before every chunk; true ends the fit with `engine.mechanics.FitCancelled`.
    """
    curves = store.curves(site)
    probe = store.sites[site].probe
    assumed = assumptions(
        store.info["probes"][probe], store.info["sample"], settings.mechanics, probe
    )
    z_nm, deflection_nm = curves.rows_of("approach")
    retract = curves.rows_of("retract") if curves.has_retract else (None, None)
    return fit_curves(
        z_nm,
        deflection_nm,
        tip=assumed.tip,
        spring_constant_N_per_m=assumed.spring_constant_N_per_m,
        poisson_ratio=assumed.poisson_ratio,
        retract_z_nm=retract[0],
        retract_deflection_nm=retract[1],
        valid=curves.valid,
        thickness_um=assumed.thickness_um,
        settings=settings.mechanics,
        pooled_noise=pooled_noise,
        depth_share=assumed.depth_share,
        threads=threads,
        chunk_curves=chunk_of(deflection_nm.shape[1]),
        progress=None if tell is None else lambda done, total: tell(done / max(total, 1)),
        cancelled=cancelled,
    )


def chunk_of(samples: int) -> int:
    """Curves of a chunk, whole chunks of the store, for curves of so many samples."""
    least, most = _CHUNK_CURVES
    return int(np.clip(CHUNK_SAMPLES // max(samples, 1) // least * least, least, most))


def analyse_network(store: DiscStore, site: str, settings: Settings) -> NetworkAnalysis:
    """Texture, fibrils and banding of a site's height image."""
    pyramid = store.height(site)
    probe = store.info["probes"][store.sites[site].probe]
    pixel_v_um, pixel_u_um = pyramid.pixel_um[0]
    return analyse_height(
        pyramid.levels[0][:],
        (1e3 * pixel_u_um, 1e3 * pixel_v_um),
        image_tip_of(probe),
        settings.collagen,
        settings.seed,
    )


def look_at_clip(
    store: DiscStore, clip: str, settings: Settings, tell: Tell | None = None
) -> ClipAnalysis:
    """Focus, path, mosaic and verdict of a stored clip."""
    frames, known = store.clip_frames(clip), store.clips[clip]
    return analyse_clip(
        lambda number: np.asarray(frames[number]),
        known.frames,
        known.pixel_um,
        settings.clips,
        settings.cells,
        settings.seed,
        tell,
    )


def run_task(
    path: Path,
    kind: str,
    sites: Sequence[str],
    settings: Settings,
    *,
    threads: int = 1,
    tell: Tell | None = None,
    cancelled: Callable[[], bool] | None = None,
    run: Path | None = None,
) -> Any:
    """Run one planned piece in this process.

    Parameters
    ----------
    path
        The store's folder.
    kind
        ``cells``, ``curves``, ``network`` or ``clips``.
    sites
        The sites, or clips, it covers; none for ``cells``.
    settings
        All settings.
    threads, tell, cancelled
        As for `fit_site`; the share told is that of the piece.
    run
        Folder of the run that is being written, for what is too large to hand back.

    Returns
    -------
    object
        For ``cells`` what :func:`find_cells` returns; else a list, one result a site; for
        ``curves`` pairs of fits and :class:`engine.map_tasks.MapAside`.
    """
    store = open_store(path)
    if kind == "cells":
        return find_cells(store, settings, run, cancelled)
    if kind == "clips":
        return [look_at_clip(store, clip, settings, tell) for clip in sites]
    if kind == "network":
        return [analyse_network(store, site, settings) for site in sites]
    found = []
    for number, site in enumerate(sites):
        tell_part = _part_of(tell, number, len(sites))
        fits = fit_site(store, site, settings, threads=threads, tell=tell_part, cancelled=cancelled)
        found.append((fits, examine_site(store, site, settings, fits)))
    return found


def _part_of(tell: Tell | None, number: int, total: int) -> Tell | None:
    return None if tell is None else lambda share: tell((number + share) / total)
