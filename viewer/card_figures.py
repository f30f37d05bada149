"""How the small figures of the site card are made, so that all of them look and behave alike."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np
from bokeh.events import DoubleTap
from bokeh.models import (
    ColumnDataSource,
    CustomJS,
    LinearColorMapper,
    Range1d,
)
from bokeh.plotting import figure
from numpy.typing import ArrayLike, NDArray

from engine.view.ramps import ColourScale, QuantityKind, lookup
from viewer.card_text import hex_colour, plain_number
from viewer.theme import FONT, SMALL_PX, palette

CARD_WIDTH = 356
"""Width of the card's content on a screen of 1440 pixels; it follows the card's own."""

LABEL_SIZE = f"{SMALL_PX}px"


@dataclass(frozen=True)
class Look:
    """Colours of the figures on a dark or a light page.

    Attributes
    ----------
    dark
        Which of the two.
    ground
        Behind everything.
    text, quiet, line, faint
        Words, lesser words, rules and axes, and the faintest fill.
    data, second
        A measured curve and the one behind it, both neutral.
    chosen
        The one accent: what is selected.
    caution
        Warnings.
    """

    dark: bool
    ground: str
    text: str
    quiet: str
    line: str
    faint: str
    data: str
    second: str
    chosen: str
    caution: str


def look_of(dark: bool) -> Look:
    """Colours on a dark or a light page."""
    colours = palette(dark)
    return Look(
        dark=dark,
        ground=colours.surface,
        text=colours.text,
        quiet=colours.quiet,
        line=colours.line,
        faint=colours.raised,
        data="#d4d4d4" if dark else "#3d3d3d",
        second="#747474" if dark else "#a2a2a2",
        chosen=colours.accent,
        caution=colours.caution,
    )


def white_text() -> dict[str, Any]:
    """Properties of a label upon a picture: white on a dark, half clear ground."""
    return {
        "text_color": "#ffffff",
        "background_fill_color": "#000000",
        "background_fill_alpha": 0.55,
        "padding": 2,
        "text_font": {"value": FONT},
        "text_font_size": LABEL_SIZE,
        "text_font_style": "bold",
    }


def fixed_range(low: float = 0.0, high: float = 1.0) -> Range1d:
    """Make a range that is set by hand."""
    return Range1d(low, high)


def set_range(axis_range: Range1d, low: float, high: float) -> None:
    """Set a range, and what a double click brings back, in one change."""
    if not (np.isfinite(low) and np.isfinite(high)) or low == high:
        low, high = (0.0, 1.0) if not np.isfinite(low) else (low - 0.5, low + 0.5)
    axis_range.update(start=low, end=high, reset_start=low, reset_end=high)


def padded(values: ArrayLike, share: float = 0.05) -> tuple[float, float]:
    """Give ends of a range that holds all finite values with a margin; (nan, nan) without any."""
    numbers = np.asarray(values, dtype=float)
    numbers = numbers[np.isfinite(numbers)]
    if not numbers.size:
        return float("nan"), float("nan")
    low, high = float(numbers.min()), float(numbers.max())
    margin = share * (high - low) or share * abs(high) or share
    return low - margin, high + margin


def small_figure(
    look: Look,
    *,
    height: int,
    width: int | None = None,
    x_label: str = "",
    y_label: str = "",
    x_range: Range1d | None = None,
    y_range: Range1d | None = None,
    left: int = 46,
    zoom: bool = True,
) -> Any:
    """Make an empty figure: drag a box to zoom, double-click to see all again.

    The left border is fixed, so that growing tick labels never move the frame. The wheel is left to
    the page, which scrolls.

    Parameters
    ----------
    look
        Colours.
    height, width
        Outer size, screen pixels; without a width it is as wide as its place.
    x_label, y_label
        Axis names with units; an axis without a name is not drawn.
    x_range, y_range
        Ranges to share with another figure.
    left
        Left border where there is a y axis, screen pixels.
    zoom
        Whether a dragged box zooms.
    """
    size = {"sizing_mode": "stretch_width"} if width is None else {"width": width}
    fig = figure(
        height=height,
        **size,
        x_range=x_range or fixed_range(),
        y_range=y_range or fixed_range(),
        tools="box_zoom" if zoom else "",
        toolbar_location=None,
        x_axis_location="below" if x_label else None,
        y_axis_location="left" if y_label else None,
        min_border_left=left if y_label else 2,
        min_border_right=6,
        min_border_top=6,
        min_border_bottom=2,
        frame_align=bool(y_label),
        outline_line_color=None,
        background_fill_color=None,
        border_fill_color=None,
    )
    fig.grid.grid_line_color = None
    for axis, label in ((fig.xaxis, x_label), (fig.yaxis, y_label)):
        if label:
            axis.axis_label = label
            dress_axis(axis, look)
    if zoom:
        fig.js_on_event(DoubleTap, CustomJS(args={"fig": fig}, code="fig.reset.emit()"))
    return fig


def picture_figure(look: Look) -> Any:
    """Make an empty square figure without axes or borders, as wide as its place."""
    fig = small_figure(look, height=CARD_WIDTH)
    fig.min_border = 0
    fig.update(sizing_mode="scale_width", aspect_ratio=1.0)
    return fig


def dress_axis(axis: Any, look: Look) -> None:
    """Give an axis, or all axes of a list, the card's type and colours."""
    axis.axis_label_text_font = axis.major_label_text_font = FONT
    axis.axis_label_text_font_size = axis.major_label_text_font_size = LABEL_SIZE
    axis.axis_label_text_font_style = "normal"
    axis.axis_label_text_color = axis.major_label_text_color = look.quiet
    axis.axis_line_color = axis.major_tick_line_color = look.line
    axis.minor_tick_line_color = None
    axis.major_tick_in, axis.major_tick_out = 0, 4
    axis.axis_label_standoff = 4
    axis.ticker.desired_num_ticks = 5


