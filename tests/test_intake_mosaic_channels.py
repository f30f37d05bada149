"""An empty, saturated or numberless channel is cautioned, checked or imported, and only then."""

from pathlib import Path

import numpy as np
import pytest
from folder_kit import make_mosaic, write_folder, write_mosaic

from engine.importing import check_folder, import_folder
from engine.intake import open_folder
from engine.intake.channels import Seen, Watch
from engine.store import open_store

GOOD = make_mosaic(np.random.default_rng(0))


def folder_of(path: Path, second: np.ndarray) -> Path:
    changes = {"mosaic": {"channels": ["nuclei", "collagen"]}}
    write_folder(path, mosaic=None, curves=None, changes=changes)
    image = np.stack([GOOD.astype(second.dtype), second])
    write_mosaic(path, image, np.random.default_rng(0))
    return path


def spots(share: float, top: float, dtype: type) -> np.ndarray:
    image = np.full(GOOD.size, 0.3 * top)
    image[: round(share * GOOD.size)] = top
    return np.random.default_rng(0).permutation(image).reshape(GOOD.shape).astype(dtype)


CASES = {
    "empty": (np.full_like(GOOD, 3), "mosaic_channel_empty", "every pixel is 3."),
    "black": (np.zeros_like(GOOD), "mosaic_channel_empty", "every pixel is 0."),
    "full well": (spots(0.02, 65535, np.uint16), "mosaic_saturated", "2.0% of the pixels"),
    "12 bit": (spots(0.05, 4095, np.uint16), "mosaic_saturated", "at 4095"),
    "nan": (np.full(GOOD.shape, np.nan, np.float32), "mosaic_all_nan", "all NaN"),
}


@pytest.mark.parametrize("case", CASES)
def test_an_odd_channel_is_cautioned(tmp_path: Path, case: str) -> None:
    image, name, words = CASES[case]
    folder = folder_of(tmp_path / "disc", image)
    checked = check_folder(folder)
    import_folder(folder, tmp_path / "disc.zarr")
    for cautions in (checked, list(open_store(tmp_path / "disc.zarr").cautions)):
        assert [c.name for c in cautions] == [name]
        assert "Channel collagen" in cautions[0].sentence
        assert words in cautions[0].sentence


@pytest.mark.parametrize(
    "image",
    [GOOD, spots(0.0005, 65535, np.uint16), spots(0.02, 4000, np.uint16), GOOD.astype(np.float32)],
    ids=["good", "few at the top", "bright but not at the top", "float"],
)
def test_a_sound_channel_is_not(tmp_path: Path, image: np.ndarray) -> None:
    assert check_folder(folder_of(tmp_path / "disc", image)) == []


def test_looking_at_some_rows_tells_nothing(tmp_path: Path) -> None:
    folder = open_folder(folder_of(tmp_path / "disc", np.zeros_like(GOOD)))
    source = folder.mosaic()
    source.read_rows(1, 50, 200)
    source.read_rows(1, 0, 20)
    source.read_rows(1, 100, 200)
    assert folder.cautions == []


def test_values_seen_in_parts_count_as_in_one() -> None:
    image = np.random.default_rng(1).integers(0, 50, (90, 7)).astype(np.uint8)
    parts = Seen()
    for first in range(0, 90, 11):
        parts.add(image[first : first + 11])
    assert (parts.low, parts.high) == (image.min(), image.max())
    assert parts.pixels == image.size
    assert parts.at_top == (image == image.max()).sum()


def test_a_watch_follows_channels_side_by_side() -> None:
    watch = Watch()
    assert watch.see(0, 0, np.zeros((5, 3)), 10) is None
    assert watch.see(1, 0, np.ones((5, 3)), 10) is None
    first = watch.see(0, 5, np.full((5, 3), 2.0), 10)
    second = watch.see(1, 5, np.ones((5, 3)), 10)
    assert first is not None
    assert second is not None
    assert (first.low, first.high, first.at_top) == (0.0, 2.0, 15)
    assert second.constant
