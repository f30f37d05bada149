"""What is written in an open format is read back: properties over random contents."""

import hashlib
from pathlib import Path
from tempfile import TemporaryDirectory

import h5py
import numpy as np
import pytest
import tifffile
from folder_kit import write_curves_csv, write_sdf, write_x3p
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from engine.intake.curves import RawCurves
from engine.intake.formats import curve_reader, height_reader
from engine.intake.heights import RawHeight
from engine.intake.report import Report

shapes = hnp.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=9)
heights = st.one_of(
    hnp.arrays(np.float32, shapes, elements=st.floats(-1000, 1000, width=32) | st.just(np.nan)),
    hnp.arrays(np.float64, shapes, elements=st.floats(-1e4, 1e4) | st.just(np.nan)),
)
few = settings(max_examples=40, deadline=None)


def read_height(path: Path) -> RawHeight:
    report = Report(path.name)
    raw = height_reader(path)(path, report)
    assert report.defects == []
    return raw


def read_curves(path: Path) -> RawCurves:
    report = Report(path.name)
    curves = curve_reader(path)(path, report)
    assert report.defects == []
    assert curves is not None
    return curves


@few
@given(heights, st.booleans(), st.sampled_from("<>"))
def test_npy(height: np.ndarray, by_columns: bool, order: str) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.npy"
        stored = height.astype(height.dtype.newbyteorder(order))
        np.save(path, np.asfortranarray(stored) if by_columns else stored)
        raw = read_height(path)
    np.testing.assert_array_equal(raw.height_nm, height)
    assert raw.height_nm.dtype == height.dtype
    assert raw.height_nm.flags.c_contiguous


@few
@given(heights, st.sampled_from([None, "zlib", "lzw", "zstd"]), st.sampled_from("<>"))
def test_tiff(height: np.ndarray, compression: str | None, order: str) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.tif"
        tifffile.imwrite(path, height, compression=compression, byteorder=order, metadata=None)
        raw = read_height(path)
    np.testing.assert_array_equal(raw.height_nm, height)


@few
@given(heights, st.booleans(), st.sampled_from([3, 7]))
def test_sdf_of_floats(height: np.ndarray, binary: bool, kind: int) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.sdf"
        write_sdf(path, height, 12.5, binary=binary, kind=kind)
        raw = read_height(path)
    np.testing.assert_allclose(raw.height_nm, height, rtol=1e-6, atol=1e-9)
    assert raw.spacing_u_nm == pytest.approx(12.5)


@few
@given(shapes, st.sampled_from([4, 5, 6]), st.booleans(), st.integers(0, 2**31))
def test_sdf_of_integers(shape: tuple[int, int], kind: int, binary: bool, seed: int) -> None:
    counts = np.random.default_rng(seed).integers(-120, 120, shape)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.sdf"
        write_sdf(path, counts * 0.03125, binary=binary, kind=kind, z_scale_m=3.125e-11)
        raw = read_height(path)
    np.testing.assert_allclose(raw.height_nm, counts * 0.03125, atol=1e-9)


@few
@given(heights, st.sampled_from("FD"), st.booleans(), st.booleans(), st.floats(-1e-6, 1e-6))
def test_x3p_of_floats(
    height: np.ndarray, kind: str, mask: bool, namespaced: bool, offset: float
) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.x3p"
        options = {"kind": kind, "mask": mask, "namespaced": namespaced}
        write_x3p(path, height, 8.0, z_offset_m=offset, **options)
        raw = read_height(path)
    np.testing.assert_allclose(raw.height_nm, height, rtol=1e-6, atol=1e-3)
    assert raw.spacing_v_nm == pytest.approx(8.0)


@few
@given(shapes, st.sampled_from("IL"), st.integers(0, 2**31))
def test_x3p_of_integers_with_a_mask(shape: tuple[int, int], kind: str, seed: int) -> None:
    rng = np.random.default_rng(seed)
    height = rng.integers(-30000, 30000, shape) * 0.05
    height[rng.uniform(size=shape) < 0.3] = np.nan
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.x3p"
        write_x3p(path, height, kind=kind, mask=True, z_increment_m=5e-11)
        raw = read_height(path)
    np.testing.assert_allclose(raw.height_nm, height, atol=1e-6)


def test_nist_ascii_example(tmp_path: Path) -> None:
    """The data of NIST's ASCII example of ISO 25178-71: round(10000 sin(n 0.0078540)).

    Its first seven values are 0, 79, 157, 236, 314, 393, 471 (see tests/reference/README.md).
    """
    counts = np.round(10000 * np.sin(np.arange(800) * 0.0078540)).astype(int)
    assert counts[:7].tolist() == [0, 79, 157, 236, 314, 393, 471]
    head = (
        "aISO-1.0\nManufacID   = any\nCreateDate  = 010120260000\nModDate     = 010120260000\n"
        "NumPoints   = 800\nNumProfiles = 1\nXscale      = 1.00e-6\nYscale      = 1.00e-6\n"
        "Zscale      = 1.00e-10\nZresolution = -1\nCompression = 0\nDataType    = 6\n"
        "CheckType   = 0\n*\n"
    )
    body = "\n".join(str(n) for n in counts)
    (tmp_path / "a.sdf").write_text(f"{head}{body}\n*\nsome words\n*\n", encoding="ascii")
    raw = read_height(tmp_path / "a.sdf")
    np.testing.assert_allclose(raw.height_nm[0], counts * 0.1)
    assert raw.spacing_u_nm == pytest.approx(1000)


def test_bad_stands_for_a_missing_point(tmp_path: Path) -> None:
    height = np.arange(12.0).reshape(3, 4)
    height[1, 2] = np.nan
    write_sdf(tmp_path / "a.sdf", height)
    assert "BAD" in (tmp_path / "a.sdf").read_text()
    np.testing.assert_allclose(read_height(tmp_path / "a.sdf").height_nm, height)


