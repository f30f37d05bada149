"""Whole folders: good ones in every format, many defects at once, the practice discs."""

import shutil
from pathlib import Path

import h5py
import numpy as np
import pytest
from folder_kit import (
    MODULUS_KPA,
    PIXEL_UM,
    STAGE_FROM_DISC,
    STAGE_OFFSET_UM,
    default_landmarks,
    default_sites,
    make_curves,
    make_height,
    make_mosaic,
    site,
    write_curves,
    write_folder,
    write_height,
    write_landmarks,
    write_rows,
    write_x3p,
)

import engine.intake
from engine.errors import FolderError
from engine.intake import open_folder
from engine.intake.folder import DiscFolder

PRACTICE = Path(__file__).parents[2] / "shared" / "practice"


def checked(path: Path) -> DiscFolder:
    folder = open_folder(path)
    folder.check()
    return folder


def caution_names(folder: DiscFolder) -> set[tuple[str, str]]:
    return {(caution.site, caution.name) for caution in folder.cautions}


def test_the_public_list_is_what_others_import() -> None:
    assert engine.intake.__all__ == sorted(engine.intake.__all__)
    for name in engine.intake.__all__:
        assert getattr(engine.intake, name).__doc__


@pytest.mark.parametrize(
    ("mosaic", "curves", "heights"),
    [("ome", "h5", "tif"), ("tif", "csv", "npy"), ("zarr", "h5", "sdf"), ("ome", "csv", "x3p")],
)
def test_a_good_folder_has_no_defect_in_any_format(
    tmp_path: Path, mosaic: str, curves: str, heights: str
) -> None:
    path = write_folder(tmp_path / "disc", mosaic=mosaic, curves=curves, heights=heights, seed=3)
    before = sorted((p, p.stat().st_mtime_ns) for p in path.rglob("*"))
    folder = checked(path)
    folder.finish()
    assert folder.cautions == []
    assert [s.site for s in folder.sites] == ["b001", "b002", "n001", "n002"]
    assert folder.manifest.probes["bead"].radius_nm == 5000
    assert folder.manifest.disc.donor == "sheep-1"
    source = folder.mosaic()
    assert source is not None
    rng = np.random.default_rng(3)
    image = make_mosaic(rng)
    whole = np.vstack([source.read_rows(0, r, min(r + 37, 200)) for r in range(0, 200, 37)])
    np.testing.assert_array_equal(whole, image)
    assert source.pixel_um == PIXEL_UM
    told = make_curves(rng)
    raw = folder.curves(folder.sites[0])
    assert raw is not None
    assert (raw.rows, raw.cols) == (4, 4)
    volts = raw.approach.deflection * raw.approach.deflection_scale
    np.testing.assert_allclose(volts * 60, told["approach"], atol=0.02)
    assert sorted((p, p.stat().st_mtime_ns) for p in path.rglob("*")) == before


def test_sites_come_out_where_they_were_put(tmp_path: Path) -> None:
    folder = open_folder(write_folder(tmp_path / "disc"))
    assert folder.frame.mirrored
    where = folder.frame.to_disc([[s.x_um, s.y_um] for s in folder.sites])
    np.testing.assert_allclose(where, [[50, 60], [80, 70], [52, 61], [81, 69]], atol=2e-3)
    assert [s.rotation_deg for s in folder.sites] == [30, 0, 30, 30]


