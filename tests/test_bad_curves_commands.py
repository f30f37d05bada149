"""Bad force curves through the commands: an error each, or a flag, never a silent number."""

import folder_kit
import h5py
import numpy as np
import pytest
from typer.testing import CliRunner

from engine.store import open_store
from viewer.cli import app

PARTS = ("approach", "retract")


def run(*words):
    return CliRunner().invoke(app, [str(w) for w in words])


def put(file, name, data, **attributes):
    """Replace a dataset, keeping its attributes but for those given."""
    kept = dict(file[name].attrs) | attributes
    del file[name]
    file.create_dataset(name, data=data).attrs.update(kept)


def volts(file, part):
    return file[f"{part}/deflection"][:] * file[f"{part}/deflection"].attrs["scale"]


def z_as(factor, unit):
    def change(file):
        for part in PARTS:
            put(file, f"{part}/z", factor * file[f"{part}/z"][:], unit=unit)

    return change


def d_as(factor, unit):
    def change(file):
        for part in PARTS:
            put(file, f"{part}/deflection", factor * volts(file, part), unit=unit, scale=1.0)

    return change


def both_turned(file):
    z_as(-1, "um")(file)
    d_as(-1, "V")(file)


def samples(count):
    def change(file):
        for part in PARTS:
            for what in ("z", "deflection"):
                put(file, f"{part}/{what}", file[f"{part}/{what}"][..., :count])

    return change


def approach(function):
    def change(file):
        put(file, "approach/deflection", function(volts(file, "approach")), scale=1.0)

    return change


def shorter_tails(values):
    values[0, 0, 180:] = values[1, 1, 190:] = np.nan
    return values


NM, NN = folder_kit.SENSITIVITY_NM_PER_V, folder_kit.SPRING_N_PER_M
FLAGGED = {
    "z-turned": (z_as(-1, "um"), "reversed", "reversed_z"),
    "d-turned": (d_as(-1, "V"), "reversed", "reversed_deflection"),
    "both-turned": (both_turned, "reversed", "reversed_z"),
    "all-nan": (approach(lambda v: v * np.nan), "not_taken", "no_curve_taken"),
    "zero": (approach(np.zeros_like), "constant", "deflection_all_zero"),
    "constant": (approach(np.ones_like), "constant", "deflection_all_zero"),
    "two-samples": (samples(2), "too_few_samples", None),
    "fifteen-samples": (samples(15), "too_few_samples", None),
    "z-nm-as-m": (z_as(1e3, "m"), "implausible_units", "unlikely_drive"),
    "z-m-as-nm": (z_as(1e-6, "nm"), "implausible_units", "unlikely_drive"),
    "z-um-as-nm": (z_as(1.0, "nm"), "implausible_units", "unlikely_deflection"),
    "z-nm-as-um": (z_as(1e3, "um"), "implausible_units", "unlikely_drive"),
    "d-m-as-nm": (d_as(NM * 1e-9, "nm"), "implausible_units", "unlikely_deflection"),
    "d-nm-as-V": (d_as(NM, "V"), "implausible_units", "unlikely_deflection"),
    "d-m-as-V": (d_as(NM * 1e-9, "V"), "implausible_units", "unlikely_deflection"),
    "d-N-as-nN": (d_as(NM * NN * 1e-9, "nN"), "implausible_units", "unlikely_deflection"),
}


