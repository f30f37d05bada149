"""Multiscale images: the metadata an independent validator accepts, and the pixels it describes."""

import json
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
import zarr
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.transform import downscale_local_mean

from engine.store import pyramid as pyramid_module
from engine.store.check import ngff_problem
from engine.store.pyramid import halve, level_shapes, read_pyramid, write_pyramid

REFERENCE = Path(__file__).parent / "reference" / "ngff05_image_zarr.json"


def _write(path, image, channels=None, **kwargs):
    group = zarr.create_group(path)
    layers = image if channels else image[None]
    write_pyramid(
        group,
        lambda c, a, b: layers[c, a:b],
        name="picture",
        shape=layers.shape[1:],
        dtype=image.dtype,
        pixel_um=(0.5, 0.5),
        channels=channels,
        **kwargs,
    )
    return group


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 23), st.integers(1, 23), st.sampled_from(["u1", "u2", "f4"]))
def test_halving_is_the_local_mean(rows, cols, dtype):
    """Against scikit-image's local mean, on the part that fills whole 2 x 2 blocks."""
    rng = np.random.default_rng(rows * 31 + cols)
    block = rng.integers(0, 250, (rows, cols)).astype(dtype)
    found = halve(block)
    assert found.shape == ((rows + 1) // 2, (cols + 1) // 2)
    assert found.dtype == block.dtype
    whole = block[: rows // 2 * 2, : cols // 2 * 2].astype(float)
    if whole.size:
        expected = downscale_local_mean(whole, (2, 2))
        tolerance = 0.5 if dtype.startswith("u") else 1e-4
        near = found[: rows // 2, : cols // 2].astype(float)
        assert np.abs(near - expected).max() <= tolerance


def test_halving_ignores_what_has_no_datum():
    block = np.array([[1.0, np.nan], [3.0, np.nan]])
    assert halve(block)[0, 0] == 2.0
    assert np.isnan(halve(np.full((2, 2), np.nan))[0, 0])


@pytest.mark.parametrize("channels", [None, ("nuclei", "matrix")])
def test_metadata_pass_an_independent_validator(tmp_path, channels):
    """Validator: package ome-zarr-models, OME-NGFF 0.5."""
    image = np.arange(700 * 900, dtype="u2").reshape(700, 900)
    image = np.stack([image, image]) if channels else image
    group = _write(tmp_path / "p", image, channels)
    assert ngff_problem(zarr.open_group(tmp_path / "p", mode="r")) == ""
    broken = dict(group.attrs["ome"])
    broken["multiscales"][0]["datasets"][0]["coordinateTransformations"] = []
    group.attrs["ome"] = broken
    assert ngff_problem(zarr.open_group(tmp_path / "p", mode="r")) != ""


def test_metadata_have_the_shape_of_the_reference_example(tmp_path):
    """The reference is a valid OME-NGFF 0.5 example; see reference/README.md."""
    group = _write(tmp_path / "p", np.zeros((1, 600, 600), "u2"), ("nuclei",))
    reference = json.loads(REFERENCE.read_text())["attributes"]["ome"]
    ours = group.attrs["ome"]
    assert ours["version"] == reference["version"]
    theirs = reference["multiscales"][0]
    assert ours["multiscales"][0]["axes"] == theirs["axes"]
    # a level of twice the pixel has its first centre half a fine pixel further in
    second = ours["multiscales"][0]["datasets"][1]["coordinateTransformations"]
    assert second == theirs["datasets"][1]["coordinateTransformations"]


def test_every_level_lies_where_its_transform_says(tmp_path):
    rows, cols = np.mgrid[:600, :520]
    image = (3.0 * cols + 7.0 * rows).astype("f8")  # a ramp: the mean stands at the centre
    found = read_pyramid(_write(tmp_path / "p", image, origin_um=(-10.0, 5.0)))
    for level, (py, px), (oy, ox) in zip(
        found.levels, found.pixel_um, found.origin_um, strict=True
    ):
        values = level[:-1, :-1]
        r, c = np.mgrid[: values.shape[0], : values.shape[1]]
        y, x = oy + r * py, ox + c * px
        expected = 3.0 * (x - 5.0) / 0.5 + 7.0 * (y + 10.0) / 0.5
        np.testing.assert_allclose(values, expected, atol=1e-8)


def test_writing_in_bands_equals_writing_at_once(tmp_path, monkeypatch):
    image = np.random.default_rng(1).integers(0, 60_000, (1300, 700)).astype("u2")
    whole = read_pyramid(_write(tmp_path / "a", image))
    monkeypatch.setattr(pyramid_module, "SHARD", 512)
    banded = read_pyramid(_write(tmp_path / "b", image))
    assert len(whole.levels) == len(banded.levels) == len(level_shapes(1300, 700))
    for a, b in zip(whole.levels, banded.levels, strict=True):
        np.testing.assert_array_equal(a[:], b[:])


def test_xarray_opens_the_levels_as_a_tree(tmp_path):
    _write(tmp_path / "p", np.arange(600.0 * 600).reshape(600, 600))
    tree = xr.open_datatree(tmp_path / "p", engine="zarr", consolidated=False)
    assert tree["scale1/image"].shape == (300, 300)


def test_level_for_a_pixel_size(tmp_path):
    found = read_pyramid(_write(tmp_path / "p", np.zeros((1200, 1200), "u1")))
    assert found.level_for(0.1) == 0
    assert found.level_for(1.0) == 1
    assert found.level_for(1e9) == len(found.levels) - 1
