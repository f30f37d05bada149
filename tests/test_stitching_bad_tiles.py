"""Each kind of bad tiles gives its own one defect, or a caution where data can still be used."""

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile
from folder_faults import Case, both, checked, params, toml, truncated
from folder_kit import PIXEL_UM, write_rows
from stitching_simulator import Scan
from tiles_kit import small_scan, tile_name, write_tiled_folder, write_tiles

from engine.intake import open_folder

TABLE = "mosaic/tiles.csv"
SCAN = small_scan(0)
NOISE = np.random.default_rng(0).normal(100, 12, (9, 200, 200)).clip(0, 65535).astype(np.uint16)


def rows_of(path: Path) -> list[dict[str, str]]:
    with (path / TABLE).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def rows(change: Callable[[list[dict]], list[dict]]):
    return lambda path: write_rows(path / TABLE, change(rows_of(path)))


def cell(row: int, column: str, value: object):
    def change(table: list[dict]) -> list[dict]:
        table[row][column] = value
        return table

    return rows(change)


def positions(meant: Callable[[float, float], tuple[float, float]]):
    def change(table: list[dict]) -> list[dict]:
        for row in table:
            row["x_um"], row["y_um"] = meant(float(row["x_um"]), float(row["y_um"]))
        return table

    return rows(change)


def tile(number: int, image: Callable[[np.ndarray], np.ndarray]):
    def change(path: Path) -> None:
        file = path / tile_name(number)
        tifffile.imwrite(file, image(tifffile.imread(file)), metadata=None)

    return change


