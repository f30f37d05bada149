"""Reading a store: lazily, one site at a time."""

import json
import math
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import zarr

from engine.errors import Caution, SplendensError
from engine.footprint import Footprint
from engine.frames import FLAGS as FRAME_FLAGS
from engine.frames import Frame
from engine.intake.tile_map import TileMap, tile_map_of
from engine.store.calibrations import StoredCalibration, read_calibration
from engine.store.clips import StoredClip, read_clips
from engine.store.curves import StoredCurves
from engine.store.labels import read_labels
from engine.store.pyramid import Pyramid, read_pyramid
from engine.store.schema import ALL_TABLES, FURTHER_TABLES, SCHEMA_VERSION
from engine.store.tables import read_table

_OF_THE_FRAME = {flag.name for flag in FRAME_FLAGS} | {
    "landmarks_disagree",
    "frame_scale",
    "site_off_disc",
}
"""Cautions that speak of the imported frame."""


@dataclass(frozen=True)
class StoredSite:
    """One measured site.

    Attributes
    ----------
    site, kind, probe, note
        As in the disc folder.
    footprint
        Where it lies in the disc frame.
    stage_um
        Centre in the stage frame.
    rows, cols
        Shape of the force map, 0 without curves.
    has_curves, has_height
        What was measured there.
    cautions
        Warnings found at import.
    """

    site: str
    kind: str
    probe: str
    note: str
    footprint: Footprint
    stage_um: tuple[float, float]
    rows: int
    cols: int
    has_curves: bool
    has_height: bool
    cautions: tuple[Caution, ...]


def _frame_of(record: dict[str, Any]) -> Frame:
    fields = {name: record[name] for name in Frame.__dataclass_fields__ if name in record}
    for name in ("matrix", "offset_um", "stage_um", "residual_um", "leave_one_out_um"):
        fields[name] = np.array(fields[name], dtype=np.float64)  # null becomes NaN
    fields["stage_um"] = fields["stage_um"].reshape(-1, 2)
    # a store of an older import does not have it
    fields["disc_um"] = np.array(fields.get("disc_um", ()), dtype=np.float64).reshape(-1, 2)
    fields["rms_um"] = math.nan if fields["rms_um"] is None else fields["rms_um"]
    fields["names"], fields["flags"] = tuple(fields["names"]), tuple(fields["flags"])
    return Frame(**fields)


