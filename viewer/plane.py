"""The disc plane: deep zoom over plain HTTP, sites, brush; Python's half of `assets/plane.js`.

The pictures (overview, last views, current view) lie on a canvas of the page's script under the
figure, which is clear and holds the few things that stay vectors: sites, the selection, the outline
of the tissue, regions. To hand the pictures to a glyph instead costs a readback and a copy of every
pixel of every picture at each change: 90 to 100 ms against 10 on the same machine.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

import numpy as np
from bokeh.events import Reset, SelectionGeometry, Tap
from bokeh.models import (
    BoxSelectTool,
    ColumnDataSource,
    CustomJS,
    LassoSelectTool,
    PanTool,
    Patches,
    Plot,
    Range1d,
    Scatter,
    Text,
    WheelZoomTool,
)

from engine.view.hit import nearest_curve, nearest_site
from viewer.address import FIELDS, apply, encode
from viewer.bridge import Bridge
from viewer.gallery import Gallery, split
from viewer.header import settings
from viewer.ladder import FILLS, rungs
from viewer.legend import legend_html
from viewer.marks import outline_columns, site_columns
from viewer.state import LAYERS, MAX_UM_PER_PX, MIN_UM_PER_PX, ViewState
from viewer.theme import palette

PUSHED = {"disc", "site", "colour_by", "regions"}
"""Changes that make a new entry in the browser's history; all others rewrite the present one."""
LARGEST_POLYGON = 20_000
"""Corners of a brushed polygon; more is no gesture of a hand."""


