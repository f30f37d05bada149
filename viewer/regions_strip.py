"""The strip of sites: one row a region, all on one axis, with median and interval."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from bokeh.models import ColumnDataSource, HoverTool, Range1d, TapTool
from bokeh.plotting import figure
from numpy.typing import NDArray

from engine.cells.patterns import PATTERNS
from viewer.card_text import pattern_words, with_unit
from viewer.regions_data import TrayNumbers, shares_of
from viewer.regions_look import MARKERS, dress_figure, region_colours
from viewer.theme import palette, pattern_hex

ROW_PX = 72
"""Height of one region's row, screen pixels; the words beside the strip keep to it."""

HEAD_PX = 42
"""Height of the axis above the rows."""

FOOT_PX = 4
_STEPS_APART = 0.035
"""Sites closer than this share of the axis would lie on one another, and are spread."""


def spread(values: NDArray[np.float64], span: float) -> NDArray[np.float64]:
    """Offsets that keep marks of near values apart, -0.3 to 0.3 of a row, shape (n,).

    Parameters
    ----------
    values
        Values of one region.
    span
        Length of the axis, same unit.
    """
    offsets = np.zeros(values.size)
    steps = np.array([0.0, 1, -1, 2, -2, 3, -3]) * 0.1
    placed: list[list[float]] = [[] for _ in steps]
    for i in np.argsort(values, kind="stable"):
        gaps = [values[i] - lane[-1] if lane else np.inf for lane in placed]
        free = [k for k, gap in enumerate(gaps) if gap > _STEPS_APART * span]
        lane = free[0] if free else int(np.argmax(gaps))
        placed[lane].append(float(values[i]))
        offsets[i] = steps[lane]
    return offsets


