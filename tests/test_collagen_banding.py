"""Bands of known period, images without bands, and pixels that cannot tell."""

import numpy as np
import pytest
from collagen_scenes import Recipe, make_scene

from engine.collagen import ImageTip, analyse_height
from engine.collagen.spectrum import ratio_needed
from engine.collagen.vibration import ScanLine, are_bands

TIP = ImageTip("paraboloid", 10.0)


def corrugated(period_nm, climb=0.0, pixel_nm=8.0, size=(150, 150), angle_deg=30.0):
    """Parallel half cylinders with bands along their axes, which climb; no tip."""
    v, u = np.indices(size, dtype=float) * pixel_nm
    angle = np.radians(angle_deg)
    along = np.cos(angle) * u + np.sin(angle) * v
    across = -np.sin(angle) * u + np.cos(angle) * v
    ridge = np.floor(across / 120.0)
    wave = 2.5 * np.cos(2 * np.pi * along * np.hypot(1, climb) / period_nm + 2.0 * ridge)
    inside = (50.0 + wave) ** 2 - (across % 120.0 - 60.0) ** 2
    noise = np.random.default_rng(0).normal(0, 0.3, size)
    return np.sqrt(np.maximum(inside, 0)) * np.hypot(1, climb) + climb * along + noise


@pytest.mark.parametrize("period", [58.0, 64.0, 67.0, 76.0])
def test_period_is_found(period):
    found = analyse_height(corrugated(period), (8.0, 8.0), None).banding
    assert found.period_nm == pytest.approx(period, abs=1.0)
    assert found.fraction > 0.8
    assert found.resolvable


def test_period_counts_the_slope_of_the_axis():
    # Tilt is levelled away in an image; undulation is not: a roof of two slopes stays.
    size = (220, 220)
    up, down = corrugated(67.0, 0.4, size=size), corrugated(67.0, -0.4, size=size)
    roof = np.minimum(up - up.mean(), down - down.mean())
    found = analyse_height(roof, (8.0, 8.0), None).banding
    assert found.period_nm == pytest.approx(67.0, abs=1.5)
    assert 67.0 / np.hypot(1, 0.4) < 63.0  # what the projection would have read


def test_bands_of_a_tangle():
    recipe = Recipe(size=(220, 220), count=80, diameter_nm=70.0)
    scene = make_scene(recipe, TIP, 5)
    found = analyse_height(scene.height_nm, scene.pixel_nm, TIP).banding
    assert found.period_nm == pytest.approx(67.0, abs=2.0)
    assert found.ratio > found.ratio_needed
    at = np.argmin(np.abs(found.wavelength_nm - found.period_nm))
    assert found.power[at] == pytest.approx(found.ratio, rel=0.1)
    assert len(found.example_arc_nm) == len(found.example_height_nm) > 20


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_bands_where_there_are_none(seed):
    recipe = Recipe(size=(150, 150), count=40, diameter_nm=60.0, band_depth=0.0)
    scene = make_scene(recipe, TIP, seed)
    result = analyse_height(scene.height_nm, scene.pixel_nm, TIP)
    assert np.isnan(result.banding.period_nm)
    assert "no_bands" in result.flags
    assert result.banding.fraction < 0.1
    assert len(result.banding.example_arc_nm) == 0


@pytest.mark.parametrize("pixel", [(39.0, 39.0), (8.0, 23.0)])
def test_coarse_pixels_are_refused_whatever_they_would_read(pixel):
    height = corrugated(67.0, pixel_nm=8.0)
    result = analyse_height(height, pixel, None)
    assert not result.banding.resolvable
    assert np.isnan(result.banding.period_nm)
    assert np.isnan(result.fibrils.band_period_nm).all()
    assert "not_resolvable" in result.flags


