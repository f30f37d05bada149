"""Result tables: every column of the contract, what is missing stays missing, round trips."""

import numpy as np
import pandas as pd
import pytest
import zarr
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.store.schema import TABLES, column
from engine.store.tables import export_tables, read_table, write_table

# contract/tables.md, version of this project's input and output contract
CONTRACT = {
    "sites": (
        "disc donor site kind probe x_um y_um rotation_deg in_disc curves_total curves_used "
        "modulus_kPa modulus_ci_low_kPa modulus_ci_high_kPa modulus_geomean_kPa modulus_iqr_kPa "
        "modulus_syst_rel indentation_nm exponent adhesion_nN dissipation pattern "
        "pattern_confidence pattern_index pattern_window_um cells_in_window cell_density_per_mm2 "
        "fraction_string fraction_double_string fraction_small_cluster fraction_big_cluster "
        "fraction_diffuse Sa_nm Sq_nm Sz_nm Ssk Sku Sdq Sdr_pct Sal_nm Str Sq_plane_nm "
        "fibril_thickness_mean_nm fibril_thickness_median_nm fibril_thickness_p95_nm "
        "fibril_thickness_p95_ci_low_nm fibril_thickness_p95_ci_high_nm fibril_length_um "
        "fibril_junctions_per_um2 fibril_order fibril_angle_deg band_period_nm band_period_se_nm "
        "band_fraction band_resolvable flags"
    ),
    "curves": (
        "disc site row col x_um y_um modulus_kPa modulus_se_kPa contact_z_um indentation_nm "
        "force_nN rmse_nN exponent adhesion_nN dissipation used flags"
    ),
    "cells": (
        "disc cell x_um y_um diameter_um cell_group pattern pattern_confidence neighbours "
        "nn_distance_um"
    ),
    "cell_groups": (
        "disc cell_group pattern pattern_confidence cells x_um y_um length_um width_um angle_deg"
    ),
    "fibrils": (
        "disc site fibril x_um y_um length_nm thickness_nm thickness_se_nm angle_deg "
        "band_period_nm band_snr"
    ),
}


def _values(name, count, rng):
    made = {}
    for c in TABLES[name]:
        made[c.name] = {
            "text": lambda: np.array(["a;b", "", 'é, "q"'] * count, dtype=object)[:count],
            "number": lambda: np.where(rng.random(count) < 0.3, np.nan, rng.normal(size=count)),
            "count": lambda: rng.integers(-1, 5, count),
            "truth": lambda: rng.integers(-1, 2, count),
        }[c.kind]()
    return made


@pytest.mark.parametrize("name", TABLES)
def test_the_contract_s_columns_stand_in_order(name):
    assert [c.name for c in TABLES[name]] == CONTRACT[name].split()


@settings(max_examples=15, deadline=None)
@given(st.sampled_from(sorted(TABLES)), st.integers(0, 7), st.integers(0, 99))
def test_a_table_comes_back_as_it_was_written(name, count, seed):
    values = _values(name, count, np.random.default_rng(seed)) | {"further": np.arange(count)}
    group = zarr.create_group(store=zarr.storage.MemoryStore())
    write_table(group, name, values)
    back = read_table(group[name])
    assert list(back.columns)[: len(TABLES[name])] == CONTRACT[name].split()
    for key, written in values.items():
        kind = column(name, key).kind if key != "further" else "count"
        if kind in ("count", "truth"):
            missing = np.asarray(written) < 0
            assert (back[key].isna() == missing).all()
            assert (back[key][~missing].astype(int) == written[~missing]).all()
        elif kind == "number":
            np.testing.assert_array_equal(back[key], written)
        else:
            assert list(back[key]) == list(written)


def test_a_missing_column_is_refused_by_name():
    group = zarr.create_group(store=zarr.storage.MemoryStore())
    with pytest.raises(ValueError, match="'donor'"):
        write_table(group, "sites", {"disc": ["a"]})


def test_files_show_what_is_missing_as_missing(tmp_path):
    table = pd.DataFrame(
        {
            "site": pd.Series(["a", "b"], dtype="str"),
            "pattern": pd.Series(["string", ""], dtype="str"),
            "modulus_kPa": [1.5, np.nan],
            "curves_used": pd.array([3, None], dtype="Int64"),
            "in_disc": pd.array([True, None], dtype="boolean"),
        }
    )
    (csv,) = export_tables({"sites": table}, tmp_path, "csv")
    assert csv.read_text().splitlines()[1:] == ["a,string,1.5,3,True", "b,,,,"]
    (parquet,) = export_tables({"sites": table}, tmp_path, "parquet")
    back = pd.read_parquet(parquet)
    assert back.loc[1, ["pattern", "modulus_kPa", "curves_used", "in_disc"]].isna().all()
