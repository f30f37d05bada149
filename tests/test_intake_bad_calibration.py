"""Each kind of bad calibration gives its own one defect, and nothing is written."""

from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest
from calibration_kit import STIFF, THERMAL, calibrated_folder, record, write_record, write_stiff
from folder_faults import Case, both, params, raw, removed, toml

from engine.errors import FolderError
from engine.importing import check_folder, import_folder

TABLE = "[probes.bead.calibration]"


def h5(file: str, change: Callable[[h5py.File], None]) -> Callable[[Path], None]:
    def act(path: Path) -> None:
        with h5py.File(path / file, "a") as opened:
            change(opened)

    return act


def replaced(name: str, values: np.ndarray) -> Callable[[h5py.File], None]:
    def act(file: h5py.File) -> None:
        attributes = dict(file[name].attrs)
        del file[name]
        file[name] = values
        file[name].attrs.update(attributes)

    return act


def unit(name: str, text: str) -> Callable[[h5py.File], None]:
    return lambda file: file[name].attrs.__setitem__("unit", text)


def csv(*lines: str, rate: bool = False) -> Callable[[Path], None]:
    """Another thermal file, as CSV."""

    def act(path: Path) -> None:
        text = "\n".join(lines) + "\n"
        (path / "calibration/t.csv").write_text(text, encoding="utf-8")
        toml(THERMAL, "calibration/t.csv")(path)
        if rate:
            toml("tilt_deg = 0.0", "tilt_deg = 0.0\nsample_rate_Hz = 100000.0")(path)

    return act


def line(count: int = 5000, header: str = "time [s],deflection [V]") -> list[str]:
    rng = np.random.default_rng(0)
    return [header, *(f"{i * 4e-6:.9f},{v:.5f}" for i, v in enumerate(rng.normal(size=count)))]


def flat_stiff(path: Path) -> None:
    write_stiff(path / STIFF, sensitivity=1e9)


def dead(path: Path) -> None:
    white = np.random.default_rng(0).normal(size=2**16)
    write_record(path / THERMAL, white)


