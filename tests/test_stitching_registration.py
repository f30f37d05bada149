"""Known places recovered: simulated tiles with sub-pixel stage errors, shading and noise.

The bar of 0.5 px RMS at a signal to noise of 3 over well-linked tiles is the project's own.
"""

import numpy as np
import pytest
from stitching_simulator import position_error, scan

from engine.flags import mask_of
from engine.stitching import (
    FLAGS,
    Links,
    StitchingSettings,
    overlapping_pairs,
    register_tiles,
    settings_for_pixel,
    solve_positions,
    typical_overlap_px,
)
from engine.stitching.graph import main_body
from engine.stitching.shifts import measure_shift
from engine.stitching.strips import cut_strip, strip_ranges

SIDE = (120, 120)
WEAK = mask_of(FLAGS, ["weakly_linked", "not_linked", "stands_alone", "loosely_joined"])


def registered(made, settings=None):
    found = register_tiles(made.read, made.nominal_px, made.shape, settings)
    return found, (found.flags & WEAK) == 0


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(("snr", "bar_px"), [(8.0, 0.3), (3.0, 0.5)])
def test_places_are_found_on_tissue(seed, snr, bar_px):
    made = scan(seed, (5, 5), snr=snr)
    found, good = registered(made)
    assert good.mean() >= 0.9
    assert position_error(made, found, good)[0] <= bar_px
    nominal = made.nominal_px - made.true_px
    assert np.std(nominal) > 5  # what was to be found


@pytest.mark.parametrize("seed", range(11, 17))
def test_well_linked_tiles_of_a_disc_are_within_the_bar(seed):
    made = scan(seed, (6, 6), snr=3.0, disc=0.9, haze=0.2)
    found, good = registered(made)
    rms, worst = position_error(made, found, good)
    assert good.sum() >= 26
    assert rms <= 0.5
    assert worst <= 2.5


def test_wrong_links_are_rare_even_where_nuclei_are_few():
    wrong = accepted = 0
    for seed in range(4):
        made = scan(seed, (5, 5), snr=3.0, disc=0.9, per_mpx=150)
        links = registered(made)[0].links
        true = made.true_px[links.pairs[:, 1]] - made.true_px[links.pairs[:, 0]]
        off = np.abs(links.offset_px - true).max(axis=1)
        wrong += int((links.accepted & (off > 3)).sum())
        accepted += int(links.accepted.sum())
    assert accepted >= 60
    assert wrong / accepted <= 0.03


def test_links_are_not_biased():
    """Sub-pixel errors of many links have no mean, whatever the fraction of the shift."""
    errors, fractions = [], []
    for seed in range(3):
        made = scan(seed, (5, 5), snr=20.0)
        links = registered(made)[0].links
        true = made.true_px[links.pairs[:, 1]] - made.true_px[links.pairs[:, 0]]
        errors.append((links.offset_px - true)[links.accepted].ravel())
        fractions.append((true % 2.0)[links.accepted].ravel())  # bins are two pixels wide
    error, fraction = np.concatenate(errors), np.concatenate(fractions)
    assert abs(error.mean()) < 0.02
    for low in (0.0, 0.5, 1.0, 1.5):
        those = (fraction >= low) & (fraction < low + 0.5)
        assert abs(error[those].mean()) < 0.05


def test_a_whole_shift_is_found_exactly():
    rng = np.random.default_rng(0)
    settings = StitchingSettings()
    scene = rng.normal(0, 1, (400, 700))
    first, second = scene[:300, :400], scene[14:314, 310:700]
    second = np.pad(second, ((0, 0), (0, 10)))
    parts = strip_ranges((4, 290), (300, 400), settings.search_px)
    strips = [cut_strip(t, p, settings) for t, p in zip((first, second), parts, strict=True)]
    shift = measure_shift(*strips, (4.0, 290.0), settings)
    np.testing.assert_allclose(shift.offsets_px[0], [14, 310], atol=0.15)
    back = measure_shift(*strips[::-1], (-4.0, -290.0), settings)
    np.testing.assert_allclose(back.offsets_px[0], [-14, -310], atol=0.15)


def test_a_turned_camera_and_a_short_step_are_followed():
    """Half a degree of turn: 8 px a column, which no jitter would hide."""
    made = scan(4, (5, 5), snr=8.0, jitter_px=2.0, drift=(2.0, 8.0))
    found, good = registered(made)
    assert good.all()
    assert position_error(made, found)[0] < 0.3