@pytest.fixture(scope="module")
def analysed(tmp_path_factory):
    """One disc with a site for each fault that is no error, imported and analysed."""
    home = tmp_path_factory.mktemp("bad")
    names = ["sound", "tails", *FLAGGED]
    places = [(45 + 4 * (i % 10), 50 + 8 * (i // 10)) for i in range(len(names))]
    rows = [folder_kit.site(name, *xy) for name, xy in zip(names, places, strict=True)]
    folder = folder_kit.write_folder(home / "folder", sites=rows)
    changes = {name: change for name, (change, _, _) in FLAGGED.items()}
    for name, change in (changes | {"tails": approach(shorter_tails)}).items():
        with h5py.File(folder / f"curves/{name}.h5", "a") as file:
            change(file)
    checked, imported = run("check", folder), run("import", folder, home / "a.zarr")
    assert (checked.exit_code, imported.exit_code) == (0, 0), checked.output
    analysed = run("analyse", home / "a.zarr", "--workers", 1)
    assert analysed.exit_code == 0, analysed.output
    return checked.output, imported.output, open_store(home / "a.zarr")


@pytest.mark.parametrize("name", list(FLAGGED))
def test_no_number_comes_of_it_and_a_flag_says_why(analysed, name):
    checked, imported, store = analysed
    _, flag, caution = FLAGGED[name]
    site = store.table("sites").set_index("site").loc[name]
    curves = store.table("curves").query("site == @name")
    assert np.isnan(site.modulus_kPa)
    assert site.curves_used == 0
    assert "no_curve_used" in site["flags"].split(";")
    assert set(curves["flags"]) == {flag}
    assert not curves.modulus_kPa.notna().any()
    assert not (curves.used == 1).any()
    told = {c.name for c in store.sites[name].cautions}
    if caution is not None:
        assert caution in told
        for output in (checked, imported):
            assert f"warning: site {name}: " in output
    else:
        assert not told


def test_sound_neighbours_and_curves_of_mixed_lengths_are_as_ever(analysed):
    _, _, store = analysed
    sites = store.table("sites").set_index("site")
    for name in ("sound", "tails"):
        assert not store.sites[name].cautions
        assert sites.curves_used[name] == 16
        assert sites.modulus_kPa[name] == pytest.approx(folder_kit.MODULUS_KPA, rel=0.03)


def nan_inside(values):
    values[0, 0, 50] = np.nan
    return values


def infinite(values):
    values[2, 1, 3] = np.inf
    return values


def shorter_z(file):
    put(file, "approach/z", file["approach/z"][..., :150])


BEAD = {"shape": "sphere", "radius_um": 5.0, "spring_constant_N_per_m": 0.8}
ERRORS = {
    "nan": (approach(nan_inside), "[/approach, row 0, col 0]: found NaN before or between"),
    "inf": (approach(infinite), "[/approach deflection]: found 1 infinite values"),
    "lengths": (shorter_z, "[/approach/z]: found the shape (4, 4, 150)"),
    "one": (samples(1), "[/approach/deflection]: found 1 sample a curve; expected at least 2"),
}


def test_errors_come_in_one_listing_and_leave_the_store(analysed, tmp_path):
    store = tmp_path / "a.zarr"
    rows = [folder_kit.site(name, 50 + 4 * i, 60) for i, name in enumerate([*ERRORS, "volts"])]
    folder = folder_kit.write_folder(
        tmp_path / "folder", sites=rows, changes={"probes": {"bead": BEAD, "blunt": {}}}
    )
    for name, (change, _) in ERRORS.items():
        with h5py.File(folder / f"curves/{name}.h5", "a") as file:
            change(file)
    for words in (("check", folder), ("import", folder, store)):
        result = run(*words)
        assert result.exit_code == 2
        assert "nothing was changed" in result.output
        for name, (_, sentence) in ERRORS.items():
            assert f"curves/{name}.h5 {sentence}" in result.output
        assert "[[probes.bead] sensitivity_nm_per_V]: found nothing, but" in result.output
        assert "[[probes.blunt]" in result.output
    assert not store.exists()


@pytest.mark.parametrize(
    ("bead", "expected"),
    [
        ({"radius_um": None}, "[[probes.bead] radius_um]: found nothing; expected radius_um"),
        ({"radius_um": 5e-6}, "[[probes.bead] radius_um]: found 5e-06; expected a number from"),
        ({"radius_um": 5e9}, "[[probes.bead] radius_um]: found 5000000000.0"),
        ({"spring_constant_N_per_m": 8e8}, "spring_constant_N_per_m]: found 800000000.0"),
        ({"spring_constant_N_per_m": -0.8}, "spring_constant_N_per_m]: found -0.8"),
        ({"spring_constant_N_per_m": float("nan")}, "spring_constant_N_per_m]: found nan"),
        ({"sensitivity_nm_per_V": 6e10}, "sensitivity_nm_per_V]: found 60000000000.0"),
    ],
)
def test_a_probe_s_slips_are_errors(tmp_path, bead, expected):
    probe = {**BEAD, "sensitivity_nm_per_V": 60.0, **bead}
    folder = folder_kit.write_folder(
        tmp_path / "folder", heights=None, changes={"probes": {"bead": probe}}
    )
    result = run("import", folder, tmp_path / "a.zarr")
    assert result.exit_code == 2
    assert expected in result.output
    assert "1 defect" in result.output


@pytest.mark.parametrize(
    ("bead", "caution", "flag"),
    [
        ({"radius_um": 5000.0}, "radius_um = 5000", None),
        ({"spring_constant_N_per_m": 0.8e-9}, "= 8e-10", "implausible_units"),
        ({"sensitivity_nm_per_V": 60e-9}, "sensitivity_nm_per_V = 6e-08", "implausible_units"),
        ({"sensitivity_nm_per_V": 60e3}, "sensitivity_nm_per_V = 60000", "implausible_units"),
    ],
)
def test_a_probe_s_unlikely_sizes_are_told(tmp_path, bead, caution, flag):
    probe = {**BEAD, "sensitivity_nm_per_V": 60.0, **bead}
    rows = folder_kit.default_sites(heights=None)[:1]
    folder = folder_kit.write_folder(
        tmp_path / "folder", sites=rows, changes={"probes": {"bead": probe}}
    )
    result = run("import", folder, tmp_path / "a.zarr")
    assert result.exit_code == 0
    assert f"warning: The probe bead has {next(iter(bead))}" in result.output
    assert caution in result.output
    if flag is not None:
        assert run("analyse", tmp_path / "a.zarr", "--workers", 1).exit_code == 0
        store = open_store(tmp_path / "a.zarr")
        assert set(store.table("curves")["flags"]) == {flag}
        assert not store.table("curves").modulus_kPa.notna().any()
