"""Force maps as columns and tables: what is quotable, what the budget adds up to, old runs."""

from types import SimpleNamespace

import curve_simulator
import numpy as np
import pandas as pd
import pytest
import zarr

from engine.map_tables import curve_columns, maps_of
from engine.map_tasks import MapAside
from engine.mechanics import (
    MechanicsSettings,
    Tip,
    fit_curves,
    map_adequacy,
    map_stretches,
    uncertainty_budget,
)
from engine.store.map_columns import MAP_COLUMNS, MAP_TABLES
from engine.store.schema import ALL_TABLES, column
from engine.store.tables import read_table, write_table

TIP = Tip("sphere", 5000.0)


def of(k, count=16, **more):
    """Fits and asides of one map under a cantilever of k N/m."""
    z, d, _ = curve_simulator.curves(count, 400, k=k, tip=TIP, **more)
    back = (z[::-1], d[:, ::-1])
    fits = fit_curves(
        z, d, tip=TIP, spring_constant_N_per_m=k, poisson_ratio=0.5,
        retract_z_nm=back[0], retract_deflection_nm=back[1],
    )  # fmt: skip
    return fits, MapAside(map_adequacy(z, d, fits), map_stretches(*back, fits))


@pytest.fixture(scope="module")
def disc():
    fits, asides = {}, {}
    fits["soft"], asides["soft"] = of(0.8, modulus_kPa=100.0)
    fits["stiff"], asides["stiff"] = of(0.05, modulus_kPa=300.0, white_nm=0.3)
    sites = {name: SimpleNamespace(probe="bead", cols=4) for name in ("soft", "no curves", "stiff")}
    probe = {"spring_constant_rel_sd": 0.08, "radius_rel_sd": 0.1}
    store = SimpleNamespace(disc="d1", sites=sites, info={"probes": {"bead": probe}})
    return fits, asides, maps_of(store, fits, asides, MechanicsSettings())


def value(maps, name, site):
    return maps.columns[name][("soft", "no curves", "stiff").index(site)]


def test_every_column_has_a_value_for_every_site_and_a_label(disc):
    maps = disc[2]
    assert list(maps.columns) == [c.name for c in MAP_COLUMNS]
    assert {len(values) for values in maps.columns.values()} == {3}
    for c in MAP_COLUMNS:
        assert column("sites", c.name) == c
    assert np.isnan(value(maps, "usable_share", "no curves"))
    assert value(maps, "quotable", "no curves") == -1
    assert value(maps, "best_model", "no curves") == ""
    assert "no curves" not in maps.flags


def test_a_contact_far_stiffer_than_the_cantilever_is_not_quotable(disc):
    fits, _, maps = disc
    ratio = np.median(fits["stiff"].stiffness_ratio[fits["stiff"].used])
    assert ratio > 10
    assert value(maps, "sensitivity_leverage", "stiff") == pytest.approx(1 + ratio)
    assert value(maps, "quotable", "stiff") == 0
    assert "not_quotable" in maps.flags["stiff"]
    assert value(maps, "modulus_syst_method", "stiff") == "Monte Carlo"
    assert value(maps, "quotable", "soft") == 1
    assert "not_quotable" not in maps.flags["soft"]
    assert value(maps, "modulus_syst_method", "soft") == "propagation"


def test_the_parts_add_up(disc):
    maps = disc[2]
    table = pd.DataFrame(maps.tables["budgets"])
    soft = table[table["site"] == "soft"].set_index("source")["relative"]
    # the probe's own words: 8 % of k; 10 % of R to the power of one half, a little more for the
    # exact sphere (Sneddon 1965)
    assert soft["spring constant"] == pytest.approx(0.08)
    assert soft["tip radius"] == pytest.approx(0.05, rel=0.05)
    parts = [value(maps, f"modulus_{part}_rel", "soft") for part in ("random", "model")]
    whole = np.hypot(np.hypot(*parts), maps.systematic["soft"])
    assert value(maps, "modulus_total_rel", "soft") == pytest.approx(whole)
    shared = soft.drop("median over the curves")
    assert maps.systematic["soft"] == pytest.approx(np.sqrt((shared**2).sum()), rel=1e-6)


def test_the_shared_part_is_that_of_the_budget_with_the_probe_s_own_words(disc):
    fits, asides, maps = disc
    budget = uncertainty_budget(
        fits["stiff"],
        spring_constant_rel_sd=0.08,
        scan_spread=asides["stiff"].adequacy.scan_spread,
        settings=MechanicsSettings(radius_rel_sd=0.1),
    )
    assert maps.systematic["stiff"] == pytest.approx(budget.shared)
    assert value(maps, "modulus_syst_low_kPa", "stiff") == pytest.approx(budget.shared_low_kPa)


def test_laws_and_scan_stand_in_their_tables(disc):
    laws = pd.DataFrame(disc[2].tables["laws"])
    soft = laws[laws["site"] == "soft"]
    assert soft["law"].tolist() == ["sphere", "paraboloid"]
    assert soft["place"].tolist() == [1, 2]
    assert soft["of_the_run"].tolist() == [1, 0]
    scan = pd.DataFrame(disc[2].tables["depth_scans"])
    assert scan[scan["site"] == "soft"]["depth_share"].tolist() == [
        0.3,
        0.4,
        0.5,
        0.6,
        0.7,
        0.85,
        1,
    ]
    assert scan[scan["site"] == "soft"]["modulus_ratio"].iloc[-1] == pytest.approx(1.0)


def test_curves_have_the_way_back(disc):
    fits, asides, _ = disc
    columns = curve_columns(fits["soft"], asides["soft"])
    assert columns["loading_work_aJ"] is fits["soft"].loading_work_aJ
    assert columns["stretches"].tolist() == [0] * 16
    assert (curve_columns(fits["soft"], None)["stretches"] == -1).all()


@pytest.mark.parametrize("name", MAP_TABLES)
def test_further_tables_come_back_as_they_were_written(disc, name):
    columns = disc[2].tables[name]
    group = zarr.create_group(store=zarr.storage.MemoryStore())
    write_table(group, name, columns)
    back = read_table(group[name])
    assert list(back.columns) == [c.name for c in ALL_TABLES[name]]
    assert len(back) == len(columns["site"])
    assert back["site"].tolist() == columns["site"].tolist()
    label = group[f"{name}/site"].attrs["label"]
    assert label == "site"
