"""Fibrils of known diameter and direction, dilated exactly."""

import numpy as np
import pytest
from collagen_scenes import Recipe, cylinder_under_tip, make_scene
from pydantic import ValidationError

from engine.collagen import CollagenSettings, ImageTip, analyse_height
from engine.collagen.network import (
    PieceThickness,
    orientation,
    summarise_thickness,
    weighted_quantile,
)
from engine.intake.manifest import Probe
from engine.tasks import image_tip_of

TIP = ImageTip("paraboloid", 10.0, radius_rel_sd=0.0)


@pytest.fixture(scope="module")
def tangle():
    recipe = Recipe(
        size=(220, 220), count=80, diameter_nm=65.0, diameter_cv=0.25, angle_sd_deg=20.0
    )
    scene = make_scene(recipe, TIP, 11)
    return scene, analyse_height(scene.height_nm, scene.pixel_nm, TIP)


@pytest.mark.parametrize("angle", [0.0, 30.0, 90.0, 137.0])
@pytest.mark.parametrize("diameter", [50.0, 90.0, 150.0])
def test_lone_cylinder_under_a_paraboloid(diameter, angle):
    height = cylinder_under_tip(diameter, angle, (140, 140), (8.0, 8.0), 10.0)
    found = analyse_height(height, (8.0, 8.0), TIP)
    # Along a grid line every profile has the same samples, so that nothing averages out.
    within = 0.03 if angle % 90.0 == 0.0 and diameter < 60.0 else 0.02
    assert found.thickness.median_nm == pytest.approx(diameter, rel=within)
    assert found.order > 0.99
    assert (found.angle_site_deg - angle + 90) % 180 - 90 == pytest.approx(0.0, abs=0.5)
    assert len(found.fibrils.u_nm) == 1
    assert np.hypot(found.fibrils.u_nm[0], found.fibrils.v_nm[0]) < 60.0


def test_direction_is_counter_clockwise_from_u_towards_v():
    height = cylinder_under_tip(90.0, 30.0, (140, 140), (8.0, 8.0), 10.0)
    found = analyse_height(height, (8.0, 8.0), TIP)
    u, v = found.paths.path_u_nm, found.paths.path_v_nm
    assert np.polyfit(u, v, 1)[0] == pytest.approx(np.tan(np.radians(30.0)), rel=0.02)
    mirrored = analyse_height(height[::-1], (8.0, 8.0), TIP)
    assert mirrored.angle_site_deg == pytest.approx(150.0, abs=0.5)


@pytest.mark.parametrize("angle", [0.0, 45.0, 90.0])
def test_pixels_need_not_be_square(angle):
    height = cylinder_under_tip(90.0, angle, (200, 140), (10.0, 6.5), 10.0)
    found = analyse_height(height, (10.0, 6.5), TIP)
    assert found.thickness.median_nm == pytest.approx(90.0, rel=0.025)
    assert (found.angle_site_deg - angle + 90) % 180 - 90 == pytest.approx(0.0, abs=1.0)


def test_uncorrected_tip_reads_too_thick_and_says_so():
    height = cylinder_under_tip(60.0, 30.0, (140, 140), (8.0, 8.0), 15.0)
    unknown = analyse_height(height, (8.0, 8.0), ImageTip("paraboloid", None))
    nothing = analyse_height(height, (8.0, 8.0), None)
    right = analyse_height(height, (8.0, 8.0), ImageTip("paraboloid", 15.0))
    assert "radius_unknown" in unknown.flags
    assert "radius_unknown" in nothing.flags
    assert "radius_unknown" not in right.flags
    # The crest's radius of curvature grows by that of the tip: 2 R in diameter, and the flanks add.
    assert unknown.thickness.median_nm - right.thickness.median_nm > 30.0
    assert right.thickness.median_nm == pytest.approx(60.0, rel=0.02)


