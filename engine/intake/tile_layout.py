"""Whether the positions of tiles can be true: their unit, their axes, their spread."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from engine.intake.limits import MAX_MOSAIC_PIXELS, check_shape
from engine.intake.report import Refused, Report
from engine.stitching import Registration, StitchingSettings, judge_layout, overlapping_pairs
from engine.stitching.register import ReadTile, measure_links

PLACE = "x_um, y_um"
_COVER_MIN = 0.01
"""Least share of the mosaic's rectangle that its tiles must cover; a convention."""
_PAIRS_TRIED = 24
_MATCHED_MIN = 0.6
"""Positions are said to be meant otherwise if this share of overlaps would then match…"""
_MATCHED_MAX = 0.3
"""… while no more than this share does as they stand."""
_LIKELY = (0.3, 0.99)
"""Steps between tiles, in tiles, that a microscope is likely to make; a convention."""

_Positions = NDArray[np.float64]


def _other_meanings(pixel_um: float) -> dict[str, Callable[[_Positions], _Positions]]:
    """List what people hand over instead of micrometres along the mosaic's axes."""
    return {
        "with x_um and y_um exchanged": lambda p: p[:, ::-1],
        "as pixels": lambda p: p * pixel_um,
        "as millimetres": lambda p: p * 1e3,
        "as nanometres": lambda p: p * 1e-3,
        "as metres": lambda p: p * 1e6,
    }


def _other_directions(pixel_um: float) -> dict[str, Callable[[_Positions], _Positions]]:
    return {
        "with x_um and y_um exchanged": lambda p: p[:, ::-1],
        "with y_um counted the other way (rows run downwards)": lambda p: p * [-1.0, 1.0],
        "with x_um counted the other way": lambda p: p * [1.0, -1.0],
        "with both counted the other way": lambda p: -p,
        "with x_um and y_um exchanged and y_um counted the other way": lambda p: (
            p[:, ::-1] * [-1.0, 1.0]
        ),
        "with x_um and y_um exchanged and x_um counted the other way": lambda p: (
            p[:, ::-1] * [1.0, -1.0]
        ),
        "as pixels": lambda p: p * pixel_um,
    }


def check_layout(
    position_um: _Positions, tile_shape: tuple[int, int], pixel_um: float, table: Report
) -> bool:
    """Tell a defect if the positions leave all tiles apart, heap them up, or scatter them.

    Parameters
    ----------
    position_um
        (n, 2) nominal positions (y, x).
    tile_shape
        (rows, cols) of a tile.
    pixel_um
        Pixel size.
    table
        Takes the defect.
    """
    position_px = position_um / pixel_um
    spread = np.ceil(np.ptp(position_px, axis=0)).astype(int) + np.array(tile_shape)
    layout = judge_layout(position_px, tile_shape) if len(position_um) > 1 else "overlapping"
    if layout != "overlapping":
        found = {
            "apart": "positions that leave every tile apart from all others",
            "on top": "positions that lay most tiles on top of each other",
        }[layout]
        table.defect(
            PLACE,
            f"{found} ({_sizes(position_um, tile_shape, pixel_um)})",
            "tiles that overlap along their edges" + _hint(position_um, tile_shape, pixel_um),
        )
        return False
    try:
        check_shape(PLACE, [int(n) for n in spread], MAX_MOSAIC_PIXELS, "pixels")
    except Refused as stop:
        table.defect(stop.place, stop.found, stop.expected)
        return False
    share = len(position_um) * np.prod(np.array(tile_shape, float)) / np.prod(spread.astype(float))
    if share < _COVER_MIN:
        far = int(np.argmax(np.linalg.norm(position_um - np.median(position_um, axis=0), axis=1)))
        table.defect(
            PLACE,
            f"tiles that cover {share:.1%} of the rectangle they span; the furthest lies at "
            f"({position_um[far, 1]:g}, {position_um[far, 0]:g}) um",
            "tiles that lie side by side",
        )
    return bool(share >= _COVER_MIN)


def _sizes(position_um: _Positions, tile_shape: tuple[int, int], pixel_um: float) -> str:
    nearest = np.asarray(cKDTree(position_um).query(position_um, k=2, p=np.inf)[0])[:, 1]
    height, width = (n * pixel_um for n in tile_shape)
    return f"step {np.median(nearest):.4g} um, tiles {width:.4g} um by {height:.4g} um"


def _hint(position_um: _Positions, tile_shape: tuple[int, int], pixel_um: float) -> str:
    for words, meant in _other_meanings(pixel_um).items():
        scaled = meant(position_um) / pixel_um / np.array(tile_shape, float)
        nearest = np.asarray(cKDTree(scaled).query(scaled, k=2, p=np.inf)[0])[:, 1]
        if _LIKELY[0] <= float(np.median(nearest)) <= _LIKELY[1]:
            return f" (read {words}, they would overlap by {1 - np.median(nearest):.0%})"
    return ""


def check_directions(
    read: ReadTile,
    found: Registration,
    tile_shape: tuple[int, int],
    pixel_um: float,
    settings: StitchingSettings,
    table: Report,
) -> bool:
    """Tell a defect if the overlaps don't match, but would if the positions were meant otherwise.

    Nothing in a regular grid shows that its axes are exchanged or turned round: only the images do.

    Parameters
    ----------
    read
        Gives a tile by its number.
    found
        The registration of the positions as they stand.
    tile_shape
        (rows, cols) of a tile.
    pixel_um
        Pixel size.
    settings
        How tiles are compared.
    table
        Takes the defect.
    """
    links = found.links
    lively = links.candidate_correlation[:, 0] > 0
    as_given = _matched(found.position_px, links.pairs, found.consistent, lively)
    if as_given > _MATCHED_MAX:
        return True
    tiles = np.unique(links.pairs[lively])
    for words, meant in _other_directions(pixel_um).items():
        position = meant(found.position_px * pixel_um) / pixel_um
        pairs = overlapping_pairs(position, tile_shape, settings)
        pairs = pairs[np.isin(pairs, tiles).all(axis=1)]
        if not len(pairs):
            continue
        if len(pairs) > _PAIRS_TRIED:
            pairs = pairs[np.linspace(0, len(pairs) - 1, _PAIRS_TRIED).astype(int)]
        tried = measure_links(read, position, tile_shape, pairs, settings)
        other = _matched(position, pairs, tried.accepted, np.ones(len(pairs), bool))
        if other >= _MATCHED_MIN:
            table.defect(
                PLACE,
                f"positions at which overlaps don't match ({as_given:.0%} of those of a direction)",
                "positions in micrometres in the mosaic's directions (read "
                f"{words}, {other:.0%} or more of each direction's overlaps tried would match)",
            )
            return False
    return True


def _matched(
    position: _Positions,
    pairs: NDArray[np.int64],
    matched: NDArray[np.bool_],
    counted: NDArray[np.bool_],
) -> float:
    """Share of the counted pairs that match, in the direction where it is smaller; 1 for none."""
    step = np.abs(position[pairs[:, 1]] - position[pairs[:, 0]])
    stacked = step[:, 0] >= step[:, 1]
    shares = [
        float(matched[those & counted].mean())
        for those in (stacked, ~stacked)
        if (those & counted).any()
    ]
    return min(shares, default=1.0)
