"""Marks of the regions, and the dress of the tray's figures: the same in every plot."""

from __future__ import annotations

from typing import Any

from viewer.state import REGION_LETTERS
from viewer.theme import FONT, SMALL_PX, Palette, palette

MARKERS = {"A": "circle", "B": "triangle", "C": "square", "D": "diamond"}
"""Shape of a region's sites in every plot."""

OUTSIDE = "outside"
"""Stands for sites that lie in no region."""


def region_colours(dark: bool) -> dict[str, str]:
    """Give each region's colour on a dark or a light page."""
    return dict(zip(REGION_LETTERS, palette(dark).regions, strict=True))


def dress_figure(fig: Any, colours: Palette) -> None:
    """Give a figure the page's type and colours; may be called again when the page turns dark."""
    fig.update(background_fill_color=None, border_fill_color=None, outline_line_color=None)
    for axis in (*fig.xaxis, *fig.yaxis):
        axis.update(
            axis_label_text_font=FONT,
            axis_label_text_font_size=f"{SMALL_PX}px",
            axis_label_text_font_style="normal",
            axis_label_text_color=colours.quiet,
            major_label_text_font=FONT,
            major_label_text_font_size=f"{SMALL_PX}px",
            major_label_text_color=colours.quiet,
            axis_line_color=colours.line,
            major_tick_line_color=colours.line,
            minor_tick_line_color=None,
            major_tick_in=0,
            major_tick_out=4,
            axis_label_standoff=3,
        )
    for grid in fig.grid:
        grid.update(grid_line_color=colours.line, grid_line_alpha=0.5)
