"""Writing an invented disc as the folder a laboratory hands over."""

import csv
from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt
import tifffile
import tomli_w

from demo_zarr.calibration import calibration_table
from demo_zarr.clip import clip_table
from demo_zarr.layout import Site
from demo_zarr.measure import Measured
from demo_zarr.recipe import BEAD, NEEDLE, POISSON_RATIO, ProbeRecipe
from demo_zarr.scene import FloatArray, Scene, part_rng

_VOLT_SCALE = 10.0 / 32767.0
_VOLT_OFFSET = -0.35
_OME = (
    '<?xml version="1.0" encoding="UTF-8"?>'
    '<OME xmlns="http://www.openmicroscopy.org/Schemas/OME/2016-06" '
    'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
    'xsi:schemaLocation="http://www.openmicroscopy.org/Schemas/OME/2016-06 '
    'http://www.openmicroscopy.org/Schemas/OME/2016-06/ome.xsd">'
    '<Image ID="Image:0" Name="{name}">'
    '<Pixels ID="Pixels:0" DimensionOrder="XYCZT" Type="uint16" '
    'SizeX="{cols}" SizeY="{rows}" SizeC="{count}" SizeZ="1" SizeT="1" '
    'PhysicalSizeX="{pixel}" PhysicalSizeXUnit="&#181;m" '
    'PhysicalSizeY="{pixel}" PhysicalSizeYUnit="&#181;m">'
    "{channels}"
    '<TiffData IFD="0" PlaneCount="{count}"/></Pixels></Image></OME>'
)
_CHANNEL = '<Channel ID="Channel:0:{number}" SamplesPerPixel="1" Name="{name}"/>'


def mosaic_path(channels: Sequence[str]) -> str:
    """Path of the mosaic within the disc folder."""
    return f"mosaic/{'nuclei' if len(channels) == 1 else 'stains'}.ome.tif"


def write_rows(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Write a table as CSV.

    Parameters
    ----------
    path
        The file; its folder is made.
    header
        Names of the columns.
    rows
        The rows; floats are written with nine digits, missing ones as empty.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        for row in rows:
            writer.writerow([_cell(value) for value in row])


def _cell(value: object) -> object:
    if isinstance(value, float | np.floating):
        return "" if np.isnan(value) else f"{value:.9g}"
    return value


def _probe(probe: ProbeRecipe) -> dict[str, Any]:
    size: dict[str, Any] = (
        {"radius_um": probe.radius_nm / 1e3}
        if probe.shape == "sphere"
        else {"radius_nm": probe.radius_nm}
    )
    return {
        "shape": probe.shape,
        **size,
        "spring_constant_N_per_m": probe.spring_constant_N_per_m,
        "spring_constant_rel_sd": probe.spring_constant_rel_sd,
        "sensitivity_nm_per_V": probe.sensitivity_nm_per_V,
    }


def write_manifest(folder: Path, scene: Scene) -> None:
    """Write ``disc.toml`` and ``landmarks.csv``.

    Parameters
    ----------
    folder
        The disc folder.
    scene
        The disc.
    """
    recipe = scene.recipe
    manifest: dict[str, Any] = {
        "format": "disc-folder/1",
        "sites": "sites.csv",
        "disc": {
            "id": recipe.id,
            "donor": recipe.donor,
            "diameter_mm": recipe.diameter_um / 1e3,
            "group": recipe.group,
            "measured_on": date.fromisoformat(recipe.measured_on),
            "note": recipe.note,
        },
        "sample": {"poisson_ratio": POISSON_RATIO},
        "mosaic": {
            "file": mosaic_path(recipe.channels),
            "pixel_size_um": recipe.pixel_um,
            "channels": list(recipe.channels),
        },
        "frame": {"landmarks": "landmarks.csv"},
        "probes": {probe.name: _probe(probe) for probe in (BEAD, NEEDLE)},
    }
    if recipe.calibrated:
        manifest["probes"][BEAD.name]["calibration"] = calibration_table()
    if recipe.filmed:
        manifest["clips"] = [clip_table(recipe.pixel_um)]
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "disc.toml").write_text(tomli_w.dumps(manifest), encoding="utf-8")
    rng = part_rng(recipe, 4)
    count = recipe.stage.landmarks
    turn = 2 * np.pi * (np.arange(count) + rng.uniform(-0.2, 0.2, count)) / count
    reach = 0.8 * scene.radius_um(turn)
    disc = scene.centre_um + np.column_stack([np.cos(turn), np.sin(turn)]) * reach[:, None]
    stage = scene.to_stage(disc)
    disc = disc + rng.normal(0, recipe.stage.landmark_sd_um, disc.shape)
    stage = stage + rng.normal(0, recipe.stage.landmark_sd_um, stage.shape)
    write_rows(
        folder / "landmarks.csv",
        ["name", "stage_x_um", "stage_y_um", "disc_x_um", "disc_y_um"],
        (
            [f"mark-{i + 1}", *np.round(stage[i], 2).tolist(), *np.round(disc[i], 2).tolist()]
            for i in range(count)
        ),
    )


