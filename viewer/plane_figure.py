"""The plane's figure: clear, with the few things that stay vectors."""

from __future__ import annotations

from dataclasses import dataclass, field

from bokeh.models import (
    BoxSelectTool,
    ColumnDataSource,
    GlyphRenderer,
    LassoSelectTool,
    MultiLine,
    PanTool,
    Patches,
    Plot,
    Range1d,
    Scatter,
    Text,
    WheelZoomTool,
)

from viewer.state import MAX_UM_PER_PX, MIN_UM_PER_PX


def _source() -> ColumnDataSource:
    # not synchronised: what the page's script changes is its own business
    return ColumnDataSource(syncable=False)


@dataclass
class PlaneSources:
    """What the figure draws; columns as `viewer.marks` makes them.

    Attributes
    ----------
    sites, selection, outline, regions
        Sites, the selected site and curve, the tissue's outline, brushed regions.
    mode_points, mode_lines, mode_words
        What the present mode draws (`viewer.plane_modes.ModeMarks`).
    """

    sites: ColumnDataSource = field(default_factory=_source)
    selection: ColumnDataSource = field(default_factory=_source)
    outline: ColumnDataSource = field(default_factory=_source)
    regions: ColumnDataSource = field(default_factory=_source)
    mode_points: ColumnDataSource = field(default_factory=_source)
    mode_lines: ColumnDataSource = field(default_factory=_source)
    mode_words: ColumnDataSource = field(default_factory=_source)


@dataclass(frozen=True)
class PlaneFigure:
    """The figure and what is shown and hidden in it.

    Attributes
    ----------
    plot
        The figure.
    outline
        The tissue's outline.
    sites
        Footprints and marks.
    brushes
        Lasso and box.
    """

    plot: Plot
    outline: GlyphRenderer
    sites: tuple[GlyphRenderer, ...]
    brushes: tuple[LassoSelectTool, BoxSelectTool]


def make_figure(sources: PlaneSources) -> PlaneFigure:
    """Make the figure of one session, of one scale in x and y, with y downwards."""
    limits = {
        "min_interval": 64 * MIN_UM_PER_PX,
        "max_interval": 8192 * MAX_UM_PER_PX,
        "syncable": False,
    }
    plot = Plot(
        x_range=Range1d(0, 1, **limits),
        y_range=Range1d(1, 0, **limits),
        sizing_mode="stretch_both",
        toolbar_location=None,
        min_border=0,
        outline_line_color=None,
        background_fill_alpha=0.0,
        border_fill_alpha=0.0,
        lod_threshold=None,
    )
    pan, wheel = PanTool(), WheelZoomTool(speed=1 / 400, zoom_on_axis=False)
    brush = {"renderers": [], "continuous": False}
    brushes = LassoSelectTool(**brush), BoxSelectTool(**brush)
    for tool in brushes:
        tool.overlay.update(fill_alpha=0.08, line_width=1.5, line_dash="solid")
    plot.add_tools(pan, wheel, *brushes)
    plot.toolbar.active_drag = pan
    plot.toolbar.active_scroll = wheel
    outline = _add_outline(plot, sources.outline)
    _add_regions(plot, sources.regions)
    sites = _add_sites(plot, sources.sites)
    _add_selection(plot, sources.selection)
    _add_mode(plot, sources)
    return PlaneFigure(plot, outline, sites, brushes)


_PLAIN = {"nonselection_glyph": None, "selection_glyph": None}


def _add_outline(plot: Plot, source: ColumnDataSource) -> GlyphRenderer:
    edge = Patches(xs="xs", ys="ys", fill_alpha=0, line_width=1.2, line_alpha=0.55)
    return plot.add_glyph(source, edge, **_PLAIN)


def _add_regions(plot: Plot, source: ColumnDataSource) -> None:
    area = Patches(
        xs="xs", ys="ys", fill_color="colour", fill_alpha=0.10, line_color="colour", line_width=2
    )
    letter = Text(
        x="x", y="y", text="letter", text_color="colour", text_font_style="bold",
        text_font_size="18px", text_align="center", text_baseline="bottom",
        background_fill_color="ground", background_fill_alpha=0.85, padding=3, border_radius=4,
    )  # fmt: skip
    plot.add_glyph(source, area, **_PLAIN)
    plot.add_glyph(source, letter, **_PLAIN)


def _add_sites(plot: Plot, source: ColumnDataSource) -> tuple[GlyphRenderer, ...]:
    foot = Patches(
        xs="xs", ys="ys", fill_color="fill", fill_alpha="fill_alpha", line_color="line",
        line_alpha="edge_alpha", line_width=1.6, line_dash="dash",
    )  # fmt: skip
    mark = Scatter(
        x="x", y="y", size="mark", marker="marker", fill_color="fill", line_color="rim",
        line_width=1.2,
    )  # fmt: skip
    return plot.add_glyph(source, foot, **_PLAIN), plot.add_glyph(source, mark, **_PLAIN)


def _add_selection(plot: Plot, source: ColumnDataSource) -> None:
    around = Patches(xs="xs", ys="ys", fill_alpha=0, line_color="line", line_width=2.5)
    ring = Scatter(
        x="x", y="y", marker="circle", size="ring", fill_alpha=0, line_color="line", line_width=2.5
    )
    plot.add_glyph(source, around, **_PLAIN)
    plot.add_glyph(source, ring, **_PLAIN)


def _add_mode(plot: Plot, sources: PlaneSources) -> None:
    lines = MultiLine(xs="xs", ys="ys", line_color="line", line_width="width", line_dash="dash")
    points = Scatter(
        x="x", y="y", marker="marker", size="size", fill_color="fill", line_color="line",
        line_width=2,
    )  # fmt: skip
    words = Text(
        x="x", y="y", text="text", text_color="colour", text_font_size="13px", x_offset=9,
        text_baseline="middle",
    )  # fmt: skip
    plot.add_glyph(sources.mode_lines, lines, **_PLAIN)
    plot.add_glyph(sources.mode_points, points, **_PLAIN)
    plot.add_glyph(sources.mode_words, words, **_PLAIN)