def eight_bit(image: np.ndarray) -> np.ndarray:
    return (image // 16).astype(np.uint8)


CASES = [
    Case("no table", lambda p: (p / TABLE).unlink(), "disc.toml", "tiles", "not there", "file"),
    Case(
        "empty table",
        lambda p: (p / TABLE).write_text(""),
        TABLE, "", "an empty file", "file,x_um,y_um",
    ),
    Case(
        "no row",
        lambda p: (p / TABLE).write_text("file,x_um,y_um\n"),
        TABLE, "", "no tile", "at least one row",
    ),
    Case(
        "a column missing",
        rows(lambda t: [{k: v for k, v in r.items() if k != "y_um"} for r in t]),
        TABLE, "y_um", "no such column", "file,x_um,y_um",
    ),
    Case(
        "tile missing",
        lambda p: (p / tile_name(4)).unlink(),
        TABLE, "line 6, file", "not there", "existing file",
    ),
    Case("no file named", cell(2, "file", ""), TABLE, "line 4, file", "names no file", "path"),
    Case("path leads out", cell(2, "file", "../t.tif"), TABLE, "line 4, file", "..", "inside"),
    Case("file twice", cell(3, "file", tile_name(1)), TABLE, "line 5, file", "line 3", "once"),
    Case("position nan", cell(1, "x_um", "nan"), TABLE, "line 3, x_um", "nan", "a number"),
    Case("position inf", cell(1, "y_um", "inf"), TABLE, "line 3, y_um", "inf", "a number"),
    Case("no position", cell(1, "y_um", ""), TABLE, "line 3, y_um", "empty cell", "a number"),
    Case(
        "position twice",
        rows(lambda t: [*t[:5], {**t[5], "x_um": t[2]["x_um"], "y_um": t[2]["y_um"]}, *t[6:]]),
        TABLE, "line 7, x_um, y_um", "line 4", "its own",
    ),
    Case(
        "another size",
        tile(7, lambda i: i[:150]),
        tile_name(7), "size", "150 x 200", "200 x 200 pixels (rows x columns), as in 8",
    ),
    Case("another type", tile(2, eight_bit), tile_name(2), "type", "uint8", "uint16, as in 8"),
    Case(
        "8 bit among 16",
        both(*(tile(n, eight_bit) for n in (1, 4, 6))),
        tile_name(1), "type", "uint8 (and in 2 more", "uint16, as in 6",
    ),
    Case(
        "another number of channels",
        tile(5, lambda i: np.stack([i, i])),
        tile_name(5), "channels", "2 channel(s)", "1 channel(s), as in 8",
    ),
    Case(
        "names for other channels",
        toml('    "nuclei",\n', '    "nuclei", "collagen",\n'),
        "disc.toml", "[mosaic] channels", "2 name(s) for 1", "one name",
    ),
    Case("no image", lambda p: (p / tile_name(3)).write_bytes(b"no"), tile_name(3), "", "TIFF", ""),
    Case("cut short", truncated(tile_name(3)), tile_name(3), "", "bytes", "bytes"),
    Case(
        "pixels for micrometres",
        positions(lambda x, y: (x / PIXEL_UM, y / PIXEL_UM)),
        TABLE, "x_um, y_um", "leave every tile apart", "as pixels, they would overlap by 20%",
    ),
    Case(
        "millimetres",
        positions(lambda x, y: (x / 1e3, y / 1e3)),
        TABLE, "x_um, y_um", "on top of each other", "as millimetres, they would overlap by 20%",
    ),
    Case(
        "nanometres",
        positions(lambda x, y: (x * 1e3, y * 1e3)),
        TABLE, "x_um, y_um", "leave every tile apart", "as nanometres, they would overlap",
    ),
    Case(
        "no overlap in any unit",
        positions(lambda x, y: (x * 1.9, y * 1.9)),
        TABLE, "x_um, y_um", "step 197.6 um, tiles 130 um by 130 um", "overlap along their edges",
    ),
    Case(
        "x and y exchanged",
        positions(lambda x, y: (y, x)),
        TABLE, "x_um, y_um", "overlaps don't match (0%", "with x_um and y_um exchanged, 83%",
    ),
    Case(
        "y upwards",
        positions(lambda x, y: (x, -y)),
        TABLE, "x_um, y_um", "overlaps don't match (0%", "y_um counted the other way",
    ),
    Case(
        "one tile far off",
        cell(8, "x_um", 90000.0),
        TABLE, "x_um, y_um", "furthest lies at (90000, 208) um", "side by side",
    ),
    Case(
        "a mosaic that cannot be",
        cell(8, "x_um", 9e8),
        TABLE, "x_um, y_um", "a declared size of", "at most",
    ),
    Case(
        "tiles of another pixel",
        both(
            *(
                (lambda p, n=n: tifffile.imwrite(
                    p / tile_name(n), SCAN.read(n), resolutionunit="CENTIMETER", metadata=None,
                    resolution=(1e4 / (0.65 if n else 1.3),) * 2,
                ))
                for n in range(9)
            )
        ),
        tile_name(0), "pixel size", "1.3 um by 1.3 um", "0.65 um by 0.65 um",
    ),
    Case(
        "no pixel size anywhere",
        toml("pixel_size_um = 0.65\n", ""),
        "disc.toml", "[mosaic] pixel_size_um", "nothing, nor in the image", "micrometres",
    ),
    Case(
        "file and tiles",
        toml("tiles = ", 'file = "mosaic/t000.tif"\ntiles = '),
        "disc.toml", "[mosaic]", "both file and tiles", "one of them",
    ),
]  # fmt: skip


@pytest.mark.parametrize("case", params(CASES))
def test_a_bad_table_or_tile_is_one_defect(case: Case, tmp_path: Path) -> None:
    write_tiled_folder(tmp_path, SCAN)
    case.change(tmp_path)
    defects = checked(tmp_path)
    assert [d.file for d in defects] == [case.file], [str(d) for d in defects]
    (defect,) = defects
    assert case.place in defect.place
    assert case.found in defect.found
    assert case.expected in defect.expected
    assert "\n" not in str(defect)


def test_all_defects_stand_in_one_listing(tmp_path: Path) -> None:
    write_tiled_folder(tmp_path, SCAN)
    both(
        tile(2, eight_bit), tile(7, lambda i: i[:150]), cell(1, "x_um", "one"),
    )(tmp_path)  # fmt: skip
    (tmp_path / tile_name(4)).unlink()
    assert [d.file for d in checked(tmp_path)] == [TABLE]  # positions first: they may be files'
    cell(1, "x_um", "104")(tmp_path)
    assert sorted(d.file for d in checked(tmp_path)) == [tile_name(2), tile_name(7), TABLE]


def cautions(path: Path, made: Scan = SCAN, **options: object) -> tuple[dict[str, str], object]:
    write_tiled_folder(path, made, **options)
    folder = open_folder(path)
    folder.check()
    folder.finish()
    return {c.name: c.sentence for c in folder.cautions}, folder.mosaic()


def test_good_tiles_give_no_caution(tmp_path: Path) -> None:
    told, source = cautions(tmp_path)
    assert told == {}
    assert source.tiles.mosaic_flags == ""


def test_an_empty_channel_is_cautioned(tmp_path: Path) -> None:
    def images(number: int) -> np.ndarray:
        return np.stack([SCAN.read(number), np.full((200, 200), 7, np.uint16)])

    told, _ = cautions(tmp_path, channels=("nuclei", "collagen"), images=images)
    assert set(told) == {"mosaic_channel_empty"}
    assert "Channel collagen" in told["mosaic_channel_empty"]
    assert "is 7." in told["mosaic_channel_empty"]


@pytest.mark.parametrize("top", [4095, 65535])
def test_a_saturated_channel_is_cautioned(tmp_path: Path, top: int) -> None:
    def images(number: int) -> np.ndarray:
        return np.clip(SCAN.read(number).astype(float) * top / 520, 0, top).astype(np.uint16)

    told, _ = cautions(tmp_path, images=images)
    assert set(told) == {"mosaic_saturated"}
    share = np.mean([(images(n) == top).mean() for n in range(9)])
    assert f"{share:.1%}" in told["mosaic_saturated"]


def test_without_tissue_tiles_stay_where_the_stage_put_them(tmp_path: Path) -> None:
    told, source = cautions(tmp_path, images=lambda n: NOISE[n])
    assert set(told) == {"mosaic_nominal_positions"}
    assert "nominal_positions" in source.tiles.mosaic_flags
    assert np.abs(source.tiles.correction_um).max() == 0
    assert set(source.tiles.flags) == {"not_linked"}
    assert source.shape[1:] == (520, 520)


def test_a_corrupt_piece_is_told_with_its_tile(tmp_path: Path) -> None:
    write_tiled_folder(tmp_path, SCAN)
    write_tiles(tmp_path, SCAN, compression="zlib")
    file = tmp_path / tile_name(5)
    data = bytearray(file.read_bytes())
    with tifffile.TiffFile(file) as tiff:
        at = tiff.pages[0].dataoffsets[0]
    data[at + 20 : at + 60] = b"\xff" * 40
    file.write_bytes(bytes(data))
    defects = checked(tmp_path)
    assert [(d.file, d.place) for d in defects] == [(tile_name(5), "image")]
    assert "cannot be read" in defects[0].found


def test_a_single_tile_is_a_mosaic(tmp_path: Path) -> None:
    told, source = cautions(tmp_path, small_scan(0, (1, 1)))
    assert told == {}
    assert source.shape == (1, 200, 200)
    assert source.tiles.flags == ("",)
    np.testing.assert_array_equal(source.read_rows(0, 0, 200), small_scan(0, (1, 1)).read(0))
