"""Fibrils that divide: by construction, in invented networks, and held against chance."""

import numpy as np
import pytest
from collagen_scenes import Recipe
from split_scenes import split_scene
from test_collagen_orientation import straight_pieces

from engine.collagen import CollagenSettings, ImageTip, analyse_height
from engine.collagen.dividing import find_dividing
from engine.collagen.profiles import CapFits

SETTINGS = CollagenSettings()
PIXEL = (1.0, 1.0)


def forks(trunk, one, two, opening_deg=24.0, gap_nm=60.0, places=1):
    """Trunks along u that end where two branches go on, opening like a fork, far apart."""
    u, v, angle, length, thick = [], [], [], [], []
    for k in range(places):
        base = 3000.0 * k
        half = np.radians(opening_deg / 2)
        u += [-150.0]
        v += [base]
        angle += [0.0]
        length += [300.0]
        thick += [trunk]
        for sign, t in ((1, one), (-1, two)):
            start = np.array([gap_nm, sign * 0.35 * (one + two) / 2 + base])
            centre = start + 150.0 * np.array([np.cos(half), sign * np.sin(half)])
            u += [centre[0]]
            v += [centre[1]]
            angle += [sign * half]
            length += [300.0]
            thick += [t]
    traces = straight_pieces(u, v, angle, length)
    thickness = np.array(thick)[traces.piece]
    nothing = np.zeros(len(thickness))
    caps = CapFits(thickness, nothing, thickness / 2, nothing, nothing + 10.0)
    return find_dividing(traces, caps, (4000, 1000), PIXEL, SETTINGS, 0)


def test_a_fork_that_keeps_its_area_is_a_division():
    found = forks(100.0, 70.0, 71.0, places=3)
    assert found.candidates == found.count == 3
    assert found.area_ratio == pytest.approx((70.0**2 + 71.0**2) / 100.0**2)
    assert found.trunk_nm == pytest.approx(100.0)
    assert np.sort(found.branch_nm, axis=1) == pytest.approx(np.array([[70.0, 71.0]] * 3))
    assert found.trunk.tolist() == [0, 3, 6]
    assert np.sort(found.branch, axis=1).tolist() == [[1, 2], [4, 5], [7, 8]]
    assert np.sort(found.v_nm) == pytest.approx(np.array([0.5, 3000.5, 6000.5]) - 2000.0)
    assert found.u_nm == pytest.approx(0.5 - 500.0)


@pytest.mark.parametrize(
    ("trunk", "one", "two", "opening"),
    [
        (100.0, 100.0, 45.0, 24.0),  # one fibril goes on, another comes from under it
        (100.0, 40.0, 40.0, 24.0),  # more than half of the area is lost
        (60.0, 70.0, 71.0, 24.0),  # two that meet and end as a thinner one
        (100.0, 70.0, 71.0, 4.0),  # side by side
        (100.0, 70.0, 71.0, 80.0),  # crossing
    ],
)
def test_other_meetings_are_none(trunk, one, two, opening):
    assert forks(trunk, one, two, opening).count == 0


def test_a_gap_longer_than_three_diameters_is_no_fork():
    assert forks(100.0, 70.0, 71.0, gap_nm=250.0).count == 1
    assert forks(100.0, 70.0, 71.0, gap_nm=420.0).candidates == 0


def test_interval_and_chance_are_those_of_a_count():
    found = forks(100.0, 70.0, 71.0, places=4)
    assert found.excess == pytest.approx(4 - found.expected_by_chance)
    # Exact Poisson limits of a count of 4 (common tables): 1.0899 to 10.2416.
    assert found.excess_ci_low == pytest.approx(1.0899 - found.expected_by_chance, abs=1e-3)
    assert found.excess_ci_high == pytest.approx(10.2416 - found.expected_by_chance, abs=1e-3)
    none = forks(100.0, 100.0, 45.0)
    assert (none.excess, none.excess_ci_low) == (0.0, 0.0)
    # No count at all still allows 3.689.
    assert none.excess_ci_high == pytest.approx(3.6889 - none.expected_by_chance, abs=1e-3)
    assert none.chance_p == 1.0


def test_nothing_traced_gives_nothing():
    found = analyse_height(np.zeros((40, 40)), (8.0, 8.0), None).dividing
    assert (found.candidates, found.count, found.excess) == (0, 0, 0.0)


def looked_at(seed, count, splits):
    tip = ImageTip("paraboloid", 9.0)
    recipe = Recipe(size=(240, 240), count=count, diameter_nm=60.0, angle_sd_deg=40.0, bend=0.2)
    scene = split_scene(recipe, tip, seed, splits)
    return scene, analyse_height(scene.height_nm, scene.pixel_nm, tip).dividing


def test_divisions_stand_out_of_chance():
    count, chance, right = 0, 0.0, 0
    for seed in (41, 42, 43, 44):
        scene, found = looked_at(seed, 14, 8)
        count, chance = count + found.count, chance + found.expected_by_chance
        for place in zip(found.u_nm, found.v_nm, strict=True):
            right += np.hypot(*(scene.laid_nm - place).T).min() < 300.0
    assert count > chance + 2.0 * np.sqrt(chance)
    assert right >= 0.75 * count


def test_networks_without_divisions_give_no_more_than_chance():
    found = [looked_at(seed, 40, 0)[1] for seed in (45, 46, 47)]
    assert sum(f.candidates for f in found) > 5
    chance = sum(f.expected_by_chance for f in found)
    assert sum(f.count for f in found) <= chance + 2.0 * np.sqrt(chance + 0.25)
