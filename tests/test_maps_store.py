"""Maps kept with a run: read back, hashed, in the site table, explained."""

import shutil

import maps_kit as kit
import maps_simulator as sim
import numpy as np
import pytest

from engine.collagen.polynomial import subtract_polynomial
from engine.force_volume import MAPPED
from engine.glossary import ALL_FLAGS
from engine.record_maps import COLUMNS
from engine.settings import Settings
from engine.store import open_store
from engine.store.check import check_store
from engine.store.schema import column


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    return open_store(kit.make_store(tmp_path_factory.mktemp("maps")))


def test_maps_are_the_curves_table_on_its_grid(store):
    for site in ("b001", "n001"):
        stored, kept = store.sites[site], store.detail(f"maps/{site}")
        assert kept["maps"] == list(MAPPED)
        assert kept["values"].shape == (len(MAPPED), stored.rows, stored.cols)
        table = store.table("curves")
        table = table[table["site"] == site]
        used = table["used"].to_numpy(bool)
        for name in ("modulus_kPa", "adhesion_nN", "force_nN", "indentation_nm"):
            grid = np.full((stored.rows, stored.cols), np.nan)
            grid[table["row"], table["col"]] = np.where(used, table[name], np.nan)
            np.testing.assert_allclose(kept["values"][MAPPED.index(name)], grid, rtol=1e-6)


def test_contact_height_is_the_surface_and_row_0_has_the_smallest_v(store):
    found = store.detail("maps/n001")["values"][MAPPED.index("contact_height_nm")]
    known = np.isfinite(found)
    assert not known.flat[kit.UNTAKEN]
    assert not known.flat[kit.UNTOUCHED]
    assert known.sum() == kit.ROWS * kit.COLS - 2
    truth = subtract_polynomial(np.where(known, kit.truth(), np.nan), 1)
    assert np.nanstd(found - truth) < 2.0
    # turned over in either direction it would be another surface
    assert np.nanstd(found[::-1] - truth) > 20.0
    assert np.nanstd(found[:, ::-1] - truth) > 20.0


def test_adhesion_is_the_pull_off_row_by_row(store):
    found = store.detail("maps/n001")["values"][MAPPED.index("adhesion_nN")]
    rows = np.nanmedian(found, axis=1)
    # the least of noisy samples reads one or two sigma of them high, 0.045 nN each
    np.testing.assert_allclose(rows, kit.ADHESION_NN[:, 0], atol=0.09)
    assert np.corrcoef(rows, kit.ADHESION_NN[:, 0])[0, 1] > 0.97


def test_site_table_has_the_surfaces_and_how_the_map_lies_on_the_image(store):
    sites = store.table("sites").set_index("site")
    image = sites.loc["n001"]
    assert image["map_image_correlation"] > 0.995
    assert abs(image["map_image_shift_u_nm"]) < 3.0
    assert image["at_load_nN"] == pytest.approx(sim.TRIGGER_NN, rel=0.02)
    assert image["Sq_zero_force_nm"] == pytest.approx(image["Sq_image_alike_nm"], rel=0.03)
    assert image["Sq_zero_force_nm"] < image["Sq_nm"]  # smoothed to the map's grid
    assert image["map_ground_filters"].startswith("plane;S ")
    assert image["map_ground_pixel_nm"] == pytest.approx(
        1e3 * kit.WIDTH_UM / (kit.COLS - 1), rel=0.01
    )
    assert "map_too_coarse_for_fibrils" in image["flags"].split(";")
    for other in ("b001", "n002"):
        assert sites.loc[other, list(COLUMNS)].isna().all()


def test_labels_units_and_flags_are_known(store):
    for name in COLUMNS:
        described = column("sites", name)
        assert described.label != name.replace("_", " ")
        for unit, ending in (("nm", "_nm"), ("nN", "_nN"), ("%", "_pct")):
            assert (described.unit == unit) == name.endswith(ending)
    for flags in store.table("sites")["flags"]:
        assert set(filter(None, flags.split(";"))) <= set(ALL_FLAGS)


def test_a_changed_map_is_found_by_the_check(store, tmp_path):
    copy = tmp_path / "copy.zarr"
    shutil.copytree(store.path, copy)
    assert not list(check_store(copy, deep=True))
    (chunk,) = [p for p in (copy / "runs").rglob("maps/n001/values/c/**/*") if p.is_file()]
    chunk.write_bytes(chunk.read_bytes()[:-1] + b"\0")
    assert any("maps/n001/values" in str(defect) for defect in check_store(copy, deep=True))


def test_settings_have_the_maps():
    assert Settings().maps.drift_degree == 0
    with pytest.raises(ValueError, match="drift_degree"):
        Settings.model_validate({"maps": {"drift_degree": 9}})
