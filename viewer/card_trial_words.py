"""The words of a trial: before and after of a map, and of one curve whose contact was moved."""

from __future__ import annotations

from math import isfinite

from engine.mechanics import ContactTrial, MapModulus
from viewer.card_text import plain_number, value_and_interval, with_unit
from viewer.card_trial_facts import TrialOutcome

MARK = '<span class="mark">trial</span>'
NOT_STORED = "A trial: nothing that is stored changes, and it is gone with the next site."


def trial_html(outcome: TrialOutcome, changed: bool) -> str:
    """Say what the trial does to the map."""
    if not changed:
        return (
            f'<p class="quiet">{MARK} Change a setting to see the whole map fitted anew. '
            f"{NOT_STORED}</p>"
        )
    change = outcome.change
    shift = f"{_percent(change.median_ratio)}, median over the curves used both times"
    depths = " → ".join(f"{s.indentation_nm:.0f}" for s in (outcome.before, outcome.after))
    rows = (
        ("", "before", "as tried"),
        ("median (kPa)", *(_median(s)[0] for s in (outcome.before, outcome.after))),
        ("95 % interval", *(_median(s)[1] for s in (outcome.before, outcome.after))),
        ("curves used", str(change.used_before), str(change.used_after)),
    )
    some = f" Fitted here: {outcome.spread}." if outcome.spread else ""
    cells = "".join(
        f"<tr><th>{name}</th><td>{before}</td><td>{after}</td></tr>" for name, before, after in rows
    )
    return (
        f'<table class="trial">{cells}</table><p>{MARK} <b>{shift}</b>; depth {depths} nm.</p>'
        f'<p class="quiet">{NOT_STORED}{some}</p>'
    )


def _median(summary: MapModulus) -> tuple[str, str]:
    number, interval = value_and_interval(
        summary.median_kPa, summary.ci_low_kPa, summary.ci_high_kPa
    )
    return number, interval or "none: too few curves"


def _percent(ratio: float) -> str:
    if not isfinite(ratio):
        return "no curve is used both times"
    sign = "+" if ratio > 1 else "\N{MINUS SIGN}" if ratio < 1 else "±"
    size = abs(100 * (ratio - 1))
    return f"{sign}{size:.{1 if size >= 10 else 2}f} %"


def contact_html(trial: ContactTrial, from_fit_nm: float, modulus_kPa: float) -> str:
    """Say what a moved contact does to the modulus of a curve."""
    way = "later" if from_fit_nm > 0 else "earlier"
    place = f"Contact {with_unit(abs(from_fit_nm), 'nm')} {way} than fitted"
    if not isfinite(trial.modulus_kPa):
        return f"<p>{MARK} {place}: no fit is possible there.</p>"
    return (
        f"<p>{MARK} {place}: <b>{with_unit(trial.modulus_kPa, 'kPa')}</b> instead of "
        f"{with_unit(modulus_kPa, 'kPa')} ({_percent(trial.modulus_ratio)}); the residual is "
        f"{plain_number(trial.misfit, 2)} times that of the fit.</p>"
    )


CONTACT_HINT = (
    '<p class="quiet">Drag the upright line through the contact, or move the slider, to put the '
    "contact elsewhere: modulus, model and residual follow. Nothing is stored.</p>"
)
