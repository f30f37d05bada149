"""What is suspicious is cautioned, kept with the site, and handed on unchanged."""

from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest
from folder_kit import (
    default_landmarks,
    default_sites,
    image_site,
    make_curves,
    make_height,
    site,
    write_curves,
    write_folder,
    write_height,
    write_landmarks,
    write_rows,
    write_sdf,
    write_x3p,
)

from engine.intake import open_folder
from engine.intake.folder import DiscFolder

Curves = dict[str, np.ndarray]


def folder_of(
    path: Path, change: Callable[[Curves], None] | None = None, name: str = "b001.h5"
) -> DiscFolder:
    data = make_curves(np.random.default_rng(6))
    if change is not None:
        change(data)
    rows = [site("b001", 50, 60, curves=f"curves/{name}")]
    write_folder(path, sites=rows)
    write_curves(path / "curves" / name, **data)
    folder = open_folder(path)
    folder.check()
    assert folder.defects == []
    return folder


def told(folder: DiscFolder) -> list[tuple[str, str]]:
    return [(caution.site, caution.name) for caution in folder.cautions]


def negate_z(data: Curves) -> None:
    data["approach_z"] = 3000 - data["approach_z"]
    data["retract_z"] = 3000 - data["retract_z"]


def from_contact_outwards(data: Curves) -> None:
    for name in ("approach", "approach_z", "retract", "retract_z"):
        data[name] = data[name][..., ::-1]


def retract_alone(data: Curves) -> None:
    data["retract_z"] = data["retract_z"][..., ::-1]


def negate_deflection(data: Curves) -> None:
    data["approach"], data["retract"] = -data["approach"], -data["retract"]


def zero(data: Curves) -> None:
    data["approach"] = np.zeros_like(data["approach"])


def untouched(data: Curves) -> None:
    rng = np.random.default_rng(1)
    drift = np.linspace(0, 5, 200)
    data["approach"] = rng.normal(0, 0.3, data["approach"].shape) + drift


def not_taken(data: Curves) -> None:
    data["approach"] = np.full_like(data["approach"], np.nan)
    data["retract"] = np.full_like(data["retract"], np.nan)


def saturate(count: int) -> Callable[[Curves], None]:
    def change(data: Curves) -> None:
        approach = data["approach"].reshape(16, -1)
        approach[:count] = np.minimum(approach[:count], 0.6 * approach[:count].max(axis=1)[:, None])

    return change


@pytest.mark.parametrize("name", ["b001.h5", "b001.csv"])
@pytest.mark.parametrize(
    ("change", "caution", "number"),
    [
        (negate_z, "reversed_z", "16 of 16"),
        (from_contact_outwards, "reversed_z", "16 of 16"),
        (retract_alone, "reversed_z", "grows on retract in 16"),
        (negate_deflection, "reversed_deflection", "16 of 16"),
        (zero, "deflection_all_zero", "16 curve(s)"),
        (untouched, "no_contact_in_map", "16 curve(s)"),
        (saturate(2), "saturated_detector", "2 of 16"),
        (saturate(16), "saturated_detector", "16 of 16"),
    ],
)
def test_suspicious_curves(
    tmp_path: Path, change: Callable[[Curves], None], caution: str, number: str, name: str
) -> None:
    folder = folder_of(tmp_path / "disc", change, name)
    assert told(folder) == [("b001", caution)]
    assert number in folder.cautions[0].sentence


def test_sound_curves_raise_no_caution(tmp_path: Path) -> None:
    assert folder_of(tmp_path / "disc").cautions == []


def test_a_tenth_of_saturated_curves_is_not_more_than_a_tenth(tmp_path: Path) -> None:
    assert folder_of(tmp_path / "disc", saturate(1)).cautions == []  # 1 of 16


def test_a_map_without_any_curve(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "disc", not_taken, "b001.csv")
    assert told(folder) == [("b001", "no_curve_taken")]


def test_reversed_curves_are_handed_on_as_they_were(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "disc", negate_deflection)
    raw = folder.curves(folder.sites[0])
    assert raw is not None
    assert raw.valid.all()
    with h5py.File(folder.path / "curves/b001.h5") as file:
        np.testing.assert_array_equal(raw.approach.deflection, file["approach/deflection"][...])
        assert raw.approach.deflection_scale == file["approach/deflection"].attrs["scale"]


