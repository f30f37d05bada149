"""How thick the fibrils of one image are, and which way they run."""

from __future__ import annotations

import numpy as np
from bokeh.models import BoxAnnotation, Span
from numpy.typing import NDArray

from viewer.card_figures import Look, histogram, set_range, small_figure, source
from viewer.card_network_facts import NetworkFacts

Floats = NDArray[np.float64]

_ROSE_PX = 132
_HEIGHT = 150
_PETALS = 18
_BINS = 16


class ThicknessDistribution:
    """Length-weighted distribution of thickness, with median, 95th percentile and its interval."""

    def __init__(self, look: Look) -> None:
        self.fig = small_figure(
            look,
            height=_HEIGHT,
            x_label="fibril thickness (nm)",
            y_label="traced length (µm)",
        )
        self._bars = source(left=[], right=[], top=[], bottom=[])
        self.fig.quad(
            "left",
            "right",
            "top",
            "bottom",
            source=self._bars,
            fill_color=look.second,
            line_color=None,
        )
        self._interval = BoxAnnotation(fill_color=look.text, fill_alpha=0.14, line_color=None)
        self._median = Span(dimension="height", line_color=look.text, line_width=2)
        self._tail = Span(dimension="height", line_color=look.text, line_dash="dashed")
        for mark in (self._interval, self._median, self._tail):
            self.fig.add_layout(mark)

    def show(self, facts: NetworkFacts) -> None:
        """Show one image's distribution."""
        known = np.isfinite(facts.thickness_nm)
        self.fig.visible = bool(known.any())
        if not known.any():
            return
        values, lengths = facts.thickness_nm[known], facts.length_nm[known] / 1e3
        high = max(float(values.max()), facts.number("thickness.p95_ci_high_nm")) * 1.03
        low = max(0.0, float(values.min()) * 0.9)
        bars = histogram(values, low, high, _BINS, lengths)
        self._bars.data = bars
        set_range(self.fig.x_range, low, high)
        set_range(self.fig.y_range, 0.0, 1.08 * float(bars["top"].max()))
        self._median.location = facts.number("thickness.median_nm")
        self._tail.location = facts.number("thickness.p95_nm")
        self._interval.left = facts.number("thickness.p95_ci_low_nm")
        self._interval.right = facts.number("thickness.p95_ci_high_nm")


class OrientationRose:
    """Which way the fibrils run in the picture: petals whose area is the traced length."""

    def __init__(self, look: Look) -> None:
        self.fig = small_figure(look, width=_ROSE_PX, height=_ROSE_PX, zoom=False)
        self.fig.min_border = 2
        self._petals = source(xs=[], ys=[])
        self._axis = source(x0=[], y0=[], x1=[], y1=[])
        self.fig.circle(0, 0, radius=1.0, fill_color=None, line_color=look.line)
        self.fig.patches("xs", "ys", source=self._petals, fill_color=look.second, line_color=None)
        self.fig.segment(
            "x0", "y0", "x1", "y1", source=self._axis, line_color=look.text, line_width=2
        )
        for axis_range in (self.fig.x_range, self.fig.y_range):
            set_range(axis_range, -1.08, 1.08)

    def show(self, facts: NetworkFacts) -> None:
        """Show one image's directions."""
        total, _ = np.histogram(
            facts.tangent_deg, _PETALS, range=(0.0, 180.0), weights=facts.tangent_weight
        )
        self.fig.visible = bool(total.sum() > 0)
        if not total.sum() > 0:
            return
        reach = np.sqrt(total / total.max())
        xs, ys = zip(*(_petal(i, r) for i, r in enumerate(np.tile(reach, 2))), strict=True)
        self._petals.data = {"xs": list(xs), "ys": list(ys)}
        turned = facts.director_deg
        x, y = np.cos(np.radians(turned)), np.sin(np.radians(turned))
        known = [1.0] if np.isfinite(turned) else []
        self._axis.data = {
            "x0": [-x * k for k in known],
            "y0": [-y * k for k in known],
            "x1": [x * k for k in known],
            "y1": [y * k for k in known],
        }


def _petal(number: int, reach: float) -> tuple[Floats, Floats]:
    edge = np.radians(180.0 / _PETALS * np.linspace(number, number + 1, 4))
    return (
        np.concatenate([[0.0], reach * np.cos(edge)]),
        np.concatenate([[0.0], reach * np.sin(edge)]),
    )
