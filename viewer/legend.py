"""What the colours of the plane mean: the five patterns, the map of a quantity, what is hollow."""

from __future__ import annotations

from html import escape

from engine.cells.patterns import PATTERNS
from engine.view.ramps import ColourScale, lookup
from viewer.theme import pattern_glyph, pattern_hex

BAR_PX = 168


def number(value: float) -> str:
    """Write a number for people: three significant digits, no exponent where it can be helped.

    Examples
    --------
    >>> number(0.30000000000000004), number(1250.0), number(2e-5)
    ('0.3', '1250', '2e-05')
    """
    rounded = float(f"{value:.4g}")
    return f"{rounded:.0f}" if rounded == int(rounded) and abs(rounded) < 1e6 else f"{rounded:g}"


def legend_html(
    scale: ColourScale | None, of: str, dark: bool, patterns: bool, curves_hollow: bool
) -> str:
    """Return the legend as HTML.

    Parameters
    ----------
    scale
        The map of the chosen quantity; None where patterns are the colours.
    of
        What is coloured: ``sites`` or ``cells``.
    dark
        Theme.
    patterns
        Whether cells are shown in the colours of their patterns.
    curves_hollow
        Whether points of force maps are shown, hollow where a curve does not count.
    """
    parts = []
    if scale is not None:
        parts.append(_bar(scale, of))
    if patterns:
        parts.append(_patterns(dark))
    notes = [_mark("hollow", "no value")]
    if of == "sites":
        notes.append(_mark("crossed", "off the tissue"))
    if curves_hollow:
        notes.append(_mark("ring", "curve not used"))
    parts.append(f'<div class="notes">{"".join(notes)}</div>')
    return "".join(parts)


def _bar(scale: ColourScale, of: str) -> str:
    stops = lookup(scale.kind)[::15]
    gradient = ", ".join(f"rgb({r} {g} {b})" for r, g, b in stops.tolist())
    ticks = _apart(scale)
    marks = "".join(
        f'<span style="left:{100 * place:.2f}%">{escape(number(value))}</span>'
        for value, place in ticks
    )
    unit = f" <i>{escape(scale.unit)}</i>" if scale.unit else ""
    log = " <i>(log)</i>" if scale.logarithmic else ""
    return (
        f'<div class="quantity"><b>{escape(scale.label)}</b>{unit}{log}'
        f'<span class="of">{escape(of)}</span></div>'
        f'<div class="ramp" style="width:{BAR_PX}px;background:linear-gradient(90deg,{gradient})">'
        f'</div><div class="ticks" style="width:{BAR_PX}px">{marks}</div>'
    )


def _apart(scale: ColourScale) -> list[tuple[float, float]]:
    """Choose ticks that do not run into each other; both ends always stay."""
    places = [(value, float(scale.fraction(value))) for value in scale.ticks()]
    kept = [places[0], places[-1]] if len(places) > 1 else places
    for entry in places[1:-1]:
        if all(abs(entry[1] - other[1]) > 0.15 for other in kept):
            kept.append(entry)
    return sorted(kept)


def _patterns(dark: bool) -> str:
    colours = pattern_hex(dark)
    items = "".join(
        f"<li>{pattern_glyph(name, colours[name])}{escape(name.replace('_', ' '))}</li>"
        for name in PATTERNS
    )
    return f'<div class="quantity"><b>cell pattern</b></div><ul class="patterns">{items}</ul>'


def _mark(shape: str, text: str) -> str:
    return f'<span class="note"><span class="mark {shape}"></span>{escape(text)}</span>'
