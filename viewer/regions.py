"""The comparison tray: brushed regions side by side, live, and the linked plot beside them."""

from __future__ import annotations

from io import StringIO
from typing import Any

import panel as pn
import param

from viewer.library import Library
from viewer.regions_curves import ClusterPlot
from viewer.regions_data import (
    ALL_KINDS,
    CELLS,
    KIND_WORDS,
    RegionCounter,
    TrayNumbers,
    kinds_with,
    site_quantities,
    tray_numbers,
)
from viewer.regions_keep import KeepLine
from viewer.regions_look import region_colours
from viewer.regions_points import POINTS, PointCounter
from viewer.regions_points_words import points_cautions, points_csv, points_html
from viewer.regions_rows import RegionRows
from viewer.regions_saved import comparison_csv
from viewer.regions_strip import HEAD_PX, Strip
from viewer.regions_style import BUTTON_CSS, FIELD_CSS, FOLD_CSS, SCROLL, words
from viewer.regions_words import care_html, differences_html, heads_html
from viewer.scatter import Scatter, select_site
from viewer.state import ViewState

BAR_PX = 34
"""Height of its title line, screen pixels: all that is left when it is folded."""

_CELL_CHOICES = {
    "arrangement of the cells": CELLS,
    "point statistics of the cells": POINTS,
}


_BESIDE = {**SCROLL, "flex": "3 1 190px"}
_WIDE = {**SCROLL, "flex": "5 1 330px", "overflow-x": "auto"}
"""Place of the words beside the strip, and of a table that needs more of it."""


