"""A picture of any box at any size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from engine.view.bands import draw_bands
from engine.view.box import Box
from engine.view.cells import cell_colours, draw_cells, draw_links
from engine.view.curves import draw_curves, without_sites
from engine.view.fields import draw_field
from engine.view.mosaic import draw_mosaic
from engine.view.relief import ShadeCache, draw_height
from engine.view.scene import Paint, Scene
from engine.view.site_maps import PlaceCache, draw_site_maps
from engine.view.stains import GREY, as_grey, draw_stains
from engine.view.tile_map import draw_tiles
from engine.view.tiles import TileCache

PAPER = {True: 15, False: 250}
"""Grey of the plane where there is nothing, on the dark and on the light page."""
READABLE_PX = 64.0
"""A height image smaller than this on the screen shows that it is there, and no more."""
INK = {True: 235, False: 30}
"""Grey of the brightest nucleus."""


@dataclass(frozen=True)
class Picture:
    """What was drawn.

    Attributes
    ----------
    grey
        Mosaic and height images, (height, width) uint8.
    overlay
        Marks whose colour stands for something, (height, width, 4) RGBA, straight alpha.
    only_mosaic
        Whether `grey` holds no height image that can be read: small losses then change nothing.
    colour
        (height, width, 3) in the place of `grey`, where stains have colours; else None.
    """

    grey: NDArray[np.uint8]
    overlay: NDArray[np.uint8]
    only_mosaic: bool
    colour: NDArray[np.uint8] | None = None

    @property
    def below(self) -> NDArray[np.uint8]:
        """What lies under the marks: (height, width), or (height, width, 3) in colour."""
        return self.grey if self.colour is None else self.colour

    def rgba(self) -> NDArray[np.uint8]:
        """Return the whole picture, (height, width, 4), opaque."""
        alpha = self.overlay[..., 3:].astype(np.float32) / 255.0
        below = self.grey[..., None] if self.colour is None else self.colour
        below = below.astype(np.float32) * (1.0 - alpha)
        out = np.full(self.overlay.shape, 255, np.uint8)
        out[..., :3] = np.rint(below + self.overlay[..., :3] * alpha)
        return out


class Painter:
    """Draws scenes; holds what was decoded and shaded, for all sessions of a process."""

    def __init__(self) -> None:
        self.tiles = TileCache()
        self.shades = ShadeCache()
        self.places = PlaceCache()

    def draw(self, scene: Scene, box: Box, paint: Paint) -> Picture:
        """Draw a box of a scene.

        Parameters
        ----------
        scene
            What there is.
        box
            What is looked at.
        paint
            Layers and colours.
        """
        ground = self._mosaic(scene, box, paint)
        coloured = ground.ndim == 3
        planes = [ground[..., k] for k in range(3)] if coloured else [ground]
        largest_px = self._heights(scene, box, paint, planes)
        overlay = self._overlay(scene, box, paint)
        return Picture(planes[0], overlay, largest_px < READABLE_PX, ground if coloured else None)

    def _overlay(self, scene: Scene, box: Box, paint: Paint) -> NDArray[np.uint8]:
        """Draw the marks, bottom to top."""
        overlay = np.zeros((box.height_px, box.width_px, 4), np.uint8)
        if paint.field is not None:
            free = tuple(layer.footprint for layer in paint.heights(scene))
            draw_field(paint.field, box, paint.dark, free, overlay)
        if paint.site_maps is not None and "heights" in paint.layers:
            draw_site_maps(paint.site_maps, box, paint.dark, self.places, overlay)
        _draw_cells_and_links(scene, box, paint, overlay)
        if "bands" in paint.layers:
            for bands in scene.bands:
                draw_bands(bands, box, overlay)
        if scene.tiles is not None and "tiles" in paint.layers:
            draw_tiles(scene.tiles, box, paint.dark, overlay)
        if "curves" in paint.layers:
            points = without_sites(scene.curves, scene.sites, paint.mapped())
            draw_curves(points, paint.curve_colours, box, paint.dark, overlay)
        return overlay

    def _heights(
        self, scene: Scene, box: Box, paint: Paint, planes: list[NDArray[np.uint8]]
    ) -> float:
        """Paste the height images into all planes; the largest one's side on the screen."""
        largest_px = 0.0
        for layer in paint.heights(scene):
            for plane in planes:
                side_px = draw_height(layer, box, self.shades, plane)
                largest_px = max(largest_px, side_px)
                if not side_px:
                    break
        return largest_px

    def _mosaic(self, scene: Scene, box: Box, paint: Paint) -> NDArray[np.uint8]:
        """Draw the mosaic on the page: (height, width), or (height, width, 3) in colours."""
        grey = np.zeros((box.height_px, box.width_px), np.uint8)
        layer = scene.mosaic if "mosaic" in paint.layers else None
        if layer is not None and paint.stains is not None:
            if any(stain.ink != GREY for stain in paint.stains) or len(paint.stains) > 1:
                paper = PAPER[paint.dark]
                return draw_stains(layer, paint.stains, box, self.tiles, paper, paint.dark)
            layer = as_grey(layer, paint.stains[0]) if paint.stains else None
        if layer is not None:
            draw_mosaic(layer, box, self.tiles, grey)
        return _page(paint.dark)[grey]


def _draw_cells_and_links(scene: Scene, box: Box, paint: Paint, overlay: NDArray[np.uint8]) -> None:
    colours = paint.cell_colours
    if colours is None:
        colours = cell_colours(scene.cells, paint.dark)
    if "links" in paint.layers:
        draw_links(scene.cells, colours, box, overlay)
    if "cells" in paint.layers:
        draw_cells(scene.cells, colours, box, overlay)


def _page(dark: bool) -> NDArray[np.uint8]:
    return np.rint(np.linspace(PAPER[dark], INK[dark], 256)).astype(np.uint8)
