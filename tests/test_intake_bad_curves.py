"""Each kind of bad curve file gives its own one defect."""

from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest
from folder_faults import (
    Case,
    Mutation,
    assert_little_memory,
    assert_one_defect,
    both,
    bytes_in,
    cell,
    params,
    toml,
    truncated,
)
from folder_kit import default_sites, write_curves, write_rows

B1 = "curves/b001.h5"
C1 = "curves/b001.csv"


def h5(edit: Callable[[h5py.File], None]) -> Mutation:
    def change(path: Path) -> None:
        with h5py.File(path / "curves/b001.h5", "r+") as file:
            edit(file)

    return change


def replaced(name: str, data: object, **attributes: object) -> Mutation:
    """Put another dataset in the place of one, keeping its attributes unless given."""

    def edit(file: h5py.File) -> None:
        kept = dict(file[name].attrs) if name in file else {}
        if name in file:
            del file[name]
        file.create_dataset(name, data=data).attrs.update({**kept, **attributes})

    return h5(edit)


def unit(name: str, value: object) -> Mutation:
    def edit(file: h5py.File) -> None:
        del file[name].attrs["unit"]
        if value is not None:
            file[name].attrs["unit"] = value

    return h5(edit)


def floats(mark: Callable[[np.ndarray], None]) -> Mutation:
    """Deflection as floats in volts, with some of them changed."""
    values = np.tile(np.linspace(0, 1, 200) ** 8, (4, 4, 1))
    mark(values)
    return replaced("approach/deflection", values, scale=1.0)


def gap(values: np.ndarray) -> None:
    values[1, 2, 50:60] = np.nan


def infinite(values: np.ndarray) -> None:
    values[0, 0, 3] = np.inf


def external(file: h5py.File) -> None:
    del file["approach/deflection"]
    file["approach/deflection"] = h5py.ExternalLink("b002.h5", "/approach/deflection")


def external_group(file: h5py.File) -> None:
    del file["retract"]
    file["retract"] = h5py.ExternalLink("/etc/hostname", "/retract")


def circle(file: h5py.File) -> None:
    del file["approach/z"]
    file["approach/z"] = h5py.SoftLink("/approach/other")
    file["approach/other"] = h5py.SoftLink("/approach/z")


def kept_outside(file: h5py.File) -> None:
    del file["approach/z"]
    where = [("elsewhere.bin", 0, 4 * 4 * 200 * 8)]
    made = file.create_dataset("approach/z", (4, 4, 200), "f8", external=where)
    made.attrs["unit"] = "um"


def huge(file: h5py.File) -> None:
    del file["approach/deflection"]
    file.create_dataset(
        "approach/deflection", (2**10, 2**10, 2**20), "i2", chunks=(1, 1, 2**10)
    ).attrs["unit"] = "V"


def bomb(file: h5py.File) -> None:
    del file["approach/deflection"]
    made = file.create_dataset(
        "approach/deflection", (4, 4, 2**23), "i2", chunks=(1, 1, 2**23), compression="gzip"
    )
    made[0, 0, :10] = 1
    made.attrs["unit"] = "V"


def unwritten(file: h5py.File) -> None:
    del file["approach/deflection"]
    made = file.create_dataset("approach/deflection", (4, 4, 200), "i2", chunks=(1, 4, 200))
    made[0] = 1
    made.attrs["unit"] = "V"


def curves_csv(old: str, new: str, count: int = 1) -> Mutation:
    def change(path: Path) -> None:
        rows = default_sites()
        rows[0]["curves"] = "curves/b001.csv"
        write_rows(path / "sites.csv", rows)
        file = path / "curves/b001.csv"
        write_curves(file)
        text = file.read_text(encoding="utf-8")
        assert old in text, old
        file.write_text(text.replace(old, new, count), encoding="utf-8")

    return change


