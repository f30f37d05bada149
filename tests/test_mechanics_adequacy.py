import curve_simulator
import numpy as np
import pytest
from statsmodels.stats.stattools import durbin_watson as outside

from engine.mechanics import Candidate, Layer, Tip, rank_models
from engine.mechanics.adequacy import aicc, durbin_watson
from engine.mechanics.tables import law_force

BEAD = Tip("sphere", 5000.0)
COMMON = {"spring_constant_N_per_m": 0.8, "poisson_ratio": 0.5}


def test_the_true_law_comes_first():
    layer = Layer(10e3, 0.5)
    z, d, _ = curve_simulator.curves(
        1, 1000, modulus_kPa=30.0, white_nm=0.05, force=lambda x, tip: law_force(x, tip, layer)
    )
    ranks = rank_models(
        z,
        d[0],
        {
            "half-space": BEAD,
            "layer": Candidate(BEAD, 10.0),
            "cone": Tip("cone", None, 60.0),
        },
        **COMMON,
    )
    assert [r.name for r in ranks] == ["layer", "half-space", "cone"]
    best, plain, cone = ranks
    assert best.aicc_difference == 0
    assert best.sound
    assert best.modulus_kPa == pytest.approx(30.0, rel=0.02)
    assert best.durbin_watson == pytest.approx(2.0, abs=0.2)
    # reference sheet, a layer of 10 um taken for a half-space: +17 %, exponent 1.575, scan 1.09 on
    assert not plain.alike
    assert not plain.sound
    assert plain.modulus_off > 0.1
    assert plain.exponent_off > 0.05
    assert plain.scan_spread > 0.05
    assert plain.durbin_watson < 1.5
    assert cone.misfit_share > plain.misfit_share
    assert best.verdict.startswith("Best")
    assert "Worse" in plain.verdict


def test_aicc_is_gated_by_the_size_of_the_effect():
    z, d, _ = curve_simulator.curves(1, 4000, modulus_kPa=300.0, white_nm=0.02)
    _, other = rank_models(z, d[0], {"sphere": BEAD, "layer": Candidate(BEAD, 900.0)}, **COMMON)
    assert other.alike
    assert abs(other.modulus_off) < 0.02
    assert "Not to be told" in other.verdict


def test_statistics_against_formulas_and_another_package():
    r = np.random.default_rng(0).standard_normal(300).cumsum()
    assert durbin_watson(r) == pytest.approx(outside(r))
    # doubling the residuals costs 2 n ln 2
    assert aicc(2 * r) - aicc(r) == pytest.approx(600 * np.log(2))
    assert aicc(np.full(9, np.nan)) == np.inf
    assert np.isnan(durbin_watson(np.zeros(5)))


def test_hopeless_curves_and_wishes():
    z = np.linspace(0, 1000, 200)
    (rank,) = rank_models(z, np.zeros(200), {"sphere": BEAD}, **COMMON)
    assert np.isnan(rank.modulus_kPa)
    assert rank.aicc_difference == np.inf
    assert not rank.sound
    assert "could not be fitted" in rank.verdict
    with pytest.raises(ValueError, match="at least one"):
        rank_models(z, z, {}, **COMMON)
