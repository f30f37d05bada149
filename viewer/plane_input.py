"""What a person does on the page becomes state; everything the page says is checked here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from bokeh.events import DoubleTap, SelectionGeometry, Tap
from bokeh.models import Plot

from engine.view.hit import nearest_curve, nearest_site
from viewer.address import apply
from viewer.bridge import Bridge
from viewer.gallery import Gallery
from viewer.groups import group_at
from viewer.ladder import FILLS
from viewer.plane_modes import Modes
from viewer.plane_panels import Panels
from viewer.site_maps import curve_under, readable
from viewer.state import LAYERS, MAX_UM_PER_PX, MIN_UM_PER_PX, ViewState

LARGEST_POLYGON = 20_000
"""Corners of a brushed polygon; more is no gesture of a hand."""


SAME_TAP_PX = 6.0
"""A second click within this of the first is the second of a double click, and means nothing."""


class PlaneInput:
    """From the page to the state of one session.

    Parameters
    ----------
    state
        What is looked at.
    gallery
        The discs.
    bridge
        What the page's scripts say.
    panels, modes
        What hears changes of fold-outs, and clicks while a mode is on.

    Attributes
    ----------
    following
        True while the state is brought to what the address says already.
    """

    def __init__(
        self, state: ViewState, gallery: Gallery, bridge: Bridge, panels: Panels, modes: Modes
    ) -> None:
        self.state, self.gallery, self.bridge = state, gallery, bridge
        self.panels, self.modes = panels, modes
        self.following = False
        self._tapped: tuple[float, float] | None = None

    def hear(self, plot: Plot) -> None:
        """Follow clicks and brushes on the figure."""
        plot.on_event(Tap, self._on_tap)
        plot.on_event(DoubleTap, self._on_second_tap)
        plot.on_event(SelectionGeometry, self._on_brush)

    def listen(self) -> None:
        """Follow what the page says; call once the models belong to a document."""
        self.bridge.on_change("view", lambda _a, _o, new: self.on_view(new))
        self.bridge.on_change("act", lambda _a, _o, new: self.on_act(new))

    def on_view(self, view: Any) -> None:
        """Follow where the page came to rest; what is no view is left alone."""
        numbers = {key: _finite(view, key) for key in ("x", "y", "s", "w", "h")}
        if any(v is None for v in numbers.values()):
            return
        x, y, s, w, h = (float(v) for v in numbers.values() if v is not None)
        if not MIN_UM_PER_PX <= s <= MAX_UM_PER_PX or min(w, h) < 1:
            return
        self.state.param.update(
            centre_x_um=x, centre_y_um=y, um_per_px=s, width_px=int(w), height_px=int(h)
        )

    def _on_second_tap(self, event: DoubleTap) -> None:
        """Take a quick click elsewhere for what it is; the page calls it the second of two."""
        last, scale = self._tapped, self.state.um_per_px
        if last is None or event.x is None or event.y is None:
            return
        if np.hypot(event.x - last[0], event.y - last[1]) > SAME_TAP_PX * scale:
            self._on_tap(event)

    def _on_tap(self, event: Tap | DoubleTap) -> None:
        if event.x is None or event.y is None:
            return
        self._tapped = float(event.x), float(event.y)
        mode = self.modes.present
        (self.click if mode is None else mode.click)(float(event.x), float(event.y))

    def click(self, x_um: float, y_um: float) -> None:
        """Select the site, and the curve, that a click at a place of the disc means."""
        scene = self.gallery.scene(self.state.disc)
        scale = self.state.um_per_px
        shown = "sites" in self.state.layers
        site = nearest_site(scene.sites, x_um, y_um, scale) if shown else None
        if site is None:
            group = group_at(self.gallery, self.state, x_um, y_um)
            if group or not shown:  # the selected site stays beside a group that is looked at
                self.state.group = group
                return
        curve = None
        if site is not None:
            number = list(scene.sites).index(site)
            curve = self._curve_under(site, x_um, y_um)
            if curve is None:
                curve = nearest_curve(scene.curves, number, x_um, y_um, scale)
        self.state.param.update(group="", site=site or "", curve=curve)
        if site is not None:
            self.state.card_open = True

    def _curve_under(self, site: str, x_um: float, y_um: float) -> int | None:
        state, library = self.state, self.gallery.library
        scene = self.gallery.scene(state.disc)
        if "heights" not in state.layers or not readable(scene, state.um_per_px, site):
            return None
        return curve_under(library, scene, state.disc, state.site_map, site, x_um, y_um)

    def _on_brush(self, event: SelectionGeometry) -> None:
        if not event.final:
            return
        corners = _polygon(event.geometry)
        if corners is not None:
            self.state.add_region(corners)

    def on_act(self, act: Any) -> None:
        """Carry out a button, key or choice of the page; what is none is left alone."""
        if not isinstance(act, dict):
            return
        name, value = act.get("name"), act.get("value")
        acts: dict[Any, Callable[[], Any]] = {
            "theme": lambda: self.state.param.update(dark=not self.state.dark),
            "card": lambda: self.state.param.update(card_open=not self.state.card_open),
            "tray": lambda: self.state.param.update(tray_open=not self.state.tray_open),
            "clips": lambda: self.state.param.update(clips_open=not self.state.clips_open),
            "legend": lambda: self.state.param.update(legend_open=not self.state.legend_open),
            "layer": lambda: self._on_layer(value),
            "disc": lambda: self._on_disc(value),
            "colour": lambda: self._on_colour(value),
            "step": lambda: self.step(-1 if value == -1 else 1),
            "approach": self.approach,
            "clear": self.clear,
            "group": lambda: self.state.param.update(group=""),
            "panel": lambda: self.panels.act(value),
            "mode": lambda: self.modes.choose(value),
            "strip": lambda: self.modes.act(value),
            "present": self.present,
            "newer": self.show_newer,
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
            self.state.param.update(disc=disc, site="", curve=None, group="")
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
        self.following = True  # the address is already what it says
        try:
            if apply(self.state, str(search)):
                self.state.fly_to(
                    self.state.centre_x_um, self.state.centre_y_um, self.state.um_per_px
                )
        finally:
            self.following = False

    def clear(self) -> None:
        """Leave the mode that is on; else let go of the group, then of the site."""
        if self.state.mode:
            self.state.mode = ""
        elif self.state.group:
            self.state.group = ""
        else:
            self.state.select("")

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

    def present(self) -> None:
        """Give the plane the whole page and the words large type, or take both back."""
        present = not self.state.present
        changes = {"card_open": False, "tray_open": False} if present else {"card_open": True}
        self.state.param.update(present=present, **changes)

    def show_newer(self) -> None:
        """Show the current run in the place of the one that is shown; the view stays."""
        self.gallery.library.follow(self.state.disc)
        self.state.param.trigger("disc")  # whoever shows the disc shows it anew

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
