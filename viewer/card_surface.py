"""The curves behind the texture of one image, in one figure of which a person chooses the kind."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from bokeh.models import FixedTicker
from numpy.typing import NDArray

from viewer.card_figures import Look, padded, set_range, small_figure, source
from viewer.card_network_facts import NetworkFacts
from viewer.card_parts import Choice, column, figure_pane, row, text_pane
from viewer.card_text import plain_number, with_unit

Floats = NDArray[np.float64]
_HEIGHT = 158


@dataclass(frozen=True)
class CurveKind:
    """One kind of curve.

    Attributes
    ----------
    x, y
        Names in the record.
    x_label, y_label
        Axis names with units.
    logarithmic
        Whether x, and whether y, are drawn as powers of ten.
    words
        What it says of an image, in a sentence.
    """

    x: str
    y: str
    x_label: str
    y_label: str
    logarithmic: tuple[bool, bool]
    words: Callable[[NetworkFacts], str]


def _spectrum_words(facts: NetworkFacts) -> str:
    return (
        "Power spectral density, averaged over directions; its integral over all frequencies is "
        f"the square of Sq ({with_unit(facts.number('texture.Sq_nm'), 'nm')})."
    )


def _window_words(facts: NetworkFacts) -> str:
    found = facts.record.get("surface.windows", ())
    largest = f" from {int(found[0])} windows down to {int(found[-1])}" if len(found) > 1 else ""
    return (
        "Median Sq of square windows, each about its own plane"
        f"{largest}: Sq grows with the window, so only equal windows compare."
    )


def _bearing_words(facts: NetworkFacts) -> str:
    core = with_unit(facts.number("texture.Sk_nm"), "nm")
    return f"The share of the area that is at least this high. Core height Sk is {core}."


def _alike_words(facts: NetworkFacts) -> str:
    length = facts.number("orientation.correlation_length_nm")
    told = with_unit(length, "nm") if np.isfinite(length) else "more than this image can tell"
    return (
        "How alike the directions of two fibril points are by their distance, 1 for parallel. "
        f"Likeness beyond the image's own order falls to 1/e within {told}."
    )


KINDS: dict[str, CurveKind] = {
    "spectrum": CurveKind(
        "surface.psd_wavelength_nm",
        "surface.psd_nm4",
        "wavelength (nm)",
        "density (nm⁴)",
        (True, True),
        _spectrum_words,
    ),
    "Sq by window": CurveKind(
        "surface.window_nm",
        "surface.Sq_window_nm",
        "side of the window (nm)",
        "Sq (nm)",
        (True, False),
        _window_words,
    ),
    "material ratio": CurveKind(
        "surface.ratio_pct",
        "surface.height_nm",
        "share of the area (%)",
        "height (nm)",
        (False, False),
        _bearing_words,
    ),
    "likeness": CurveKind(
        "orientation.lag_nm",
        "orientation.correlation",
        "distance (nm)",
        "likeness of direction",
        (False, False),
        _alike_words,
    ),
}


class SurfaceFigure:
    """One of the curves at a time.

    Parameters
    ----------
    look
        Colours.
    """

    def __init__(self, look: Look) -> None:
        self._facts: NetworkFacts | None = None
        self._kind = next(iter(KINDS))
        choice = Choice(look, {name: name for name in KINDS}, self._kind, self.choose)
        self.fig = small_figure(look, height=_HEIGHT, x_label="x", y_label="y", left=58)
        self._line = source(x=[], y=[])
        self.fig.line("x", "y", source=self._line, line_color=look.data, line_width=1.6)
        self._words = text_pane(look)
        self.view: Any = column(
            row(*choice.buttons[:2]), row(*choice.buttons[2:]), figure_pane(self.fig), self._words
        )

    def choose(self, kind: str) -> None:
        """Show another kind of curve."""
        self._kind = kind
        if self._facts is not None:
            self.show(self._facts)

    def show(self, facts: NetworkFacts) -> None:
        """Show the curves of an image; a run of an earlier version has none."""
        self._facts = facts
        kind = KINDS[self._kind]
        x, y = (np.asarray(facts.record.get(n, ()), dtype=float) for n in (kind.x, kind.y))
        known = _drawable(x, y, kind.logarithmic)
        self.fig.visible = bool(known.any())
        if not known.any():
            self._words.object = '<p class="quiet">This image gives no such curve.</p>'
            return
        self._draw(kind, x[known], y[known])
        self._words.object = f'<p class="quiet">{kind.words(facts)}</p>'

    def _draw(self, kind: CurveKind, x: Floats, y: Floats) -> None:
        shown = [np.log10(v) if log else v for v, log in zip((x, y), kind.logarithmic, strict=True)]
        self._line.data = {"x": shown[0], "y": shown[1]}
        parts = zip(
            (self.fig.xaxis[0], self.fig.yaxis[0]),
            (self.fig.x_range, self.fig.y_range),
            (kind.x_label, kind.y_label),
            shown,
            kind.logarithmic,
            strict=True,
        )
        for axis, axis_range, label, values, log in parts:
            low, high = padded(values)
            set_range(axis_range, low, high)
            ticks = _powers(low, high) if log else _round_ticks(low, high)
            axis.update(
                axis_label=label,
                ticker=FixedTicker(ticks=list(ticks)),
                major_label_overrides={float(t): text for t, text in ticks.items()},
            )


def _drawable(x: Floats, y: Floats, logarithmic: tuple[bool, bool]) -> NDArray[np.bool_]:
    if len(x) != len(y):
        return np.zeros(0, bool)
    known = np.isfinite(x) & np.isfinite(y)
    for values, log in zip((x, y), logarithmic, strict=True):
        known &= (values > 0) | (not log)
    return known


_RAISED = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")


def _powers(low: float, high: float) -> dict[float, str]:
    """Ticks of a logarithmic axis in its own coordinate, with what they stand for."""
    decades = range(int(np.floor(low)), int(np.ceil(high)) + 1)
    factors = (1, 2, 5) if high - low < 2.2 else (1,)
    ticks = {}
    every = max(1, round((high - low) / 5))
    for decade in decades:
        for factor in factors:
            at = decade + float(np.log10(factor))
            if low <= at <= high and (len(factors) > 1 or decade % every == 0):
                ticks[at] = _power_text(factor, decade)
    return ticks


def _power_text(factor: int, decade: int) -> str:
    if -2 <= decade <= 4:
        return plain_number(factor * 10.0**decade, 1)
    return f"10{str(decade).translate(_RAISED)}"


def _round_ticks(low: float, high: float) -> dict[float, str]:
    step = 10.0 ** np.floor(np.log10((high - low) / 4))
    step *= next(m for m in (1, 2, 5, 10) if (high - low) / (m * step) <= 5.5)
    values = np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step + 0.0
    return {float(v): f"{v:.6g}".replace("-", "\N{MINUS SIGN}") for v in values}
