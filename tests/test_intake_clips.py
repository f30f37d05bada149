"""Clips read, checked and stored; every kind of bad one gives its own one defect."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile
from clips_kit import clips_folder, write_mp4, write_tiff

from engine.errors import FolderError
from engine.importing import check_folder, import_folder
from engine.store import open_store
from engine.store.check import check_store


def scene(frames: int = 8, rows: int = 64, cols: int = 96) -> np.ndarray:
    """Soft spots that move: what a codec keeps well."""
    yy, xx = np.mgrid[:rows, :cols]
    spots = [(20, 30), (40, 70), (30, 50)]
    take = [
        sum(160 * np.exp(-((yy - y - i) ** 2 + (xx - x - 2 * i) ** 2) / 50) for y, x in spots)
        for i in range(frames)
    ]
    return np.clip(np.stack(take) + 20, 0, 255).astype(np.uint8)


def test_grey_pages_are_stored_as_they_are(tmp_path: Path) -> None:
    frames = scene(20).astype(np.uint16) * 200
    table = {"file": "clips/knee.tif", "pixel_size_um": 1.3, "note": "left"}
    folder = clips_folder(tmp_path / "disc", [table])
    write_tiff(folder / "clips/knee.tif", frames, compression="zlib")
    store = tmp_path / "disc.zarr"
    import_folder(folder, store)
    opened = open_store(store)
    clip = opened.clips["knee"]
    assert (clip.frames, clip.rows, clip.cols) == frames.shape
    assert (clip.pixel_um, clip.note, clip.colour) == (1.3, "left", False)
    np.testing.assert_array_equal(opened.clip_frames("knee")[...], frames)
    assert "clips/knee.tif" in opened.info["sources"]
    assert check_store(store, deep=True) == []


def test_coloured_pages_become_luminance(tmp_path: Path) -> None:
    frames = np.zeros((3, 40, 40, 3), np.uint8)
    frames[..., 1] = 200
    folder = clips_folder(tmp_path / "disc", [{"file": "c.tif", "name": "green"}])
    write_tiff(folder / "c.tif", frames)
    import_folder(folder, tmp_path / "disc.zarr")
    opened = open_store(tmp_path / "disc.zarr")
    assert opened.clips["green"].colour
    assert opened.clips["green"].pixel_um is None
    # green counts 0.587 (ITU-R BT.601)
    assert set(np.unique(opened.clip_frames("green")[...])) == {117}


def test_moving_pictures_come_back(tmp_path: Path) -> None:
    frames = scene(12)
    folder = clips_folder(tmp_path / "disc", [{"file": "a.mp4"}])
    write_mp4(folder / "a.mp4", frames)
    import_folder(folder, tmp_path / "disc.zarr")
    opened = open_store(tmp_path / "disc.zarr")
    clip = opened.clips["a"]
    assert (clip.frames, clip.rate_Hz) == (12, 25.0)
    found = opened.clip_frames("a")[...].astype(float)
    # the codec is lossy and halves no brightness: a few grey levels
    assert np.abs(found - frames).mean() < 3
    assert np.corrcoef(found.ravel(), frames.ravel())[0, 1] > 0.995


def no_such(_path: Path) -> None:
    """Nothing is written."""


def cut(share: float, suffix: str) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        noise = np.random.default_rng(0).integers(0, 255, (30, 64, 96)).astype(np.uint8)
        if suffix == "mp4":
            write_mp4(path, noise)
        else:
            write_tiff(path, noise, compression="zlib", contiguous=False)
        data = path.read_bytes()
        path.write_bytes(data[: int(len(data) * share)])

    return write


def end_missing(path: Path) -> None:
    """An MP4 whose index stood at its end."""
    write_mp4(path, scene(20), whole=False)
    path.write_bytes(path.read_bytes()[:-600])


def sizes(path: Path) -> None:
    with tifffile.TiffWriter(path) as file:
        file.write(scene(3), photometric="minisblack", contiguous=False, metadata=None)
        file.write(scene(1)[0, :50], photometric="minisblack", metadata=None)


def depths(path: Path) -> None:
    with tifffile.TiffWriter(path) as file:
        file.write(scene(2), photometric="minisblack", contiguous=False, metadata=None)
        file.write(scene(1)[0].astype(np.uint16), photometric="minisblack", metadata=None)


def broken_page(path: Path) -> None:
    write_tiff(path, scene(6), compression="zlib", metadata=None)
    with tifffile.TiffFile(path) as file:
        at = file.pages[3].dataoffsets[0]
    data = bytearray(path.read_bytes())
    data[at : at + 12] = b"\xff" * 12
    path.write_bytes(bytes(data))


BAD = {
    "missing": ("a.tif", no_such, "disc.toml", "not there"),
    "another suffix": ("a.gif", lambda p: p.write_bytes(b"GIF89a"), "a.gif", "'.gif'"),
    "no tiff": ("a.tif", lambda p: p.write_bytes(b"hello"), "a.tif", "no readable TIFF"),
    "one page": ("a.tif", lambda p: write_tiff(p, scene(1)), "a.tif", "1 frame"),
    "one frame": ("a.mp4", lambda p: write_mp4(p, scene(1)), "a.mp4", "1 frame"),
    "tiny": ("a.tif", lambda p: write_tiff(p, scene(4, 16, 16)), "a.tif", "16 x 16"),
    "floats": ("a.tif", lambda p: write_tiff(p, scene(4).astype(np.float32)), "a.tif", "float32"),
    "mixed sizes": ("a.tif", sizes, "a.tif", "50 x 96"),
    "mixed depths": ("a.tif", depths, "a.tif", "uint16"),
    "tiff cut": ("a.tif", cut(0.6, "tif"), "a.tif", ""),
    "tiff page broken": ("a.tif", broken_page, "a.tif", "decoded"),
    "mp4 cut": ("a.mp4", cut(0.6, "mp4"), "a.mp4", ""),
    "mp4 without its end": ("a.mp4", end_missing, "a.mp4", "no readable MP4"),
    "no mp4": ("a.mp4", lambda p: p.write_bytes(b"hello" * 99), "a.mp4", "no readable MP4"),
    "empty": ("a.mp4", lambda p: p.write_bytes(b""), "a.mp4", "no readable MP4"),
}


@pytest.mark.parametrize("name", BAD)
def test_one_defect_a_bad_clip(tmp_path: Path, name: str) -> None:
    file, write, place, found = BAD[name]
    folder = clips_folder(tmp_path / "disc", [{"file": file}])
    write(folder / file)
    for call in (check_folder, lambda f: import_folder(f, tmp_path / "out" / "disc.zarr")):
        with pytest.raises(FolderError) as raised:
            call(folder)
        assert [d.file for d in raised.value.defects] == [place], raised.value
        (defect,) = raised.value.defects
        assert found in defect.found
        assert "\n" not in str(defect)
    assert not (tmp_path / "out").exists() or not any((tmp_path / "out").iterdir())


@pytest.mark.parametrize(
    ("tables", "place", "found"),
    [
        ([{"note": "x"}], "[[clips]] 1 file", "nothing"),
        ([{"file": "../a.tif"}], "[[clips]] 1 file", "climbs"),
        ([{"file": "a.tif", "pixel_size_um": 0.0}], "[[clips]] 1 pixel_size_um", "0.0"),
        ([{"file": "a.tif", "pixel_size_mm": 1.0}], "[[clips]] 1 pixel_size_mm", "unknown key"),
        ([{"file": "a b.tif"}], "[[clips]] 1 name", "'a b'"),
        ([{"file": "a.tif"}, {"file": "x/a.tif"}], "[[clips]] 2 name", "'a'"),
    ],
)
def test_one_defect_a_bad_table(
    tmp_path: Path, tables: list[dict[str, object]], place: str, found: str
) -> None:
    folder = clips_folder(tmp_path / "disc", tables)
    write_tiff(folder / "a.tif", scene())
    with pytest.raises(FolderError) as raised:
        check_folder(folder)
    (defect,) = raised.value.defects
    assert (defect.file, defect.place) == ("disc.toml", place)
    assert found in defect.found