def test_sharp_cone_is_corrected_and_its_apex_flagged():
    recipe = Recipe(size=(160, 160), count=30, diameter_nm=70.0, diameter_cv=0.0, band_depth=0.0)
    cone = ImageTip("cone", None, 18.0)
    scene = make_scene(recipe, cone, 3)
    found = analyse_height(scene.height_nm, scene.pixel_nm, cone)
    assert "radius_unknown" in found.flags
    assert found.thickness.median_nm == pytest.approx(70.0, rel=0.04)


def test_radius_uncertainty_widens_the_interval(tangle):
    scene, sure = tangle
    unsure = analyse_height(
        scene.height_nm, scene.pixel_nm, ImageTip("paraboloid", 10.0, radius_rel_sd=0.2)
    )
    # 1 nm of radius is 2 to 3 nm of thickness (reference sheet, image analysis).
    assert 2.0 * 2 < unsure.thickness.radius_sd_nm < 2.0 * 3.5
    assert unsure.thickness.median_nm == sure.thickness.median_nm
    high, p95 = unsure.thickness.p95_ci_high_nm, unsure.thickness.p95_nm
    assert unsure.thickness.median_ci_low_nm < sure.thickness.median_ci_low_nm
    assert unsure.thickness.median_ci_high_nm > sure.thickness.median_ci_high_nm
    alone = sure.thickness.p95_ci_high_nm - p95
    assert high - p95 == pytest.approx(np.hypot(alone, 1.96 * unsure.thickness.radius_sd_nm), 1e-3)


def test_radius_uncertainty_reaches_each_piece(tangle):
    scene, sure = tangle
    unsure = analyse_height(
        scene.height_nm, scene.pixel_nm, ImageTip("paraboloid", 10.0, radius_rel_sd=0.1)
    )
    blunter = analyse_height(
        scene.height_nm, scene.pixel_nm, ImageTip("paraboloid", 11.0, radius_rel_sd=0.0)
    )
    each = unsure.fibrils.thickness_radius_sd_nm
    known = np.isfinite(each)
    assert known.sum() > 0.8 * np.isfinite(unsure.fibrils.thickness_nm).sum()
    assert np.median(each[known]) == pytest.approx(unsure.thickness.radius_sd_nm, rel=0.1)
    whole = unsure.thickness.median_nm - blunter.thickness.median_nm
    assert whole == pytest.approx(unsure.thickness.radius_sd_nm, rel=0.4)
    assert not sure.fibrils.thickness_radius_sd_nm.any()
    nothing = analyse_height(scene.height_nm, scene.pixel_nm, None)
    assert np.isnan(nothing.fibrils.thickness_radius_sd_nm).all()


def test_a_probe_may_state_how_well_its_radius_is_known():
    stated = {"shape": "paraboloid", "radius_um": 0.01, "spring_constant_N_per_m": 0.3}
    probe = Probe.model_validate({**stated, "radius_rel_sd": 0.2})
    assert image_tip_of(probe.model_dump(mode="json")) == ImageTip("paraboloid", 10.0, None, 0.2)
    assert image_tip_of(Probe.model_validate(stated).model_dump(mode="json")).radius_rel_sd is None
    with pytest.raises(ValidationError, match="radius_rel_sd"):
        Probe.model_validate({**stated, "radius_rel_sd": 1.5})


def test_tangle_of_known_fibrils(tangle):
    scene, found = tangle
    thickness = found.thickness
    assert thickness.median_nm == pytest.approx(scene.quantile(0.5), rel=0.08)
    assert thickness.p95_ci_low_nm < scene.quantile(0.95) < thickness.p95_ci_high_nm
    assert thickness.median_ci_low_nm < scene.quantile(0.5) < thickness.median_ci_high_nm
    assert found.order == pytest.approx(scene.order, abs=0.08)
    assert (found.angle_site_deg - scene.angle_deg + 90) % 180 - 90 == pytest.approx(0, abs=6)


