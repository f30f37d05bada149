"""What the network face of the site card shows of one height image, read once and kept."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from engine.view.relief import shade_heights
from viewer.card_facts import SiteFacts, read_only
from viewer.card_turn import Turn, turn_of
from viewer.library import Library

Floats = NDArray[np.float64]

DRAWN_PX = 640
"""A picture is not sent with more pixels along a side than this."""
DRAWN_POINTS = 6000
"""Traced paths are thinned to about this many points for drawing."""
NO_DATUM = 255
"""Grey level that stands for no datum; it is left clear."""


@dataclass(frozen=True)
class NetworkFacts:
    """One height image and its network, in the picture's own frame.

    Its x runs to the right and its y upwards, see `viewer.card_turn`. Lengths in nm from the
    centre; arrays over fibril pieces have shape (pieces,).

    Attributes
    ----------
    grey
        Relief as grey levels (rows, cols) uint8, bottom row first, `NO_DATUM` without a datum.
    width_nm, height_nm
        Size of the picture.
    turn
        From the site's own frame to the picture.
    director_deg
        Director of the network in the picture; NaN where there is none.
    xs, ys
        Traced paths for drawing, one array a piece.
    thickness_nm, thickness_se_nm, length_nm, band_period_nm
        Per piece; NaN where there is none.
    tangent_deg, tangent_weight
        Local directions of the paths in the picture, [0, 180), and the lengths they stand for.
    junction_x_nm, junction_y_nm
        Apparent junctions.
    record
        The whole record of the analysis, as the store gives it.
    """

    grey: NDArray[np.uint8]
    width_nm: float
    height_nm: float
    turn: Turn
    director_deg: float
    xs: tuple[Floats, ...]
    ys: tuple[Floats, ...]
    thickness_nm: Floats
    thickness_se_nm: Floats
    length_nm: Floats
    band_period_nm: Floats
    tangent_deg: Floats
    tangent_weight: Floats
    junction_x_nm: Floats
    junction_y_nm: Floats
    record: dict[str, Any]

    def number(self, name: str) -> float:
        """Give a number of the record; NaN where there is none."""
        value = self.record.get(name)
        return float("nan") if value is None else float(value)

    @property
    def flags(self) -> list[str]:
        """Names of the image's flags."""
        return list(self.record.get("flags", ()))


def network_facts(library: Library, facts: SiteFacts) -> NetworkFacts | None:
    """Read the network of a site; None where no run has analysed its image."""
    if not facts.run or not facts.stored.has_height:
        return None
    key = ("network", facts.disc, facts.run, facts.stored.site)
    return library.kept(key, lambda: _read(library, facts))


def _read(library: Library, facts: SiteFacts) -> NetworkFacts | None:
    record = library.detail(facts.disc, facts.stored.site)
    if "levelled_nm" not in record:
        return None
    foot = facts.stored.footprint
    turn = turn_of(foot)
    width_um, height_um = turn.size(foot.width_um, foot.height_um)
    x, y = turn.points(record["paths.path_u_nm"], record["paths.path_v_nm"])
    piece = record["paths.path_fibril"]
    xs, ys = _drawn_paths(x, y, piece, len(record["fibrils.length_nm"]))
    tangent, weight = _tangents(x, y, piece)
    junction_x, junction_y = turn.points(record["junction_u_nm"], record["junction_v_nm"])
    director = np.radians(record.get("angle_site_deg", np.nan))
    along_x, along_y = turn.points(np.cos(director), np.sin(director))
    return NetworkFacts(
        grey=_relief(turn.array(record["levelled_nm"]), (width_um, height_um)),
        width_nm=1e3 * width_um,
        height_nm=1e3 * height_um,
        turn=turn,
        director_deg=float(np.degrees(np.arctan2(along_y, along_x))),
        xs=xs,
        ys=ys,
        thickness_nm=read_only(record["fibrils.thickness_nm"]),
        thickness_se_nm=read_only(record["fibrils.thickness_se_nm"]),
        length_nm=read_only(record["fibrils.length_nm"]),
        band_period_nm=read_only(record["fibrils.band_period_nm"]),
        tangent_deg=tangent,
        tangent_weight=weight,
        junction_x_nm=read_only(junction_x),
        junction_y_nm=read_only(junction_y),
        record=record,
    )


def _relief(levelled_nm: NDArray[np.float32], size_um: tuple[float, float]) -> NDArray[np.uint8]:
    """Light and shade of an image that is turned already, bottom row first."""
    rows, cols = levelled_nm.shape
    pixel_um = (size_um[0] / cols, size_um[1] / rows)
    shaded = shade_heights(levelled_nm, pixel_um, np.array([1.0, 0.0]), np.array([0.0, -1.0]))
    fits = [i for i, shade in enumerate(shaded.shades) if max(shade.shape) <= DRAWN_PX]
    level = fits[0] if fits else len(shaded.shades) - 1
    grey = np.clip(shaded.shades[level] * 254, 0, 254).astype(np.uint8)
    grey = np.where(shaded.known[level], grey, NO_DATUM)
    return read_only(grey, np.uint8)


