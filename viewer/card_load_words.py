"""What the card says of a surface at zero force and under load; text in, escaped HTML out."""

from __future__ import annotations

from html import escape
from math import isfinite
from typing import Any

from engine.glossary import explain
from engine.zero_force import RECORDED_AT
from viewer.card_text import DASH, facts_html, folded_html, plain_number, with_unit

_ROWS: tuple[tuple[str, str, str], ...] = (
    ("Sa", "Sa_nm", "nm"),
    ("Sq", "Sq_nm", "nm"),
    ("Sz", "Sz_nm", "nm"),
    ("Sdq", "Sdq", ""),
    ("Sal", "Sal_nm", "nm"),
    ("fibril thickness, median", "thickness_median_nm", "nm"),
)
_SURFACES = ("zero", "loaded", "image")


def surface_html(kept: dict[str, Any], has_image: bool) -> str:
    """Write texture and thickness at zero force beside those under load and of the image.

    Parameters
    ----------
    kept
        What the run keeps under ``maps/<site>``.
    has_image
        Whether the site has a height image.
    """
    compared = "surface.load_nN" in kept
    words = [_ground(kept)] if compared else []
    words += [escape(RECORDED_AT + _fits_best(kept))] if has_image else []
    flags = ";".join(kept.get("surface.flags", ()))
    words += [escape(sentence) for _, sentence in explain(flags)]
    body = "".join(f"<p>{text}</p>" for text in words) + _match(kept)
    table = _table(kept) if compared else ""
    return table + (folded_html("What this rests on", body) if body else "")


def _table(kept: dict[str, Any]) -> str:
    there = [name for name in _SURFACES if f"surface.{name}.Sq_nm" in kept]
    load = with_unit(float(kept["surface.load_nN"]), "nN")
    heads = {"zero": "zero force", "loaded": f"at {load}", "image": "image"}
    rows = [f"<tr><th></th>{''.join(f'<td>{heads[name]}</td>' for name in there)}</tr>"]
    for label, name, unit in _ROWS:
        values = [float(kept.get(f"surface.{s}.{name}", float("nan"))) for s in there]
        if any(isfinite(v) for v in values):
            cells = "".join(f"<td>{with_unit(v, unit)}</td>" for v in values)
            rows.append(f"<tr><th>{escape(label)}</th>{cells}</tr>")
    return f'<table class="trial">{"".join(rows)}</table>'


def _ground(kept: dict[str, Any]) -> str:
    """Say what the numbers rest on, and that the image's own are others."""
    wide, high = (float(kept[f"surface.basis.window_{a}_nm"]) / 1e3 for a in "uv")
    pixel = float(kept["surface.basis.pixel_u_nm"])
    smooth, noise = float(kept["surface.smoothed_nm"]), float(kept["surface.noise_nm"])
    text = (
        f"All on the grid of the curves: {plain_number(wide)} × {plain_number(high)} µm, pixel "
        f"{with_unit(pixel, 'nm')}, smoothed by {with_unit(smooth, 'nm')} (Gaussian, half kept). "
        f"One contact height is known to {with_unit(noise, 'nm', 2)}."
    )
    if kept.get("surface.unlike"):
        text += " The numbers under network rest on the image as taken and do not compare."
    return escape(text)


def _fits_best(kept: dict[str, Any]) -> str:
    """Say which load explains the image best; nothing where all do alike."""
    best = float(kept.get("surface.image_load_nN", float("nan")))
    if not isfinite(best):
        return ""
    rest = [with_unit(float(kept[f"surface.rest_{n}_nm"]), "nm", 2) for n in ("zero", "loaded")]
    load = with_unit(float(kept["surface.load_nN"]), "nN")
    return (
        f" The image fits the curves best at {with_unit(best, 'nN', 2)} (rms left: {rest[0]} at "
        f"zero force, {rest[1]} at {load})."
    )


def _match(kept: dict[str, Any]) -> str:
    """Say how the contact heights lie on the height image."""
    if not kept.get("match.points"):
        return ""
    number = {n: float(kept[f"match.{n}"]) for n in ("correlation", "scale", "residual_nm")}
    shift = [with_unit(float(kept[f"match.shift_{a}_nm"]), "nm", 2) for a in "uv"]
    steps = ", ".join(str(step).replace("_", " ") for step in kept["levelling_steps"]) or DASH
    rows = [
        ("with the image, correlation", plain_number(number["correlation"], 4)),
        ("height, curves over image", plain_number(number["scale"])),
        ("place, along u and v", ", ".join(shift)),
        ("what remains, rms", with_unit(number["residual_nm"], "nm", 2)),
        ("drift along the slow axis", with_unit(float(kept["match.drift_nm"]), "nm", 2)),
        ("taken out of the contact heights", steps),
    ]
    return facts_html(rows)
