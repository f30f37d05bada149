"""The demo's forward model against physics, and its story."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.ndimage import grey_dilation

from demo_zarr.curves import MapTruth, approach_deflection, contact_law, take_curves
from demo_zarr.layout import plan_sites
from demo_zarr.network import NetworkTruth, image_network
from demo_zarr.recipe import BAND_PERIOD_NM, BEAD, DISCS, NEEDLE, FaultRecipe
from demo_zarr.relief import dilate
from demo_zarr.scene import make_scene
from demo_zarr.tissue import GAP_UM, grow_cells, pattern_weights

MAIN = DISCS[0]
SMALL = replace(DISCS[1], diameter_um=600.0, map_spacing_um=200.0, images=2)
SOUND = FaultRecipe(0.0, 0.0, 0.0)


def test_sphere_law_near_contact_is_hertz_and_deeper_is_softer() -> None:
    # Ratios of the exact sphere to the paraboloid: tabulated from Sneddon's solution (1965).
    depth, force = contact_law("sphere", 1000.0)
    hertz = 4 / 3 * np.sqrt(1000.0) * depth**1.5
    for share, ratio in ((0.02, 0.9980), (0.1, 0.9900), (0.2, 0.9800), (0.3, 0.9699)):
        at = np.searchsorted(depth, share * 1000.0)
        assert force[at] / hertz[at] == pytest.approx(ratio, abs=3e-4)


@pytest.mark.parametrize("probe", [BEAD, NEEDLE])
@pytest.mark.parametrize("modulus_kPa", [80.0, 700.0, 5000.0])
def test_approach_balances_spring_and_contact_everywhere(probe, modulus_kPa: float) -> None:
    end = 600.0 if probe is BEAD else 60.0
    z = np.linspace(-end, end, 4001)
    bend = approach_deflection(z, 0.0, modulus_kPa, probe)
    assert (bend[z <= 0] == 0).all()
    deep = z > 0.02 * end
    depth, law = contact_law(probe.shape, probe.radius_nm)
    pushed = np.interp(z[deep] - bend[deep], depth, law) * modulus_kPa / 0.75 * 1e-6
    assert pushed == pytest.approx(probe.spring_constant_N_per_m * bend[deep], rel=2e-5)


def _truth(n: int, modulus: float = 400.0) -> MapTruth:
    return MapTruth(
        modulus_kPa=np.full(n, modulus),
        contact_nm=np.linspace(4000, 4100, n),
        adhesion_nN=np.full(n, 3.0),
        loss=np.full(n, 0.06),
        tilt=0.0,
    )


def test_approach_ends_at_the_trigger_force() -> None:
    quiet = replace(BEAD, white_nm=0.0, drift_nm=1e-9)
    curves = take_curves(_truth(5), quiet, SOUND, np.random.default_rng(1))
    rise = curves.approach_nm[:, -1] - curves.approach_nm[:, 0]
    assert rise * BEAD.spring_constant_N_per_m == pytest.approx(BEAD.trigger_nN, rel=1e-6)
    assert (np.diff(curves.approach_z_nm, axis=1) > 0).all()
    assert (np.diff(curves.retract_z_nm, axis=1) < 0).all()


def test_retract_pulls_off_at_the_adhesion_and_loses_the_work_it_says() -> None:
    quiet = replace(BEAD, white_nm=0.0, drift_nm=1e-9, samples=4000)
    curves = take_curves(_truth(3), quiet, SOUND, np.random.default_rng(2))
    spring = BEAD.spring_constant_N_per_m
    level = curves.approach_nm[:, :1]
    ahead, back = (spring * (d - level) for d in (curves.approach_nm, curves.retract_nm))
    assert back.min(axis=1) == pytest.approx(-3.0, rel=0.02)
    into_a = curves.approach_z_nm - ahead / spring - curves.contact_nm[:, None]
    into_b = curves.retract_z_nm - back / spring - curves.contact_nm[:, None]
    loading = np.trapezoid(ahead, into_a, axis=1)
    unloading = -np.trapezoid(back, into_b, axis=1)
    assert curves.dissipation == pytest.approx((loading - unloading) / loading, abs=1e-3)


def test_a_chain_is_pulled_by_its_law_until_it_breaks() -> None:
    """Marko and Siggia 1995: kT / p (1 / (4 (1 - y)^2) - 1/4 + y), by hand at y = 0.8."""
    quiet = replace(NEEDLE, white_nm=0.0, drift_nm=1e-9, samples=6000)
    truth = replace(_truth(2, 5000.0), contour_nm=np.array([50.0, np.nan]))
    truth = replace(truth, adhesion_nN=np.zeros(2), contact_nm=np.full(2, 900.0))
    curves = take_curves(truth, quiet, SOUND, np.random.default_rng(4))
    spring = NEEDLE.spring_constant_N_per_m
    pull = spring * (curves.retract_nm[1] - curves.retract_nm[0])
    pull -= pull[-1]  # the offset of each curve is its own
    out = 900.0 - curves.retract_z_nm[0] - pull / spring
    by_hand = 4.114e-3 / 0.4 * (0.25 / 0.2**2 - 0.25 + 0.8)
    assert np.interp(40.0, out[out > 5], pull[out > 5]) == pytest.approx(by_hand, rel=0.01)
    assert np.abs(pull[out > 0.93 * 50.0]).max() < 1e-6
    assert np.isnan(curves.contour_nm[1])


def test_faulty_curves_are_what_they_are_called() -> None:
    faults = FaultRecipe(no_contact=0.3, saturated=0.3, jump=0.3)
    curves = take_curves(_truth(200), BEAD, faults, np.random.default_rng(3))
    reach = np.ptp(curves.approach_nm, axis=1)
    full = BEAD.trigger_nN / BEAD.spring_constant_N_per_m
    assert (reach[curves.fault == 1] < 0.02 * full).all()
    top = curves.approach_nm.max(axis=1, keepdims=True)
    flat = (curves.approach_nm == top).sum(axis=1)
    assert (flat[curves.fault == 2] > 20).all()
    assert (flat[curves.fault != 2] <= 2).all()
    step = np.abs(np.diff(curves.approach_nm, 2, axis=1)).max(axis=1)
    assert step[curves.fault == 3].min() > 3 * step[curves.fault == 0].max()


def test_dilation_is_that_of_a_paraboloid() -> None:
    surface = np.random.default_rng(4).normal(0, 30, (40, 50)).cumsum(axis=0)
    pixel, radius, reach = 7.0, 14.0, 14
    offset = np.arange(-reach, reach + 1) * pixel
    tip = -(offset[:, None] ** 2 + offset**2) / (2 * radius)
    inner = np.s_[15:-15, 15:-15]
    rough = surface / (np.ptp(surface) / 300.0)
    ours = dilate(rough, pixel, radius)
    assert ours[inner] == pytest.approx(grey_dilation(rough, structure=tip)[inner])


def test_images_change_along_the_front_as_the_story_says() -> None:
    images = [
        image_network(NetworkTruth(damage, 0.5, 320, 7.5, 14.0), np.random.default_rng(5))
        for damage in (0.02, 0.5, 0.98)
    ]
    for before, after in pairwise(images):
        assert after.thickness_median_nm < 0.85 * before.thickness_median_nm
        assert after.order < before.order - 0.05
    assert images[2].sq_nm > 1.3 * images[0].sq_nm
    assert images[0].angle_deg == pytest.approx(np.rad2deg(0.5), abs=6)


def test_bands_stand_at_their_period_along_the_fibril() -> None:
    truth = NetworkTruth(0.0, 0.0, 400, 4.0, 1.0)
    image = image_network(truth, np.random.default_rng(6))
    # Rows run along the fibrils: their mean power spectrum peaks at the period.
    rows = image.surface_nm - image.surface_nm.mean(axis=1, keepdims=True)
    power = (np.abs(np.fft.rfft(rows * np.hanning(400), n=8192, axis=1)) ** 2).mean(axis=0)
    wavelength = 8192 * 4.0 / np.arange(1, power.size)
    near = (wavelength > 50) & (wavelength < 85)
    peak = wavelength[near][np.argmax(power[1:][near] / wavelength[near] ** 3)]
    assert peak == pytest.approx(BAND_PERIOD_NM, abs=3)


def test_stiffness_falls_first_then_cells_change_then_the_network() -> None:
    scene = make_scene(MAIN)
    turn = np.deg2rad(MAIN.front_deg)
    along = np.linspace(-1300, 1300, 400)
    x, y = scene.centre_um + along * np.cos(turn), scene.centre_um + along * np.sin(turn)
    half = [
        along[np.argmax(scene.damage(x, y, lead) > 0.5)]
        for lead in (MAIN.stiffness_lead_um, 0.0, -MAIN.network_lag_um)
    ]
    assert half[0] < half[1] - 150 < half[2] - 200
    assert np.argmax(pattern_weights(0.0)) == 0
    assert [int(np.argmax(pattern_weights(d))) for d in (0.3, 0.52, 0.74, 1.0)] == [1, 2, 3, 4]


def test_groups_keep_their_distance_and_hold_the_cells_their_name_says() -> None:
    scene = make_scene(SMALL)
    cells = grow_cells(scene)
    xy = np.column_stack([cells.x_um, cells.y_um])
    apart = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    other = cells.group[:, None] != cells.group
    assert apart[other].min() >= GAP_UM
    count = np.bincount(cells.group)
    least = np.array([4, 8, 3, 10, 1])[cells.pattern]
    most = np.array([8, 12, 5, 16, 2])[cells.pattern]
    assert ((count >= least) & (count <= most)).all()
    assert scene.depth_um(cells.x_um, cells.y_um).min() > 12


def test_the_main_disc_has_the_sites_that_a_lesson_needs() -> None:
    sites = plan_sites(make_scene(MAIN))
    maps = [site for site in sites if site.kind == "bead-map"]
    images = [site for site in sites if site.kind == "nano-image"]
    assert 60 <= len(maps) <= 80
    assert (len(images), sum(site.curves > 0 for site in images)) == (12, 2)
    centres = np.array([site.disc_um for site in maps])
    for image in images:
        assert np.hypot(*(centres - image.disc_um).T).min() < 50


def test_site_points_turn_with_the_stage() -> None:
    scene = make_scene(SMALL)
    assert np.linalg.det(scene.stage_matrix) < 0
    centre = scene.to_stage(np.array([[300.0, 280.0]]))[0]
    u, v = np.array([0.0, 10.0, 0.0]), np.array([0.0, 0.0, 10.0])
    points = scene.to_stage(scene.site_points(centre, 30.0, u, v)) - centre
    assert points[0] == pytest.approx([0, 0], abs=1e-8)
    assert points[1] == pytest.approx([10 * np.cos(np.pi / 6), 5], abs=1e-8)
    assert points[2] == pytest.approx([-5, 10 * np.cos(np.pi / 6)], abs=1e-8)
