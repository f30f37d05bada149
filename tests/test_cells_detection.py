"""Nuclei detection: simulated truth, block independence, edge cases, outside primitives."""

import numpy as np
import pytest
from cells_simulator import crowded_image, f1_score, hazy_image, make_scene, match
from scipy import ndimage
from skimage.feature import peak_local_max
from skimage.filters import difference_of_gaussians

from engine.cells import FLAGS, CellsSettings, detect_nuclei
from engine.cells.noise import band_pass_gain, estimate_noise
from engine.cells.settings import DetectionSettings
from engine.cells.smoothing import TRUNCATE, half_width, smooth

PIXEL_UM = 0.65
FLAG_NAMES = {flag.name for flag in FLAGS}


def small(seed, **kind):
    scene = make_scene(seed, size_um=500.0, tries=400)
    return scene, hazy_image(scene, seed, **kind)


@pytest.fixture(scope="module")
def hazy():
    return small(21)


def positions(found):
    return np.column_stack([found.x_um, found.y_um])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_haze_debris_and_fibres_are_not_cells(seed):
    scene, image = small(seed)
    found = detect_nuclei(image, PIXEL_UM)
    assert found.method == "sharpness_gate"
    assert f1_score(positions(found), scene.xy_um) >= 0.98


@pytest.mark.parametrize(
    "kind",
    [
        {"photons": 0.1},
        {"vignette": 0.8},
        {"deep_per_cell": 0.0},
        {"deep_per_cell": 1.2},
        {"pixel_um": 0.4},
    ],
    ids=lambda k: "-".join(f"{a}={b}" for a, b in k.items()),
)
def test_dim_vignetted_clean_and_hazy_images(kind):
    scene, image = small(7, **kind)
    found = detect_nuclei(image, kind.get("pixel_um", PIXEL_UM))
    assert f1_score(positions(found), scene.xy_um) >= 0.97


@pytest.mark.parametrize("seed", [202, 204])
def test_nuclei_that_overlap_are_still_taken_as_crowded_not_as_haze(seed):
    image, truth = crowded_image(seed, overlap=0.8)
    found = detect_nuclei(image, PIXEL_UM)
    assert found.method == "watershed"
    assert f1_score(positions(found), truth) >= 0.78


@pytest.mark.parametrize("seed", [1, 2])
def test_crowded_touching_nuclei_are_split_and_the_choice_is_announced(seed):
    image, truth = crowded_image(seed)
    found = detect_nuclei(image, PIXEL_UM)
    assert found.method == "watershed"
    assert "watershed" in found.note
    assert f1_score(positions(found), truth) >= 0.85
    assert "close_neighbours" in found.flags


def test_haze_is_said(hazy):
    assert "haze" in detect_nuclei(hazy[1], PIXEL_UM).note


def test_positions_and_diameters(hazy):
    scene, image = hazy
    found = detect_nuclei(image, PIXEL_UM)
    mine, true = match(positions(found), scene.xy_um)
    off = positions(found)[mine] - scene.xy_um[true]
    assert np.sqrt(np.mean(np.sum(off**2, axis=1))) < 0.5
    assert np.abs(off.mean(axis=0)).max() < 0.06  # no systematic shift: a tenth of a pixel
    # the simulated soft edge is at half contrast on the diameter itself, 5.6 to 7.4 um
    assert np.median(found.diameter_um) == pytest.approx(6.5, abs=0.4)


@pytest.mark.parametrize("block_px", [96, 201, 4096])
def test_blocks_give_the_same_bits_as_the_whole(hazy, block_px):
    image = hazy[1][:610, :555]
    settings = CellsSettings(detection=DetectionSettings(block_px=block_px))
    whole, parts = detect_nuclei(image, PIXEL_UM), detect_nuclei(image, PIXEL_UM, settings)
    for name, value in vars(whole).items():
        np.testing.assert_array_equal(getattr(parts, name), value, err_msg=name)