class PlaneView:
    """The plane of one session.

    Parameters
    ----------
    state
        What is looked at.
    gallery
        The discs.

    Attributes
    ----------
    figure
        The Bokeh plot.
    bridge
        What the page's scripts and Python tell each other.
    """

    def __init__(self, state: ViewState, gallery: Gallery) -> None:
        self.state = state
        self.gallery = gallery
        self.bridge = Bridge()
        self._following = False
        self._start: dict[str, float | None] = {"x": None, "y": None, "s": None}
        self.sites = ColumnDataSource(syncable=False)
        self.selection = ColumnDataSource(syncable=False)
        self.outline = ColumnDataSource(data={"xs": [], "ys": []}, syncable=False)
        self.regions = ColumnDataSource(syncable=False)
        self.figure = self._figure()
        self._show_all()
        self._watch()

    def start_at(self, x_um: float, y_um: float, um_per_px: float) -> None:
        """Say where the first view is; without it the whole disc is shown."""
        self._start = {"x": x_um, "y": y_um, "s": um_per_px}
        self._show_settings()

    def script(self) -> CustomJS:
        """Return what starts the page's half once the document is there."""
        script = CustomJS(
            args={
                "figure": self.figure,
                "sites": self.sites,
                "selection": self.selection,
                "bridge": self.bridge,
            },
            code="splendens.start({figure, sites, selection, bridge})",
        )
        # only what a root refers to belongs to the document and is kept in step; there is no reset
        self.figure.js_on_event(Reset, script)
        return script

    # ---- the figure ------------------------------------------------------------------------

    def _figure(self) -> Plot:
        limits = {
            "min_interval": 64 * MIN_UM_PER_PX,
            "max_interval": 8192 * MAX_UM_PER_PX,
            "syncable": False,
        }
        plot = Plot(
            x_range=Range1d(0, 1, **limits),
            y_range=Range1d(1, 0, **limits),
            sizing_mode="stretch_both",
            toolbar_location=None,
            min_border=0,
            outline_line_color=None,
            background_fill_alpha=0.0,
            border_fill_alpha=0.0,
            lod_threshold=None,
        )
        pan, wheel = PanTool(), WheelZoomTool(speed=1 / 400, zoom_on_axis=False)
        brush = {"renderers": [], "continuous": False}
        lasso, box = LassoSelectTool(**brush), BoxSelectTool(**brush)
        for tool in (lasso, box):
            tool.overlay.update(fill_alpha=0.08, line_width=1.5, line_dash="solid")
        plot.add_tools(pan, wheel, lasso, box)
        plot.toolbar.active_drag = pan
        plot.toolbar.active_scroll = wheel
        self._add_vectors(plot)
        plot.on_event(Tap, self._on_tap)
        plot.on_event(SelectionGeometry, self._on_brush)
        return plot

    def _add_vectors(self, plot: Plot) -> None:
        ghost = {"nonselection_glyph": None, "selection_glyph": None}
        edge = Patches(xs="xs", ys="ys", fill_alpha=0, line_width=1.2, line_alpha=0.55)
        self._outline = plot.add_glyph(self.outline, edge, **ghost)
        area = Patches(
            xs="xs",
            ys="ys",
            fill_color="colour",
            fill_alpha=0.10,
            line_color="colour",
            line_width=2,
        )
        self._regions = plot.add_glyph(self.regions, area, **ghost)
        letter = Text(
            x="x", y="y", text="letter", text_color="colour", text_font_style="bold",
            text_font_size="18px", text_align="center", text_baseline="bottom",
        )  # fmt: skip
        self._letters = plot.add_glyph(self.regions, letter, **ghost)
        foot = Patches(
            xs="xs", ys="ys", fill_color="fill", fill_alpha="fill_alpha", line_color="line",
            line_alpha="edge_alpha", line_width=1.6, line_dash="dash",
        )  # fmt: skip
        mark = Scatter(
            x="x", y="y", size="mark", marker="marker", fill_color="fill", line_color="rim",
            line_width=1.2,
        )  # fmt: skip
        self._sites = [
            plot.add_glyph(self.sites, foot, **ghost),
            plot.add_glyph(self.sites, mark, **ghost),
        ]
        around = Patches(xs="xs", ys="ys", fill_alpha=0, line_color="line", line_width=2.5)
        point = Scatter(
            x="x",
            y="y",
            marker="circle",
            size="ring",
            fill_alpha=0,
            line_color="line",
            line_width=2.5,
        )
        plot.add_glyph(self.selection, around, **ghost)
        plot.add_glyph(self.selection, point, **ghost)

    # ---- from state to page ------------------------------------------------------------------

    def _watch(self) -> None:
        watch = self.state.param.watch
        watch(lambda *_: self._show_all(), ["disc", "dark"])
        watch(lambda *_: self._show_colours(), ["colour_by"])
        watch(lambda *_: self._show_layers(), ["layers"])
        watch(lambda *_: self._show_settings(), ["card_open", "tray_open"])
        watch(lambda *_: self._show_selection(), ["site", "curve"])
        watch(lambda *_: self._show_regions(), ["regions"])
        watch(lambda *_: self._fly(), ["flight"])
        watch(lambda *_: self._show_rungs(), ["centre_x_um", "centre_y_um", "um_per_px", "site"])
        watch(self._write_address, list(FIELDS))

    def _show_all(self) -> None:
        colours = palette(self.state.dark)
        self.figure.background_fill_color = colours.plane
        self._outline.glyph.line_color = colours.quiet
        self.figure.select_one(LassoSelectTool).overlay.update(
            fill_color=colours.text, line_color=colours.text
        )
        self.figure.select_one(BoxSelectTool).overlay.update(
            fill_color=colours.text, line_color=colours.text
        )
        outline = self.gallery.scene(self.state.disc).outline_um
        has = len(outline) > 2
        self.outline.data = {
            "xs": [outline[:, 0].tolist()] if has else [],
            "ys": [outline[:, 1].tolist()] if has else [],
        }
        self._show_colours()
        self._show_layers()
        self._show_selection()
        self._show_regions()
        self._show_rungs()

    def _show_colours(self) -> None:
        state = self.state
        self.sites.data = site_columns(self.gallery, state.disc, state.colour_by, state.dark)
        self._show_settings()
        self._show_legend()
        self.bridge.marks += 1

    def _show_layers(self) -> None:
        layers = self.state.layers
        self._outline.visible = "outline" in layers
        for renderer in self._sites:
            renderer.visible = "sites" in layers
        self._show_settings()
        self._show_legend()

    def _show_settings(self) -> None:
        extent = self.gallery.scene(self.state.disc).extent_um
        said = settings(self.state, self.gallery.library, extent)
        self.bridge.settings = said | {"start": self._start}

    def _show_legend(self) -> None:
        table, name = split(self.state.colour_by)
        layers = self.state.layers
        cells = bool({"cells", "links"} & set(layers)) or name == "pattern"
        self.bridge.legend = legend_html(
            self.gallery.scale(self.state.colour_by),
            table,
            self.state.dark,
            cells and not (table == "cells" and name != "pattern"),
            "curves" in layers,
        )

    def _show_selection(self) -> None:
        state = self.state
        scene = self.gallery.scene(state.disc)
        self.selection.data = outline_columns(scene, state.site, state.curve, state.dark)
        self.bridge.marks += 1

    def _show_regions(self) -> None:
        colours = dict(zip("ABCD", palette(self.state.dark).regions, strict=True))
        mine = {k: r for k, r in self.state.regions.items() if r.disc == self.state.disc}
        tops = [r.polygon_um[np.argmin(r.polygon_um[:, 1])] for r in mine.values()]
        self.regions.data = {
            "xs": [r.polygon_um[:, 0].tolist() for r in mine.values()],
            "ys": [r.polygon_um[:, 1].tolist() for r in mine.values()],
            "x": [float(top[0]) for top in tops],
            "y": [float(top[1]) for top in tops],
            "letter": list(mine),
            "colour": [colours[letter] for letter in mine],
        }

    def _show_rungs(self) -> None:
        found = rungs(self.gallery.scene(self.state.disc), self.state.box_um(), self.state.site)
        self.bridge.rungs = [asdict(rung) for rung in found]

    def _fly(self, jump: bool = False) -> None:
        flight = self.state.flight
        if flight is not None:
            self.bridge.flight = {
                "x": flight.x_um,
                "y": flight.y_um,
                "s": flight.um_per_px,
                "n": flight.serial,
                "jump": jump,
            }

    def _write_address(self, *events: Any) -> None:
        if self._following:
            return
        push = any(event.name in PUSHED for event in events)
        self.bridge.address = {"search": encode(self.state), "push": push}

    # ---- from page to state ------------------------------------------------------------------

    def listen(self) -> None:
        """Follow what the page says; call once the models belong to a document."""
        self.bridge.on_change("view", lambda _a, _o, new: self._on_view(new))
        self.bridge.on_change("act", lambda _a, _o, new: self._on_act(new))

    def _on_view(self, view: Any) -> None:
        numbers = {key: _finite(view, key) for key in ("x", "y", "s", "w", "h")}
        if any(v is None for v in numbers.values()):
            return
        x, y, s, w, h = (float(v) for v in numbers.values() if v is not None)
        if not MIN_UM_PER_PX <= s <= MAX_UM_PER_PX or min(w, h) < 1:
            return
        self.state.param.update(
            centre_x_um=x, centre_y_um=y, um_per_px=s, width_px=int(w), height_px=int(h)
        )

    def _on_tap(self, event: Tap) -> None:
        if event.x is None or event.y is None:
            return
        self.click(float(event.x), float(event.y))

    def click(self, x_um: float, y_um: float) -> None:
        """Select the site, and the curve, that a click at a place of the disc means."""
        scene = self.gallery.scene(self.state.disc)
        if "sites" not in self.state.layers:
            return
        scale = self.state.um_per_px
        site = nearest_site(scene.sites, x_um, y_um, scale)
        curve = None
        if site is not None:
            number = list(scene.sites).index(site)
            curve = nearest_curve(scene.curves, number, x_um, y_um, scale)
        self.state.select(site or "", curve)
        if site is not None:
            self.state.card_open = True

    def _on_brush(self, event: SelectionGeometry) -> None:
        if not event.final:
            return
        corners = _polygon(event.geometry)
        if corners is not None:
            self.state.add_region(corners)

    def _on_act(self, act: Any) -> None:
        if not isinstance(act, dict):
            return
        name, value = act.get("name"), act.get("value")
        acts: dict[Any, Callable[[], Any]] = {
            "theme": lambda: self.state.param.update(dark=not self.state.dark),
            "card": lambda: self.state.param.update(card_open=not self.state.card_open),
            "tray": lambda: self.state.param.update(tray_open=not self.state.tray_open),
            "layer": lambda: self._on_layer(value),
            "disc": lambda: self._on_disc(value),
            "colour": lambda: self._on_colour(value),
            "step": lambda: self.step(-1 if value == -1 else 1),
            "approach": self.approach,
            "clear": lambda: self.state.select(""),
            "rung": lambda: self._on_rung(value),
            "back": lambda: self._on_back(value),
        }
        if name in acts:
            acts[name]()

    def _on_layer(self, layer: Any) -> None:
        if layer in LAYERS:
            self.state.show_layer(layer, layer not in self.state.layers)

    def _on_colour(self, colour: Any) -> None:
        offered = {item[0] for group in self.bridge.settings["colours"] for item in group["items"]}
        if colour in offered:
            self.state.colour_by = colour

    def _on_disc(self, disc: Any) -> None:
        if disc in self.state.discs and disc != self.state.disc:
            self.state.param.update(disc=disc, site="", curve=None)
            x0, y0, x1, y1 = self.gallery.scene(disc).extent_um
            size = max((x1 - x0) / self.state.width_px, (y1 - y0) / self.state.height_px)
            self.state.fly_to((x0 + x1) / 2, (y0 + y1) / 2, 1.06 * size)

    def _on_rung(self, lane: Any) -> None:
        for rung in self.bridge.rungs:
            if rung["lane"] == lane:
                self.state.fly_to_box(
                    (rung["x_um"], rung["y_um"]), rung["coarse_um"], margin=1 / FILLS
                )
                if rung["site"]:
                    self.state.select(rung["site"])

    def _on_back(self, search: Any) -> None:
        self._following = True  # the address is already what it says
        try:
            if apply(self.state, str(search)):
                self.state.fly_to(
                    self.state.centre_x_um, self.state.centre_y_um, self.state.um_per_px
                )
        finally:
            self._following = False

    def step(self, by: int) -> None:
        """Select the next or previous site and bring it into the view."""
        names = list(self.gallery.scene(self.state.disc).sites)
        if not names:
            return
        at = names.index(self.state.site) if self.state.site in names else (-1 if by > 0 else 0)
        site = names[(at + by) % len(names)]
        self.state.select(site)
        x, y = self.gallery.scene(self.state.disc).sites[site].centre_um
        x0, y0, x1, y1 = self.state.box_um()
        if not (x0 <= x <= x1 and y0 <= y <= y1):
            self.state.fly_to(float(x), float(y))

    def approach(self) -> None:
        """Unfold the card and fly to the selected site."""
        scene = self.gallery.scene(self.state.disc)
        if self.state.site not in scene.sites:
            return
        foot = scene.sites[self.state.site]
        self.state.card_open = True
        x, y = (float(v) for v in foot.centre_um)
        self.state.fly_to_box((x, y), max(foot.width_um, foot.height_um), margin=1 / FILLS)


def _finite(view: Any, key: str) -> float | None:
    value = view.get(key) if isinstance(view, dict) else None
    number = isinstance(value, int | float) and np.isfinite(value)
    return float(value) if number and value is not None else None


def _polygon(geometry: dict[str, Any]) -> np.ndarray | None:
    if geometry.get("type") == "rect":
        x0, x1, y0, y1 = (float(geometry[k]) for k in ("x0", "x1", "y0", "y1"))
        corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    elif geometry.get("type") == "poly":
        corners = np.column_stack([np.asarray(geometry[k], dtype=float) for k in ("x", "y")])
    else:
        return None
    flat = len(corners) < 3 or len(corners) > LARGEST_POLYGON or not np.isfinite(corners).all()
    return None if flat or min(np.ptp(corners, axis=0)) <= 0 else corners
