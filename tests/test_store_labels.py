"""The label image of a run: what it holds, its levels, and what an independent validator says."""

import json

import numpy as np
import pytest
import zarr
from folder_kit import site, write_folder
from ome_zarr_models.v05.image_label import ImageLabel
from ome_zarr_models.v05.labels import Labels
from viewer_kit import mosaic

from engine.analysis import analyse_store
from engine.errors import Cancelled
from engine.importing import import_folder
from engine.settings import Settings
from engine.store import open_store
from engine.store.check import check_store
from engine.store.labels import LabelWriter, commonest
from engine.store.pyramid import Pyramid


def three_stains() -> np.ndarray:
    """A live stain that is no nuclei, the nuclei, and a matrix that fills half of the tissue."""
    nuclei = mosaic()
    y, x = np.mgrid[: nuclei.shape[0], : nuclei.shape[1]]
    on = np.hypot(x - nuclei.shape[1] / 2, y - nuclei.shape[0] / 2) < 0.48 * nuclei.shape[0]
    live = np.where(nuclei > 1200, 900, 80)
    matrix = np.where(on & (x < nuclei.shape[1] / 2), 700, 100)
    return np.stack([live, nuclei, matrix]).astype(np.uint16)


STAINS = ["live", "nuclei", "collagen II"]


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    path = tmp_path_factory.mktemp("stains")
    sites = [site("b001", 60, 80), site("b002", 150, 110)]
    folder = write_folder(
        path / "disc", mosaic=three_stains(), sites=sites, changes={"mosaic": {"channels": STAINS}}
    )
    import_folder(folder, path / "disc.zarr")
    analyse_store(path / "disc.zarr")
    return open_store(path / "disc.zarr")


def test_labels_are_valid_by_an_independent_validator(store):
    parent = zarr.open_group(store.path / "runs/run-0001/labels", mode="r")
    assert Labels.from_zarr(parent).attributes.ome.labels == ["nuclei"]
    found = ImageLabel.from_zarr(parent["nuclei"])
    assert found.attributes.ome.image_label.source.image == "../../../../mosaic"
    source = store.path / "runs/run-0001/labels/nuclei" / "../../../../mosaic"
    assert source.resolve() == (store.path / "mosaic").resolve()


def test_there_are_as_many_levels_as_the_mosaic_has_at_the_same_places(store):
    labels, mosaic_ = store.labels(), store.mosaic
    assert [level.shape for level in labels.levels] == [lv.shape[1:] for lv in mosaic_.levels]
    assert labels.pixel_um == mosaic_.pixel_um
    assert labels.origin_um == mosaic_.origin_um
    assert all(level.dtype == np.uint32 for level in labels.levels)


def test_a_label_is_the_cells_number_plus_one_and_lies_on_it(store):
    labels, cells = store.labels().levels[0][:], store.table("cells")
    assert set(np.unique(labels)) == {0, *(cells["cell"] + 1)}
    pixel = store.mosaic.pixel_um[0][0]
    at = labels[
        np.rint(cells["y_um"] / pixel).astype(int), np.rint(cells["x_um"] / pixel).astype(int)
    ]
    assert at.tolist() == (cells["cell"] + 1).tolist()


def test_a_coarse_level_holds_labels_and_no_means_of_them(store):
    fine, coarse = (store.labels().levels[i][:] for i in (0, 1))
    assert coarse.any()
    assert set(np.unique(coarse)) <= set(np.unique(fine))
    quads = fine.reshape(160, 2, 160, 2).transpose(0, 2, 1, 3).reshape(160, 160, 4)
    assert (quads == coarse[..., None]).any(axis=2).all()


