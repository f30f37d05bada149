"""A folder with tiles, from import to cells: everything lies in the frame of the positions."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tifffile
from folder_kit import PIXEL_UM, site
from ome_zarr_models.v05.image import Image
from scipy.spatial import cKDTree
from tiles_kit import small_scan, tile_name, write_tiled_folder
from tiles_lazy import PIXEL_UM as LAZY_UM
from tiles_lazy import lazy_source

from engine.analysis import analyse_store
from engine.flags import names_in
from engine.importing import check_folder, import_folder, outline_of_mosaic
from engine.intake import open_folder
from engine.stitching import FLAGS
from engine.store import open_store
from engine.store.check import check_store
from engine.view.load import load_scene

ORIGIN_UM = (530.0, -212.5)
MADE = small_scan(0, disc=0.95, per_mpx=700, snr=20.0)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory):
    path = tmp_path_factory.mktemp("tiled")
    # the tissue's middle in the frame of the positions, and a site far off it
    middle = (MADE.centre_px - (MADE.true_px - MADE.nominal_px).mean(axis=0))[::-1]
    x, y = middle * PIXEL_UM + ORIGIN_UM
    sites = [site("b001", x, y), site("b002", x - 2000, y)]
    folder = write_tiled_folder(path / "disc", MADE, origin_um=ORIGIN_UM, sites=sites)
    assert import_folder(folder, path / "disc.zarr")
    assert not import_folder(folder, path / "disc.zarr")
    analyse_store(path / "disc.zarr")
    return open_store(path / "disc.zarr")


def truth_um() -> np.ndarray:
    shift = (MADE.true_px - MADE.nominal_px).mean(axis=0)
    return (MADE.nuclei_px - shift)[:, ::-1] * PIXEL_UM + ORIGIN_UM


def matched(table: pd.DataFrame, truth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    found = table[["x_um", "y_um"]].to_numpy()
    far, which = cKDTree(truth).query(found)
    return found - truth[which], far


def test_cells_lie_in_the_frame_of_the_positions(store):
    off, far = matched(store.table("cells"), truth_um())
    near = far < 2.5
    assert near.mean() > 0.9
    assert near.sum() > 40
    np.testing.assert_allclose(np.median(off[near], axis=0), 0, atol=0.15)


def test_no_cell_of_an_overlap_is_counted_twice(store):
    xy = store.table("cells")[["x_um", "y_um"]].to_numpy()
    true = truth_um()
    far, which = cKDTree(true).query(xy)
    counts = np.bincount(which[far < 2.5], minlength=len(true))
    assert counts.max() == 1


def test_the_pyramid_says_where_its_first_pixel_lies(store):
    pyramid = store.mosaic
    source = open_folder(store.path.parent / "disc").mosaic()
    assert pyramid.origin_um[0] == pytest.approx(source.origin_um)
    steps = np.array(pyramid.origin_um[0])[::-1] - ORIGIN_UM
    np.testing.assert_allclose(steps / PIXEL_UM, np.round(steps / PIXEL_UM), atol=1e-6)
    step = (np.array(pyramid.origin_um[1]) - pyramid.origin_um[0]) / PIXEL_UM
    np.testing.assert_allclose(step, 0.5)
    Image.from_zarr(store._root["mosaic"])  # OME-NGFF 0.5, as an independent model reads it


def test_outline_extent_and_sites_follow(store):
    pyramid = store.mosaic
    rows, cols = pyramid.levels[0].shape[1:]
    y0, x0 = pyramid.origin_um[0]
    outline = store.detail("cells")["outline_um"]
    middle = truth_um().mean(axis=0)
    np.testing.assert_allclose((outline.min(axis=0) + outline.max(axis=0)) / 2, middle, atol=15)
    source = open_folder(store.path.parent / "disc").mosaic()
    coarse = outline_of_mosaic(source)
    np.testing.assert_allclose((coarse.min(axis=0) + coarse.max(axis=0)) / 2, middle, atol=15)
    scene = load_scene(store, store.current_run, store.table)
    half = PIXEL_UM / 2
    assert scene.mosaic.origin_um == pyramid.origin_um
    assert scene.extent_um[1] == pytest.approx(y0 - half)
    assert scene.extent_um[2] == pytest.approx(x0 + cols * PIXEL_UM - half)
    assert scene.extent_um[3] == pytest.approx(y0 + rows * PIXEL_UM - half)
    assert [c.site for c in store.cautions if c.name == "site_off_disc"] == ["b002"]


def test_the_residual_map_is_kept(store):
    tiles = store.tile_map
    source = open_folder(store.path.parent / "disc").mosaic().tiles
    assert tiles.files == tuple(tile_name(i) for i in range(9))
    np.testing.assert_allclose(tiles.correction_um, source.correction_um, atol=6e-4)
    np.testing.assert_allclose(source.correction_um.mean(axis=0), 0, atol=1e-9)
    np.testing.assert_allclose(
        tiles.nominal_um, MADE.nominal_px[:, ::-1] * PIXEL_UM + ORIGIN_UM, atol=1e-3
    )
    known = {flag.name for flag in FLAGS}
    assert {name for names in tiles.flags for name in names.split(";") if name} <= known
    well = np.array([not names for names in tiles.flags])
    error = MADE.true_px - MADE.nominal_px
    off = tiles.correction_um[:, ::-1] / PIXEL_UM - error
    off = (off - off[well].mean(axis=0))[well]
    assert well.sum() >= 5
    assert np.sqrt((off**2).mean()) < 0.5
    assert tiles.links.sum() == 2 * tiles.pair_used.sum()
    assert (tiles.residual_um[tiles.pair_used] < 2 * PIXEL_UM + 1e-3).all()
    assert tiles.settings["search_px"] == 40
    assert tiles.shading[0]["channel"] == "nuclei"


def test_every_tile_counts_among_the_sources(store):
    names = set(store.info["sources"])
    assert {"mosaic/tiles.csv", *(tile_name(i) for i in range(9))} <= names
    assert not check_store(store.path, deep=True)


def test_a_changed_tile_is_imported_anew(tmp_path: Path):
    folder = write_tiled_folder(tmp_path / "disc", small_scan(1))
    assert import_folder(folder, tmp_path / "disc.zarr")
    image = tifffile.imread(folder / tile_name(4))
    tifffile.imwrite(folder / tile_name(4), image + np.uint16(1), metadata=None)
    assert import_folder(folder, tmp_path / "disc.zarr")


def test_channels_are_placed_by_the_nuclei_and_evened_one_by_one(tmp_path: Path):
    made = small_scan(2)
    level = np.random.default_rng(0).integers(200, 220, made.shape).astype(np.uint16)

    def images(number: int) -> np.ndarray:
        return np.stack([level + number, made.read(number)])

    folder = write_tiled_folder(
        tmp_path / "both", made, channels=("collagen", "nuclei"), images=images
    )
    alone = write_tiled_folder(tmp_path / "alone", made)
    both, one = open_folder(folder).mosaic(), open_folder(alone).mosaic()
    assert both.shape == (2, *one.shape[1:])
    np.testing.assert_array_equal(both.tiles.correction_um, one.tiles.correction_um)
    rows = one.shape[1]
    np.testing.assert_array_equal(both.read_rows(1, 0, rows), one.read_rows(0, 0, rows))
    assert [entry["channel"] for entry in both.tiles.shading] == ["collagen", "nuclei"]


@pytest.mark.parametrize("compression", [None, "zlib"])
def test_bands_of_a_folder_are_the_same_whole_or_in_parts(tmp_path: Path, compression):
    folder = write_tiled_folder(tmp_path / "disc", small_scan(3), compression=compression)
    source = open_folder(folder).mosaic()
    rows = source.shape[1]
    one = source.read_rows(0, 0, rows)
    parts = [source.read_rows(0, a, min(a + 37, rows)) for a in range(0, rows, 37)]
    np.testing.assert_array_equal(np.vstack(parts), one)
    assert source.read_rows(0, 5, 5).shape == (0, source.shape[2])
    with pytest.raises(IndexError):
        source.read_rows(0, 0, rows + 1)


@pytest.mark.parametrize("dtype", [np.uint8, np.float32])
def test_other_types_of_pixel(tmp_path: Path, dtype):
    made = small_scan(4, dtype=dtype, tissue=60.0, dark=20.0, noise=4.0, snr=10.0)
    folder = write_tiled_folder(tmp_path / "disc", made)
    assert check_folder(folder) == []
    source = open_folder(folder).mosaic()
    assert source.dtype == dtype
    off = source.tiles.correction_um[:, ::-1] / PIXEL_UM - (made.true_px - made.nominal_px)
    assert np.std(off, axis=0).max() < 0.5


def test_tiles_of_a_lazy_source_are_placed():
    source, error = lazy_source(2800, 3700)
    off = source.tiles.correction_um[:, ::-1] / LAZY_UM - error
    assert np.std(off, axis=0).max() < 0.2
    assert set(source.tiles.flags) == {""}
    assert names_in(FLAGS, 0) == ""


_MEASURE = """
import resource, sys
sys.path[:0] = sys.argv[1:3]
from tiles_lazy import lazy_source
lazy_source(1100, 1100, channels=1)[0].read_rows(0, 0, 64)
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
source, _ = lazy_source({rows}, 30_000)
for channel, first in ((0, 0), (1, 700)):
    band = source.read_rows(channel, first, first + 900)
    assert band.shape == (900, source.shape[2]) and band.std() > 0
    del band
