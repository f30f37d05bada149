"""What a run keeps of the cells beside the tables, and the stains of the windows."""

from typing import Any

import numpy as np

from engine import assemble
from engine.cells import WindowGrades
from engine.settings import Settings
from engine.stains import WindowStains, window_stains
from engine.store import DiscStore


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
