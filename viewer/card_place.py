"""How sure a site's place in the disc is, in words: landmarks, and what the pattern makes of it."""

from __future__ import annotations

from math import isfinite

import numpy as np

from engine.frame_quality import FLAGS
from engine.frames import Frame
from viewer.card_facts import SiteFacts
from viewer.card_text import facts_html, flag_rows, flags_html, pattern_words, with_unit

_PLAIN = (
    "The folder has no landmarks: stage and mosaic are taken as one frame, and how well that holds "
    "is not known."
)
_UNJUDGED = (
    "There are as many landmarks as the frame needs and none to check it with: how far the place "
    "is off is not known."
)


def place_html(facts: SiteFacts, frame: Frame) -> str:
    """Tell how sure the place is, and whether the pattern depends on it.

    Parameters
    ----------
    facts
        The site.
    frame
        The frame its place was had by.
    """
    head = "<h3>How sure the place is</h3>"
    if frame.method == "identity":
        return f'{head}<p class="quiet">{_PLAIN}</p>'
    flags = flags_html(flag_rows(list(frame.flags), FLAGS))
    if "position_se_um" not in facts.row:
        return head + facts_html(_landmark_rows(frame)) + flags
    error, radius = facts.number("position_se_um"), facts.number("position_95_um")
    if not isfinite(error):
        return f'{head}<p class="quiet">{_UNJUDGED}</p>' + facts_html(_landmark_rows(frame)) + flags
    rows = [
        ("error to expect", with_unit(error, "µm", 2)),
        ("95 % within", with_unit(radius, "µm", 2)),
        *_pattern_rows(facts),
        *_landmark_rows(frame),
    ]
    note = (
        '<p class="quiet">From the landmarks alone; how well the stage comes back to a place is '
        "not in it.</p>"
    )
    return head + facts_html(rows) + flags + note


def _pattern_rows(facts: SiteFacts) -> list[tuple[str, str]]:
    stability, spread = facts.number("pattern_stability"), facts.number("pattern_index_position_sd")
    rows = []
    if isfinite(stability):
        beside = facts.word("pattern_beside")
        other = f", else mostly {pattern_words(beside)}" if beside else ""
        rows.append(("pattern kept when shifted so", f"{100 * stability:.0f} %{other}"))
    if isfinite(spread):
        rows.append(("index varies by", f"± {spread:.2f}"))
    return rows


def _landmark_rows(frame: Frame) -> list[tuple[str, str]]:
    mirror = ", mirrored" if frame.mirrored else ""
    rows = [
        ("landmarks", f"{len(frame.names)} ({frame.method}{mirror})"),
        ("residual, rms", with_unit(frame.rms_um, "µm", 2)),
    ]
    left_out = frame.leave_one_out_um[np.isfinite(frame.leave_one_out_um)]
    if len(left_out):
        rms = float(np.sqrt(np.mean(left_out**2)))
        rows.append(("left out in turn, rms", f"{with_unit(rms, 'µm', 2)} (cautious, about twice)"))
    return rows
