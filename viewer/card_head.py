"""The head of the site card: what and where, the verdict, the number with its unit."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np

from engine.cells import FLAGS as CELL_FLAGS
from engine.collagen import FLAGS as IMAGE_FLAGS
from engine.flags import Flag
from engine.frames import FLAGS as FRAME_FLAGS
from engine.mechanics import FLAGS as CURVE_FLAGS
from engine.mechanics import MAP_FLAGS, MechanicsSettings
from viewer.card_facts import MapFacts, SiteFacts
from viewer.card_figures import Look
from viewer.card_flags import named_html
from viewer.card_model_words import depth_words, law_words, share_words
from viewer.card_text import (
    count_flags,
    flag_rows,
    glyph_svg,
    pattern_words,
    split_flags,
    tip_words,
    value_and_interval,
    with_unit,
)
from viewer.theme import pattern_hex

FACE_WORDS = {"curves": "curves", "network": "network", "cells": "cells"}
KIND_WORDS = {"bead-map": "stiffness map", "nano-image": "nanometre image"}
NOTHING = (
    '<p class="quiet">No site is selected. Click one on the disc, or walk through them with the '
    "keys [ and ]: here stands what was measured there, and why its number is what it is.</p>"
)
_UNREAD = "Not analysed yet."
_WITH_CARE = "To be read with care:"
_FLAGS: dict[str, Sequence[Flag]] = {
    "curves": (*MAP_FLAGS, *CURVE_FLAGS),
    "network": IMAGE_FLAGS,
    "cells": (*CELL_FLAGS, *FRAME_FLAGS),
}
_HARMLESS = {
    "row_jitter_removed", "wider_window", "spike", "thin_layer", "tilt", "frame_extrapolated",
    "baseline_drift", "contact_drift",
}  # fmt: skip
"""Flags that tell what was mended: no reason to read a number with more care."""


def head_html(facts: SiteFacts) -> str:
    """Tell the site's name, kind, probe and place, the run, and every caution."""
    stored = facts.stored
    x, y = stored.footprint.centre_um
    kind = KIND_WORDS.get(stored.kind, stored.kind)
    size = f"{stored.footprint.width_um:.3g} × {stored.footprint.height_um:.3g} µm"
    note = f'<p class="quiet">“{escape(stored.note)}”</p>' if stored.note else ""
    cautions = [c.sentence for c in stored.cautions]
    if facts.stale:
        cautions.insert(0, f"{facts.run} is stale: {facts.stale}")
    warned = "".join(f'<p class="caution">{escape(text)}</p>' for text in cautions)
    run = f"{facts.run}" if facts.run else "not analysed"
    return (
        f'<h2>{escape(stored.site)} <span class="plain">{escape(kind)}, {size}</span>'
        f'<span class="run">{escape(run)}</span></h2>'
        f'<p class="quiet">probe {escape(stored.probe)} ({escape(tip_words(facts.probe))})<br>'
        f"x {with_unit(x, 'µm', 5)}, y {with_unit(y, 'µm', 5)} on the disc, u at "
        f"{stored.footprint.rotation_deg:.0f}°</p>{note}{warned}"
    )


def number_html(
    facts: SiteFacts,
    face: str,
    look: Look,
    found: MapFacts | None = None,
    settings: MechanicsSettings | None = None,
) -> str:
    """Give the number of a face with its interval and unit, and the verdict.

    Parameters
    ----------
    facts, face, look
        The site, the face that is shown, and the colours.
    found
        Its fitted curves, where there are any: what most of them carry counts for the map.
    settings
        Those of the run's force curves, for the limits behind the flags.
    """
    if not facts.run:
        return f"<p>{_UNREAD}</p>"
    number = {"curves": _modulus, "network": _thickness, "cells": _pattern}[face](facts, look)
    return f'{number}<p class="verdict">{_verdict_html(facts, face, found, settings)}</p>'


