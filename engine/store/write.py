"""One pass over a disc folder into a new store, moved into place only if all of it is sound."""

import dataclasses
import json
import os
import shutil
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import zarr
from zarr.codecs import BloscCodec

from engine.calibration import CalibratedProbe, calibrate_folder, probe_record
from engine.errors import Caution
from engine.footprint import Footprint
from engine.intake import (
    DiscFolder,
    HeightImage,
    MosaicSource,
    RawCurves,
    RawSegment,
    SiteRow,
)
from engine.intake.calibration import calibration_files
from engine.intake.folder import MANIFEST
from engine.store.atomic import staged_folder, update_attributes
from engine.store.calibrations import PLACE as CALIBRATION
from engine.store.calibrations import write_calibrations
from engine.store.clips import PLACE as CLIPS
from engine.store.clips import write_clips
from engine.store.plain import plain
from engine.store.provenance import (
    file_hashes,
    files_below,
    library_versions,
    tree_digest,
    write_hashes,
)
from engine.store.pyramid import Pyramid, read_pyramid, write_pyramid
from engine.store.schema import SCHEMA_VERSION

_CURVES_A_CHUNK = 256
_CHUNKS_A_SHARD = 8

Progress = Callable[[str, float], None]
"""``progress(what, share)``: what is being done, and the share of the whole done, 0 to 1."""

Outline = Callable[[Pyramid, Sequence[str]], npt.NDArray[np.float64]]
"""Outline of the tissue in the disc frame, (points, 2), told from the mosaic as stored."""


def write_store(
    folder: DiscFolder,
    store: Path,
    *,
    outline: Outline | None = None,
    progress: Progress | None = None,
) -> bool:
    """Import a disc folder.

    Every file is read once: checked, and written to a folder beside the store. Only when all is
    sound does that folder become the store; what people saved in an older store of the same name
    and its earlier runs are carried over.

    Parameters
    ----------
    folder
        An opened disc folder.
    store
        Where the store shall be.
    outline
        Tells where the tissue ends, so that sites off it are cautioned.
    progress
        Told what is done and how far it is.

    Returns
    -------
    bool
        False where the store already holds exactly these files and nothing was done.

    Raises
    ------
    FolderError
        With every defect of the folder; the store is as it was.
    """
    tell = progress or (lambda _what, _share: None)
    tell("reading file hashes", 0.0)
    sources = file_hashes(folder.path, _source_files(folder))
    if _holds(store, sources):
        return False
    with staged_folder(store) as staged:
        root = zarr.create_group(staged, zarr_format=3)
        calibrated = calibrate_folder(folder)
        write_calibrations(root, calibrated, _write_curves)
        mosaic = folder.mosaic(lambda share: tell("placing tiles", 0.02 + 0.13 * share))
        if mosaic is not None:
            begun = 0.02 if mosaic.tiles is None else 0.15
            _write_mosaic(root, mosaic, lambda s: tell("mosaic", begun + (0.5 - begun) * s))
            if outline is not None:
                stored: Any = root["mosaic"]
                folder.site_off_disc(outline(read_pyramid(stored), mosaic.channels))
        group = root.create_group("sites")
        for number, site in enumerate(folder.sites):
            _write_site(group, folder, site)
            tell("sites", 0.5 + 0.48 * (number + 1) / len(folder.sites))
        write_clips(root, folder)
        folder.finish()
        cautions = sorted(set(folder.cautions))
        _carry_over(store, staged)
        digest = write_hashes(staged, ("mosaic", "sites", CALIBRATION, CLIPS))
        attributes = _root_attributes(folder, mosaic, cautions, calibrated)
        attributes |= {"sources": sources, "sources_digest": tree_digest(sources)}
        attributes |= {"raw_digest": digest, "current_run": _current_run(store)}
        update_attributes(staged, {"splendens": attributes})
        tell("in place", 1.0)
    return True


def _source_files(folder: DiscFolder) -> list[str]:
    """Every file the folder's manifest and table name, relative to it."""
    manifest = folder.manifest
    named = [MANIFEST, manifest.sites, manifest.frame.landmarks, manifest.mosaic.file]
    named += [manifest.mosaic.tiles, *folder.tile_files()]
    named += [path for site in folder.sites for path in (site.curves, site.topography)]
    named += [clip.file for clip in folder.clips]
    named += [path for probe in folder.probes for path in calibration_files(probe)]
    files = [name for name in named if name]
    folders = [name for name in files if (folder.path / name).is_dir()]
    return sorted({*files, *files_below(folder.path, folders)} - set(folders))


def _holds(store: Path, sources: dict[str, str]) -> bool:
    try:
        node = json.loads((store / "zarr.json").read_text(encoding="utf-8"))
        return bool(node["attributes"]["splendens"]["sources"] == sources)
    except (OSError, ValueError, KeyError):
        return False


def _current_run(store: Path) -> str | None:
    try:
        node = json.loads((store / "zarr.json").read_text(encoding="utf-8"))
        return node["attributes"]["splendens"]["current_run"]
    except (OSError, ValueError, KeyError):
        return None


def _carry_over(old: Path, staged: Path) -> None:
    """Keep earlier runs (they will show as stale) and what people saved."""
    for name in ("runs", "saved"):
        if (old / name).is_dir():
            shutil.copytree(old / name, staged / name, copy_function=_link_or_copy)
        else:
            zarr.create_group(staged / name, zarr_format=3)


