"""The page's skeleton: our own grid, with a place for the plane, the card and the tray."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from typing import Any

import panel as pn
from bokeh.events import DocumentReady
from panel.io.resources import LOCAL_DIST

from viewer.address import decode
from viewer.clips_panel import ClipsPanel
from viewer.gallery import Gallery
from viewer.header import page_title
from viewer.plane import PlaneView
from viewer.regions import Tray
from viewer.server import asset, asset_version
from viewer.site_card import SiteCard
from viewer.state import ViewState
from viewer.theme import css_variables

_log = logging.getLogger(__name__)
LOOK_EVERY_MS = 3_000
FOLDING = ("card", "tray", "legend", "clips")
"""Parts that fold away; the state says which are open."""
CAUTION = "Research and teaching. No diagnostic device."


def new_state(gallery: Gallery, search: str) -> tuple[ViewState, bool]:
    """Make the state of a new session from its address.

    Returns
    -------
    state
        What is looked at.
    placed
        Whether the address says where.
    """
    discs = list(gallery.library.discs)
    found = decode(search)
    if found.get("disc") not in discs:
        # a view without its disc means nothing
        kept = {
            "colour_by",
            "dark",
            "layers",
            "card_tab",
            "present",
            *(f"{p}_open" for p in FOLDING),
        }
        found = {key: value for key, value in found.items() if key in kept}
    found.setdefault("disc", discs[0])
    return ViewState(discs=discs, **found), "um_per_px" in found


def build_page(gallery: Gallery, search: str = "") -> pn.Template:
    """Build the page of one session.

    Parameters
    ----------
    gallery
        The open discs.
    search
        The query string the page was asked for with.
    """
    document = pn.state.curdoc
    if document is not None:
        # told too late, Panel writes the address of a hosted copy into the style sheets it keeps
        document.template_variables["dist_url"] = LOCAL_DIST
    gallery = gallery.pinned()
    state, placed = new_state(gallery, search)
    plane = PlaneView(state, gallery)
    if placed:
        plane.start_at(state.centre_x_um, state.centre_y_um, state.um_per_px)
    template = pn.Template(asset("page.html"))
    template.add_variable("css_variables", css_variables())
    template.add_variable("version", asset_version())
    folds = [f"{part}-folded" for part in FOLDING if not getattr(state, f"{part}_open")]
    folds += ["presenting"] if state.present else []
    template.add_variable("folds", " ".join(folds))
    template.add_variable("theme", "dark" if state.dark else "light")
    template.add_variable("caution", CAUTION)
    template.add_variable("first", _for_script(plane.bridge.settings))
    template.add_panel("plane", pn.pane.Bokeh(plane.figure, sizing_mode="stretch_both"))
    library = gallery.library
    template.add_panel("card", or_a_line("site card", lambda: SiteCard(state, library)))
    template.add_panel("tray", or_a_line("comparison tray", lambda: Tray(state, library)))
    template.add_panel("clips", or_a_line("clips", lambda: ClipsPanel(state, library)))
    template.title = page_title(state)
    if document is not None:
        document.js_on_event(DocumentReady, plane.script())
        plane.input.listen()
        document.add_periodic_callback(plane.look_for_run, LOOK_EVERY_MS)
    return template


def or_a_line(part: str, make: Callable[[], Any]) -> Any:
    """Make a part of the page; one that cannot be made leaves a line in its place and in the log.

    Parameters
    ----------
    part
        Its name for people.
    make
        Makes it.
    """
    try:
        return make()
    except Exception:  # noqa: BLE001 whatever ails one part, the others can still be worked with
        _log.exception("the %s could not be made", part)
        line = f"The {part} could not be made; the server's log says why. All else works."
        return pn.pane.HTML(
            f'<p role="alert" style="margin:10px 14px;color:var(--caution)">{line}</p>',
            sizing_mode="stretch_width",
        )


def _for_script(value: Any) -> str:
    """Write a value as JSON that cannot end the script it stands in."""
    return json.dumps(value).replace("<", "\\u003c")
