"""Surface at zero force against the surface under load: closed forms, grids, guards."""

from dataclasses import replace

import collagen_scenes as scenes
import maps_simulator as sim
import numpy as np
import pandas as pd
import pytest

from engine.collagen import (
    CollagenSettings,
    ImageTip,
    analyse_height,
    comparable,
    transmission,
)
from engine.collagen.match import NO_MATCH, match_heights
from engine.force_volume import MAPPED, ForceVolume
from engine.image_basis import MAP_SIZES, map_basis_columns, unlike_images
from engine.maps_settings import MapsSettings
from engine.mechanics.at_load import load_law
from engine.zero_force import compare_loads

COLLAGEN, MAPS = CollagenSettings(), MapsSettings()
TIP = ImageTip("paraboloid", 20.0)
LOAD_NN = 2.0


def volume(height_nm, modulus_kPa, pixel_nm, force_nN=LOAD_NN):
    shape = height_nm.shape
    maps = dict.fromkeys(MAPPED, np.zeros(shape)) | {
        "modulus_kPa": np.broadcast_to(modulus_kPa, shape),
        "contact_height_nm": height_nm,
        "force_nN": np.broadcast_to(force_nN, shape),
        "contact_se_nm": np.full(shape, 0.5),
    }
    values = np.stack([maps[name] for name in MAPPED]).astype(np.float32)
    law = load_law(sim.TIP, None, sim.NU, 5e3)
    return ForceVolume(values, pixel_nm, pixel_nm, ("plane",), LOAD_NN, law, NO_MATCH)


def modulus_for(depth_nm):
    """Young's modulus that gives these depths under the load (Hertz 1882), kPa."""
    return 0.75 * LOAD_NN * (1 - sim.NU**2) / (np.sqrt(20.0) * depth_nm**1.5) * 1e6


def test_an_even_surface_of_uneven_stiffness_shows_relief_under_load_only():
    # depth 40 + 10 cos: the surface under load is that wave, as the common ground's filter lets it
    pixel, wavelength, amplitude = 30.0, 640.0, 10.0
    u = np.arange(128) * pixel
    depth = 40.0 + amplitude * np.cos(2 * np.pi * u / wavelength) * np.ones((128, 1))
    found = compare_loads(
        volume(np.zeros((128, 128)), modulus_for(depth), pixel), None, TIP, COLLAGEN, MAPS
    )
    kept = amplitude * float(transmission(np.array(wavelength), found.smoothed_nm))
    assert found.smoothed_nm == pytest.approx(5 * pixel)
    assert found.zero.Sq_nm < 1e-3
    assert found.loaded.Sq_nm == pytest.approx(kept / np.sqrt(2), rel=0.01)
    assert found.loaded.Sdq == pytest.approx(2 * np.pi / wavelength * kept / np.sqrt(2), rel=0.02)
    assert found.load_nN == LOAD_NN


def test_even_stiffness_leaves_the_relief_as_it_is():
    height = sim.surface(96, 96)
    found = compare_loads(volume(height, 300.0, 3000.0 / 95), None, TIP, COLLAGEN, MAPS)
    for name in ("Sa_nm", "Sq_nm", "Sdq", "Sal_nm"):
        assert getattr(found.loaded, name) == pytest.approx(getattr(found.zero, name), rel=1e-4)


def test_a_soft_matrix_deepens_the_valleys():
    height = sim.surface(96, 96)
    modulus = np.where(height > 0, 2000.0, 200.0)
    found = compare_loads(volume(height, modulus, 3000.0 / 95), None, TIP, COLLAGEN, MAPS)
    assert found.loaded.Sq_nm > 1.1 * found.zero.Sq_nm


def test_the_image_on_the_same_ground_has_the_same_numbers():
    network = analyse_height(sim.surface(500, 500, pixels=True), (6.0, 6.0), TIP, COLLAGEN)
    found = compare_loads(
        volume(sim.surface(100, 100), 300.0, 3000.0 / 99), network, TIP, COLLAGEN, MAPS
    )
    for name in ("Sa_nm", "Sq_nm", "Sdq", "Sal_nm"):
        assert getattr(found.image, name) == pytest.approx(getattr(found.zero, name), rel=0.01)
    # and it is said that these are not the image's own numbers
    assert network.texture.Sdq > 1.02 * found.image.Sdq
    assert [reason.split(":")[0] for reason in found.unlike] == ["pixel", "filters"]
    assert comparable(found.basis, found.basis) == ()


def test_thickness_at_zero_force_is_that_of_the_image_where_the_grid_is_fine():
    recipe = scenes.Recipe(size=(256, 256), pixel_nm=(8.0, 8.0), diameter_nm=90.0)
    tip = ImageTip("paraboloid", 8.0)
    scene = scenes.make_scene(recipe, tip, 4)
    network = analyse_height(scene.height_nm, scene.pixel_nm, tip, COLLAGEN)
    found = compare_loads(volume(scene.height_nm, 400.0, 8.0), network, tip, COLLAGEN, MAPS)
    assert found.flags == ()
    assert found.zero.pieces > 20
    assert found.zero.thickness_median_nm == pytest.approx(
        found.image.thickness_median_nm, rel=0.02
    )
    assert found.loaded.thickness_median_nm == pytest.approx(
        found.zero.thickness_median_nm, rel=0.02
    )
    assert found.zero.thickness_median_nm == pytest.approx(scene.quantile(0.5), rel=0.12)


