"""Brightness of stains at cells against a scene whose brightness is known."""

import numpy as np
import pytest
from skimage.measure import regionprops_table

from engine.cells import measure_cells
from engine.cells.intensity_settings import IntensitySettings
from engine.cells.segments import nuclei_with_neighbours, paint_labels

PIXEL_UM = 0.65
SHAPE = (420, 460)


def scene(seed=3, count=60):
    """Soft-edged discs, some of them neighbours at 9 um; a slope of ground under each of 3 stains.

    Stain 0: nuclei. Stain 1: fills the cell, to 3.5 um beyond the nucleus. Stain 2: a shell from
    the nucleus's edge to 4 um beyond it, nothing in the nucleus.
    """
    rng = np.random.default_rng(seed)
    rows, cols = SHAPE
    spots = [np.array([40.0, 40.0])]
    while len(spots) < count:
        near = spots[rng.integers(len(spots))] + 9.0 * np.array([1.0, 0.3])
        new = near if rng.random() < 0.3 else rng.uniform(15, 0.62 * min(SHAPE), 2)
        inside = (new > 12).all() and (new < 0.6 * min(SHAPE)).all()
        if inside and min(np.linalg.norm(np.array(spots) - new, axis=1)) > 8.9:
            spots.append(new)
    x_um, y_um = np.array(spots).T
    diameter = rng.uniform(5.5, 7.5, count)
    truth = np.vstack([rng.uniform(300, 900, count) for _ in range(3)])
    y, x = np.mgrid[:rows, :cols] * PIXEL_UM
    ground = np.stack([100 + 0.3 * x, 150 + 0.2 * y, 200 - 0.2 * x])
    images = ground.copy()
    for n in range(count):
        away = np.hypot(x - x_um[n], y - y_um[n]) - diameter[n] / 2
        soft = [0.5 * (1 - np.tanh(beyond / 0.45)) for beyond in (away, away - 3.5, away - 4.0)]
        for channel, shape in enumerate((soft[0], soft[1], soft[2] - soft[0])):
            images[channel] = np.maximum(
                images[channel], ground[channel] + truth[channel, n] * shape
            )
    noisy = images + rng.normal(0, 6, images.shape)
    return np.rint(noisy).astype(np.uint16), x_um, y_um, diameter, truth


def measured(images, x_um, y_um, diameter, truth, nuclei=0, order=(0, 1, 2), **further):
    channels = [images[i] for i in order]
    return measure_cells(
        images[nuclei], channels, PIXEL_UM, x_um, y_um, diameter, truth[0], **further
    )


def test_known_brightness_is_recovered():
    images, x, y, diameter, truth = scene()
    found = measured(images, x, y, diameter, truth)
    alone = np.array([np.sort(np.hypot(x - a, y - b))[1] > 16 for a, b in zip(x, y, strict=True)])
    assert alone.sum() > 12
    # stain 1 is flat over the nucleus: its mean is the truth; noise of the mean is below 1 count
    ratio = found.mean[1, alone] / truth[1, alone]
    assert np.abs(ratio - 1).max() < 0.03
    # the nuclei's own edge is blurred: their mean is lower by the share of the blurred rim
    nuclear = found.mean[0, alone] / truth[0, alone]
    assert nuclear.min() > 0.82
    assert nuclear.max() < 1.0
    assert nuclear.std() < 0.03
    # the shell shows in the rim and not in the nucleus
    assert np.abs(found.rim[2, alone] / truth[2, alone] - 1).max() < 0.08
    assert (found.mean[2, alone] < 0.35 * truth[2, alone]).all()
    assert (found.rim[0, alone] < 0.06 * truth[0, alone]).all()


def test_the_ground_follows_its_slope_and_is_not_drawn_up_by_neighbours():
    images, x, y, diameter, truth = scene()
    found = measured(images, x, y, diameter, truth)
    expected = np.stack([100 + 0.3 * x, 150 + 0.2 * y, 200 - 0.2 * x])
    assert np.isfinite(found.ground).all()
    assert np.abs(found.ground - expected).max() < 4.0


def test_order_and_number_of_channels_do_not_matter():
    images, x, y, diameter, truth = scene()
    straight = measured(images, x, y, diameter, truth)
    turned = measured(images, x, y, diameter, truth, order=(2, 0))
    np.testing.assert_array_equal(turned.mean, straight.mean[[2, 0]])
    np.testing.assert_array_equal(turned.ground, straight.ground[[2, 0]])


def test_blocks_give_the_same_bits_as_the_whole():
    images, x, y, diameter, truth = scene()
    whole = np.zeros(SHAPE, np.uint32)
    pieces = np.zeros(SHAPE, np.uint32)

    def into(target):
        def take(row, col, labels):
            target[row : row + labels.shape[0], col : col + labels.shape[1]] = labels

        return take

    one = measured(images, x, y, diameter, truth, take_labels=into(whole))
    many = measured(images, x, y, diameter, truth, take_labels=into(pieces), block_px=97)
    np.testing.assert_array_equal(whole, pieces)
    for name in ("mean", "rim", "ground", "saturated", "area_px"):
        np.testing.assert_array_equal(getattr(one, name), getattr(many, name))