def _big(number: str, unit: str, interval: str, label: str) -> str:
    spread = f'<span class="interval">95 % interval {interval}</span>' if interval else ""
    return (
        f'<div class="headline"><span class="number">{number} <small>{escape(unit)}</small></span>'
        f"{spread}</div>"
        f'<p class="quiet">{escape(label)}</p>'
    )


def _modulus(facts: SiteFacts, _look: Look) -> str:
    value, interval = value_and_interval(
        facts.number("modulus_kPa"),
        facts.number("modulus_ci_low_kPa"),
        facts.number("modulus_ci_high_kPa"),
    )
    label = "apparent indentation modulus, median of the map"
    depth = depth_words(facts)
    if depth:
        fitted = share_words(facts.assumed)
        label += f"; {law_words(facts.assumed)}, {depth}"
        label += f", {fitted}" if fitted else ""
    return _big(value, "kPa", f"{interval} kPa" if interval else "", label)


def _thickness(facts: SiteFacts, _look: Look) -> str:
    value, interval = value_and_interval(
        facts.number("fibril_thickness_p95_nm"),
        facts.number("fibril_thickness_p95_ci_low_nm"),
        facts.number("fibril_thickness_p95_ci_high_nm"),
    )
    label = "fibril thickness, 95th percentile by length, tip dilation corrected"
    return _big(value, "nm", f"{interval} nm" if interval else "", label)


def _pattern(facts: SiteFacts, look: Look) -> str:
    name = facts.word("pattern")
    if not name:
        return '<p class="number">no pattern</p>'
    glyph = glyph_svg(name, pattern_hex(look.dark)[name], 26)
    index, sure = facts.number("pattern_index"), facts.number("pattern_confidence")
    label = f"index {index:.2f} (0 string to 4 diffuse), confidence {sure:.2f}"
    unsure = "pattern_ambiguous" in split_flags(facts.word("flags"))
    doubt = " <small>ambiguous</small>" if unsure else ""
    return (
        f'<p class="number">{glyph} {escape(pattern_words(name))}{doubt}</p>'
        f'<p class="quiet">{label}</p>'
    )


def site_flags(facts: SiteFacts, face: str, found: MapFacts | None = None) -> list[str]:
    """Names of the flags of a face: the site's own, and those that most used curves carry."""
    known = {flag.name for flag in _FLAGS[face]}
    own = [name for name in split_flags(facts.word("flags")) if name in known]
    if face != "curves" or found is None:
        return own
    used = np.flatnonzero(found.used)
    counts = count_flags(found.flags[i] for i in used)
    common = [f.name for f in CURVE_FLAGS if 2 * counts[f.name] > len(used)]
    return own + [name for name in common if name not in own]


def _verdict_html(
    facts: SiteFacts, face: str, found: MapFacts | None, settings: MechanicsSettings | None
) -> str:
    """Give the verdict; each flag that it names explains itself in a tooltip."""
    names = site_flags(facts, face, found)
    text = verdict(facts, face, found)
    if not text.startswith(_WITH_CARE):
        return escape(text)
    careful = [name for name in names if name not in _HARMLESS]
    return f"{_WITH_CARE} {named_html(careful, settings, _FLAGS[face])}."


def verdict(facts: SiteFacts, face: str, found: MapFacts | None = None) -> str:
    """Say in one sentence how far the number of a face can be used."""
    if face == "cells" and not facts.word("pattern"):
        return "No pattern is given: too few cells, even in the widest window."
    rows = flag_rows(site_flags(facts, face, found), _FLAGS[face])
    for words, sentence, excludes in rows:
        if excludes or words == "not quotable":
            return f"Not to be quoted. {sentence}"
    careful = [w for w, _, _ in rows if w.replace(" ", "_") not in _HARMLESS]
    if careful:
        return f"{_WITH_CARE} {', '.join(careful)}."
    return {
        "curves": "Sound: no flag on the map or on most of its curves.",
        "network": "Sound: no flag that limits it.",
        "cells": "Clear: the pattern holds when cells are dropped or moved a little.",
    }[face]
