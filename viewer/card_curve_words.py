"""The words of the curves face: one curve, its depth scan, why the map's number is what it is."""

from __future__ import annotations

from html import escape
from math import isfinite

import numpy as np

from engine.mechanics import FLAGS, MAP_FLAGS, MechanicsSettings, drift_words, outlier_words
from viewer.card_curve_facts import CurveFacts, refit_differs
from viewer.card_facts import MapFacts, SiteFacts
from viewer.card_flags import limited_rows
from viewer.card_map import left_out_words, reason_of
from viewer.card_map_facts import MapSaid
from viewer.card_map_words import map_folds_html, work
from viewer.card_model_words import model_words, poisson_row, share_words, tip_row
from viewer.card_text import (
    DASH,
    NOT_INDEPENDENT,
    count_flags,
    facts_html,
    flags_html,
    folded_html,
    plain_number,
    plus_minus,
    split_flags,
    with_unit,
)
from viewer.card_turn import Turn, turn_words

LEFT_OUT = '<span class="mark">left out</span>'


def map_html(site: SiteFacts, facts: MapFacts, turn: Turn, settings: MechanicsSettings) -> str:
    """Say the verdict on the map, what it shows and what is left out."""
    share, drift = site.number("usable_share"), site.number("modulus_drift_rel")
    usable = f" Usable: {100 * share:.0f} %." if share < 1.0 else ""
    drifts = "modulus_drift" in split_flags(site.word("flags"))
    outliers = site.number("curves_outlying")
    words = [
        left_out_words(facts) + usable,
        drift_words(drift, site.number("modulus_drift_p"), drifts),
        outlier_words(int(outliers), settings.outliers_excluded) if isfinite(outliers) else "",
    ]
    said = "".join(f"{text} " for text in words if text)
    diamond = " diamond: outlier;" if outliers > 0 else ""
    marks = (
        f"Line: median; band: its 95 % interval; hollow: left out;{diamond} in colour: the chosen "
        "curve."
    )
    return f'<p>{escape(said)}</p><p class="quiet">{marks} {turn_words(turn)}</p>'


def curve_title_html(facts: MapFacts, index: int, curve: CurveFacts) -> str:
    """Name one curve with its modulus, from the run's table; tell if the drawn fit is another."""
    row, col = divmod(index, facts.cols)
    state = "" if facts.used[index] else f" {LEFT_OUT} {escape(reason_of(facts, index))}"
    modulus = plus_minus(float(facts.modulus_kPa[index]), float(facts.modulus_se_kPa[index]), "kPa")
    title = f"<h3>Curve at row {row}, column {col}: {modulus}{state}</h3>"
    if not refit_differs(curve, float(facts.modulus_kPa[index])):
        return title
    drawn = with_unit(float(curve.explained.fit.modulus_kPa[0]), "kPa", 4)
    return (
        f'{title}<p class="caution">The fit drawn below gives {drawn}: the run was made with other '
        "settings or by another version. Analyse the disc anew to bring both together.</p>"
    )


def curve_html(facts: MapFacts, index: int) -> str:
    """Tell about one curve in numbers, from the run's table."""
    fit = {name: float(values[index]) for name, values in facts.fitted.items()}
    contact = with_unit(fit.get("contact_se_nm", np.nan), "nm", 2)
    zoom = "± is 1 SE of the fit. Drag a box in a plot to zoom, double-click to see all."
    rows = [
        ("depth, largest force", _pair(facts.indentation_nm[index], "nm", fit["force_nN"], "nN")),
        ("exponent set free", plus_minus(facts.exponent[index], facts.exponent_se[index], "")),
        ("contact known to", f"± {contact}" if contact != DASH else DASH),
        ("contact over cantilever", with_unit(fit.get("stiffness_ratio", np.nan), "", 2)),
        ("adhesion", _adhesion(fit)),
        ("lost / loading work", with_unit(fit["dissipation"], "", 2)),
        ("way back, two-point JKR", _jkr(fit)),
    ]
    return facts_html(rows) + f'<p class="quiet">{zoom}</p>'


def _adhesion(fit: dict[str, float]) -> str:
    force, pull_work = with_unit(fit["adhesion_nN"], "nN", 2), fit.get("adhesion_work_aJ", np.nan)
    return f"{force}, work {work(pull_work)}" if isfinite(pull_work) else force


def _jkr(fit: dict[str, float]) -> str:
    modulus, apart = fit.get("jkr_modulus_kPa", np.nan), fit.get("pull_off_nm", np.nan)
    if not isfinite(modulus):
        return ""
    return f"{with_unit(modulus, 'kPa')}, pull-off {with_unit(apart, 'nm', 2)} past zero force"


