"""Compiled resampling of images under an affine map, one pass over the screen's pixels."""

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, nogil=True, fastmath=False)
def stretch_window(
    window: NDArray[np.uint16],
    first_row: float,
    first_col: float,
    step_row: float,
    step_col: float,
    low: float,
    high: float,
    gamma: float,
    out: NDArray[np.uint8],
    row0: int,
    row1: int,
    col0: int,
    col1: int,
) -> None:
    """Resample a window bilinearly into part of a grey picture (axis-aligned, no rotation).

    Parameters
    ----------
    window
        Pixels of the level (m, n).
    first_row, first_col
        Position in the window, in its pixels, of the picture's pixel (0, 0).
    step_row, step_col
        Window pixels to one picture pixel.
    low, high
        Values drawn black and white.
    gamma
        Exponent of the grey curve.
    out
        The picture (height, width), written in place.
    row0, row1, col0, col1
        The part of it that lies on the image.
    """
    m, n = window.shape
    table = np.empty(1025, np.uint8)
    for i in range(1025):
        table[i] = np.uint8(round(255.0 * (i / 1024.0) ** gamma))
    scale = 1024.0 / (high - low)
    for i in range(row0, row1):
        r = min(max(first_row + i * step_row, 0.0), m - 1.0)
        r_low = min(int(r), m - 1)
        r_high = min(r_low + 1, m - 1)
        fr = r - r_low
        for j in range(col0, col1):
            c = min(max(first_col + j * step_col, 0.0), n - 1.0)
            c_low = min(int(c), n - 1)
            c_high = min(c_low + 1, n - 1)
            fc = c - c_low
            upper = window[r_low, c_low] * (1.0 - fc) + window[r_low, c_high] * fc
            lower = window[r_high, c_low] * (1.0 - fc) + window[r_high, c_high] * fc
            level = ((upper * (1.0 - fr) + lower * fr) - low) * scale
            if level > 0.0:  # not so where there is no number, either
                out[i, j] = table[int(min(level, 1024.0))]
            else:
                out[i, j] = 0


@njit(cache=True, nogil=True, inline="always")
def _cubic(t: float) -> tuple[float, float, float, float]:
    # Catmull-Rom weights of the four pixels round a position
    return (
        ((-0.5 * t + 1.0) * t - 0.5) * t,
        ((1.5 * t - 2.5) * t) * t + 1.0,
        ((-1.5 * t + 2.0) * t + 0.5) * t,
        ((0.5 * t - 0.5) * t) * t,
    )


@njit(cache=True, nogil=True)
def paste_shade(
    shade: NDArray[np.float32],
    known: NDArray[np.bool_],
    to_pixel: NDArray[np.float64],
    grey: NDArray[np.uint8],
    row0: int,
    row1: int,
    col0: int,
    col1: int,
    smooth: bool,
) -> None:
    """Paste a rotated, possibly mirrored image of shades into a grey picture.

    Parameters
    ----------
    shade
        Shades (m, n), 0 to 1.
    known
        Where there is a datum (m, n); the rest is hatched.
    to_pixel
        (2, 3): image (row, col) = to_pixel @ (screen col, screen row, 1).
    grey
        The picture (height, width), written in place; the image's edge is blended into it.
    row0, row1, col0, col1
        Part of the picture to look at.
    smooth
        Cubic (magnified) or linear interpolation.
    """
    m, n = shade.shape
    step = np.hypot(to_pixel[0, 0], to_pixel[0, 1])
    for i in range(row0, row1):
        for j in range(col0, col1):
            r = to_pixel[0, 0] * j + to_pixel[0, 1] * i + to_pixel[0, 2]
            c = to_pixel[1, 0] * j + to_pixel[1, 1] * i + to_pixel[1, 2]
            # distance to the edge in screen pixels: pixels tile, so it lies half a pixel out
            edge = min(r + 0.5, m - 0.5 - r, c + 0.5, n - 0.5 - c) / step
            cover = min(max(edge + 0.5, 0.0), 1.0)
            if cover <= 0.0:
                continue
            r = min(max(r, 0.0), m - 1.0)
            c = min(max(c, 0.0), n - 1.0)
            ri = min(int(r), m - 1)
            ci = min(int(c), n - 1)
            if not known[min(int(r + 0.5), m - 1), min(int(c + 0.5), n - 1)]:
                value = 0.42 if (i + j) % 8 < 2 else 0.22
            elif smooth:
                wr = _cubic(r - ri)
                wc = _cubic(c - ci)
                value = 0.0
                for a in range(4):
                    ra = min(max(ri + a - 1, 0), m - 1)
                    line = 0.0
                    for b in range(4):
                        line += wc[b] * shade[ra, min(max(ci + b - 1, 0), n - 1)]
                    value += wr[a] * line
            else:
                r1 = min(ri + 1, m - 1)
                c1 = min(ci + 1, n - 1)
                fr = r - ri
                fc = c - ci
                value = (shade[ri, ci] * (1 - fc) + shade[ri, c1] * fc) * (1 - fr) + (
                    shade[r1, ci] * (1 - fc) + shade[r1, c1] * fc
                ) * fr
            value = min(max(value, 0.0), 1.0) * 255.0
            grey[i, j] = np.uint8(round(value * cover + grey[i, j] * (1.0 - cover)))