def test_all_defects_of_a_folder_stand_in_one_listing(tmp_path: Path) -> None:
    path = write_folder(tmp_path / "disc")
    rows = default_sites()
    rows[0]["width_um"] = -1  # this row's curve file is looked at all the same
    rows[1]["probe"] = "ball"
    rows.append(site("b003", 60, 60, curves="curves/none.h5"))
    write_rows(path / "sites.csv", rows)
    with h5py.File(path / "curves/b001.h5", "r+") as file:
        file["approach/z"].attrs["unit"] = "feet"
        file["retract/z"].attrs["unit"] = "yards"
    write_landmarks(path / "landmarks.csv", default_landmarks()[:2])
    (path / "topography/n002.tif").write_bytes(b"")
    text = (path / "disc.toml").read_text(encoding="utf-8")
    text = text.replace("poisson_ratio = 0.5", "poisson_ratio = 1.5").replace('"nuclei"', '"n"')
    (path / "disc.toml").write_text(text, encoding="utf-8")
    folder = checked(path)
    told = {(d.file, d.place) for d in folder.defects}
    assert told == {
        ("disc.toml", "[sample] poisson_ratio"),
        ("disc.toml", "[mosaic] channels"),
        ("landmarks.csv", ""),
        ("sites.csv", "line 2, site b001, width_um"),
        ("sites.csv", "line 3, site b002, probe"),
        ("sites.csv", "line 6, site b003, curves"),
        ("curves/b001.h5", "/approach/z unit"),
        ("curves/b001.h5", "/retract/z unit"),
        ("topography/n002.tif", ""),
    }
    with pytest.raises(FolderError) as raised:
        folder.finish()
    assert len(raised.value.defects) == len(folder.defects)
    with pytest.raises(FolderError, match="poisson_ratio"):
        _ = folder.manifest


def test_a_manifest_that_cannot_be_parsed_hides_no_other_file(tmp_path: Path) -> None:
    path = write_folder(tmp_path / "disc")
    (path / "disc.toml").write_text("[disc\n", encoding="utf-8")
    (path / "curves/b002.h5").write_bytes(b"")
    assert {d.file for d in checked(path).defects} == {"disc.toml", "curves/b002.h5"}


def test_asking_for_a_broken_manifest_tells_the_rest_too(tmp_path: Path) -> None:
    path = write_folder(tmp_path / "disc", changes={"sample": {"poisson_ratio": 2.0}})
    (path / "curves/b002.h5").write_bytes(b"")
    folder = open_folder(path)
    with pytest.raises(FolderError) as raised:
        _ = folder.manifest
    assert {d.file for d in raised.value.defects} == {"disc.toml", "curves/b002.h5"}


@pytest.mark.parametrize("made", [False, True])
def test_what_is_no_folder_is_told(tmp_path: Path, made: bool) -> None:
    path = tmp_path / "disc"
    if made:
        path.write_text("no folder")
    folder = checked(path)
    (defect,) = folder.defects
    assert defect.file == str(path)
    assert defect.found == ("a file" if made else "nothing")


def test_byte_order_marks_and_line_ends_of_other_systems_are_welcome(tmp_path: Path) -> None:
    path = write_folder(tmp_path / "disc", curves="csv")
    for name in ("disc.toml", "sites.csv", "landmarks.csv", "curves/b001.csv"):
        text = (path / name).read_text(encoding="utf-8").replace("\n", "\r\n").replace("\r\r", "\r")
        (path / name).write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert checked(path).defects == []


def test_further_columns_are_kept_and_ignored(tmp_path: Path) -> None:
    path = write_folder(tmp_path / "disc")
    rows = [{**row, "humidity": "44 %, röm"} for row in default_sites()]
    write_rows(path / "sites.csv", rows)
    folder = checked(path)
    assert folder.defects == []
    assert folder.sites[0].further == {"humidity": "44 %, röm"}


def test_unknown_keys_are_ignored_with_a_caution(tmp_path: Path) -> None:
    path = write_folder(tmp_path / "disc", changes={"disc": {"operator": "someone"}})
    folder = checked(path)
    assert folder.defects == []
    assert caution_names(folder) == {("", "unknown_key")}


def test_without_landmarks_the_frames_are_one(tmp_path: Path) -> None:
    rows = [{**site("b001", 0, 0), "x_um": 50, "y_um": 60}]
    path = write_folder(tmp_path / "disc", sites=rows, changes={"frame": None})
    folder = checked(path)
    assert folder.frame.method == "identity"
    assert folder.defects == []
    assert caution_names(folder) == {("", "landmarks_unused")}
    (path / "landmarks.csv").unlink()
    assert checked(path).cautions == []


