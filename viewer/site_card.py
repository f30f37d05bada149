"""The site card: what was measured where, the verdict, the number, and why it is what it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from threading import Lock, Thread
from typing import Any

import panel as pn
from bokeh.events import DocumentReady
from bokeh.models import CustomJS
from panel.io import hold

from engine.mechanics import modulus_at_contact
from viewer.card_cells import CellsFace
from viewer.card_cloud import warm_cloud
from viewer.card_curve_facts import curve_facts, run_settings
from viewer.card_curves import CurvesFace
from viewer.card_facts import SiteFacts, map_facts, site_facts
from viewer.card_figures import Look, look_of
from viewer.card_head import FACE_WORDS, NOTHING, head_html, number_html
from viewer.card_network import NetworkFace
from viewer.card_parts import column, press, push_button, row, text_pane
from viewer.card_trial_facts import as_stored, try_on_map
from viewer.library import Library
from viewer.site_maps import load_of, load_text
from viewer.state import CARD_TABS, ViewState

_KEYS = """
const reach = (root) => {
  for (const element of root.querySelectorAll("*")) {
    if (element.classList.contains(wanted)) return element;
    const inside = element.shadowRoot && reach(element.shadowRoot);
    if (inside) return inside;
  }
  return null;
};
let wanted = "";
document.addEventListener("keydown", (event) => {
  wanted = { ",": "card-step-back", ".": "card-step-forth" }[event.key];
  const at = event.composedPath()[0];
  const typing = at instanceof HTMLElement && at.closest("input, textarea, select");
  if (!wanted || typing || event.ctrlKey || event.metaKey || event.altKey) return;
  const button = reach(document);
  if (button && button.getClientRects().length) button.shadowRoot.querySelector("button").click();
});
"""


_AHEAD_MS = 1200
"""Pauses between the faces that are made ahead, so that the plane's pictures come between."""


_WARM = Lock()
_warmed: set[str] = set()


def warm(library: Library) -> None:
    """Load or compile what a first curve needs, once a process.

    Call it from a thread before the server is ready; the first card of a process does it else.

    Parameters
    ----------
    library
        The open discs; one curve of the first that was analysed is fitted.
    """
    with _WARM:
        if not _warmed:
            _warmed.add("done")
            _warm(library)


def _warm(library: Library) -> None:
    for disc in library.discs:
        for site, stored in library.store(disc).sites.items():
            facts = site_facts(library, disc, site) if stored.has_curves else None
            found = map_facts(library, facts) if facts is not None else None
            if facts is not None and found is not None and found.typical >= 0:
                curve = curve_facts(library, facts, found.typical)
                modulus_at_contact(curve.explained, curve.contact_z_nm)
                try_on_map(library, facts, found, replace(as_stored(facts), depth_share=0.9))
                warm_cloud(library, facts, found, look_of(True))
                return


