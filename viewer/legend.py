"""What the colours of the plane mean: only what is drawn at present is explained."""

from __future__ import annotations

from dataclasses import dataclass, replace
from html import escape
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.cells.patterns import PATTERNS
from engine.view import Scene
from engine.view.ramps import ColourScale, lookup
from engine.view.stains import ink_hex
from viewer.fields import field_layer, field_scale
from viewer.gallery import Gallery, split
from viewer.marks import off_tissue
from viewer.modulus_basis import basis_words, is_modulus
from viewer.numbers import number
from viewer.site_maps import load_of, map_scale, map_words, mapped_sites
from viewer.stains import read_choices
from viewer.state import ViewState
from viewer.theme import pattern_glyph, pattern_hex

_CHARACTER = 0.045
"""Width of a digit over that of the bar, a gap included."""


@dataclass(frozen=True)
class Drawn:
    """What stands on the plane and wants a word.

    Attributes
    ----------
    scale
        The map of the chosen quantity, where something has its colours.
    of
        What is coloured: ``sites`` or ``cells``.
    patterns
        Whether something has the colours of the patterns.
    maps, maps_words
        Colours of the maps that nanometre sites show, and what these are.
    hollow, pale, crossed, ring
        Whether there are sites or cells without a value, sites off the tissue, curves that do not
        count.
    stains
        Name and colour of each stain of the mosaic; none where it has but one, in grey.
    field, strokes
        Colours of the field over the disc; whether one in strokes is drawn.
    tiles
        The map of the overlaps' residuals, where tiles are outlined.
    unused, weak
        Whether there are overlaps that could not be used, and flagged tiles.
    basis
        With which probe, law and depth a coloured modulus was found.
    """

    scale: ColourScale | None = None
    of: str = "sites"
    patterns: bool = False
    hollow: bool = False
    crossed: bool = False
    ring: bool = False
    stains: tuple[tuple[str, str], ...] = ()
    maps: ColourScale | None = None
    maps_words: tuple[str, str] = ("", "")
    field: ColourScale | None = None
    strokes: bool = False
    tiles: ColourScale | None = None
    unused: bool = False
    weak: bool = False
    pale: bool = False
    basis: str = ""


def drawn(state: ViewState, gallery: Gallery) -> Drawn:
    """Tell what of a disc is drawn in colours and signs.

    Parameters
    ----------
    state
        What is looked at.
    gallery
        The discs.
    """
    table, name = split(state.colour_by)
    layers, disc = set(state.layers), state.disc
    scene = gallery.scene(disc)
    box = state.box_um()
    cells = bool(layers & {"cells", "links"}) and bool(
        _inside(box, scene.cells.x_um, scene.cells.y_um).any()
    )
    seen = _sites_in(scene, box)
    sites = bool(seen.any()) and "sites" in layers
    curves = "curves" in layers and bool(seen[scene.curves.site].any())
    analysed = gallery.library.run(disc) is not None
    coloured = analysed and (cells if table == "cells" else sites or curves)
    by_pattern = name == "pattern"
    fielded = field_layer(gallery.library, disc, state.field) is not None
    return Drawn(
        scale=gallery.scale(state.colour_by) if coloured else None,
        of=table,
        patterns=(cells and (table == "sites" or by_pattern)) or (coloured and by_pattern),
        pale=cells and (table == "sites" or by_pattern) and bool(scene.cells.ambiguous.any()),
        hollow=analysed and (sites or (cells and table == "cells")),
        crossed=sites and bool((seen & off_tissue(scene, gallery.library.sites(disc))).any()),
        ring=analysed and curves and not bool(scene.curves.used.all()),
        stains=_stains(state, gallery),
        basis=basis_words(gallery.library.sites(disc)) if coloured and is_modulus(name) else "",
        **_maps(state, gallery, seen),
        **_tiles(state, gallery),
        field=field_scale(gallery.library, state.field) if fielded else None,
        strokes=fielded and state.field == "angle_deg",
    )


def _tiles(state: ViewState, gallery: Gallery) -> dict[str, Any]:
    """Colours and signs of the tiles, where they are outlined."""
    layer = gallery.scene(state.disc).tiles
    if layer is None or "tiles" not in state.layers:
        return {}
    scale = ColourScale("length", 0.0, layer.limit_um, False, "disagreement", "µm")
    return {"tiles": scale, "unused": not layer.used.all(), "weak": bool(layer.weak.any())}


def _stains(state: ViewState, gallery: Gallery) -> tuple[tuple[str, str], ...]:
    """Names and colours of the stains that are drawn, where they have to be told."""
    channels = gallery.channels(state.disc)
    if "mosaic" not in state.layers or (len(channels) < 2 and not state.stains):
        return ()
    shown = [one for one in read_choices(state.stains, channels) if one.shown]
    return tuple((channels[one.channel], ink_hex(one.ink, state.dark)) for one in shown)


def _maps(state: ViewState, gallery: Gallery, seen: NDArray[np.bool_]) -> dict[str, Any]:
    """Colours and words of the maps that lie in the view."""
    library, choice = gallery.library, state.site_map
    if not choice or "heights" not in state.layers:
        return {}
    mapped = set(mapped_sites(library, state.disc))
    names = gallery.scene(state.disc).sites
    if not any(site in mapped for site, there in zip(names, seen, strict=True) if there):
        return {}
    words = map_words(choice, load_of(state.load))
    return {"maps": map_scale(library, choice), "maps_words": words}


