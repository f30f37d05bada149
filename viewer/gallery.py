"""Scenes, colours and pictures of the open discs, shared by all sessions of one process."""

from __future__ import annotations

from time import sleep

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from engine.cells.patterns import PATTERNS
from engine.view import Box, Paint, Painter, Picture, Scene, Stain
from engine.view.load import curve_values, load_scene, window_of
from engine.view.ramps import ColourScale, pattern_colours, scale_for
from viewer.fields import NAMES, field_layer
from viewer.library import Library
from viewer.look import Look
from viewer.site_maps import load_of, maps_to_draw
from viewer.stains import read_choices, stain_of

DEFAULT_CURVE_QUANTITY = "modulus_kPa"


class Gallery:
    """Draws the discs of a library.

    Parameters
    ----------
    library
        The open discs.
    painter
        Draws, and keeps what it decoded; a new one if None.
    """

    def __init__(self, library: Library, painter: Painter | None = None) -> None:
        self.library = library
        self.painter = painter or Painter()

    def pinned(self, runs: str | None = None) -> Gallery:
        """Return a gallery that stays with its runs (`Library.pinned`) and shares all else."""
        return Gallery(self.library.pinned(runs), self.painter)

    def scene(self, disc: str) -> Scene:
        """Return what there is to draw on a disc, of its current run."""
        run = self.library.run(disc)
        return self.library.kept(
            ("scene", disc, run or ""),
            lambda: load_scene(
                self.library.store(disc), run, lambda name: self.library.table(disc, name)
            ),
        )

    def draw(self, disc: str, box: Box, look: Look) -> Picture:
        """Draw a box of a disc."""
        return self.painter.draw(self.scene(disc), box, self.paint(disc, look))

    def paint(self, disc: str, look: Look) -> Paint:
        """Return the layers and the colours of cells and curves that a look asks for."""
        table, name = split(look.colour_by)
        cells = self._cell_colours(disc, name) if table == "cells" and name != "pattern" else None
        curves = self._curve_colours(disc, look.colour_by)
        stains = self.stains(disc, look.stains)
        shown = maps_to_draw(
            self.library, self.scene(disc), disc, look.site_map, load_of(look.load)
        )
        over = field_layer(self.library, disc, look.field)
        return Paint(look.layers, look.dark, cells, curves, stains, *shown, over)

    def channels(self, disc: str) -> tuple[str, ...]:
        """Return the names of a mosaic's channels; none where there is no mosaic."""
        there = self.scene(disc).mosaic is not None
        return tuple(self.library.store(disc).info.get("channels", ())) if there else ()

    def stains(self, disc: str, text: str) -> tuple[Stain, ...] | None:
        """Return the stains that a look's text asks for; None for the nuclei in grey."""
        if not text:
            return None
        chosen = [one for one in read_choices(text, self.channels(disc)) if one.shown]
        return tuple(stain_of(one, self.stain_window(disc, one.channel)[0]) for one in chosen)

    def stain_window(
        self, disc: str, channel: int
    ) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return the window that suits a channel, and the ends of what it may be set to."""
        layer = self.scene(disc).mosaic
        assert layer is not None
        return self.library.kept(
            ("stain window", disc, str(channel)), lambda: window_of(layer, channel)
        )

    def scale(self, colour_by: str) -> ColourScale | None:
        """Return the scale of a quantity over all open discs; None for a pattern."""
        table, name = split(colour_by)
        if name == "pattern":
            return None
        runs = tuple(self.library.run(disc) or "" for disc in self.library.discs)
        return self.library.kept(
            ("scale", colour_by, *runs), lambda: scale_for(table, name, self._all(table, name))
        )

    def site_colours(self, disc: str, colour_by: str, dark: bool) -> NDArray[np.uint8]:
        """Return the colours of a disc's sites in the order of its scene, (n, 4), alpha 0 for none.

        Where a cell quantity is chosen the sites have no colour of their own.
        """
        names = list(self.scene(disc).sites)
        table, name = split(colour_by)
        sites = self.library.sites(disc)
        if table != "sites" or name not in sites:
            return np.zeros((len(names), 4), np.uint8)
        values = sites.set_index("site")[name].reindex(names)
        if name == "pattern":
            return _pattern_rgba(values, dark)
        scale = self.scale(colour_by)
        assert scale is not None
        return scale.colours(values.to_numpy(dtype=float, na_value=np.nan))

    def warm(self) -> None:
        """Draw what takes compiled code once, so that nobody waits for a compiler."""
        disc = self.library.discs[0]
        scene = self.scene(disc)
        x0, y0, x1, y1 = scene.extent_um
        layers = frozenset({"mosaic", "heights", "cells", "links", "curves"})
        whole = Box((x0 + x1) / 2, (y0 + y1) / 2, max(x1 - x0, y1 - y0) / 400, 400, 400)
        boxes = [whole]
        for sites in ([layer.site for layer in scene.heights], list(scene.sites)):
            for site in sites[:1]:
                foot = scene.sites[site]
                x, y = foot.centre_um
                boxes += [
                    Box(float(x), float(y), size * foot.width_um / 400, 400, 400)
                    for size in (0.2, 1.0, 20.0)
                ]
        for box in boxes:
            self.draw(disc, box, Look(layers, "sites.modulus_kPa"))
        for dark in (True, False):
            look = Look(frozenset({"mosaic", "heights"}), "sites.pattern", dark, "nuclei,o")
            for box in boxes[:2]:  # height images are pasted into colours, too
                self.draw(disc, box, look)
        for field in NAMES:
            self.draw(disc, whole, Look(frozenset({"mosaic"}), "sites.pattern", field=field))

    def shade_ahead(self) -> None:
        """Shade height images before anybody looks at them, as many as are kept, without haste."""
        layers = [layer for disc in self.library.discs for layer in self.scene(disc).heights]
        for layer in layers[: self.painter.shades.kept]:
            self.painter.shades.get(layer)
            sleep(0.2)  # whoever looks already comes first

    def _cell_colours(self, disc: str, name: str) -> NDArray[np.uint8] | None:
        cells = self.library.table(disc, "cells")
        scale = self.scale(f"cells.{name}")
        if name not in cells or scale is None:
            return None
        return scale.colours(cells[name].to_numpy(dtype=float, na_value=np.nan))

    def _curve_colours(self, disc: str, colour_by: str) -> NDArray[np.uint8] | None:
        run = self.library.run(disc)
        if run is None:
            return None
        table, name = split(colour_by)
        curves = self.library.table(disc, "curves")
        if table != "sites" or name not in self.library.quantities(disc, "curves"):
            name = DEFAULT_CURVE_QUANTITY
        scale = self.scale(f"sites.{name}" if name in self.library.sites() else f"curves.{name}")

        def colour() -> NDArray[np.uint8]:
            scene = self.scene(disc)
            values = curve_values(
                scene.curves, tuple(scene.sites), self.library.store(disc), curves, name
            )
            assert scale is not None
            return scale.colours(values)

        return self.library.kept(("curve colours", disc, run, name), colour)

    def _all(self, table: str, name: str) -> NDArray[np.float64]:
        columns = []
        for disc in self.library.discs:
            frame = self.library.table(disc, table)
            if name in frame:
                columns.append(frame[name].to_numpy(dtype=float, na_value=np.nan))
        return np.concatenate(columns) if columns else np.empty(0)


def split(colour_by: str) -> tuple[str, str]:
    """Take ``table.quantity`` apart."""
    table, _, name = colour_by.partition(".")
    return table, name


def _pattern_rgba(values: pd.Series, dark: bool) -> NDArray[np.uint8]:
    colours = pattern_colours(dark)
    rgba = np.zeros((len(values), 4), np.uint8)
    for i, value in enumerate(values):
        if value in PATTERNS:
            rgba[i] = (*colours[PATTERNS.index(value)], 255)
    return rgba
