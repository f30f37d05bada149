"""A slope that is too flat because x is unsure, and by how much, against simulation."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from engine.across import reliability
from viewer.place_words import place_cautions
from viewer.scatter_data import SitePairs


def test_the_slope_is_flatter_by_the_reliability() -> None:
    """Least-squares slopes of many draws over the true slope (Fuller 1987, eq. 1.1.10)."""
    rng = np.random.default_rng(6)
    truth = rng.uniform(0, 4, 400)
    sd = rng.uniform(0.2, 0.8, 400)
    ratio, told = [], []
    for _ in range(200):
        x = truth + rng.normal(0, sd)
        y = 3.0 * truth + rng.normal(0, 0.5, 400)
        ratio.append(np.polyfit(x, y, 1)[0] / 3.0)
        told.append(reliability(x, sd))
    assert np.mean(told) == pytest.approx(np.mean(ratio), abs=0.01)
    assert np.mean(told) < 0.9


def test_what_is_not_known_is_left_out() -> None:
    x, sd = np.arange(6.0), np.full(6, 0.5)
    sd[2] = np.nan
    assert reliability(x, sd) == reliability(np.delete(x, 2), np.delete(sd, 2))
    assert np.isnan(reliability(x[:2], sd[:2]))
    assert np.isnan(reliability(np.ones(5), np.ones(5)))
    assert reliability(x, np.full(6, 9.0)) == 0
    assert reliability(x, np.zeros(6)) == 1
    with pytest.raises(ValueError, match="alike"):
        reliability(x, sd[:3])


def pairs(**changes: object) -> SitePairs:
    names = ("a", "b", "c", "d")
    base = SitePairs(
        x=np.array([0.0, 1, 2, 3]), y=np.zeros(4), site=names, disc=("D",) * 4, partner=names,
        distance_um=np.zeros(4), row=np.arange(4), joined=False, max_distance_um=100.0, base="x",
        unpaired=0, shared_partners=0,
    )  # fmt: skip
    return replace(base, **changes)


def sites() -> pd.DataFrame:
    flags = ["", "adhesion;near_pattern_border", "", "near_pattern_border"]
    return pd.DataFrame(
        {
            "disc": "D",
            "site": list("abcd"),
            "flags": flags,
            "pattern_index_position_sd": [0.5, 0.5, 0.5, 0.5],
        }
    )


def test_the_plot_says_who_lies_near_a_border_and_how_flat_the_slope_is() -> None:
    told = place_cautions(pairs(), "pattern_index", "modulus_kPa", sites())
    assert told[0].startswith("2 of 4 points lie near a border")
    assert "± 0.50" in told[1]
    assert "about 15 % too flat" in told[1]
    # along y the error of the index does not flatten the slope
    (alone,) = place_cautions(pairs(), "modulus_kPa", "pattern_index", sites())
    assert "border" in alone
    assert place_cautions(pairs(), "modulus_kPa", "Sq_nm", sites()) == ()


def test_of_joined_points_the_site_that_gave_the_pattern_is_meant() -> None:
    other = pairs(partner=("a", "a", "c", "c"), joined=True, base="y")
    told = place_cautions(other, "pattern_index", "Sq_nm", sites())
    assert not any("border" in text for text in told)
    told = place_cautions(replace(other, base="x"), "pattern_index", "Sq_nm", sites())
    assert told[0].startswith("2 of 4")


def test_a_run_that_does_not_know_says_nothing() -> None:
    old = sites().drop(columns="pattern_index_position_sd")
    assert place_cautions(pairs(), "pattern_index", "modulus_kPa", old) == ()
    unknown = sites().assign(pattern_index_position_sd=np.nan, flags="")
    assert place_cautions(pairs(), "pattern_index", "modulus_kPa", unknown) == ()
