"""Fold of the curves face: the surface at a load and the adhesion as maps, texture under load."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import isfinite
from typing import Any

import numpy as np
import panel as pn
from numpy.typing import NDArray

from engine.view.ramps import ColourScale, scale_for
from viewer.card_facts import MapFacts, SiteFacts
from viewer.card_figures import Look, legend_html
from viewer.card_load_words import surface_html
from viewer.card_map import CurveMap
from viewer.card_parts import Switch, column, figure_pane, row, slider_css, text_pane
from viewer.card_turn import turn_of
from viewer.library import Library
from viewer.site_maps import KIND, SurfaceMaps, site_maps

_GAP = 0.34
STEPS = 100
"""Steps of the load from zero force to the trigger."""
NO_MAPS = '<p class="refusal">This run keeps no maps; a new analysis makes them.</p>'


class LoadFold:
    """Maps of one site beside its moduli; a click on either chooses a curve.

    Parameters
    ----------
    look, library
        Colours and the open discs.
    on_curve
        Told the number of the curve that is clicked.
    on_load
        Told the load in nN that is chosen.
    """

    def __init__(
        self,
        look: Look,
        library: Library,
        on_curve: Callable[[int], None],
        on_load: Callable[[float], None],
    ) -> None:
        self._library, self._on_load = library, on_load
        self._site: SiteFacts | None = None
        self._found: MapFacts | None = None
        self._maps: SurfaceMaps | None = None
        self._scale: ColourScale | None = None
        self._load, self._chosen = 0.0, -1
        self._stands, self._moving, self._touched = False, False, False
        self._height = CurveMap(look, on_curve, "length", "nm")
        self._adhesion = CurveMap(look, on_curve, "force", "nN")
        self._legends = text_pane(look), text_pane(look)
        self._text = text_pane(look)
        self._slider = pn.widgets.FloatSlider(
            label="load (nN)",
            start=0.0,
            end=1.0,
            step=0.01,
            value=0.0,
            sizing_mode="stretch_width",
            margin=(2, 14, 6, 8),
            stylesheets=[slider_css(look)],
        )
        self._slider.param.watch(self._slid, "value")
        pairs = zip((self._height, self._adhesion), self._legends, strict=True)
        self._columns = [
            pn.Column(figure_pane(picture.fig), words, margin=(0, 14, 0, 0), width=164)
            for picture, words in pairs
        ]
        # laid into the page when the fold is first opened: hidden figures cost every site
        self._parts = [row(*self._columns), self._slider, self._text]
        self._body = column()
        self._body.visible = False
        self._switch = Switch(look, "surface and adhesion", False, self._unfolded)
        self.view: Any = column(row(self._switch.button), self._body)

    def _unfolded(self, shown: bool) -> None:
        self._touched = True
        self._unfold(shown)

    def _unfold(self, shown: bool) -> None:
        if shown and not self._body.objects:
            self._body.objects = self._parts
        self._body.visible = shown
        if shown and not self._stands:
            self._draw()

    def show(self, site: SiteFacts, found: MapFacts) -> None:
        """Take up a site; at nanometre images the fold is open until a person closes it."""
        self._site, self._found, self._stands = site, found, False
        self._maps = site_maps(self._library, site.disc, site.stored.site)
        if not self._touched:
            self._switch.set(site.stored.kind == KIND)
        self._unfold(self._switch.on)

    def choose(self, index: int) -> None:
        """Mark one curve on the maps."""
        self._chosen = index
        if self._stands and self._maps is not None:
            for picture in (self._height, self._adhesion):
                picture.choose(index)

    def show_load(self, load_nN: float) -> None:
        """Show the surface at a load that was chosen elsewhere."""
        self._load = load_nN
        if self._stands and self._maps is not None:
            self._move_slider()
            self._draw_height()

    def _draw(self) -> None:
        """Draw everything of the site."""
        if self._site is None or self._found is None:
            return
        self._stands = True
        maps = self._maps
        self._parts[0].visible = self._slider.visible = maps is not None
        if maps is None:
            self._text.object = NO_MAPS
            return
        self._scale = _height_scale(maps)
        self._slider.visible = isfinite(maps.trigger_nN)
        self._move_slider()
        self._draw_height(whole=True)
        self._draw_adhesion(maps)
        self._text.object = surface_html(maps.kept, self._site.stored.has_height)
        self.choose(self._chosen)

    def _draw_height(self, whole: bool = False) -> None:
        """Draw the surface; only its values where the load alone has changed."""
        assert self._maps is not None
        assert self._scale is not None
        load = self._shown_load
        values = self._maps.height(load).ravel()
        if whole:
            self._lay(self._height, values, self._scale)
        else:
            self._height.show_values(values, self._scale)
        at = f"at {load:.3g} nN" if load > 0 else "at zero force"
        named = replace(self._scale, label=f"surface {at}")
        self._legends[0].object = legend_html(named, _GAP)

    def _draw_adhesion(self, maps: SurfaceMaps) -> None:
        values = maps.map("adhesion_nN").ravel()
        there = bool(np.isfinite(values).any())
        self._columns[1].visible = there
        if there:
            scale = replace(scale_for("curves", "adhesion_nN", values), label="pull-off force")
            self._lay(self._adhesion, values, scale)
            self._legends[1].object = legend_html(scale, _GAP)

    def _lay(self, picture: CurveMap, values: NDArray[np.float64], scale: ColourScale) -> None:
        assert self._site is not None
        assert self._found is not None
        foot = self._site.stored.footprint
        turn = turn_of(foot)
        width, height = turn.size(foot.width_um, foot.height_um)
        picture.show(self._found, turn, scale, height / width, values)

    @property
    def _shown_load(self) -> float:
        assert self._maps is not None
        trigger = self._maps.trigger_nN
        return min(self._load, trigger) if isfinite(trigger) else 0.0

    def _move_slider(self) -> None:
        assert self._maps is not None
        trigger = self._maps.trigger_nN
        if not isfinite(trigger):
            return
        self._moving = True
        try:
            self._slider.param.update(
                start=0.0, end=trigger, step=trigger / STEPS, value=self._shown_load
            )
        finally:
            self._moving = False

    def _slid(self, event: Any) -> None:
        if self._moving or self._maps is None or not isfinite(event.new):
            return
        self._load = float(event.new)
        self._draw_height()
        self._on_load(self._load)


def _height_scale(maps: SurfaceMaps) -> ColourScale:
    """Colours of the surface that hold from zero force to the trigger."""
    loads = [0.0, maps.trigger_nN] if isfinite(maps.trigger_nN) else [0.0]
    every = np.concatenate([maps.height(load).ravel() for load in loads])
    return scale_for("curves", "contact_height_nm", every)
