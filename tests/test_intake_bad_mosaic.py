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
    assert_little_memory,
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


def declared_tif(path: Path) -> None:
    """A mosaic that says it is 2^20 by 2^20, in tiles that are not there."""
    file = path / MO
    tifffile.imwrite(file, np.zeros((64, 64), np.uint8), tile=(64, 64), metadata=None)
    with tifffile.TiffFile(file, mode="r+") as tiff:
        for name in ("ImageWidth", "ImageLength"):
            tiff.pages[0].tags[name].overwrite(2**20, dtype="I")


def declared_zarr(path: Path) -> None:
    group = zarr.open_group(str(path))
    del group["0"]
    group.create_array("0", shape=(2**20, 2**20), chunks=(64, 64), dtype="u2")


def hollow_zarr(path: Path) -> None:
    group = zarr.open_group(str(path))
    del group["0"]
    group.create_array("0", shape=(2**16, 2**16), chunks=(64, 64), dtype="u2")


def one_chunk(path: Path) -> None:
    group = zarr.open_group(str(path))
    del group["0"]
    group.create_array("0", shape=(2**16, 2**16), chunks=(2**15, 2**15), dtype="u2")


def ome(edit: Callable[[str], str]) -> Mutation:
    """A mosaic with changed OME-XML."""

    def change(path: Path) -> None:
        file = path / MO
        with tifffile.TiffFile(file) as tiff:
            text = tiff.ome_metadata
            image = tiff.asarray()
        description = edit(text).encode()
        tifffile.imwrite(file, image, description=description, metadata=None)

    return change


LAUGHS = '<!DOCTYPE a [<!ENTITY b "ha"><!ENTITY c "&b;&b;&b;&b;">]>'
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
    Case("2^40 pixels", declared_tif, MO, "image", "1048576 x 1048576", "at most"),
    Case(
        "OME entities",
        ome(lambda text: text.replace("<OME", LAUGHS + "<OME", 1)),
        MO,
        "OME-XML",
        "document type",
        "plain OME-XML",
    ),
    Case(
        "OME planes that are not there (2^40)",
        ome(lambda text: text.replace('SizeT="1"', 'SizeT="1000000"')),
        MO,
        "OME-XML",
        "1000000 planes declared, 1 there",
        "all of them",
    ),
    Case(
        "OME pixel size a word",
        ome(lambda text: text.replace('SizeX="0.65"', 'SizeX="small"')),
        MO,
        "OME-XML PhysicalSizeX",
        "'small'",
        "above 0",
    ),
    Case(
        "zarr 2^40 pixels",
        zarr_mosaic(declared_zarr),
        "mosaic/m.zarr",
        "0",
        "1048576 x 1048576",
        "at most",
    ),
    Case(
        "zarr that holds next to nothing",
        zarr_mosaic(hollow_zarr),
        "mosaic/m.zarr",
        "0",
        "8589934592 bytes out of",
        "bomb",
    ),
    Case(
        "zarr in one chunk",
        zarr_mosaic(one_chunk),
        "mosaic/m.zarr",
        "0",
        "chunks of 2147483648 bytes",
        "chunks up to",
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


@pytest.mark.parametrize("case", params(case for case in CASES if "2^40" in case.name))
def test_what_cannot_be_takes_no_memory(case: Case, tmp_path: Path) -> None:
    assert_little_memory(case, tmp_path / "disc")
