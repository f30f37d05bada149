"""Where a probe's sensitivity and spring constant come from, with the files' own curves."""

from __future__ import annotations

from html import escape
from typing import Any

import numpy as np
from bokeh.models import LogScale, LogTicker, LogTickFormatter
from numpy.typing import NDArray

from engine.calibration.words import value_text
from engine.store.calibrations import StoredCalibration
from viewer.card_facts import SiteFacts
from viewer.card_figures import Look, padded, set_range, small_figure, source
from viewer.card_parts import Switch, column, figure_pane, row, text_pane
from viewer.library import Library

Floats = NDArray[np.float64]

_PX = 170
_POINTS = 300
_MOST_CURVES = 12
BEAM_WORDS = {
    "rectangular": "rectangular beam",
    "v_shaped": "V-shaped beam",
    "ideal": "a point on a spring",
}


def values_html(probe: dict[str, Any]) -> str:
    """Say what sensitivity and spring constant a probe has and where they come from."""
    # stores of earlier versions do not say where a value comes from
    spring = value_text(
        probe["spring_constant_N_per_m"],
        probe.get("spring_constant_rel_sd"),
        "N/m",
        probe.get("spring_constant_from", ""),
    )
    sensitivity = value_text(
        probe.get("sensitivity_nm_per_V"),
        probe.get("sensitivity_rel_sd"),
        "nm/V",
        probe.get("sensitivity_from", ""),
    )
    if sensitivity == "none":
        sensitivity = "none; the deflection is not in volts"
    return (
        '<dl class="facts">'
        f"<dt>spring constant</dt><dd>{escape(spring)}</dd>"
        f"<dt>sensitivity</dt><dd>{escape(sensitivity)}</dd></dl>"
    )


def stiff_html(found: StoredCalibration) -> str:
    """Say what the stiff curves gave."""
    own = found.sensitivity
    bend, spread = own["bend"], own["rel_sd"]
    more = "" if spread is None else f", scattering by {100 * spread:.2g} %"
    curves = f"{len(found.stiff_V)} curve{'' if len(found.stiff_V) == 1 else 's'}"
    straight = "" if bend is None else f"; slope {100 * bend:+.1f} % over the contact"
    return (
        f"<p>Stiff surface: {own['nm_per_V']:.4g} nm/V from {curves}{more}"
        f"{straight}. Line: that sensitivity.</p>"
    )


def thermal_html(found: StoredCalibration) -> str:
    """Say what the thermal motion gave and what it assumes."""
    own, terms = found.thermal, found.terms
    beam = BEAM_WORDS.get(terms["beam"] or "", f"beam factor {terms['beam_factor']}")
    tilt = "" if not terms["tilt_deg"] else f", tilted by {terms['tilt_deg']:g}°"
    return (
        f"<p>Thermal motion: {own['spring_constant_N_per_m']:.4g} N/m ± "
        f"{100 * own['rel_sd']:.2g} %; resonance {own['resonance_Hz'] / 1e3:.4g} kHz, quality "
        f"factor {own['quality']:.3g}; {beam}{tilt}, {terms['temperature_K']:.4g} K. Line: the "
        f"oscillator fitted; it strays by {100 * own['misfit']:.1f} %.</p>"
    )


def thinned(x: Floats, y: Floats, points: int = _POINTS) -> tuple[Floats, Floats]:
    """Means of a spectrum over stretches even in ln x; what is not positive is left out."""
    good = (x > 0) & (y > 0) & np.isfinite(y)
    x, y = x[good], y[good]
    if not len(x):
        return x, y
    edges = np.geomspace(x[0], x[-1], points + 1)
    starts = np.unique(np.searchsorted(x, edges[:-1]))
    counts = np.diff([*starts, len(x)])
    return np.add.reduceat(x, starts) / counts, np.add.reduceat(y, starts) / counts


class CalibrationFold:
    """A fold of the curves face: what the probe's numbers rest on.

    Parameters
    ----------
    look, library
        Colours and the open discs.
    """

    def __init__(self, look: Look, library: Library) -> None:
        self._look, self._library = look, library
        self._found: StoredCalibration | None = None
        self._values, self._stiff_text, self._thermal_text = (text_pane(look) for _ in range(3))
        self._switch = Switch(look, "show the probe's calibration", False, self._unfold)
        self._body = column()
        self._body.visible = False
        self.view: Any = column(self._values, row(self._switch.button), self._body)

    def show(self, site: SiteFacts) -> None:
        """Show what a site's probe rests on."""
        found = self._library.store(site.disc).calibration(site.stored.probe)
        self._values.object = values_html(site.probe)
        self._switch.button.visible = found is not None
        if found is not self._found:
            self._found = found
            self._fill()
        self._body.visible = found is not None and self._switch.on

    def _unfold(self, shown: bool) -> None:
        self._fill()
        self._body.visible = shown

    def _fill(self) -> None:
        """Lay the figures into the page only where they are looked at."""
        found = self._found
        if found is None or not self._switch.on:
            self._body.objects = []
            return
        parts: list[Any] = []
        if found.sensitivity:
            self._stiff_text.object = stiff_html(found)
            parts += [self._stiff_text, figure_pane(self._stiff(found))]
        if found.thermal:
            self._thermal_text.object = thermal_html(found)
            parts += [self._thermal_text, figure_pane(self._spectrum(found))]
        self._body.objects = parts

    def _stiff(self, found: StoredCalibration) -> Any:
        look = self._look
        fig = small_figure(look, height=_PX, x_label="drive (nm)", y_label="deflection (V)")
        z, volts = found.stiff_z_nm[:_MOST_CURVES], found.stiff_V[:_MOST_CURVES]
        fig.multi_line(
            "x", "y", source=source(x=[*z], y=[*volts]), line_color=look.second, line_width=1
        )
        middle = len(volts) // 2
        reach = np.nanmax(volts[middle])
        low = np.nanmedian(volts[middle][: max(len(volts[middle]) // 5, 1)])
        half = int(np.nanargmax(volts[middle] > 0.5 * (low + reach)))
        slope = 1.0 / found.sensitivity["nm_per_V"]
        ends = np.array([low, reach])
        line_z = z[middle][half] + (ends - volts[middle][half]) / slope
        fig.line("x", "y", source=source(x=line_z, y=ends), line_color=look.chosen, line_width=2)
        set_range(fig.x_range, *padded(z, 0.02))
        set_range(fig.y_range, *padded(volts))
        return fig

    def _spectrum(self, found: StoredCalibration) -> Any:
        look = self._look
        fig = small_figure(
            look, height=_PX, x_label="frequency (Hz)", y_label="motion (nm²/Hz)", left=56
        )
        fig.x_scale, fig.y_scale = LogScale(), LogScale()
        for axis in (fig.xaxis[0], fig.yaxis[0]):
            axis.ticker, axis.formatter = LogTicker(desired_num_ticks=4), LogTickFormatter()
        f, p = thinned(found.frequency_Hz, found.density_nm2_per_Hz)
        m, model = thinned(found.frequency_Hz, found.model_nm2_per_Hz)
        fig.line("x", "y", source=source(x=f, y=p), line_color=look.second, line_width=1.2)
        fig.line("x", "y", source=source(x=m, y=model), line_color=look.chosen, line_width=2)
        near = (f > found.thermal["low_Hz"] / 10) & (f < found.thermal["high_Hz"] * 3)
        set_range(fig.x_range, float(f[near][0]), float(f[near][-1]))
        set_range(fig.y_range, 0.6 * float(p[near].min()), 1.8 * float(p[near].max()))
        return fig