def test_labels_are_the_nuclei():
    images, x, y, diameter, truth = scene()
    labels = np.zeros(SHAPE, np.uint32)
    found = measured(
        images, x, y, diameter, truth,
        take_labels=lambda r, c, part: labels.__setitem__(np.s_[r : r + 999, c : c + 999], part),
    )  # fmt: skip
    assert set(np.unique(labels)) == {*range(len(x) + 1)}
    np.testing.assert_array_equal(np.bincount(labels.ravel())[1:], found.area_px)
    size = 2 * np.sqrt(found.area_px / np.pi) * PIXEL_UM
    assert np.abs(size - diameter).max() < 0.6
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]]
    for n in range(len(x)):
        mine = labels == n + 1
        centre = np.array([cols[mine].mean(), rows[mine].mean()]) * PIXEL_UM
        assert np.hypot(*(centre - [x[n], y[n]])) < 0.5


def test_means_and_areas_are_those_of_another_library():
    """Outside check: scikit-image's region properties on the same labels."""
    images, x, y, diameter, truth = scene()
    labels = np.zeros(SHAPE, np.uint32)

    def take(row, col, part):
        labels[row : row + part.shape[0], col : col + part.shape[1]] = part

    found = measured(images, x, y, diameter, truth, take_labels=take)
    for channel in range(3):
        table = regionprops_table(
            labels.astype(np.int64),
            images[channel],
            properties=("label", "area", "intensity_mean"),
        )
        assert table["label"].tolist() == list(range(1, len(x) + 1))
        np.testing.assert_array_equal(table["area"], found.area_px)
        np.testing.assert_allclose(
            table["intensity_mean"], found.mean[channel] + found.ground[channel], rtol=1e-9
        )


def test_of_two_that_touch_neither_takes_the_others_pixels():
    y, x = np.mgrid[:60, :80].astype(float)
    image = np.zeros((60, 80), np.float32)
    for col in (30.0, 44.0):
        image = np.maximum(image, np.where(np.hypot(x - col, y - 30) < 8, 100, 0)).astype(
            np.float32
        )
    two = nuclei_with_neighbours(
        np.array([30.0, 30.0]), np.array([30.0, 44.0]), np.array([8.0, 8.0]),
        np.array([100.0, 100.0]), 60.0,
    )  # fmt: skip
    labels = paint_labels(image, 0, 0, two, np.array([0, 1]), 1.0)
    assert set(np.unique(labels[:, :37])) == {0, 1}
    assert set(np.unique(labels[:, 38:])) == {0, 2}
    assert abs(int((labels == 1).sum()) - int((labels == 2).sum())) <= 17  # the middle column


def test_saturated_pixels_are_counted_where_the_camera_ends():
    images, x, y, diameter, truth = scene()
    clipped = np.minimum(images, 4095)
    assert not measured(clipped, x, y, diameter, truth).saturated.any()
    bright = images.copy()
    r, c = int(y[5] / PIXEL_UM), int(x[5] / PIXEL_UM)
    bright[1, r - 20 : r + 21, c - 20 : c + 21] = 4095
    found = measured(np.minimum(bright, 4095), x, y, diameter, truth)
    assert found.saturated[1, 5] == 1.0
    assert found.top.tolist()[1] == 4095.0
    assert np.isnan(found.top[[0, 2]]).all()
    assert not found.saturated[[0, 2]].any()


def test_no_ground_no_value():
    images, x, y, diameter, truth = scene()
    narrow = IntensitySettings(ground_to_max_um=12.0, clear_of_others_um=45.0)
    crowd = np.array([np.sort(np.hypot(x - a, y - b))[1] < 12 for a, b in zip(x, y, strict=True)])
    found = measured(images, x, y, diameter, truth, settings=narrow)
    assert np.isnan(found.mean[:, crowd]).all()
    assert np.isnan(found.ground[:, crowd]).all()


def test_pixels_without_a_number_are_left_out():
    images, x, y, diameter, truth = scene()
    holes = images.astype(np.float32)
    r, c = int(y[3] / PIXEL_UM), int(x[3] / PIXEL_UM)
    holes[1, r - 1 : r + 2] = np.nan
    holes[2, r - 30 : r + 31, c - 30 : c + 31] = np.nan
    found = measured(holes, x, y, diameter, truth)
    plain = measured(images, x, y, diameter, truth)
    assert abs(found.mean[1, 3] / plain.mean[1, 3] - 1) < 0.05
    assert np.isnan(found.mean[2, 3])
    assert np.isnan(found.saturated[2, 3])


def test_nothing_found_is_nothing_measured():
    none = np.empty(0)
    images = np.full((2, 64, 64), 7, np.uint8)
    labels = []
    found = measure_cells(
        images[0], images, PIXEL_UM, none, none, none, none,
        take_labels=lambda *block: labels.append(block),
    )  # fmt: skip
    assert found.mean.shape == (2, 0)
    assert len(labels) == 1
    assert not labels[0][2].any()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"channels": [np.zeros((4, 5))]}, "one shape"),
        ({"pixel_um": 0.0}, "pixel_um must be > 0"),
        ({"x_um": np.zeros(2)}, "one length"),
    ],
)
def test_what_cannot_be_is_refused(change, words):
    usual = {"nuclei": np.zeros((4, 4)), "channels": [], "pixel_um": 1.0}
    usual |= dict.fromkeys(("x_um", "y_um", "diameter_um", "contrast"), np.zeros(1))
    with pytest.raises(ValueError, match=words):
        measure_cells(**(usual | change))
