"""How sure the place of each site is, and what hangs on it: further columns of the site table."""

from dataclasses import dataclass

import numpy as np

from engine.assemble import Cells, Columns, pattern_names, repeat
from engine.cells import CellsSettings, WindowGrades, window_stability
from engine.frames import EXTRAPOLATED
from engine.store import DiscStore


@dataclass(frozen=True)
class Places:
    """What the error of the frame means for the sites.

    Attributes
    ----------
    columns
        Columns of the site table, in the order of the store's sites.
    flags
        Names for each site.
    """

    columns: Columns
    flags: tuple[tuple[str, ...], ...]


def places_of(
    store: DiscStore, cells: Cells | None, windows: WindowGrades | None, settings: CellsSettings
) -> Places:
    """Carry the error of the frame into the sites.

    ``position_se_um`` is the root-mean-square distance to expect between a site's place in the
    disc and its true one, ``position_95_um`` the radius that holds it with 95 %. Both know the
    landmarks' errors only, not how well the stage comes back to a place. ``pattern_stability`` is
    the share of windows, shifted so, that keep the pattern; ``pattern_beside`` the pattern most of
    the others have; ``pattern_index_position_sd`` what the shifts do to the pattern index.
    """
    sites = list(store.sites.values())
    stage = np.array([s.stage_um for s in sites], dtype=np.float64).reshape(-1, 2)
    nothing = np.full(len(sites), np.nan)
    columns: Columns = {
        "position_se_um": store.frame.expected_error_um(stage),
        "position_95_um": store.frame.position_radius_um(stage),
        "pattern_stability": nothing,
        "pattern_beside": repeat("", len(sites)),
        "pattern_index_position_sd": nothing,
    }
    outside = store.frame.extrapolates(stage)
    names = [(EXTRAPOLATED,) if out else () for out in outside]
    if cells is None or windows is None or not settings.windows.shifts:
        return Places(columns, tuple(names))
    centres = np.array([s.footprint.centre_um for s in sites]).reshape(-1, 2)
    xy_um = np.column_stack([cells.found.x_um, cells.found.y_um])
    shifts = store.frame.likely_shifts_um(stage, settings.windows.shifts)
    found = window_stability(centres, shifts, xy_um, cells.grades, windows, settings)
    columns |= {
        "pattern_stability": found.stability,
        "pattern_beside": pattern_names(found.beside),
        "pattern_index_position_sd": found.index_sd,
    }
    return Places(columns, tuple(a + b for a, b in zip(names, found.flags, strict=True)))