def test_bias_over_scenes_of_equal_fibrils():
    error = []
    for seed in range(3):
        recipe = Recipe(size=(160, 160), count=36, diameter_nm=70.0, diameter_cv=0.0)
        scene = make_scene(recipe, TIP, seed)
        found = analyse_height(scene.height_nm, scene.pixel_nm, TIP)
        error.append(found.thickness.median_nm / 70.0 - 1)
    assert abs(np.mean(error)) < 0.03
    assert np.max(np.abs(error)) < 0.06


def test_results_hang_together(tangle):
    scene, found = tangle
    pieces, paths = found.fibrils, found.paths
    half = 0.5 * np.array(scene.height_nm.shape) * 8.0
    assert (np.abs(paths.path_u_nm) < half[1]).all()
    assert (np.abs(paths.path_v_nm) < half[0]).all()
    assert set(paths.path_fibril) == set(range(len(pieces.u_nm)))
    assert found.fibril_length_um == pytest.approx(pieces.length_nm.sum() / 1000)
    for piece in np.flatnonzero(np.isfinite(pieces.thickness_nm))[:20]:
        own = paths.path_thickness_nm[paths.path_fibril == piece]
        assert pieces.thickness_nm[piece] == pytest.approx(np.nanmedian(own))
    good = np.isfinite(pieces.thickness_nm)
    mean = np.average(pieces.thickness_nm[good], weights=pieces.length_nm[good])
    assert found.thickness.mean_nm == pytest.approx(mean)
    order, angle = found.order, found.angle_site_deg
    double = np.exp(2j * np.radians(pieces.angle_deg)) @ pieces.length_nm
    assert abs(double) / pieces.length_nm.sum() >= order - 1e-6
    assert (np.degrees(np.angle(double) / 2) - angle + 90) % 180 - 90 == pytest.approx(0, abs=3)
    assert found.junctions_per_um2 == pytest.approx(
        len(found.junction_u_nm) / (scene.height_nm.size * 64e-6)
    )


def test_same_seed_same_result(tangle):
    scene, found = tangle
    again = analyse_height(scene.height_nm, scene.pixel_nm, TIP)
    assert again.thickness == found.thickness
    np.testing.assert_array_equal(again.paths.path_u_nm, found.paths.path_u_nm)


def test_turning_the_image_turns_the_director_only(tangle):
    scene, _found = tangle
    turned = analyse_height(
        np.rot90(scene.height_nm), scene.pixel_nm, TIP, CollagenSettings(levelling=("plane",))
    )
    plain = analyse_height(
        scene.height_nm, scene.pixel_nm, TIP, CollagenSettings(levelling=("plane",))
    )
    assert turned.order == pytest.approx(plain.order, abs=0.03)
    off = turned.angle_site_deg - (plain.angle_site_deg - 90)  # rows run down: a turn back
    assert (off + 90) % 180 - 90 == pytest.approx(0, abs=2)
    assert turned.thickness.median_nm == pytest.approx(plain.thickness.median_nm, rel=0.03)


def test_hole_is_measured_round(tangle):
    scene, found = tangle
    holed = scene.height_nm.copy()
    holed[90:120, 60:110] = np.nan
    result = analyse_height(holed, scene.pixel_nm, TIP)
    assert "missing_data" in result.flags
    assert result.thickness.median_nm == pytest.approx(found.thickness.median_nm, rel=0.05)
    row = result.paths.path_v_nm / 8.0 + 110 - 0.5
    col = result.paths.path_u_nm / 8.0 + 110 - 0.5
    inside = (row > 92) & (row < 117) & (col > 62) & (col < 107)
    assert np.isnan(result.paths.path_thickness_nm[inside]).all()


def test_order_by_a_second_path_through_the_moment_tensor():
    rng = np.random.default_rng(0)
    angle, weight = rng.normal(1.1, 0.5, 500), rng.uniform(0.5, 2, 500)
    u, v = np.cos(angle), np.sin(angle)
    tensor = np.array([[weight @ (u * u), weight @ (u * v)], [weight @ (u * v), weight @ (v * v)]])
    value, vector = np.linalg.eigh(tensor / weight.sum())
    order, director = orientation(u, v, weight)
    assert order == pytest.approx(value[1] - value[0])
    expected = np.degrees(np.arctan2(vector[1, 1], vector[0, 1]))
    assert (director - expected + 90) % 180 - 90 == pytest.approx(0.0, abs=1e-9)


