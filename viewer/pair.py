"""A page of its own: two height images side by side, at one scale and in one set of limits, locked.

``pair?d=DISC&a=SITE&e=DISC&b=SITE&look=height&t=dark`` is the whole of its state, so that a link
opens the same pair.
"""

from __future__ import annotations

from html import escape
from typing import Any
from urllib.parse import urlencode

import numpy as np
import panel as pn
from bokeh.models import BoxZoomTool, LinearColorMapper, PanTool, Range1d, ResetTool, WheelZoomTool
from bokeh.plotting import figure
from panel.io.resources import LOCAL_DIST

from viewer.card_figures import Look, dress_axis, look_of, small_figure
from viewer.card_network_facts import LOOKS
from viewer.card_text import plain_number
from viewer.library import Library
from viewer.page import CAUTION
from viewer.pair_facts import (
    LIMITS_PCT,
    PairSide,
    common_limits,
    images_of,
    numbers_of,
    on_common_ground,
    read_side,
    unlike_words,
    values_of,
)
from viewer.server import asset, asset_version
from viewer.theme import FONT, css_variables, palette

TITLE = "two images side by side"
_UNITS = {"relief": "light and shade", "height": "height as levelled (nm)", "slope": "slope (°)"}
_BINS = 24


def wanted(library: Library, given: dict[str, str]) -> dict[str, str]:
    """Complete what an address asks for: what is missing or unknown takes the first there is."""
    has = [disc for disc in library.discs if images_of(library, disc)]
    if not has:
        return {}
    chosen = {"t": "light" if given.get("t") == "light" else "dark"}
    chosen["look"] = given["look"] if given.get("look") in LOOKS else "height"
    for place, (disc_key, site_key) in enumerate((("d", "a"), ("e", "b"))):
        disc = given.get(disc_key, chosen.get("d", has[0]))
        disc = disc if disc in has else has[0]
        names = images_of(library, disc)
        site = given.get(site_key, "")
        chosen[disc_key] = disc
        chosen[site_key] = site if site in names else names[min(place, len(names) - 1)]
    return chosen


def build_pair(library: Library, given: dict[str, str]) -> pn.Template:
    """Build the page of one pair.

    Parameters
    ----------
    library
        The open discs.
    given
        The address's query.
    """
    document = pn.state.curdoc
    if document is not None:
        # told too late, Panel writes the address of a hosted copy into the style sheets it keeps
        document.template_variables["dist_url"] = LOCAL_DIST
    chosen = wanted(library, given)
    template = pn.Template(asset("pair.html"))
    for name, value in _words(library, chosen).items():
        template.add_variable(name, value)
    sides = [
        side
        for disc, site in (("d", "a"), ("e", "b"))
        if chosen and (side := read_side(library, chosen[disc], chosen[site])) is not None
    ]
    parts = _pictures(sides, chosen["look"], look_of(chosen["t"] == "dark")) if sides else []
    template.add_panel("pair", pn.Row(*parts, sizing_mode="stretch_width", margin=0))
    template.add_variable("numbers", numbers_html(library, sides))
    template.title = f"{' and '.join(s.site.stored.site for s in sides)} · splendens".lstrip(" ·")
    return template


def _words(library: Library, chosen: dict[str, str]) -> dict[str, Any]:
    def choices(disc_key: str, site_key: str) -> str:
        options = []
        for disc in library.discs:
            for site in images_of(library, disc):
                on = bool(chosen) and (chosen[disc_key], chosen[site_key]) == (disc, site)
                where = "?" + urlencode({**chosen, disc_key: disc, site_key: site})
                options.append(
                    f'<option value="{escape(where)}"{" selected" if on else ""}>'
                    f"{escape(site)} · {escape(disc)}</option>"
                )
        return "".join(options)

    looks = "".join(
        f'<a href="?{escape(urlencode({**chosen, "look": look}))}" '
        f'aria-current="{str(chosen.get("look") == look).lower()}">{look}</a>'
        for look in LOOKS
    )
    dark = chosen.get("t", "dark") == "dark"
    other = urlencode({**chosen, "t": "light" if dark else "dark"})
    return {
        "css_variables": css_variables(),
        "version": asset_version(),
        "theme": "dark" if dark else "light",
        "other_theme": escape(f"?{other}"),
        "first": choices("d", "a"),
        "second": choices("e", "b"),
        "looks": looks,
        "caution": CAUTION,
        "heading": TITLE,
    }


