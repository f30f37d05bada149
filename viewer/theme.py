"""Colours, type and sizes of the page, dark and light; the same for every part."""

from __future__ import annotations

from dataclasses import dataclass

from engine.cells.patterns import PATTERNS
from engine.view.glyphs import PATTERN_GLYPHS
from engine.view.picture import PAPER
from engine.view.ramps import pattern_colours

FONT = "system-ui, 'Segoe UI', 'Noto Sans', 'Liberation Sans', 'DejaVu Sans', sans-serif"
"""The system's own sans-serif: nothing is fetched."""
SMALL_PX, BODY_PX, LARGE_PX = 12, 14, 22
"""The three sizes of type."""


@dataclass(frozen=True)
class Palette:
    """Colours of one theme, as #rrggbb.

    Attributes
    ----------
    page, surface, raised
        Grounds: the page, the cards on it, what lies on a card.
    plane
        Ground of the plane, the grey the pictures are drawn on.
    line
        Rules and edges.
    text, quiet
        Text, and text that steps back.
    accent
        What is selected; nothing else has it.
    caution
        Warnings.
    regions
        Regions A, B, C, D.
    """

    page: str
    surface: str
    raised: str
    plane: str
    line: str
    text: str
    quiet: str
    accent: str
    caution: str
    regions: tuple[str, str, str, str]


def _grey(level: int) -> str:
    return f"#{level:02x}{level:02x}{level:02x}"


DARK = Palette(
    page="#0b0b0b",
    surface="#161616",
    raised="#212121",
    plane=_grey(PAPER[True]),
    line="#333333",
    text="#ededed",
    quiet="#a3a3a3",
    accent="#ff6a3d",
    caution="#f0b429",
    regions=("#5ab4ff", "#ffd166", "#7bd88f", "#d6a2ff"),
)
LIGHT = Palette(
    page="#e9e9e8",
    surface="#ffffff",
    raised="#f3f3f2",
    plane=_grey(PAPER[False]),
    line="#d2d2d0",
    text="#1a1a1a",
    quiet="#5e5e5e",
    accent="#d1400f",
    caution="#8a5a00",
    regions=("#0b6bbf", "#8f6a00", "#1f7a3a", "#7a3fb0"),
)


def palette(dark: bool) -> Palette:
    """Return the colours of the dark or the light theme."""
    return DARK if dark else LIGHT


def pattern_hex(dark: bool) -> dict[str, str]:
    """Return each pattern's colour, in the patterns' order."""
    colours = pattern_colours(dark)
    return {
        name: f"#{r:02x}{g:02x}{b:02x}"
        for name, (r, g, b) in zip(PATTERNS, colours.tolist(), strict=True)
    }


def pattern_glyph(pattern: str, colour: str, size_px: int = 18) -> str:
    """Return a pattern's glyph as SVG text, for legend, table, card and lesson alike.

    Raises
    ------
    ValueError
        If there is no such pattern.
    """
    if pattern not in PATTERN_GLYPHS:
        raise ValueError(f"pattern must be one of {', '.join(PATTERNS)}, got {pattern!r}")
    dots = "".join(
        f'<circle cx="{x:.3f}" cy="{y:.3f}" r="{r:.3f}"/>'
        for x, y, r in PATTERN_GLYPHS[pattern].tolist()
    )
    label = pattern.replace("_", " ")
    return (
        f'<svg width="{size_px}" height="{size_px}" viewBox="-1 -1 2 2" role="img" '
        f'aria-label="{label}" fill="{colour}">{dots}</svg>'
    )


def css_variables() -> str:
    """Return both themes as CSS custom properties, which every shadow root inherits."""
    rules = []
    for name, colours, scheme in (("dark", DARK, "dark"), ("light", LIGHT, "light")):
        lines = [
            f"--{key}: {value};" for key, value in vars(colours).items() if isinstance(value, str)
        ]
        lines += [
            f"--region-{letter}: {value};"
            for letter, value in zip("abcd", colours.regions, strict=True)
        ]
        lines += [f"--{k.replace('_', '-')}: {v};" for k, v in pattern_hex(name == "dark").items()]
        rules.append(f':root[data-theme="{name}"] {{ color-scheme: {scheme}; {" ".join(lines)} }}')
    sizes = f"--small: {SMALL_PX}px; --body: {BODY_PX}px; --large: {LARGE_PX}px; --font: {FONT};"
    return f":root {{ {sizes} }}\n" + "\n".join(rules)
