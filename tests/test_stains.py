"""Stains in the tables: columns of every channel, their units, and the windows' values."""

import numpy as np
import pandas as pd
import pytest
import shapely
from folder_kit import site, write_folder
from test_store_labels import STAINS, store, three_stains  # noqa: F401 - the fixture

from engine.analysis import analyse_store
from engine.importing import import_folder
from engine.stains import stems, surround_levels
from engine.store import open_store
from engine.store.schema import column
from engine.store.tables import export_tables

CELL = ("mean_counts", "rim_counts", "ground_counts", "saturated")
SITE = ("window_counts", "cells_counts", "window_saturated")


def test_every_channel_has_its_columns(store):  # noqa: F811
    cells, sites = store.table("cells"), store.table("sites")
    for stem in ("live", "nuclei", "collagen_II"):
        for ending in CELL:
            assert cells[f"{stem}_{ending}"].notna().all()
        for ending in SITE:
            assert f"{stem}_{ending}" in sites
    assert not [name for name in cells if name.startswith("tiny")]


def test_the_nuclei_need_not_come_first(store):  # noqa: F811
    cells = store.table("cells")
    assert len(cells) == 18
    # the live stain stands at 900 on what is brighter than 1200, on a ground of 80
    assert cells["live_mean_counts"].between(500, 820).all()
    assert np.allclose(cells["live_ground_counts"], 80)
    assert (cells["nuclei_mean_counts"] > 1000).all()


def test_a_windows_stain_counts_from_the_surround(store):  # noqa: F811
    sites = store.table("sites").set_index("site")
    assert store.detail("cells")["surround_counts"].tolist()[2] == 100
    # b001 lies where the matrix is bright (600 above the glass), b002 where it is not
    left, right = (sites.loc[s, "collagen_II_window_counts"] for s in ("b001", "b002"))
    assert 540 < left <= 600
    assert 0 <= right < 60
    # a cell's own ground takes the matrix off: nothing is left of it at the cell
    assert np.abs(store.table("cells")["collagen_II_mean_counts"]).median() < 1


def test_units_and_labels_come_with_the_columns(store):  # noqa: F811
    assert column("cells", "collagen_II_rim_counts").label == "collagen II round the nucleus"
    assert column("sites", "live_window_counts").unit == "counts"
    assert column("sites", "live_window_saturated").unit == ""
    group = store._root["runs/run-0001/tables/cells"]
    assert group["live_mean_counts"].attrs["unit"] == "counts"


def test_they_are_exported(store, tmp_path):  # noqa: F811
    export_tables({"cells": store.table("cells")}, tmp_path)
    back = pd.read_csv(tmp_path / "cells.csv")
    np.testing.assert_allclose(
        back["live_mean_counts"], store.table("cells")["live_mean_counts"], rtol=1e-8
    )


def test_saturated_stains_are_flagged_and_without_surround_nothing_is_given(tmp_path):
    image = three_stains()
    image[0, :, 200:] = 4095
    image[0] = np.minimum(image[0], 4095)
    cropped = image[:, 110:210, 60:300]  # tissue all over: no surround
    folder = write_folder(
        tmp_path / "disc",
        mosaic=np.ascontiguousarray(cropped),
        sites=[site("b001", 30, 30), site("b002", 130, 30)],
        landmarks=None,
        changes={"mosaic": {"channels": STAINS}},
    )
    import_folder(folder, tmp_path / "d.zarr")
    analyse_store(tmp_path / "d.zarr")
    sites = open_store(tmp_path / "d.zarr").table("sites").set_index("site")
    assert sites["live_window_counts"].isna().all()
    flags = {name: set(sites.loc[name, "flags"].split(";")) for name in sites.index}
    assert all({"no_surround", "no_outline"} <= found for found in flags.values())
    assert sites.loc["b002", "live_window_saturated"] > 0.3
    assert "stain_saturated" in flags["b002"]


def test_the_surround_is_the_median_well_off_the_tissue():
    from engine.store.pyramid import Pyramid

    level = np.full((1, 60, 60), 40, np.uint16)
    level[0, 20:40, 20:40] = 900
    level[0, 17:20, 17:43] = 500  # light that the tissue scatters beside it
    level[0, 2, :] = 5000  # dirt
    pyramid = Pyramid((level,), ((4.0, 4.0),), ((0.0, 0.0),))
    tissue = shapely.box(78, 78, 158, 158)
    assert surround_levels(pyramid, tissue, 20.0).tolist() == [40]
    assert np.isnan(surround_levels(pyramid, None, 20.0)).all()
    assert np.isnan(surround_levels(pyramid, shapely.box(-50, -50, 300, 300), 20.0)).all()


@pytest.mark.parametrize(
    ("channels", "expected"),
    [
        (["a b", "a_b", "A-B"], ("a_b", "a_b_2", "A_B_3")),
        (["µ"], ("stain",)),
        (["DAPI/405"], ("DAPI_405",)),
    ],
)
def test_stems_differ(channels, expected):
    assert stems(channels) == expected
