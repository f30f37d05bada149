"""The disc plane: deep zoom over plain HTTP, sites, brush; Python's half of `assets/plane.js`.

The pictures (overview, last views, current view) lie on a canvas of the page's script under the
figure, which is clear and holds the few things that stay vectors: sites, the selection, the outline
of the tissue, regions. To hand the pictures to a glyph instead costs a readback and a copy of every
pixel of every picture at each change: 90 to 100 ms against 10 on the same machine.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np
from bokeh.events import Reset
from bokeh.models import CustomJS

from viewer.address import FIELDS, encode
from viewer.bridge import Bridge
from viewer.gallery import Gallery
from viewer.groups import group_box_html, mark_group
from viewer.hand_marks import mark_corrections
from viewer.header import settings
from viewer.ladder import rungs
from viewer.legend import drawn, legend_html
from viewer.look import look_of
from viewer.marks import outline_columns, site_columns
from viewer.plane_figure import PlaneSources, make_figure
from viewer.plane_input import PlaneInput
from viewer.plane_modes import Modes
from viewer.plane_offers import MODES, PANELS
from viewer.plane_panels import Panels
from viewer.state import CHOICE_KEYS, ViewState
from viewer.theme import palette

PUSHED = {"disc", "site", "group", "colour_by", "regions"}
"""Changes that make a new entry in the browser's history; all others rewrite the present one."""


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
    input
        The way back: what a person does.
    panels, modes
        The fold-outs of its tools, and what a click can do.
    sources
        What the figure draws.
    """

    def __init__(self, state: ViewState, gallery: Gallery) -> None:
        self.state = state
        self.gallery = gallery
        self.bridge = Bridge()
        self.panels = Panels(state, gallery, PANELS)
        self.modes = Modes(state, gallery, MODES, self._show_mode)
        self.input = PlaneInput(state, gallery, self.bridge, self.panels, self.modes)
        self._start: dict[str, float | None] = {"x": None, "y": None, "s": None}
        self.sources = PlaneSources()
        self._shown = make_figure(self.sources)
        self.figure = self._shown.plot
        self.input.hear(self.figure)
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
                "sites": self.sources.sites,
                "selection": self.sources.selection,
                "regions": self.sources.regions,
                "bridge": self.bridge,
            },
            code="splendens.start({figure, sites, selection, regions, bridge})",
        )
        # only what a root refers to belongs to the document and is kept in step; there is no reset
        self.figure.js_on_event(Reset, script)
        return script

    def look_for_run(self) -> None:
        """Offer a run that was made while the page is open."""
        newer = self.gallery.library.newer(self.state.disc) or ""
        if newer != self.bridge.settings["newer"]:
            self._show_settings()

    # ---- from state to page ------------------------------------------------------------------

    def _watch(self) -> None:
        watch = self.state.param.watch
        watch(lambda *_: self._show_all(), ["disc", "dark"])
        watch(lambda *_: self._show_colours(), ["colour_by"])
        watch(lambda *_: self._show_layers(), ["layers", *CHOICE_KEYS])
        watch(
            lambda *_: self._show_settings(),
            ["card_open", "tray_open", "legend_open", "clips_open", "present", "site"],
        )
        watch(lambda *_: self._show_selection(), ["site", "curve"])
        watch(lambda *_: self._show_regions(), ["regions"])
        watch(lambda *_: self._fly(), ["flight"])
        moved = ["centre_x_um", "centre_y_um", "um_per_px", "width_px", "height_px"]
        watch(lambda *_: self._show_rungs(), [*moved, "site"])
        watch(lambda *_: self._show_legend(), moved)
        watch(lambda *_: self._show_group(), ["group"])
        watch(lambda *_: self._show_marks(), ["um_per_px"])
        watch(self._write_address, list(FIELDS))

    def _show_all(self) -> None:
        colours = palette(self.state.dark)
        self.figure.background_fill_color = colours.plane
        self._shown.outline.glyph.line_color = colours.quiet
        for brush in self._shown.brushes:
            brush.overlay.update(fill_color=colours.text, line_color=colours.text)
        outline = self.gallery.scene(self.state.disc).outline_um
        has = len(outline) > 2
        self.sources.outline.data = {
            "xs": [outline[:, 0].tolist()] if has else [],
            "ys": [outline[:, 1].tolist()] if has else [],
        }
        self._show_group()
        self._show_colours()
        self._show_layers()
        self._show_selection()
        self._show_regions()
        self._show_rungs()

    def _show_colours(self) -> None:
        state = self.state
        self.sources.sites.data = site_columns(
            self.gallery, state.disc, state.colour_by, state.dark
        )
        self._show_settings()
        self._show_legend()
        self.bridge.marks += 1

    def _show_layers(self) -> None:
        layers = self.state.layers
        self._shown.outline.visible = "outline" in layers
        for renderer in self._shown.sites:
            renderer.visible = "sites" in layers
        self._show_marks()
        self._show_settings()
        self._show_legend()

    def _show_settings(self) -> None:
        extent = self.gallery.scene(self.state.disc).extent_um
        said = settings(self.state, self.gallery.library, extent, look_of(self.state))
        extra = {"panels": self.panels.said(), "modes": self.modes.said()}
        self.bridge.settings = said | extra | {"start": self._start}

    def _show_legend(self) -> None:
        self.bridge.legend = legend_html(drawn(self.state, self.gallery), self.state.dark)

    def _show_mode(self) -> None:
        self._show_marks()
        self._show_settings()

    def _show_marks(self) -> None:
        marks = self.modes.marks()
        mark_group(marks, self.gallery, self.state)
        mark_corrections(marks, self.gallery, self.state)
        self.sources.mode_points.data = marks.points
        self.sources.mode_lines.data = marks.lines
        self.sources.mode_words.data = marks.words

    def _show_group(self) -> None:
        self.bridge.group = group_box_html(self.gallery, self.state)
        self._show_marks()

    def _show_selection(self) -> None:
        state = self.state
        scene = self.gallery.scene(state.disc)
        self.sources.selection.data = outline_columns(scene, state.site, state.curve, state.dark)
        self.bridge.marks += 1

    def _show_regions(self) -> None:
        colours = dict(zip("ABCD", palette(self.state.dark).regions, strict=True))
        mine = {k: r for k, r in self.state.regions.items() if r.disc == self.state.disc}
        tops = [r.polygon_um[np.argmin(r.polygon_um[:, 1])] for r in mine.values()]
        self.sources.regions.data = {
            "xs": [r.polygon_um[:, 0].tolist() for r in mine.values()],
            "ys": [r.polygon_um[:, 1].tolist() for r in mine.values()],
            "x": [float(top[0]) for top in tops],
            "y": [float(top[1]) for top in tops],
            "letter": list(mine),
            "ground": [palette(self.state.dark).surface] * len(mine),
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
        if self.input.following:
            return
        push = any(event.name in PUSHED for event in events)
        self.bridge.address = {"search": encode(self.state), "push": push}
