"""The force map of one site as a small picture, and the distribution of its moduli beside it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from bokeh.events import Tap
from bokeh.models import BoxAnnotation, HoverTool, Span
from numpy.typing import NDArray

from engine.mechanics import FLAGS
from engine.view.ramps import ColourScale, QuantityKind, scale_for
from viewer.card_facts import MapFacts
from viewer.card_figures import (
    Look,
    colour_mapper,
    histogram,
    set_range,
    small_figure,
    source,
)
from viewer.card_text import pattern_words, split_flags
from viewer.card_turn import Turn

MAP_PX = 150
_BINS = 14
_SMALLEST_MARK_PX = 10.0
_OUTLIER_PX, _LEAST_OUTLIER_PX = 9.0, 2.5
_OUTLIER_COLUMNS = ("x", "y", "kPa", "size", "line")
OUTLIER = "outlier"
_EXCLUDING = {flag.name for flag in FLAGS if flag.excludes}


def map_scale(facts: MapFacts) -> ColourScale:
    """Colours of the moduli of one map, from the curves that count."""
    return scale_for("curves", "modulus_kPa", facts.modulus_kPa[facts.used])


def reason_of(facts: MapFacts, index: int) -> str:
    """Say in a few words why a curve does not count; empty where it does."""
    if not facts.taken[index]:
        return "no curve taken"
    if facts.used[index]:
        return ""
    names = split_flags(facts.flags[index])
    excluding = [name for name in names if name in _EXCLUDING]
    # an outlier is left out by a setting, not by its flag
    first = excluding or [name for name in names if name == OUTLIER] or names
    return pattern_words(first[0]) if first else "not used"


class CurveMap:
    """Rows and columns of a force map; a click chooses a curve.

    Parameters
    ----------
    look
        Colours.
    on_curve
        Told the number of the curve that was clicked.
    kind, unit
        Kind of quantity that is shown, and its unit.
    """

    def __init__(
        self,
        look: Look,
        on_curve: Callable[[int], None],
        kind: QuantityKind = "stiffness",
        unit: str = "kPa",
    ) -> None:
        self._on_curve = on_curve
        self._facts: MapFacts | None = None
        self._grid = np.zeros((0, 0), dtype=int)
        self.fig = small_figure(look, width=MAP_PX, height=MAP_PX, zoom=False)
        self.fig.min_border = 1
        self._image = source(image=[], value=[], x=[], y=[], dw=[], dh=[])
        drawn = self.fig.image(
            "image",
            "x",
            "y",
            "dw",
            "dh",
            source=self._image,
            color_mapper=colour_mapper(kind),
        )
        self._left_out = source(x=[], y=[], reason=[])
        hollow = self.fig.rect(
            "x",
            "y",
            0.84,
            0.84,
            source=self._left_out,
            fill_color=None,
            line_color=look.quiet,
            hatch_pattern="/",
            hatch_color=look.quiet,
            hatch_scale=9,
            hatch_weight=1.0,
        )
        self._outliers = source(x=[], y=[], kPa=[], size=[], line=[])
        far = self.fig.scatter(
            "x", "y", source=self._outliers, marker="diamond", size="size",
            fill_color=look.ground, line_color=look.text, line_width="line",
        )  # fmt: skip
        self._chosen = source(x=[], y=[], side=[])
        for width, colour in ((4.5, look.ground), (2.5, look.chosen)):
            self.fig.rect(
                "x", "y", "side", "side", source=self._chosen, fill_color=None, line_color=colour,
                line_width=width,
            )  # fmt: skip
        self.fig.add_tools(
            HoverTool(renderers=[drawn], tooltips=f"@value {unit}", attachment="below"),
            HoverTool(renderers=[hollow], tooltips="left out: @reason", attachment="below"),
            HoverTool(renderers=[far], tooltips="outlier: @kPa kPa", attachment="below"),
        )
        self.fig.on_event(Tap, self._tapped)

    def _tapped(self, event: Any) -> None:
        facts = self._facts
        if facts is None or event.x is None or event.y is None:
            return
        col, row = int(np.floor(event.x)), int(np.floor(event.y))
        rows, cols = self._grid.shape
        if 0 <= col < cols and 0 <= row < rows:
            index = int(self._grid[row, col])
            if facts.taken[index]:
                self._on_curve(index)

    def show(
        self,
        facts: MapFacts,
        turn: Turn,
        scale: ColourScale,
        aspect: float,
        values: NDArray[np.float64] | None = None,
    ) -> None:
        """Show a map.

        Parameters
        ----------
        facts
            The map.
        turn
            How it is laid on the card.
        scale
            Colours.
        aspect
            Height over width of the map on the card.
        values
            What is shown of each curve, (rows * cols,), NaN where there is nothing; the moduli of
            those that count if None.
        """
        self._facts = facts
        self._grid = turn.array(np.arange(facts.rows * facts.cols).reshape(facts.rows, facts.cols))
        rows, cols = self._grid.shape
        self._mark_outliers(facts if values is None else None)
        if values is None:
            values = np.where(facts.used, facts.modulus_kPa, np.nan)
        self.fig.height = round(MAP_PX * min(1.6, max(0.4, aspect)))
        set_range(self.fig.x_range, 0, cols)
        set_range(self.fig.y_range, 0, rows)
        self._fill(values, scale)
        out = np.flatnonzero(~facts.used)
        x, y = self._place(out)
        self._left_out.data = {"x": x, "y": y, "reason": [reason_of(facts, int(i)) for i in out]}

    def show_values(self, values: NDArray[np.float64], scale: ColourScale) -> None:
        """Show other values of the same map, (rows * cols,)."""
        self._fill(values, scale)

    def _fill(self, values: NDArray[np.float64], scale: ColourScale) -> None:
        rows, cols = self._grid.shape
        shown = values[self._grid]
        self._image.data = {
            "image": [scale.fraction(shown).astype(np.float32)],
            "value": [np.round(shown, 2 if scale.high < 10 else 1).astype(np.float32)],
            "x": [0],
            "y": [0],
            "dw": [cols],
            "dh": [rows],
        }

    def _mark_outliers(self, facts: MapFacts | None) -> None:
        flags = () if facts is None else facts.flags
        far = np.array(
            [i for i, text in enumerate(flags) if OUTLIER in split_flags(text)], dtype=int
        )
        x, y = self._place(far)
        moduli = [] if facts is None else np.round(facts.modulus_kPa[far], 1)
        # on a large map a mark of full size would hide the curves round it
        size = min(_OUTLIER_PX, max(_LEAST_OUTLIER_PX, 0.9 * MAP_PX / max(self._grid.shape)))
        line = 1.2 * size / _OUTLIER_PX
        every = np.full(len(x), size), np.full(len(x), line)
        self._outliers.data = dict(zip(_OUTLIER_COLUMNS, (x, y, moduli, *every), strict=True))

    def choose(self, index: int) -> None:
        """Mark one curve."""
        x, y = self._place(np.array([index] if index >= 0 else [], dtype=int))
        # on a large map a mark of one point's size could not be seen
        side = max(1.0, _SMALLEST_MARK_PX * self._grid.shape[1] / MAP_PX)
        self._chosen.data = {"x": x, "y": y, "side": np.full(len(x), side)}

    def _place(self, index: Any) -> tuple[Any, Any]:
        place = np.argsort(self._grid, axis=None)[index]
        row, col = np.divmod(place, self._grid.shape[1])
        return col + 0.5, row + 0.5


class ModulusDistribution:
    """The moduli of a map: bars for those that count, hollow marks for those left out."""

    def __init__(self, look: Look) -> None:
        self.fig = small_figure(
            look,
            height=MAP_PX,
            x_label="modulus (kPa)",
            y_label="curves",
            left=40,
            zoom=False,
        )
        self.fig.yaxis.ticker.update(min_interval=1, desired_num_ticks=4)
        self.fig.xaxis.ticker.desired_num_ticks = 4
        self._bars = source(left=[], right=[], top=[], bottom=[])
        self.fig.quad(
            "left", "right", "top", "bottom", source=self._bars, fill_color=look.second,
            line_color=look.ground,
        )  # fmt: skip
        self._out = source(x=[], y=[])
        self.fig.scatter(
            "x", "y", source=self._out, marker="triangle", size=7, fill_color=None,
            line_color=look.quiet,
        )  # fmt: skip
        self._interval = BoxAnnotation(fill_color=look.text, fill_alpha=0.16, line_color=None)
        self._median = Span(dimension="height", line_color=look.text, line_width=2)
        self._chosen = Span(dimension="height", line_color=look.chosen, line_width=2)
        for mark in (self._interval, self._median, self._chosen):
            self.fig.add_layout(mark)

    def show(self, facts: MapFacts, median: tuple[float, float, float]) -> None:
        """Show a map's distribution; ``median`` is the median with the ends of its interval."""
        counted = facts.modulus_kPa[facts.used]
        counted = counted[np.isfinite(counted)]
        self.fig.visible = bool(len(counted))
        if not len(counted):
            return
        low, high = self._ends(counted, median)
        bars = histogram(counted, low, high, min(_BINS, max(5, round(len(counted) ** 0.5) + 3)))
        self._bars.data = bars
        tallest = float(bars["top"].max())
        out = facts.modulus_kPa[~facts.used & facts.taken]
        out = np.clip(out[np.isfinite(out)], low, high)
        self._out.data = {"x": out, "y": np.full(len(out), 0.05 * tallest)}
        margin = 0.02 * (high - low)
        set_range(self.fig.x_range, low - margin, high + margin)
        set_range(self.fig.y_range, 0.0, 1.08 * tallest)
        self._median.location = median[0]
        known = bool(np.isfinite(median).all())
        self._interval.visible = known
        if known:
            self._interval.left, self._interval.right = median[1], median[2]

    @staticmethod
    def _ends(counted: Any, median: tuple[float, float, float]) -> tuple[float, float]:
        values = np.array([*counted, *median])
        values = values[np.isfinite(values)]
        low, high = float(values.min()), float(values.max())
        if low == high:
            low, high = 0.9 * low, 1.1 * high
        return low, high

    def choose(self, modulus_kPa: float) -> None:
        """Mark the chosen curve's modulus, clipped to the axis."""
        known = bool(np.isfinite(modulus_kPa))
        self._chosen.visible = known
        if known:
            span = self.fig.x_range
            self._chosen.location = min(max(modulus_kPa, span.start), span.end)


def left_out_words(facts: MapFacts) -> str:
    """Say how many curves are left out and why, the commonest reason first."""
    reasons = [reason_of(facts, int(i)) for i in np.flatnonzero(~facts.used)]
    if not reasons:
        return "All curves count."
    counts = sorted(((reasons.count(r), r) for r in set(reasons)), reverse=True)
    return "Left out: " + ", ".join(f"{n} {why}" for n, why in counts) + "."
