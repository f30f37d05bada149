"""Clips against simulated truth: focus, path, mosaic, a verdict that knows when to be silent."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from clips_kit import clips_folder, write_tiff
from clips_simulator import make_clip, tissue
from scipy.ndimage import gaussian_filter
from scipy.ndimage import shift as moved
from score_clips import analysed, balanced, score

from engine.analysis import analyse_store
from engine.clips import (
    VERDICTS,
    ClipsSettings,
    analyse_clip,
    find_path,
    focus_score,
    judge_focus,
)
from engine.importing import import_folder
from engine.store import ALL_TABLES, open_store


def test_the_focus_score_falls_with_blur_and_knows_noise() -> None:
    sharp = tissue("string", 0)[:200, :200]
    scores = [focus_score(gaussian_filter(sharp, s), 1.5) for s in (0.0, 1.0, 2.0, 4.0)]
    assert scores == sorted(scores, reverse=True)
    # brightness is no sharpness; noise is none either
    assert focus_score(3.0 * sharp, 1.5) == pytest.approx(scores[0], rel=1e-4)
    rng = np.random.default_rng(0)
    noisy = gaussian_filter(sharp, 2.0) + rng.normal(0, 8, sharp.shape)
    assert focus_score(noisy, 1.5) == pytest.approx(scores[2], abs=0.2 * scores[0])
    assert focus_score(100 + rng.normal(0, 8, sharp.shape), 1.5) < 0.1 * scores[0]
    assert focus_score(np.zeros((50, 50)), 1.5) == 0.0


def test_clips_of_every_class() -> None:
    scores = [score(make_clip(kind, 20 + i, 24)) for kind in VERDICTS for i in range(2)]
    assert max(s.path_rms_px for s in scores) < 0.4
    assert min(s.focus_rank for s in scores) > 0.75
    assert max(s.sharpest_excess_px for s in scores) < 0.2
    assert min(s.joined_share for s in scores) > 0.9
    accuracy, answered = balanced(scores)
    assert accuracy >= 0.9
    assert answered >= 0.8


def test_the_mosaic_is_the_tissue_under_the_window() -> None:
    clip = make_clip("cluster", 5, 24, step=3.0, photons=20.0)
    found = analysed(clip)
    assert found.mosaic is not None
    image = found.mosaic.image
    # the joined frames' true places give the mosaic's place in the tissue
    first = np.flatnonzero(found.path.joined)
    off = np.mean(clip.place_px[first] - found.path.place_px[first], axis=0)
    at = off + found.mosaic.origin_px
    row, col = np.floor(at).astype(int)
    truth = moved(tissue("cluster", 1), -(at - [row, col]), order=3, mode="nearest")
    truth = truth[row : row + image.shape[0], col : col + image.shape[1]]
    seen = image[: truth.shape[0], : truth.shape[1]]
    soft = gaussian_filter(truth, 1.2)

    def alike(move: int) -> float:
        both = np.isfinite(seen[3:-3, 3:-3])
        there = soft[3 + move : move - 3, 3 + move : move - 3]
        return float(np.corrcoef(seen[3:-3, 3:-3][both], there[both])[0, 1])

    assert alike(0) > 0.9
    assert alike(0) > max(alike(-2), alike(2)) + 0.05


def test_blurred_frames_between_sharp_ones_break_nothing() -> None:
    clip = make_clip("string", 2, 16)
    frames = clip.frames.astype(float)
    for number in (5, 6, 10):
        frames[number] = gaussian_filter(frames[number], 12.0)
    read = frames.__getitem__
    focus = judge_focus(read, 16, ClipsSettings())
    assert not focus.usable[[5, 6, 10]].any()
    path = find_path(read, focus, ClipsSettings(), 1.0)
    assert not path.joined[[5, 6, 10]].any()
    assert (path.joined == focus.usable).all()
    joined = path.joined
    off = path.place_px[joined] - clip.place_px[joined]
    assert np.std(off, axis=0).max() < 0.5


def test_two_pieces_are_not_glued_together() -> None:
    one, other = make_clip("string", 2, 10, step=4.0), make_clip("cluster", 3, 14, step=4.0)
    frames = np.concatenate([one.frames, other.frames])
    found = analyse_clip(frames.__getitem__, 24, 1.0)
    assert not found.path.joined[:10].any() or not found.path.joined[10:].any()


@pytest.mark.parametrize(
    ("name", "flag"),
    [
        ("no scale", "clip_scale_unknown"),
        ("blurred", None),
        ("dark", "clip_no_sharp_frame"),
        ("empty tissue", "clip_no_sharp_frame"),
        ("half and half", "clip_mixed"),
    ],
)
def test_it_is_silent_where_nothing_can_be_said(name: str, flag: str | None) -> None:
    pixel_um = None if name == "no scale" else 1.0
    if name in ("no scale", "blurred"):
        frames = make_clip("string", 4, 14, soft=4.0 if name == "blurred" else 0.0).frames
    elif name == "half and half":
        frames = make_clip("mixed", 1, 24).frames
    else:
        rng = np.random.default_rng(1)
        level = 0 if name == "dark" else 60
        frames = np.full((10, 128, 128), level, np.uint8)
        if level:
            texture = gaussian_filter(rng.normal(size=(200, 200)), 9.0)
            picture = np.clip(60 + 500 * texture, 0, 255).astype(np.uint8)
            frames = np.stack([picture[2 * i : 2 * i + 128, i : i + 128] for i in range(10)])
    found = analyse_clip(frames.__getitem__, len(frames), pixel_um)
    assert found.verdict.verdict == ""
    assert found.verdict.reason
    if flag is not None:
        assert flag in found.flags


def bundle(side: int, period_px: float = 12.0, depth: float = 0.25) -> np.ndarray:
    """Brightness seen through a bundle of fibres: a honeycomb that stays in place."""
    yy, xx = np.mgrid[:side, :side]
    waves = [
        np.cos(2 * np.pi * (xx * np.cos(t) + yy * np.sin(t)) / period_px)
        for t in (0.0, np.pi / 3, 2 * np.pi / 3)
    ]
    return 1 + depth * np.mean(waves, axis=0)


def test_fibres_of_a_bundle_hold_nothing_in_place() -> None:
    clip = make_clip("string", 2, 20, step=6.0)
    frames = np.clip(clip.frames * bundle(256), 0, 255).astype(np.uint8)
    found = analyse_clip(frames.__getitem__, 20, 1.0)
    assert "clip_fixed_pattern" in found.flags
    joined = found.path.joined
    off = found.path.place_px[joined] - clip.place_px[joined]
    assert np.std(off, axis=0).max() < 0.3
    assert np.ptp(clip.place_px[joined], axis=0).max() > 25
    assert found.verdict.verdict == "string"
    assert "clip_fixed_pattern" not in analysed(clip).flags


def test_a_hand_that_holds_still_keeps_its_scene() -> None:
    rng = np.random.default_rng(0)
    scene = gaussian_filter(tissue("string", 2)[100:356, 100:356], 0.8)
    frames = np.stack([rng.poisson(scene * 2) / 2 for _ in range(12)]).astype(np.uint8)
    found = analyse_clip(frames.__getitem__, 12, 1.0)
    assert "clip_fixed_pattern" not in found.flags
    assert found.path.joined.all()
    assert np.nanmax(np.abs(found.path.place_px)) < 0.5
    assert found.verdict.verdict == "string"


def test_one_frame_is_no_clip() -> None:
    with pytest.raises(ValueError, match="at least 2"):
        analyse_clip(lambda _i: np.zeros((50, 50)), 1, None)


def test_the_same_clip_in_sixteen_bit_says_the_same() -> None:
    clip = make_clip("diffuse", 8, 12)
    wide = clip.frames.astype(np.uint16) * 256
    a, b = analysed(clip), analyse_clip(wide.__getitem__, 12, 1.0)
    np.testing.assert_allclose(a.focus.score, b.focus.score, rtol=1e-3)
    assert a.verdict.verdict == b.verdict.verdict


def test_through_the_whole_tool(tmp_path: Path) -> None:
    clip = make_clip("string", 6, 16)
    tables = [{"file": "s.tif", "pixel_size_um": 1.0}, {"file": "s.tif", "name": "no-scale"}]
    folder = clips_folder(tmp_path / "disc", tables)
    write_tiff(folder / "s.tif", clip.frames, compression="zlib")
    store = tmp_path / "disc.zarr"
    import_folder(folder, store)
    analyse_store(store)
    opened = open_store(store)
    table = opened.table("clips").set_index("clip")
    assert list(opened.table("clips").columns) == [c.name for c in ALL_TABLES["clips"]]
    found = analysed(clip)
    row = table.loc["s"]
    assert row["verdict"] == found.verdict.verdict == "string"
    assert row["frames_sharp"] == found.focus.sharp.sum()
    assert row["cells"] == len(found.verdict.x_um)
    assert row["share_string"] == pytest.approx(found.verdict.shares[0])
    assert table.loc["no-scale", "flags"] == "clip_scale_unknown"
    assert pd.isna(table.loc["no-scale", "cells"])
    detail = opened.detail("clips/s")
    np.testing.assert_allclose(detail["mosaic"], found.mosaic.image)
    np.testing.assert_allclose(detail["focus"], found.focus.score)
