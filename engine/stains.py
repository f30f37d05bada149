"""Every stain's brightness as columns: of cells, and of the windows round the sites."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from engine.cells import CellIntensities, WindowGrades
from engine.cells.intensity_settings import IntensitySettings
from engine.flags import Flag
from engine.store import DiscStore
from engine.store.pyramid import Pyramid

Columns = dict[str, npt.NDArray[np.float64]]

SATURATED = Flag(
    "stain_saturated",
    "More than a hundredth of the window's pixels stand at the top of the camera's range in one "
    "stain: its brightness is a lower bound.",
)
NO_SURROUND = Flag(
    "no_surround",
    "No surround of the tissue is seen in the mosaic, so that the window's stains have no level to "
    "count from: their values are left out.",
)
EMPTY = Flag(
    "stain_empty",
    "A channel of the mosaic has one value everywhere, or none: nothing was recorded in it, and "
    "its values are left out.",
)
FLAGS: tuple[Flag, ...] = (SATURATED, NO_SURROUND, EMPTY)

SURROUND_PIXEL_UM = 4.0
"""The level of the surround is told from a level of the mosaic with pixels of about this size."""
_SURROUND_PIXELS_MIN = 50
_SATURATED_MIN = 0.01


def stems(channels: Sequence[str]) -> tuple[str, ...]:
    """Names of channels as they begin column names: letters, digits and ``_``; all differ.

    Examples
    --------
    >>> stems(["nuclei", "Collagen II", "collagen-II"])
    ('nuclei', 'Collagen_II', 'collagen_II_2')
    """
    found: list[str] = []
    for channel in channels:
        stem = re.sub(r"\W+", "_", channel, flags=re.ASCII).strip("_") or "stain"
        taken = {name.lower() for name in found}
        number, name = 2, stem
        while name.lower() in taken:
            name, number = f"{stem}_{number}", number + 1
        found.append(name)
    return tuple(found)


def cell_columns(channels: Sequence[str], stains: CellIntensities | None) -> Columns:
    """Columns of the table ``cells``, four a stain; empty ones without cells."""
    columns: Columns = {}
    for number, stem in enumerate(stems(channels)):
        parts = (
            [np.empty(0)] * 4
            if stains is None
            else [p[number] for p in (stains.mean, stains.rim, stains.ground, stains.saturated)]
        )
        names = ("mean_counts", "rim_counts", "ground_counts", "saturated")
        columns |= {f"{stem}_{name}": part for name, part in zip(names, parts, strict=True)}
    return columns


@dataclass(frozen=True)
class WindowStains:
    """Brightness of c stains in the windows of k sites.

    Attributes
    ----------
    level
        (c, k) mean over the window's tissue above the surround; NaN where there is none.
    cells
        (c, k) median over the window's cells of their mean above their ground.
    saturated
        (c, k) share of the window's pixels at the top of the camera's range.
    surround
        (c,) level of the surround; NaN where it is not seen.
    empty
        (c,) whether nothing was recorded in a channel.
    """

    level: npt.NDArray[np.float64]
    cells: npt.NDArray[np.float64]
    saturated: npt.NDArray[np.float64]
    surround: npt.NDArray[np.float64]
    empty: npt.NDArray[np.bool_]

    def columns(self, channels: Sequence[str]) -> Columns:
        """Columns of the table ``sites``, three a stain."""
        columns: Columns = {}
        for number, stem in enumerate(stems(channels)):
            columns[f"{stem}_window_counts"] = self.level[number]
            columns[f"{stem}_cells_counts"] = self.cells[number]
            columns[f"{stem}_window_saturated"] = self.saturated[number]
        return columns

    def flags(self, site: int) -> list[str]:
        """Names of the flags of one site."""
        tests = {
            SATURATED.name: (self.saturated[:, site] > _SATURATED_MIN).any(),
            NO_SURROUND.name: not np.isfinite(self.surround[~self.empty]).all(),
            EMPTY.name: self.empty.any(),
        }
        return [name for name, is_so in tests.items() if is_so]


def window_stains(
    store: DiscStore,
    centres_um: npt.NDArray[np.float64],
    windows: WindowGrades,
    xy_um: npt.NDArray[np.float64],
    stains: CellIntensities,
    outline_um: npt.NDArray[np.float64],
    settings: IntensitySettings,
) -> WindowStains:
    """Measure every stain in the window round each site.

    The mean is taken over the window's pixels on the tissue; the level it counts from is the median
    of the mosaic's pixels well off the tissue (common practice, no source).

    Parameters
    ----------
    store
        Gives the mosaic.
    centres_um, windows
        (k, 2) sites, and the windows that were graded round them.
    xy_um, stains
        (n, 2) cells and their stains.
    outline_um
        (m, 2) outline of the tissue; empty where it can't be told.
    settings
        Settings.
    """
    pyramid, count = store.mosaic, len(store.info["channels"])
    assert pyramid is not None
    tissue = shapely.Polygon(outline_um) if len(outline_um) > 2 else None
    surround = surround_levels(pyramid, tissue, settings.surround_um)
    shape = (count, len(centres_um))
    level, cells, saturated = (np.full(shape, np.nan) for _ in range(3))
    for site, (centre, side) in enumerate(zip(centres_um, windows.window_um, strict=True)):
        near = (np.abs(xy_um - centre) <= side / 2).all(axis=1)
        for channel in range(count):
            known = stains.mean[channel, near]
            known = known[np.isfinite(known)]
            cells[channel, site] = np.median(known) if known.size else np.nan
        pixels, on_tissue = _window(pyramid, centre, side, tissue)
        for channel in np.flatnonzero(~stains.empty).tolist():
            known = pixels[channel][np.isfinite(pixels[channel])]
            if known.size:
                saturated[channel, site] = (known == stains.top[channel]).mean()
            values = pixels[channel][on_tissue]
            values = values[np.isfinite(values)]
            if values.size:
                level[channel, site] = values.mean(dtype=np.float64) - surround[channel]
    return WindowStains(level, cells, saturated, surround, stains.empty)


def surround_levels(
    pyramid: Pyramid, tissue: shapely.Polygon | None, off_um: float
) -> npt.NDArray[np.float64]:
    """Median brightness of each channel off the tissue, (channels,); NaN where none is seen.

    Parameters
    ----------
    pyramid
        The mosaic.
    tissue
        Its tissue, disc frame.
    off_um
        Least distance from the tissue.
    """
    index = pyramid.level_for(SURROUND_PIXEL_UM)
    level = pyramid.levels[index]
    found = np.full(level.shape[0], np.nan)
    if tissue is None:
        return found
    x, y = _places(pyramid, index, slice(0, level.shape[1]), slice(0, level.shape[2]))
    off = ~shapely.contains_xy(tissue.buffer(off_um), x, y)
    for channel in range(level.shape[0]):
        values = level[channel][off]
        values = values[np.isfinite(values)]
        if values.size >= _SURROUND_PIXELS_MIN:
            found[channel] = np.median(values)
    return found


def _places(
    pyramid: Pyramid, index: int, rows: slice, cols: slice
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    (py, px), (oy, ox) = pyramid.pixel_um[index], pyramid.origin_um[index]
    x = ox + px * np.arange(cols.start, cols.stop)
    y = oy + py * np.arange(rows.start, rows.stop)
    grid_x, grid_y = np.meshgrid(x, y)
    return grid_x, grid_y


def _window(
    pyramid: Pyramid,
    centre: npt.NDArray[np.float64],
    side: float,
    tissue: shapely.Polygon | None,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Pixels (channels, rows, cols) whose centres lie in a square, and which are on the tissue."""
    level, (py, px), (oy, ox) = pyramid.levels[0], pyramid.pixel_um[0], pyramid.origin_um[0]
    rows = _span((centre[1] - side / 2 - oy) / py, (centre[1] + side / 2 - oy) / py, level.shape[1])
    cols = _span((centre[0] - side / 2 - ox) / px, (centre[0] + side / 2 - ox) / px, level.shape[2])
    pixels = level[:, rows, cols].astype(np.float64)
    if tissue is None or not pixels.size:
        return pixels, np.ones(pixels.shape[1:], bool)
    half = side / 2
    box = shapely.box(centre[0] - half, centre[1] - half, centre[0] + half, centre[1] + half)
    if shapely.contains(tissue, box):
        return pixels, np.ones(pixels.shape[1:], bool)
    return pixels, shapely.contains_xy(tissue, *_places(pyramid, 0, rows, cols))


def _span(low: float, high: float, count: int) -> slice:
    first, stop = int(np.ceil(low)), int(np.floor(high)) + 1
    return slice(min(max(first, 0), count), min(max(stop, 0), count))
