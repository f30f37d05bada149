"""Axial bands of the fibrils of one image: the pooled spectrum, and heights along a fibril."""

from __future__ import annotations

import numpy as np
from bokeh.models import BoxAnnotation, Span
from numpy.typing import NDArray

from viewer.card_figures import Look, padded, set_range, small_figure, source
from viewer.card_network_facts import NetworkFacts

BAND_NM = (55.0, 80.0)
"""Wavelengths in which the bands of collagen are looked for."""

_SHOWN_NM = (38.0, 140.0)
_HEIGHT = 148


class BandingSpectrum:
    """Power over its own background against wavelength, pooled over the image's fibrils."""

    def __init__(self, look: Look) -> None:
        self.fig = small_figure(
            look,
            height=_HEIGHT,
            x_label="wavelength along the fibril (nm)",
            y_label="over background",
        )
        self._line = source(x=[], y=[])
        self.fig.add_layout(
            BoxAnnotation(
                left=BAND_NM[0],
                right=BAND_NM[1],
                fill_color=look.text,
                fill_alpha=0.08,
                line_color=None,
            )
        )
        self.fig.line("x", "y", source=self._line, line_color=look.data, line_width=1.6)
        self._one = Span(location=1.0, dimension="width", line_color=look.line, line_dash="dotted")
        self._period = Span(dimension="height", line_color=look.text, line_width=2)
        self._spread = BoxAnnotation(fill_color=look.text, fill_alpha=0.3, line_color=None)
        for mark in (self._one, self._spread, self._period):
            self.fig.add_layout(mark)
        set_range(self.fig.x_range, *_SHOWN_NM)

    def show(self, facts: NetworkFacts) -> None:
        """Show one image's spectrum; nothing where there is none."""
        wavelength = np.asarray(facts.record.get("banding.wavelength_nm", ()))
        power = np.asarray(facts.record.get("banding.power", ()))
        self.fig.visible = bool(len(wavelength))
        if not len(wavelength):
            return
        seen = (wavelength >= _SHOWN_NM[0]) & (wavelength <= _SHOWN_NM[1])
        self._line.data = {"x": wavelength[seen], "y": power[seen]}
        set_range(self.fig.y_range, 0.0, padded(power[seen])[1])
        period = facts.number("banding.period_nm")
        error = facts.number("banding.period_se_nm")
        known = np.isfinite(period)
        self._period.visible = self._spread.visible = bool(known)
        if known:
            self._period.location = period
            self._spread.left, self._spread.right = period - 1.96 * error, period + 1.96 * error


class FibrilProfile:
    """Heights along one fibril."""

    def __init__(self, look: Look) -> None:
        self.fig = small_figure(
            look, height=_HEIGHT, x_label="length along the fibril (nm)", y_label="height (nm)"
        )
        self._line = source(x=[], y=[])
        self.fig.line("x", "y", source=self._line, line_color=look.data, line_width=1.6)

    def show(self, arc_nm: NDArray[np.float64], height_nm: NDArray[np.float64]) -> None:
        """Show a profile; nothing where it is empty."""
        self.fig.visible = bool(len(arc_nm))
        if not len(arc_nm):
            return
        self._line.data = {"x": arc_nm, "y": height_nm}
        set_range(self.fig.x_range, float(arc_nm[0]), float(arc_nm[-1]))
        set_range(self.fig.y_range, *padded(height_nm, 0.1))
