"""The mosaic in every layout reads the same by any bands of rows."""

import itertools
from pathlib import Path

import numpy as np
import pytest
import tifffile
from folder_kit import PIXEL_UM, site, write_folder, write_zarr_mosaic

from engine.intake import open_folder
from engine.intake.folder import DiscFolder


def checked(path: Path) -> DiscFolder:
    folder = open_folder(path)
    folder.check()
    return folder


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize(
    "options",
    [
        {},
        {"compression": "zlib", "rowsperstrip": 7},
        {"compression": "zlib", "predictor": True},
        {"tile": (16, 32), "compression": "zlib"},
        {"tile": (16, 32), "byteorder": ">"},
        {"byteorder": ">", "bigtiff": True},
    ],
)
def test_a_tiff_mosaic_reads_the_same_by_any_bands(
    tmp_path: Path, dtype: type, channels: int, options: dict
) -> None:
    rng = np.random.default_rng(2)
    image = rng.uniform(0, 200, (channels, 61, 83)).astype(dtype)
    path = write_folder(
        tmp_path / "disc",
        sites=[site("b001", 20, 20)],
        changes={"mosaic": {"channels": ["collagen", "nuclei"][-channels:]}},
    )
    options = {"metadata": None, **options}
    planes = image if channels > 1 else image[0]
    tifffile.imwrite(path / "mosaic/mosaic.ome.tif", planes, photometric="minisblack", **options)
    folder = checked(path)
    assert folder.defects == []
    source = folder.mosaic()
    assert source is not None
    assert source.dtype == dtype
    assert source.shape == image.shape
    for step, channel in itertools.product((1, 10, 61), range(channels)):
        parts = [source.read_rows(channel, r, min(r + step, 61)) for r in range(0, 61, step)]
        np.testing.assert_array_equal(np.vstack(parts), image[channel])
        assert parts[0].dtype == dtype


def test_separate_and_interleaved_samples_are_channels(tmp_path: Path) -> None:
    image = np.random.default_rng(2).integers(0, 255, (3, 40, 50)).astype(np.uint8)
    path = write_folder(
        tmp_path / "disc",
        sites=[site("b001", 20, 20)],
        changes={"mosaic": {"channels": ["nuclei", "b", "c"]}},
    )
    file = path / "mosaic/mosaic.ome.tif"
    for data, planar in ((image, "separate"), (np.moveaxis(image, 0, -1), "contig")):
        for compression in (None, "zlib"):
            kept = {"photometric": "rgb", "planarconfig": planar, "compression": compression}
            tifffile.imwrite(file, data, metadata=None, **kept)
            folder = checked(path)
            assert folder.defects == []
            source = folder.mosaic()
            assert source is not None
            for channel in range(3):
                np.testing.assert_array_equal(
                    source.read_rows(channel, 3, 30), image[channel, 3:30]
                )


@pytest.mark.parametrize("version", ["0.4", "0.5"])
@pytest.mark.parametrize("unit", ["micrometer", "nanometer"])
def test_an_ome_zarr_mosaic_of_two_channels(tmp_path: Path, version: str, unit: str) -> None:
    pixel = PIXEL_UM if unit == "micrometer" else PIXEL_UM / 1e3
    path = write_folder(
        tmp_path / "disc",
        mosaic=None,
        sites=[site("b001", 20, 20)],
        changes={
            "mosaic": {
                "file": "mosaic/m.zarr",
                "channels": ["a", "nuclei"],
                "pixel_size_um": pixel,
            }
        },
    )
    image = np.random.default_rng(2).integers(0, 9000, (2, 90, 70)).astype(np.uint16)
    write_zarr_mosaic(path / "mosaic/m.zarr", image, version=version, unit=unit)
    folder = open_folder(path)
    source = folder.mosaic()
    assert folder.defects == []
    assert source is not None
    assert source.rows_at_once == 64
    np.testing.assert_array_equal(source.read_rows(1, 10, 80), image[1, 10:80])


@pytest.mark.parametrize(
    ("size", "step", "unit", "told"),
    [(0.65, 1e4, "CENTIMETER", True), (350.0, 25400, "INCH", False)],
)
def test_resolution_tags_count_when_a_microscope_wrote_them(
    tmp_path: Path, size: float, step: float, unit: str, told: bool
) -> None:
    path = write_folder(tmp_path / "disc", changes={"mosaic": {"pixel_size_um": None}})
    tags = {"resolution": (step / size, step / size), "resolutionunit": unit, "metadata": None}
    tifffile.imwrite(path / "mosaic/mosaic.ome.tif", np.ones((99, 99), np.uint8), **tags)
    folder = open_folder(path)
    source = folder.mosaic()
    assert (source is not None) is told
    if source is not None:
        assert source.pixel_um == pytest.approx(0.65, rel=1e-6)
    else:
        assert "pixel_size_um" in folder.defects[0].place


def test_rows_outside_the_mosaic_are_an_error_of_the_caller(tmp_path: Path) -> None:
    source = open_folder(write_folder(tmp_path / "disc")).mosaic()
    assert source is not None
    with pytest.raises(IndexError, match="rows 190:201"):
        source.read_rows(0, 190, 201)


def test_a_damaged_tile_is_one_defect_however_often_it_is_read(tmp_path: Path) -> None:
    path = write_folder(tmp_path / "disc")
    file = path / "mosaic/mosaic.ome.tif"
    with tifffile.TiffFile(file) as tiff:
        start, length = tiff.pages[0].dataoffsets[5], tiff.pages[0].databytecounts[5]
    data = bytearray(file.read_bytes())
    data[start : start + length] = b"\xff" * length
    file.write_bytes(data)
    folder = checked(path)
    folder.check()
    (defect,) = folder.defects
    assert (defect.file, defect.place) == ("mosaic/mosaic.ome.tif", "channel 0")
    assert "rows 64 to 127" in defect.found
