"""A new run that takes curves and images over from an earlier one and does the cells anew.

Curve fits and image results depend on neither the cells nor the frame; only where they lie does.
What they are is copied from a run of the same measurements and settings, whose files are as they
were written; every place is worked out again.
"""

import hashlib
import json

import numpy as np

from engine import site_table
from engine.assemble import Columns
from engine.cells import WindowGrades
from engine.record_maps import MAPS
from engine.settings import Settings
from engine.site_place import Places
from engine.stains import WindowStains
from engine.store import DiscStore
from engine.store.map_columns import MAP_TABLES
from engine.store.provenance import HASHES, file_sha256, library_versions
from engine.store.runs import RunWriter


def measured_mark(store: DiscStore, settings: Settings) -> str:
    """Digest of all that decides the numbers of curves and images."""
    apart = {"cells", "clips", "use_corrections", "landmarks"}
    told = settings.model_dump(mode="json", exclude=apart)
    parts = {
        "sources": store.info["sources_digest"],
        "settings": told,
        "versions": library_versions(),
    }
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def reusable_run(store: DiscStore, mark: str) -> str | None:
    """Newest run with a mark whose tables and images are as they were written; None if none is."""
    for run in reversed(store.runs):
        if store.run_info(run).get("measured") == mark and _unaltered(store, run):
            return run
    return None


def _unaltered(store: DiscStore, run: str) -> bool:
    folder = store.path / "runs" / run
    try:
        hashes = json.loads((folder / HASHES).read_text(encoding="utf-8"))
        names = ("curves", "fibrils", "sites", *MAP_TABLES)
        parts = (*(f"tables/{name}/" for name in names), "sites/", f"{MAPS}/")
        taken = {name: told for name, told in hashes.items() if name.startswith(parts)}
        return all(file_sha256(folder / name) == told for name, told in taken.items())
    except (OSError, ValueError, AttributeError):
        return False


def take_over(run: RunWriter, store: DiscStore, base: str) -> None:
    """Copy curves, fibrils and image results of a run; places are those of the store's frame.

    Parameters
    ----------
    run
        The run to come.
    store
        The store, with the frame of the run to come.
    base
        The run to copy from.
    """
    source = store.path / "runs" / base
    curves, fibrils = store.table("curves", base), store.table("fibrils", base)
    places: Columns = {"x_um": np.full(len(curves), np.nan), "y_um": np.full(len(curves), np.nan)}
    for site, rows in curves.groupby("site", sort=False).indices.items():
        stored = store.sites[str(site)]
        grid = stored.footprint.grid(stored.rows, stored.cols).reshape(-1, 2)
        number = curves["row"].iloc[rows] * stored.cols + curves["col"].iloc[rows]
        places["x_um"][rows], places["y_um"][rows] = grid[number.to_numpy(np.int64)].T
    run.table_from("curves", source, places)
    for name in MAP_TABLES:
        if (source / "tables" / name).is_dir():
            run.table_from(name, source, {})
    run.table_from("fibrils", source, _fibril_places(store, base, fibrils["site"].to_numpy(str)))
    for part in ("sites", MAPS):
        run.details_from(source, part)


def _fibril_places(store: DiscStore, base: str, site: np.ndarray) -> Columns:
    """Places and directions of fibrils from what the run keeps of each in its site's own axes."""
    found: Columns = {name: np.full(len(site), np.nan) for name in ("x_um", "y_um", "angle_deg")}
    for name in dict.fromkeys(site.tolist()):
        detail, footprint = store.detail(f"sites/{name}", base), store.sites[name].footprint
        rows = site == name
        found["x_um"][rows], found["y_um"][rows] = footprint.to_disc(
            detail["fibrils.u_nm"] / 1e3, detail["fibrils.v_nm"] / 1e3
        )
        found["angle_deg"][rows] = footprint.table_angle(detail["fibrils.angle_deg"])
    return found


def sites_again(
    run: RunWriter,
    store: DiscStore,
    base: str,
    windows: WindowGrades | None,
    outline_um: np.ndarray,
    places: Places,
    stains: WindowStains | None,
) -> None:
    """Write the site table: what was measured from an earlier run, what hangs on place anew.

    Parameters
    ----------
    run, store, base
        As in `take_over`.
    windows, outline_um, places, stains
        As in :func:`engine.site_table.sites_table`.
    """
    table = store.table("sites", base)
    columns = site_table.local_columns(store, windows, outline_um, places, stains)
    angle = table["fibril_angle_deg"].to_numpy(float).copy()
    for i, name in enumerate(store.sites):
        turn = store.detail(f"sites/{name}", base).get("angle_site_deg")
        if turn is not None:
            angle[i] = float(store.sites[name].footprint.table_angle(turn))
    columns["fibril_angle_deg"] = angle
    measured = [_measured(str(text or "")) for text in table["flags"]]
    columns["flags"] = site_table.joined_flags(columns, measured, windows, places, stains)
    run.table_from("sites", store.path / "runs" / base, columns)


def _measured(flags: str) -> list[str]:
    """Those of a site's flags that come from its curves and images."""
    return [name for name in flags.split(";") if name and name not in _LOCAL]


_LOCAL = {flag.name for flag in site_table.LOCAL_FLAGS}
