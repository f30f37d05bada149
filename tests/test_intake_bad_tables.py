"""Each kind of bad table, row or path gives its own one defect."""

import os
from pathlib import Path

import pytest
from folder_faults import (
    Case,
    assert_one_defect,
    bytes_in,
    cell,
    landmark,
    params,
    raw,
    removed,
    table,
)

B1 = "curves/b001.h5"


def on_line(rows: list) -> list:
    for i, row in enumerate(rows):
        row[3:] = [10.0 + 20 * i, 30.0 + 10 * i]
    return rows


def link_out(path: Path, target: str, name: str) -> None:
    (path / name).unlink(missing_ok=True)
    (path / name).symlink_to(target)


def fifo(path: Path) -> None:
    (path / "curves/b001.h5").unlink()
    os.mkfifo(path / "curves/b001.h5")


CASES = [
    Case(
        "two landmarks",
        landmark(lambda rows: rows[:2]),
        "landmarks.csv",
        "",
        "2 landmark(s)",
        "three or more",
    ),
    Case(
        "collinear landmarks",
        landmark(on_line),
        "landmarks.csv",
        "disc_x_um",
        "on one line",
        "mirror",
    ),
    Case(
        "landmark named twice",
        landmark(lambda rows: [*rows[:4], ["L1", *rows[4][1:]]]),
        "landmarks.csv",
        "line 6, landmark L1, name",
        "line 2",
        "once",
    ),
    Case(
        "landmark point twice",
        landmark(lambda rows: [*rows, ["L6", *rows[0][1:3], 1.0, 2.0]]),
        "landmarks.csv",
        "line 7, landmark L6, stage",
        "line 2",
        "of its own",
    ),
    Case(
        "landmark not finite",
        landmark(lambda rows: [*rows, ["L6", 12100.0, 3300.0, "nan", 4.0]]),
        "landmarks.csv",
        "line 7, landmark L6, disc_x_um",
        "'nan'",
        "a number",
    ),
    Case(
        "no landmarks file",
        removed("landmarks.csv"),
        "disc.toml",
        "[frame] landmarks",
        "not there",
        "existing",
    ),
    Case(
        "landmarks without a column",
        table("landmarks.csv", "disc_y_um", "y"),
        "landmarks.csv",
        "header, disc_y_um",
        "no such column",
        "disc_y_um",
    ),
    Case("empty table", bytes_in("sites.csv", b""), "sites.csv", "", "an empty file", "header row"),
    Case(
        "no site",
        bytes_in("sites.csv", b"site,kind,probe,x_um,y_um,width_um,height_um\n"),
        "sites.csv",
        "",
        "no site",
        "at least one",
    ),
    Case(
        "no column",
        table("sites.csv", "width_um", "width"),
        "sites.csv",
        "header, width_um",
        "no such column",
        "width_um",
    ),
    Case(
        "a column twice",
        table("sites.csv", "note", "site"),
        "sites.csv",
        "header, site",
        "more than once",
        "site",
    ),
    Case(
        "ragged row",
        table("sites.csv", "b002,bead-map,", "b002,bead-map,x,"),
        "sites.csv",
        "line 3",
        "12 cells",
        "11",
    ),
    Case(
        "table not utf-8",
        raw("sites.csv", b"b001.h5,,", b"b001.h5,,\xb5m"),
        "sites.csv",
        "line 2",
        "0xb5",
        "UTF-8",
    ),
    Case(
        "open quote",
        table("sites.csv", "curves/b002.h5,,", 'curves/b002.h5,,"'),
        "sites.csv",
        "line",
        "no valid row",
        "quoted",
    ),
    Case(
        "site twice",
        cell(1, "site", "b001"),
        "sites.csv",
        "line 3, site b001",
        "as on line 2",
        "once",
    ),
    Case("site with a slash", cell(1, "site", "b/2"), "sites.csv", "line 3", "'b/2'", "letters"),
    Case(
        "another kind",
        cell(1, "kind", "map"),
        "sites.csv",
        "line 3, site b002, kind",
        "'map'",
        "bead-map or nano-image",
    ),
    Case(
        "unknown probe",
        cell(1, "probe", "ball"),
        "sites.csv",
        "line 3, site b002, probe",
        "'ball'",
        "bead, tip",
    ),
    Case(
        "position missing",
        cell(1, "x_um", ""),
        "sites.csv",
        "line 3, site b002, x_um",
        "an empty cell",
        "a number",
    ),
    Case(
        "position infinite",
        cell(1, "x_um", "inf"),
        "sites.csv",
        "line 3, site b002, x_um",
        "'inf'",
        "a number",
    ),
    Case(
        "decimal comma",
        cell(1, "y_um", "12,5"),
        "sites.csv",
        "line 3, site b002, y_um",
        "'12,5'",
        "a number",
    ),
    Case(
        "turn out of range",
        cell(1, "rotation_deg", 400),
        "sites.csv",
        "line 3, site b002, rotation_deg",
        "400",
        "-360 to 360",
    ),
    Case(
        "width zero",
        cell(1, "width_um", 0),
        "sites.csv",
        "line 3, site b002, width_um",
        "0",
        "above 0",
    ),
    Case(
        "height negative",
        cell(1, "height_um", -20),
        "sites.csv",
        "line 3, site b002, height_um",
        "-20",
        "above 0",
    ),
    Case(
        "neither curves nor image",
        cell(1, "curves", ""),
        "sites.csv",
        "line 3, site b002",
        "neither",
        "at least one",
    ),
    Case(
        "curves missing",
        removed(B1),
        "sites.csv",
        "line 2, site b001, curves",
        "not there",
        "existing file",
    ),
    Case(
        "absolute path",
        cell(1, "curves", "/etc/hostname"),
        "sites.csv",
        "line 3, site b002, curves",
        "absolute path '/etc/hostname'",
        "relative",
    ),
    Case(
        "drive",
        cell(1, "curves", "C:/b.h5"),
        "sites.csv",
        "line 3, site b002, curves",
        "absolute path",
        "relative",
    ),
    Case(
        "backslash",
        cell(1, "curves", "curves\\b002.h5"),
        "sites.csv",
        "line 3, site b002, curves",
        "backslash",
        "'/'",
    ),
    Case(
        "climbing path",
        cell(1, "curves", "curves/../curves/b002.h5"),
        "sites.csv",
        "line 3, site b002, curves",
        "'..'",
        "stays inside",
    ),
    Case(
        "link out",
        lambda p: link_out(p, "/etc/hostname", B1),
        "sites.csv",
        "line 2, site b001, curves",
        "leads out",
        "stays inside",
    ),
    Case(
        "a folder",
        lambda p: (removed(B1)(p), (p / B1).mkdir()),
        "sites.csv",
        "line 2, site b001, curves",
        "no regular file",
        "regular file",
    ),
    Case(
        "a pipe", fifo, "sites.csv", "line 2, site b001, curves", "no regular file", "regular file"
    ),
]


@pytest.mark.parametrize("case", params(CASES))
def test_one_defect_is_told_with_file_place_found_and_expected(case: Case, tmp_path: Path) -> None:
    assert_one_defect(case, tmp_path / "disc")