def test_a_link_that_stays_inside_is_followed(tmp_path: Path) -> None:
    path = write_folder(tmp_path / "disc")
    (path / "curves/b002.h5").unlink()
    (path / "curves/b002.h5").symlink_to("b001.h5")
    assert checked(path).defects == []


def test_widths_of_n_and_of_n_minus_one_spacings_are_accepted(tmp_path: Path) -> None:
    height = make_height(np.random.default_rng(1))
    for width in (1.28, 1.26, 1.28 * 1.0099, 1.26 * 0.9901):
        rows = default_sites(None, "x3p")[:1]
        rows[0]["width_um"] = rows[0]["height_um"] = width
        path = write_folder(tmp_path / f"disc{width}", sites=rows)
        write_x3p(path / "topography/n001.x3p", height, 20.0)
        folder = checked(path)
        assert folder.defects == []
        image = folder.height(folder.sites[0])
        assert image is not None
        assert image.pixel_u_nm == pytest.approx(20.0)


def test_pixels_of_plain_images_tile_the_width(tmp_path: Path) -> None:
    rows = default_sites(None, "npy")[:1]
    rows[0].update(width_um=3.2, height_um=1.6)
    path = write_folder(tmp_path / "disc", sites=rows)
    write_height(path / "topography/n001.npy", np.zeros((40, 64), np.float64))
    image = checked(path).height(open_folder(path).sites[0])
    assert image is not None
    assert (image.pixel_u_nm, image.pixel_v_nm) == (50, 40)
    assert image.height_nm.dtype == np.float64


def test_the_kit_simulates_what_it_says() -> None:
    """Force balance k d = 4/3 E/(1-nu^2) sqrt(R) (travel - d)^1.5 at the last sample."""
    data = make_curves(np.random.default_rng(0), samples=50)
    d = data["approach"][..., -1]
    contact = 3000 - d - (0.8 * d * 3 * 0.75 / (4 * MODULUS_KPA * 1e-6 * np.sqrt(5000))) ** (2 / 3)
    assert np.all((contact > 1880) & (contact < 2120))
    assert np.linalg.det(STAGE_FROM_DISC) < 0
    assert STAGE_OFFSET_UM.shape == (2,)


def test_a_curve_reader_can_be_plugged_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from engine.intake import formats
    from engine.intake.curves_hdf5 import read_hdf5

    class Entry:
        name = "maps"

        @staticmethod
        def load() -> object:
            return read_hdf5

    known = {"splendens.curve_readers": [Entry]}
    monkeypatch.setattr(formats, "entry_points", lambda group: known.get(group, []))
    path = write_folder(tmp_path / "disc", sites=[site("b001", 50, 60, curves="curves/b001.maps")])
    write_curves(path / "curves/b001.maps")
    folder = checked(path)
    assert folder.defects == []


@pytest.mark.practice
@pytest.mark.parametrize(("name", "sites"), [("disc", 128), ("small/disc", 16)])
def test_practice_discs_open_with_no_defect_and_no_caution(name: str, sites: int) -> None:
    if not PRACTICE.is_dir():
        pytest.skip("the practice discs are not beside the checkout")
    folder = checked(PRACTICE / name)
    assert folder.defects == []
    assert folder.cautions == []  # none was planted, by their truth.json
    assert len(folder.sites) == sites


@pytest.mark.practice
def test_a_practice_disc_spoilt_in_two_places_tells_both(tmp_path: Path) -> None:
    if not PRACTICE.is_dir():
        pytest.skip("the practice discs are not beside the checkout")
    path = tmp_path / "disc"
    shutil.copytree(PRACTICE / "small/disc", path)
    (path / "topography/n001.sdf").write_bytes((path / "topography/n001.sdf").read_bytes()[:9000])
    (path / "curves/b003.h5").write_bytes((path / "curves/b003.h5").read_bytes()[:9000])
    assert {d.file for d in checked(path).defects} == {"topography/n001.sdf", "curves/b003.h5"}