def source(**columns: Any) -> ColumnDataSource:
    """Make a column source, its columns empty unless given."""
    return ColumnDataSource(columns)


def colour_mapper(kind: QuantityKind) -> LinearColorMapper:
    """Make a mapper from a scale's fraction (0 to 1) to colours; what has no value stays clear."""
    palette = [hex_colour(rgb) for rgb in lookup(kind)]
    return LinearColorMapper(palette=palette, low=0.0, high=1.0, nan_color=(0, 0, 0, 0))


def legend_html(scale: ColourScale, gap: float = 0.13) -> str:
    """Write a colour scale as a strip with round values, name and unit.

    Parameters
    ----------
    scale
        The scale.
    gap
        Share of the strip that a value needs: one closer to its neighbour would touch it.
    """
    stops = ", ".join(hex_colour(rgb) for rgb in lookup(scale.kind)[::15])
    inner: list[float] = []
    for value in scale.ticks():
        place = float(scale.fraction(value))
        before = float(scale.fraction(inner[-1])) if inner else 0.0
        if place - before > gap and 1.0 - place > gap:
            inner.append(value)
    marks = "".join(
        f'<span style="left:{100 * float(scale.fraction(v)):.1f}%">{plain_number(v, 2)}</span>'
        for v in inner
    )
    ends = f"<i>{plain_number(scale.low, 2)}</i><i>{plain_number(scale.high, 2)}</i>"
    unit = f" ({escape(scale.unit)})" if scale.unit else ""
    return (
        f'<div class="legend" role="img" aria-label="colour scale"><div class="strip" '
        f'style="background:linear-gradient(to right, {stops})"></div>'
        f'<div class="ticks">{ends}{marks}</div><div>{escape(scale.label)}{unit}</div></div>'
    )


def histogram(
    values: NDArray[np.float64], low: float, high: float, bins: int, weights: Any = None
) -> dict[str, NDArray[np.float64]]:
    """Bars of a histogram as columns left, right, top, and bottom.

    Parameters
    ----------
    values
        Numbers; those beyond the ends are put into the end bins.
    low, high
        Outer edges.
    bins
        Number of bars.
    weights
        Weights alike; 1 each if None.
    """
    edges = np.linspace(low, high, bins + 1)
    inside = np.clip(values, low, np.nextafter(high, low))
    top, _ = np.histogram(inside, edges, weights=weights)
    top = top.astype(np.float64)
    return {"left": edges[:-1], "right": edges[1:], "top": top, "bottom": np.zeros(bins)}


def round_length(at_most: float) -> float:
    """Give the largest of 1, 2, 5 x 10^n that is no longer than a length, for a scale bar."""
    power = 10.0 ** np.floor(np.log10(at_most))
    steps = np.array([1.0, 2.0, 5.0]) * power
    return float(steps[steps <= at_most * (1 + 1e-9)][-1])
