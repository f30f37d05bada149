"""The folds of the curves face: how sure the number is, whether the law holds, the way back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from math import isfinite
from typing import Any

import numpy as np

from engine.mechanics import CAUTION, comparison_text, least_difference
from viewer.card_facts import SiteFacts
from viewer.card_map_facts import MapSaid
from viewer.card_text import (
    DASH,
    facts_html,
    folded_html,
    plain_number,
    plus_minus,
    value_and_interval,
    with_unit,
)

_PARTS = {
    "between curves": "random",
    "shared by the probe": "shared",
    "model": "law",
}
_JKR_FROM, _DMT_TO = 5.0, 0.1
"""Tabor's parameter from which adhesion is JKR's, and up to which DMT's (Tabor 1977)."""


def map_folds_html(site: SiteFacts, said: MapSaid) -> str:
    """Give the three folds; a fold without anything to say is left out."""
    return budget_html(site, said) + law_html(site, said) + back_html(site, said)


def percent(share: float, digits: int = 2) -> str:
    """Write a share in per cent; a dash where there is none."""
    return with_unit(100 * share, "%", digits)


# ---- how sure ------------------------------------------------------------------------------------


def budget_html(site: SiteFacts, said: MapSaid) -> str:
    """Say how sure the number is: its sources as bars, and what it may be compared with."""
    if not said.sources:
        return ""
    b = said.budget
    refused = f'<p class="caution">Not to be quoted: {escape(b.why_not)}</p>' if b.why_not else ""
    title = f"How sure: ± {percent(b.total)} in all"
    return folded_html(title, refused + _bars(said.sources) + _note(site) + _compared(said))


def _bars(sources: Sequence[Mapping[str, Any]]) -> str:
    most = max(float(s["relative"]) for s in sources) or 1.0
    rows = []
    for source in sorted(sources, key=lambda s: -float(s["relative"])):
        relative = float(source["relative"])
        part = _PARTS.get(str(source["part"]), "")
        width = f"{100 * relative / most:.1f}"
        rows.append(
            f'<span title="{escape(_how(source))}">{escape(str(source["source"]))}</span>'
            f'<span class="bar {part}"><i style="width:{width}%"></i></span>'
            f"<span>{percent(relative)}</span>"
        )
    return f'<div class="budget">{"".join(rows)}</div>'


def _how(source: Mapping[str, Any]) -> str:
    return (
        f"{source['part']}: {plain_number(float(source['input_sd']), 2)} of the input times "
        f"{plain_number(float(source['coefficient']), 3)} in ln E"
    )


def _note(site: SiteFacts) -> str:
    low, high = site.number("modulus_syst_low_kPa"), site.number("modulus_syst_high_kPa")
    leverage, spread = site.number("sensitivity_leverage"), site.number("modulus_between_rel")
    words = [
        "Bars: one standard uncertainty; full, between curves; hatched, shared by all maps of the "
        "probe."
    ]
    if isfinite(leverage):
        words.append(
            f"An error of the sensitivity counts {plain_number(leverage, 2)} times "
            "(1 + contact stiffness over spring constant)."
        )
    if isfinite(low):
        how = "by Monte Carlo" if site.word("modulus_syst_method") == "Monte Carlo" else ""
        ends = f"{plain_number(low)} to {plain_number(high)} kPa"
        words.append(f"The shared part alone: {ends} (95 %){', ' + how if how else ''}.")
    if isfinite(spread):
        fit = percent(site.number("modulus_fit_rel"))
        words.append(
            f"The tissue varies by {percent(spread)} between curves; one fit is known to {fit}."
        )
    return f'<p class="quiet">{" ".join(words)}</p>'


def _compared(said: MapSaid) -> str:
    """Say what the number may be compared with; the whole text is each line's tooltip."""
    b = said.budget
    if not b.quotable or not isfinite(b.random):
        return f"<p>{escape(comparison_text(b))}</p>"
    near, far = (percent(least_difference(b, shared=shared)) for shared in (False, True))
    cases: tuple[tuple[str, str, dict[str, bool]], ...] = (
        ("same probe and day", f"from {near} on", {}),
        ("same probe, another day", f"from {far} on", {"same_day": False}),
        ("another probe", f"from {far} on", {"same_probe": False}),
    )
    rows = "".join(
        f'<dt title="{escape(comparison_text(b, **which))}">{name}</dt>'
        f'<dd title="{escape(comparison_text(b, **which))}">{words}</dd>'
        for name, words, which in cases
    )
    return f'<h3>Two such sites differ beyond chance</h3><dl class="facts">{rows}</dl>'


# ---- whether the law holds -----------------------------------------------------------------------


def law_html(site: SiteFacts, said: MapSaid) -> str:
    """Say whether the contact law is the sample's, from a dozen curves together."""
    if not said.laws or not isfinite(site.number("law_sound")):
        return ""
    sound = site.number("law_sound") == 1.0
    rows = [
        ("modulus over the depth", _scan(site)),
        ("exponent set free", _exponent(site)),
        ("shape left behind", f"{percent(site.number('misfit_rel'))} of the largest force"),
        ("memory of the residual", _memory(site)),
    ]
    asked = (
        f"{site.number('adequacy_curves'):.0f} curves, spread over the scan, asked together: what "
        "they share is the law's, what differs is noise."
    )
    body = facts_html(rows) + f'<p class="quiet">{asked}</p>' + _laws(said)
    if not sound:
        body = "<p>An apparent modulus only: it hangs on the depth or on the law.</p>" + body
    return folded_html(f"Does the contact law hold? {'Yes' if sound else 'No'}", body)


def _exponent(site: SiteFacts) -> str:
    law = site.assumed.tip.law.exponent
    found, error = site.number("exponent"), site.number("exponent_off_se")
    return f"{plus_minus(found, error, '')} (the law's: {law:g})"


