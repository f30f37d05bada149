"""The plot of the point statistics: L(r) - r of each region with the band of scattered cells."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from bokeh.models import ColumnDataSource, HoverTool, Range1d, Span
from bokeh.plotting import figure

from engine.cells.arrangement import REACH_UM
from viewer.regions_look import dress_figure
from viewer.regions_points import PointNumbers
from viewer.theme import palette

_LEAST_UM = 2.0
"""The axis holds at least this much above and below zero."""


class ClusterPlot:
    """The figure; `update` changes it in place."""

    def __init__(self) -> None:
        self._bands = ColumnDataSource(_no_bands())
        self._lines = ColumnDataSource(_no_lines())
        self._dressed: bool | None = None
        self._x, self._y = Range1d(0, REACH_UM), Range1d(-_LEAST_UM, _LEAST_UM)
        self._zero = Span(location=0, dimension="width", line_width=1, line_dash="dotted")
        self.figure = self._make()

    def _make(self) -> Any:
        fig = figure(
            sizing_mode="stretch_both", tools="", toolbar_location=None, min_border_left=44,
            min_border_right=10, min_border_top=6, min_border_bottom=32, name="tray-clustering",
            x_range=self._x, y_range=self._y, background_fill_color=None, border_fill_color=None,
            outline_line_color=None,
            x_axis_label="distance r [µm]", y_axis_label="L(r) − r [µm]", min_height=120,
        )  # fmt: skip
        fig.yaxis.ticker.desired_num_ticks = 4
        fig.patches(
            "x", "y", source=self._bands, fill_color="colour", fill_alpha=0.2, line_color=None
        )
        lines = fig.multi_line("x", "y", source=self._lines, line_color="colour", line_width=2)
        fig.add_layout(self._zero)
        fig.add_tools(
            HoverTool(renderers=[lines], tooltips="@region · r = $x{0} µm, L − r = $y{0.0} µm")
        )
        return fig

    def update(
        self, found: Mapping[str, PointNumbers], colours: dict[str, str], dark: bool
    ) -> None:
        """Show what is known.

        Parameters
        ----------
        found
            Letter to what is known of a region.
        colours
            Letter to colour.
        dark
            Dark or light page.
        """
        bands, lines = _no_bands(), _no_lines()
        for letter, one in found.items():
            if one.clustering is None:
                continue
            envelope = one.clustering.envelope
            r = envelope.radii
            bands["x"].append(np.concatenate([r, r[::-1]]).tolist())
            bands["y"].append(np.concatenate([envelope.high, envelope.low[::-1]]).tolist())
            lines["x"].append(r.tolist())
            lines["y"].append(envelope.observed.tolist())
            for source in (bands, lines):
                source["colour"].append(colours[letter])
            lines["region"].append(letter)
        heights = [float(v) for curve in (*bands["y"], *lines["y"]) for v in curve]
        low, high = min([*heights, -_LEAST_UM]), max([*heights, _LEAST_UM])
        room = 0.05 * (high - low)
        self._x.end = max((r[-1] for r in lines["x"]), default=REACH_UM)
        self._y.update(start=low - room, end=high + room)
        self._bands.data, self._lines.data = bands, lines
        if dark is not self._dressed:
            self._dressed = dark
            dress_figure(self.figure, palette(dark))
            self._zero.line_color = palette(dark).quiet


def _no_bands() -> dict[str, list[Any]]:
    return {"x": [], "y": [], "colour": []}


def _no_lines() -> dict[str, list[Any]]:
    return {"x": [], "y": [], "colour": [], "region": []}
