"""Bad mosaics by the command itself: an error of status 2 and no store, or a caution and flags."""

import numpy as np
import pytest
import test_stitching_bad_tiles as tiles
from folder_kit import PIXEL_UM, make_mosaic, site, write_folder
from tiles_kit import small_scan, tile_name, write_tiled_folder
from typer.testing import CliRunner

from engine.glossary import explain
from engine.store import open_store
from viewer.cli import app

SITES = [site("b001", 100, 100)]
NUCLEI = make_mosaic(np.random.default_rng(0), 320)
SCAN = small_scan(0)


def run(*words):
    return CliRunner().invoke(app, [str(w) for w in words])


def full(value, dtype=np.uint16):
    return np.full(NUCLEI.shape, value, dtype)


BAD_TILES = {
    "missing": (lambda p: (p / tile_name(4)).unlink(), "line 6, file"),
    "of another size": (tiles.tile(7, lambda i: i[:150]), "size"),
    "of another type": (tiles.tile(2, tiles.eight_bit), "uint8"),
    "as pixels": (
        tiles.positions(lambda x, y: (x / PIXEL_UM, y / PIXEL_UM)), "as pixels, they would overlap",
    ),
    "exchanged": (tiles.positions(lambda x, y: (y, x)), "x_um and y_um exchanged"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD_TILES)
def test_tiles_that_cannot_be_end_the_import_and_leave_nothing(case, tmp_path):
    fault, words = BAD_TILES[case]
    folder = write_tiled_folder(tmp_path / "disc", SCAN, sites=SITES)
    fault(folder)
    for told in (run("import", folder, tmp_path / "d.zarr"), run("check", folder)):
        assert told.exit_code == 2
        assert words in " ".join(told.output.split())
        assert "1 defect" in told.output
    assert not (tmp_path / "d.zarr").exists()


def odd(rng):
    """Case to image, channels, words of the caution, flags of the cells, flags of the site."""
    noise = rng.normal(100, 10, NUCLEI.shape).clip(0).astype(np.uint16)
    bright = np.minimum(NUCLEI.astype(int) * 3, 4095).astype(np.uint16)
    bare = {"no_nuclei", "no_outline"}
    return {
        "empty nuclei": (
            [full(0), NUCLEI], ["nuclei", "live"], "Channel nuclei of the mosaic is empty",
            bare | {"flat_image"}, {"too_few_cells", "no_outline", "stain_empty", "no_surround"},
        ),
        "empty stain": (
            [NUCLEI, full(7)], ["nuclei", "live"], "Channel live of the mosaic is empty",
            set(), {"stain_empty"},
        ),
        "stain of nothing but NaN": (
            [NUCLEI.astype(np.float32), full(np.nan, np.float32)], ["nuclei", "live"],
            "Channel live of the mosaic is all NaN", set(), {"stain_empty"},
        ),
        "saturated": (
            [bright], ["nuclei"], "Channel nuclei of the mosaic is saturated",
            {"saturated_image"}, {"stain_saturated"},
        ),
        "no tissue": (
            [noise], ["nuclei"], "", bare, {"too_few_cells", "no_outline", "no_surround"},
        ),
    }  # fmt: skip


@pytest.mark.parametrize("case", odd(np.random.default_rng(0)))
def test_odd_mosaics_are_cautioned_and_what_hangs_on_them_is_flagged(case, tmp_path):
    images, channels, words, of_cells, of_site = odd(np.random.default_rng(1))[case]
    folder = write_folder(
        tmp_path / "disc",
        mosaic=np.stack(images) if len(images) > 1 else images[0],
        sites=SITES,
        changes={"mosaic": {"channels": channels}},
    )
    store = tmp_path / "d.zarr"
    imported = run("import", folder, store)
    assert imported.exit_code == 0
    assert words in " ".join(imported.output.split())
    assert run("analyse", store, "--workers", 1).exit_code == 0
    assert run("check", store, "--deep").exit_code == 0
    opened = open_store(store)
    flags = set(filter(None, opened.detail("cells")["flags"].split(";")))
    assert of_cells <= flags
    assert ("no_outline" in flags) == ("no_outline" in of_cells)
    row = opened.table("sites").iloc[0]
    found = set(row["flags"].split(";"))
    assert of_site <= found
    assert all(" " in sentence for _, sentence in explain(row["flags"]))
    for name in channels:
        level, share = row[f"{name}_window_counts"], row[f"{name}_window_saturated"]
        nothing = "stain_empty" in of_site and words.startswith(f"Channel {name}")
        assert np.isnan(share) == nothing
        assert np.isnan(level) == (nothing or "no_surround" in of_site)
    cells = opened.table("cells")
    if "stain_empty" in of_site and len(cells):
        assert cells["live_mean_counts"].isna().all()
        assert cells["nuclei_mean_counts"].notna().all()