def test_the_frame_of_the_nominal_positions_is_held():
    made = scan(5, (4, 4), snr=8.0)
    moved = scan(5, (4, 4), snr=8.0)
    moved.nominal_px = moved.nominal_px + np.array([1234.5, -77.25])
    one, _ = registered(made)
    two = register_tiles(made.read, moved.nominal_px, made.shape)
    np.testing.assert_allclose(one.correction_px.mean(axis=0), 0, atol=1e-9)
    np.testing.assert_allclose(one.correction_px, two.correction_px, atol=1e-6)


def test_the_order_of_the_tiles_does_not_matter():
    made = scan(6, (4, 4), snr=5.0)
    order = np.random.default_rng(0).permutation(16)
    one, _ = registered(made)
    two = register_tiles(lambda i: made.read(order[i]), made.nominal_px[order], made.shape)
    np.testing.assert_allclose(two.correction_px, one.correction_px[order], atol=1e-4)
    np.testing.assert_array_equal(two.flags, one.flags[order])


def test_exchanged_axes_give_exchanged_corrections():
    made = scan(7, (3, 4), (300, 260), overlap=0.2, snr=8.0)
    turned = register_tiles(lambda i: made.read(i).T, made.nominal_px[:, ::-1], (260, 300))
    one, _ = registered(made)
    np.testing.assert_allclose(turned.correction_px[:, ::-1], one.correction_px, atol=0.02)


def test_tiles_of_noise_are_not_linked():
    noise = np.random.default_rng(1).normal(100, 10, (16, 256, 256))
    at = 230.0 * np.stack(np.meshgrid(range(4), range(4), indexing="ij"), -1).reshape(-1, 2)
    found = register_tiles(noise.__getitem__, at, (256, 256))
    assert not found.links.accepted.any()
    assert not found.consistent.any()
    np.testing.assert_allclose(found.correction_px, 0)
    assert set(found.flags.tolist()) == {mask_of(FLAGS, ["not_linked"])}


@pytest.mark.parametrize("value", [0, 1234, 65535])
def test_flat_tiles_are_not_linked(value):
    at = np.array([[0.0, 0.0], [0.0, 200.0]])
    found = register_tiles(lambda _: np.full((256, 256), value, np.uint16), at, (256, 256))
    assert not found.consistent.any()
    assert np.isfinite(found.correction_px).all()


def test_a_lonely_tile_is_flagged():
    made = scan(8, (2, 2), snr=8.0)
    nominal = np.vstack([made.nominal_px, [3000.0, 3000.0]])
    found = register_tiles(lambda i: made.read(min(i, 3)), nominal, made.shape)
    assert found.flags[4] == mask_of(FLAGS, ["stands_alone"])
    assert (found.flags[:4] & WEAK == 0).all()


def grid_links(true, nominal, shape, sd=0.0, seed=0):
    pairs = overlapping_pairs(nominal, shape)
    rng = np.random.default_rng(seed)
    offset = true[pairs[:, 1]] - true[pairs[:, 0]] + rng.normal(0, sd, (len(pairs), 2))
    ones = np.ones(len(pairs))
    return Links(
        pairs, offset, ones, 5 * ones, 9 * ones, ones > 0, offset[:, None], ones[:, None]
    )  # fmt: skip


def grid_places(side=5, seed=0, jitter=6.0):
    nominal = 90.0 * np.stack(np.meshgrid(range(side), range(side), indexing="ij"), -1)
    nominal = nominal.reshape(-1, 2)
    return nominal, nominal + np.random.default_rng(seed).normal(0, jitter, nominal.shape)


def test_exact_links_give_exact_places():
    nominal, true = grid_places()
    found = solve_positions(nominal, grid_links(true, nominal, SIDE))
    error = found.corrected_px - true
    np.testing.assert_allclose(error - error.mean(axis=0), 0, atol=2e-3)  # the weak hold remains
    assert found.consistent.all()
    assert not found.flags.any()


def test_wrong_links_lose_their_say():
    nominal, true = grid_places(seed=1)
    links = grid_links(true, nominal, SIDE, sd=0.2)
    links.offset_px[[3, 17, 30]] += [[25, -8], [-14, 30], [5, 33]]
    found = solve_positions(nominal, links)
    error = found.corrected_px - true
    assert np.std(error, axis=0).max() < 0.3
    assert not found.consistent[[3, 17, 30]].any()
    assert found.consistent.sum() == len(links.pairs) - 3
    touched = np.zeros(25, bool)
    touched[links.pairs[[3, 17, 30]].ravel()] = True
    contradicted = (found.flags & mask_of(FLAGS, ["link_contradicted"])) > 0
    np.testing.assert_array_equal(contradicted, touched)


