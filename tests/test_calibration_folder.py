"""From volts to newtons: a probe's calibration files, on their way through the whole tool."""

from pathlib import Path

import numpy as np
import pytest
from calibration_kit import (
    QUALITY,
    RESONANCE_HZ,
    STIFF,
    THERMAL,
    calibrated_folder,
    density,
    record,
    write_record,
)
from folder_kit import MODULUS_KPA, SENSITIVITY_NM_PER_V, SPRING_N_PER_M

from engine.analysis import analyse_store
from engine.calibration import FROM_STIFF, FROM_TABLE, FROM_THERMAL, shared_terms
from engine.calibration.words import probe_lines
from engine.importing import check_folder, import_folder
from engine.mechanics import MechanicsSettings, systematic_uncertainty
from engine.settings import Settings
from engine.store import open_store
from engine.store.check import check_store
from engine.tasks import fit_site


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("calibrated")
    path = home / "disc.zarr"
    import_folder(calibrated_folder(home / "disc"), path)
    return path


def test_a_probe_without_numbers_gets_them_from_its_files(store: Path) -> None:
    probe = open_store(store).info["probes"]["bead"]
    assert probe["sensitivity_from"] == FROM_STIFF
    assert probe["spring_constant_from"] == FROM_THERMAL
    off = np.log(probe["sensitivity_nm_per_V"] / SENSITIVITY_NM_PER_V)
    assert abs(off) < 3 * probe["sensitivity_rel_sd"] < 0.02
    off = np.log(probe["spring_constant_N_per_m"] / SPRING_N_PER_M)
    assert abs(off) < 2.5 * probe["spring_constant_rel_sd"] < 0.15
    # what a thermal constant has from its sensitivity counts twice
    whole = np.hypot(probe["thermal_fit_rel_se"], 2 * probe["sensitivity_rel_sd"])
    assert probe["spring_constant_rel_sd"] == pytest.approx(whole)
    tip = open_store(store).info["probes"]["tip"]
    assert (tip["sensitivity_from"], tip["spring_constant_from"]) == ("", FROM_TABLE)


def test_moduli_follow_from_volts(store: Path) -> None:
    opened = open_store(store)
    fits = fit_site(opened, "b001", Settings())
    found = float(np.median(fits.modulus_kPa[fits.used]))
    probe = opened.info["probes"]["bead"]
    assert found == pytest.approx(MODULUS_KPA, rel=3 * probe["spring_constant_rel_sd"])


def test_raw_arrays_are_kept_and_hashed(store: Path) -> None:
    import h5py
    import zarr

    group = zarr.open_group(store / "calibration/bead", mode="r")
    folder = store.parent / "disc"
    with h5py.File(folder / THERMAL) as file:
        np.testing.assert_array_equal(group["thermal/values"][...], file["deflection"][...])
        assert group["thermal"].attrs["scale"] == file["deflection"].attrs["scale"]
    with h5py.File(folder / STIFF) as file:
        volts = file["approach/deflection"][...]
        np.testing.assert_array_equal(group["stiff/approach/deflection"][...], volts.reshape(6, -1))
    assert check_store(store, deep=True) == []
    assert {STIFF, THERMAL} <= set(open_store(store).info["sources"])
    kept = open_store(store).calibration("bead")
    assert kept is not None
    assert kept.thermal["resonance_Hz"] == pytest.approx(RESONANCE_HZ, rel=0.02)
    assert kept.thermal["quality"] == pytest.approx(QUALITY, rel=0.1)
    inside = np.isfinite(kept.model_nm2_per_Hz)
    shape = density(kept.frequency_Hz[inside], SPRING_N_PER_M)
    np.testing.assert_allclose(kept.model_nm2_per_Hz[inside], shape, rtol=0.2)
    assert kept.stiff_V.shape == (6, 500)
    assert open_store(store).calibration("tip") is None


