"""From tiles and nominal positions to corrected ones; every tile is asked for once."""

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from engine.stitching.pairs import overlapping_pairs
from engine.stitching.results import Links, Registration
from engine.stitching.settings import StitchingSettings
from engine.stitching.shifts import Shift, measure_shift
from engine.stitching.solve import solve_positions
from engine.stitching.strips import Strip, cut_strip, strip_ranges

ReadTile = Callable[[int], NDArray[Any]]
"""``read(number)`` -> (rows, cols) of one tile."""


def register_tiles(
    read: ReadTile,
    position_px: ArrayLike,
    tile_shape: tuple[int, int],
    settings: StitchingSettings | None = None,
    progress: Callable[[float], None] | None = None,
) -> Registration:
    """Find where overlapping tiles truly lie.

    Memory holds one tile and the strips whose partner is still to come: about one row of tiles'
    edges where tiles are a grid, whatever the size of the mosaic.

    Parameters
    ----------
    read
        Gives a tile by its number.
    position_px
        (n, 2) nominal positions (row, col) of the tiles' first pixels.
    tile_shape
        (rows, cols) of every tile.
    settings
        How offsets are measured and joined.
    progress
        Told the share done, 0 to 1.
    """
    s = settings or StitchingSettings()
    position = np.asarray(position_px, float).reshape(-1, 2)
    pairs = overlapping_pairs(position, tile_shape, s)
    return solve_positions(position, measure_links(read, position, tile_shape, pairs, s, progress))


def measure_links(
    read: ReadTile,
    position_px: NDArray[np.float64],
    tile_shape: tuple[int, int],
    pairs: NDArray[np.int64],
    settings: StitchingSettings,
    progress: Callable[[float], None] | None = None,
) -> Links:
    """Measure the offsets of given pairs of tiles.

    Parameters
    ----------
    read, position_px, tile_shape, settings, progress
        As in `register_tiles`.
    pairs
        (m, 2) numbers of the tiles.
    """
    of_tile: dict[int, list[int]] = {}
    for number, (a, b) in enumerate(pairs.tolist()):
        of_tile.setdefault(a, []).append(number)
        of_tile.setdefault(b, []).append(number)
    order = sorted(of_tile, key=lambda i: (position_px[i, 0], position_px[i, 1], i))
    waiting: dict[int, Strip] = {}
    shifts: dict[int, Shift] = {}
    for done, tile_number in enumerate(order):
        tile = read(tile_number)
        for number in of_tile[tile_number]:
            a, b = pairs[number]
            nominal = position_px[b] - position_px[a]
            whole = (int(np.rint(nominal[0])), int(np.rint(nominal[1])))
            part = strip_ranges(whole, tile_shape, settings.search_px)[int(tile_number == b)]
            strip = cut_strip(tile, part, settings)
            if number not in waiting:
                waiting[number] = strip
                continue
            other = waiting.pop(number)
            first, second = (other, strip) if tile_number == b else (strip, other)
            shifts[number] = measure_shift(first, second, (nominal[0], nominal[1]), settings)
        if progress is not None:
            progress((done + 1) / len(order))
    return gather_links(pairs, [shifts[i] for i in range(len(pairs))], settings)


def gather_links(
    pairs: NDArray[np.int64], shifts: Sequence[Shift], settings: StitchingSettings
) -> Links:
    """Put measured offsets side by side and say which can be believed by themselves.

    Parameters
    ----------
    pairs
        (m, 2) numbers of the tiles.
    shifts
        One a pair.
    settings
        What a link must reach.
    """
    count = max((len(s.correlations) for s in shifts), default=1)
    offsets = np.full((len(pairs), count, 2), np.nan)
    heights = np.zeros((len(pairs), count))
    for number, shift in enumerate(shifts):
        offsets[number, : len(shift.correlations)] = shift.offsets_px
        heights[number, : len(shift.correlations)] = shift.correlations
    ratio = np.array([s.peak_ratio for s in shifts])
    signal = np.array([s.signal for s in shifts])
    structures = np.array([s.structures for s in shifts])
    bright = signal >= settings.signal_min
    accepted = bright & (heights[:, 0] >= settings.correlation_min)
    accepted &= (ratio >= settings.peak_ratio_min) & (structures >= settings.structures_min)
    return Links(
        pairs=pairs,
        offset_px=offsets[:, 0],
        correlation=heights[:, 0],
        peak_ratio=ratio,
        structures=structures,
        accepted=accepted,
        candidates_px=offsets,
        candidate_correlation=np.where(bright[:, None], heights, 0.0),
    )