def _pictures(sides: list[PairSide], look: str, colours: Look) -> list[Any]:
    pictures = [values_of(side, look) for side in sides]
    low, high = common_limits(pictures, look)
    half = 0.5 * max(max(s.network.width_nm, s.network.height_nm) for s in sides)
    x_range, y_range = Range1d(-half, half), Range1d(-half, half)
    panes: list[Any] = []
    for side, picture in zip(sides, pictures, strict=True):
        fig = figure(
            sizing_mode="stretch_width", aspect_ratio=1.0, x_range=x_range, y_range=y_range,
            toolbar_location=None, tools="", match_aspect=True,
            title=side.title, outline_line_color=colours.line, background_fill_color=colours.ground,
            border_fill_color=colours.ground, min_border_left=64,
        )  # fmt: skip
        wheel = WheelZoomTool(zoom_on_axis=False)
        fig.add_tools(PanTool(), wheel, BoxZoomTool(match_aspect=True), ResetTool())
        fig.toolbar.active_scroll = wheel
        greys = LinearColorMapper(
            palette=[f"#{k:02x}{k:02x}{k:02x}" for k in range(256)], low=low, high=high,
            nan_color="#00000000",
        )  # fmt: skip
        width, height = side.network.width_nm, side.network.height_nm
        fig.image(
            [picture.astype(np.float32)], -width / 2, -height / 2, width, height, color_mapper=greys
        )
        fig.title.text_color, fig.title.text_font_size = colours.text, "14px"
        fig.title.text_font = FONT
        fig.xaxis.axis_label = "from the image's centre (nm)"
        dress_axis(fig.xaxis[0], colours)
        dress_axis(fig.yaxis[0], colours)
        fig.grid.grid_line_color = None
        panes.append(pn.pane.Bokeh(fig, sizing_mode="stretch_width", margin=(0, 6)))
    panes.append(pn.Column(_limits(look, low, high), _thickness(sides, colours), width=330))
    return panes


def _limits(look: str, low: float, high: float) -> Any:
    ends = "" if look == "relief" else f": {plain_number(low, 3)} to {plain_number(high, 3)}, "
    share = "" if look == "relief" else f"{LIMITS_PCT[0]:g} to {LIMITS_PCT[1]:g} % of both together"
    return pn.pane.HTML(
        '<div style="height:10px;border-radius:2px;background:linear-gradient(90deg,#000,#fff)">'
        f"</div><div>{_UNITS[look]}{ends}{share}</div>"
        '<div style="opacity:.75">One scale, one set of limits; both pictures move together. '
        "Wheel to zoom, drag to move.</div>",
        sizing_mode="stretch_width",
        styles={"font": f"12px/1.4 {FONT}", "color": "var(--text)"},
    )


def _thickness(sides: list[PairSide], colours: Look) -> Any:
    regions = palette(colours.dark).regions
    known = [s.network.thickness_nm[np.isfinite(s.network.thickness_nm)] for s in sides]
    every = np.concatenate(known)
    fig = small_figure(
        colours, height=220, x_label="fibril thickness (nm)", y_label="share of traced length"
    )
    if not every.size:
        fig.visible = False
        return pn.pane.Bokeh(fig)
    edges = np.linspace(every.min(), every.max() + 1e-9, _BINS + 1)
    top = 0.0
    for side, colour in zip(sides, regions, strict=False):
        on = np.isfinite(side.network.thickness_nm)
        share, _ = np.histogram(
            side.network.thickness_nm[on], edges, weights=side.network.length_nm[on]
        )
        share = share / max(share.sum(), 1e-12)
        top = max(top, float(share.max()))
        fig.step(
            edges, np.r_[share, share[-1]], mode="after", line_color=colour, line_width=2,
            legend_label=f"{side.site.stored.site} · {side.site.disc}",
        )  # fmt: skip
    fig.legend.update(
        background_fill_alpha=0.0, border_line_color=None, label_text_color=colours.text,
        label_text_font_size="12px", label_text_font=FONT, location="top_right", padding=2,
    )  # fmt: skip
    fig.x_range.update(start=float(edges[0]), end=float(edges[-1]))
    fig.y_range.update(start=0.0, end=1.45 * top)
    return pn.pane.Bokeh(fig, sizing_mode="stretch_width", margin=(14, 0, 0, 0))


def numbers_html(library: Library, sides: list[PairSide]) -> str:
    """Write the numbers of both images side by side, and whether they may be compared."""
    if not sides:
        return "<p>No height image of an open disc was analysed.</p>"
    columns = [dict(numbers_of(side)) for side in sides]
    words, ground = on_common_ground(library, sides) if len(sides) > 1 else ("", [])
    heads = "".join(f"<th>{escape(side.title.rsplit(' · ', 1)[0])}</th>" for side in sides)
    alike = [f"<th>{escape(side.site.stored.site)}, common ground</th>" for side in sides]
    more = "".join(alike) if ground else ""
    rows = []
    for name in columns[0]:
        cells = [column[name] for column in columns] + [g.get(name, "") for g in ground]
        rows.append(f"<tr><th>{escape(name)}</th>" + "".join(f"<td>{c}</td>" for c in cells))
    reasons = unlike_words(sides) if len(sides) > 1 else ()
    said = (
        "".join(f"<li>{escape(reason)}</li>" for reason in reasons)
        if reasons
        else "<li>Window, pixel, levelling and filters are alike: the numbers compare.</li>"
    )
    return (
        f"<table><tr><td></td>{heads}{more}</tr>{''.join(rows)}</table>"
        f"<div><h2>May they be compared?</h2><ul>{said}</ul><p>{escape(words)}</p></div>"
    )
