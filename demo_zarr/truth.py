"""The truth of an invented disc, as tables that lie beside its folder."""

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from demo_zarr.curves import FAULT_NAMES
from demo_zarr.folder import write_rows
from demo_zarr.measure import Measured
from demo_zarr.scene import Scene
from demo_zarr.stains import Pictures, Stained, matrix_counts
from demo_zarr.tissue import PATTERNS, Cells

WINDOW_UM = 100.0
"""Side of the window whose mean brightness is written down."""
_NAN = float("nan")


def _write_cells(folder: Path, cells: Cells) -> None:
    pattern = cells.pattern[cells.group]
    write_rows(
        folder / "cells.csv",
        ["cell", "x_um", "y_um", "diameter_um", "cell_group", "pattern"],
        (
            [i, x, y, size, group, PATTERNS[which]]
            for i, (x, y, size, group, which) in enumerate(
                zip(
                    cells.x_um.tolist(),
                    cells.y_um.tolist(),
                    cells.diameter_um.tolist(),
                    cells.group.tolist(),
                    pattern.tolist(),
                    strict=True,
                )
            )
        ),
    )


def _write_curves(folder: Path, all_measured: Sequence[Measured]) -> None:
    rows = []
    for measured in all_measured:
        curves, side = measured.curves, measured.site.curves
        if curves is None:
            continue
        columns = np.column_stack(
            [
                measured.points_um,
                curves.modulus_kPa,
                curves.contact_nm * 1e-3,
                curves.indentation_nm,
                curves.force_nN,
                curves.adhesion_nN,
                curves.dissipation,
                curves.contour_nm,
            ]
        ).tolist()
        rows += [
            [measured.site.name, i // side, i % side, *values, FAULT_NAMES[fault]]
            for i, (values, fault) in enumerate(zip(columns, curves.fault.tolist(), strict=True))
        ]
    header = "site,row,col,x_um,y_um,modulus_kPa,contact_z_um,indentation_nm,force_nN,adhesion_nN"
    write_rows(
        folder / "curves.csv", [*header.split(","), "dissipation", "contour_nm", "fault"], rows
    )


def _site_row(measured: Measured) -> list[object]:
    site, curves, image = measured.site, measured.curves, measured.image
    row: list[object] = [site.name, site.kind, *measured.site.disc_um.tolist(), measured.damage]
    if curves is None:
        row += [0, 0, _NAN]
    else:
        sound = curves.fault == 0
        row += [
            int(curves.valid.sum()),
            int(sound.sum()),
            float(np.median(curves.modulus_kPa[sound])),
        ]
    if image is None:
        return [*row, *[_NAN] * 7]
    return [
        *row,
        image.sq_nm,
        image.thickness_mean_nm,
        image.thickness_median_nm,
        image.thickness_p95_nm,
        image.order,
        image.angle_deg,
        image.band_period_nm,
    ]


def _write_sites(folder: Path, all_measured: Sequence[Measured]) -> None:
    header = [
        "site",
        "kind",
        "x_um",
        "y_um",
        "damage",
        "curves_total",
        "curves_sound",
        "modulus_kPa",
        "Sq_plane_nm",
        "fibril_thickness_mean_nm",
        "fibril_thickness_median_nm",
        "fibril_thickness_p95_nm",
        "fibril_order",
        "fibril_angle_site_deg",
        "band_period_nm",
    ]
    write_rows(folder / "sites.csv", header, map(_site_row, all_measured))


def _write_fibrils(folder: Path, all_measured: Sequence[Measured]) -> None:
    rows = []
    for measured in all_measured:
        if measured.image is None:
            continue
        shown = measured.image.fibrils
        columns = [shown.u_nm, shown.v_nm, shown.diameter_nm, shown.visible_nm, shown.angle_deg]
        rows += [[measured.site.name, *row] for row in np.column_stack(columns).tolist()]
    header = ["site", "u_nm", "v_nm", "diameter_nm", "visible_nm", "angle_site_deg"]
    write_rows(folder / "fibrils.csv", header, rows)


def write_stain_truth(
    folder: Path,
    scene: Scene,
    stained: Stained,
    pictures: Pictures,
    all_measured: Sequence[Measured],
) -> None:
    """Write the truth of a disc's further stains: ``stains.csv`` by cell, ``matrix.csv`` by site.

    Parameters
    ----------
    folder
        Where; made if missing.
    scene, stained, pictures, all_measured
        What is true.
    """
    columns = (stained.live, stained.live_counts, stained.shell_counts)
    listed = zip(*(column.tolist() for column in columns), strict=True)
    write_rows(
        folder / "stains.csv",
        ["cell", "live", "live_counts", "shell_counts"],
        ([i, int(live), glow, shell] for i, (live, glow, shell) in enumerate(listed)),
    )
    sites = []
    for measured in all_measured:
        x, y = (float(v) for v in measured.site.disc_um)
        window = pictures.window_counts(scene.recipe.pixel_um, x, y, WINDOW_UM)
        sites.append([measured.site.name, float(matrix_counts(scene, x, y)), window])
    write_rows(folder / "matrix.csv", ["site", "field_counts", "window_counts"], sites)


def write_truth(folder: Path, scene: Scene, cells: Cells, all_measured: Sequence[Measured]) -> None:
    """Write a disc's truth: cells, curves, sites, fibrils, and the frame.

    Parameters
    ----------
    folder
        Where; made if missing.
    scene, cells, all_measured
        What is true.
    """
    folder.mkdir(parents=True, exist_ok=True)
    _write_cells(folder, cells)
    _write_curves(folder, all_measured)
    _write_sites(folder, all_measured)
    _write_fibrils(folder, all_measured)
    frame = {
        "stage_from_disc": scene.stage_matrix.tolist(),
        "stage_offset_um": scene.stage_offset_um.tolist(),
        "centre_um": scene.centre_um,
        "diameter_um": scene.recipe.diameter_um,
    }
    (folder / "frame.json").write_text(json.dumps(frame, indent=1) + "\n", encoding="utf-8")
