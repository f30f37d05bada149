import numpy as np
import pytest
from scipy import ndimage

from engine.collagen import (
    Basis,
    CollagenSettings,
    analyse_height,
    comparable,
    to_common_ground,
)

FINE = Basis(4000.0, 4000.0, 8.0, 8.0)


@pytest.mark.parametrize(
    ("other", "words"),
    [
        (Basis(8000.0, 4000.0, 8.0, 8.0), ["window"]),
        (Basis(4000.0, 4000.0, 8.0, 12.0), ["pixel"]),
        (Basis(4000.0, 4000.0, 8.0, 8.0, ("quadratic",)), ["levelling"]),
        (Basis(4000.0, 4000.0, 8.0, 8.0, filters=("L 400 nm",)), ["filters"]),
        (
            Basis(10_000.0, 10_000.0, 20.0, 20.0, ("row_median",), ("S 100 nm",)),
            ["window", "pixel", "levelling", "filters"],
        ),
    ],
)
def test_what_differs_is_said(other, words):
    reasons = comparable(FINE, other)
    assert [reason.split(":")[0] for reason in reasons] == words
    assert len(comparable(other, FINE)) == len(words)


def test_alike_within_two_percent():
    assert comparable(FINE, Basis(4040.0, 4000.0, 8.1, 8.0)) == ()
    assert comparable(FINE, FINE) == ()


def test_basis_of_an_analysis():
    height = np.random.default_rng(0).normal(size=(40, 60))
    asked = CollagenSettings(levelling=("plane", "quadratic"), l_filter_nm=200.0)
    found = analyse_height(height, (8.0, 5.0), None, asked)
    expected = Basis(480.0, 200.0, 8.0, 5.0, ("plane", "quadratic"), ("L 200 nm",))
    assert found.basis == expected


def rough(seed=1):
    return ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=(640, 640)), 12.0) * 500


def test_common_ground_makes_one_surface_of_two_scans():
    fine = rough()  # 5 nm
    coarse = fine[2::4, 1::3][:100, :150]  # 20 nm down, 15 nm across; another window
    ground = to_common_ground([(fine, (5.0, 5.0)), (coarse, (15.0, 20.0))])
    assert ground.pixel_nm == 20.0
    assert ground.s_nm == 100.0
    first, second = ground.height_nm
    assert first.shape == second.shape == (100, 112)
    bases = [Basis(112 * 20.0, 2000.0, 20.0, 20.0)] * 2
    assert comparable(*bases) == ()


def test_common_ground_of_one_surface_seen_twice_is_one():
    fine = rough(2)[:600, :600]
    coarse = fine.reshape(300, 2, 300, 2).mean(axis=(1, 3))  # twice the pixel, the same window
    first, second = to_common_ground([(fine, (5.0, 5.0)), (coarse, (10.0, 10.0))]).height_nm
    inner = (slice(15, -15), slice(15, -15))
    assert np.std((first - second)[inner]) < 0.01 * np.std(first[inner])
    plain = np.std(fine[::2, ::2][inner] - first[inner])
    assert plain > 0  # the S-filter has taken something


def test_common_ground_keeps_the_centre():
    v, u = np.indices((101, 101), dtype=float)
    bump = np.exp(-((u - 50) ** 2 + (v - 50) ** 2) / 200)
    wide = np.pad(bump, 50)
    first, second = to_common_ground([(bump, (4.0, 4.0)), (wide, (4.0, 4.0))]).height_nm
    assert first.shape == second.shape == (101, 101)
    assert np.unravel_index(first.argmax(), first.shape) == (50, 50)
    np.testing.assert_allclose(first[20:-20, 20:-20], second[20:-20, 20:-20], atol=1e-6)


def test_holes_stay_holes():
    height = rough(3)[:200, :200].copy()
    height[50:80, 60:100] = np.nan
    (found,) = to_common_ground([(height, (5.0, 5.0))]).height_nm
    assert found.shape == (200, 200)
    assert np.isnan(found[55:75, 65:95]).all()
    assert np.isfinite(found[:45]).all()


def test_nothing_in_common_is_refused():
    with pytest.raises(ValueError, match="at least one"):
        to_common_ground([])
    with pytest.raises(ValueError, match="common window"):
        to_common_ground([(np.zeros((10, 10)), (1.0, 1.0)), (np.zeros((10, 10)), (50.0, 50.0))])