@pytest.mark.parametrize("block_px", [128, 333])
def test_blocks_give_the_same_bits_where_touching_nuclei_are_split(block_px):
    image = crowded_image(3, size_um=250.0, fill=1500)[0]
    settings = CellsSettings(detection=DetectionSettings(block_px=block_px))
    whole, parts = detect_nuclei(image, PIXEL_UM), detect_nuclei(image, PIXEL_UM, settings)
    assert whole.method == "watershed"
    for name, value in vars(whole).items():
        np.testing.assert_array_equal(getattr(parts, name), value, err_msg=name)


def test_only_blocks_are_ever_read(hazy):
    class Source:
        shape, dtype, largest = hazy[1].shape, hazy[1].dtype, 0

        def __getitem__(self, key):
            out = hazy[1][key]
            Source.largest = max(Source.largest, out.size)
            return out

    settings = CellsSettings(detection=DetectionSettings(block_px=128))
    found = detect_nuclei(Source(), PIXEL_UM, settings)
    np.testing.assert_array_equal(found.x_um, detect_nuclei(hazy[1], PIXEL_UM).x_um)
    assert Source.largest < 350**2


def test_turned_and_mirrored_images_give_the_same_cells(hazy):
    image = hazy[1]
    side = (image.shape[0] - 1) * PIXEL_UM
    plain = positions(detect_nuclei(image, PIXEL_UM))
    mirrored = positions(detect_nuclei(image[:, ::-1], PIXEL_UM))
    turned = positions(detect_nuclei(image.T, PIXEL_UM))
    back = np.column_stack([side - mirrored[:, 0], mirrored[:, 1]])
    for other in (back, turned[:, ::-1]):
        assert len(match(other, plain, 0.2)[0]) >= 0.99 * len(plain)


def test_brightness_and_offset_do_not_matter(hazy):
    image = hazy[1].astype(np.float64)
    plain = detect_nuclei(image, PIXEL_UM)
    other = detect_nuclei(7.0 * image + 4000.0, PIXEL_UM)
    assert len(match(positions(other), positions(plain), 0.05)[0]) >= 0.995 * len(plain.x_um)
    assert np.median(other.snr) == pytest.approx(np.median(plain.snr), rel=0.02)


def test_counts_fall_with_the_threshold_and_the_middle_one_is_the_result(hazy):
    found = detect_nuclei(hazy[1], PIXEL_UM)
    low, mid, high = found.counts
    assert low >= mid >= high
    assert mid == len(found.x_um)
    assert "count_depends_on_threshold" not in found.flags


@pytest.mark.parametrize(
    "image",
    [
        np.zeros((200, 200), np.uint16),
        np.full((200, 200), 65535, np.uint16),
        np.full((40, 300), 3.5),
        np.zeros((1, 1), np.uint8),
        np.zeros((3, 500), np.uint16),
    ],
    ids=["zero", "full", "float", "one-pixel", "three-rows"],
)
def test_flat_images_hold_nothing(image):
    found = detect_nuclei(image, PIXEL_UM)
    assert len(found.x_um) == 0
    assert found.method == "none"
    assert {"no_nuclei", "flat_image"} <= set(found.flags) <= FLAG_NAMES


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_pure_noise_holds_next_to_nothing(seed):
    noise = np.random.default_rng(seed).poisson(200, (800, 800)).astype(np.uint16)
    assert len(detect_nuclei(noise, PIXEL_UM).x_um) <= 2


def test_a_saturated_image_is_flagged(hazy):
    clipped = np.minimum(hazy[1], 300).astype(np.uint16)
    assert "saturated_image" in detect_nuclei(clipped, PIXEL_UM).flags
    assert "saturated_image" not in detect_nuclei(hazy[1], PIXEL_UM).flags


def test_missing_pixels_are_flagged_and_survived(hazy):
    image = hazy[1].astype(np.float64)
    image[:50] = np.nan
    found = detect_nuclei(image, PIXEL_UM)
    assert "missing_pixels" in found.flags
    below = hazy[0].xy_um[hazy[0].xy_um[:, 1] > 60 * PIXEL_UM]
    kept = positions(found)[found.y_um > 60 * PIXEL_UM]
    assert f1_score(kept, below) >= 0.95


def test_coarse_pixels_are_flagged(hazy):
    found = detect_nuclei(hazy[1][::2, ::2], 1.3)
    assert "coarse_pixel" in found.flags


