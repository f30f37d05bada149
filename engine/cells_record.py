"""What a run keeps of the cells beside the tables, and the stains of the windows."""

from typing import Any

import numpy as np

from engine import assemble
from engine.cells import CellFields, WindowGrades, cell_fields, region_window
from engine.settings import Settings
from engine.stains import WindowStains, window_stains
from engine.store import DiscStore
from engine.store.runs import RunWriter, as_record


def stains_of(
    store: DiscStore,
    centres_um: Any,
    windows: WindowGrades | None,
    cells: assemble.Cells | None,
    outline_um: Any,
    settings: Settings,
) -> WindowStains | None:
    """Measure every stain in the windows round the sites; None where there are no cells."""
    if cells is None or windows is None:
        return None
    xy_um = np.column_stack([cells.found.x_um, cells.found.y_um])
    return window_stains(
        store, centres_um, windows, xy_um, cells.stains, outline_um, settings.cells.intensities
    )


def cells_detail(
    cells: assemble.Cells | None, outline_um: Any, stains: WindowStains | None
) -> dict[str, Any]:
    """Give what a run keeps of the cells beside the tables."""
    detail: dict[str, Any] = {"outline_um": outline_um}
    if cells is not None:
        found = cells.found
        flags = [*found.flags, *(() if len(outline_um) else ("no_outline",))]
        detail |= {"edges": cells.graph.edges, "spacing_um": float(cells.graph.spacing_um)}
        detail |= {"method": found.method, "note": found.note, "flags": ";".join(flags)}
        detail |= {"counts": list(found.counts), "count_thresholds": list(found.count_thresholds)}
        detail |= {"noise_sd": found.noise_sd, "saturated_at": cells.stains.top}
    if stains is not None:
        detail["surround_counts"] = stains.surround
    return detail


def tissue_corners(store: DiscStore, outline_um: Any) -> Any:
    """Corners of the tissue, (k, 2) in disc um: its outline, or else the mosaic's border."""
    if len(outline_um) >= 3 or store.mosaic is None:
        return outline_um
    rows, cols = store.mosaic.levels[0].shape[-2:]
    (oy, ox), (py, px) = store.mosaic.origin_um[0], store.mosaic.pixel_um[0]
    x0, y0, x1, y1 = ox - px / 2, oy - py / 2, ox + (cols - 0.5) * px, oy + (rows - 0.5) * py
    return np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])


def fields_of(
    store: DiscStore, cells: assemble.Cells | None, outline_um: Any, settings: Settings
) -> CellFields | None:
    """Smooth the cells into fields over the tissue; None where there are no cells."""
    corners = tissue_corners(store, outline_um)
    if cells is None or len(corners) < 3:
        return None
    return cell_fields(
        np.column_stack([cells.found.x_um, cells.found.y_um]),
        cells.grades.cell_pattern,
        cells.grades.angle_deg[cells.graph.group],
        region_window(corners),
        settings.cells.fields,
    )


def record_fields(
    run: RunWriter,
    store: DiscStore,
    cells: assemble.Cells | None,
    outline_um: Any,
    settings: Settings,
) -> None:
    """Write the fields into a run: arrays (rows, cols), grid, units; nothing without cells."""
    fields = fields_of(store, cells, outline_um, settings)
    if fields is None:
        return
    detail = as_record(fields)
    arrays = {k: v.astype(np.float32) for k, v in detail.items() if isinstance(v, np.ndarray)}
    axes = {"axes": ["y", "x"], "unit": "micrometer"}
    place = [fields.origin_y_um, fields.origin_x_um]
    grid = {"scale": [fields.pixel_um] * 2, "translation": place}
    run.detail("fields", detail | arrays | axes | grid)