class DiscStore:
    """A store opened for reading.

    Attributes
    ----------
    path
        Its folder.
    info
        What the root says: ``disc``, ``sample``, ``probes``, ``channels``, ``mosaic_pixel_um``,
        ``cautions``, ``sources``, ``imported_at``, ``versions``.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._reframed = False
        self._root = zarr.open_group(path, mode="r", use_consolidated=False)
        self.info: dict[str, Any] = self._root.attrs["splendens"]  # type: ignore[assignment]

    @property
    def disc(self) -> str:
        """The disc's identifier."""
        return str(self.info["disc"]["id"])

    @property
    def donor(self) -> str:
        """The donor's identifier."""
        return str(self.info["disc"]["donor"])

    @cached_property
    def frame(self) -> Frame:
        """The transform from the stage to the disc."""
        return self.imported_frame

    @property
    def imported_frame(self) -> Frame:
        """The transform as imported, whatever frame a run has of its own."""
        return _frame_of(self.info["frame"])

    def with_frame(self, frame: Frame, cautions: tuple[Caution, ...] = ()) -> "DiscStore":
        """Return the same store with every site at the place another frame gives it.

        Parameters
        ----------
        frame
            From the stage, where the sites were measured, to the disc.
        cautions
            Of that frame; those of the imported one are left out.
        """
        other = DiscStore(self.path)
        kept = tuple(c for c in self.cautions if c.name not in _OF_THE_FRAME)
        other._reframed = True
        other.__dict__.update(frame=frame, cautions=(*cautions, *kept))
        return other

    def for_run(self, run: str | None) -> "DiscStore":
        """Return the store with the frame that a run was made with; itself if that is the imported.

        A run made with landmarks set by hand keeps its frame; the store's own stays as it is.
        """
        record = self.run_info(run).get("frame") if run else None
        if record is None:
            return self
        return self.with_frame(_frame_of(record), tuple(Caution(**c) for c in record["cautions"]))

    @cached_property
    def cautions(self) -> tuple[Caution, ...]:
        """Warnings found at import, disc-wide ones first."""
        return tuple(Caution(**c) for c in self.info["cautions"])

    @cached_property
    def sites(self) -> dict[str, StoredSite]:
        """Every site by name."""
        names = sorted(p.name for p in (self.path / "sites").iterdir() if p.is_dir())
        return {name: self._read_site(name) for name in names}

    def _read_site(self, name: str) -> StoredSite:
        node = (self.path / "sites" / name / "zarr.json").read_text(encoding="utf-8")
        a = json.loads(node)["attributes"]
        if self._reframed:
            x_um, y_um = a["stage_um"]
            footprint = self.frame.footprint(
                x_um, y_um, a["stage_rotation_deg"], a["width_um"], a["height_um"]
            )
        else:
            footprint = Footprint(
                np.asarray(a["centre_um"]),
                np.asarray(a["u_axis"]),
                np.asarray(a["v_axis"]),
                a["width_um"],
                a["height_um"],
            )
        return StoredSite(
            site=a["site"],
            kind=a["kind"],
            probe=a["probe"],
            note=a["note"],
            footprint=footprint,
            stage_um=tuple(a["stage_um"]),
            rows=a["rows"],
            cols=a["cols"],
            has_curves=a["has_curves"],
            has_height=a["has_height"],
            cautions=tuple(c for c in self.cautions if c.site == name),
        )

    @cached_property
    def mosaic(self) -> Pyramid | None:
        """The fluorescence mosaic, (channels, rows, cols) a level."""
        return read_pyramid(self._root["mosaic"]) if "mosaic" in self._root else None  # type: ignore[arg-type]

    @cached_property
    def tile_map(self) -> TileMap | None:
        """Where the tiles of a stitched mosaic were put; None for a mosaic that came as one."""
        record = self._root["mosaic"].attrs.get("tiles") if "mosaic" in self._root else None
        return None if record is None else tile_map_of(record)  # type: ignore[arg-type]

    @cached_property
    def clips(self) -> dict[str, StoredClip]:
        """Clips of a hand-held endoscope, by name; empty without any."""
        return read_clips(self._root)

    def clip_frames(self, clip: str) -> Any:
        """Frames of a clip (frames, rows, cols), read as they are asked for."""
        return self._root[f"clips/{clip}/frames"]

    def calibration(self, probe: str) -> StoredCalibration | None:
        """Read what followed from a probe's calibration files; None where it has none."""
        return read_calibration(self._root, probe)

    def height(self, site: str) -> Pyramid:
        """Height image of a site in nanometres; pixel sizes and origin in its own frame, in um."""
        return read_pyramid(self._root[f"sites/{site}/height"])  # type: ignore[arg-type]

    def curves(self, site: str) -> StoredCurves:
        """Force curves of a site, calibrated with its probe."""
        stored = self.sites[site]
        group: Any = self._root[f"sites/{site}/curves"]
        probe = self.info["probes"][stored.probe]

        def nm_per(unit: str) -> float:
            sizes = {"nm": 1.0, "V": probe["sensitivity_nm_per_V"]}
            # nN over N/m is nm
            return float(sizes[unit] if unit != "nN" else 1 / probe["spring_constant_N_per_m"])

        return StoredCurves(
            rows=stored.rows,
            cols=stored.cols,
            valid=group["valid"][:],
            has_retract="retract" in group,
            _group=group,
            _nm_per_deflection=nm_per,
        )

    @property
    def runs(self) -> list[str]:
        """Names of the finished runs, oldest first."""
        folder = self.path / "runs"
        found = (p.name for p in folder.iterdir() if p.is_dir()) if folder.is_dir() else ()
        return sorted(name for name in found if not name.startswith("."))

    @property
    def current_run(self) -> str | None:
        """Name of the current run, read anew each time."""
        node = json.loads((self.path / "zarr.json").read_text(encoding="utf-8"))
        current = node["attributes"]["splendens"]["current_run"]
        return current if current in self.runs else None

    def run_info(self, run: str | None = None) -> dict[str, Any]:
        """Give what a run says of itself: settings, versions, times, digest of its inputs, cells.

        ``stale`` is a sentence where the inputs have changed since, else empty.
        """
        attributes: dict[str, Any] = dict(self._run(run).attrs)
        info: dict[str, Any] = dict(attributes["splendens"])
        changed = info["sources_digest"] != self.info["sources_digest"]
        info["stale"] = "the measurements were imported anew after this run" if changed else ""
        return info

    def _run(self, run: str | None) -> zarr.Group:
        name = run or self.current_run
        if name is None:
            raise SplendensError(
                f"{self.path} holds no finished run; `splendens analyse {self.path}` makes one"
            )
        if name not in self.runs:
            raise SplendensError(
                f"{self.path} has no run {name!r}; it has {', '.join(self.runs) or 'none'}"
            )
        return self._root[f"runs/{name}"]  # type: ignore[return-value]

    def labels(self, run: str | None = None) -> Pyramid | None:
        """Label image of a run's nuclei (cell number + 1); None where the run has none."""
        return read_labels(self._run(run))

    def table(self, name: str, run: str | None = None) -> pd.DataFrame:
        """Read a result table with the contract's columns, and further ones.

        Raises
        ------
        SplendensError
            If there is no such table or run.
        """
        if name not in ALL_TABLES:
            raise SplendensError(f"no table {name!r}; there are {', '.join(ALL_TABLES)}")
        tables: Any = self._run(run)["tables"]
        if name in FURTHER_TABLES and name not in tables:  # of a run before there was such a table
            return pd.DataFrame({c.name: [] for c in FURTHER_TABLES[name]})
        return read_table(tables[name])

    def detail(self, part: str, run: str | None = None) -> dict[str, Any]:
        """Everything else a run keeps of one part: arrays and attributes by name.

        Parameters
        ----------
        part
            ``cells``, or ``sites/<site>`` for the fibril network of a height image.
        run
            A run's name; the current one by default.

        Returns
        -------
        dict
            Empty where the run keeps nothing of that part.
        """
        parent = self._run(run)
        if part not in parent:
            return {}
        group = parent[part]
        found: dict[str, Any] = {name: array[...] for name, array in group.arrays()}  # type: ignore[union-attr]
        plain = {k: math.nan if v is None else v for k, v in group.attrs.items()}
        return found | plain


def open_store(path: Path | str) -> DiscStore:
    """Open a store for reading.

    Raises
    ------
    SplendensError
        If there is none, or it was written by another version of the schema.
    """
    path = Path(path)
    try:
        attributes = json.loads((path / "zarr.json").read_text(encoding="utf-8"))["attributes"]
        found = attributes["splendens"]["schema_version"]
    except (OSError, ValueError, KeyError) as error:
        raise SplendensError(
            f"{path}: found no disc store; expected a folder that `splendens import` wrote"
        ) from error
    if found != SCHEMA_VERSION:
        raise SplendensError(f"{path}: found schema {found}; expected {SCHEMA_VERSION}")
    return DiscStore(path)
