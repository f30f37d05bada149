"""Height images nobody wants, by the command as a user types it: a flag or one clear error each."""

import folder_kit
import numpy as np
import pandas as pd
import pytest
from collagen_scenes import Recipe, make_scene
from test_cli import run, tree

from engine.collagen import ImageTip
from engine.store import open_store

NETWORK = make_scene(
    Recipe(size=(128, 128), pixel_nm=(10.0, 10.0), count=34, undulation_nm=30.0),
    ImageTip("paraboloid", 10.0),
    4,
).height_nm
"""An image of 1.28 um."""

# name: heights, width and height in um
IMAGES = {
    "plain": (NETWORK, 1.28, 1.28),
    "constant": (np.full((64, 64), 5.0), 1.28, 1.28),
    "all-nan": (np.full((64, 64), np.nan), 1.28, 1.28),
    "one-row": (NETWORK[:1], 1.28, 0.01),
    "oblong": (NETWORK[::2], 1.28, 1.28),
    "coarse": (NETWORK[:32, :32], 1.248, 1.248),
    "inverted": (-NETWORK, 1.28, 1.28),
    "micrometres": (NETWORK / 1000.0, 1.28, 1.28),
    "picometres": (NETWORK * 1000.0, 1.28, 1.28),
    "checksum": (NETWORK, 1.28, 1.28),
}


def write(folder, images=tuple(IMAGES)):
    rows = [
        folder_kit.image_site(
            name, 40 + 4 * k, 60, "x3p" if name == "checksum" else "tif",
            width_um=IMAGES[name][1], height_um=IMAGES[name][2],
        )
        for k, name in enumerate(images)
    ]  # fmt: skip
    probe = {"tip": {"shape": "paraboloid", "radius_nm": 10.0, "spring_constant_N_per_m": 0.3}}
    folder_kit.write_folder(folder, sites=rows, changes={"probes": probe})
    for name, row in zip(images, rows, strict=True):
        path = folder / row["topography"]
        height = IMAGES[name][0].astype(np.float32)
        if name == "checksum":
            wrong = {"<MD5ChecksumPointData>": "<MD5ChecksumPointData>0"}
            folder_kit.write_x3p(path, height, 10.0, edit=wrong)
        else:
            folder_kit.write_height(path, height)
    return folder


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """What the import said, the site table, and what is kept of each site."""
    home = tmp_path_factory.mktemp("images")
    store = home / "images.zarr"
    imported = run("import", write(home / "folder"), store)
    assert imported.exit_code == 0, imported.output
    done = run("analyse", store, "--workers", 1)
    assert done.exit_code == 0, done.output
    assert run("tables", store, "--out", home / "tables").exit_code == 0
    table = pd.read_csv(home / "tables" / "sites.csv").set_index("site")
    return imported.output, table, open_store(store)


@pytest.mark.parametrize(
    ("site", "flag"),
    [
        ("constant", "constant"),
        ("all-nan", "all_nan"),
        ("one-row", "one_row"),
        ("coarse", "not_resolvable"),
        ("inverted", "heights_inverted"),
        ("micrometres", "unit_suspect"),
        ("picometres", "unit_suspect"),
    ],
)
def test_each_is_flagged_and_the_plain_one_is_not(told, site, flag):
    _, table, _ = told
    assert flag in table["flags"][site].split(";")
    assert flag not in table["flags"]["plain"].split(";")


def test_what_could_not_be_had_is_empty_and_never_a_silent_number(told):
    _, table, _ = told
    for site in ("constant", "all-nan", "one-row"):
        assert np.isnan(table["fibril_thickness_median_nm"][site])
        assert np.isnan(table["band_period_nm"][site])
        assert np.isnan(table["Sdq"][site]) or table["Sdq"][site] == 0.0
    assert np.isnan(table["Sq_nm"]["all-nan"])
    assert table["Sq_nm"]["constant"] == 0.0
    assert np.isnan(table["band_period_nm"]["coarse"])
    assert not table["band_resolvable"]["coarse"]
    assert table["band_resolvable"]["plain"]


def test_pixels_need_not_be_square(told):
    _, table, _ = told
    assert table["image_pixel_u_nm"]["oblong"] == pytest.approx(10.0)
    assert table["image_pixel_v_nm"]["oblong"] == pytest.approx(20.0)
    plain, oblong = (table["fibril_thickness_median_nm"][s] for s in ("plain", "oblong"))
    assert oblong == pytest.approx(plain, rel=0.12)
    assert table["Sq_nm"]["oblong"] == pytest.approx(table["Sq_nm"]["plain"], rel=0.03)


def test_a_wrong_checksum_is_a_warning_kept_beside_the_site(told):
    said, table, store = told
    assert "checksum.x3p" in said
    assert [caution.name for caution in store.sites["checksum"].cautions] == ["x3p_checksum"]
    assert table["Sq_nm"]["checksum"] == pytest.approx(table["Sq_nm"]["plain"], rel=1e-5)


def test_a_truncated_sdf_is_one_error_and_the_store_stays(tmp_path):
    folder = write(tmp_path / "folder", ("plain",))
    store = tmp_path / "kept.zarr"
    assert run("import", folder, store).exit_code == 0
    before = tree(store)
    row = folder_kit.image_site("cut", 50, 60, "sdf")
    folder_kit.write_rows(folder / "sites.csv", [row])
    file = folder / row["topography"]
    folder_kit.write_sdf(file, np.zeros((64, 64)), 20.0)
    file.write_bytes(file.read_bytes()[: file.stat().st_size // 2])
    done = run("import", folder, store)
    assert done.exit_code == 2
    words = " ".join(done.output.split())
    for part in ("cut.sdf", "data", "values", "4096 for 64 x 64"):
        assert part in words
    assert words.count("cut.sdf") == 1
    assert tree(store) == before
