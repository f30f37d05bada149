"""What the clips panel says and draws, as HTML."""

from __future__ import annotations

import base64
import io
from html import escape

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from engine.cells.patterns import PATTERNS
from engine.glossary import explain
from engine.view.ramps import pattern_colours
from viewer.card_text import hex_colour
from viewer.clips_facts import ClipFacts

RESEARCH = (
    "Research only. A clip shows a small field through a moving hand: one of three words, or none. "
    "It is no diagnosis."
)
VERDICT_WORDS = {
    "string": "strings",
    "cluster": "clusters",
    "diffuse": "diffuse",
}


def head_html(facts: ClipFacts) -> str:
    """Say what the clip is and what its cells say, or why nothing is said."""
    s = facts.stored
    size = f"{s.frames} frames of {s.cols} × {s.rows}"
    rate = f", {s.rate_Hz:g} a second" if s.rate_Hz else ""
    pixel = f"pixel {s.pixel_um:g} µm" if s.pixel_um else "pixel size not given"
    colour = ", colour read as luminance" if s.colour else ""
    said = f'<p class="quiet">{escape(s.file)}: {size}{rate}; {pixel}{colour}.'
    said += f" {escape(s.note)}</p>" if s.note else "</p>"
    return said + _verdict_html(facts) + f'<p class="caution">{RESEARCH}</p>'


def _verdict_html(facts: ClipFacts) -> str:
    row = facts.row
    if not row:
        return '<p class="refusal">The shown run knows nothing of this clip: analyse anew.</p>'
    named = VERDICT_WORDS.get(str(row["verdict"] or ""), "no pattern named")
    support = row.get("support")
    sure = ""
    if row["verdict"] and support is not None:
        sure = f" <small>named by {100 * support:.0f} % of resampled groups</small>"
    used = (
        f"{row['frames_sharp']} of {row['frames']} frames are sharp, {row['frames_joined']} joined"
    )
    residual = row.get("path_residual_px")
    path = "" if residual is None else f"; the path closes to {residual:.2f} px"
    return (
        f'<p class="number">{named}{sure}</p><p>{escape(str(row["reason"] or ""))}</p>'
        f'<p class="quiet">{used}{path}.</p>{_flags_html(str(row["flags"] or ""))}'
    )


def _flags_html(flags: str) -> str:
    rows = [
        f"<li><b>{escape(name.removeprefix('clip_').replace('_', ' '))}</b> {escape(sentence)}</li>"
        for name, sentence in explain(flags)
    ]
    return f'<ul class="flags">{"".join(rows)}</ul>' if rows else ""


def picture_html(
    pixels: NDArray[np.uint8], label: str, *, width: str = "100%", marked: bool = False
) -> str:
    """One grey picture with a word beneath it."""
    edge = "2px solid var(--chosen)" if marked else "2px solid transparent"
    return (
        f'<figure style="margin:0;width:{width};min-width:0">'
        f'<img src="{data_uri(pixels)}" alt="{escape(label)}" '
        f'style="width:100%;display:block;border:{edge};border-radius:3px">'
        f'<figcaption class="quiet">{escape(label)}</figcaption></figure>'
    )


def strip_html(pictures: list[tuple[int, NDArray[np.uint8]]], facts: ClipFacts) -> str:
    """Lay out the sharpest frame of every stretch of the clip, the sharpest of all marked."""
    parts = []
    for number, pixels in pictures:
        said = f"{number}" + (" sharpest" if number == facts.sharpest else "")
        parts.append(picture_html(pixels, said, marked=number == facts.sharpest))
    columns = f"repeat({max(len(parts), 1)}, minmax(0, 1fr))"
    return (
        '<p class="quiet">Sharpest frame of each stretch of the clip</p>'
        f'<div style="display:grid;grid-template-columns:{columns};gap:6px">{"".join(parts)}</div>'
    )


def mosaic_html(facts: ClipFacts, dark: bool) -> str:
    """Draw the mosaic of the sharp frames, its cells in the colour of their group's pattern."""
    if facts.mosaic is None:
        return '<p class="refusal">No frame is sharp enough for a mosaic.</p>'
    rows, cols = facts.mosaic.shape
    colours = [hex_colour(rgb) for rgb in pattern_colours(dark)]
    radius = 4.5 / (facts.stored.pixel_um or 1.0)
    rings = "".join(
        f'<circle cx="{x + 0.5:.1f}" cy="{y + 0.5:.1f}" r="{radius:.1f}" fill="none" '
        f'stroke="{colours[p]}" stroke-width="{0.3 * radius:.2f}"/>'
        for (x, y), p in zip(facts.cells_px, facts.pattern, strict=True)
    )
    assert facts.covered is not None
    uri = data_uri(facts.mosaic, facts.covered)
    label = "mosaic of the sharp frames, cells ringed in the colour of their pattern"
    return (
        f'<svg viewBox="0 0 {cols} {rows}" preserveAspectRatio="xMinYMid meet" '
        f'role="img" aria-label="{label}" '
        'style="width:100%;max-height:330px;display:block">'
        f'<image href="{uri}" width="{cols}" height="{rows}"/>{rings}{_bar(facts)}</svg>'
        f'<p class="quiet">Mosaic of {len(facts.sharp.nonzero()[0])} sharp frames'
        f"{_bar_words(facts, cols)}{_legend(facts, colours)}</p>"
    )


def _bar(facts: ClipFacts) -> str:
    """Draw a scale bar at the lower left of the mosaic; nothing without a pixel size."""
    assert facts.mosaic is not None
    rows, cols = facts.mosaic.shape
    pixel_um = facts.stored.pixel_um
    if pixel_um is None:
        return ""
    length_um = next((v for v in (200, 100, 50, 20, 10) if v / pixel_um < 0.4 * cols), 5)
    size, x, y = 0.035 * rows, 0.02 * cols, 0.96 * rows
    return (
        f'<rect x="{x:.1f}" y="{y:.1f}" width="{length_um / pixel_um:.1f}" '
        f'height="{0.25 * size:.1f}" fill="#fff" stroke="#000" stroke-width="0.5"/>'
        f'<text x="{x:.1f}" y="{y - 0.4 * size:.1f}" font-size="{size:.1f}" fill="#fff" '
        f'stroke="#000" stroke-width="{0.12 * size:.2f}" paint-order="stroke">'
        f"{length_um} µm</text>"
    )


def _bar_words(facts: ClipFacts, cols: int) -> str:
    return f", {cols * facts.stored.pixel_um:.0f} µm wide" if facts.stored.pixel_um else ""


def _legend(facts: ClipFacts, colours: list[str]) -> str:
    """Name the colours of the rings that are there."""
    there = np.unique(facts.pattern).tolist()
    marks = [
        f'<span style="color:{colours[p]}">●</span> {PATTERNS[p].replace("_", " ")}' for p in there
    ]
    return ". " + " &nbsp;".join(marks) if marks else "."


def data_uri(pixels: NDArray[np.uint8], covered: NDArray[np.bool_] | None = None) -> str:
    """Write a grey picture as the address of its own bytes; what is not covered is clear."""
    image = Image.fromarray(pixels)
    if covered is not None:
        image.putalpha(Image.fromarray(np.where(covered, 255, 0).astype(np.uint8)))
    out = io.BytesIO()
    image.save(out, "WEBP", lossless=covered is not None, quality=82)
    return "data:image/webp;base64," + base64.b64encode(out.getvalue()).decode("ascii")