def _inside(
    box: tuple[float, float, float, float], x_um: NDArray[np.float64], y_um: NDArray[np.float64]
) -> NDArray[np.bool_]:
    x0, y0, x1, y1 = box
    return (x_um >= x0) & (x_um <= x1) & (y_um >= y0) & (y_um <= y1)


def _sites_in(scene: Scene, box: tuple[float, float, float, float]) -> NDArray[np.bool_]:
    """Tell which sites' footprints reach into a box."""
    if not scene.sites:
        return np.zeros(0, bool)
    corners = np.array([foot.corners() for foot in scene.sites.values()])
    (left, top), (right, bottom) = corners.min(axis=1).T, corners.max(axis=1).T
    x0, y0, x1, y1 = box
    return (right >= x0) & (left <= x1) & (bottom >= y0) & (top <= y1)


def legend_html(shown: Drawn, dark: bool) -> str:
    """Return the legend as HTML; empty where nothing wants explaining.

    Parameters
    ----------
    shown
        What is drawn.
    dark
        Theme.
    """
    parts = [_bar(shown.scale, shown.of, shown.basis)] if shown.scale is not None else []
    if shown.maps is not None:
        parts.append(_bar(replace(shown.maps, label=shown.maps_words[0]), shown.maps_words[1]))
    elif shown.maps_words[0]:
        what, of = (escape(words) for words in shown.maps_words)
        parts.append(f'<div class="quantity"><b>{what}</b> <i>{of}, shaded</i></div>')
    if shown.field is not None:
        parts.append(_bar(shown.field, "smoothed"))
    elif shown.strokes:
        parts.append('<div class="quantity"><b>direction of strings</b> <i>smoothed</i></div>')
    if shown.patterns:
        parts.append(_patterns(dark))
    if shown.tiles is not None:
        parts.append(_bar(shown.tiles, "of overlaps"))
    if shown.stains:
        parts.append(_inks(shown.stains))
    signs = (
        (shown.hollow, "hollow", "no value"),
        (shown.pale, "pale", "ambiguous"),
        (shown.crossed, "crossed", "off the tissue"),
        (shown.ring, "ring", "curve not used"),
        (shown.unused, "ring", "overlap not used"),
        (shown.weak, "weak", "flagged tile"),
        (bool(shown.maps_words[0]), "hatched", "no curve that counts"),
        (shown.field is not None, "sparse", "little support"),
        (shown.strokes, f"stroke {'dark' if dark else 'light'}", "as long as strings agree"),
        (shown.strokes, "open", "little support"),
    )
    notes = "".join(_mark(shape, text) for there, shape, text in signs if there)
    return "".join(parts) + (f'<div class="notes">{notes}</div>' if notes else "")


def _bar(scale: ColourScale, of: str, basis: str = "") -> str:
    stops = lookup(scale.kind)[::15]
    gradient = ", ".join(f"rgb({r} {g} {b})" for r, g, b in stops.tolist())
    marks = "".join(
        f'<span style="left:{100 * place:.2f}%">{escape(number(value))}</span>'
        for value, place in _apart(scale)
    )
    unit = f" {escape(scale.unit)}" if scale.unit else ""
    log = ", log scale" if scale.logarithmic else ""
    title = f' title="{escape(basis)}" style="cursor:help"' if basis else ""
    return (
        f'<div class="quantity"{title}><b>{escape(scale.label)}</b>{unit}'
        f" <i>{escape(of)}{log}</i></div>"
        f'<div class="ramp" style="background:linear-gradient(90deg,{gradient})">'
        f'</div><div class="ticks">{marks}</div>'
    )


def _apart(scale: ColourScale) -> list[tuple[float, float]]:
    """Choose ticks that do not run into each other; both ends always stay."""
    places = [(value, float(scale.fraction(value))) for value in scale.ticks()]
    if len(places) < 2:
        return places
    ends = (places[0], places[-1])
    kept = list(ends)
    for entry in places[1:-1]:
        # the ends' numbers lie inside the bar, all others round their place
        room = [
            _CHARACTER * (len(number(other[0])) + 0.5 * len(number(entry[0])))
            if other in ends
            else 0.19
            for other in kept
        ]
        gaps = [abs(entry[1] - other[1]) for other in kept]
        if all(gap > max(least, 0.19) for gap, least in zip(gaps, room, strict=True)):
            kept.append(entry)
    return sorted(kept)


def _patterns(dark: bool) -> str:
    colours = pattern_hex(dark)
    items = "".join(
        f'<li title="{escape(label)}">{pattern_glyph(name, colours[name])}'
        f"<span>{escape(label)}</span></li>"
        for name in PATTERNS
        for label in [name.replace("_", " ")]
    )
    return f'<div class="quantity"><b>cell pattern</b></div><ul class="patterns">{items}</ul>'


def _inks(stains: tuple[tuple[str, str], ...]) -> str:
    items = "".join(
        f'<li title="{escape(name)}"><i style="background:{colour}"></i>'
        f"<span>{escape(name)}</span></li>"
        for name, colour in stains
    )
    word = "stain" if len(stains) == 1 else "stains"
    return f'<div class="quantity"><b>{word}</b></div><ul class="inks">{items}</ul>'


def _mark(shape: str, text: str) -> str:
    return f'<span class="note"><span class="mark {shape}"></span>{escape(text)}</span>'