def _scan(site: SiteFacts) -> str:
    spread = site.number("scan_spread_rel")
    if not isfinite(spread):
        return DASH
    return f"changes by {percent(spread)}" if spread > 0 else "no change beyond chance"


def _memory(site: SiteFacts) -> str:
    inside, free = site.number("residual_dw"), site.number("residual_dw_free")
    return f"Durbin–Watson {plain_number(inside, 2)}, before contact {plain_number(free, 2)}"


def _laws(said: MapSaid) -> str:
    rows = "".join(
        f"<tr><th>{escape(str(law['law']))}{' (this run)' if law['of_the_run'] else ''}</th>"
        f"<td>{plain_number(float(law['aicc_difference']), 2)}</td>"
        f"<td>{_shift(float(law['modulus_off_rel']))}</td></tr>"
        for law in said.laws
    )
    run = next((law for law in said.laws if law["of_the_run"]), None)
    alike = "" if run is None or int(run["place"]) == 1 else _alike(bool(run["alike"]))
    return (
        '<table class="trial"><tr><td>law</td><td>AICc above the best</td><td>modulus</td></tr>'
        f"{rows}</table>{alike}"
    )


def _alike(alike: bool) -> str:
    words = (
        "The best law differs from this run's by too little to matter."
        if alike
        else "The best law differs from this run's by more than the settings call alike."
    )
    return f'<p class="quiet">{words}</p>'


def _shift(share: float) -> str:
    if not isfinite(share):
        return DASH
    return "±0 %" if round(1000 * share) == 0 else f"{100 * share:+.1f} %".replace("-", "−")


# ---- the way back --------------------------------------------------------------------------------


def work(value_aJ: float) -> str:
    """Write a work in a unit that suits its size; a dash where there is none."""
    if isfinite(value_aJ) and abs(value_aJ) >= 1000.0:
        return with_unit(value_aJ / 1000.0, "fJ", 3)
    return with_unit(value_aJ, "aJ", 2)


def back_html(site: SiteFacts, said: MapSaid) -> str:
    """Tell what the way back shows: works, adhesion, two-point JKR, stretches."""
    if not isfinite(site.number("loading_work_aJ")):
        return ""
    pull = site.number("pull_off_nm")
    rows = [
        (
            "lost of loading work",
            f"{work(site.number('lost_work_aJ'))} of {work(site.number('loading_work_aJ'))}",
        ),
        (
            "adhesion",
            f"{with_unit(site.number('adhesion_nN'), 'nN', 2)}, "
            f"work {work(site.number('adhesion_work_aJ'))}",
        ),
        ("pull-off", f"{with_unit(pull, 'nm', 2)} past zero force" if isfinite(pull) else ""),
        ("two-point JKR", _jkr(site)),
        ("stretches", _stretches(site, said)),
    ]
    note = "Medians of the curves that count; the modulus above is the approach's alone."
    body = facts_html(rows) + f'<p class="quiet">{note}{_regime(site)}</p>'
    caution = f'<p class="quiet">{escape(CAUTION)}</p>' if said.stretches else ""
    return folded_html("The way back", body + caution)


def _jkr(site: SiteFacts) -> str:
    modulus = site.number("jkr_modulus_kPa")
    if not isfinite(modulus):
        return ""
    return f"{with_unit(modulus, 'kPa')} (ISO 21222, {site.number('jkr_curves'):.0f} curves)"


def _regime(site: SiteFacts) -> str:
    tabor = site.number("jkr_tabor")
    if not isfinite(tabor):
        return ""
    if tabor >= _JKR_FROM:
        holds = "JKR is the law for it"
    elif tabor <= _DMT_TO:
        holds = "DMT is the law for it, JKR's modulus is not to be used"
    else:
        holds = "between DMT and JKR, whose modulus is rough here"
    return (
        f" Tabor's parameter of this adhesion is {plain_number(tabor, 2)}: {holds}. JKR knows no "
        "lost work: where much is lost, its modulus is too low."
    )


def _stretches(site: SiteFacts, said: MapSaid) -> str:
    count = site.number("stretches")
    if not isfinite(count) or count == 0:
        return ""
    worms = [s for s in said.stretches if s["chain"] == "worm_like"]
    contour = np.array([float(s["contour_nm"]) for s in worms])
    contour = contour[np.isfinite(contour)]
    middle = (
        f", contour length {with_unit(float(np.median(contour)), 'nm')}" if len(contour) else ""
    )
    return f"{count:.0f} on the map{middle}"


def stretches_html(stretches: Sequence[Mapping[str, Any]]) -> str:
    """Tell the stretches of one curve, worm-like and freely jointed, with intervals; or nothing."""
    if not stretches:
        return ""
    rows = [
        (
            f"stretch {int(s['stretch']) + 1}, {str(s['chain']).replace('_', ' ')}",
            f"contour {_with_ends(s, 'contour', 'nm')}; "
            f"{'persistence' if s['chain'] == 'worm_like' else 'Kuhn length'} "
            f"{_with_ends(s, 'persistence', 'nm')}",
        )
        for s in stretches
    ]
    return (
        f"<h3>Stretches of the way back</h3>{facts_html(rows)}"
        f'<p class="quiet">In brackets: 95 %. {escape(CAUTION)}</p>'
    )


def _with_ends(stretch: Mapping[str, Any], name: str, unit: str) -> str:
    value, low, high = (float(stretch[f"{name}{end}_nm"]) for end in ("", "_low", "_high"))
    if not isfinite(value):
        return "not to be had"
    number, ends = value_and_interval(value, low, high)
    return f"{number} {unit} ({ends})" if ends else f"{with_unit(value, unit)} (open)"
