"""Each kind of bad height image gives its own one defect."""

import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile
from folder_faults import (
    Case,
    Mutation,
    assert_little_memory,
    assert_one_defect,
    bytes_in,
    params,
    topography,
    truncated,
)
from folder_kit import make_height, write_height, write_sdf, write_x3p

N1 = "topography/n001.tif"
NPY, SDF, X3P = (f"topography/n001.{s}" for s in ("npy", "sdf", "x3p"))
HEIGHT = make_height(np.random.default_rng(3))


def tif(data: np.ndarray, **options: object) -> Mutation:
    return lambda path: tifffile.imwrite(
        path / "topography/n001.tif", data, **{"metadata": None, **options}
    )


def declared_tif(path: Path) -> None:
    """A TIFF that says it is 2^20 by 2^20."""
    name = path / "topography/n001.tif"
    tifffile.imwrite(name, np.zeros((8, 8), np.float32), metadata=None)
    with tifffile.TiffFile(name, mode="r+") as file:
        file.pages[0].tags["ImageWidth"].overwrite(2**20, dtype="I")
        file.pages[0].tags["ImageLength"].overwrite(2**20, dtype="I")
        file.pages[0].tags["RowsPerStrip"].overwrite(2**20, dtype="I")


def declared_npy(path: Path) -> None:
    with path.open("wb") as file:
        told = {"descr": "<f4", "fortran_order": False, "shape": (2**20, 2**20)}
        np.lib.format.write_array_header_1_0(file, told)
        file.write(b"\0" * 64)


def npy(change: Callable[[bytes], bytes]) -> Mutation:
    def write(path: Path) -> None:
        write_height(path, HEIGHT)
        path.write_bytes(change(path.read_bytes()))

    return topography("npy", write)


def sdf(
    binary: bool = False, change: Callable[[bytes], bytes] = bytes, **options: object
) -> Mutation:
    def write(path: Path) -> None:
        write_sdf(path, HEIGHT, binary=binary, **options)
        path.write_bytes(change(path.read_bytes()))

    return topography("sdf", write)


def x3p(**options: object) -> Mutation:
    return topography("x3p", lambda path: write_x3p(path, HEIGHT, **options))