def _drawn_paths(
    x: Floats, y: Floats, piece: NDArray[np.int64], pieces: int
) -> tuple[tuple[Floats, ...], tuple[Floats, ...]]:
    every = max(1, len(x) // DRAWN_POINTS)
    starts = np.searchsorted(piece, np.arange(pieces + 1))
    xs, ys = [], []
    for first, stop in pairwise(starts):
        at = np.unique(np.r_[np.arange(first, stop, every), max(first, stop - 1)])
        at = at[at < stop]
        xs.append(read_only(x[at]))
        ys.append(read_only(y[at]))
    return tuple(xs), tuple(ys)


def _tangents(x: Floats, y: Floats, piece: NDArray[np.int64]) -> tuple[Floats, Floats]:
    step = 4  # over one pixel a path only knows eight directions
    if len(x) <= step:
        return read_only([]), read_only([])
    dx, dy = x[step:] - x[:-step], y[step:] - y[:-step]
    same = piece[step:] == piece[:-step]
    angle = np.degrees(np.arctan2(dy[same], dx[same])) % 180.0
    return read_only(angle), read_only(np.hypot(dx[same], dy[same]) / step)


LOOKS = ("relief", "height", "slope")
"""Ways to look at a height image: light and shade, height as such, steepness."""


@dataclass(frozen=True)
class GreyPicture:
    """A picture in greys, and what its ends stand for.

    Attributes
    ----------
    grey
        (rows, cols) uint8, bottom row first, `NO_DATUM` without a datum.
    low, high
        Values of black and of white; what lies beyond has their grey.
    label, unit
        What is drawn.
    """

    grey: NDArray[np.uint8]
    low: float
    high: float
    label: str
    unit: str


def grey_picture(facts: NetworkFacts, look: str) -> GreyPicture:
    """Draw the levelled image of a site in one of `LOOKS`.

    Slopes are the angle between the surface and the plane it was levelled to, by central
    differences.
    """
    if look == "relief":
        return GreyPicture(facts.grey, float("nan"), float("nan"), "light and shade", "")
    values = surface_of(facts, look)
    if look == "height":
        return grey_of(values, "height as levelled", "nm")
    return grey_of(values, "slope", "°")


def surface_of(facts: NetworkFacts, look: str) -> Floats:
    """Give the levelled heights (nm) of an image, or for ``slope`` their steepness (degrees).

    Returns
    -------
    ndarray
        (rows, cols) as on the card, bottom row first, NaN where there is no datum.
    """
    heights = facts.turn.array(facts.record["levelled_nm"]).astype(np.float64)
    if look != "slope":
        return heights
    rows, cols = heights.shape
    along_y, along_x = np.gradient(heights, facts.height_nm / rows, facts.width_nm / cols)
    return np.degrees(np.arctan(np.hypot(along_x, along_y)))


def grey_of(values: NDArray[np.floating], label: str, unit: str) -> GreyPicture:
    """Draw values in greys between their 0.5th and 99.5th percentile.

    Parameters
    ----------
    values
        Picture (rows, cols), bottom row first, NaN where there is no datum; thinned to `DRAWN_PX`.
    label, unit
        What they are.
    """
    step = max(1, -(-max(values.shape) // DRAWN_PX))
    values = np.asarray(values[::step, ::step], dtype=np.float64)
    known = np.isfinite(values)
    low, high = np.percentile(values[known], [0.5, 99.5]) if known.any() else (0.0, 1.0)
    share = (values - low) / (high - low if high > low else 1.0)
    grey = np.clip(np.nan_to_num(share) * 254, 0, 254).astype(np.uint8)
    drawn = read_only(np.where(known, grey, NO_DATUM), np.uint8)
    return GreyPicture(drawn, float(low), float(high), label, unit)


def profile_along(facts: NetworkFacts, piece: int) -> tuple[Floats, Floats]:
    """Heights along one traced piece.

    Parameters
    ----------
    facts
        The network.
    piece
        Index of the piece.

    Returns
    -------
    arc_nm, height_nm : ndarray
        Path length in projection, and levelled height under the path, (points,) each.
    """
    record = facts.record
    levelled = record["levelled_nm"]
    on = record["paths.path_fibril"] == piece
    u, v = record["paths.path_u_nm"][on], record["paths.path_v_nm"][on]
    if len(u) < 2:
        return np.zeros(0), np.zeros(0)
    length = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(u), np.diff(v)))])
    rows, cols = levelled.shape
    along_u_nm, along_v_nm = facts.turn.size(facts.width_nm, facts.height_nm)
    arc = np.linspace(0.0, length[-1], max(2, round(2 * length[-1] * cols / along_u_nm)))
    col = (np.interp(arc, length, u) / along_u_nm + 0.5) * cols - 0.5
    row = (np.interp(arc, length, v) / along_v_nm + 0.5) * rows - 0.5
    height = ndimage.map_coordinates(levelled, [row, col], order=1, mode="nearest")
    return arc, height.astype(np.float64)
