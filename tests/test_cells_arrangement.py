"""Point statistics of a region together: intervals, direction, thinning, few cells."""

import numpy as np
import pytest

from engine.cells import clark_evans, clustering, density, neighbours, region_window, ripley_k
from engine.cells.arrangement import MOST_CELLS, REACH_UM, reach_of
from engine.cells.patterns import DIFFUSE, STRING

SIDE = 600.0
WINDOW = region_window(np.array([(0.0, 0.0), (SIDE, 0), (SIDE, SIDE), (0, SIDE)]))


def scattered(n, seed=0):
    return np.random.default_rng(seed).uniform(0, SIDE, (n, 2))


def clustered(groups, size, seed=0, spread=8.0):
    rng = np.random.default_rng(seed)
    centres = rng.uniform(30, SIDE - 30, (groups, 2))
    xy = (centres[:, None, :] + rng.normal(0, spread, (groups, size, 2))).reshape(-1, 2)
    return xy, np.repeat(np.arange(groups), size)


def told(xy, group=None, pattern=DIFFUSE, angle=np.nan):
    n = len(xy)
    group = np.arange(n) if group is None else group
    return neighbours(xy, group, np.full(n, pattern), np.broadcast_to(angle, (n,)), WINDOW)


def test_numbers_are_those_of_the_single_kernels():
    xy = scattered(200)
    found = told(np.vstack([xy, [[-50.0, 3.0]]]))
    assert found.density == density(xy, WINDOW)
    assert found.clark_evans.ratio_corrected == clark_evans(xy, WINDOW).ratio_corrected
    assert found.nearest_um[1] == pytest.approx(np.median(clark_evans(xy, WINDOW).nearest))


def test_interval_of_lone_cells_is_the_poisson_one():
    found = told(scattered(400))
    assert found.low_per_mm2 == pytest.approx(found.density.low_per_mm2, rel=0.02)
    assert found.high_per_mm2 == pytest.approx(found.density.high_per_mm2, rel=0.02)


def test_interval_of_groups_holds_their_density():
    """The number of groups is Poisson: 95 % of the intervals hold the mean density."""
    rng = np.random.default_rng(2)
    held = {"groups": 0, "cells": 0}
    for seed in range(200):
        xy, group = clustered(max(1, rng.poisson(30)), 9, seed)
        found = told(xy, group)
        inside = found.density.cells / len(xy)
        true = 30 * 9 * inside / (SIDE**2 * 1e-6)
        held["groups"] += found.low_per_mm2 <= true <= found.high_per_mm2
        held["cells"] += found.density.low_per_mm2 <= true <= found.density.high_per_mm2
    assert 0.88 <= held["groups"] / 200 <= 0.99
    assert held["cells"] / 200 < 0.6


def test_interval_of_the_ratio_holds_one_without_order():
    every = [told(scattered(150, seed)) for seed in range(100)]
    holds = np.array([found.ratio_low <= 1.0 <= found.ratio_high for found in every])
    kept = np.array([found.clark_evans.p > 0.05 for found in every])
    np.testing.assert_array_equal(holds, kept)
    assert 0.88 <= holds.mean() <= 0.99


def test_direction_is_that_of_the_strings():
    found = told(scattered(60), pattern=STRING, angle=np.tile([10.0, 170.0], 30))
    assert min(found.angle_deg, 180 - found.angle_deg) == pytest.approx(0, abs=1e-6)
    assert found.order == pytest.approx(np.cos(np.radians(20.0)))
    assert found.string_cells == 60
    assert np.isnan(told(scattered(60)).order)


def test_clusters_leave_the_band_and_scattered_cells_do_not():
    tight = clustering(clustered(40, 8)[0], WINDOW, seed=1)
    free = clustering(scattered(300, 5), WINDOW, seed=1)
    assert tight.envelope.p <= 0.05
    assert (tight.envelope.observed > tight.envelope.high)[5:].mean() > 0.8
    assert tight.strongest_um < 60
    assert free.envelope.p > 0.05
    assert tight.pairs.g[2] > 3
    np.testing.assert_allclose(free.pairs.g[10:].mean(), 1.0, atol=0.1)


def test_k_is_ripleys():
    xy = scattered(200, 3)
    found = clustering(xy, WINDOW)
    np.testing.assert_allclose(found.k, ripley_k(xy, found.envelope.radii, WINDOW), rtol=1e-9)


def test_a_random_part_tells_the_same():
    xy = clustered(400, 8, seed=4)[0]
    found = clustering(xy, WINDOW, seed=2)
    assert found.asked == MOST_CELLS < found.cells
    whole = np.sqrt(ripley_k(xy, found.envelope.radii, WINDOW) / np.pi) - found.envelope.radii
    np.testing.assert_allclose(found.envelope.observed[4:], whole[4:], atol=1.5)


def test_distances_keep_to_a_quarter_of_the_region():
    assert reach_of(WINDOW) == REACH_UM
    small = region_window(np.array([(0.0, 0.0), (300, 0), (300, 100), (0, 100)]))
    assert reach_of(small) == 25.0


@pytest.mark.parametrize("n", [0, 1, 2, 9])
def test_few_cells_say_what_they_can(n):
    found = told(scattered(n))
    assert found.density.cells == n
    assert np.isfinite(found.high_per_mm2)
    assert np.isnan(found.nearest_um[0]) == (n < 2)
    assert clustering(scattered(n), WINDOW) is None


def test_lengths_must_agree():
    with pytest.raises(ValueError, match="3 cells, 2 groups"):
        neighbours(np.zeros((3, 2)), np.zeros(2, int), np.zeros(3, int), np.zeros(3), WINDOW)
