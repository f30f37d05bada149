"""Each kind of bad mosaic gives its own one defect."""

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile
import zarr
from folder_faults import (
    Case,
    Mutation,
    assert_one_defect,
    both,
    bytes_in,
    params,
    removed,
    toml,
    truncated,
)
from folder_kit import write_zarr_mosaic

MO = "mosaic/mosaic.ome.tif"


def mosaic(image: np.ndarray, **options: object) -> Mutation:
    return lambda path: tifffile.imwrite(
        path / "mosaic/mosaic.ome.tif", image, **{"metadata": None, **options}
    )


def zarr_mosaic(spoil: Callable[[Path], None] = lambda _: None, **options: object) -> Mutation:
    def change(path: Path) -> None:
        toml("mosaic/mosaic.ome.tif", "mosaic/m.zarr")(path)
        write_zarr_mosaic(path / "mosaic/m.zarr", np.ones((64, 64), np.uint16), **options)
        spoil(path / "mosaic/m.zarr")

    return change


def linked_chunk(path: Path) -> None:
    chunk = next(
        p for p in path.rglob("*") if p.is_file() and p.parent.name == "0" and p.name == "0"
    )
    chunk.unlink()
    chunk.symlink_to("/etc/hostname")


CASES = [
    Case("missing", removed(MO), "disc.toml", "[mosaic] file", "not there", "existing file"),
    Case("no TIFF", bytes_in(MO, b"x" * 300), MO, "", "no readable TIFF", "whole TIFF"),
    Case("truncated", truncated(MO, 0.7), MO, "", "", "whole"),
    Case(
        "signed",
        mosaic(np.zeros((99, 99), np.int16)),
        MO,
        "image",
        "int16",
        "uint8, uint16 or float32",
    ),
    Case(
        "a stack",
        mosaic(np.zeros((2, 3, 99, 99), np.uint8), ome=True, metadata={"axes": "ZCYX"}),
        MO,
        "image",
        "ZCYX",
        "(channel, y, x)",
    ),
    Case(
        "two channels",
        mosaic(np.zeros((2, 99, 99), np.uint8)),
        "disc.toml",
        "[mosaic] channels",
        "1 name(s) for 2 channel(s)",
        "one name",
    ),
    Case(
        "oblong pixels",
        mosaic(
            np.zeros((99, 99), np.uint8),
            ome=True,
            metadata={"axes": "YX", "PhysicalSizeX": 0.65, "PhysicalSizeY": 0.7},
        ),
        MO,
        "pixel size",
        "0.65 um by 0.7 um",
        "square",
    ),
    Case(
        "no pixel size",
        both(mosaic(np.zeros((99, 99), np.uint8)), toml("pixel_size_um = 0.65\n", "")),
        "disc.toml",
        "[mosaic] pixel_size_um",
        "nothing",
        "micrometres",
    ),
    Case(
        "zarr nothing in it",
        toml(MO, "mosaic"),
        "mosaic",
        "",
        "no Zarr group",
        "OME-Zarr",
    ),
    Case(
        "zarr another pixel",
        both(zarr_mosaic(), toml("pixel_size_um = 0.65", "pixel_size_um = 0.6")),
        "disc.toml",
        "[mosaic] pixel_size_um",
        "0.65 um in mosaic/m.zarr",
        "within 1 %",
    ),
    Case(
        "zarr no multiscales",
        zarr_mosaic(lambda p: zarr.open_group(str(p)).attrs.put({})),
        "mosaic/m.zarr",
        "attributes",
        "no multiscales",
        "multiscales",
    ),
    Case(
        "zarr no array",
        zarr_mosaic(lambda p: shutil.rmtree(p / "0")),
        "mosaic/m.zarr",
        "path '0'",
        "no array",
        "an array",
    ),
    Case(
        "zarr chunk a link out",
        zarr_mosaic(linked_chunk),
        "mosaic/m.zarr",
        "0/c/0/0",
        "leads out",
        "inside",
    ),
]


@pytest.mark.parametrize("case", params(CASES))
def test_one_defect_is_told_with_file_place_found_and_expected(case: Case, tmp_path: Path) -> None:
    assert_one_defect(case, tmp_path / "disc")