def test_middling_pixels_answer_pooled_only():
    result = analyse_height(corrugated(67.0, pixel_nm=18.0, size=(200, 200)), (18.0, 18.0), None)
    assert "pooled_only" in result.flags
    assert np.isnan(result.fibrils.band_period_nm).all()
    assert result.banding.period_nm == pytest.approx(67.0, abs=2.0)


def parallel_fibrils(shake_nm):
    """Bandless half cylinders at many angles under a vibration along the fast axis."""
    v, u = np.indices((220, 220), dtype=float) * 8.0
    rng = np.random.default_rng(3)
    surface = np.zeros((220, 220))
    for _ in range(60):
        angle, shift = rng.uniform(-1.0, 1.0), rng.uniform(-300, 2000)
        across = -np.sin(angle) * u + np.cos(angle) * v - shift * np.cos(angle)
        lift = rng.uniform(0, 120)
        cap = 35.0**2 - across**2
        surface = np.maximum(surface, np.where(cap > 0, lift + np.sqrt(np.maximum(cap, 0)), 0))
    shaken = surface + shake_nm * np.cos(2 * np.pi * u / 58.0)
    return shaken + rng.normal(0, 0.3, u.shape)


def test_vibration_along_the_fast_axis_is_told_from_bands():
    shaken = analyse_height(parallel_fibrils(1.5), (8.0, 8.0), None)
    assert np.isfinite(shaken.banding.period_nm)
    assert "band_vibration" in shaken.flags
    banded = analyse_height(corrugated(67.0), (8.0, 8.0), None)
    assert "band_vibration" not in banded.flags


@pytest.mark.parametrize(("count", "cells"), [(1, 3), (5, 3), (60, 2)])
def test_threshold_is_exceeded_by_noise_as_often_as_it_says(count, cells):
    rng = np.random.default_rng(1)
    power = rng.exponential(size=(40_000, cells, count)).mean(axis=2).max(axis=1)
    rate = np.mean(power > ratio_needed(count, cells, 0.05))
    assert rate == pytest.approx(0.05, abs=0.006)


def shaken_scene(shake_nm, phase_step):
    """A network without bands; the vibration moves on by a phase from row to row."""
    recipe = Recipe(size=(200, 200), count=50, diameter_nm=60.0, band_depth=0.0)
    scene = make_scene(recipe, TIP, 17)
    v, u = np.indices(scene.height_nm.shape)
    wave = shake_nm * np.cos(2 * np.pi * u * 8.0 / 66.0 + phase_step * v)
    return scene.height_nm + wave


@pytest.mark.parametrize("phase_step", [1.1, 2.0])
def test_vibration_shows_as_a_line_along_the_rows(phase_step):
    found = analyse_height(shaken_scene(2.0, phase_step), (8.0, 8.0), TIP)
    assert found.banding.scan_line_nm == pytest.approx(66.0, rel=0.03)
    assert found.banding.scan_line_ratio > 2.5
    assert "scan_vibration" in found.flags
    assert np.isnan(found.banding.period_nm) or "band_vibration" in found.flags
    still = analyse_height(shaken_scene(0.0, phase_step), (8.0, 8.0), TIP)
    assert np.isnan(still.banding.scan_line_nm)
    assert "scan_vibration" not in still.flags


def test_bands_in_step_on_parallel_fibrils_are_no_vibration():
    found = analyse_height(corrugated(67.0, size=(200, 200)), (8.0, 8.0), None)
    assert np.isnan(found.banding.scan_line_nm)
    assert not {"band_vibration", "scan_vibration"} & set(found.flags)
    wave = 1.0 / 67.0
    leaning = ScanLine(67.0 / np.cos(0.5), wave * np.sin(0.5), 50.0)
    assert are_bands(leaning, 67.0, np.degrees(0.5))
    assert not are_bands(leaning, 67.0, 80.0)
    assert not are_bands(leaning, 60.0, np.degrees(0.5))
    assert not are_bands(leaning, float("nan"), float("nan"))
    assert not are_bands(ScanLine(67.0, float("nan"), 3.0), 67.0, 0.0)