class Tray(pn.viewable.Viewer):
    """Brushed regions compared by a quantity, and two quantities against each other.

    Parameters
    ----------
    state
        What is looked at: `regions`, `colour_by`, `disc`, `dark` and `tray_open` are followed.
    library
        The open discs.
    """

    choice = param.String("sites.modulus_kPa", doc="What regions are compared by; see CELLS.")
    kind = param.String(ALL_KINDS, doc="Kind of sites that is kept; empty for all.")
    names = param.Dict({}, doc="Letter to what a person called the region.")

    def __init__(self, state: ViewState, library: Library, **params: Any) -> None:
        super().__init__(**params)
        self.state, self.library = state, library
        self.scatter = Scatter(state, library)
        self._counter = RegionCounter(library)
        self._document = pn.state.curdoc
        self.points = PointCounter(library, self._told)
        self.curves = ClusterPlot()
        self.numbers = TrayNumbers(self.choice, self.kind, (), None, (), ())
        self.strip = Strip(lambda disc, site: select_site(state, disc, site))
        self.rows = RegionRows(self._rename, state.remove_region)
        self.keep = KeepLine(state, library, lambda: self.names, self._take)
        self._differences = words(
            sizing_mode="stretch_both", min_height=0, min_width=170,
            styles=_BESIDE, css_classes=["tray-differences"],
        )  # fmt: skip
        self._make_bar()
        self._body = self._make_body()
        self._view = pn.Column(
            self._bar, self.keep, self._body, sizing_mode="stretch_both", margin=0,
            css_classes=["tray"], styles={"background": "var(--surface)", "overflow": "hidden"},
        )  # fmt: skip
        state.param.watch(self._on_colour, "colour_by")
        state.param.watch(self._on_state, ["regions", "disc", "discs", "dark", "tray_open"])
        self.param.watch(self._on_choice, "choice")
        self.param.watch(self._on_kind, "kind")
        self._on_colour()
        self._on_choice()

    # ---- what it is made of ----------------------------------------------------------------------

    def _make_bar(self) -> None:
        def button(name: str, words: str, **more: Any) -> Any:
            return pn.widgets.Button(
                label=name, description=words, stylesheets=[BUTTON_CSS], margin=(0, 0, 0, 4), **more
            )

        self._fold = pn.widgets.Button(
            label="", stylesheets=[FOLD_CSS], margin=0, on_click=lambda _: self._fold_or_unfold()
        )
        self._what = pn.widgets.Select(
            label="by", stylesheets=[FIELD_CSS], margin=(0, 6, 0, 0), min_width=120, max_width=280,
            sizing_mode="stretch_width",
        )  # fmt: skip
        self._kind = pn.widgets.Select(label="of", stylesheets=[FIELD_CSS], margin=0, width=124)
        self._clear = button(
            "Clear", "Remove all regions", on_click=lambda _: self.state.param.update(regions={})
        )
        self._csv = pn.widgets.FileDownload(
            callback=self._csv_file, label="CSV", filename="regions.csv", color="default",
            stylesheets=[BUTTON_CSS], margin=(0, 0, 0, 4), width=54, height=26,
        )  # fmt: skip
        self._axes = pn.Row(self.scatter.controls(), margin=0, styles={"flex": "3 1 250px"})
        self._fields = pn.Row(
            pn.Row(
                self._what, self._kind, self.keep.switch, self._csv, self._clear, margin=0,
                styles={"flex": "8 1 420px", "align-items": "center", "min-width": "0"},
            ),
            self._axes,
            margin=0, sizing_mode="stretch_width", styles={"align-items": "center", "gap": "10px"},
        )  # fmt: skip
        self._bar = pn.Row(
            self._fold, self._fields, height=BAR_PX, margin=0, sizing_mode="stretch_width",
            styles={"align-items": "center", "padding": "4px 8px 0", "gap": "10px"},
        )  # fmt: skip
        self._what.param.watch(lambda e: self._chose("choice", e.new), "value")
        self._kind.param.watch(lambda e: self._chose("kind", e.new), "value")

    def _make_body(self) -> pn.Row:
        self._heads = words(height=HEAD_PX, sizing_mode="stretch_width")
        self._strip = pn.Column(
            pn.pane.Bokeh(self.strip.figure, sizing_mode="stretch_width", margin=0),
            margin=0, sizing_mode="stretch_width",
        )  # fmt: skip
        self._clustering = pn.Column(
            pn.pane.Bokeh(self.curves.figure, sizing_mode="stretch_both", margin=0),
            margin=0, sizing_mode="stretch_both", visible=False, min_height=150,
        )  # fmt: skip
        self._regions = pn.Row(
            pn.Column(self._heads, self.rows, margin=0, width=248),
            self._strip,
            self._clustering,
            margin=0,
            sizing_mode="stretch_both",
            styles={**SCROLL, "min-width": "0", "flex": "5 1 380px", "align-items": "flex-start"},
        )  # fmt: skip
        self._plot = pn.Row(
            self.scatter.body(), margin=0, sizing_mode="stretch_both",
            styles={"flex": "3 1 220px", "min-width": "200px"},
        )  # fmt: skip
        return pn.Row(
            self._regions, self._differences, self._plot,
            margin=0, min_height=0, sizing_mode="stretch_both",
            styles={"gap": "12px", "padding": "0 8px 4px 10px", "overflow": "hidden"},
        )  # fmt: skip

    # ---- what happens ----------------------------------------------------------------------------

    def _fold_or_unfold(self) -> None:
        self.state.tray_open = not self.state.tray_open

    def _chose(self, name: str, value: str | None) -> None:
        if value is not None and value != getattr(self, name):
            setattr(self, name, value)

    def _rename(self, letter: str, name: str) -> None:
        self.names = {**self.names, letter: name}
        self.refresh()

    def _take(self, regions: dict[str, Any], names: dict[str, str]) -> None:
        self.names = names
        self.state.regions = regions

    def _on_colour(self, *_events: Any) -> None:
        table, _, name = self.state.colour_by.partition(".")
        known = {n for names in site_quantities(self.library).values() for n in names.values()}
        if table == "cells":
            self.choice = CELLS
        elif name in known:
            self.choice = f"sites.{name}"
        elif self.choice not in {f"sites.{n}" for n in known} | {*_CELL_CHOICES.values()} and known:
            self.choice = f"sites.{min(known)}"

    def _on_choice(self, *_: Any) -> None:
        groups = {
            title: {words: f"sites.{name}" for words, name in names.items()}
            for title, names in site_quantities(self.library).items()
        }
        self._what.param.update(
            groups={**groups, "Cells in the region": _CELL_CHOICES}, value=self.choice
        )
        held = {}
        if self.choice not in _CELL_CHOICES.values():
            held = kinds_with(self.library, self.choice.removeprefix("sites."))
        if self.kind not in held and len(held) > 1:
            self.kind = next(iter(held))
        elif len(held) < 2:
            self.kind = ALL_KINDS
        options = {f"{KIND_WORDS.get(k, k)} ({n})": k for k, n in held.items()}
        self._kind.param.update(
            options=options | {f"all ({sum(held.values())})": ALL_KINDS}, value=self.kind
        )
        self._kind.visible = len(held) > 1
        self.refresh()

    def _on_kind(self, *_: Any) -> None:
        if self._kind.value != self.kind:
            return  # the field is about to be filled anew
        self.refresh()

    def _on_state(self, *events: Any) -> None:
        if any(event.name == "regions" for event in events):
            gone = set(self.names) - set(self.state.regions)
            if gone:
                self.names = {k: v for k, v in self.names.items() if k not in gone}
        self.refresh()

    def refresh(self) -> None:
        """Form every number anew and show it; a folded tray waits until it is unfolded."""
        with pn.io.hold():  # one message to the browser: a layout and a repaint, not a dozen
            self._refresh()

    def _refresh(self) -> None:
        shown = self.state.tray_open
        self._fields.visible = self._body.visible = shown
        self.keep.folded = not shown
        drawn = ", ".join(self.state.regions)
        hint = f": regions {drawn}" if drawn else ": draw regions with lasso or box"
        self._fold.label = f"{'▾' if shown else '▸'} Compare{'' if shown else hint}"
        if not shown:
            return
        self.numbers = tray_numbers(
            self.library, self._counter, self.state.regions, self.names, self.choice, self.kind
        )
        dark = self.state.dark
        colours = region_colours(dark)
        several = len(self.library.discs) > 1
        # the numbers first: rows and strip take the browser a layout
        pointwise = self.choice == POINTS
        self._arrange(pointwise)
        self._differences.text = (
            self._points_text(colours)
            if pointwise and self.numbers.holdings
            else differences_html(self.numbers, colours)
        )
        self._regions.visible = bool(self.numbers.holdings)
        self._heads.text = heads_html(self.numbers.comparison is None)
        self.rows.show(self.numbers, colours, several)
        self.strip.update(self.numbers, dark)
        self._csv.disabled = self._clear.disabled = not self.numbers.holdings

    def _arrange(self, pointwise: bool) -> None:
        """Make room for the point statistics, or for sites and the linked plot."""
        if self._clustering.visible is pointwise:
            return
        self._clustering.visible = pointwise
        for part in (self._strip, self._plot, self._axes):
            part.visible = not pointwise
        self._differences.styles = _WIDE if pointwise else _BESIDE

    def _points_text(self, colours: dict[str, str]) -> str:
        """Show the curves that are known, and give the words."""
        found = self.points.found(self.state.regions)
        self.curves.update(found, colours, self.state.dark)
        held = self.numbers.holdings
        return points_html(held, found, colours) + care_html(points_cautions(held, found))

    def _told(self) -> None:
        """Show what is known by now; called in another thread."""
        if self._document is not None:
            self._document.add_next_tick_callback(self.refresh)

    def _csv_file(self) -> StringIO:
        discs = sorted({held.disc for held in self.numbers.holdings})
        runs = {disc: self.library.run(disc) for disc in discs}
        self._csv.filename = "-".join([*discs, "regions.csv"])
        if self.choice == POINTS:
            found = self.points.found(self.state.regions)
            return StringIO(points_csv(self.numbers.holdings, found, runs))
        return StringIO(comparison_csv(self.numbers, runs))

    def view(self) -> pn.Column:
        """Give the tray."""
        return self._view

    def __panel__(self) -> pn.Column:
        """Give the tray."""
        return self._view
