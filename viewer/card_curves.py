"""The curves face of the site card: the map, any of its curves, why the number is what it is."""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite
from typing import Any

import panel as pn

from engine.mechanics import FLAGS
from viewer.card_calibration import CalibrationFold
from viewer.card_cloud import CloudPlot, cloud_html
from viewer.card_contact import ContactHandle
from viewer.card_curve import CurvePlot, DepthScan
from viewer.card_curve_facts import CurveFacts, curve_facts, run_settings
from viewer.card_curve_words import curve_html, curve_title_html, map_html, scan_html, why_html
from viewer.card_facts import MapFacts, SiteFacts, map_facts, next_taken
from viewer.card_figures import Look, legend_html
from viewer.card_flags import limited_rows
from viewer.card_load import LoadFold
from viewer.card_map import CurveMap, ModulusDistribution, map_scale
from viewer.card_map_facts import MapSaid, map_said
from viewer.card_map_words import stretches_html
from viewer.card_parts import (
    Choice,
    Switch,
    column,
    figure_pane,
    push_button,
    row,
    slider_css,
    text_pane,
)
from viewer.card_stretches import chain_lines
from viewer.card_text import flags_html, split_flags
from viewer.card_trial import TrialFold
from viewer.card_turn import turn_of
from viewer.library import Library

NO_RUN = '<p class="refusal">This disc was not analysed yet; the curves wait in the store.</p>'
NO_CURVE = '<p class="refusal">No curve was taken at this site.</p>'


