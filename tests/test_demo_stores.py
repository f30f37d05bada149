"""The demo's stores: built and analysed once, kept after, and true to their recipe."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from demo_zarr.build import build_stores
from demo_zarr.recipe import DISCS
from engine.store import open_store

RECIPES = (
    replace(DISCS[1], diameter_um=560.0, map_spacing_um=150.0, images=2, deflection="V"),
    replace(DISCS[0], id="E9-R", diameter_um=420.0, map_spacing_um=150.0, images=1, force_images=0),
)


@pytest.fixture(scope="module")
def target(tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("stores")
    told: list[float] = []
    stores = build_stores(target, lambda _what, share: told.append(share), RECIPES, workers=1)
    assert stores == [target / "E7-L.zarr", target / "E9-R.zarr"]
    assert told == sorted(told)
    assert told[-1] == 1
    return target


def test_what_is_there_is_kept(target: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in target.rglob("*") if path.is_file()}
    told: list[str] = []
    build_stores(target, lambda what, _share: told.append(what), RECIPES, workers=1)
    after = {path: path.stat().st_mtime_ns for path in target.rglob("*") if path.is_file()}
    assert before == after
    assert told == ["demo ready"]


def test_another_recipe_builds_anew(target: Path) -> None:
    other = (replace(RECIPES[1], firm_kPa=900.0, soft_kPa=900.0),)
    old = open_store(target / "E9-R.zarr").table("sites")["modulus_kPa"].median()
    build_stores(target, None, other, workers=1)
    new = open_store(target / "E9-R.zarr").table("sites")["modulus_kPa"].median()
    assert new > 1.3 * old


def test_moduli_and_positions_are_those_of_the_truth(target: Path) -> None:
    sites = open_store(target / "E7-L.zarr").table("sites").set_index("site")
    truth = pd.read_csv(target / "folders" / "truth" / "E7-L" / "sites.csv").set_index("site")
    truth = truth.loc[sites.index]
    maps = (sites["kind"] == "bead-map").to_numpy()
    error = np.log(sites["modulus_kPa"] / truth["modulus_kPa"])[maps]
    # Counted over 64 curves of 0.1 % each; the median may fall on either of two neighbours.
    assert error.abs().max() < 0.015
    assert error.abs().median() < 0.003
    assert maps.sum() >= 6
    apart = np.hypot(sites["x_um"] - truth["x_um"], sites["y_um"] - truth["y_um"])
    assert apart.max() < 3  # five landmarks of 0.6 um a coordinate in either frame
    assert sites["donor"].unique().tolist() == ["ewe-E7"]