def write_mosaic(folder: Path, scene: Scene, pictures: npt.NDArray[np.uint16]) -> None:
    """Write the mosaic as OME-TIFF.

    Parameters
    ----------
    folder
        The disc folder.
    scene
        The disc.
    pictures
        Counts, shape (channels, rows, cols).
    """
    names = scene.recipe.channels
    path = folder / mosaic_path(names)
    path.parent.mkdir(parents=True, exist_ok=True)
    text = _OME.format(
        name=scene.recipe.id,
        rows=pictures.shape[1],
        cols=pictures.shape[2],
        count=len(names),
        channels="".join(_CHANNEL.format(number=i, name=n) for i, n in enumerate(names)),
        pixel=scene.recipe.pixel_um,
    )
    # The text is our own: a generated one carries a new identifier each time.
    tifffile.imwrite(
        path,
        pictures if len(names) > 1 else pictures[0],
        description=text,
        metadata=None,
        software="splendens demo",
        photometric="minisblack",
        tile=(512, 512),
        compression="zstd",
        compressionargs={"level": 1},
    )


def curve_path(site: Site) -> str:
    """Path of a site's curves within the disc folder; empty without any."""
    return f"curves/{site.name}.h5" if site.curves else ""


def image_path(site: Site, suffix: str) -> str:
    """Path of a site's height image within the disc folder; empty without one."""
    return f"topography/{site.name}{suffix}" if site.px else ""


def write_sites(folder: Path, sites: Sequence[Site], suffix: str) -> None:
    """Write ``sites.csv``.

    Parameters
    ----------
    folder
        The disc folder.
    sites
        The sites.
    suffix
        Ending of height images.
    """
    header = "site,kind,probe,x_um,y_um,rotation_deg,width_um,height_um,curves,topography,note"
    write_rows(
        folder / "sites.csv",
        header.split(","),
        (
            [
                site.name,
                site.kind,
                site.probe.name,
                float(site.stage_um[0]),
                float(site.stage_um[1]),
                site.rotation_deg,
                site.width_um,
                site.width_um,
                curve_path(site),
                image_path(site, suffix),
                "",
            ]
            for site in sites
        ),
    )


def _write_segment(
    group: h5py.Group, z_nm: FloatArray, deflection_nm: FloatArray, probe: ProbeRecipe, unit: str
) -> None:
    z = group.create_dataset("z", data=(z_nm * 1e-3).astype(np.float32), track_times=False)
    z.attrs["unit"] = "um"
    if unit == "nm":
        stored: npt.NDArray[Any] = deflection_nm.astype(np.float32)
    else:
        volts = deflection_nm / probe.sensitivity_nm_per_V
        stored = np.rint((volts - _VOLT_OFFSET) / _VOLT_SCALE).clip(-32768, 32767).astype(np.int16)
    deflection = group.create_dataset("deflection", data=stored, track_times=False)
    deflection.attrs["unit"] = unit
    if unit == "V":
        deflection.attrs["scale"], deflection.attrs["offset"] = _VOLT_SCALE, _VOLT_OFFSET


def write_measured(folder: Path, measured: Measured, deflection: str, suffix: str) -> None:
    """Write one site's curves and height image.

    Parameters
    ----------
    folder
        The disc folder.
    measured
        What was taken.
    deflection
        Unit of stored deflections, ``V`` or ``nm``.
    suffix
        Ending of height images, ``.tif`` or ``.npy``.
    """
    site, curves = measured.site, measured.curves
    if curves is not None:
        path = folder / curve_path(site)
        path.parent.mkdir(parents=True, exist_ok=True)
        shape = (site.curves, site.curves, -1)
        with h5py.File(path, "w") as file:
            for name, z, bend in (
                ("approach", curves.approach_z_nm, curves.approach_nm),
                ("retract", curves.retract_z_nm, curves.retract_nm),
            ):
                group = file.create_group(name)
                shown = np.where(curves.valid[:, None], bend, 0.0)
                _write_segment(
                    group, z.reshape(shape), shown.reshape(shape), site.probe, deflection
                )
            if not curves.valid.all():
                valid = curves.valid.reshape(shape[:2])
                file.create_dataset("valid", data=valid, track_times=False)
    if measured.image is not None:
        path = folder / image_path(site, suffix)
        path.parent.mkdir(parents=True, exist_ok=True)
        if suffix == ".npy":
            np.save(path, measured.image.height_nm)
        else:
            tifffile.imwrite(
                path, measured.image.height_nm, metadata=None, software="splendens demo"
            )