def cut(data: bytes) -> bytes:
    return data[: len(data) // 2]


def without_document(path: Path) -> None:
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("bindata/data.bin", b"0")


CASES = [
    Case("tif truncated", truncated(N1, 0.8), N1, "page 0", "in a file of", "whole file"),
    Case("tif garbage", bytes_in(N1, b"II*\x00" + b"\xff" * 100), N1, "", "no page", "a TIFF"),
    Case("tif no TIFF", bytes_in(N1, b"heights"), N1, "", "no readable TIFF", "whole TIFF"),
    Case(
        "tif integers",
        tif(np.zeros((64, 64), np.int16)),
        N1,
        "page 0",
        "int16",
        "float32 or float64",
    ),
    Case("tif two pages", tif(np.zeros((2, 64, 64), np.float32)), N1, "", "2 pages", "single page"),
    Case(
        "tif colours",
        tif(np.zeros((64, 64, 3), np.float32), photometric="rgb"),
        N1,
        "page 0",
        "3 samples",
        "one height",
    ),
    Case(
        "tif infinite",
        tif(np.full((64, 64), np.inf, np.float32)),
        N1,
        "",
        "4096 infinite",
        "NaN for no datum",
    ),
    Case("tif 2^40 pixels", declared_tif, N1, "page 0", "1048576 x 1048576", "at most"),
    Case("npy header", npy(lambda d: b"nothing" + d), NPY, "header", "no NPY header", "NPY"),
    Case("npy truncated", npy(cut), NPY, "", "bytes", "(64, 64)"),
    Case(
        "npy 2^40 pixels",
        topography("npy", declared_npy),
        NPY,
        "header",
        "1048576 x 1048576",
        "at most",
    ),
    Case(
        "npy integers",
        topography("npy", lambda p: np.save(p, np.zeros((64, 64), int))),
        NPY,
        "header",
        "int64",
        "float32 or float64",
    ),
    Case(
        "npy three dimensions",
        topography("npy", lambda p: np.save(p, np.zeros((4, 4, 4)))),
        NPY,
        "header",
        "(4, 4, 4)",
        "(rows, cols)",
    ),
    Case(
        "npy objects",
        topography("npy", lambda p: np.save(p, np.array([[{}]], object))),
        NPY,
        "header",
        "object",
        "float32 or float64",
    ),
    Case("sdf version", sdf(version="aXYZ-2.0"), SDF, "header, version", "aXYZ-2.0", "aISO-1.0"),
    Case("sdf truncated", sdf(change=cut), SDF, "data", "values", "4096 for 64 x 64"),
    Case(
        "sdf a word",
        sdf(change=lambda d: d.replace(b"\n*\n", b"\n*\nabc ", 1)),
        SDF,
        "data, value 1",
        "'abc'",
        "BAD",
    ),
    Case(
        "sdf no scale",
        sdf(change=lambda d: d.replace(b"Zscale", b"Wscale")),
        SDF,
        "header, Zscale",
        "nothing",
        "a number",
    ),
    Case(
        "sdf packed",
        sdf(fields={"Compression": 1}),
        SDF,
        "header, Compression",
        "'1'",
        "not compressed",
    ),
    Case(
        "sdf scale negative",
        sdf(fields={"Xscale": -1e-8}),
        SDF,
        "header, Xscale",
        "-1e-08",
        "above 0",
    ),
    Case(
        "sdf 2^40 points",
        sdf(fields={"NumPoints": 2**20, "NumProfiles": 2**20}),
        SDF,
        "NumProfiles",
        "1048576 x 1048576",
        "at most",
    ),
    Case("sdf binary truncated", sdf(binary=True, change=cut), SDF, "data", "bytes", "64 x 64"),
    Case(
        "sdf binary type",
        sdf(binary=True, fields={"DataType": 9}),
        SDF,
        "header, DataType",
        "9",
        "0 to 7",
    ),
    Case(
        "sdf binary header",
        sdf(binary=True, change=lambda d: d[:40]),
        SDF,
        "header",
        "40 bytes",
        "81 bytes",
    ),
    Case(
        "sdf of another size",
        topography("sdf", lambda p: write_sdf(p, HEIGHT, fields={"Xscale": 2.1e-8})),
        SDF,
        "width_um",
        "21 nm",
        "1.28 um within 1 %",
    ),
    Case(
        "x3p no zip",
        topography("x3p", lambda p: p.write_bytes(b"PK")),
        X3P,
        "",
        "no readable zip",
        "X3P",
    ),
    Case(
        "x3p truncated",
        topography("x3p", lambda p: (write_x3p(p, HEIGHT), p.write_bytes(cut(p.read_bytes())))),
        X3P,
        "",
        "no readable zip",
        "X3P",
    ),
    Case(
        "x3p no document",
        topography("x3p", without_document),
        X3P,
        "main.xml",
        "nothing",
        "this name",
    ),
    Case(
        "x3p entities",
        x3p(edit={"<p:ISO5436_2 ": "<!DOCTYPE a [<!ENTITY b 'c'>]><p:ISO5436_2 "}),
        X3P,
        "main.xml",
        "document type",
        "plain XML",
    ),
    Case("x3p bad xml", x3p(edit={"</p:ISO5436_2>": ""}), X3P, "main.xml", "no valid XML", "XML"),
    Case(
        "x3p 2^40 points",
        x3p(edit={"<SizeX>64": "<SizeX>1048576", "<SizeY>64": "<SizeY>1048576"}),
        X3P,
        "MatrixDimension",
        "1048576 x 1048576",
        "at most",
    ),
    Case("x3p profile", x3p(edit={"SUR": "PRF"}), X3P, "FeatureType", "'PRF'", "SUR"),
    Case("x3p short data", x3p(data=b"\0" * 80), X3P, "bindata/data.bin", "80 bytes", "32768"),
    Case("x3p long data", x3p(data=b"\0" * 40000), X3P, "bindata/data.bin", "40000", "32768"),
    Case(
        "x3p uneven axis",
        x3p(edit={"<CX><AxisType>I": "<CX><AxisType>A"}),
        X3P,
        "CX AxisType",
        "'A'",
        "evenly",
    ),
    Case(
        "x3p type",
        x3p(
            edit={"<CZ><AxisType>A</AxisType><DataType>D": "<CZ><AxisType>A</AxisType><DataType>Q"}
        ),
        X3P,
        "CZ DataType",
        "'Q'",
        "I, L, F or D",
    ),
    Case(
        "x3p of another size",
        topography("x3p", lambda p: write_x3p(p, HEIGHT), height_um=1.30),
        X3P,
        "height_um",
        "20 nm",
        "1.3 um within 1 %",
    ),
    Case(
        "ISO 28600",
        topography("spm", lambda p: p.write_text("ISO/TC 201 SPM data transfer format\n")),
        "topography/n001.spm",
        "",
        "ISO 28600",
        "TIFF, NPY, SDF",
    ),
    Case(
        "image suffix",
        topography("png", lambda p: p.write_bytes(b"x")),
        "topography/n001.png",
        "",
        "'.png'",
        "TIFF, NPY",
    ),
]


@pytest.mark.parametrize("case", params(CASES))
def test_one_defect_is_told_with_file_place_found_and_expected(case: Case, tmp_path: Path) -> None:
    assert_one_defect(case, tmp_path / "disc")


@pytest.mark.parametrize("case", params(case for case in CASES if "2^40" in case.name))
def test_what_cannot_be_takes_no_memory(case: Case, tmp_path: Path) -> None:
    assert_little_memory(case, tmp_path / "disc")
