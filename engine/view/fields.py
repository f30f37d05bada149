"""A field over the disc under the cells: colours for a number, short strokes for a direction."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from skimage.draw import polygon

from engine.footprint import Footprint
from engine.view.box import Box
from engine.view.ramps import ColourScale, lookup

VEIL = 0.46
"""Opacity of a field where its support is good."""
THIN = 0.1
"""Opacity between the hatches where it is poor."""
HATCH_PX = 7
"""Distance of the hatches, along a row."""
STROKE_PX = 26.0
"""Smallest distance of strokes on the screen."""
STROKE_INK = {True: ((242, 214, 138), (16, 18, 22)), False: ((124, 66, 0), (252, 252, 250))}
"""Colour and edge of strokes on the dark and on the light page."""
SMALLEST_SITE_PX = 6.0
"""A height image at least this wide is left free of the field."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class FieldLayer:
    """One field on its grid.

    Attributes
    ----------
    origin_um, pixel_um
        Centre (x, y) of the first pixel, and the pixels' side.
    values
        (rows, cols), NaN where nothing is said; of a direction the degrees.
    good
        (rows, cols) whether the support is good.
    scale
        Colours of a number; None for a direction, which is drawn in strokes.
    order
        Of a direction: its strength (rows, cols), 0 to 1.
    """

    origin_um: tuple[float, float]
    pixel_um: float
    values: Floats
    good: NDArray[np.bool_]
    scale: ColourScale | None = None
    order: Floats | None = None


def draw_field(
    layer: FieldLayer,
    box: Box,
    dark: bool,
    kept_free: tuple[Footprint, ...],
    rgba: NDArray[np.uint8],
) -> None:
    """Draw a field into the picture.

    Parameters
    ----------
    layer
        The field.
    box
        What is looked at.
    dark
        Page.
    kept_free
        Images that the field must not lie over.
    rgba
        Overlay (height, width, 4), empty as yet, written in place.
    """
    if layer.scale is not None:
        first = (
            (box.x0_um + 0.5 * box.um_per_px - layer.origin_um[0]) / layer.pixel_um,
            (box.y0_um + 0.5 * box.um_per_px - layer.origin_um[1]) / layer.pixel_um,
        )
        place = layer.scale.fraction(layer.values)
        step = box.um_per_px / layer.pixel_um
        _veil(place, layer.good, first[0], first[1], step, lookup(layer.scale.kind), rgba)
    elif layer.order is not None:
        _strokes(layer, box, dark, rgba)
    for foot in kept_free:
        corners = foot.corners()
        x, y = box.pixels_of(corners[:, 0], corners[:, 1])
        if max(np.ptp(x), np.ptp(y)) >= SMALLEST_SITE_PX:
            rows, cols = polygon(y, x, rgba.shape[:2])
            rgba[rows, cols] = 0


@njit(cache=True, nogil=True)
def _between(place, u, v):  # type: ignore[no-untyped-def]
    """Bilinear value among the known pixels round a place; NaN where the nearest is blank."""
    rows, cols = place.shape
    if not (-0.5 < v < rows - 0.5 and -0.5 < u < cols - 0.5):
        return np.nan
    if np.isnan(place[int(np.floor(v + 0.5)), int(np.floor(u + 0.5))]):
        return np.nan
    i, j = int(np.floor(v)), int(np.floor(u))
    total, weight = 0.0, 0.0
    for a in range(max(i, 0), min(i + 2, rows)):
        for b in range(max(j, 0), min(j + 2, cols)):
            w = (1 - abs(v - a)) * (1 - abs(u - b))
            if w > 0 and not np.isnan(place[a, b]):
                total += w * place[a, b]
                weight += w
    return total / weight


