"""From a store and its current run to a scene."""

from collections.abc import Callable
from functools import cache, partial
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from engine.cells.patterns import PATTERNS
from engine.collagen.levelling import subtract_polynomial
from engine.footprint import Footprint
from engine.store import DiscStore
from engine.view.mosaic import contrast
from engine.view.scene import (
    BandLayer,
    CellLayer,
    CurveLayer,
    HeightLayer,
    MosaicLayer,
    Scene,
    TileLayer,
)

NUCLEI = "nuclei"
"""The channel that is shown, where there are several."""
_ROOM = 4.0
"""A channel's window may be widened up to so many times the one that suits."""
CONTRAST_PX = 700
"""Contrast is chosen on the coarsest level with at least this many pixels a side."""


def load_scene(store: DiscStore, run: str | None, table: Callable[[str], pd.DataFrame]) -> Scene:
    """Make the scene of one disc; pixels are read only when they are drawn.

    Parameters
    ----------
    store
        The disc.
    run
        Its run, or None where it was never analysed: then there are no cells, and no curve counts.
    table
        Gives a result table of that run by name.
    """
    name = f"{store.path}|{run}"
    feet = {site: stored.footprint for site, stored in store.sites.items()}
    detail = store.detail("cells", run=run) if run else {}
    mosaic = _mosaic(store)
    outline = np.asarray(detail.get("outline_um", np.empty((0, 2))), dtype=np.float64)
    return Scene(
        name=name,
        extent_um=_extent(mosaic, feet),
        sites=feet,
        outline_um=outline.reshape(-1, 2),
        mosaic=mosaic,
        tiles=_tiles(store),
        heights=_heights(store, run, name),
        bands=_bands(store, run),
        cells=_cells(table("cells"), table("cell_groups"), detail),
        curves=_curves(store, feet, table("curves") if run else None),
    )


def _mosaic(store: DiscStore) -> MosaicLayer | None:
    pyramid = store.mosaic
    if pyramid is None:
        return None
    named = list(store.info.get("channels", ()))
    shown = named.index(NUCLEI) if NUCLEI in named else 0
    channel = shown if len(pyramid.levels[0].shape) == 3 else None
    low, high = contrast(_coarse(pyramid.levels, channel))
    return MosaicLayer(
        f"{store.path}|mosaic",
        pyramid.levels,
        pyramid.pixel_um,
        pyramid.origin_um,
        channel,
        low,
        high,
    )


def _tiles(store: DiscStore) -> TileLayer | None:
    tiles, pyramid = store.tile_map, store.mosaic
    if tiles is None or pyramid is None:
        return None
    pixel_um = pyramid.pixel_um[0][1]
    return TileLayer(
        corner_um=tiles.nominal_um + tiles.correction_um - pixel_um / 2,
        size_um=tiles.size_um,
        weak=np.array([bool(flags) for flags in tiles.flags], dtype=bool),
        pairs=tiles.pairs,
        residual_um=tiles.residual_um,
        used=tiles.pair_used & np.isfinite(tiles.residual_um),
        limit_um=float(tiles.settings["consistent_px"]) * pixel_um,
    )


def _coarse(levels: tuple[Any, ...], channel: int | None) -> NDArray[Any]:
    large = [level for level in levels if min(level.shape[-2:]) >= CONTRAST_PX]
    coarse = large[-1] if large else levels[0]
    return np.asarray(coarse[:] if channel is None else coarse[channel])


def window_of(layer: MosaicLayer, channel: int) -> tuple[tuple[float, float], tuple[float, float]]:
    """Choose the values between which a channel is drawn, and the ends of what may be chosen.

    Parameters
    ----------
    layer
        The mosaic.
    channel
        Number of the channel.
    """
    pixels = _coarse(layer.levels, channel if len(layer.levels[0].shape) == 3 else None)
    known = pixels[np.isfinite(pixels)]
    low, high = contrast(known)
    least, most = (float(known.min()), float(known.max())) if known.size else (low, high)
    # a speck of dust must not make the slider useless
    return (low, high), (min(least, low), max(min(most, low + _ROOM * (high - low)), high))


def _extent(
    mosaic: MosaicLayer | None, feet: dict[str, Footprint]
) -> tuple[float, float, float, float]:
    corners = [foot.corners() for foot in feet.values()]
    if mosaic is not None:
        rows, cols = mosaic.levels[0].shape[-2:]
        py, px = mosaic.pixel_um[0]
        edge = np.array([[-0.5 * px, -0.5 * py], [(cols - 0.5) * px, (rows - 0.5) * py]])
        corners.append(edge + np.array(mosaic.origin_um[0][::-1]))
    points = np.vstack(corners) if corners else np.array([[0.0, 0.0], [1.0, 1.0]])
    x0, y0 = points.min(axis=0)
    x1, y1 = points.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _heights(store: DiscStore, run: str | None, name: str) -> tuple[HeightLayer, ...]:
    layers = []
    for site, stored in store.sites.items():
        if stored.has_height:
            rows, cols = store.height(site).levels[0].shape
            read = partial(_levelled, store, run, site)
            layers.append(HeightLayer(f"{name}|{site}", site, stored.footprint, (rows, cols), read))
    return tuple(layers)