def test_the_sums_of_an_x3p_are_those_of_its_members(tmp_path: Path) -> None:
    path = tmp_path / "a.x3p"
    write_x3p(path, np.arange(6.0).reshape(2, 3))
    report = Report("a.x3p")
    height_reader(path)(path, report)
    assert report.cautions == []
    points = (np.arange(6.0) * 1e-9).astype("<f8").tobytes()
    assert hashlib.md5(points).hexdigest().encode() in _member(path, "main.xml")


def _member(path: Path, name: str) -> bytes:
    import zipfile

    with zipfile.ZipFile(path) as archive:
        return archive.read(name)


grids = st.tuples(st.integers(1, 4), st.integers(1, 4), st.integers(2, 12))


def ragged(rng: np.random.Generator, shape: tuple[int, int, int]) -> np.ndarray:
    """Values with tails of NaN; the first curve is whole, some may be missing altogether."""
    values = rng.normal(0, 10, shape).round(6)
    length = rng.integers(0, shape[2] + 1, shape[:2])
    length[-1, -1] = shape[2]
    values[np.arange(shape[2]) >= length[..., None]] = np.nan
    return values


@few
@given(grids, st.sampled_from(["i2", "i4", "f4", "f8"]), st.booleans(), st.integers(0, 2**31))
def test_hdf5_curves(shape: tuple[int, int, int], kind: str, shared: bool, seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = ragged(rng, shape) if kind[0] == "f" else rng.integers(-30000, 30000, shape)
    stored = values.astype(kind)
    z = np.linspace(0, 2, shape[2]) if shared else np.sort(rng.uniform(0, 2, shape))
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.h5"
        with h5py.File(path, "w") as file:
            file["approach/z"], file["approach/deflection"] = z, stored
            file["approach/z"].attrs["unit"] = "um"
            file["approach/deflection"].attrs.update(unit=b"nm", scale=0.25, offset=np.float32(3))
            file.attrs["sample_rate_Hz"] = 2000
        raw = read_curves(path)
    np.testing.assert_array_equal(raw.approach.deflection, stored)
    assert raw.approach.deflection.dtype == np.dtype(kind)
    np.testing.assert_array_equal(raw.approach.z, z)
    assert raw.approach.shared_z is shared
    assert (raw.approach.z_unit, raw.approach.deflection_unit) == ("um", "nm")
    assert (raw.approach.deflection_scale, raw.approach.deflection_offset) == (0.25, 3.0)
    assert raw.sample_rate_Hz == 2000
    np.testing.assert_array_equal(raw.valid, ~np.isnan(values).all(axis=-1))


@few
@given(grids, st.booleans(), st.integers(0, 2**31))
def test_csv_curves_in_any_order_of_curves(
    shape: tuple[int, int, int], quoted: bool, seed: int
) -> None:
    """Curves may differ in length and lie interleaved; samples keep their order in each."""
    rng = np.random.default_rng(seed)
    deflection = ragged(rng, shape)
    z = np.where(np.isnan(deflection), np.nan, rng.uniform(0, 3, shape).round(6))
    lines = []
    for row, col in np.ndindex(shape[:2]):
        for i in range(shape[2]):
            if np.isfinite(z[row, col, i]):
                word = '"approach"' if quoted else "approach"
                lines.append((i, f"{row},{col},{word},{z[row, col, i]},{deflection[row, col, i]}"))
    lines.sort(key=lambda pair: pair[0])  # all first samples, then all second ones
    text = "row,col,segment,z [um],deflection [nN]\n" + "\n".join(line for _, line in lines)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.csv"
        path.write_text(text, encoding="utf-8")
        raw = read_curves(path)
    assert (raw.rows, raw.cols) == shape[:2]
    longest = raw.approach.deflection.shape[2]
    np.testing.assert_allclose(raw.approach.deflection, deflection[..., :longest], rtol=1e-12)
    np.testing.assert_allclose(raw.approach.z, z[..., :longest], rtol=1e-12)
    np.testing.assert_array_equal(raw.valid, np.isfinite(deflection).any(axis=-1))
    np.testing.assert_array_equal(raw.approach.lengths(), np.isfinite(deflection).sum(axis=-1))


def test_a_long_csv_is_read(tmp_path: Path) -> None:
    """64 curves of 2 x 1000 samples, as a map has them."""
    from folder_kit import make_curves

    path = tmp_path / "a.csv"
    data = make_curves(np.random.default_rng(0), 8, 8, 1000)
    write_curves_csv(path, data)
    raw = read_curves(path)
    assert raw.retract is not None
    np.testing.assert_allclose(raw.retract.deflection * 60, data["retract"], atol=1e-4)


def test_hdf5_valid_marks_curves_that_were_not_taken(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file["approach/z"], file["approach/deflection"] = np.arange(5.0), np.ones((2, 3, 5))
        file["approach/deflection"][0, 0, 2] = np.nan  # no defect: nobody says this was a curve
        for name, unit in (("z", "nm"), ("deflection", "nm")):
            file[f"approach/{name}"].attrs["unit"] = unit
        file["valid"] = np.array([[False, True, True], [True, True, False]])
    raw = read_curves(path)
    assert raw.valid.tolist() == [[False, True, True], [True, True, False]]
    assert raw.retract is None


def test_links_within_the_file_are_followed(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file["data/z"], file["data/deflection"] = np.arange(5.0), np.ones((2, 3, 5))
        file["data/z"].attrs["unit"] = file["data/deflection"].attrs["unit"] = "nm"
        file["approach"] = h5py.SoftLink("/data")
    assert read_curves(path).cols == 3
