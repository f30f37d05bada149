"""From ridge crests to pieces: skeleton, spurs, junctions, ordered and smoothed paths."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from engine.collagen.ridges import Ridges
from engine.collagen.settings import CollagenSettings
from engine.collagen.skeleton import neighbours, off_border, prune, skeleton
from engine.collagen.walk import arc_length, gradient_along, order_pieces, smooth_along

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]

_EIGHT = np.ones((3, 3), dtype=bool)


@dataclass(frozen=True)
class Traces:
    """Pieces of fibrils between junctions; paths are concatenated, ``start`` tells them apart.

    Attributes
    ----------
    u_px, v_px
        Smoothed path, columns and rows of the image, shape (points,).
    piece
        Index of the piece each point belongs to, ascending, shape (points,).
    start
        First point of each piece and, last, the number of points, shape (pieces + 1,).
    arc_nm
        Distance along the path within its piece, in projection, shape (points,).
    tangent_u, tangent_v
        Unit tangent in the image plane, shape (points,).
    step_nm
        Path length that each point stands for, shape (points,).
    diameter_nm
        Diameter of the strongest ridge scale, shape (points,).
    length_nm
        Path length of each piece, in projection, shape (pieces,).
    junction_u_px, junction_v_px
        Apparent junctions, shape (junctions,).
    """

    u_px: Array
    v_px: Array
    piece: Index
    start: Index
    arc_nm: Array
    tangent_u: Array
    tangent_v: Array
    step_nm: Array
    diameter_nm: Array
    length_nm: Array
    junction_u_px: Array
    junction_v_px: Array


def empty_traces() -> Traces:
    """No piece at all.

    Returns
    -------
    Traces
        Arrays of length zero.
    """
    none = np.zeros(0)
    index = np.zeros(0, np.int64)
    return Traces(
        none, none, index, np.zeros(1, np.int64), none, none, none, none, none, none, none, none
    )


def _refine(order: Index, ridges: Ridges, pixel_nm: tuple[float, float]) -> tuple[Array, Array]:
    """Move each pixel to the top of the strength across the ridge, by half a pixel at most."""
    v, u = order[:, 0], order[:, 1]
    angle = ridges.normal_rad[v, u].astype(float)
    step = min(pixel_nm)
    du = np.cos(angle) * step / pixel_nm[0]
    dv = np.sin(angle) * step / pixel_nm[1]
    low, high = (
        ndimage.map_coordinates(ridges.strength, [v + s * dv, u + s * du], order=1, mode="nearest")
        for s in (-1, 1)
    )
    mid = ridges.strength[v, u]
    bend = low - 2.0 * mid + high
    shift = np.where(bend < 0, 0.5 * (low - high) / np.where(bend < 0, bend, -1.0), 0.0)
    shift = np.clip(shift, -0.5, 0.5)
    return u + shift * du, v + shift * dv


def keep_pieces(traces: Traces, keep: Mask) -> Traces:
    """Drop some pieces; junctions stay.

    Parameters
    ----------
    traces
        Paths.
    keep
        Which pieces stay, shape (pieces,).

    Returns
    -------
    Traces
        The pieces kept, numbered anew.
    """
    size = np.diff(traces.start)
    point = keep[traces.piece]
    left = size[keep]
    per_point = {
        name: getattr(traces, name)[point]
        for name in (
            "u_px",
            "v_px",
            "arc_nm",
            "tangent_u",
            "tangent_v",
            "step_nm",
            "diameter_nm",
        )
    }
    return replace(
        traces,
        **per_point,
        piece=np.repeat(np.arange(len(left)), left),
        start=np.concatenate([[0], np.cumsum(left)]).astype(np.int64),
        length_nm=traces.length_nm[keep],
    )


def _junctions(thin: Mask, radius_nm: float, pixel_nm: tuple[float, float]) -> tuple[Mask, Array]:
    _, branch = neighbours(thin)
    knot = branch >= 3
    if not knot.any():
        return np.zeros_like(thin), np.zeros((0, 2))
    v, u = np.nonzero(knot)
    near = _within(knot.shape, v, u, max(radius_nm, 1.5 * max(pixel_nm)), pixel_nm)
    label, count = ndimage.label(near, _EIGHT)
    of = label[v, u]
    number = np.bincount(of, minlength=count + 1)[1:]
    centre = [np.bincount(of, x, count + 1)[1:] / number for x in (v, u)]
    return near, np.column_stack(centre)


def _within(
    shape: tuple[int, ...], v: Index, u: Index, radius_nm: float, pixel_nm: tuple[float, float]
) -> Mask:
    """Pixels no farther from one of some points than a radius."""
    near = np.zeros(shape, bool)
    reach_v, reach_u = int(radius_nm / pixel_nm[1]), int(radius_nm / pixel_nm[0])
    for dv in range(-reach_v, reach_v + 1):
        for du in range(-reach_u, reach_u + 1):
            if np.hypot(dv * pixel_nm[1], du * pixel_nm[0]) <= radius_nm:
                row, col = v + dv, u + du
                on = (row >= 0) & (row < shape[0]) & (col >= 0) & (col < shape[1])
                near[row[on], col[on]] = True
    return near


def trace(ridges: Ridges, pixel_nm: tuple[float, float], settings: CollagenSettings) -> Traces:
    """Trace fibrils along the crests.

    Parameters
    ----------
    ridges
        Response of the ridge filter.
    pixel_nm
        Spacing along u and v.
    settings
        ``ridge_*``, ``piece_min_nm``, ``junction_radius_nm``, ``tangent_smooth_nm``.

    Returns
    -------
    Traces
        Pieces between apparent junctions: crossings and splits are not told apart.
    """
    mean_pixel = float(np.sqrt(pixel_nm[0] * pixel_nm[1]))
    thin = skeleton(ridges, settings)
    thin &= off_border(ridges.diameter_nm, pixel_nm)
    thin = prune(thin, ridges.diameter_nm, mean_pixel)
    near, junction = _junctions(thin, settings.junction_radius_nm, pixel_nm)
    order, start = order_pieces(thin & ~near)
    order, start = _long_enough(order, start, pixel_nm, settings.piece_min_nm)
    return _measure_paths(order, start, ridges, pixel_nm, settings, junction)


def _long_enough(
    order: Index, start: Index, pixel_nm: tuple[float, float], shortest_nm: float
) -> tuple[Index, Index]:
    if len(start) < 2:
        return order[:0], start[:1]
    arc = arc_length(
        order[:, 1].astype(np.float64) * pixel_nm[0],
        order[:, 0].astype(np.float64) * pixel_nm[1],
        start,
    )
    size = np.diff(start)
    keep = (arc[start[1:] - 1] >= shortest_nm) & (size >= 5)
    return order[np.repeat(keep, size)], np.concatenate([[0], np.cumsum(size[keep])]).astype(
        np.int64
    )


def _measure_paths(
    order: Index,
    start: Index,
    ridges: Ridges,
    pixel_nm: tuple[float, float],
    settings: CollagenSettings,
    junction: Array,
) -> Traces:
    u, v = _refine(order, ridges, pixel_nm)
    arc = arc_length(u * pixel_nm[0], v * pixel_nm[1], start)
    u = smooth_along(u, arc, start, settings.tangent_smooth_nm)
    v = smooth_along(v, arc, start, settings.tangent_smooth_nm)
    arc = arc_length(u * pixel_nm[0], v * pixel_nm[1], start)
    along_u = gradient_along(u * pixel_nm[0], arc, start)
    along_v = gradient_along(v * pixel_nm[1], arc, start)
    norm = np.hypot(along_u, along_v)
    norm = np.where(norm > 0, norm, 1.0)
    piece = np.repeat(np.arange(len(start) - 1), np.diff(start))
    step = 0.5 * (_span(arc, start, 1) + _span(arc, start, -1))
    return Traces(
        u_px=u,
        v_px=v,
        piece=piece,
        start=start,
        arc_nm=arc,
        tangent_u=along_u / norm,
        tangent_v=along_v / norm,
        step_nm=step,
        diameter_nm=ridges.diameter_nm[order[:, 0], order[:, 1]].astype(float),
        length_nm=arc[start[1:] - 1] if len(start) > 1 else np.zeros(0),
        junction_u_px=junction[:, 1],
        junction_v_px=junction[:, 0],
    )


def _span(arc: Array, start: Index, side: int) -> Array:
    at = np.arange(len(arc))
    bound = np.repeat(start[1:] - 1 if side > 0 else start[:-1], np.diff(start))
    other = np.minimum(at + 1, bound) if side > 0 else np.maximum(at - 1, bound)
    return np.abs(arc[other] - arc)
