"""Large images go through in strips and in single precision, and say the same."""

import sys

import numpy as np
import pytest
from collagen_scenes import Recipe, make_scene

from engine.collagen import ImageTip, analyse_height, strips

TIP = ImageTip("paraboloid", 10.0)


@pytest.fixture(scope="module")
def scene():
    return make_scene(Recipe(size=(230, 190), count=60), TIP, 21)


def test_strips_cover_every_row_once():
    seen = np.zeros(1000, int)
    for read, inner, at in strips.strips(1000, 40_000, 7):
        seen[at] += 1
        rows = np.arange(1000)[read]
        assert np.array_equal(rows[inner], np.arange(1000)[at])
        assert rows[0] == max(0, at.start - 7)
        assert rows[-1] == min(999, at.stop + 6)
    assert (seen == 1).all()


def test_strips_and_single_precision_change_nothing(scene, monkeypatch):
    holed = scene.height_nm.copy()
    holed[40:60, 70:95] = np.nan
    whole = analyse_height(holed, scene.pixel_nm, TIP)
    monkeypatch.setattr(strips, "_STRIP_PX", 4000)
    for module in ("scale", "texture", "faults"):
        monkeypatch.setattr(sys.modules[f"engine.collagen.{module}"], "LARGE_PX", 1)
    parts = analyse_height(holed, scene.pixel_nm, TIP)
    assert np.array_equal(parts.levelled_nm, whole.levelled_nm, equal_nan=True)
    for name in ("Sq_nm", "Sku", "Sdq", "Sdr_pct", "Sal_nm", "Std_deg"):
        assert getattr(parts.texture, name) == pytest.approx(getattr(whole.texture, name), rel=1e-4)
    assert parts.surface.psd_nm4 == pytest.approx(whole.surface.psd_nm4, rel=1e-3)
    assert parts.surface.Sq_window_nm == pytest.approx(whole.surface.Sq_window_nm, rel=1e-9)
    assert np.array_equal(parts.paths.path_u_nm, whole.paths.path_u_nm)
    assert parts.thickness.p95_nm == pytest.approx(whole.thickness.p95_nm, rel=1e-9)
    assert parts.flags == whole.flags


def test_memory_of_a_strip_is_bounded():
    largest = max(read.stop - read.start for read, *_ in strips.strips(10_000, 10_000, 30))
    assert largest * 10_000 <= 1.7 * strips.LARGE_PX