class CurvesFace:
    """What the force curves of a site say, and why.

    Parameters
    ----------
    look, library
        Colours and the open discs.
    on_curve
        Told the number of the curve that a person chooses.
    on_load
        Told the load in nN at which a person wants to see the surface.
    """

    def __init__(
        self,
        look: Look,
        library: Library,
        on_curve: Callable[[int], None],
        on_load: Callable[[float], None] = lambda _load: None,
    ) -> None:
        self._library = library
        self._site: SiteFacts | None = None
        self._map: MapFacts | None = None
        self._index = -1
        self._on_curve = on_curve
        self._moving = False
        self._picture = CurveMap(look, on_curve)
        self._distribution = ModulusDistribution(look)
        self._legend = text_pane(look)
        self._title = text_pane(look)
        self._curve = text_pane(look)
        self._stretches = text_pane(look)
        self._said: MapSaid | None = None
        self._plot = CurvePlot(look)
        self._contact = ContactHandle(look, self._plot)
        self.load = LoadFold(look, library, on_curve, on_load)
        self._trial = TrialFold(look, library, on_curve)
        self._cloud = CloudPlot(look, library)
        self._cloud_text = text_pane(look)
        self._all, self._as_force = False, False
        self._drawn: CurveFacts | None = None
        self._scan = DepthScan(look)
        self._scan_text = text_pane(look)
        self._flags = text_pane(look)
        self._why = text_pane(look)
        self._calibration = CalibrationFold(look, library)
        self.view: Any = self._lay_out(look)

    def _lay_out(self, look: Look) -> Any:
        self._slider = pn.widgets.IntSlider(
            label="",
            start=0,
            end=1,
            show_value=False,
            sizing_mode="stretch_width",
            margin=(0, 10),
            stylesheets=[slider_css(look)],
        )
        self._slider.param.watch(self._slid, "value")
        back = push_button(look, "◀", lambda: self.step(-1), description="previous curve (,)")
        forth = push_button(look, "▶", lambda: self.step(1), description="next curve (.)")
        back.css_classes, forth.css_classes = ["card-step-back"], ["card-step-forth"]
        forth.margin = 0
        force = Switch(look, "force against indentation", False, self._show_force)
        which = Choice(look, {"this curve": False, "all curves": True}, False, self._show_all)
        self._single = column(
            figure_pane(self._plot.fig), figure_pane(self._plot.residual), self._contact.view
        )
        self._together = column()
        self._together.visible = False
        self._one = column(
            row(back, self._slider, forth),
            self._title,
            row(*which.buttons),
            self._single,
            self._together,
            row(force.button),
            self._flags,
            self._curve,
            self._stretches,
            self._scan_text,
            figure_pane(self._scan.fig),
        )
        self._body = column(
            row(figure_pane(self._picture.fig), figure_pane(self._distribution.fig)),
            self._legend,
            self.load.view,
            self._trial.view,
            self._one,
        )
        return column(self._body, self._why, self._calibration.view)

    @property
    def shown(self) -> int:
        """Number of the curve that is shown; -1 for none."""
        return self._index

    @property
    def typical(self) -> int:
        """Number of the map's typical curve; -1 for none."""
        return -1 if self._map is None else self._map.typical

    def show(self, site: SiteFacts, curve: int | None) -> None:
        """Show a site, with one of its curves or, for None, its typical one."""
        found = map_facts(self._library, site)
        self._site, self._map = site, found
        self._body.visible = found is not None
        self._calibration.show(site)
        if found is None:
            self._index = -1
            self._why.object = NO_RUN
            return
        scale = map_scale(found)
        foot = site.stored.footprint
        turn = turn_of(foot)
        width, height = turn.size(foot.width_um, foot.height_um)
        self._picture.show(found, turn, scale, height / width)
        median = tuple(
            site.number(name)
            for name in ("modulus_kPa", "modulus_ci_low_kPa", "modulus_ci_high_kPa")
        )
        self._distribution.show(found, (median[0], median[1], median[2]))
        self.load.show(site, found)
        self._said = map_said(self._library, site)
        settings = run_settings(self._library, site)
        self._legend.object = legend_html(scale) + map_html(site, found, turn, settings)
        self._why.object = why_html(site, found, self._said, settings)
        self._trial.show(site, found)
        self._move_slider(0, max(1, found.rows * found.cols - 1))
        self.choose(curve)

    def choose(self, curve: int | None) -> None:
        """Show one curve of the site that is shown; None for the typical one."""
        if self._map is None or self._site is None:
            return
        wanted = self._map.typical if curve is None else curve
        if not 0 <= wanted < self._map.rows * self._map.cols or not self._map.taken[wanted]:
            wanted = self._map.typical
        self._index = wanted
        self._one.visible = wanted >= 0
        self._picture.choose(wanted)
        self.load.choose(wanted)
        self._trial.choose(wanted)
        if wanted < 0:
            self._distribution.choose(float("nan"))
            self._why.object = NO_CURVE
            return
        self._distribution.choose(float(self._map.modulus_kPa[wanted]))
        self._move_slider(self._slider.start, self._slider.end, wanted)
        self._draw(curve_facts(self._library, self._site, wanted), wanted)

    def _draw(self, facts: CurveFacts, index: int) -> None:
        assert self._map is not None
        assert self._site is not None
        assert self._said is not None
        self._drawn = facts
        stretches = self._said.stretches_of(*divmod(index, self._map.cols))
        self._plot.show(facts, bool(self._map.used[index]), chain_lines(facts, stretches))
        self._stretches.object = stretches_html(stretches)
        self._contact.show(facts)
        self._draw_all()
        self._scan.show(facts)
        self._title.object = curve_title_html(self._map, index, facts)
        self._curve.object = curve_html(self._map, index)
        self._scan_text.object = scan_html(facts)
        flags = split_flags(self._map.flags[index])
        nothing = "No flag was raised on this curve."
        settings = run_settings(self._library, self._site)
        self._flags.object = flags_html(limited_rows(flags, settings, FLAGS), nothing)

    def _draw_all(self) -> None:
        """Bring the picture of all curves up to date where it is looked at."""
        if not self._all or self._drawn is None or self._site is None or self._map is None:
            return
        self._cloud.show(self._site, self._map, self._as_force)
        self._cloud.choose(self._drawn)
        self._cloud_text.object = cloud_html(self._map, self._as_force)

    def _show_all(self, all_curves: bool) -> None:
        self._all = all_curves
        if not self._together.objects:
            self._together.objects = [figure_pane(self._cloud.fig), self._cloud_text]
        self._draw_all()
        self._single.visible, self._together.visible = not all_curves, all_curves

    def _show_force(self, as_force: bool) -> None:
        self._as_force = as_force
        self._plot.show_force(as_force)
        self._contact.show_force(as_force)
        self._draw_all()

    def step(self, step: int) -> None:
        """Go to the next curve that was taken, forwards or backwards."""
        if self._map is not None and self._index >= 0:
            self._on_curve(next_taken(self._map, self._index, step))

    def _move_slider(self, start: int, end: int, value: int = 0) -> None:
        self._moving = True
        try:
            self._slider.param.update(start=start, end=end, value=value)
        finally:
            self._moving = False

    def _slid(self, event: Any) -> None:
        if self._moving or self._map is None:
            return
        # the slider passes over places where no curve was taken
        if isfinite(event.new) and self._map.taken.any():
            self._on_curve(next_taken(self._map, int(event.new) - 1, 1))
