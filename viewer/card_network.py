"""The network face of the site card: relief with traced fibrils, thickness, direction, bands."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from math import isfinite
from threading import Timer
from typing import Any
from urllib.parse import urlencode

import numpy as np
import panel as pn

from engine.collagen import FLAGS
from viewer.card_banding import BandingSpectrum, FibrilProfile
from viewer.card_facts import SiteFacts, site_facts
from viewer.card_figures import Look, legend_html
from viewer.card_levelling import LevellingTrial
from viewer.card_network_facts import LOOKS, GreyPicture, NetworkFacts, network_facts, profile_along
from viewer.card_parts import Choice, Switch, column, figure_pane, row, text_pane
from viewer.card_relief import ReliefPicture, grey_html, thickness_scale
from viewer.card_surface import SurfaceFigure
from viewer.card_text import (
    facts_html,
    flag_rows,
    flags_html,
    folded_html,
    plain_number,
    plus_minus,
    value_and_interval,
    with_unit,
)
from viewer.card_thickness import OrientationRose, ThicknessDistribution
from viewer.card_turn import turn_words
from viewer.library import Library

NO_RUN = '<p class="refusal">This disc was not analysed yet; the image waits in the store.</p>'


_READ_AHEAD_S = 0.4


class NetworkFace:
    """What the nanometre image of a site says, and why."""

    def __init__(self, look: Look, library: Library) -> None:
        self._library, self._dark = library, look.dark
        self._facts: NetworkFacts | None = None
        self._relief = ReliefPicture(look, self._fibril_chosen)
        self._thickness = ThicknessDistribution(look)
        self._rose = OrientationRose(look)
        self._spectrum = BandingSpectrum(look)
        self._profile = FibrilProfile(look)
        self._legend = text_pane(look)
        self._thickness_text = text_pane(look)
        self._bands_text = text_pane(look)
        self._profile_text = text_pane(look)
        self._why = text_pane(look)
        self._surface = SurfaceFigure(look)
        self._levelling = LevellingTrial(look, library, self._show_levelled)
        switches = (
            Switch(look, "traced fibrils", True, self._relief.show_traces),
            Switch(look, "junctions", False, self._relief.show_junctions),
            Switch(look, "directions", False, self._relief.show_directions),
        )
        looks = Choice(look, {name: name for name in LOOKS}, LOOKS[0], self._show_look)
        self._greys = text_pane(look)
        self._body = column(
            row(*looks.buttons),
            row(*(s.button for s in switches)),
            figure_pane(self._relief.fig),
            self._greys,
            self._legend,
            self._thickness_text,
            row(figure_pane(self._thickness.fig), figure_pane(self._rose.fig)),
            self._bands_text,
            figure_pane(self._spectrum.fig),
            self._profile_text,
            figure_pane(self._profile.fig),
        )
        self._fold = {
            "curves of the texture": self._surface.view,
            "levelling tried": self._levelling.view,
        }
        for part in self._fold.values():
            part.visible = False
        folds = [Switch(look, name, False, self._folder(name)) for name in self._fold]
        self._more = column(row(*(fold.button for fold in folds)), *self._fold.values())
        self.view: Any = column(self._body, self._why, self._more)

    def _folder(self, name: str) -> Callable[[bool], None]:
        def fold(shown: bool) -> None:
            self._fold[name].visible = shown

        return fold

    def _show_levelled(self, drawn: GreyPicture | None) -> None:
        self._relief.show_picture(drawn)
        self._greys.object = grey_html(self._relief.drawn)

    def show(self, facts: SiteFacts) -> None:
        """Show a site."""
        found = network_facts(self._library, facts)
        self._facts = found
        self._body.visible = self._more.visible = found is not None
        if found is None:
            self._why.object = NO_RUN
            return
        self._relief.show(found)
        self._greys.object = grey_html(self._relief.drawn)
        turned = f'<p class="quiet">{turn_words(found.turn)}</p>'
        self._legend.object = legend_html(thickness_scale(found)) + turned + self._pair(facts)
        self._thickness.show(found)
        self._rose.show(found)
        self._spectrum.show(found)
        self._thickness_text.object = thickness_html(found, facts)
        self._bands_text.object = bands_html(found)
        self._show_clearest()
        self._surface.show(found)
        self._levelling.show(found, facts)
        self._why.object = why_html(found)
        read_neighbours(self._library, facts)

    def _pair(self, facts: SiteFacts) -> str:
        chosen = {"d": facts.disc, "a": facts.stored.site, "e": facts.disc}
        query = urlencode({**chosen, "t": "dark" if self._dark else "light"})
        return (
            f'<p><a href="pair?{escape(query)}" target="_blank" rel="noopener">'
            "beside another image, at the same scale</a></p>"
        )

    def _show_look(self, look: str) -> None:
        self._levelling.reset()
        self._relief.show_look(look)
        self._greys.object = grey_html(self._relief.drawn)

    def _show_clearest(self) -> None:
        assert self._facts is not None
        record = self._facts.record
        arc = np.asarray(record.get("banding.example_arc_nm", ()))
        self._profile.show(arc, np.asarray(record.get("banding.example_height_nm", ())))
        click = "Click a fibril in the picture for the heights along it."
        clearest = "Below, the piece with the clearest bands, slow undulation removed. "
        self._profile_text.object = f'<p class="quiet">{clearest if len(arc) else ""}{click}</p>'

    def _fibril_chosen(self, piece: int | None) -> None:
        if self._facts is None:
            return
        if piece is None:
            self._show_clearest()
            return
        self._profile.show(*profile_along(self._facts, piece))
        self._profile_text.object = piece_html(self._facts, piece)


def read_neighbours(library: Library, facts: SiteFacts) -> None:
    """Read the images before and after this one while a person looks at it."""
    if pn.state.curdoc is None:
        return
    names = [n for n, site in library.store(facts.disc).sites.items() if site.has_height]
    here = names.index(facts.stored.site)
    near = {names[(here + step) % len(names)] for step in (1, -1)}

    def read() -> None:
        for name in near:
            other = site_facts(library, facts.disc, name)
            if other is not None:
                network_facts(library, other)

    # the present image and the plane's picture of it come first
    ahead = Timer(_READ_AHEAD_S, read)
    ahead.daemon = True
    ahead.start()


def piece_html(facts: NetworkFacts, piece: int) -> str:
    """Tell about one traced piece."""
    thickness = plus_minus(facts.thickness_nm[piece], facts.thickness_se_nm[piece], "nm")
    period = facts.band_period_nm[piece]
    bands = f"bands every {period:.1f} nm" if isfinite(period) else "no bands told by itself"
    length = with_unit(facts.length_nm[piece], "nm")
    return f"<p><b>The fibril you chose</b>: {thickness} thick, {length} traced, {bands}.</p>"


def thickness_html(facts: NetworkFacts, site: SiteFacts) -> str:
    """Thickness, length, junctions and direction in numbers."""
    p95, interval = value_and_interval(
        facts.number("thickness.p95_nm"),
        facts.number("thickness.p95_ci_low_nm"),
        facts.number("thickness.p95_ci_high_nm"),
    )
    pieces = int(np.isfinite(facts.thickness_nm).sum())
    if not pieces:
        return '<p class="refusal">No fibril of this image could be measured across.</p>'
    rows = [
        ("median thickness", with_unit(facts.number("thickness.median_nm"), "nm")),
        ("95th percentile", f"{p95} nm" + (f" (95 %: {interval})" if interval else "")),
        ("traced", with_unit(facts.number("fibril_length_um"), "µm") + f" in {pieces} pieces"),
        ("apparent junctions", with_unit(facts.number("junctions_per_um2"), "per µm²")),
        ("order", with_unit(facts.number("order"), "", 2) + " (0 none, 1 all alike)"),
        ("direction on the disc", with_unit(site.number("fibril_angle_deg"), "°")),
    ]
    return "<h3>Fibrils</h3>" + facts_html(rows)


def bands_html(facts: NetworkFacts) -> str:
    """Band period in numbers, or why there is none."""
    period = facts.number("banding.period_nm")
    if not isfinite(period):
        names = [f for f in facts.flags if f in ("not_resolvable", "no_bands", "no_fibrils")]
        sentences = " ".join(s for _, s, _ in flag_rows(names, FLAGS))
        return f'<h3>Bands</h3><p class="refusal">No period is given. {sentences}</p>'
    share = facts.number("banding.fraction")
    rows = [
        ("period", plus_minus(period, facts.number("banding.period_se_nm"), "nm (± 1 SE)")),
        (
            "peak over background",
            f"{with_unit(facts.number('banding.ratio'), '', 2)}, "
            f"{with_unit(facts.number('banding.ratio_needed'), '', 2)} needed",
        ),
        ("length with bands", f"{100 * share:.0f} %" if isfinite(share) else ""),
    ]
    shaded = '<p class="quiet">Shaded: 55 to 80 nm, where the bands of collagen are looked for.</p>'
    return "<h3>Bands</h3>" + facts_html(rows) + shaded


_TEXTURE_ROWS = (
    ("Sa", "Sa_nm", "nm"),
    ("Sq", "Sq_nm", "nm"),
    ("Sq, plane only", "Sq_plane_nm", "nm"),
    ("Sz", "Sz_nm", "nm"),
    ("Sp", "Sp_nm", "nm"),
    ("Sv", "Sv_nm", "nm"),
    ("Ssk", "Ssk", ""),
    ("Sku", "Sku", ""),
    ("Sdq", "Sdq", ""),
    ("Sdr", "Sdr_pct", "%"),
    ("Sal", "Sal_nm", "nm"),
    ("Str", "Str", ""),
    ("Sk", "Sk_nm", "nm"),
    ("Spk", "Spk_nm", "nm"),
    ("Svk", "Svk_nm", "nm"),
    ("Smr1", "Smr1_pct", "%"),
    ("Smr2", "Smr2_pct", "%"),
)


def why_html(facts: NetworkFacts) -> str:
    """Tell flags, surface texture and how the image was levelled."""
    # a run of an earlier version lacks some of them: no row then, rather than a dash
    rows = [
        (name, with_unit(facts.number(f"texture.{column}"), unit))
        for name, column, unit in _TEXTURE_ROWS
        if f"texture.{column}" in facts.record
    ]
    steps = ", then ".join(s.replace("_", " ") for s in facts.record.get("levelling_steps", ()))
    jitter = 100 * facts.number("jitter_share")
    levelled = (
        f'<p class="quiet">ISO 25178-2, on the image as levelled: {steps or "nothing removed"}. '
        f"Row jitter was {with_unit(jitter, '%', 2)} of the variance. {_filtered(facts)}</p>"
    )
    flags = flags_html(flag_rows(facts.flags, FLAGS), "No flag was raised on this image.")
    return (
        "<h3>Why these numbers</h3>"
        + flags
        + folded_html("Surface texture", facts_html(rows) + levelled, shown=True)
        + _beside(facts)
    )


def _filtered(facts: NetworkFacts) -> str:
    if "filters" not in facts.record:
        return ""
    names = ", ".join(str(name).replace("_", " ") for name in facts.record["filters"])
    return f"Filtered before: {escape(names)}." if names else "No areal filter was applied."


def _beside(facts: NetworkFacts) -> str:
    """Tell what the image says of its own tip, its faults, and of fibrils that divide."""
    rows = [("tip, from this image", _tip_bound(facts)), ("masked", _masked(facts))]
    rows.append(("fibrils that divide", _divisions(facts)))
    rows = [(name, text) for name, text in rows if text]
    return folded_html("Tip, faults and divisions", facts_html(rows)) if rows else ""


def _tip_bound(facts: NetworkFacts) -> str:
    bound = facts.number("tip_bound.radius_nm")
    return f"apex radius at most {with_unit(bound, 'nm', 2)}" if isfinite(bound) else ""


def _masked(facts: NetworkFacts) -> str:
    names = {"spikes": "spikes", "scars": "scars", "lost_rows": "rows without a measurement"}
    counts = {words: facts.record.get(f"faults.{name}") for name, words in names.items()}
    if any(count is None for count in counts.values()):
        return ""
    share = with_unit(100 * facts.number("faults.masked_share"), "%", 2)
    return ", ".join(f"{count} {words}" for words, count in counts.items()) + f" ({share})"


def _divisions(facts: NetworkFacts) -> str:
    found, of = (facts.record.get(f"dividing.{name}") for name in ("count", "candidates"))
    if found is None or of is None:
        return ""
    chance = plain_number(facts.number("dividing.expected_by_chance"), 2)
    text = f"{found} of {of} forks, {chance} expected by chance"
    excess, low, high = (
        plain_number(facts.number(f"dividing.excess{n}"), 2) for n in ("", "_ci_low", "_ci_high")
    )
    return f"{text}; beyond chance {excess} (95 %: {low} to {high})"