def test_an_unsure_offset_that_closes_a_loop_is_taken_in():
    nominal, true = grid_places(3, seed=2)
    links = grid_links(true, nominal, SIDE)
    right = links.offset_px[5].copy()
    links.accepted[5] = False
    links.offset_px[5] += [20, 20]  # another peak was higher
    candidates = np.stack([links.offset_px, links.offset_px], axis=1)
    candidates[5, 1] = right + 0.3
    height = np.ones((len(links.pairs), 2))
    height[5] = [0.5, 0.4]
    again = Links(
        links.pairs, links.offset_px, links.correlation, links.peak_ratio, links.structures,
        links.accepted, candidates, height,
    )  # fmt: skip
    found = solve_positions(nominal, again)
    assert found.consistent.all()
    np.testing.assert_allclose(found.links.offset_px[5], right + 0.3)


def test_tiles_without_links_follow_the_habit_of_the_others():
    """A stage that steps 5 px short does so under bare glass as well."""
    nominal, _ = grid_places(5)
    true = nominal * (1 - 5 / 90)
    links = grid_links(true, nominal, SIDE)
    bare = np.isin(links.pairs, [20, 24]).any(axis=1)
    links.accepted[bare] = False
    links.candidate_correlation[bare] = 0
    found = solve_positions(nominal, links)
    error = found.corrected_px - true
    assert np.abs(error - np.median(error, axis=0)).max() < 0.5
    assert (found.flags[[20, 24]] == mask_of(FLAGS, ["not_linked"])).all()


def test_a_part_that_hangs_on_one_link_is_flagged():
    nominal, true = grid_places(4)
    links = grid_links(true, nominal, SIDE)
    right = nominal[:, 1] > 100
    across = right[links.pairs[:, 0]] != right[links.pairs[:, 1]]
    links.accepted[np.flatnonzero(across)[1:]] = False
    links.candidate_correlation[np.flatnonzero(across)[1:]] = 0
    found = solve_positions(nominal, links)
    loose = (found.flags & mask_of(FLAGS, ["loosely_joined"])) > 0
    assert loose.sum() == 8
    assert len(np.unique(right[loose])) == 1


def test_main_body_against_cutting_every_link_in_turn():
    """A brute-force check of the loops on random graphs."""
    from engine.stitching import bodies

    rng = np.random.default_rng(3)
    for _ in range(40):
        count = 9
        pairs = np.array([(a, b) for a in range(count) for b in range(a) if rng.random() < 0.25])
        pairs = pairs.reshape(-1, 2)[:, ::-1]
        pieces = bodies(count, pairs).max(initial=-1)
        firm = [
            bodies(count, np.delete(pairs, k, axis=0)).max(initial=-1) == pieces
            for k in range(len(pairs))
        ]
        whole = bodies(count, pairs[np.array(firm, bool)])
        sizes = np.bincount(whole)
        body = main_body(count, pairs)
        if sizes.max() < 2:
            assert not body.any()
        else:
            assert body.sum() == sizes.max()
            assert len(np.unique(whole[body])) == 1


def test_pairs_and_overlaps():
    at = np.array([[0, 0], [2, 85], [88, 3], [90, 90], [0, 400]], float)
    assert overlapping_pairs(at, (100, 100), StitchingSettings(overlap_min_px=8)).tolist() == [
        [0, 1], [0, 2], [1, 3], [2, 3],
    ]  # fmt: skip
    pairs = overlapping_pairs(at, (100, 100), StitchingSettings(overlap_min_px=8))
    assert typical_overlap_px(at, (100, 100), pairs) == (12.0, 14.0)
    assert overlapping_pairs(at[:1], (100, 100)).shape == (0, 2)


def test_small_nuclei_of_a_coarse_pixel_are_linked():
    made = scan(1, (5, 5), snr=3.0)
    made.sigma_px = made.sigma_px * 0.55
    found, good = registered(made, settings_for_pixel(1.2))
    assert good.mean() >= 0.75
    assert position_error(made, found, good)[0] <= 0.5


def test_settings_follow_the_pixel():
    assert settings_for_pixel(0.65) == settings_for_pixel(0.2) == StitchingSettings()
    assert settings_for_pixel(5.0).inner_sigma_px == 3.0


def test_settings_are_bounded():
    with pytest.raises(ValueError, match="search_px"):
        StitchingSettings(search_px=0)
    with pytest.raises(ValueError, match="Extra"):
        StitchingSettings(serch_px=10)
