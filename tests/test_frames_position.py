"""The error of a site's place: closed forms, coverage, and what it does to the window's pattern."""

from pathlib import Path

import numpy as np
import pytest
from cells_simulator import make_scene
from folder_kit import default_landmarks, manifest, write_folder, write_landmarks
from scipy import stats

from engine.cells import CellsSettings, grade_groups, grade_windows, neighbour_graph
from engine.cells.border import window_stability
from engine.cells.settings import ConfidenceSettings
from engine.frame_quality import error_spiral, radius_factor
from engine.frames import FrameSettings, fit_frame, identity_frame
from engine.intake import open_folder

QUICK = CellsSettings(confidence=ConfidenceSettings(replicates=0))
STAGE = np.array([[0.0, 0], [2000, 100], [1900, 2000], [-100, 1800], [900, 1000]])
NAMES = ("A", "B", "C", "D", "E")


@pytest.mark.parametrize("degrees", [2, 4, 6, 20, 500])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.95])
def test_the_radius_is_the_root_of_f(degrees: int, share: float) -> None:
    """SciPy's quantile of F with 2 and d degrees of freedom."""
    assert radius_factor(share, degrees) == pytest.approx(
        np.sqrt(stats.f.ppf(share, 2, degrees)), rel=1e-9
    )


@pytest.mark.parametrize("method", ["similarity", "affine"])
def test_the_radius_covers_as_often_as_it_says(method: str) -> None:
    rng = np.random.default_rng(8)
    truth = np.array([[0.9, 0.43], [0.43, -0.9]])
    site = np.array([[1500.0, -300.0]])
    inside = []
    for _ in range(1500):
        seen = STAGE @ truth.T + rng.normal(0, 7, STAGE.shape)
        frame = fit_frame(STAGE, seen, NAMES, FrameSettings(method=method))
        away = np.linalg.norm(frame.to_disc(site) - site @ truth.T)
        inside.append(away <= frame.position_radius_um(site)[0])
    assert np.mean(inside) == pytest.approx(0.95, abs=0.017)  # three standard errors


def test_the_even_sample_follows_the_distribution() -> None:
    points = error_spiral(4000, 6)
    radius = np.linalg.norm(points, axis=1)
    for share in (0.25, 0.5, 0.9):
        assert np.mean(radius <= radius_factor(share, 6)) == pytest.approx(share, abs=1e-3)
    np.testing.assert_allclose(points.mean(axis=0), 0, atol=0.02)
    np.testing.assert_array_equal(points, error_spiral(4000, 6))


def test_what_can_not_be_judged_is_nan() -> None:
    three = fit_frame(STAGE[:3], STAGE[:3], NAMES[:3], FrameSettings(method="affine"))
    assert np.isnan(three.position_radius_um([[0, 0]])).all()
    assert np.isnan(three.likely_shifts_um([[0, 0]], 8)).all()
    assert np.isnan(identity_frame().likely_shifts_um([[0, 0]], 8)).all()


def test_shifted_windows_are_graded_as_windows_in_place_are() -> None:
    """Against the grade of every shifted window on its own."""
    scene = make_scene(3, tries=700)
    rng = np.random.default_rng(5)
    centres = rng.uniform(0, 1200, (25, 2))
    shifts = rng.normal(0, 30, (25, 40, 2))
    graph = neighbour_graph(scene.xy_um, QUICK)
    grades = grade_groups(scene.xy_um, graph, QUICK)
    here = grade_windows(centres, scene.xy_um, graph, grades, QUICK)
    found = window_stability(centres, shifts, scene.xy_um, grades, here, QUICK)
    assert (found.stability < 0.8).any()
    assert (found.stability == 1).any()
    for i in range(25):
        there = grade_windows(centres[i] + shifts[i], scene.xy_um, graph, grades, QUICK)
        same = there.pattern == here.pattern[i]
        assert found.stability[i] == same.mean()
        held = np.isfinite(there.index)
        if held.sum() > 1:
            assert found.index_sd[i] == pytest.approx(there.index[held].std(ddof=1))
        else:
            assert np.isnan(found.index_sd[i])
        assert ("near_pattern_border" in found.flags[i]) == (same.mean() < 0.8)
        if not same.all():
            assert found.beside[i] in there.pattern[~same] or found.beside[i] == -1


def test_a_site_between_two_fields_lies_near_a_border() -> None:
    strings = np.concatenate(
        [np.column_stack([np.arange(8) * 10.0, np.full(8, y)]) for y in np.arange(0, 400, 40)]
    )
    turn = 2 * np.pi * np.arange(7) / 7
    rosette = np.column_stack([np.cos(turn), np.sin(turn)]) * 11
    spots = np.stack(np.meshgrid(np.arange(130, 330, 45), np.arange(0, 400, 45)), -1).reshape(-1, 2)
    xy = np.vstack([strings, *(rosette + spot for spot in spots.astype(float))])
    graph = neighbour_graph(xy, QUICK)
    grades = grade_groups(xy, graph, QUICK)
    centres = np.array([[85.0, 200.0], [20.0, 200.0], [260.0, 200.0]])
    here = grade_windows(centres, xy, graph, grades, QUICK)
    shifts = np.broadcast_to(12.0 * error_spiral(64, 6), (3, 64, 2))
    found = window_stability(centres, shifts, xy, grades, here, QUICK)
    assert ["near_pattern_border" in names for names in found.flags] == [True, False, False]
    assert {int(here.pattern[0]), int(found.beside[0])} == set(here.pattern[1:].tolist())
    unknown = window_stability(centres, np.full((3, 8, 2), np.nan), xy, grades, here, QUICK)
    assert np.isnan(unknown.stability).all()
    assert unknown.flags == ((), (), ())


def test_flags_of_the_landmarks_become_cautions_that_name_them(tmp_path: Path) -> None:
    path = write_folder(tmp_path / "disc")

    def told(rows: list) -> dict[str, str]:
        write_landmarks(path / "landmarks.csv", rows)
        folder = open_folder(path)
        assert folder.defects == []
        return {c.name: c.sentence for c in folder.cautions if c.site == ""}

    assert told(default_landmarks()) == {}
    assert "few_landmarks" in told(default_landmarks(3))
    rows = default_landmarks(10)
    rows[3][3] += 9.0
    assert "L4, " in told(rows)["landmark_outlier"]
    rows = default_landmarks()
    rows[4] = ["L5", *(value + 0.3 for value in rows[0][1:])]
    assert "L1 and L5" in told(rows)["landmarks_close"]


@pytest.mark.parametrize(("asked", "got"), [(None, "similarity"), ("affine", "affine")])
def test_the_folder_may_ask_for_an_affine_frame(
    tmp_path: Path, asked: str | None, got: str
) -> None:
    changes = manifest(frame={"landmarks": "landmarks.csv", "method": asked})
    folder = open_folder(write_folder(tmp_path / "disc", changes={"frame": changes["frame"]}))
    assert folder.frame.method == got
    assert folder.cautions == []


def test_another_method_is_refused(tmp_path: Path) -> None:
    changes = {"frame": {"landmarks": "landmarks.csv", "method": "bent"}}
    folder = open_folder(write_folder(tmp_path / "disc", changes=changes))
    assert [d.expected for d in folder.defects] == ["similarity, affine or auto"]