@pytest.mark.parametrize(
    ("image", "pixel_um"),
    [
        (np.zeros(5), 0.65),
        (np.zeros((5, 5, 2)), 0.65),
        (np.zeros((0, 5)), 0.65),
        (np.zeros((5, 5)), 0.0),
        (np.zeros((5, 5)), np.nan),
    ],
)
def test_wrong_arguments_are_refused(image, pixel_um):
    with pytest.raises(ValueError, match=r"must (be|have)"):
        detect_nuclei(image, pixel_um)


def test_settings_refuse_what_contradicts():
    with pytest.raises(ValueError, match="rise"):
        DetectionSettings(threshold_factors=(1.0, 0.5, 2.0))
    with pytest.raises(ValueError, match="below"):
        DetectionSettings(small_diameter_um=10.0, large_diameter_um=5.0)


@pytest.mark.parametrize("sigma", [0.6, 2.3, 7.7])
def test_smoothing_agrees_with_scipy(sigma):
    image = np.random.default_rng(0).normal(size=(90, 120)).astype(np.float32)
    # SciPy rounds the kernel's half-width, ours is rounded up: hand over the same one
    outside = ndimage.gaussian_filter(
        image.astype(np.float64), sigma, radius=half_width(sigma), mode="reflect"
    )
    inner = np.s_[half_width(sigma) : -half_width(sigma), half_width(sigma) : -half_width(sigma)]
    np.testing.assert_allclose(smooth(image, sigma)[inner], outside[inner], atol=2e-6)
    assert half_width(sigma) >= TRUNCATE * sigma


def test_band_pass_peaks_are_those_of_skimage(hazy):
    image = hazy[1][100:500, 100:500].astype(np.float64)
    sigma = 6.5 / (2 * np.sqrt(2)) / PIXEL_UM
    outside = difference_of_gaussians(image, sigma, 1.6 * sigma)
    bright = peak_local_max(outside, min_distance=4, threshold_abs=30.0, exclude_border=15)
    found = detect_nuclei(hazy[1], PIXEL_UM)
    ours = positions(found) / PIXEL_UM - 100
    strong = found.contrast > 250
    inside = np.all((ours > 20) & (ours < 380), axis=1) & strong
    pairs = match(ours[inside], bright[:, ::-1].astype(float), 1.5)[0]
    assert len(pairs) >= 0.97 * inside.sum() > 30


def test_noise_of_a_known_camera():
    rng = np.random.default_rng(3)
    level = np.linspace(50, 900, 700)[None, :] * np.ones((700, 1))
    photons_per_unit = 0.4
    image = rng.poisson(level * photons_per_unit) / photons_per_unit + rng.normal(0, 6, level.shape)
    model = estimate_noise(image)
    at = np.array([100.0, 400.0, 800.0])
    expected = np.sqrt(at / photons_per_unit + 36.0)
    np.testing.assert_allclose(model.sd_at(at), expected, rtol=0.06)


def test_gain_of_the_band_pass_is_what_it_does_to_noise():
    noise = np.random.default_rng(1).normal(size=(500, 500)).astype(np.float32)
    response = (smooth(noise, 3.5) - smooth(noise, 5.6))[30:-30, 30:-30]
    assert response.std() == pytest.approx(band_pass_gain(3.5, 5.6), rel=0.05)


def test_a_soft_image_is_flagged_before_nuclei_are_lost():
    scene = make_scene(3, size_um=420.0, tries=200)
    image = hazy_image(scene, 3).astype(float)
    flagged = {}
    for sigma_um in (0.0, 0.6, 1.5):
        blurred = ndimage.gaussian_filter(image, sigma_um / 0.65) if sigma_um else image
        found = detect_nuclei(blurred, 0.65)
        f1 = f1_score(np.column_stack([found.x_um, found.y_um]), scene.xy_um)
        flagged[sigma_um] = ("soft_image" in found.flags, f1)
    assert not flagged[0.0][0]
    assert not flagged[0.6][0]
    assert flagged[0.6][1] > 0.97
    assert flagged[1.5][0]
    assert flagged[1.5][1] < 0.97
