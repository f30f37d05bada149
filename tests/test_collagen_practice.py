"""Eight of the practice disc's images against their truth, read without the importer."""

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tifffile

from engine.collagen import ImageTip, analyse_height

PRACTICE = Path(__file__).parents[2] / "shared/practice"
pytestmark = [
    pytest.mark.practice,
    pytest.mark.skipif(not PRACTICE.is_dir(), reason="no practice discs beside the checkout"),
]


def read(path):
    return np.load(path) if path.suffix == ".npy" else tifffile.imread(path)


@pytest.fixture(scope="module")
def measured():
    folder = PRACTICE / "disc"
    probes = tomllib.loads((folder / "disc.toml").read_text())["probes"]
    sites = pd.read_csv(folder / "sites.csv")
    sites = sites[sites["topography"].str.endswith((".tif", ".npy"), na=False)].iloc[1::4]
    rows = []
    for site in sites.itertuples():
        height = read(folder / site.topography)
        probe = probes[site.probe]
        tip = ImageTip(probe["shape"], probe.get("radius_nm"), probe.get("half_angle_deg"))
        pixel = (1e3 * site.width_um / height.shape[1], 1e3 * site.height_um / height.shape[0])
        found = analyse_height(height, pixel, tip)
        thickness = found.thickness
        rows.append(
            {
                "site": site.site,
                "Sq": found.texture.Sq_nm,
                "median": thickness.median_nm,
                "low": thickness.p95_ci_low_nm,
                "high": thickness.p95_ci_high_nm,
                "found_order": found.order,
                "period": found.banding.period_nm,
            }
        )
    truth = pd.read_csv(PRACTICE / "truth/images.csv").set_index("site")
    return pd.DataFrame(rows).set_index("site").join(truth)


def test_roughness(measured):
    error = (measured["Sq"] / measured["Sq_dilated_nm"] - 1).abs()
    assert error.median() <= 0.03
    assert error.max() <= 0.05


def test_thickness(measured):
    error = (measured["median"] / measured["thickness_median_nm"] - 1).abs()
    assert error.median() <= 0.06
    assert error.max() <= 0.15
    top = measured["thickness_p95_nm"]
    assert ((measured["low"] <= top) & (top <= measured["high"])).mean() >= 0.85


def test_order_and_bands(measured):
    assert (measured["found_order"] - measured["order"]).abs().median() <= 0.06
    assert ((measured["period"] - measured["band_period_nm"]).abs() <= 2).mean() >= 0.9
