"""Compiled drawing of small marks with smooth edges into an RGBA overlay (straight alpha)."""

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, nogil=True, inline="always")
def _blend(
    rgba: NDArray[np.uint8], i: int, j: int, red: float, green: float, blue: float, alpha: float
) -> None:
    below = rgba[i, j, 3] / 255.0
    total = alpha + below * (1.0 - alpha)
    if total <= 0.0:
        return
    keep = below * (1.0 - alpha) / total
    take = alpha / total
    rgba[i, j, 0] = np.uint8(rgba[i, j, 0] * keep + red * take + 0.5)
    rgba[i, j, 1] = np.uint8(rgba[i, j, 1] * keep + green * take + 0.5)
    rgba[i, j, 2] = np.uint8(rgba[i, j, 2] * keep + blue * take + 0.5)
    rgba[i, j, 3] = np.uint8(total * 255.0 + 0.5)


@njit(cache=True, nogil=True)
def draw_discs(
    rgba: NDArray[np.uint8],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    radius: NDArray[np.float64],
    ring: NDArray[np.float64],
    colour: NDArray[np.uint8],
) -> None:
    """Draw discs and rings.

    Parameters
    ----------
    rgba
        Overlay (height, width, 4), written in place.
    x, y
        Centres (n,), picture pixels.
    radius
        Radii (n,), pixels.
    ring
        Width of the line of a ring (n,), pixels, centred on the radius; 0 draws a full disc.
    colour
        (n, 4) RGBA.
    """
    height, width = rgba.shape[:2]
    for k in range(x.size):
        reach = radius[k] + 0.5 * ring[k] + 1.0
        i0 = max(0, int(np.floor(y[k] - reach)))
        i1 = min(height, int(np.ceil(y[k] + reach)) + 1)
        j0 = max(0, int(np.floor(x[k] - reach)))
        j1 = min(width, int(np.ceil(x[k] + reach)) + 1)
        strength = colour[k, 3] / 255.0
        for i in range(i0, i1):
            for j in range(j0, j1):
                away = np.sqrt((j - x[k]) ** 2 + (i - y[k]) ** 2)
                if ring[k] > 0.0:
                    inside = 0.5 * ring[k] - abs(away - radius[k])
                else:
                    inside = radius[k] - away
                cover = min(max(inside + 0.5, 0.0), 1.0)
                if ring[k] <= 0.0 and radius[k] < 0.5:
                    cover *= radius[k] * 2.0
                if cover > 0.0:
                    _blend(rgba, i, j, colour[k, 0], colour[k, 1], colour[k, 2], cover * strength)


@njit(cache=True, nogil=True)
def draw_lines(
    rgba: NDArray[np.uint8],
    x0: NDArray[np.float64],
    y0: NDArray[np.float64],
    x1: NDArray[np.float64],
    y1: NDArray[np.float64],
    half_width: float,
    colour: NDArray[np.uint8],
) -> None:
    """Draw straight lines with round ends.

    Parameters
    ----------
    rgba
        Overlay (height, width, 4), written in place.
    x0, y0, x1, y1
        Ends (n,), picture pixels.
    half_width
        Half of the line's width, pixels.
    colour
        (n, 4) RGBA.
    """
    height, width = rgba.shape[:2]
    for k in range(x0.size):
        dx, dy = x1[k] - x0[k], y1[k] - y0[k]
        squared = max(dx * dx + dy * dy, 1e-12)
        reach = half_width + 1.0
        i0 = max(0, int(np.floor(min(y0[k], y1[k]) - reach)))
        i1 = min(height, int(np.ceil(max(y0[k], y1[k]) + reach)) + 1)
        strength = colour[k, 3] / 255.0
        for i in range(i0, i1):
            left, right = _span(i, x0[k], y0[k], dx, dy, reach)
            for j in range(max(0, left), min(width, right)):
                t = min(max(((j - x0[k]) * dx + (i - y0[k]) * dy) / squared, 0.0), 1.0)
                away = np.sqrt((j - x0[k] - t * dx) ** 2 + (i - y0[k] - t * dy) ** 2)
                cover = min(max(half_width - away + 0.5, 0.0), 1.0)
                if cover > 0.0:
                    _blend(rgba, i, j, colour[k, 0], colour[k, 1], colour[k, 2], cover * strength)


@njit(cache=True, nogil=True, inline="always")
def _span(i: int, x0: float, y0: float, dx: float, dy: float, reach: float) -> tuple[int, int]:
    # columns of one row that a line can touch: a long line's bounding box is mostly empty
    low, high = min(x0, x0 + dx), max(x0, x0 + dx)
    if abs(dy) > 1e-9:
        slant = reach * (1.0 + abs(dx / dy))
        at = x0 + (i - y0) / dy * dx
        low, high = max(low, at - slant), min(high, at + slant)
    return int(np.floor(low - reach)), int(np.ceil(high + reach)) + 1


@njit(cache=True, nogil=True)
def gather_density(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    kind: NDArray[np.int64],
    colours: NDArray[np.float64],
    weight: float,
    rgba: NDArray[np.uint8],
) -> None:
    """Draw so many points that they overlap: mean colour, and cover that grows with their number.

    Each point is shared out over the four pixels round it. Unlike painting one over the other, the
    result does not depend on the points' order.

    Parameters
    ----------
    x, y
        Positions (n,), picture pixels.
    kind
        Row of `colours` for each point (n,).
    colours
        (k, 3), 0 to 255.
    weight
        Cover of one point that falls on one pixel, 0 to 1; n points cover 1 - (1 - weight)^n.
    rgba
        Overlay (height, width, 4), overwritten where points fall.
    """
    height, width = rgba.shape[:2]
    total = np.zeros((height + 2, width + 2, 4), np.float32)  # a rim takes what falls half outside
    for k in range(x.size):
        j, i = int(np.floor(x[k])), int(np.floor(y[k]))
        if -1 <= i < height and -1 <= j < width:
            _share_out(total, i + 1, j + 1, y[k] - i, x[k] - j, colours[kind[k]])
    for i in range(height):
        for j in range(width):
            count = total[i + 1, j + 1, 3]
            if count > 0.0:
                for channel in range(3):
                    rgba[i, j, channel] = np.uint8(total[i + 1, j + 1, channel] / count + 0.5)
                rgba[i, j, 3] = np.uint8(255.0 * (1.0 - (1.0 - weight) ** count) + 0.5)


@njit(cache=True, nogil=True, inline="always")
def _share_out(
    total: NDArray[np.float32],
    i: int,
    j: int,
    down: float,
    right: float,
    colour: NDArray[np.float64],
) -> None:
    for a in range(2):
        for b in range(2):
            share = (down if a else 1.0 - down) * (right if b else 1.0 - right)
            total[i + a, j + b, 3] += share
            for channel in range(3):
                total[i + a, j + b, channel] += share * colour[channel]