@njit(cache=True, nogil=True)
def _veil(place, good, u0, v0, step, colours, rgba):  # type: ignore[no-untyped-def]
    height, width = rgba.shape[:2]
    for r in range(height):
        for c in range(width):
            u, v = u0 + c * step, v0 + r * step
            value = _between(place, u, v)
            if np.isnan(value):
                continue
            sound = good[int(np.floor(v + 0.5)), int(np.floor(u + 0.5))]
            hatched = not sound and (r + c) % HATCH_PX >= 2
            rgba[r, c, :3] = colours[int(value * 255 + 0.5)]
            rgba[r, c, 3] = int(255 * (THIN if hatched else VEIL))


def stroke_places(
    layer: FieldLayer, box: Box
) -> tuple[NDArray[np.int64], NDArray[np.int64], float]:
    """Pixels of the field that carry a stroke, and the distance of strokes on the screen.

    They stand on a lattice of the disc, so that they stay where they are when it is moved.
    """
    stride = 1
    while stride * layer.pixel_um / box.um_per_px < STROKE_PX:
        stride *= 2
    rows, cols = layer.values.shape
    down, across = np.arange(stride // 2, rows, stride), np.arange(stride // 2, cols, stride)
    i, j = np.repeat(down, len(across)), np.tile(across, len(down))
    x, y = _place(layer, i, j)
    shown = box.holds(x, y, STROKE_PX) & np.isfinite(layer.values[i, j])
    return i[shown], j[shown], min(stride * layer.pixel_um / box.um_per_px, 2 * STROKE_PX)


def _place(layer: FieldLayer, i: NDArray[np.int64], j: NDArray[np.int64]) -> tuple[Floats, Floats]:
    x, y = layer.origin_um
    return x + layer.pixel_um * j.astype(np.float64), y + layer.pixel_um * i.astype(np.float64)


def _strokes(layer: FieldLayer, box: Box, dark: bool, rgba: NDArray[np.uint8]) -> None:
    i, j, apart_px = stroke_places(layer, box)
    if not len(i) or layer.order is None:
        return
    x, y = box.pixels_of(*_place(layer, i, j))
    angle = np.radians(layer.values[i, j])
    # a dot where strings run every way, nearly touching where all run one way
    half = 0.5 * apart_px * (0.08 + 0.8 * layer.order[i, j])
    ink, edge = (np.array(c, np.float64) for c in STROKE_INK[dark])
    good = layer.good[i, j]
    _draw_strokes(x, y, np.cos(angle) * half, -np.sin(angle) * half, good, ink, edge, rgba)


@njit(cache=True, nogil=True)
def _draw_strokes(x, y, dx, dy, good, ink, edge, rgba):  # type: ignore[no-untyped-def]
    """Draw rounded strokes with an edge, open ones where the support is poor."""
    height, width = rgba.shape[:2]
    for k in range(x.size):
        reach = 4.0
        r0, r1 = int(y[k] - abs(dy[k]) - reach), int(y[k] + abs(dy[k]) + reach) + 1
        c0, c1 = int(x[k] - abs(dx[k]) - reach), int(x[k] + abs(dx[k]) + reach) + 1
        length2 = max(dx[k] ** 2 + dy[k] ** 2, 1e-9)
        for r in range(max(r0, 0), min(r1, height)):
            for c in range(max(c0, 0), min(c1, width)):
                t = ((c - x[k]) * dx[k] + (r - y[k]) * dy[k]) / length2
                t = min(1.0, max(-1.0, t))
                away = np.hypot(c - x[k] - t * dx[k], r - y[k] - t * dy[k])
                outer = min(1.0, max(0.0, 3.3 - away))
                if outer <= 0:
                    continue
                inner = min(1.0, max(0.0, 2.0 - away))
                if not good[k]:
                    inner *= 1.0 - min(1.0, max(0.0, 1.3 - away))
                    outer = inner * 0.8
                for ch in range(3):
                    mixed = edge[ch] + (ink[ch] - edge[ch]) * inner
                    rgba[r, c, ch] = np.uint8(mixed)
                rgba[r, c, 3] = max(rgba[r, c, 3], np.uint8(255 * outer * (0.65 + 0.35 * inner)))