def _pair(first: float, first_unit: str, second: float, second_unit: str) -> str:
    return f"{with_unit(float(first), first_unit)}, {with_unit(float(second), second_unit)}"


def scan_html(curve: CurveFacts) -> str:
    """Say what the depth scan of a curve shows."""
    spread = curve.explained.scan_spread
    if not isfinite(spread):
        return '<p class="quiet">Too little of this curve could be fitted for a depth scan.</p>'
    return (
        "<h3>Does the model hold at every depth?</h3>"
        f'<p class="quiet">Contact and baseline refitted each time; bars are 95 %. The modulus '
        f"changes by {plain_number(100 * spread, 2)} % over the scan.</p>"
    )


def why_html(
    site: SiteFacts,
    facts: MapFacts,
    said: MapSaid | None = None,
    settings: MechanicsSettings | None = None,
) -> str:
    """Tell what the map's number is, what it assumes, and what it is uncertain by.

    Parameters
    ----------
    site, facts
        The site and its curves.
    said
        What the run says of the map as a whole; an older one says nothing.
    settings
        Those of the run.
    """
    budget = "" if said is not None and said.sources else _budget(site)
    body = facts_html(_assumptions(site, facts)) + budget + f"<p>{NOT_INDEPENDENT}</p>"
    flags = _map_flags(site, settings) + _flag_counts(facts, settings)
    return (
        folded_html("Why this number", body, shown=True)
        + ("" if said is None else map_folds_html(site, said))
        + folded_html("Flags of the map and its curves", flags)
    )


def _map_flags(site: SiteFacts, settings: MechanicsSettings | None) -> str:
    """List the flags of the map as a whole."""
    known = {flag.name for flag in MAP_FLAGS}
    names = [name for name in split_flags(site.word("flags")) if name in known]
    return flags_html(limited_rows(names, settings, MAP_FLAGS))


def _assumptions(site: SiteFacts, facts: MapFacts) -> list[tuple[str, str]]:
    used = facts.used & np.isfinite(facts.indentation_nm)
    depth = ""
    if used.any():
        low, middle, high = np.percentile(facts.indentation_nm[used], [5, 50, 95])
        depth = f"0 to {middle:.0f} nm ({low:.0f} to {high:.0f} among the curves)"
    return [
        ("what it is", "apparent indentation modulus: median over the curves that count"),
        ("curves", f"{int(facts.used.sum())} of {int(facts.taken.sum())} taken"),
        ("model", model_words(site.assumed)),
        ("tip", tip_row(site)),
        ("depth", depth),
        ("fitted", share_words(site.assumed)),
        ("Poisson ratio", poisson_row(site)),
        ("exponent set free", with_unit(site.number("exponent"), "") + _law_exponent(site)),
    ]


def _law_exponent(site: SiteFacts) -> str:
    return f" (the model says {site.assumed.tip.law.exponent:g})"


def _budget(site: SiteFacts) -> str:
    """Random part beside the part that the probe shares."""
    modulus, shared = site.number("modulus_kPa"), site.number("modulus_syst_rel")
    if not isfinite(modulus):
        return ""
    low, high = site.number("modulus_ci_low_kPa"), site.number("modulus_ci_high_kPa")
    rows = []
    if isfinite(high - low):
        below, above = (plain_number(100 * abs(v / modulus - 1), 2) for v in (low, high))
        rows.append(("between curves", f"−{below} %, +{above} % (95 %)"))
    if isfinite(shared):
        share, size = plain_number(100 * shared, 2), with_unit(shared * modulus, "kPa", 2)
        rows.append(("shared by the probe", f"± {share} % = {size} (1 SD)"))
    note = (
        "The shared part (spring constant, sensitivity, tip) moves all maps of this probe "
        "together: it cancels between them, not against another probe or day."
    )
    return f'<h3>Uncertainty</h3>{facts_html(rows)}<p class="quiet">{note}</p>'


def _flag_counts(facts: MapFacts, settings: MechanicsSettings | None) -> str:
    """Each flag of the map's curves with how many carry it."""
    taken = np.flatnonzero(facts.taken)
    counts = count_flags(facts.flags[i] for i in taken)
    order = [flag.name for flag in FLAGS if counts[flag.name]]
    rows = [
        (f"{words}, {counts[name]} of {len(taken)}", sentence, excludes)
        for name, (words, sentence, excludes) in zip(
            order, limited_rows(order, settings, FLAGS), strict=True
        )
    ]
    return flags_html(rows, "No flag was raised on any curve.")
