"""What the header says and offers, as plain values for the page's script."""

from __future__ import annotations

from typing import Any

from engine.store.schema import column
from viewer.library import Library
from viewer.look import Look
from viewer.regions_data import REST, group_of
from viewer.state import ViewState

CELL_QUANTITIES = ("pattern", "pattern_confidence", "neighbours", "nn_distance_um", "diameter_um")
STAIN_QUANTITIES = ("_mean_counts", "_rim_counts")
"""Endings of the columns of cells that tell a stain's brightness."""
FIRST = ("modulus_kPa", "pattern", "pattern_index")


def settings(
    state: ViewState, library: Library, extent_um: tuple[float, ...], look: Look
) -> dict[str, Any]:
    """Return all that the header and the pictures need to know."""
    disc = state.disc
    run = library.run(disc)
    return {
        "title": page_title(state),
        "discs": [{"label": "", "items": [[d, _disc_text(library, d)] for d in library.discs]}],
        "disc": disc,
        "colours": _colours(library, disc),
        "colour": state.colour_by,
        "layers": ".".join(state.layers),
        "dark": state.dark,
        "look": look.query(),
        "mode": state.mode,
        "card_open": state.card_open,
        "tray_open": state.tray_open,
        "legend_open": state.legend_open,
        "clips": len(library.store(disc).clips),
        "clips_open": state.clips_open,
        "present": state.present,
        "run_key": library.runs,
        "newer": library.newer(disc) or "",
        **_run(library, disc, run),
        "extent": list(extent_um),
    }


def page_title(state: ViewState) -> str:
    """Return what the browser's window is called: the selected site, its disc, the tool."""
    return " · ".join(part for part in (state.site, state.disc, "splendens") if part)


def quantity_label(table: str, name: str) -> str:
    """Return a quantity's name for people, with its unit in brackets."""
    described = column(table, name)
    label = described.label[:1].upper() + described.label[1:]
    return f"{label} [{described.unit}]" if described.unit else label


def _disc_text(library: Library, disc: str) -> str:
    return f"{disc} · donor {library.store(disc).donor}"


def _run(library: Library, disc: str, run: str | None) -> dict[str, Any]:
    if run is None:
        return {
            "run_text": "not analysed yet",
            "run_title": "no finished run in this store",
            "run_warn": True,
            "advice": f"not analysed yet: splendens analyse {library.store(disc).path}",
        }
    info = library.kept(("run info", disc, run), lambda: library.store(disc).run_info(run))
    stale = str(info.get("stale") or "")
    finished = str(info.get("finished") or "")
    by_hand = _by_hand(info)
    return {
        "run_text": ", ".join(
            [run, "stale" if stale else "current", *(["changed by hand"] if by_hand else [])]
        ),
        "run_title": "; ".join([*by_hand, stale or f"finished {finished}".strip()]),
        "run_warn": bool(stale),
        "advice": "",
    }


def _by_hand(info: dict[str, Any]) -> list[str]:
    """Say what people changed by hand and the run counts."""
    corrections = len(info.get("corrections") or ())
    said = [f"{corrections} {'cell' if corrections == 1 else 'cells'} corrected by hand"]
    landmarks = str(info.get("landmarks") or "")
    return (said if corrections else []) + ([landmarks] if landmarks else [])


def _colours(library: Library, disc: str) -> list[dict[str, Any]]:
    sites = [n for n in library.quantities(disc, "sites") if not n.endswith("_saturated")]
    if library.run(disc) is not None:
        sites.insert(0, "pattern")
    ordered = [n for n in FIRST if n in sites] + [n for n in sites if n not in FIRST]
    known = {"pattern", *library.quantities(disc, "cells")}
    cells = [n for n in CELL_QUANTITIES if n in known]
    cells += [n for n in library.quantities(disc, "cells") if n.endswith(STAIN_QUANTITIES)]
    groups: dict[str, list[list[str]]] = {}
    for name in sorted(ordered, key=lambda n: n not in FIRST and group_of(n) == REST):
        heading = "Sites" if name in FIRST else f"Sites: {group_of(name).lower()}"
        groups.setdefault(heading, []).append([f"sites.{name}", quantity_label("sites", name)])
    return [
        *({"label": heading, "items": items} for heading, items in groups.items()),
        {"label": "Cells", "items": [[f"cells.{n}", quantity_label("cells", n)] for n in cells]},
    ]