class Strip:
    """The figure; `update` changes it in place.

    Parameters
    ----------
    on_site
        Called with the disc and name of a site that is clicked.
    """

    def __init__(self, on_site: Callable[[str, str], None]) -> None:
        self._on_site = on_site
        self._dots = ColumnDataSource(_no_dots())
        self._medians = ColumnDataSource(_no_medians())
        self._bars = ColumnDataSource(_no_bars())
        self._x, self._y = Range1d(0, 1), Range1d(0.5, -0.5)
        self._dressed: bool | None = None
        self.figure = self._make()
        self._dots.selected.on_change("indices", self._tapped)

    def _make(self) -> Any:
        fig = figure(
            height=HEAD_PX + ROW_PX + FOOT_PX,
            sizing_mode="stretch_width",
            x_range=self._x,
            y_range=self._y,
            x_axis_location="above",
            tools="",
            toolbar_location=None,
            min_border_top=HEAD_PX,
            min_border_bottom=FOOT_PX,
            min_border_left=10,
            min_border_right=14,
            name="tray-strip",
        )
        fig.yaxis.visible = False
        fig.ygrid.grid_line_color = None
        fig.xaxis.ticker.desired_num_ticks = 3
        fig.quad(
            left="low", right="high", top="top", bottom="bottom", source=self._medians,
            fill_color="colour", fill_alpha=0.22, line_color=None,
        )  # fmt: skip
        marks = fig.scatter(
            "x", "y", source=self._dots, marker="marker", size=8, fill_color="colour",
            fill_alpha=0.75, line_color="edge", line_width=0.8,
        )  # fmt: skip
        marks.nonselection_glyph = marks.selection_glyph = None
        fig.segment(
            x0="median", x1="median", y0="top", y1="bottom", source=self._medians,
            line_color="line", line_width=2.5,
        )  # fmt: skip
        bars = fig.quad(
            left="left", right="right", top="top", bottom="bottom", source=self._bars,
            fill_color="colour", line_color="edge", line_width=1,
        )  # fmt: skip
        fig.add_tools(
            HoverTool(renderers=[marks], tooltips="@site · @words", point_policy="snap_to_data"),
            HoverTool(renderers=[bars], tooltips="@region · @pattern · @words"),
            TapTool(renderers=[marks]),
        )
        return fig

    def _tapped(self, _attr: str, _old: list[int], new: list[int]) -> None:
        if new:
            data = self._dots.data
            self._on_site(str(data["disc"][new[0]]), str(data["site"][new[0]]))
            self._dots.selected.indices = []

    def update(self, numbers: TrayNumbers, dark: bool) -> None:
        """Show some numbers.

        Parameters
        ----------
        numbers
            What to show.
        dark
            Dark or light page.
        """
        rows = max(len(numbers.holdings), 1)
        self._y.update(start=rows - 0.5, end=-0.5)
        if self.figure.height != HEAD_PX + rows * ROW_PX + FOOT_PX:
            self.figure.height = HEAD_PX + rows * ROW_PX + FOOT_PX
        if dark is not self._dressed:
            self._dressed = dark
            dress_figure(self.figure, palette(dark))
            self.figure.ygrid.grid_line_color = None
        if numbers.comparison is None:
            self._show_shares(numbers, dark)
        else:
            self._show_sites(numbers, dark)

    def _show_shares(self, numbers: TrayNumbers, dark: bool) -> None:
        self._dots.data, self._medians.data = _no_dots(), _no_medians()
        data = _no_bars()
        colours = pattern_hex(dark)
        for row, shares in enumerate(shares_of(numbers.holdings)):
            ends = np.concatenate([[0.0], np.cumsum(100 * np.nan_to_num(shares))])
            for index, pattern in enumerate(PATTERNS):
                held = numbers.holdings[row]
                data["left"].append(ends[index])
                data["right"].append(ends[index + 1])
                data["top"].append(row - 0.26)
                data["bottom"].append(row + 0.26)
                data["colour"].append(colours[pattern])
                data["edge"].append(palette(dark).surface)
                data["region"].append(held.title)
                data["pattern"].append(pattern_words(pattern))
                count = int(held.cells.counts[index])
                data["words"].append(f"{count} of {held.cells.cells} cells")
        self._bars.data = data
        self._x.update(start=0, end=100)
        self.figure.xaxis.axis_label = "share of cells [%]"

    def _show_sites(self, numbers: TrayNumbers, dark: bool) -> None:
        comparison = numbers.comparison
        assert comparison is not None
        self._bars.data = _no_bars()
        every = np.concatenate([r.values for r in comparison.regions] or [np.empty(0)])
        low, high = _ends(every)
        self._x.update(start=low, end=high)
        dots, medians = _no_dots(), _no_medians()
        for row, region in enumerate(comparison.regions):
            colour = region_colours(dark)[region.name]
            count = region.values.size
            dots["x"] += region.values.tolist()
            dots["y"] += (row + spread(region.values, high - low)).tolist()
            dots["site"] += numbers.site_names[row]
            dots["disc"] += [numbers.holdings[row].disc] * count
            dots["words"] += [with_unit(v, comparison.unit) for v in region.values]
            dots["colour"] += [colour] * count
            dots["edge"] += [palette(dark).surface] * count
            dots["marker"] += [MARKERS[region.name]] * count
            if count:
                median = region.median
                medians["median"].append(median.median)
                medians["low"].append(median.low)
                medians["high"].append(median.high)
                medians["top"].append(row - 0.4)
                medians["bottom"].append(row + 0.4)
                medians["colour"].append(colour)
                medians["line"].append(palette(dark).text)
        self._dots.data, self._medians.data = dots, medians
        # the field above names the quantity in full
        self.figure.xaxis.axis_label = comparison.unit or comparison.quantity


def _ends(values: NDArray[np.float64]) -> tuple[float, float]:
    """Choose ends of an axis that holds all values with a margin."""
    if not values.size:
        return 0.0, 1.0
    low, high = float(values.min()), float(values.max())
    margin = 0.05 * (high - low) or 0.05 * abs(high) or 0.5
    return low - margin, high + margin


def _no_dots() -> dict[str, list[Any]]:
    return {k: [] for k in ("x", "y", "site", "disc", "words", "colour", "edge", "marker")}


def _no_medians() -> dict[str, list[Any]]:
    return {k: [] for k in ("median", "low", "high", "top", "bottom", "colour", "line")}


def _no_bars() -> dict[str, list[Any]]:
    names = ("left", "right", "top", "bottom", "colour", "edge", "region", "pattern", "words")
    return {k: [] for k in names}
