"""The linked plot of the tray: any two site quantities, with slope and 95 % band."""

from __future__ import annotations

from html import escape
from typing import Any

import numpy as np
import panel as pn
import param
from bokeh.models import ColumnDataSource, HoverTool, Range1d, TapTool
from bokeh.plotting import figure

from engine.across import AcrossSettings, SlopeFit
from engine.store.schema import column
from viewer.card_text import plain_number, with_unit
from viewer.library import Library
from viewer.modulus_basis import scatter_words
from viewer.place_words import place_cautions
from viewer.regions_data import ALL_KINDS, quantity_words, site_quantities
from viewer.regions_look import MARKERS, OUTSIDE, dress_figure, region_colours
from viewer.regions_style import FIELD_CSS, SCROLL, words
from viewer.scatter_data import Pairing, SitePairs, fit_of, membership, pair_sites, pairings
from viewer.scatter_words import pairing_words, scatter_cautions, slope_words, unlike_cautions
from viewer.state import ViewState
from viewer.theme import Palette, palette

PLOT_PX = 138
"""Height of the plot, screen pixels."""

_BAND_STEPS = 60
_SAME = Pairing(ALL_KINDS, ALL_KINDS)


class Scatter(pn.viewable.Viewer):
    """Any two site quantities against each other.

    Parameters
    ----------
    state
        What is looked at: `scatter_x`, `scatter_y`, `regions`, `site`, `dark` and `tray_open` are
        followed; a clicked point selects its site.
    library
        The open discs.
    """

    join_distance_um = param.Number(
        AcrossSettings().join_distance_um,
        bounds=(1.0, 10000.0),
        label="within [µm]",
        doc="Farthest that two sites may lie apart to be joined, micrometres.",
    )

    def __init__(self, state: ViewState, library: Library, **params: Any) -> None:
        super().__init__(**params)
        self.state, self.library = state, library
        self._points = ColumnDataSource(_no_points())
        self._chosen = ColumnDataSource({"x": [], "y": []})
        self._band = ColumnDataSource({"x": [], "low": [], "high": [], "fitted": []})
        self._x, self._y = Range1d(0, 1), Range1d(0, 1)
        self._pairs: SitePairs | None = None
        self._dressed: Palette | None = None
        self._ways: dict[str, Pairing] = {}
        self.figure = self._make_figure()
        self._points.selected.on_change("indices", self._tapped)
        self._make_widgets()
        self._over = words(sizing_mode="stretch_width", margin=(0, 0, 0, 8))
        whole = {"flex": "none"}  # what scrolls keeps its height
        self._numbers = words(sizing_mode="stretch_width", margin=(0, 0, 0, 8), styles=whole)
        self._words = words(sizing_mode="stretch_width", margin=(0, 0, 0, 8), styles=whole)
        state.param.watch(self._on_quantity, ["scatter_x", "scatter_y", "disc", "discs"])
        state.param.watch(self._on_look, ["regions", "dark", "site", "tray_open"])
        self.param.watch(lambda _: self._update(), "join_distance_um")
        self._on_quantity()

    def _make_widgets(self) -> None:
        def select(name: str) -> Any:
            return pn.widgets.Select(
                label=name, stylesheets=[FIELD_CSS], sizing_mode="stretch_width", margin=0,
                min_width=80,
            )  # fmt: skip

        self._x_select, self._y_select = select("x"), select("y")
        self._way_select = select("points")
        self._distance = pn.widgets.FloatInput.from_param(
            self.param.join_distance_um, step=25.0, width=128, margin=0, stylesheets=[FIELD_CSS],
            visible=False,
        )  # fmt: skip
        self._x_select.param.watch(lambda e: self._chose("scatter_x", e.new), "value")
        self._y_select.param.watch(lambda e: self._chose("scatter_y", e.new), "value")
        self._way_select.param.watch(lambda _: self._update(), "value")

    def _make_figure(self) -> Any:
        fig = figure(
            height=PLOT_PX,
            sizing_mode="stretch_width",
            x_range=self._x,
            y_range=self._y,
            tools="",
            toolbar_location=None,
            min_border_left=44,
            min_border_right=8,
            min_border_top=4,
            min_border_bottom=36,
            name="tray-scatter",
        )
        fig.xaxis.ticker.desired_num_ticks = 5
        fig.yaxis.ticker.desired_num_ticks = 4
        self._area = fig.varea("x", "low", "high", source=self._band, fill_alpha=0.16)
        self._line = fig.line("x", "fitted", source=self._band, line_width=2)
        marks = fig.scatter(
            "x", "y", source=self._points, marker="marker", size="size", fill_color="colour",
            fill_alpha="fill", line_color="colour", line_alpha=0.9, line_width=1,
        )  # fmt: skip
        marks.nonselection_glyph = marks.selection_glyph = None
        self._ring = fig.scatter(
            "x", "y", source=self._chosen, size=15, fill_color=None, line_width=2
        )
        fig.add_tools(
            HoverTool(renderers=[marks], tooltips="@words", point_policy="snap_to_data"),
            TapTool(renderers=[marks]),
        )
        return fig

    def _chose(self, name: str, value: str | None) -> None:
        if value and value != getattr(self.state, name):
            setattr(self.state, name, value)

    def _on_quantity(self, *_: Any) -> None:
        groups = site_quantities(self.library)
        for select, name in ((self._x_select, "scatter_x"), (self._y_select, "scatter_y")):
            wanted = getattr(self.state, name)
            known = any(wanted in names.values() for names in groups.values())
            extra = {} if known else {"Without a value": {quantity_words(wanted): wanted}}
            select.param.update(groups={**groups, **extra}, value=wanted)
        self._ways = pairings(self.library.sites(), self.state.scatter_x, self.state.scatter_y)
        words = list(self._ways)
        self._way_select.param.update(options=words, value=words[0] if words else None)
        self._way_select.visible = len(words) > 1
        self._update()

    def _on_look(self, *_: Any) -> None:
        if self.state.tray_open:
            self._show()

    def _update(self) -> None:
        """Form the points and the line anew."""
        with pn.io.hold():
            self._update_now()

    def _update_now(self) -> None:
        table = self.library.sites()
        way = self._ways.get(self._way_select.value or "", _SAME)
        x_name, y_name = self.state.scatter_x, self.state.scatter_y
        self._distance.visible = way.joined
        self._pairs = pair_sites(table, x_name, y_name, way, self.join_distance_um)
        fit = fit_of(self._pairs)
        self.figure.xaxis.axis_label = quantity_words(x_name)
        # lying over the plot it has room for the whole name
        self._over.text = f'<div class="over">{escape(axis_words(y_name))}</div>'
        self._set_ranges(self._pairs)
        self._set_band(fit)
        self._say(self._pairs, fit)
        self._show()

    def _set_ranges(self, pairs: SitePairs) -> None:
        for axis_range, values in ((self._x, pairs.x), (self._y, pairs.y)):
            low, high = (float(values.min()), float(values.max())) if values.size else (0.0, 1.0)
            margin = 0.06 * (high - low) or 0.06 * abs(high) or 0.5
            axis_range.update(start=low - margin, end=high + margin)

    def _set_band(self, fit: SlopeFit) -> None:
        if fit.method == "none" or self._pairs is None:
            self._band.data = {"x": [], "low": [], "high": [], "fitted": []}
            return
        x = np.linspace(self._pairs.x.min(), self._pairs.x.max(), _BAND_STEPS)
        fitted, low, high = fit.band(x)
        self._band.data = {"x": x, "low": low, "high": high, "fitted": fitted}

    def _say(self, pairs: SitePairs, fit: SlopeFit) -> None:
        x_name, y_name = self.state.scatter_x, self.state.scatter_y
        slope, rest = slope_words(fit, x_name, y_name)
        if pairs.joined:
            rest += f", joined within {plain_number(pairs.max_distance_um)} µm"
        self._numbers.text = f"<b>slope {escape(slope)}</b><br>{escape(rest)}"
        table = self.library.sites()
        unlike = (
            *unlike_cautions(pairs, x_name, y_name, table),
            *place_cautions(pairs, x_name, y_name, table),
            *scatter_words(self.library, table.iloc[pairs.row], (x_name, y_name)),
        )
        items = "".join(
            f"<li>{escape(text)}</li>" for text in (*unlike, *scatter_cautions(pairs, fit, table))
        )
        self._words.text = (
            f'<div class="care"><b>Read with care</b><ul>{items}</ul></div>'
            f'<p class="tested">Least squares; band and brackets are 95 % intervals. '
            f"{escape(pairing_words(pairs, x_name, y_name))}</p>"
        )

    def _show(self) -> None:
        """Colour the points by region, mark the selected site."""
        with pn.io.hold():
            self._show_now()

    def _show_now(self) -> None:
        pairs = self._pairs
        if pairs is None:
            return
        look, regions = palette(self.state.dark), region_colours(self.state.dark)
        self._dress(look)
        letters = membership(self.library.sites(), self.state.regions)
        held = [letters[row] for row in pairs.row]
        inside = np.array([letter != OUTSIDE for letter in held], dtype=bool)
        self._points.data = {
            "x": pairs.x,
            "y": pairs.y,
            "marker": [MARKERS.get(letter, "circle") for letter in held],
            "colour": [regions.get(letter, look.quiet) for letter in held],
            "size": np.where(inside, 8.0, 5.0),
            "fill": np.where(inside, 0.8, 0.25),
            "words": self._hover_words(pairs, held),
        }
        self._show_chosen(pairs)

    def _dress(self, look: Palette) -> None:
        if look is self._dressed:
            return
        self._dressed = look
        dress_figure(self.figure, look)
        self._area.glyph.fill_color = look.quiet
        self._line.glyph.line_color = look.text
        self._ring.glyph.line_color = look.accent

    def _show_chosen(self, pairs: SitePairs) -> None:
        chosen = [
            i
            for i, (site, disc) in enumerate(zip(pairs.site, pairs.disc, strict=True))
            if site == self.state.site and disc == self.state.disc
        ]
        self._chosen.data = {"x": pairs.x[chosen], "y": pairs.y[chosen]}

    def _hover_words(self, pairs: SitePairs, held: list[str]) -> list[str]:
        x_unit = column("sites", self.state.scatter_x).unit
        y_unit = column("sites", self.state.scatter_y).unit
        words = []
        for i, site in enumerate(pairs.site):
            text = f"{site}: x {with_unit(pairs.x[i], x_unit)}, y {with_unit(pairs.y[i], y_unit)}"
            if pairs.joined:
                text += f", with {pairs.partner[i]} {plain_number(pairs.distance_um[i])} µm away"
            words.append(text if held[i] == OUTSIDE else f"{text}, region {held[i]}")
        return words

    def _tapped(self, _attr: str, _old: list[int], new: list[int]) -> None:
        if not new or self._pairs is None:
            return
        self._points.selected.indices = []
        select_site(self.state, self._pairs.disc[new[0]], self._pairs.site[new[0]])

    def controls(self) -> pn.Row:
        """Give the fields that choose the two quantities."""
        return pn.Row(
            self._y_select, self._x_select, sizing_mode="stretch_width", margin=0,
            styles={"gap": "10px"},
        )  # fmt: skip

    def body(self) -> pn.Column:
        """Give plot and words."""
        fields = pn.Column(
            self._way_select, self._distance, sizing_mode="stretch_width",
            margin=(4, 0, 4, 8), styles={"flex": "none"},
        )  # fmt: skip
        return pn.Column(
            self._over,
            pn.pane.Bokeh(self.figure, sizing_mode="stretch_width", margin=0),
            self._numbers,
            fields,
            self._words,
            sizing_mode="stretch_both",
            margin=0,
            min_height=0,
            styles=SCROLL,  # plot and words scroll together: beside the plot no room is left
        )

    def __panel__(self) -> pn.Column:
        """Give the whole plot with its fields."""
        return pn.Column(self.controls(), self.body(), sizing_mode="stretch_both", margin=0)


def axis_words(name: str) -> str:
    """Label and unit of a quantity, the unit first, so that a narrow plot never hides it."""
    described = column("sites", name)
    return f"[{described.unit}] {described.label}" if described.unit else described.label


def select_site(state: ViewState, disc: str, site: str) -> None:
    """Select a site, on whichever disc it lies."""
    if disc != state.disc:
        state.disc = disc
    state.select(site)


def _no_points() -> dict[str, Any]:
    names = ("x", "y", "marker", "colour", "size", "fill", "words")
    return {name: [] for name in names}  # an empty array of numbers is no array of colours
