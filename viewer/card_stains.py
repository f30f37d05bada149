"""The cells face's words on stains in the window, and on how surely the disc's cells were found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from math import isfinite
from typing import Any

import numpy as np

from engine.cells import FLAGS as CELL_FLAGS
from engine.stains import FLAGS, stems
from viewer.card_facts import SiteFacts
from viewer.card_text import flag_rows, flags_html, split_flags

_METHODS = {
    "sharpness_gate": "peaks that are sharp, wide and bright enough",
    "watershed": "touching nuclei split by watershed",
    "none": "nothing to find",
}


def stains_html(facts: SiteFacts, channels: Sequence[str]) -> str:
    """Tell every stain's brightness in the site's window; empty where a run has none.

    Parameters
    ----------
    facts
        The site.
    channels
        Names of the mosaic's channels.
    """
    lines = []
    for name, stem in zip(channels, stems(channels), strict=True):
        if f"{stem}_window_counts" not in facts.row:
            return ""
        numbers = [
            facts.number(f"{stem}_{what}")
            for what in ("window_counts", "cells_counts", "window_saturated")
        ]
        cells = "".join(f"<td>{word}</td>" for word in _words(*numbers))
        lines.append(f"<tr><td>{escape(name)}</td>{cells}</tr>")
    flags = [n for n in split_flags(facts.word("flags")) if n in {flag.name for flag in FLAGS}]
    return (
        "<h3>Stains of the window, counts</h3>"
        '<table class="trial"><tr><td></td><td>window</td><td>its nuclei</td>'
        f"<td>saturated</td></tr>{''.join(lines)}</table>"
        '<p class="quiet">Window: mean above the surround of the disc. Nuclei: median of their '
        "means, each above the ground in a ring round it. Saturated: share of the window's pixels "
        "at the top of the camera's range.</p>" + flags_html(flag_rows(flags, FLAGS))
    )


def _words(window: float, cells: float, saturated: float) -> tuple[str, str, str]:
    counts = [_whole(value) if isfinite(value) else "–" for value in (window, cells)]
    share = "–" if not isfinite(saturated) else "0 %" if not saturated else f"{saturated:.1%}"
    return counts[0], counts[1], share


def _whole(value: float) -> str:
    text = f"{value:,.0f}"
    return text.replace("-", "\N{MINUS SIGN}").replace(",", "\N{NARROW NO-BREAK SPACE}")


def found_html(detail: Mapping[str, Any]) -> str:
    """Tell how the disc's cells were found, and how their number hangs on the threshold.

    Parameters
    ----------
    detail
        What the run keeps of the cells; empty words where it is older and keeps no counts.
    """
    counts = np.asarray(detail.get("counts", ()), dtype=float).reshape(-1)
    levels = np.asarray(detail.get("count_thresholds", ()), dtype=float).reshape(-1)
    if len(counts) != 3 or len(levels) != 3:
        return ""
    low, mid, high = (int(count) for count in counts)
    method = _METHODS.get(str(detail.get("method")), "")
    parts = [f"<p>{_whole(mid)} on the disc: {method}.</p>"]
    if mid:
        factors = levels / levels[1] if levels[1] > 0 else np.ones(3)
        most = max(low - mid, mid - high) / mid
        parts.append(
            f"<p>With the faintest contrast that counts at {factors[0]:.2g} or {factors[2]:.2g} "
            f"times its setting there are {_whole(low)} or {_whole(high)}: "
            f"{'no change' if not most else f'a change of up to {most:.1%}'}.</p>"
        )
    parts.append(f'<p class="quiet">{escape(str(detail.get("note", "")))}</p>')
    flags = flags_html(flag_rows(split_flags(detail.get("flags")), CELL_FLAGS))
    return "<h3>How the cells were found</h3>" + "".join(parts) + flags
