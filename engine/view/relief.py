"""Height images as light and shade, so that a fibril looks like a fibril.

The light always comes from the upper left of the screen, however the image is turned or mirrored:
seen with the light from below, ridges and grooves change places.
"""

from collections import OrderedDict
from dataclasses import dataclass
from threading import Lock

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from engine.view.box import Box
from engine.view.sampling import paste_shade
from engine.view.scene import HeightLayer

Shade = NDArray[np.float32]

LIGHT = np.array([-0.6, -0.8])
"""Direction the light comes from, in the disc frame (y downwards)."""
KEPT = 96
SLOPE_SIGMA_PX = 0.9
SURROUNDINGS = 4
"""Heights are compared with their surroundings over one such part of the image's side."""
SMALLEST_PX = 12.0
"""An image smaller than this on the screen is left to its site's mark."""


@dataclass(frozen=True)
class ShadedImage:
    """Shades of one image at every level.

    Attributes
    ----------
    shades
        (rows, cols) 0 to 1, finest first; each half the size of the one before.
    known
        Where there is a datum, alike.
    """

    shades: tuple[Shade, ...]
    known: tuple[NDArray[np.bool_], ...]


def shade_heights(
    height_nm: NDArray[np.float32],
    pixel_um: tuple[float, float],
    u_axis: NDArray[np.float64],
    v_axis: NDArray[np.float64],
    like_nm: NDArray[np.float32] | None = None,
) -> ShadedImage:
    """Turn levelled heights into shades.

    The greater part of a shade is the slope towards the light, its strong values compressed so that
    the shallow bands of a fibril show beside its steep flanks; the rest is the height over its
    surroundings, so that what lies on top is brighter.

    Parameters
    ----------
    height_nm
        (rows, cols), NaN where there is no datum.
    pixel_um
        Pixel size along u and v.
    u_axis, v_axis
        The site's axes in the disc frame, (2,) each.
    like_nm
        Heights of the same shape that set the contrast, so that one surface under several loads is
        shaded alike; None for its own.
    """
    away = -LIGHT / np.hypot(*LIGHT)
    along = (float(u_axis @ away) / (pixel_um[0] * 1e3), float(v_axis @ away) / (pixel_um[1] * 1e3))
    slope, above, known = _relief(height_nm, along)
    spread, low, high = _contrast(slope, above, known)
    if like_nm is not None:
        spread, low, high = _contrast(*_relief(like_nm, along))
    lit = np.arcsinh(slope / max(0.3 * spread, 1e-9)) / np.arcsinh(3.0 / 0.3)
    tall = np.clip((above - low) / max(high - low, 1e-9), 0.0, 1.0)
    shade = 0.05 + 0.92 * (0.60 * np.clip(0.5 + 0.5 * lit, 0.0, 1.0) + 0.40 * tall)
    shade = shade.astype(np.float32)
    shades, masks = [shade], [known]
    while min(shades[-1].shape) > 16:
        shades.append(_halve(shades[-1]))
        masks.append(_halve(masks[-1].astype(np.float32)) >= 0.5)
    return ShadedImage(tuple(shades), tuple(masks))