def _link_or_copy(source: str, target: str) -> str:
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)
    return target


def _root_attributes(
    folder: DiscFolder,
    mosaic: MosaicSource | None,
    cautions: list[Caution],
    calibrated: dict[str, CalibratedProbe],
) -> dict[str, Any]:
    manifest = folder.manifest
    frame = {k: plain(v) for k, v in dataclasses.asdict(folder.frame).items()}
    return {
        "schema_version": SCHEMA_VERSION,
        "disc": manifest.disc.model_dump(mode="json"),
        "sample": manifest.sample.model_dump(mode="json"),
        "probes": {k: probe_record(p, calibrated.get(k)) for k, p in manifest.probes.items()},
        "channels": list(mosaic.channels) if mosaic else [],
        "mosaic_pixel_um": mosaic.pixel_um if mosaic else None,
        "frame": frame,
        "cautions": [dataclasses.asdict(c) for c in cautions],
        "imported_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "versions": library_versions(),
    }


def _write_mosaic(
    root: zarr.Group, mosaic: MosaicSource, progress: Callable[[float], None]
) -> None:
    group = root.create_group("mosaic")
    write_pyramid(
        group,
        mosaic.read_rows,
        name="mosaic",
        shape=mosaic.shape[1:],
        dtype=mosaic.dtype,
        pixel_um=(mosaic.pixel_um, mosaic.pixel_um),
        channels=tuple(mosaic.channels),
        origin_um=mosaic.origin_um,
        progress=progress,
    )
    if mosaic.tiles is not None:
        group.attrs["tiles"] = mosaic.tiles.as_record()


def _write_site(parent: zarr.Group, folder: DiscFolder, site: SiteRow) -> None:
    footprint = folder.frame.footprint(
        site.x_um, site.y_um, site.rotation_deg, site.width_um, site.height_um
    )
    curves = folder.curves(site) if site.curves else None
    height = folder.height(site) if site.topography else None
    group = parent.create_group(
        site.site, attributes=_site_attributes(site, footprint, curves, height)
    )
    if curves is not None:
        _write_curves(group.create_group("curves"), curves)
    if height is not None:
        _write_height(group.create_group("height"), site, height)


def _site_attributes(
    site: SiteRow, footprint: Footprint, curves: RawCurves | None, height: HeightImage | None
) -> dict[str, Any]:
    return {
        "site": site.site,
        "kind": site.kind,
        "probe": site.probe,
        "note": site.note,
        "stage_um": [site.x_um, site.y_um],
        "stage_rotation_deg": site.rotation_deg,
        "centre_um": plain(footprint.centre_um),
        "u_axis": plain(footprint.u_axis),
        "v_axis": plain(footprint.v_axis),
        "width_um": footprint.width_um,
        "height_um": footprint.height_um,
        "rows": curves.rows if curves else 0,
        "cols": curves.cols if curves else 0,
        "has_curves": curves is not None,
        "has_retract": curves is not None and curves.retract is not None,
        "has_height": height is not None,
    }


def _write_curves(group: zarr.Group, curves: RawCurves) -> None:
    count = curves.rows * curves.cols
    valid = group.create_array("valid", shape=(count,), dtype="bool", chunks=(count,))
    valid[:] = curves.valid.reshape(count)
    if curves.sample_rate_Hz is not None:
        group.attrs["sample_rate_Hz"] = curves.sample_rate_Hz
    for name, segment in (("approach", curves.approach), ("retract", curves.retract)):
        if segment is not None:
            _write_segment(group.create_group(name), segment, count)


def _write_segment(group: zarr.Group, segment: RawSegment, count: int) -> None:
    for name, values in (("z", segment.z), ("deflection", segment.deflection)):
        shared = values.ndim == 1
        meaning = {
            "unit": getattr(segment, f"{name}_unit"),
            "scale": getattr(segment, f"{name}_scale"),
            "offset": getattr(segment, f"{name}_offset"),
            "shared": shared,
        }
        _write_samples(group, name, values.reshape(1 if shared else count, -1), meaning)


def _write_samples(
    group: zarr.Group, name: str, flat: npt.NDArray[Any], meaning: dict[str, Any]
) -> None:
    curves, samples = flat.shape
    chunk = min(_CURVES_A_CHUNK, curves)
    array = group.create_array(
        name,
        shape=flat.shape,
        dtype=flat.dtype.newbyteorder("="),
        chunks=(chunk, samples),
        shards=(chunk * _CHUNKS_A_SHARD, samples) if curves > chunk else None,
        compressors=BloscCodec(cname="zstd", clevel=3, shuffle="bitshuffle"),
        attributes=meaning,
        dimension_names=("curve", "sample"),
    )
    array[:] = flat


def _write_height(group: zarr.Group, site: SiteRow, height: HeightImage) -> None:
    pixel_um = (height.pixel_v_nm / 1e3, height.pixel_u_nm / 1e3)
    rows, cols = height.height_nm.shape
    write_pyramid(
        group,
        lambda _channel, start, stop: height.height_nm[start:stop],
        name=f"height of {site.site}",
        shape=(rows, cols),
        dtype=height.height_nm.dtype.newbyteorder("="),
        pixel_um=pixel_um,
        # the site's own frame has its origin at the centre; pixels tile the width
        origin_um=(-pixel_um[0] * (rows - 1) / 2, -pixel_um[1] * (cols - 1) / 2),
    )
    group.attrs["unit"] = "nm"
