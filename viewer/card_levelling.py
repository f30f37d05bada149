"""Levelling tried on one image: what each step makes of the picture, and of Sq."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any

import numpy as np

from engine.collagen import level
from engine.collagen.levelling import OPTIONS
from engine.settings import Settings
from viewer.card_facts import SiteFacts
from viewer.card_figures import Look
from viewer.card_network_facts import GreyPicture, NetworkFacts, grey_of
from viewer.card_parts import Choice, column, row, text_pane
from viewer.card_text import plain_number, with_unit
from viewer.library import Library

AS_ANALYSED = ""
WORDS = {
    AS_ANALYSED: "as analysed",
    "plane": "plane",
    "row_jitter": "row jitter",
    "row_median": "row median",
    "row_difference": "row difference",
    "quadratic": "second order",
}


class LevellingTrial:
    """Buttons of the steps and what each makes of Sq; the picture above shows the chosen one.

    Parameters
    ----------
    look
        Colours.
    library
        The open discs.
    on_picture
        Told the picture to show, None for the one of the analysis.
    """

    def __init__(
        self, look: Look, library: Library, on_picture: Callable[[GreyPicture | None], None]
    ) -> None:
        self._library, self._on_picture = library, on_picture
        self._site: SiteFacts | None = None
        self._facts: NetworkFacts | None = None
        self._choice = Choice(
            look, {words: name for name, words in WORDS.items()}, AS_ANALYSED, self.choose
        )
        self._text = text_pane(look)
        first, rest = self._choice.buttons[:3], self._choice.buttons[3:]
        self.view: Any = column(row(*first), row(*rest), self._text)

    def show(self, facts: NetworkFacts, site: SiteFacts) -> None:
        """Offer the steps for an image."""
        self._facts, self._site = facts, site
        self.reset()

    def reset(self) -> None:
        """Be told that the picture shows the analysis again."""
        self._choice.set(AS_ANALYSED)
        if self._facts is not None:
            self._text.object = levelling_html(self._facts, AS_ANALYSED)

    def choose(self, step: str) -> None:
        """Show the image levelled by the plane and one further step."""
        if self._facts is None or self._site is None:
            return
        self._text.object = levelling_html(self._facts, step)
        picture = None if step == AS_ANALYSED else self._levelled(step)
        self._on_picture(picture)

    def _levelled(self, step: str) -> GreyPicture:
        facts, site = self._facts, self._site
        assert facts is not None
        assert site is not None
        key = ("levelling", site.disc, site.run, site.stored.site, step)
        return self._library.kept(key, lambda: self._draw(facts, site, step))

    def _draw(self, facts: NetworkFacts, site: SiteFacts, step: str) -> GreyPicture:
        store = self._library.store(site.disc)
        raw = np.asarray(store.height(site.stored.site).levels[0][:], dtype=np.float64)
        steps = ("plane",) if step == "plane" else ("plane", step)
        settings = Settings.model_validate({"collagen": {"levelling": steps}}).collagen
        height = facts.turn.array(level(raw, settings).height_nm)
        return grey_of(height, f"height, levelled by {WORDS[step]}", "nm")


def levelling_html(facts: NetworkFacts, chosen: str) -> str:
    """Write what each levelling step makes of Sq, beside what the analysis did.

    Parameters
    ----------
    facts
        The image.
    chosen
        The step whose picture is shown.
    """
    spread = np.asarray(facts.record.get("levelling_option_Sq_nm", ()), dtype=float)
    names = list(facts.record.get("levelling_options", OPTIONS))
    if len(spread) != len(names) or not len(spread):
        return ""
    plane = spread[0]
    rows = "".join(
        f"<tr><th{' class=now' if name == chosen else ''}>{escape(_with_plane(name))}</th>"
        f"<td>{with_unit(sq, 'nm')}</td><td>{_change(sq, plane)}</td></tr>"
        for name, sq in zip(names, spread.tolist(), strict=True)
    )
    done = ", then ".join(WORDS.get(s, s) for s in facts.record.get("levelling_steps", ()))
    return (
        '<table class="trial"><tr><td></td><td>Sq</td><td>change</td></tr>'
        f"{rows}</table>"
        f'<p class="quiet">The analysis removed: {escape(done or "nothing")}. A step that lowers '
        "Sq takes out part of the surface too: the plane alone is always kept beside it.</p>"
    )


def _with_plane(name: str) -> str:
    return WORDS[name] if name == "plane" else f"+ {WORDS.get(name, name)}"


def _change(value: float, plane: float) -> str:
    if not (np.isfinite(value) and plane > 0):
        return ""
    return f"{plain_number(100 * (value / plane - 1), 2)} %"
