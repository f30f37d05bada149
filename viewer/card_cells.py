"""The cells face of the site card: the cells round the site, their patterns, and why."""

from __future__ import annotations

from html import escape
from math import isfinite
from typing import Any

from engine.cells import FLAGS
from engine.cells.patterns import PATTERNS
from engine.frames import EXTRAPOLATED
from engine.frames import FLAGS as FRAME_FLAGS
from viewer.card_cells_facts import LARGEST_WINDOW_UM, CellsFacts, cells_facts
from viewer.card_facts import SiteFacts
from viewer.card_figures import Look
from viewer.card_parts import Switch, column, row, text_pane
from viewer.card_parts import figure_pane as pane
from viewer.card_place import place_html
from viewer.card_stains import found_html, stains_html
from viewer.card_text import (
    facts_html,
    flag_rows,
    flags_html,
    glyph_svg,
    pattern_words,
    split_flags,
    with_unit,
)
from viewer.card_window import WindowPicture
from viewer.groups import ambiguous_words, confidence_words, size_words
from viewer.library import Library
from viewer.theme import pattern_hex

NO_RUN = '<p class="refusal">This disc was not analysed yet: its cells were not looked for.</p>'
CLICK = (
    '<p class="quiet">The tilted square is the site. Click a cell for its group and the rule that '
    "decided its pattern.</p>"
)


class CellsFace:
    """What the cells round a site look like, and why they were graded as they were."""

    def __init__(self, look: Look, library: Library) -> None:
        self._library = library
        self._look = look
        self._facts: CellsFacts | None = None
        self._picture = WindowPicture(look, self._group_chosen)
        self._group = text_pane(look)
        self._shares = text_pane(look)
        self._why = text_pane(look)
        mosaic = Switch(look, "nuclei as seen", True, self._picture.show_mosaic)
        self._body = column(
            row(mosaic.button),
            pane(self._picture.fig),
            self._group,
            self._shares,
        )
        self.view: Any = column(self._body, self._why)

    def show(self, facts: SiteFacts) -> None:
        """Show a site."""
        found = cells_facts(self._library, facts)
        self._facts = found
        self._body.visible = found is not None
        if found is None:
            self._why.object = NO_RUN
            return
        self._picture.show(found)
        self._group.object = CLICK
        self._shares.object = shares_html(facts, self._look.dark)
        store = self._library.store(facts.disc)
        place = place_html(facts, store.frame)
        stains = stains_html(facts, store.info["channels"])
        found_by = found_html(self._library.cells_detail(facts.disc))
        self._why.object = why_html(facts, found) + stains + place + found_by

    def _group_chosen(self, group: int | None) -> None:
        if self._facts is None:
            return
        row_of = None if group is None else self._facts.groups.get(group)
        self._group.object = group_html(row_of, self._look.dark) if row_of else CLICK


def group_html(group: dict[str, Any], dark: bool) -> str:
    """Tell about one group: pattern, size, and the rule in words."""
    pattern = str(group["pattern"])
    glyph = glyph_svg(pattern, pattern_hex(dark)[pattern]) if pattern in PATTERNS else ""
    doubt = ambiguous_words(group)
    unsure = f" The pattern is {doubt}." if doubt else ""
    rule = escape(str(group.get("rule") or ""))
    return (
        f"<h3>{glyph} {escape(pattern_words(pattern))}</h3>"
        f"<p>{escape(size_words(group))} {escape(confidence_words(group))}</p>"
        f"<p>{rule}.{escape(unsure)}</p>"
    )


def shares_html(facts: SiteFacts, dark: bool) -> str:
    """Shares of the window's cells in each pattern, as bars beside the glyphs."""
    colours = pattern_hex(dark)
    lines = []
    for pattern in PATTERNS:
        share = facts.number(f"fraction_{pattern}")
        if not isfinite(share):
            return ""
        now = ' class="now"' if pattern == facts.word("pattern") else ""
        lines.append(
            f"{glyph_svg(pattern, colours[pattern])}<span{now}>{escape(pattern_words(pattern))}"
            f'</span><span class="share">{100 * share:.0f} %</span><span class="fill" '
            f'style="width:{100 * share:.1f}%;background:{colours[pattern]}"></span>'
        )
    return f'<h3>Shares of the window\'s cells</h3><div class="patterns">{"".join(lines)}</div>'


def why_html(facts: SiteFacts, found: CellsFacts) -> str:
    """Tell what the pattern rests on."""
    index, confidence = facts.number("pattern_index"), facts.number("pattern_confidence")
    count = int(found.inside.sum())
    side = f"{found.window_um:g} µm"
    if not facts.word("pattern"):
        refusal = (
            f'<p class="refusal">Too few cells: {count} in a square of {side} round the site, and '
            "a pattern needs at least three. No pattern is given.</p>"
        )
    else:
        refusal = ""
    rows = [
        ("index", f"{index:.2f} of 4" if isfinite(index) else ""),
        ("confidence", f"{confidence:.2f} of 1" if isfinite(confidence) else ""),
        ("cells in the window", str(count)),
        ("density", with_unit(facts.number("cell_density_per_mm2"), "per mm²")),
    ]
    known = {*(flag.name for flag in FLAGS), EXTRAPOLATED}
    flags = [name for name in split_flags(facts.word("flags")) if name in known]
    window = (
        f'<p class="quiet">The window is {side} a side, along the disc\'s axes; wider ones (up to '
        f"{LARGEST_WINDOW_UM:g} µm) are used only where it holds fewer than three cells. Groups "
        "that reach into it count by their cells in it.</p>"
    )
    return (
        "<h3>Why this pattern</h3>"
        + refusal
        + facts_html(rows)
        + flags_html(flag_rows(flags, FLAGS, FRAME_FLAGS))
        + window
    )
