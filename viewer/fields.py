"""The fields over the disc: which there are, their words, and the layer that is drawn of one."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np

from engine.cells import CellFields, cell_fields, region_window
from engine.cells.patterns import PATTERNS
from engine.cells_record import tissue_corners
from engine.settings import Settings
from engine.view.fields import FieldLayer
from engine.view.ramps import ColourScale, scale_for
from viewer.library import Library

NAMES = {
    "pattern_index": "pattern index",
    "density_per_mm2": "cell density",
    "angle_deg": "direction of strings",
}
"""Fields that can be shown, and what they are called."""


def fields_of_disc(library: Library, disc: str) -> CellFields | None:
    """Fields of a disc's run; from its tables where the run kept none, None without cells."""
    run = library.run(disc)
    if run is None:
        return None
    return library.kept(("fields", disc, run), lambda: _read(library, disc, run))


def _settings(library: Library, disc: str, run: str) -> Settings:
    """Return the settings of a run; the defaults where an older version knew others."""
    try:
        return Settings.model_validate(library.store(disc).run_info(run)["settings"])
    except (KeyError, ValueError):
        return Settings()


def _read(library: Library, disc: str, run: str) -> CellFields | None:
    store = library.store(disc)
    kept = store.detail("fields", run)
    names = [field.name for field in fields(CellFields)]
    if all(name in kept for name in names):
        found: dict[str, Any] = {
            name: np.asarray(kept[name], np.float64) if np.ndim(kept[name]) else kept[name]
            for name in names
        }
        return CellFields(**found)
    cells, groups = library.table(disc, "cells"), library.table(disc, "cell_groups")
    outline = store.detail("cells", run).get("outline_um", np.empty((0, 2)))
    corners = tissue_corners(store, np.asarray(outline))
    if cells.empty or len(corners) < 3:
        return None
    number = {name: index for index, name in enumerate(PATTERNS)}
    angle = groups.set_index("cell_group")["angle_deg"].reindex(cells["cell_group"])
    return cell_fields(
        cells[["x_um", "y_um"]].to_numpy(np.float64),
        cells["pattern"].map(number).fillna(-1).to_numpy().astype(np.int64),
        angle.to_numpy(np.float64, na_value=np.nan),
        region_window(corners),
        _settings(library, disc, run).cells.fields,
    )


def good_support(library: Library, disc: str) -> float:
    """Cells, by kernel weight, from which the support counts as good."""
    run = library.run(disc)
    return _settings(library, disc, run or "").cells.fields.support_good_cells


def field_scale(library: Library, name: str) -> ColourScale | None:
    """Colours of a field, one scale for all open discs; None for a direction."""
    if name not in NAMES or name == "angle_deg":
        return None
    runs = tuple(library.run(disc) or "" for disc in library.discs)

    def choose() -> ColourScale:
        every = (fields_of_disc(library, disc) for disc in library.discs)
        values = [getattr(one, name).ravel() for one in every if one is not None]
        column = "cell_density_per_mm2" if name == "density_per_mm2" else name
        scale = scale_for("sites", column, np.concatenate(values) if values else np.empty(0))
        # a smooth field fills its range evenly; decades would hide where cells are many
        if scale.logarithmic:
            scale = replace(scale, low=0.0, logarithmic=False)
        return replace(scale, label=NAMES[name])

    return library.kept(("field scale", name, *runs), choose)


def field_layer(library: Library, disc: str, name: str) -> FieldLayer | None:
    """Return what is drawn of a field; None where there is none of that name."""
    if name not in NAMES:
        return None
    found = fields_of_disc(library, disc)
    if found is None:
        return None
    direction = name == "angle_deg"
    support = found.string_cells if direction else found.support_cells
    if name == "density_per_mm2":  # few cells are what it says; little tissue is what is poor
        good = found.inside >= 0.5
    else:
        good = support >= good_support(library, disc)
    return FieldLayer(
        (found.origin_x_um, found.origin_y_um),
        found.pixel_um,
        getattr(found, name),
        good,
        field_scale(library, name),
        found.order if direction else None,
    )


def field_words(library: Library, disc: str, name: str) -> str:
    """Say how a field was made, and what its hatching means."""
    found = fields_of_disc(library, disc)
    if found is None or name not in NAMES:
        return ""
    settings = _settings(library, disc, library.run(disc) or "").cells.fields
    kernel = f"Gaussian of {found.bandwidth_um:g} µm (standard deviation)"
    few, good = settings.support_min_cells, settings.support_good_cells
    if name == "density_per_mm2":
        return (
            f"cells per area, {kernel}, allowing for the tissue's border;\n"
            "hatched where less than half of the kernel lies on the tissue"
        )
    if name == "angle_deg":
        return (
            f"mean axis of strings and double strings, {kernel};\n"
            "a stroke as long as they agree, a dot where they run every way;\n"
            f"open: fewer than {good:g} of their cells; none: fewer than {few:g}"
        )
    return (
        f"mean of the cells' patterns, {kernel};\n"
        f"hatched: fewer than {good:g} cells by kernel weight; blank: fewer than {few:g}"
    )