CASES = [
    Case(
        "suffix",
        lambda p: (
            cell(1, "curves", "curves/b002.dat")(p),
            (p / "curves/b002.dat").write_text("1"),
        ),
        "curves/b002.dat",
        "",
        "'.dat'",
        "HDF5",
    ),
    Case("empty", bytes_in(B1, b""), B1, "", "no readable HDF5", "whole HDF5"),
    Case("truncated", truncated(B1), B1, "", "no readable HDF5", "whole HDF5"),
    Case(
        "no approach",
        h5(lambda f: f.__delitem__("approach")),
        B1,
        "/approach",
        "nothing",
        "a group",
    ),
    Case(
        "no z", h5(lambda f: f.__delitem__("approach/z")), B1, "/approach/z", "nothing", "a dataset"
    ),
    Case("no unit", unit("approach/z", None), B1, "/approach/z unit", "nothing", "m, um, nm"),
    Case(
        "another unit",
        unit("approach/deflection", "mV"),
        B1,
        "/approach/deflection unit",
        "'mV'",
        "V, nm, nN",
    ),
    Case("unit a number", unit("retract/z", 3), B1, "/retract/z unit", "3", "m, um, nm"),
    Case(
        "unit not utf-8",
        unit("approach/z", np.bytes_(b"\xb5m")),
        B1,
        "/approach/z unit",
        "UTF-8",
        "m, um, nm",
    ),
    Case(
        "scale zero",
        h5(lambda f: f["approach/deflection"].attrs.modify("scale", 0.0)),
        B1,
        "/approach/deflection scale",
        "0",
        "other than 0",
    ),
    Case(
        "scale a text",
        h5(lambda f: f["approach/z"].attrs.modify("scale", "one")),
        B1,
        "/approach/z scale",
        "'one'",
        "finite number",
    ),
    Case(
        "offset not finite",
        h5(lambda f: f["approach/z"].attrs.modify("offset", np.nan)),
        B1,
        "/approach/z offset",
        "nan",
        "finite number",
    ),
    Case(
        "two dimensions",
        replaced("approach/deflection", np.zeros((16, 200))),
        B1,
        "/approach/deflection",
        "(16, 200)",
        "(rows, cols, samples)",
    ),
    Case(
        "z of another shape",
        replaced("approach/z", np.zeros((4, 4, 100))),
        B1,
        "/approach/z",
        "(4, 4, 100)",
        "(4, 4, 200)",
    ),
    Case(
        "text for numbers",
        replaced("approach/deflection", np.full((4, 4, 2), b"a")),
        B1,
        "/approach/deflection",
        "the type |S1",
        "numbers",
    ),
    Case(
        "no sample",
        replaced("retract/deflection", np.zeros((4, 4, 0))),
        B1,
        "/retract/deflection",
        "4 x 4 x 0",
        "at least one",
    ),
    Case(
        "other grid on retract",
        both(
            replaced("retract/deflection", np.zeros((2, 4, 200))),
            replaced("retract/z", np.linspace(3, 0, 200)),
        ),
        B1,
        "/retract/deflection",
        "2 x 4",
        "4 x 4",
    ),
    Case("gap of NaN", floats(gap), B1, "/approach, row 1, col 2", "NaN before or between", "tail"),
    Case("infinite", floats(infinite), B1, "/approach deflection", "1 infinite", "finite"),
    Case(
        "valid of another shape",
        replaced("valid", np.ones((4, 5), bool)),
        B1,
        "/valid",
        "(4, 5)",
        "(4, 4)",
    ),
    Case("valid not boolean", replaced("valid", np.full((4, 4), 7)), B1, "/valid", "7", "0 and 1"),
    Case(
        "sample rate",
        h5(lambda f: f.attrs.modify("sample_rate_Hz", -1.0)),
        B1,
        "sample_rate_Hz",
        "-1",
        "above 0",
    ),
    Case("external link", h5(external), B1, "/approach/deflection", "b002.h5", "in the file"),
    Case("external group", h5(external_group), B1, "/retract", "/etc/hostname", "in the file"),
    Case("external storage", h5(kept_outside), B1, "/approach/z", "elsewhere.bin", "in the file"),
    Case("links in a circle", h5(circle), B1, "/approach/z", "circle", "in the file"),
    Case("2^40 values", h5(huge), B1, "/approach/deflection", "1024 x 1024 x 1048576", "at most"),
    Case(
        "a bomb (2^40 in spirit)",
        h5(bomb),
        B1,
        "/approach/deflection",
        "268435456 bytes out of",
        "bomb",
    ),
    Case(
        "half written", h5(unwritten), B1, "/approach/deflection", "1 of 4 pieces", "whole dataset"
    ),
    Case(
        "volts without sensitivity",
        toml("sensitivity_nm_per_V = 60.0\n", ""),
        "disc.toml",
        "[probes.bead] sensitivity_nm_per_V",
        "curves/b001.h5 is in volts",
        "in nm or nN",
    ),
    Case(
        "csv empty",
        lambda p: (curves_csv("row", "row")(p), (p / C1).write_text("")),
        C1,
        "",
        "an empty file",
        "header row",
    ),
    Case("csv no unit", curves_csv("z [nm]", "z"), C1, "header, z", "no unit", "m, um, nm"),
    Case(
        "csv another unit", curves_csv("[V]", "[A]"), C1, "header, deflection", "'A'", "V, nm, nN"
    ),
    Case(
        "csv no column",
        curves_csv("segment", "part"),
        C1,
        "header, segment",
        "no such column",
        "segment",
    ),
    Case(
        "csv another direction",
        curves_csv("approach", "pause"),
        C1,
        "line 2, segment",
        "'pause'",
        "approach or retract",
    ),
    Case(
        "csv text for a number",
        curves_csv("0,0,approach,0.0000", "0,0,approach,zero"),
        C1,
        "line 2, z",
        "'zero'",
        "a number",
    ),
    Case(
        "csv negative row",
        curves_csv("0,0,approach", "-1,0,approach"),
        C1,
        "line 2, row",
        "'-1'",
        "from 0",
    ),
    Case(
        "csv ragged",
        curves_csv("0,0,approach,0.0000", "0,0,approach"),
        C1,
        "line 2",
        "4 cells",
        "5",
    ),
    Case(
        "csv row beyond 2^40",
        curves_csv("0,0,approach", "2000000000000,0,approach"),
        C1,
        "row, col",
        "2000000000001 x 4",
        "at most",
    ),
    Case(
        "csv sparse grid",
        curves_csv("0,0,approach", "100000,9,approach"),
        C1,
        "row, col",
        "100001 x 10 curves",
        "lines fill",
    ),
    Case(
        "csv no approach",
        curves_csv("approach", "retract", -1),
        C1,
        "segment",
        "no approach",
        "approach of each",
    ),
    Case(
        "csv cut in its last number",
        both(curves_csv("row", "row"), truncated(C1, 0.402)),
        C1,
        "row ",
        "an end inside a line",
        "whole file",
    ),
    Case(
        "csv truncated",
        lambda p: (curves_csv("row", "row")(p), (p / C1).write_bytes((p / C1).read_bytes()[:-12])),
        C1,
        "line 6401",
        "4 cells",
        "5",
    ),
]


@pytest.mark.parametrize("case", params(CASES))
def test_one_defect_is_told_with_file_place_found_and_expected(case: Case, tmp_path: Path) -> None:
    assert_one_defect(case, tmp_path / "disc")


@pytest.mark.parametrize("case", params(case for case in CASES if "2^40" in case.name))
def test_what_cannot_be_takes_no_memory(case: Case, tmp_path: Path) -> None:
    assert_little_memory(case, tmp_path / "disc")