T = "calibration/t.csv"
CASES = [
    Case("no file named", both(toml(f'stiff_curve = "{STIFF}"\n', ""), toml(f'thermal = "{THERMAL}"', ""), toml("radius_um = 5.0", "radius_um = 5.0\nspring_constant_N_per_m = 0.8\nsensitivity_nm_per_V = 60.0")), "disc.toml", TABLE, "neither", "at least one"),  # noqa: E501
    Case("stiff missing", removed(STIFF), "disc.toml", "stiff_curve", "not there", "existing"),
    Case("thermal missing", removed(THERMAL), "disc.toml", "thermal", "not there", "existing"),
    Case("no temperature", toml("temperature_K = 298.15\n", ""), "disc.toml", "temperature_K", "nothing", "kelvin"),  # noqa: E501
    Case("celsius", toml("temperature_K = 298.15", "temperature_K = 25"), "disc.toml", "temperature_K", "25", "200 to 500"),  # noqa: E501
    Case("no beam", toml('beam = "rectangular"\n', ""), "disc.toml", "beam", "nothing", "v_shaped"),
    Case("another beam", toml('"rectangular"', '"round"'), "disc.toml", "beam", "'round'", "v_shaped"),  # noqa: E501
    Case("beam twice", toml('beam = "rectangular"', 'beam = "rectangular"\nbeam_factor = 0.8'), "disc.toml", TABLE, "both", "one of"),  # noqa: E501
    Case("a misspelt key", toml("tilt_deg", "tilt_dge"), "disc.toml", "tilt_dge", "unknown key", "tilt_deg"),  # noqa: E501
    Case("half a range", toml("tilt_deg = 0.0", "low_Hz = 3000"), "disc.toml", TABLE, "only one", "both"),  # noqa: E501
    Case("a range turned round", toml("tilt_deg = 0.0", "low_Hz = 3000\nhigh_Hz = 200"), "disc.toml", "high_Hz", "200", "above low_Hz"),  # noqa: E501
    Case("calibration a number", toml(TABLE, "[other]\n"), "disc.toml", "spring_constant", "nothing", "newtons"),  # noqa: E501
    Case("stiff in nm", h5(STIFF, unit("approach/deflection", "nm")), STIFF, "deflection", "nm", "V"),  # noqa: E501
    Case("stiff without contact", flat_stiff, STIFF, "deflection", "no curve", "stiff surface"),
    Case("stiff truncated", raw(STIFF, b"\x89HDF", b"\x00HDF"), STIFF, "", "no readable HDF5", "whole"),  # noqa: E501
    Case("record truncated", raw(THERMAL, b"\x89HDF", b"\x00HDF"), THERMAL, "", "no readable HDF5", "whole"),  # noqa: E501
    Case("record in newtons", h5(THERMAL, unit("deflection", "N")), THERMAL, "unit", "'N'", "V, nm"),  # noqa: E501
    Case("record without a rate", h5(THERMAL, lambda f: f.attrs.pop("sample_rate_Hz")), THERMAL, "sample_rate", "no sample rate", "time [s]"),  # noqa: E501
    Case("rate zero", h5(THERMAL, lambda f: f.attrs.__setitem__("sample_rate_Hz", 0.0)), THERMAL, "sample_rate", "0", "above 0"),  # noqa: E501
    Case("two rates", toml("tilt_deg = 0.0", "sample_rate_Hz = 100000.0"), THERMAL, "sample_rate", "250000 Hz beside 100000 Hz", "within 1 %"),  # noqa: E501
    Case("record of NaN", h5(THERMAL, replaced("deflection", np.full(5000, np.nan))), THERMAL, "deflection", "5000 values", "finite"),  # noqa: E501
    Case("record constant", h5(THERMAL, replaced("deflection", np.full(5000, 7))), THERMAL, "deflection", "the one value 7", "free probe"),  # noqa: E501
    Case("record short", h5(THERMAL, replaced("deflection", np.arange(100))), THERMAL, "deflection", "100 values", "4096"),  # noqa: E501
    Case("record two-dimensional", h5(THERMAL, replaced("deflection", np.ones((9, 600)))), THERMAL, "deflection", "(9, 600)", "one row"),  # noqa: E501
    Case("record of text", h5(THERMAL, replaced("deflection", np.array([b"a"] * 9))), THERMAL, "deflection", "type", "numbers"),  # noqa: E501
    Case("nothing inside", h5(THERMAL, lambda f: f.__delitem__("deflection")), THERMAL, "/deflection", "nothing", ""),  # noqa: E501
    Case("white noise alone", dead, THERMAL, "spectrum", "no resonance", "low_Hz"),
    Case("another suffix", both(lambda p: (p / "calibration/t.xyz").write_text("1"), toml(THERMAL, "calibration/t.xyz")), "calibration/t.xyz", "", "'.xyz'", ".csv"),  # noqa: E501
    Case("csv empty", lambda p: (csv()(p), (p / T).write_text("")), T, "", "empty", "time [s]"),
    Case("csv of other columns", csv("a,b", "1,2"), T, "header", "a,b", "deflection [V]"),
    Case("csv without a unit", csv(*line(header="time [s],deflection")), T, "deflection", "no unit", "V, nm"),  # noqa: E501
    Case("csv without times", csv("deflection [V]", "1", "2"), T, "header", "no sample rate", "sample_rate_Hz"),  # noqa: E501
    Case("csv of words", csv(*line(), "x,y"), T, "line 5002", "x,y", "numbers"),
    Case("csv of three cells", csv(*line(), "1,2,3"), T, "line 5002", "3 cells", "2"),
    Case("csv times that jump", csv(*line(4999), "1.0,0.1"), T, "time", "evenly", "even"),
    Case("csv in decibels", csv("frequency [Hz],density [V^2/Hz]", *(f"{i},{-80 - i}" for i in range(99))), T, "density", "negative", "no decibels"),  # noqa: E501
    Case("csv frequency falls", csv("frequency [Hz],density [V^2/Hz]", *(f"{99 - i},{1 + i}" for i in range(99))), T, "frequency", "does not grow", "growing"),  # noqa: E501
    Case("csv no utf-8", lambda p: (csv(*line())(p), (p / T).write_bytes(b"time [s],d\xb5")), T, "line 1", "0xb5", "UTF-8"),  # noqa: E501
]  # fmt: skip


@pytest.mark.parametrize("case", params(CASES))
def test_one_defect(case: Case, tmp_path: Path) -> None:
    folder = calibrated_folder(tmp_path / "disc", motion_nm=record(0.8, 2**16))
    case.change(folder)
    with pytest.raises(FolderError) as raised:
        check_folder(folder)
    assert [d.file for d in raised.value.defects] == [case.file], raised.value
    (defect,) = raised.value.defects
    assert case.place in defect.place
    assert case.found in defect.found
    assert case.expected in defect.expected
    assert "\n" not in str(defect)


def test_volts_without_a_sensitivity_of_any_kind(tmp_path: Path) -> None:
    folder = calibrated_folder(tmp_path / "disc", table={"stiff_curve": None})
    with pytest.raises(FolderError) as raised:
        check_folder(folder)
    places = {d.place for d in raised.value.defects}
    assert places == {"[probes.bead] sensitivity_nm_per_V"}


def test_neither_store_nor_calibration_is_left(tmp_path: Path) -> None:
    folder = calibrated_folder(tmp_path / "disc")
    dead(folder)
    with pytest.raises(FolderError):
        import_folder(folder, tmp_path / "out" / "disc.zarr")
    assert not (tmp_path / "out").exists() or not any((tmp_path / "out").iterdir())


def test_bad_files_of_all_kinds_stand_in_one_listing(tmp_path: Path) -> None:
    folder = calibrated_folder(tmp_path / "disc")
    flat_stiff(folder)
    removed("curves/b001.h5")(folder)
    toml("half_angle_deg = 18.0", "half_angle_deg = 90")(folder)
    with pytest.raises(FolderError) as raised:
        check_folder(folder)
    assert {d.file for d in raised.value.defects} == {STIFF, "disc.toml", "sites.csv"}