def test_weighted_quantile_of_equal_weights_is_the_midpoint_rule():
    values = np.array([5.0, 1.0, 3.0, 2.0])
    assert weighted_quantile(values, np.ones(4), 0.5) == pytest.approx(np.median(values))
    assert weighted_quantile(values, np.array([9.0, 1, 1, 1]), 0.5) > 3.0


@pytest.mark.parametrize(("radius", "pixel"), [(6.0, 6.0), (14.0, 6.0), (6.0, 8.0), (14.0, 8.0)])
def test_coarse_pixels_and_blunt_tips_leave_little_bias(radius, pixel):
    errors = []
    for angle in (12.0, 33.0, 51.0, 74.0):
        height = cylinder_under_tip(50.0, angle, (120, 120), (pixel, pixel), radius)
        found = analyse_height(height, (pixel, pixel), ImageTip("paraboloid", radius))
        errors.append(found.thickness.median_nm / 50.0 - 1)
    assert abs(np.mean(errors)) < 0.015


def test_fibrils_side_by_side_are_two_and_nothing_between():
    # So near each other that the tip cannot reach the ground, and both look like one from afar.
    one = cylinder_under_tip(60.0, 0.0, (140, 140), (6.0, 6.0), 12.0)
    pair = np.maximum(one, np.roll(one, 14, axis=0))
    found = analyse_height(pair, (6.0, 6.0), ImageTip("paraboloid", 12.0))
    assert len(found.fibrils.length_nm) == 2
    assert found.thickness.median_nm == pytest.approx(60.0, rel=0.03)


def test_corners_that_the_tip_fills_do_not_widen_thin_fibrils():
    recipe = Recipe(size=(200, 200), count=80, diameter_nm=45.0, diameter_cv=0.01)
    tip = ImageTip("paraboloid", 13.0, radius_rel_sd=0.0)
    scene = make_scene(recipe, tip, 3)
    found = analyse_height(scene.height_nm, scene.pixel_nm, tip)
    assert found.thickness.median_nm == pytest.approx(45.0, rel=0.05)


def test_pieces_needed_bring_the_interval_to_the_aim(tangle):
    _, found = tangle
    th, settings = found.thickness, CollagenSettings()
    rng = np.random.default_rng(2)
    size = round(th.pieces_needed)
    value = np.exp(rng.normal(np.log(65.0), 0.25, 40 * size)).reshape(40, size)
    halves = []
    for sample in value:
        piece = PieceThickness(sample, np.zeros(size), np.full(size, 300.0))
        got = summarise_thickness(piece, np.full(size, 300.0), 0.0, settings, 1)
        halves.append((got.p95_ci_high_nm - got.p95_ci_low_nm) / 2 / got.p95_nm)
    assert np.median(halves) == pytest.approx(settings.interval_aim, rel=0.3)
    alone = settings.model_copy(update={"method_rel_sd": 0.1})
    piece = PieceThickness(value[0], np.zeros(size), np.full(size, 300.0))
    assert np.isnan(summarise_thickness(piece, piece.measured_nm, 0.0, alone, 1).pieces_needed)


def test_a_thin_tail_is_said():
    thin = cylinder_under_tip(32.0, 30.0, (140, 140), (9.0, 9.0), 8.0)
    thick = cylinder_under_tip(90.0, 30.0, (140, 140), (9.0, 9.0), 8.0)
    tip = ImageTip("paraboloid", 8.0)
    assert "thin_tail_cut" in analyse_height(thin, (9.0, 9.0), tip).flags
    assert "thin_tail_cut" not in analyse_height(thick, (9.0, 9.0), tip).flags
