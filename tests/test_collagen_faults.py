import numpy as np
import pytest
from collagen_scenes import Recipe, cylinder_under_tip, make_scene

from engine.collagen import CollagenSettings, ImageTip, analyse_height, find_faults, preview
from engine.collagen.levelling import OPTIONS, level

TIP = ImageTip("paraboloid", 10.0)
PIXEL = (8.0, 8.0)
SETTINGS = CollagenSettings()


@pytest.fixture(scope="module")
def clean():
    return make_scene(Recipe(size=(160, 160), count=60, diameter_nm=60.0), TIP, 5).height_nm


@pytest.mark.parametrize("seed", [5, 6])
def test_nothing_is_found_where_nothing_is_wrong(seed):
    height = make_scene(Recipe(size=(160, 160), count=60, diameter_nm=60.0), TIP, seed).height_nm
    mask, found = find_faults(height, PIXEL, SETTINGS)
    assert (found.spikes, found.scars, found.lost_rows) == (0, 0, 0)
    assert not mask.any()


@pytest.mark.parametrize("angle", [0.0, 45.0, 90.0])
def test_a_lone_fibril_is_no_fault(angle):
    height = cylinder_under_tip(50.0, angle, (120, 140), PIXEL, 10.0)
    assert not find_faults(height, PIXEL, SETTINGS)[0].any()


def test_spikes_up_and_down_are_masked(clean):
    height = clean.copy()
    rng = np.random.default_rng(0)
    at = rng.permutation(np.stack(np.meshgrid(np.arange(10, 150, 14), np.arange(10, 150, 14)), -1)
                         .reshape(-1, 2))[:20]  # fmt: skip
    for k, (row, col) in enumerate(at):
        height[row : row + 1 + k % 2, col] += (-1) ** k * 250.0
    mask, found = find_faults(height, PIXEL, SETTINGS)
    assert found.spikes == 20
    assert all(mask[row, col] for row, col in at)
    assert mask.sum() <= 20 * 4


def test_scars_are_masked_where_they_lie(clean):
    height = clean.copy()
    height[40, 30:90] += 90.0
    height[100:102, 60:130] -= 110.0
    mask, found = find_faults(height, PIXEL, SETTINGS)
    assert found.scars in (2, 3)  # one may be broken by a slope
    truth = np.zeros_like(mask)
    truth[40, 30:90] = truth[100:102, 60:130] = True
    assert (mask & truth).sum() > 0.7 * truth.sum()  # where a slope is as steep, a part is missed
    assert (mask & ~truth).sum() < 0.1 * truth.sum()


def test_rows_that_are_empty_level_or_repeated_are_lost(clean):
    height = clean.copy()
    height[20] = np.nan
    height[50:52] = 0.0
    height[90] = height[89]
    mask, found = find_faults(height, PIXEL, SETTINGS)
    assert found.lost_rows == 4
    assert mask[[50, 51, 90]].all()
    assert not mask[[19, 20, 49, 89, 91]].any()


def test_results_survive_the_faults(clean):
    height = clean.copy()
    height[40, 30:90] += 90.0
    height[75] = 0.0
    height[100, 100] += 900.0
    whole = analyse_height(clean, PIXEL, TIP)
    found = analyse_height(height, PIXEL, TIP)
    assert {"spikes_masked", "scars_masked", "lost_rows"} <= set(found.flags)
    assert not {"spikes_masked", "scars_masked", "lost_rows"} & set(whole.flags)
    assert np.isnan(found.levelled_nm[75]).all()
    assert found.texture.Sq_nm == pytest.approx(whole.texture.Sq_nm, rel=0.01)
    assert found.texture.Sz_nm == pytest.approx(whole.texture.Sz_nm, rel=0.05)
    assert found.thickness.median_nm == pytest.approx(whole.thickness.median_nm, rel=0.04)
    left = analyse_height(height, PIXEL, TIP, CollagenSettings(mask_faults=False))
    assert left.texture.Sz_nm > 1.5 * whole.texture.Sz_nm
    assert found.faults.masked_share == pytest.approx((160 + 60) / 160**2, rel=0.3)


def test_coarse_rows_do_not_make_scars_of_fibrils():
    height = np.zeros((60, 80))
    height += np.random.default_rng(1).normal(size=height.shape)
    height[30] += 50.0  # all along: an offset of the row
    height[20, 10:40] += 50.0  # a fibril one pixel wide, at 40 nm
    assert find_faults(height, (8.0, 40.0), SETTINGS)[1].scars == 0
    assert find_faults(height, PIXEL, SETTINGS)[1].scars == 1


def test_effect_of_each_levelling_step_is_told(clean):
    bowed = clean + 0.004 * (np.arange(160.0) - 80) ** 2
    asked = CollagenSettings(levelling=("plane", "quadratic"))
    found = level(bowed, asked)
    assert found.steps == ("plane", "quadratic")
    assert len(found.Sq_nm) == 3
    assert found.Sq_nm[0] == pytest.approx(np.std(bowed))
    assert found.Sq_nm[1] == pytest.approx(found.Sq_plane_nm)
    assert found.Sq_nm[2] == pytest.approx(np.std(found.height_nm))
    effect = dict(zip(OPTIONS, preview(bowed, asked), strict=True))
    assert effect["plane"] == pytest.approx(found.Sq_nm[1])
    assert effect["quadratic"] == pytest.approx(found.Sq_nm[2])
    for name in ("row_median", "row_difference"):
        done = level(bowed, CollagenSettings(levelling=("plane", name)))
        assert effect[name] == pytest.approx(done.Sq_nm[-1])
    both = level(bowed, CollagenSettings())
    assert effect["row_jitter"] == pytest.approx(both.Sq_nm[-1])