def test_a_negative_scale_is_no_reversal(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "disc")
    with h5py.File(folder.path / "curves/b001.h5", "r+") as file:
        for name in ("approach", "retract"):
            file[f"{name}/deflection"][...] = -file[f"{name}/deflection"][...]
            file[f"{name}/deflection"].attrs["scale"] *= -1
    folder = open_folder(folder.path)
    folder.check()
    assert folder.cautions == []


def test_an_image_of_nan(tmp_path: Path) -> None:
    path = write_folder(tmp_path / "disc")
    write_height(path / "topography/n001.tif", np.full((64, 64), np.nan, np.float32))
    folder = open_folder(path)
    folder.check()
    assert folder.defects == []
    assert told(folder) == [("n001", "image_all_nan")]
    image = folder.height(folder.sites[2])
    assert image is not None
    assert image.cautions == ("image_all_nan",)


@pytest.mark.parametrize("wrong", ["document", "points"])
def test_a_checksum_inside_an_x3p(tmp_path: Path, wrong: str) -> None:
    path = write_folder(tmp_path / "disc", heights="x3p")
    height = make_height(np.random.default_rng(0))
    file = path / "topography/n001.x3p"
    if wrong == "document":
        write_x3p(file, height, checksum="0" * 32)
    else:
        write_x3p(file, height, edit={"<MD5ChecksumPointData>": "<MD5ChecksumPointData>0"})
    folder = open_folder(path)
    folder.check()
    assert folder.defects == []
    assert told(folder) == [("n001", "x3p_checksum")]


def test_the_lowest_integer_of_an_sdf(tmp_path: Path) -> None:
    path = write_folder(tmp_path / "disc", sites=[image_site("n001", 50, 60, "sdf")])
    height = np.zeros((64, 64))
    height[0, 0] = -32768 * 0.01
    write_sdf(path / "topography/n001.sdf", height, binary=True, kind=5, z_scale_m=1e-11)
    folder = open_folder(path)
    folder.check()
    assert told(folder) == [("n001", "sdf_lowest_value")]


def test_landmarks_that_disagree(tmp_path: Path) -> None:
    rows = default_landmarks(6)
    rows[3][3] += 30
    path = write_folder(tmp_path / "disc", landmarks=rows)
    folder = open_folder(path)
    assert told(folder) == [("", "landmarks_disagree")]
    assert "L4" in folder.cautions[0].sentence
    rows[3][3] -= 25
    write_landmarks(path / "landmarks.csv", rows)
    assert open_folder(path).cautions == []  # 5 um of error leave less than 10 um of residual


def test_landmarks_in_pixels_instead_of_micrometres(tmp_path: Path) -> None:
    rows = [[n, x, y, u / 0.65, v / 0.65] for n, x, y, u, v in default_landmarks()]
    folder = open_folder(write_folder(tmp_path / "disc", landmarks=rows))
    assert ("", "frame_scale") in told(folder)


def test_a_site_off_the_disc(tmp_path: Path) -> None:
    rows = [*default_sites(), site("b003", 124, 122), site("b004", 400, 60)]
    folder = open_folder(write_folder(tmp_path / "disc", sites=rows))
    folder.check()
    assert told(folder) == [("b004", "site_off_disc")]  # off the picture altogether
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    outline = 65 + 62 * np.column_stack([np.cos(turn), np.sin(turn)])
    new = folder.site_off_disc(outline)
    assert [caution.site for caution in new] == ["b003"]
    assert folder.site_off_disc(outline) == []
    assert told(folder) == [("b004", "site_off_disc"), ("b003", "site_off_disc")]


def test_kinds_without_their_data(tmp_path: Path) -> None:
    rows = default_sites()
    rows[0].update(curves="", topography="topography/n001.tif", width_um=1.28, height_um=1.28)
    path = write_folder(tmp_path / "disc", sites=default_sites())
    rows[2].update(curves="curves/b001.h5", topography="", probe="bead")
    write_rows(path / "sites.csv", rows)
    folder = open_folder(path)
    assert told(folder) == [("b001", "map_without_curves"), ("n001", "image_without_height")]
