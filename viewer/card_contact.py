"""The contact point of one curve as a handle: drag it and see what it does to the modulus."""

from __future__ import annotations

from typing import Any

import numpy as np
import panel as pn
from bokeh.models import Span

from engine.mechanics import modulus_at_contact
from viewer.card_curve import CurvePlot
from viewer.card_curve_facts import CurveFacts
from viewer.card_figures import Look
from viewer.card_later import Latest
from viewer.card_parts import column, push_button, row, slider_css, text_pane
from viewer.card_trial_words import CONTACT_HINT, contact_html

_REACH = 0.6
"""How far the slider reaches, as a share of the drive past the fitted contact."""


class ContactHandle:
    """An upright line through the contact that can be dragged, and a slider for the keyboard.

    Parameters
    ----------
    look
        Colours.
    plot
        The curve's figure; its model line and residual follow the handle.
    """

    def __init__(self, look: Look, plot: CurvePlot) -> None:
        self._plot = plot
        self._facts: CurveFacts | None = None
        self._moving = False
        self._as_force = False
        self._off_nm = 0.0
        self._line = Span(
            location=0.0, dimension="height", line_color=look.text, line_width=3, line_alpha=0.7,
            editable=True, visible=False,
        )  # fmt: skip
        plot.fig.add_layout(self._line)
        self._line.on_change("location", self._dragged)
        self._later = Latest(self._follow)
        self._slider = pn.widgets.FloatSlider(
            label="contact, from the fit (nm)",
            start=-1.0,
            end=1.0,
            step=0.5,
            value=0.0,
            sizing_mode="stretch_width",
            margin=(0, 12, 0, 8),
            stylesheets=[slider_css(look)],
        )
        self._slider.param.watch(self._slid, "value")
        self._back = push_button(look, "back to the fit", self.back)
        self._text = text_pane(look)
        self.view: Any = column(row(self._slider, self._back), self._text)

    def show(self, facts: CurveFacts) -> None:
        """Take up a curve, its contact where it was fitted."""
        self._facts = facts
        self._stand()

    def show_force(self, as_force: bool) -> None:
        """Step aside while the curve is drawn against indentation, which the contact decides."""
        self._as_force = as_force
        if self._facts is not None:
            self._stand()

    def _stand(self) -> None:
        assert self._facts is not None
        fit = self._facts.explained.fit
        possible = bool(np.isfinite(fit.modulus_kPa[0])) and not self._as_force
        self.view.visible = self._line.visible = possible
        if not possible:
            return
        past = float(self._facts.explained.z_nm[-1]) - self._facts.contact_z_nm
        reach = max(1.0, float(f"{_REACH * past:.1g}"))
        self._place(0.0, reach)
        self._back.disabled = True
        self._text.object = CONTACT_HINT

    def _place(self, off_nm: float, reach_nm: float | None = None) -> None:
        self._off_nm = off_nm
        self._moving = True
        try:
            self._line.location = off_nm / 1e3
            ends = (self._slider.start, self._slider.end)
            low, high = ends if reach_nm is None else (-reach_nm, reach_nm)
            self._slider.param.update(
                start=low, end=high, step=(high - low) / 400, value=min(max(off_nm, low), high)
            )
        finally:
            self._moving = False

    def back(self) -> None:
        """Put the contact where the fit has it."""
        if self._facts is not None:
            self._stand()
            self._plot.show(self._facts)

    def _dragged(self, _name: str, _old: float, new: float) -> None:
        if not self._moving and np.isfinite(new):
            self._off_nm = 1e3 * float(new)
            self._later.ask(self._line.document)

    def _slid(self, event: Any) -> None:
        if not self._moving:
            self._off_nm = float(event.new)
            self._later.ask(self._line.document)

    def _follow(self) -> None:
        """Fit with the contact where the hand has it."""
        facts = self._facts
        if facts is None or not self._line.visible:
            return
        off = self._off_nm
        trial = modulus_at_contact(facts.explained, facts.contact_z_nm + off)
        self._plot.show_trial(trial.model_nm)
        self._place(off)
        self._back.disabled = False
        self._text.object = contact_html(trial, off, float(facts.explained.fit.modulus_kPa[0]))