print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024)
"""


def test_bands_of_a_wide_mosaic_need_little_memory():
    """30,000 pixels wide, two channels: what a band needs does not grow with the rows.

    Two rows of 33 tiles are registered and read here; the benchmark does all 33 rows.
    """
    root = Path(__file__).parents[1]
    done = subprocess.run(
        [sys.executable, "-c", _MEASURE.format(rows=1900), str(root), str(root / "tests")],
        capture_output=True, text=True, check=True, timeout=200,
    )  # fmt: skip
    # MiB beyond a small mosaic's; Python and its libraries are not counted
    assert float(done.stdout) < 400


def test_placing_tiles_is_told_and_each_pixel_of_the_mosaic_is_blended_once(tmp_path, monkeypatch):
    from engine.intake import stitched

    blended: list[tuple[int, int]] = []
    plain = stitched.blend_rows

    def counted(canvas, read, first, stop, field, dtype):
        blended.append((first, stop))
        return plain(canvas, read, first, stop, field, dtype)

    monkeypatch.setattr(stitched, "blend_rows", counted)
    folder = write_tiled_folder(tmp_path / "disc", small_scan(), sites=[site("b001", 60, 60)])
    told: list[tuple[str, float]] = []
    import_folder(folder, tmp_path / "d.zarr", lambda what, share: told.append((what, share)))
    rows = open_store(tmp_path / "d.zarr").mosaic.levels[0].shape[1]
    assert sum(stop - first for first, stop in blended) == rows
    shares = [share for what, share in told if what == "placing tiles"]
    assert len(shares) > 9
    assert shares == sorted(shares)
    assert [share for _, share in told] == sorted(share for _, share in told)
    blended.clear()
    check_folder(folder)
    assert sum(stop - first for first, stop in blended) == rows
