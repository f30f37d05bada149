from dataclasses import replace

import curve_simulator
import numpy as np
import pytest

from engine.mechanics import (
    MechanicsSettings,
    Tip,
    comparison_text,
    fit_curves,
    shared_uncertainty,
    uncertainty_budget,
)

BEAD = Tip("paraboloid", 5000.0)


def fits(count=40, spread=0.1, modulus=100.0, tip=BEAD, seed=0, **more):
    rng = np.random.default_rng(seed)
    true = modulus * np.exp(spread * rng.standard_normal(count))
    rows = [
        curve_simulator.curves(1, 400, modulus_kPa=m, tip=tip, seed=i, **more)
        for i, m in enumerate(true)
    ]
    z = rows[0][0]
    d = np.concatenate([row[1] for row in rows])
    return fit_curves(z, d, tip=tip, spring_constant_N_per_m=0.8, poisson_ratio=0.4), true


def test_scatter_is_split_into_noise_and_sample():
    found, true = fits(60, 0.002, white_nm=2.0)
    budget = uncertainty_budget(found)
    noise = np.log(found.modulus_kPa / true) - np.log((1 - 0.16) / (1 - 0.25))
    assert budget.fit == pytest.approx(noise.std(), rel=0.3)
    assert budget.scatter == pytest.approx(np.log(found.modulus_kPa).std(ddof=1))
    rough, true = fits(60, 0.2)
    budget = uncertainty_budget(rough)
    assert budget.between == pytest.approx(np.log(true).std(ddof=1), rel=0.02)
    # 1.2533 sigma / sqrt(n) for the median of a normal sample
    assert budget.random == pytest.approx(1.2533 * 0.2 / np.sqrt(60), rel=0.4)


def test_random_part_covers_the_scatter_of_medians():
    said, medians = [], []
    rng = np.random.default_rng(4)
    found, _ = fits(16)
    for _ in range(400):
        one = replace(found, modulus_kPa=100 * np.exp(0.3 * rng.standard_normal(16)))
        budget = uncertainty_budget(one)
        said.append(budget.random)
        medians.append(np.log(budget.modulus_kPa))
    assert np.sqrt(np.mean(np.square(said))) == pytest.approx(np.std(medians), rel=0.15)


def test_lines_against_closed_forms():
    found, _ = fits(5, 0.0)
    s = MechanicsSettings(
        sensitivity_rel_sd=0.02, radius_rel_sd=0.04, poisson_ratio_sd=0.05, drive_rel_sd=0.01
    )
    budget = uncertainty_budget(found, spring_constant_rel_sd=0.1, settings=s)
    stiff = np.median(found.stiffness_ratio)
    lines = {line.name: line for line in budget.lines}
    assert lines["spring constant"].relative == pytest.approx(0.1)
    assert lines["sensitivity"].coefficient == pytest.approx(1 + stiff)
    assert lines["tip radius"].coefficient == pytest.approx(-0.5, rel=1e-6)
    assert lines["Poisson ratio"].coefficient == pytest.approx(-0.8 / 0.84)
    assert lines["drive scale"].coefficient == pytest.approx(-(1.5 + stiff))
    shared = [line.relative for line in budget.lines if line.kind == "shared by the probe"]
    assert budget.shared == pytest.approx(np.sqrt(np.sum(np.square(shared))))
    assert budget.method == "propagation"
    assert budget.leverage == pytest.approx(1 + stiff)
    thermal = uncertainty_budget(found, thermal_spring_constant=True, settings=s)
    line = next(line for line in thermal.lines if line.name == "sensitivity")
    assert line.coefficient == pytest.approx(stiff - 1)


def test_coefficients_are_what_refitting_finds():
    z, d, _ = curve_simulator.curves(4, 600, modulus_kPa=100.0, white_nm=0.01)
    h = 1e-3

    def log_e(k=0.8, nu=0.4, radius=5000.0, drive=1.0):
        found = fit_curves(
            z * drive,
            d,
            tip=Tip("sphere", radius),
            spring_constant_N_per_m=k,
            poisson_ratio=nu,
        )
        return np.median(np.log(found.modulus_kPa)), found

    base, found = log_e()
    s = MechanicsSettings(poisson_ratio_sd=0.05, drive_rel_sd=0.01)
    lines = {line.name: line for line in uncertainty_budget(found, settings=s).lines}
    moved = {
        "spring constant": (log_e(k=0.8 * (1 + h))[0] - base) / h,
        "tip radius": (log_e(radius=5000 * (1 + h))[0] - base) / h,
        "Poisson ratio": (log_e(nu=0.4 + h)[0] - base) / h,
        "drive scale": (log_e(drive=1 + h)[0] - base) / h,
    }
    for name, slope in moved.items():
        assert lines[name].coefficient == pytest.approx(slope, rel=0.12), name


def test_draws_take_over_where_the_leverage_is_high():
    soft, _ = fits(6, 0.0, 30.0)
    stiff, _ = fits(6, 0.0, 2500.0)
    assert uncertainty_budget(soft).method == "propagation"
    budget = uncertainty_budget(stiff)
    assert budget.method == "Monte Carlo"
    first = shared_uncertainty(stiff).total
    assert budget.shared != pytest.approx(first, rel=1e-3)
    assert budget.shared == pytest.approx(first, rel=0.3)
    # a sensitivity read too large hurts more than one read too small: the range is lopsided
    up = np.log(budget.shared_high_kPa / budget.modulus_kPa)
    down = np.log(budget.modulus_kPa / budget.shared_low_kPa)
    assert up > 1.05 * down
    agree = uncertainty_budget(soft, settings=MechanicsSettings(systematic_draws=20000))
    assert agree.shared == pytest.approx(uncertainty_budget(soft).shared, rel=0.03)


def test_what_must_not_be_quoted():
    stiff, _ = fits(6, 0.0, 12000.0)
    budget = uncertainty_budget(stiff)
    assert not budget.quotable
    assert "stiffer" in budget.why_not
    assert "should not be quoted" in comparison_text(budget)
    nothing = uncertainty_budget(replace(stiff, used=np.zeros(6, bool)))
    assert not nothing.quotable
    assert np.isnan(nothing.modulus_kPa)
    assert np.isnan(nothing.shared)


def test_words_of_comparison():
    found, _ = fits(40, 0.1)
    budget = uncertainty_budget(found, scan_spread=0.1)
    assert budget.model == pytest.approx(np.log(1.1) / np.sqrt(12))
    assert budget.total == pytest.approx(
        np.sqrt(budget.random**2 + budget.shared**2 + budget.model**2)
    )
    here = comparison_text(budget)
    later = comparison_text(budget, same_day=False)
    other = comparison_text(budget, same_probe=False)
    assert "cancels" in here
    assert f"{100 * 1.96 * np.sqrt(2) * budget.random:.0f} %" in here
    assert "another day" in later
    assert "nothing cancels" in other
    few, _ = fits(1)
    assert "not compared" in comparison_text(uncertainty_budget(few))