def _relief(
    height_nm: NDArray[np.float32], along: tuple[float, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Slope towards the light, height over the surroundings, and where there is a datum."""
    known = np.isfinite(height_nm)
    height = np.where(known, height_nm, np.nanmedian(height_nm) if known.any() else 0.0)
    slope = _smooth_slope(height, 1) * along[0] + _smooth_slope(height, 0) * along[1]
    return slope, height - _surroundings(height), known


def _contrast(
    slope: NDArray[np.float64], above: NDArray[np.float64], known: NDArray[np.bool_]
) -> tuple[float, float, float]:
    if not known.any():
        return 1.0, 0.0, 1.0
    low, high = np.percentile(above[known], [1, 99])
    return float(np.sqrt(np.mean(slope[known] ** 2))), float(low), float(high)


def _smooth_slope(height: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    # the derivative of a narrow Gaussian: a plain difference would shade the scan lines' noise
    return ndimage.gaussian_filter(height, SLOPE_SIGMA_PX, order=[1 - axis, axis])


def _surroundings(height: NDArray[np.float64]) -> NDArray[np.float64]:
    # two running means are near enough to a wide Gaussian and cost a twentieth
    size = max(3, max(height.shape) // SURROUNDINGS)
    return ndimage.uniform_filter(ndimage.uniform_filter(height, size), size)


def _halve(image: Shade) -> Shade:
    padded = np.pad(image, ((0, image.shape[0] % 2), (0, image.shape[1] % 2)), mode="edge")
    rows, cols = padded.shape[0] // 2, padded.shape[1] // 2
    return padded.reshape(rows, 2, cols, 2).mean(axis=(1, 3), dtype=np.float32)


class ShadeCache:
    """Shaded images, kept while there are few enough.

    Parameters
    ----------
    kept
        How many are kept.
    """

    def __init__(self, kept: int = KEPT) -> None:
        self.kept = kept
        self._images: OrderedDict[str, ShadedImage] = OrderedDict()
        self._lock = Lock()

    def get(self, layer: HeightLayer) -> ShadedImage:
        """Return an image's shades, made where they are missing."""
        with self._lock:
            if layer.name in self._images:
                self._images.move_to_end(layer.name)
                return self._images[layer.name]
        height = layer.read()
        foot = layer.footprint
        pixel = (foot.width_um / height.shape[1], foot.height_um / height.shape[0])
        like = None if layer.like is None else layer.like()
        shaded = shade_heights(height, pixel, foot.u_axis, foot.v_axis, like)
        with self._lock:
            self._images[layer.name] = shaded
            while len(self._images) > self.kept:
                self._images.popitem(last=False)
        return shaded


def draw_height(layer: HeightLayer, box: Box, cache: ShadeCache, grey: NDArray[np.uint8]) -> float:
    """Paste one height image at its place.

    Parameters
    ----------
    layer
        The image.
    box
        What is looked at.
    cache
        Shaded images.
    grey
        Picture (height, width), written in place.

    Returns
    -------
    float
        Its side on the screen in pixels; 0 where none of it is in the picture.
    """
    corners = layer.footprint.corners()
    x, y = box.pixels_of(corners[:, 0], corners[:, 1])
    col0, col1 = max(0, int(np.floor(x.min()))), min(box.width_px, int(np.ceil(x.max())) + 1)
    row0, row1 = max(0, int(np.floor(y.min()))), min(box.height_px, int(np.ceil(y.max())) + 1)
    if col0 >= col1 or row0 >= row1 or max(np.ptp(x), np.ptp(y)) < SMALLEST_PX:
        return 0.0
    image = cache.get(layer)
    fine_px = min(np.hypot(*(corners[1] - corners[0])), np.hypot(*(corners[3] - corners[0])))
    pixel_px = fine_px / max(image.shades[0].shape) / box.um_per_px
    level = min(max(0, int(np.floor(-np.log2(pixel_px * 1.2)))), len(image.shades) - 1)
    shade, known = image.shades[level], image.known[level]
    to_pixel = _screen_to_pixel(layer, box, 2**level)
    paste_shade(shade, known, to_pixel, grey, row0, row1, col0, col1, pixel_px > 1.0)
    return float(max(np.ptp(x), np.ptp(y)))


def _screen_to_pixel(layer: HeightLayer, box: Box, factor: int) -> NDArray[np.float64]:
    """(2, 3) map from screen (col, row, 1) to the level's (row, col)."""
    foot = layer.footprint
    to_site = np.linalg.inv(np.column_stack([foot.u_axis, foot.v_axis]))
    size = np.array([foot.width_um / layer.shape[1], foot.height_um / layer.shape[0]]) * factor
    # screen position -> disc, relative to the footprint's centre: small numbers stay exact
    shift = np.array([box.centre_x_um, box.centre_y_um]) - foot.centre_um
    first = shift - 0.5 * box.um_per_px * np.array([box.width_px - 1, box.height_px - 1])
    half = 0.5 * np.array([foot.width_um, foot.height_um])
    linear = (to_site * box.um_per_px) / size[:, None]
    offset = (to_site @ first + half) / size - 0.5
    return np.array(
        [[linear[1, 0], linear[1, 1], offset[1]], [linear[0, 0], linear[0, 1], offset[0]]]
    )
