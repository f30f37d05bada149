"""Try other settings on the open map: the whole map fitted anew, before beside after."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import panel as pn

from engine.view.ramps import scale_for
from viewer.card_curve_facts import run_settings
from viewer.card_facts import MapFacts, SiteFacts
from viewer.card_figures import Look, legend_html
from viewer.card_later import Latest
from viewer.card_map import CurveMap
from viewer.card_parts import (
    Switch,
    column,
    figure_pane,
    push_button,
    row,
    select_css,
    slider_css,
    text_pane,
)
from viewer.card_rerun import RerunLine
from viewer.card_text import SHAPE_WORDS
from viewer.card_trial_facts import Trial, as_stored, shapes_for, try_on_map
from viewer.card_trial_words import trial_html
from viewer.card_turn import turn_of
from viewer.library import Library

_LEAST_SHARE = 0.2
_CONTACTS = {"fitted with the modulus": "fitted", "where the noise is left": "threshold"}
_RADIUS_REACH = (0.5, 2.0)
"""Smallest and largest tip radius that can be tried, over the probe's own."""


def _slider(look: Look, label: str, ends: tuple[float, float, float]) -> Any:
    low, high, step = ends
    return pn.widgets.FloatSlider(
        label=label,
        start=low,
        end=high,
        step=step,
        value=high,
        sizing_mode="stretch_width",
        margin=(2, 14, 6, 8),
        stylesheets=[slider_css(look)],
    )


def _select(look: Look, label: str, options: dict[str, Any]) -> Any:
    return pn.widgets.Select(
        label=label,
        options=options,
        margin=(2, 10, 4, 0),
        sizing_mode="stretch_width",
        stylesheets=[select_css(look)],
    )


class TrialFold:
    """A fold of the curves face; what is tried there is stored nowhere.

    Parameters
    ----------
    look, library
        Colours and the open discs.
    on_curve
        Told the number of the curve that is clicked on either map.
    """

    def __init__(self, look: Look, library: Library, on_curve: Callable[[int], None]) -> None:
        self._look, self._library = look, library
        self._site: SiteFacts | None = None
        self._found: MapFacts | None = None
        self._unit_nm = 1.0
        self._chosen = -1
        self._stands, self._filling = False, False
        self._maps = CurveMap(look, on_curve), CurveMap(look, on_curve)
        self._later = Latest(self._try)
        self._make_widgets(look)
        self._text, self._legend = text_pane(look), text_pane(look)
        self._reset = push_button(look, "reset", self.reset)
        self._rerun = RerunLine(look)
        titles = (text_pane(look), text_pane(look))
        for title, words in zip(titles, ("before", "as tried"), strict=True):
            title.object = f'<p class="quiet">{words}</p>'
        before, after = (
            pn.Column(title, figure_pane(picture.fig), margin=(0, 12, 0, 0))
            for title, picture in zip(titles, self._maps, strict=True)
        )
        # laid into the page when the fold is first opened: hidden figures cost every site
        self._parts = [
            self._shape, self._contact, self._depth, self._poisson, self._radius,
            row(self._reset, *self._rerun.buttons), self._rerun.text,
            self._text, row(before, after), self._legend,
        ]  # fmt: skip
        self._body = column()
        self._body.visible = False
        self._switch = Switch(look, "try other settings", False, self._unfold)
        self.view: Any = column(row(self._switch.button), self._body)

    def _make_widgets(self, look: Look) -> None:
        self._shape = _select(look, "contact model", {})
        self._contact = _select(look, "contact point", _CONTACTS)
        self._depth = _slider(
            look, "share of each indentation that is fitted", (_LEAST_SHARE, 1.0, 0.05)
        )
        self._depth.format = "0%"
        self._poisson = _slider(look, "Poisson ratio", (0.0, 0.5, 0.01))
        self._radius = _slider(look, "tip radius", (*_RADIUS_REACH, 0.01))
        for widget in (self._shape, self._contact, self._depth, self._poisson, self._radius):
            widget.param.watch(self._changed, "value")

    def _unfold(self, shown: bool) -> None:
        if shown and not self._body.objects:
            self._body.objects = self._parts
        self._body.visible = shown
        if shown and not self._stands:
            self.reset()

    def show(self, site: SiteFacts, found: MapFacts) -> None:
        """Take up a site; a trial of another is over."""
        self._site, self._found, self._stands = site, found, False
        if self._switch.on:
            self.reset()

    def choose(self, index: int) -> None:
        """Mark one curve on both maps."""
        self._chosen = index
        if self._stands:
            for picture in self._maps:
                picture.choose(index)

    def reset(self) -> None:
        """Put every setting back to what the run used."""
        if self._site is None:
            return
        stored = as_stored(self._site)
        self._filling = True
        try:
            settings = run_settings(self._library, self._site)
            names = {SHAPE_WORDS.get(n, n): n for n in shapes_for(self._site, settings)}
            self._shape.param.update(options=names, value=stored.shape)
            self._contact.value = stored.contact
            self._depth.param.update(
                start=min(_LEAST_SHARE, stored.depth_share), value=stored.depth_share
            )
            self._poisson.value = stored.poisson_ratio
            self._set_radius(stored.radius_nm)
        finally:
            self._filling = False
        self._try()

    def _set_radius(self, radius_nm: float | None) -> None:
        """Lay out the slider of the radius round the probe's own, in the unit that fits it."""
        self._radius.visible = radius_nm is not None
        if radius_nm is None:
            return
        self._unit_nm, unit = (1e3, "µm") if radius_nm >= 500.0 else (1.0, "nm")
        own = radius_nm / self._unit_nm
        low, high = (share * own for share in _RADIUS_REACH)
        self._radius.param.update(
            label=f"tip radius ({unit})", start=low, end=high, step=0.01 * own, value=own
        )

    @property
    def trial(self) -> Trial:
        """What the widgets say."""
        assert self._site is not None
        stored = as_stored(self._site)
        own = stored.radius_nm
        tried = self._radius.value * self._unit_nm
        same = own is None or abs(tried / own - 1.0) < 1e-6
        return replace(
            stored,
            shape=self._shape.value,
            contact=self._contact.value,
            depth_share=round(self._depth.value, 4),
            poisson_ratio=round(self._poisson.value, 4),
            radius_nm=own if same else tried,
        )

    def _changed(self, _event: Any) -> None:
        if not self._filling and self._site is not None:
            self._later.ask(pn.state.curdoc)

    def _try(self) -> None:
        """Fit the map as the widgets say, and show it beside what it was."""
        if self._site is None or self._found is None:
            return
        self._stands = True
        trial, found = self.trial, self._found
        changed = trial != as_stored(self._site)
        outcome = try_on_map(self._library, self._site, found, trial)
        self._text.object = trial_html(outcome, changed)
        self._reset.disabled = not changed
        both = np.concatenate([m.modulus_kPa[m.used] for m in (found, outcome.tried)])
        scale = scale_for("curves", "modulus_kPa", both)
        foot = self._site.stored.footprint
        turn = turn_of(foot)
        width, height = turn.size(foot.width_um, foot.height_um)
        for picture, facts in zip(self._maps, (found, outcome.tried), strict=True):
            picture.show(facts, turn, scale, height / width)
            picture.choose(self._chosen)
        self._legend.object = legend_html(scale)
        self._rerun.offer(self._library.store(self._site.disc).path, self._site, trial)
