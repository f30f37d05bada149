"""Values that other programs and certified files give, against ours."""

import json
from pathlib import Path
from typing import Any

import pytest

from engine.across import (
    brunner_munzel,
    cliffs_delta,
    hodges_lehmann,
    slope_with_band,
    theil_sen,
)

REFERENCE: dict[str, Any] = json.loads(
    (Path(__file__).parent / "reference" / "across_reference.json").read_text()
)


def test_hodges_lehmann_shift_and_exact_interval() -> None:
    case = REFERENCE["HL_two_sample"]
    result = hodges_lehmann(case["x"], case["y"])
    assert result.shift == pytest.approx(case["HL"], abs=1e-12)
    assert (result.low, result.high) == pytest.approx(tuple(case["CI95"]), abs=1e-12)
    assert result.method == "exact"
    assert 0.95 <= result.coverage < 0.97


def test_brunner_munzel_statistic_p_and_superiority() -> None:
    case = REFERENCE["BrunnerMunzel"]
    result = brunner_munzel(case["N"], case["Y"])
    assert result.statistic == pytest.approx(case["stat"], rel=1e-12)
    assert result.p == pytest.approx(case["p"], rel=1e-10)
    assert result.superiority == pytest.approx(case["phat"], rel=1e-12)


def test_cliffs_delta_of_two_examples() -> None:
    case = REFERENCE["Cliff_delta"]
    assert cliffs_delta(case["treatment"], case["control"]).delta == pytest.approx(case["delta"])
    case = REFERENCE["BrunnerMunzel"]
    assert cliffs_delta(case["N"], case["Y"]).delta == pytest.approx(case["cliff_delta"])


def test_pairwise_slopes_of_two_examples() -> None:
    case = REFERENCE["Theil_cloud"]
    result = theil_sen(case["x"], case["y"])
    assert result.slope == pytest.approx(case["slope"], abs=1e-12)
    assert result.kendall_tau == pytest.approx(case["kendall_tau"])
    case = REFERENCE["Sen1968"]
    assert theil_sen(case["x"], case["y"]).slope == pytest.approx(case["slope"], abs=1e-12)


def test_least_squares_of_the_sen_example() -> None:
    case = REFERENCE["Sen1968"]
    result = slope_with_band(case["x"], case["y"])
    assert result.slope == pytest.approx(case["ols_slope"], rel=1e-11)
    assert result.intercept == pytest.approx(case["ols_intercept"], rel=1e-11)


def test_least_squares_reaches_certified_values() -> None:
    case = REFERENCE["NIST_Norris"]
    result = slope_with_band(case["x"], case["y"])
    assert result.n == case["n"]
    assert result.slope == pytest.approx(case["B1"], rel=1e-12)
    assert result.intercept == pytest.approx(case["B0"], rel=1e-10)
    assert result.slope_se == pytest.approx(case["B1_sd"], rel=1e-10)
    assert result.intercept_se == pytest.approx(case["B0_sd"], rel=1e-10)
    assert result.residual_sd == pytest.approx(case["resid_sd"], rel=1e-10)
    assert result.r**2 == pytest.approx(case["R2"], rel=1e-12)
    assert (result.slope_low, result.slope_high) == pytest.approx(case["B1_CI95"], rel=1e-12)
    assert (result.intercept_low, result.intercept_high) == pytest.approx(case["B0_CI95"], rel=1e-9)
