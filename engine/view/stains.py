"""Several stains in one picture, each in a colour of its own: as light on dark, as ink on light.

On the dark page lights add up, drawn in towards white so that three of them do not all end there
(1 - (1 - a)(1 - b), which is a + b where both are small); on the light page inks lie over each
other and what they let through is multiplied. The one is the other's negative.

Colours are near those of Okabe and Ito (2008, "Color universal design"), which people with the
common colour-vision deficiencies tell apart: darker ones on the light page, lighter ones on the
dark page.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from engine.view.box import Box
from engine.view.mosaic import draw_mosaic
from engine.view.scene import MosaicLayer, Stain
from engine.view.tiles import TileCache

INKS: dict[str, tuple[str, str, str]] = {
    "w": ("grey", "#f0f0f0", "#1e1e1e"),
    "o": ("orange", "#e69f00", "#a65e00"),
    "b": ("blue", "#56b4e9", "#0072b2"),
    "g": ("green", "#2fc79a", "#007a5a"),
    "r": ("red", "#ff7a3d", "#c44a00"),
    "p": ("purple", "#c25fa0", "#b03a8c"),
    "y": ("yellow", "#f0e442", "#7d7200"),
}
"""Letter to name and colours on the dark and on the light page."""
GREY = "w"
"""Alone, a stain in this ink is drawn as a grey picture."""


def ink_hex(ink: str, dark: bool) -> str:
    """Return an ink's colour on a page, as #rrggbb."""
    return INKS[ink][1 if dark else 2]


def ink_rgb(ink: str, dark: bool) -> NDArray[np.float64]:
    """Return an ink's colour on a page, (3,), 0 to 255."""
    text = ink_hex(ink, dark)
    return np.array([int(text[i : i + 2], 16) for i in (1, 3, 5)], dtype=np.float64)


@njit(cache=True, nogil=True)
def _lay(level: NDArray[np.uint8], table: NDArray[np.int64], out: NDArray[np.uint8]) -> None:
    """Lay one stain on a picture (height, width, 3) of what is taken from white or let through."""
    for i in range(level.shape[0]):
        for j in range(level.shape[1]):
            value = level[i, j]
            if value:
                for k in range(3):
                    out[i, j, k] = (out[i, j, k] * table[value, k] + 127) // 255


def blend(
    levels: list[NDArray[np.uint8]], inks: list[str], paper: int, dark: bool
) -> NDArray[np.uint8]:
    """Blend stains into one coloured picture.

    Parameters
    ----------
    levels
        One (height, width) a stain, 0 background to 255 brightest.
    inks
        Letter of each stain's ink.
    paper
        Grey of the page where there is nothing.
    dark
        Light on dark, or ink on paper.
    """
    share = np.arange(256)[:, None] / 255.0
    out = np.full((*levels[0].shape, 3), 255 - paper if dark else paper, np.uint8)
    for level, ink in zip(levels, inks, strict=True):
        colour = ink_rgb(ink, dark)
        through = 255.0 - share * (colour if dark else 255.0 - colour)
        _lay(level, np.rint(through).astype(np.int64), out)
    return np.subtract(255, out, out=out) if dark else out


def draw_stains(
    layer: MosaicLayer,
    stains: tuple[Stain, ...],
    box: Box,
    cache: TileCache,
    paper: int,
    dark: bool,
) -> NDArray[np.uint8]:
    """Draw several stains, (height, width, 3).

    Parameters
    ----------
    layer
        The mosaic.
    stains
        What is drawn, and how.
    box
        What is looked at.
    cache
        Decoded tiles.
    paper, dark
        As for `blend`.
    """
    levels = []
    for stain in stains:
        level = np.zeros((box.height_px, box.width_px), np.uint8)
        draw_mosaic(as_grey(layer, stain), box, cache, level)
        levels.append(level)
    return blend(levels, [stain.ink for stain in stains], paper, dark)


def as_grey(layer: MosaicLayer, stain: Stain) -> MosaicLayer:
    """Return the mosaic with one stain as the channel that is drawn."""
    channel = stain.channel if len(layer.levels[0].shape) == 3 else None
    return MosaicLayer(
        layer.name,
        layer.levels,
        layer.pixel_um,
        layer.origin_um,
        channel,
        stain.low,
        max(stain.high, np.nextafter(stain.low, np.inf)),
    )
