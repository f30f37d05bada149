import numpy as np
import pytest
from scipy.linalg import eigh_tridiagonal

from engine.mechanics.stretches import (
    BOLTZMANN,
    CAUTION,
    find_stretches,
    fit_stretch,
    freely_jointed_force,
    worm_like_force,
)

KT = BOLTZMANN * 298.15


def exact_worm_extension(force):
    """Mean extension of an infinite worm-like chain at a force in kT / Lp, by its eigenvalue.

    Ground state of a rotator in a field (Marko and Siggia 1995): E0 of l (l + 1) / 2 - f cos; the
    extension is -dE0/df.
    """

    def lowest(f):
        degree = np.arange(120.0)
        up = degree[:-1] + 1.0
        off = -f * up / np.sqrt((2 * up - 1) * (2 * up + 1))
        return eigh_tridiagonal(
            degree * (degree + 1) / 2, off, select="i", select_range=(0, 0), eigvals_only=True
        )[0]

    step = 1e-4 * force
    return -(lowest(force + step) - lowest(force - step)) / (2 * step)


def test_worm_like_chain_within_its_bound_of_the_exact_solution():
    force = np.geomspace(0.05, 300, 60)
    share = np.array([exact_worm_extension(f) for f in force])
    error = worm_like_force(share) / force - 1
    # reference sheet: 0.34 %; without the correction up to 16.7 %
    assert 0.001 < np.max(np.abs(error)) < 0.0035
    plain = share - 0.25 + 0.25 / (1 - share) ** 2
    assert np.max(np.abs(plain / force - 1)) == pytest.approx(0.167, abs=0.01)


def test_freely_jointed_chain_within_its_bound_of_the_exact_inverse():
    b = np.geomspace(1e-2, 500, 400)
    share = 1 / np.tanh(b) - 1 / b
    error = np.abs(freely_jointed_force(share) / b - 1)
    assert 0.001 < error.max() < 0.0019


def pulled(law, contour, stiff, samples=400, sigma=0.004, seed=0, reach=0.92):
    x = np.linspace(1.0, 1.6 * contour, samples)
    force = np.zeros(samples)
    held = x < reach * contour
    force[held] = -KT / stiff * law(x[held] / contour)
    return x, force + sigma * np.random.default_rng(seed).standard_normal(samples)


@pytest.mark.parametrize(
    ("model", "law"), [("worm_like", worm_like_force), ("freely_jointed", freely_jointed_force)]
)
def test_lengths_are_recovered_with_intervals_that_cover(model, law):
    contour, stiff, found = [], [], []
    for seed in range(80):
        x, force = pulled(law, 200.0, 0.4, seed=seed)
        stretches = find_stretches(x, force)
        assert len(stretches) == 1
        one = fit_stretch(x, force, model=model, first=stretches[0][0], last=stretches[0][1])
        found.append((one.contour_nm, one.persistence_nm))
        contour.append(one.contour_low_nm <= 200 <= one.contour_high_nm)
        stiff.append(one.persistence_low_nm <= 0.4 <= one.persistence_high_nm)
        assert one.rupture_extension_nm == pytest.approx(184.0, abs=2.0)
        assert one.caution == CAUTION
    np.testing.assert_allclose(np.median(found, axis=0), [200.0, 0.4], rtol=0.02)
    # 80 stretches: 95 % within two standard errors of a share
    assert np.mean(contour) >= 0.88
    assert np.mean(stiff) >= 0.88


def test_several_ruptures_are_told_apart():
    x = np.linspace(1.0, 500.0, 1500)
    force = 0.003 * np.random.default_rng(1).standard_normal(1500)
    for begin, end, contour in ((1, 130, 150.0), (140, 270, 300.0), (280, 420, 450.0)):
        held = (x > begin) & (x < end)
        force[held] -= KT / 0.4 * worm_like_force(x[held] / contour)
    found = find_stretches(x, force)
    assert [round(x[last - 1]) for _, last in found] == pytest.approx([130, 270, 420], abs=4)


def test_nothing_is_read_into_noise():
    rng = np.random.default_rng(2)
    for _ in range(20):
        assert find_stretches(np.linspace(-50, 500, 800), 0.01 * rng.standard_normal(800)) == []
    assert find_stretches([1.0, 2.0], [0.0, 0.0]) == []
    flat = fit_stretch(np.linspace(1, 100, 50), np.zeros(50))
    assert np.isnan(flat.contour_nm)
    assert np.isnan(fit_stretch([], []).rupture_nN)


def test_wrong_wishes_are_named():
    with pytest.raises(ValueError, match="model must be one of"):
        fit_stretch([1.0], [1.0], model="spring")
    with pytest.raises(ValueError, match="temperature_K"):
        fit_stretch([1.0], [1.0], temperature_K=-3)