def test_its_doubt_reaches_the_shared_uncertainty(store: Path) -> None:
    opened = open_store(store)
    probe, usual = opened.info["probes"]["bead"], MechanicsSettings()
    terms = shared_terms(probe, usual)
    assert terms.thermal_spring_constant
    own = np.hypot(probe["thermal_fit_rel_se"], usual.thermal_method_rel_sd)
    assert terms.spring_constant_rel_sd == pytest.approx(own)
    fits = fit_site(opened, "b001", Settings())
    stiffness = float(np.median(fits.stiffness_ratio[fits.used]))
    sd = terms.settings.sensitivity_rel_sd
    assert sd == pytest.approx(
        np.hypot(probe["sensitivity_rel_sd"], usual.sensitivity_repeat_rel_sd)
    )
    found = systematic_uncertainty(
        fits,
        spring_constant_rel_sd=terms.spring_constant_rel_sd,
        thermal_spring_constant=True,
        settings=terms.settings.model_copy(update={"radius_rel_sd": 0.0}),
    )
    # d ln E = d ln k + (1 + S_c / k) d ln S, and d ln k holds - 2 d ln S
    assert found == pytest.approx(np.hypot(own, abs(stiffness - 1.0) * sd), rel=1e-6)
    drawn = systematic_uncertainty(
        fits,
        spring_constant_rel_sd=terms.spring_constant_rel_sd,
        thermal_spring_constant=True,
        settings=terms.settings.model_copy(
            update={"radius_rel_sd": 0.0, "systematic_draws": 200_000}
        ),
    )
    assert drawn == pytest.approx(found, rel=0.02)
    analyse_store(store)
    row = open_store(store).table("sites").set_index("site").loc["b001"]
    whole = systematic_uncertainty(
        fits,
        spring_constant_rel_sd=terms.spring_constant_rel_sd,
        thermal_spring_constant=True,
        settings=terms.settings,
    )
    assert row["modulus_syst_rel"] == pytest.approx(whole, rel=1e-6)


def test_the_table_goes_first_and_contradictions_are_cautioned(tmp_path: Path) -> None:
    told = {
        "sensitivity_nm_per_V": 1.2 * SENSITIVITY_NM_PER_V,
        "sensitivity_rel_sd": 0.02,
        "spring_constant_N_per_m": SPRING_N_PER_M,
        "spring_constant_rel_sd": 0.05,
    }
    folder = calibrated_folder(tmp_path / "disc", probe=told)
    store = tmp_path / "disc.zarr"
    import_folder(folder, store)
    probe = open_store(store).info["probes"]["bead"]
    assert probe["sensitivity_nm_per_V"] == told["sensitivity_nm_per_V"]
    assert probe["spring_constant_from"] == FROM_TABLE
    (line,) = probe_lines(open_store(store).info["probes"])
    assert "72 nm/V ± 2 %, as disc.toml says (its files say 60" in line
    cautions = {c.name: c.sentence for c in open_store(store).cautions}
    assert "72 nm/V (to 2 %)" in cautions["sensitivity_disagrees"]
    # read with 1.2 times the sensitivity the motion looks 1.44 times as large
    assert "spring_constant_disagrees" in cautions
    agreeing = {**told, "sensitivity_nm_per_V": 1.01 * SENSITIVITY_NM_PER_V}
    found = check_folder(calibrated_folder(tmp_path / "other", probe=agreeing))
    assert not {c.name for c in found} & {"sensitivity_disagrees", "spring_constant_disagrees"}


def test_odd_files_are_cautioned(tmp_path: Path) -> None:
    twice = record(SPRING_N_PER_M) + record(SPRING_N_PER_M, seed=5, resonance_Hz=13e3, quality=40.0)
    folder = calibrated_folder(tmp_path / "disc", table={"tilt_deg": None}, motion_nm=twice)
    names = {c.name for c in check_folder(folder)}
    assert {"thermal_misfit", "tilt_not_given"} <= names


@pytest.mark.parametrize("form", ["csv", "spectrum csv", "spectrum h5"])
def test_the_same_motion_in_other_files(tmp_path: Path, form: str) -> None:
    import h5py

    folder = calibrated_folder(
        tmp_path / "disc", table={"thermal": f"calibration/t.{form[-3:].strip()}"}
    )
    path = folder / f"calibration/t.{form[-3:].strip()}"
    f = np.arange(20.0, 60e3, 20.0)
    gamma = np.random.default_rng(1).gamma(100, 1 / 100, len(f))
    power = density(f, SPRING_N_PER_M) * gamma / SENSITIVITY_NM_PER_V**2
    if form == "csv":
        write_record(path, record(SPRING_N_PER_M, samples=2**16))
    elif form == "spectrum csv":
        rows = [f"{a:g},{b:.8g}" for a, b in zip(f, power, strict=True)]
        path.write_text("\n".join(["frequency [Hz],density [V^2/Hz]", *rows]), encoding="utf-8")
    else:
        with h5py.File(path, "w") as file:
            file["frequency"], file["density"] = f, power
            file["density"].attrs["unit"], file.attrs["averages"] = "V^2/Hz", 100
    store = tmp_path / "disc.zarr"
    import_folder(folder, store)
    probe = open_store(store).info["probes"]["bead"]
    off = np.log(probe["spring_constant_N_per_m"] / SPRING_N_PER_M)
    assert abs(off) < 3 * probe["spring_constant_rel_sd"] < 0.2
    kept = open_store(store).calibration("bead")
    assert kept is not None
    if form != "csv":
        assert kept.thermal["averages"] == pytest.approx(100, rel=0.1)
