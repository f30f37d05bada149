"""Order freed of what crossings hide, local orientation, its reach, and splits."""

import numpy as np
import pytest
from collagen_scenes import Recipe, make_scene

from engine.collagen import CollagenSettings, ImageTip, analyse_height
from engine.collagen.network import orientation
from engine.collagen.orientation import hidden_weight, orientation_field
from engine.collagen.traces import Traces

TIP = ImageTip("paraboloid", 10.0)
SETTINGS = CollagenSettings()


def straight_pieces(u_nm, v_nm, angle_rad, length_nm, step_nm=8.0, junctions=()):
    """Traces of straight pieces, pixels of 1 nm."""
    u, v, arc, piece, tu, tv, size = [], [], [], [], [], [], []
    for k, (x, y, a, length) in enumerate(zip(u_nm, v_nm, angle_rad, length_nm, strict=True)):
        s = np.linspace(0.0, length, max(2, int(length / step_nm) + 1))
        u.append(x + (s - length / 2) * np.cos(a))
        v.append(y + (s - length / 2) * np.sin(a))
        arc.append(s)
        piece.append(np.full(len(s), k))
        tu.append(np.full(len(s), np.cos(a)))
        tv.append(np.full(len(s), np.sin(a)))
        size.append(len(s))
    start = np.concatenate([[0], np.cumsum(size)]).astype(np.int64)
    step = np.concatenate([np.full(n, L / n) for n, L in zip(size, length_nm, strict=True)])
    joint = np.array(junctions, dtype=float).reshape(-1, 2)
    return Traces(
        u_px=np.concatenate(u),
        v_px=np.concatenate(v),
        piece=np.concatenate(piece),
        start=start,
        arc_nm=np.concatenate(arc),
        tangent_u=np.concatenate(tu),
        tangent_v=np.concatenate(tv),
        step_nm=step,
        diameter_nm=np.full(start[-1], 60.0),
        length_nm=np.asarray(length_nm, float),
        junction_u_px=joint[:, 0],
        junction_v_px=joint[:, 1],
    )


def random_runs(shortest_nm, loss_nm, seed):
    """Lines cut at random where others cross them; ends and short runs are lost."""
    rng = np.random.default_rng(seed)
    line = rng.normal(0.6, 0.55, 400) % np.pi
    rate = np.abs(np.sin(line[:, None] - line)).mean(axis=1) / (0.4 * 150.0)
    runs = rng.exponential(1.0 / rate[:, None], (400, 120))
    runs[np.cumsum(runs, axis=1) > 3000.0] = 0.0
    angle = np.repeat(line, runs.shape[1])
    runs = runs.ravel()
    truth = orientation(np.cos(angle), np.sin(angle), runs)[0]
    kept = runs - loss_nm >= shortest_nm
    nowhere = np.zeros(kept.sum())
    return straight_pieces(nowhere, nowhere, angle[kept], runs[kept] - loss_nm), truth


@pytest.mark.parametrize(("shortest", "loss"), [(60.0, 0.0), (120.0, 0.0), (60.0, 50.0)])
def test_order_of_runs_cut_by_crossings(shortest, loss):
    plain, right = [], []
    for seed in range(4):
        traces, truth = random_runs(shortest, loss, seed)
        weight, seen = hidden_weight(traces, shortest, loss)
        assert 0 < seen < 1
        tangents = traces.tangent_u, traces.tangent_v
        plain.append(orientation(*tangents, traces.step_nm)[0] - truth)
        right.append(orientation(*tangents, weight)[0] - truth)
    assert np.mean(plain) > 0.015  # what the correction is for
    assert abs(np.mean(right)) < 0.35 * np.mean(plain)


def test_parallel_fibrils_are_left_alone():
    n = 30
    traces = straight_pieces(np.zeros(n), np.arange(n) * 60.0, np.full(n, 0.4), np.full(n, 900.0))
    weight, _ = hidden_weight(traces, 60.0)
    order, angle = orientation(traces.tangent_u, traces.tangent_v, weight)
    assert order == pytest.approx(1.0)
    assert angle == pytest.approx(np.degrees(0.4))


def test_order_is_unbiased_over_invented_networks():
    error, traced = [], []
    for seed in range(4):
        recipe = Recipe(
            size=(200, 200), count=80, diameter_nm=60.0, angle_sd_deg=36.0, angle_deg=20.0 * seed
        )
        scene = make_scene(recipe, TIP, 40 + seed)
        found = analyse_height(scene.height_nm, scene.pixel_nm, TIP)
        error.append(found.order - scene.order)
        traced.append(found.orientation.order_traced - scene.order)
    assert abs(np.mean(error)) < 0.03
    assert np.median(np.abs(error)) < 0.05
    assert np.mean(error) < np.mean(traced)


def test_director_by_a_second_path_through_the_gradient():
    recipe = Recipe(size=(200, 200), count=90, angle_sd_deg=15.0, undulation_nm=10.0, bend=0.1)
    scene = make_scene(recipe, TIP, 3)
    found = analyse_height(scene.height_nm, scene.pixel_nm, TIP)
    gradient_v, gradient_u = np.gradient(found.levelled_nm)
    double = np.mean((gradient_u + 1j * gradient_v) ** 2)
    along = np.degrees(np.angle(double) / 2) + 90
    assert (found.angle_site_deg - along + 90) % 180 - 90 == pytest.approx(0.0, abs=5.0)


def test_local_map_shows_two_halves():
    rng = np.random.default_rng(0)
    n = 300
    u, v = rng.uniform(-1900, 1900, n), rng.uniform(-1900, 1900, n)
    angle = np.where(u < 0, 0.3, 0.3 + np.pi / 2)
    traces = straight_pieces(u + 2000, v + 2000, angle, np.full(n, 60.0))
    found = orientation_field(traces, 1.0, (4000, 4000), (1.0, 1.0), SETTINGS)
    away = np.abs(found.cell_u_nm) > 300
    expected = np.where(found.cell_u_nm < 0, 0.3, 0.3 + np.pi / 2)
    np.testing.assert_allclose(found.cell_angle_deg[away], np.degrees(expected[away]), atol=0.5)
    assert found.cell_order[away] == pytest.approx(1.0)
    assert found.cell_length_nm.sum() <= traces.length_nm.sum() + 1e-6
    assert found.order_traced < 0.2


def test_correlation_length_of_a_turning_director():
    # Angle k u: cos 2(difference) averaged over directions of separation is J0(2 k r); without
    # order it has fallen to 1/e at 2 k r = 1.7549 (first root of J0(x) = 1/e, by bisection).
    k = 2 * np.pi / 1500.0
    grid = np.arange(-2950.0, 2951.0, 100.0)
    u, v = (a.ravel() for a in np.meshgrid(grid, grid))
    traces = straight_pieces(u + 3000, v + 3000, k * u, np.full(len(u), 2.0))
    found = orientation_field(traces, 1.0, (6000, 6000), (1.0, 1.0), SETTINGS)
    assert found.order_traced < 0.05
    assert found.correlation_length_nm == pytest.approx(1.7549 / (2 * k), rel=0.12)


def test_nothing_traced_gives_an_empty_map():
    found = analyse_height(np.random.default_rng(0).normal(size=(20, 20)), (8.0, 8.0), TIP)
    assert found.orientation.cell_u_nm.size == 0
    assert np.isnan(found.orientation.correlation_length_nm)