def test_a_coarse_grid_gives_no_thickness_and_says_so():
    network = analyse_height(sim.surface(500, 500, pixels=True), (6.0, 6.0), TIP, COLLAGEN)
    found = compare_loads(
        volume(sim.surface(40, 40), 300.0, 3000.0 / 39), network, TIP, COLLAGEN, MAPS
    )
    assert found.flags == ("map_too_coarse_for_fibrils",)
    assert np.isnan(found.zero.thickness_median_nm)
    assert np.isnan(found.image.thickness_median_nm)
    assert np.isfinite(found.zero.Sq_nm)


def test_surfaces_are_compared_where_all_are_known():
    height = sim.surface(64, 64)
    force = np.full(height.shape, LOAD_NN)
    force[:20] = 0.5 * LOAD_NN  # these curves ended early: nothing is known of them at the load
    found = compare_loads(volume(height, 300.0, 48.0, force), None, TIP, COLLAGEN, MAPS)
    part = compare_loads(volume(height[20:], 300.0, 48.0), None, TIP, COLLAGEN, MAPS)
    assert found.zero.Sq_nm == pytest.approx(found.loaded.Sq_nm, rel=1e-4)
    assert found.zero.Sq_nm == pytest.approx(part.zero.Sq_nm, rel=0.03)


def patches(shape):
    """Modulus that rises fourfold in patches, unlike the relief."""
    v, u = np.meshgrid(*(np.linspace(0, 1, n) for n in shape), indexing="ij")
    return 200.0 * 4.0 ** (0.5 + 0.5 * np.sin(9 * u + 2) * np.sin(11 * v))


def matched(volume, image):
    match = match_heights(volume.map("contact_height_nm"), image, 3e3, 3e3)
    return replace(volume, match=match)


@pytest.mark.parametrize("load", [0.0, 0.4, 1.1, LOAD_NN])
def test_the_load_of_the_image_is_told_by_what_remains(load):
    fine = sim.surface(300, 300, pixels=True) - sim.closed_depth_nm(load, patches((300, 300)))
    network = analyse_height(fine, (10.0, 10.0), TIP, COLLAGEN)
    curves = volume(sim.surface(100, 100), patches((100, 100)), 3000.0 / 99)
    found = compare_loads(matched(curves, network.levelled_nm), network, TIP, COLLAGEN, MAPS)
    assert found.image_load_nN == pytest.approx(load, abs=0.08)
    assert (found.rest_zero_nm < found.rest_loaded_nm) == (load < 0.8)


def test_even_stiffness_tells_no_load_of_the_image():
    network = analyse_height(sim.surface(300, 300, pixels=True), (10.0, 10.0), TIP, COLLAGEN)
    curves = volume(sim.surface(100, 100), 300.0, 3000.0 / 99)
    found = compare_loads(matched(curves, network.levelled_nm), network, TIP, COLLAGEN, MAPS)
    assert np.isnan(found.image_load_nN)
    assert found.rest_zero_nm == pytest.approx(found.rest_loaded_nm, rel=0.05)


@pytest.mark.parametrize("shape", [(8, 8), (8, 64), (1, 64)])
def test_maps_of_few_points_get_no_texture(shape):
    assert compare_loads(volume(np.zeros(shape), 300.0, 50.0), None, TIP, COLLAGEN, MAPS) is None


def test_a_map_of_nothing_gets_none():
    empty = volume(np.full((32, 32), np.nan), np.nan, 50.0)
    assert compare_loads(empty, None, TIP, COLLAGEN, MAPS) is None


def test_sites_on_unlike_grids_are_not_compared_without_saying_so():
    fine = compare_loads(volume(sim.surface(64, 64), 300.0, 40.0), None, TIP, COLLAGEN, MAPS)
    coarse = compare_loads(volume(sim.surface(32, 32), 300.0, 80.0), None, TIP, COLLAGEN, MAPS)
    rows = [map_basis_columns(fine.basis), map_basis_columns(coarse.basis), map_basis_columns(None)]
    table = pd.DataFrame(rows).assign(site=["a", "b", "c"])
    said = unlike_images(table, "Sdq_zero_force")
    assert {text.split()[3] for text in said} == {"pixel", "filters"}
    assert unlike_images(table[:1], "Sdq_zero_force") == ()
    assert unlike_images(table, "modulus_kPa") == ()
    (pixel,) = unlike_images(table, "fibril_thickness_median_at_load_nm")
    assert "40 × 40 nm: 1; 80 × 80 nm: 1" in pixel
    assert table.loc[2, list(MAP_SIZES)].isna().all()