def test_check_sees_labels_that_are_wrong(store, tmp_path):
    import shutil

    assert check_store(store.path, deep=True) == []
    copy = tmp_path / "copy.zarr"
    shutil.copytree(store.path, copy)
    node = copy / "runs/run-0001/labels/nuclei/zarr.json"
    told = json.loads(node.read_text())
    told["attributes"]["ome"]["multiscales"][0]["axes"][0]["name"] = "width"
    node.write_text(json.dumps(told))
    found = check_store(copy)
    assert [d.file for d in found] == ["runs/run-0001/labels"]
    array = copy / "runs/run-0001/labels/nuclei/scale0"
    shutil.copytree(store.path, copy, dirs_exist_ok=True)
    chunk = next(p for p in (array / "c").rglob("*") if p.is_file())
    chunk.unlink()
    assert [d.found for d in check_store(copy)] == ["no file"]


def test_of_four_the_commonest_label_stays():
    four = np.array([[0, 0, 3, 4, 0, 9], [0, 7, 4, 3, 9, 0], [5, 5, 0, 0, 2, 2]], np.uint32)
    assert commonest(four).tolist() == [[0, 3, 9], [5, 0, 2]]
    highest = np.full((2, 2), 2**32 - 1, np.uint32)
    assert commonest(highest).tolist() == [[2**32 - 1]]


def test_a_large_image_is_written_shard_by_shard(tmp_path):
    zarr.create_group(tmp_path / "run", zarr_format=3)
    levels = tuple(
        zarr.create_array(store={}, shape=(1, n, n), dtype="u1", chunks=(1, 512, 512))
        for n in (4100, 2050, 1025, 513, 257, 129)
    )
    pixel = tuple((2.0**i, 2.0**i) for i in range(6))
    writer = LabelWriter(tmp_path / "run", Pyramid(levels, pixel, pixel))
    corner = np.zeros((4, 4), np.uint32)
    corner[2:, 2:] = 70_000
    writer.take(4096, 4096, corner)
    with pytest.raises(ValueError, match="blocks of 2048"):
        writer.take(100, 0, corner)
    writer.finish()
    nuclei = zarr.open_group(tmp_path / "run/labels/nuclei", mode="r")
    assert nuclei["scale0"].shards == (2048, 2048)
    assert nuclei["scale1"][2049, 2049] == 70_000
    assert np.count_nonzero(nuclei["scale1"][2048:]) == 1
    files = [p for p in (tmp_path / "run/labels/nuclei/scale0").rglob("*") if p.is_file()]
    assert len(files) == 2  # the metadata and one shard: what holds nothing is not written


def test_the_commonest_label_is_what_counting_by_hand_gives():
    rng = np.random.default_rng(1)
    for _ in range(60):
        labels = rng.integers(0, 4, rng.integers(1, 9, 2)).astype(np.uint32)
        rows, cols = labels.shape
        padded = np.pad(labels, ((0, rows % 2), (0, cols % 2)), mode="edge")
        for (i, j), said in np.ndenumerate(commonest(labels)):
            four = padded[2 * i : 2 * i + 2, 2 * j : 2 * j + 2].ravel().tolist()
            assert said == min(set(four), key=lambda v: (-four.count(v), v == 0, v))


def test_workers_write_the_same_labels(store, tmp_path):
    import shutil

    copy = tmp_path / "copy.zarr"
    shutil.copytree(store.path, copy)
    settings = Settings(seed=5)
    assert analyse_store(copy, settings, workers=2).run == "run-0002"
    opened = open_store(copy)
    for first, second in zip(store.labels().levels, opened.labels("run-0002").levels, strict=True):
        np.testing.assert_array_equal(first[:], second[:])
    assert check_store(copy, deep=True) == []


def test_a_cancelled_analysis_leaves_no_labels(store, tmp_path):
    import shutil

    copy = tmp_path / "copy.zarr"
    shutil.copytree(store.path, copy)
    asked = []

    def stop():
        asked.append(1)
        return len(asked) > 1

    with pytest.raises(Cancelled):
        analyse_store(copy, Settings(seed=6), cancelled=stop)
    assert sorted(p.name for p in (copy / "runs").iterdir()) == ["run-0001", "zarr.json"]
