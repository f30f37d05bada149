"""The words and numbers of the site card: text in, escaped HTML out, nothing of Panel."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from math import floor, isfinite, log10

import numpy as np

from engine.flags import Flag
from viewer.theme import pattern_glyph

DASH = "–"
NOT_INDEPENDENT = (
    "The curves of one map share one piece of tissue and are not independent: the map counts as "
    "one site, whatever the number of its curves."
)

SHAPE_WORDS = {
    "sphere": "exact sphere on a half-space",
    "paraboloid": "paraboloid on a half-space",
    "cone": "cone on a half-space",
    "pyramid": "four-sided pyramid on a half-space",
    "capped_cone": "paraboloid-capped cone on a half-space",
    "truncated_cone": "flat-truncated cone on a half-space",
}
"""Contact models as a reader is told them, by name of the law."""

_EXCLUDING_WORD = "left out"


def decimals_for(uncertainty: float) -> int:
    """Decimals that show an uncertainty with two digits (none where it is 10 or more)."""
    if not isfinite(uncertainty) or uncertainty <= 0:
        return 2
    return max(0, 1 - floor(log10(uncertainty)))


def plain_number(value: float, digits: int = 3) -> str:
    """Write a number with some significant digits and no exponent; a dash where there is none."""
    if value is None or not isfinite(value):
        return DASH
    if value == 0:
        return "0"
    decimals = max(0, digits - 1 - floor(log10(abs(value))))
    return _signed(f"{value:,.{min(decimals, 6)}f}")


def _signed(text: str) -> str:
    # a hyphen is too short beside tabular figures; thin spaces group thousands
    return text.replace("-", "\N{MINUS SIGN}").replace(",", "\N{NARROW NO-BREAK SPACE}")


def with_unit(value: float, unit: str, digits: int = 3) -> str:
    """Write a number and its unit; a dash alone where there is no number."""
    text = plain_number(value, digits)
    space = "" if unit == "°" else "\N{NO-BREAK SPACE}"
    return text if text == DASH or not unit else f"{text}{space}{unit}"


def plus_minus(value: float, error: float, unit: str) -> str:
    """Write a value with its standard error, both to the error's second digit."""
    if not isfinite(value):
        return DASH
    if not isfinite(error) or error <= 0:
        return with_unit(value, unit)
    decimals = decimals_for(error)
    number, spread = (_signed(f"{v:,.{decimals}f}") for v in (value, error))
    return f"{number}\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}{spread}\N{NO-BREAK SPACE}{unit}".rstrip()


def value_and_interval(value: float, low: float, high: float) -> tuple[str, str]:
    """Write a value and its interval, digits after the interval; dashes where there is none."""
    if not isfinite(value):
        return DASH, ""
    if not (isfinite(low) and isfinite(high)) or high <= low:
        return plain_number(value), ""
    decimals = decimals_for(high - low)
    number, lower, upper = (_signed(f"{v:,.{decimals}f}") for v in (value, low, high))
    return number, f"{lower} to {upper}"


def tip_words(probe: Mapping[str, object]) -> str:
    """Tell shape and sizes of a probe's tip."""
    words = [str(probe["shape"])]
    radius_um = probe.get("radius_um")
    if isinstance(radius_um, int | float):
        words.append(f"R {radius_um:.4g} µm" if radius_um >= 0.5 else f"R {radius_um * 1e3:.4g} nm")
    elif probe["shape"] in ("cone", "pyramid"):
        words.append("apex radius unknown")
    angle = probe.get("half_angle_deg")
    if isinstance(angle, int | float):
        words.append(f"half-angle {angle:.3g}°")
    return ", ".join(words)


def flag_rows(names: Sequence[str], *sources: Sequence[Flag]) -> list[tuple[str, str, bool]]:
    """Give name in words, sentence, and whether it excludes, for each flag that is set.

    Parameters
    ----------
    names
        Names as the tables hold them.
    sources
        The parts' lists of flags, searched in turn; a name none of them knows stands for itself.
    """
    known = {flag.name: flag for flags in reversed(sources) for flag in flags}
    rows = []
    for name in names:
        flag = known.get(name)
        words = name.replace("_", " ")
        rows.append((words, flag.sentence if flag else "", bool(flag and flag.excludes)))
    return rows


def split_flags(text: object) -> list[str]:
    """Names in a table's flags column."""
    return [name for name in text.split(";") if name] if isinstance(text, str) else []


def count_flags(texts: Iterable[object]) -> Counter[str]:
    """Count how many flags columns carry each name; a map of 256 x 256 has few different ones."""
    counts: Counter[str] = Counter()
    for text, times in Counter(texts).items():
        for name in set(split_flags(text)):
            counts[name] += times
    return counts


def flags_html(rows: Iterable[tuple[str, str, bool]], nothing: str = "") -> str:
    """List flags, each with its sentence; those that exclude are marked by a word, not a colour."""
    items = []
    for words, sentence, excludes in rows:
        mark = f'<span class="mark">{_EXCLUDING_WORD}</span> ' if excludes else ""
        items.append(f"<li>{mark}<b>{escape(words)}</b> {escape(sentence)}</li>")
    if not items:
        return f'<p class="quiet">{escape(nothing)}</p>' if nothing else ""
    return f'<ul class="flags">{"".join(items)}</ul>'


def facts_html(rows: Iterable[tuple[str, str]]) -> str:
    """Two columns, what and how much; rows without a value are left out."""
    cells = "".join(
        f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>" for name, value in rows if value
    )
    return f'<dl class="facts">{cells}</dl>'


def folded_html(title: str, body: str, shown: bool = False) -> str:
    """Make a part that unfolds on a click or on Enter."""
    return f"<details{' open' if shown else ''}><summary>{escape(title)}</summary>{body}</details>"


def glyph_svg(pattern: str, colour: str, side_px: int = 18) -> str:
    """Draw a pattern's glyph as inline SVG that stands in a line of text."""
    return f'<span class="glyph">{pattern_glyph(pattern, colour, side_px)}</span>'


def pattern_words(pattern: str) -> str:
    """Name of a pattern in words; ``none`` where there is none."""
    return pattern.replace("_", " ") if pattern else "none"


def hex_colour(rgb: np.ndarray[tuple[int, ...], np.dtype[np.uint8]] | Sequence[int]) -> str:
    """Write three bytes as a web colour."""
    return "#" + "".join(f"{int(c):02x}" for c in rgb[:3])