class SiteCard(pn.viewable.Viewer):
    """The card of the selected site; follows the view state and writes a person's choices to it.

    Parameters
    ----------
    state
        What is looked at: `site`, `disc`, `curve`, `card_tab`, `card_open` and `dark` are followed.
    library
        The open discs.
    """

    def __init__(self, state: ViewState, library: Library) -> None:
        super().__init__()
        self._state, self._library = state, library
        self._facts: SiteFacts | None = None
        self._shown: dict[str, tuple[str, str, str]] = {}
        self._faces: dict[str, Any] = {}
        self._ready = False
        self._card: Any = pn.Column(margin=(4, 14, 16, 14), sizing_mode="stretch_width")
        self._dress()
        self._hear_keys()
        pn.state.onload(self._loaded)
        state.param.watch(lambda _e: self._run(self._update), ["site", "disc", "card_open"])
        state.param.watch(lambda _e: self._run(self._update), ["card_tab", "curve"])
        state.param.watch(lambda _e: self._run(self._show_load), "load")
        state.param.watch(lambda _e: self._run(self._dress), "dark")

    def __panel__(self) -> Any:
        return self._card

    def view(self) -> Any:
        """Give the card to be laid into the page."""
        return self._card

    @staticmethod
    def _run(change: Callable[[], None]) -> None:
        def together() -> None:
            # one message to the browser, not one a property; never frozen: stylesheets of parts
            # made meanwhile would point to a foreign host
            with hold():
                change()

        # a change of figures must happen under the document's lock, wherever it was asked for
        pn.state.execute(together)

    def _dress(self) -> None:
        """Make everything anew in the colours of the page."""
        look = look_of(self._state.dark)
        self._faces, self._shown = {}, {}
        self._look = look
        self._head = text_pane(look)
        self._number = text_pane(look)
        self._tabs = {
            face: push_button(look, FACE_WORDS[face], self._chooser(face)) for face in CARD_TABS
        }
        self._place = column()
        self._tab_row = row(*self._tabs.values())
        self._card.objects = [self._head, self._tab_row, self._number, self._place]
        self._update()

    def _chooser(self, face: str) -> Callable[[], None]:
        def choose() -> None:
            self._state.card_tab = face

        return choose

    def _face(self, name: str, look: Look) -> Any:
        """Make a face when it is first looked at."""
        if name not in self._faces:
            if name == "curves":
                face: Any = CurvesFace(look, self._library, self._curve_chosen, self._load_chosen)
                face.load.show_load(load_of(self._state.load))
            else:
                face = {"network": NetworkFace, "cells": CellsFace}[name](look, self._library)
            face.view.visible = False
            self._faces[name] = face
            self._place.append(face.view)
        return self._faces[name]

    def _loaded(self) -> None:
        """Show the face: the page comes first, what may take a moment follows."""
        self._ready = True
        self._run(self._update)
        self._make_ahead()

    def _make_ahead(self) -> None:
        """Make the faces while nobody waits for them, so that the first click is quick too."""
        document = pn.state.curdoc
        if document is None:
            return
        # where the server has not: better in the first second than at a click
        Thread(target=warm, args=(self._library,), name="warm-card", daemon=True).start()
        order = sorted(CARD_TABS, key=lambda face: face != self._state.card_tab)
        for number, name in enumerate(order):
            document.add_timeout_callback(self._maker(name), _AHEAD_MS * (number + 1))

    def _maker(self, name: str) -> Callable[[], None]:
        def make() -> None:
            self._face(name, self._look)

        return make

    @staticmethod
    def _hear_keys() -> None:
        """Let the comma and full-stop keys walk through the curves."""
        document = pn.state.curdoc
        if document is not None:
            document.js_on_event(DocumentReady, CustomJS(code=_KEYS))

    def _curve_chosen(self, curve: int) -> None:
        self._state.curve = curve

    def _load_chosen(self, load_nN: float) -> None:
        self._state.load = load_text(load_nN)

    def _show_load(self) -> None:
        if "curves" in self._faces:
            self._faces["curves"].load.show_load(load_of(self._state.load))

    @property
    def face(self) -> str:
        """The face that is shown: the chosen one where the site has it, else the first it has."""
        if self._facts is None or not self._facts.faces:
            return ""
        chosen = self._state.card_tab
        return chosen if chosen in self._facts.faces else self._facts.faces[0]

    def _update(self) -> None:
        """Bring the card to what the state says; what stands already is left alone."""
        if not self._state.card_open:
            return
        state = self._state
        self._facts = site_facts(self._library, state.disc, state.site) if state.site else None
        facts = self._facts
        for part in (self._tab_row, self._number, self._place):
            part.visible = facts is not None
        if facts is None:
            self._head.object = NOTHING
            return
        self._head.object = head_html(facts)
        for name, button in self._tabs.items():
            button.disabled = name not in facts.faces
            press(button, name == self.face)
        if self.face and self._ready:
            self._show_face(facts)

    def _show_face(self, facts: SiteFacts) -> None:
        name = self.face
        self._number.object = number_html(
            facts,
            name,
            self._look,
            map_facts(self._library, facts),
            run_settings(self._library, facts),
        )
        face = self._face(name, self._look)
        key = (facts.disc, facts.run, facts.stored.site)
        if self._shown.get(name) != key:
            if name == "curves":
                face.show(facts, self._state.curve)
            else:
                face.show(facts)
            self._shown[name] = key
        elif name == "curves" and self._wanted(face) != face.shown:
            face.choose(self._state.curve)
        for other, its in self._faces.items():
            its.view.visible = other == name

    def _wanted(self, face: CurvesFace) -> int:
        return face.typical if self._state.curve is None else self._state.curve