def _levelled(store: DiscStore, run: str | None, site: str) -> NDArray[np.float32]:
    levelled = store.detail(f"sites/{site}", run=run).get("levelled_nm") if run else None
    if levelled is None:
        raw = np.asarray(store.height(site).levels[0][:], dtype=np.float64)
        levelled = subtract_polynomial(raw, 1)
    return np.asarray(levelled, dtype=np.float32)


_BAND_PARTS = ("u_nm", "v_nm", "across_u", "across_v", "width_nm")


def _bands(store: DiscStore, run: str | None) -> tuple[BandLayer, ...]:
    if run is None:
        return ()

    def reader(site: str) -> Callable[[], dict[str, NDArray[np.float64]]]:
        @cache
        def read() -> dict[str, NDArray[np.float64]]:
            detail = store.detail(f"sites/{site}", run=run)
            return {
                name: np.asarray(detail.get(f"banding.marks.{name}", ()), dtype=np.float64)
                for name in _BAND_PARTS
            }

        return read

    return tuple(
        BandLayer(stored.footprint, reader(site))
        for site, stored in store.sites.items()
        if stored.has_height
    )


def _cells(cells: pd.DataFrame, groups: pd.DataFrame, detail: dict[str, Any]) -> CellLayer:
    index = {name: i for i, name in enumerate(PATTERNS)}
    pattern = [index.get(str(p), -1) for p in cells["pattern"]]
    links = np.asarray(detail.get("edges", np.empty((0, 2))), dtype=np.int64).reshape(-1, 2)
    if len(links) and "cell_group" in cells:
        group = cells["cell_group"].to_numpy(dtype=np.int64, na_value=-1)
        links = links[group[links[:, 0]] == group[links[:, 1]]]
    return CellLayer(
        x_um=cells["x_um"].to_numpy(dtype=np.float64),
        y_um=cells["y_um"].to_numpy(dtype=np.float64),
        diameter_um=cells["diameter_um"].to_numpy(dtype=np.float64),
        pattern=np.array(pattern, dtype=np.int64),
        links=links,
        ambiguous=ambiguous_of(cells, groups),
    )


def ambiguous_of(cells: pd.DataFrame, groups: pd.DataFrame) -> NDArray[np.bool_]:
    """Tell whether the group of each cell is ambiguous; empty where the run does not say."""
    if "ambiguous" not in groups or "cell_group" not in cells:
        return np.empty(0, bool)
    number = groups["cell_group"].to_numpy(dtype=np.int64, na_value=-1)
    unsure = number[groups["ambiguous"].to_numpy(dtype=bool, na_value=False)]
    return np.isin(cells["cell_group"].to_numpy(dtype=np.int64, na_value=-1), unsure)


def _curves(store: DiscStore, feet: dict[str, Footprint], table: pd.DataFrame | None) -> CurveLayer:
    maps = [
        (number, site, store.sites[site])
        for number, site in enumerate(feet)
        if store.sites[site].has_curves
    ]
    if not maps:
        return CurveLayer()
    parts: list[tuple[NDArray[Any], ...]] = []
    for number, site, stored in maps:
        foot = feet[site]
        grid = foot.grid(stored.rows, stored.cols).reshape(-1, 2)
        count = len(grid)
        steps = (
            foot.width_um / max(stored.cols - 1, 1),
            foot.height_um / max(stored.rows - 1, 1),
        )
        parts.append(
            (
                grid[:, 0],
                grid[:, 1],
                np.full(count, min(steps)),
                np.full(count, stored.has_height),
                np.full(count, number),
                np.arange(count),
            )
        )
    x, y, spacing, over, number_of, index = (
        np.concatenate(part) for part in zip(*parts, strict=True)
    )
    used = np.zeros(len(x), bool)
    layer = CurveLayer(x, y, used, spacing, over.astype(bool), number_of, index)
    if table is None:
        return layer
    values = curve_values(layer, tuple(feet), store, table, "used")
    return CurveLayer(x, y, values > 0, spacing, layer.over_height, number_of, index)


def curve_values(
    layer: CurveLayer, sites: tuple[str, ...], store: DiscStore, table: pd.DataFrame, name: str
) -> NDArray[np.float64]:
    """Bring a column of the curves table into the order of the layer's points.

    Parameters
    ----------
    layer
        The points of all maps.
    sites
        Names of the sites as the layer numbers them.
    store
        Gives the shape of each map.
    table
        The curves table.
    name
        Its column.

    Returns
    -------
    ndarray
        (n,), NaN where the table has no value for a point.
    """
    number = {site: i for i, site in enumerate(sites)}
    cols = np.array([max(store.sites[site].cols, 1) for site in sites])
    of = table["site"].map(number).to_numpy(dtype=np.float64, na_value=-1).astype(np.int64)
    row = table["row"].to_numpy(dtype=np.int64, na_value=-1)
    col = table["col"].to_numpy(dtype=np.int64, na_value=-1)
    stride = int(layer.index.max(initial=0)) + 1
    mine = layer.site * stride + layer.index
    keys = np.where((of >= 0) & (row >= 0) & (col >= 0), of * stride + row * cols[of] + col, -1)
    values = np.full(len(mine), np.nan)
    if not len(mine):
        return values
    order = np.argsort(mine, kind="stable")
    at = order[np.minimum(np.searchsorted(mine[order], keys), len(mine) - 1)]
    found = mine[at] == keys
    values[at[found]] = table[name].to_numpy(dtype=np.float64, na_value=np.nan)[found]
    return values
