"""Corrections by hand and landmarks of one's own: kept whole, and counted only where asked for."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import viewer_kit
from pandas.testing import assert_frame_equal

from engine import cells, collagen, mechanics
from engine.analysis import analyse_store
from engine.cells import NucleiDetection, correct_nuclei
from engine.cells.settings import CellsSettings, WindowSettings
from engine.errors import SplendensError
from engine.settings import Settings
from engine.store import TABLES, open_store
from engine.store.corrections import correct_cell, corrections_of, digest_of, take_back
from engine.store.landmark_sets import read_landmark_set, save_landmarks, set_of
from engine.store.saved import forget_document, read_document, save_document


def nuclei(xy: list) -> NucleiDetection:
    x, y = np.array(xy, float).reshape(-1, 2).T
    one = np.full(len(x), 7.0)
    return NucleiDetection(
        x, y, one, one, one, one, "sharpness_gate", "", (0, 0, 0), (0, 0, 0), 1.0, ()
    )


def places(found: NucleiDetection) -> list:
    return np.column_stack([found.x_um, found.y_um]).tolist()


def none() -> np.ndarray:
    return np.empty((0, 2))


def test_a_removal_takes_the_nearest_within_reach_and_only_one() -> None:
    found = nuclei([[0, 0], [10, 0], [20, 0]])
    got = correct_nuclei(found, none(), np.array([[1.0, 0], [10.0, 8], [1.0, 0]]), 3.0)
    assert places(got.found) == [[10, 0], [20, 0]]
    assert got.removed.tolist() == [True, False, False]
    assert not got.found.by_hand.any()


def test_an_added_cell_that_is_there_already_is_not_counted_twice() -> None:
    found = nuclei([[0, 0], [10, 0]])
    add = np.array([[1.0, 0], [30.0, 0], [31.0, 0]])
    got = correct_nuclei(found, add, none(), 3.0)
    assert places(got.found) == [[0, 0], [10, 0], [30, 0]]
    assert got.added.tolist() == [False, True, False]
    assert got.found.by_hand.tolist() == [False, False, True]
    assert got.found.diameter_um[2] == 7.0
    assert np.isnan(got.found.snr[2])


def test_a_cell_can_be_moved_by_removing_and_adding_it() -> None:
    got = correct_nuclei(nuclei([[0, 0]]), np.array([[2.0, 0]]), np.array([[0.0, 0]]), 3.0)
    assert places(got.found) == [[2, 0]]


def test_nothing_found_and_nothing_corrected() -> None:
    empty = correct_nuclei(nuclei([]), none(), np.array([[0.0, 0]]), 3.0)
    assert len(empty.found.x_um) == 0
    assert len(correct_nuclei(nuclei([]), np.array([[1.0, 1]]), none(), 3.0).found.x_um) == 1


def test_the_log_only_grows_and_says_who_and_when(tmp_path: Path) -> None:
    first = correct_cell(tmp_path, "add", 1.0, 2.0, " A  Person ")
    correct_cell(tmp_path, "remove", 3.0, 4.0, "B")
    before = digest_of(corrections_of(tmp_path))
    take_back(tmp_path, first.number, "C")
    assert [c.stands for c in corrections_of(tmp_path)] == [False, True]
    assert digest_of(corrections_of(tmp_path)) != before
    take_back(tmp_path, first.number, "C", back=False)
    assert digest_of(corrections_of(tmp_path)) == before
    lines = (read_document(tmp_path, "corrections", "cells") or {})["lines"]
    assert [line["what"] for line in lines] == ["add", "remove", "undo", "redo"]
    assert [line["who"] for line in lines] == ["A Person", "B", "C", "C"]
    assert all(line["when"].endswith("+00:00") for line in lines)


@pytest.mark.parametrize("who", ["", "   ", "x" * 65])
def test_nobody_corrects_without_a_name(tmp_path: Path, who: str) -> None:
    with pytest.raises(SplendensError, match="who"):
        correct_cell(tmp_path, "add", 1.0, 2.0, who)
    assert corrections_of(tmp_path) == ()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("{", "no JSON"),
        ("[]", "JSON object"),
        ('{"form": 9, "lines": []}', "form 9"),
        ('{"form": 1, "lines": [{"what": "add", "x_um": "far"}]}', "line 1"),
        ('{"form": 1, "lines": [{"what": "undo", "of": 7}]}', "line 1"),
    ],
)
def test_a_log_that_can_not_be_read_stops_and_is_not_overwritten(
    tmp_path: Path, text: str, told: str
) -> None:
    path = tmp_path / "saved" / "corrections" / "cells.json"
    path.parent.mkdir(parents=True)
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SplendensError, match=told):
        corrections_of(tmp_path)
    if "lines" not in text:
        with pytest.raises(SplendensError):
            correct_cell(tmp_path, "add", 1.0, 2.0, "A")
        assert path.read_text(encoding="utf-8") == text


def test_what_is_replaced_or_forgotten_is_kept_aside(tmp_path: Path) -> None:
    save_document(tmp_path, "regions", "A", {"n": 1}, "first")
    save_document(tmp_path, "regions", "A", {"n": 2}, "second")
    forget_document(tmp_path, "regions", "A", "third")
    assert read_document(tmp_path, "regions", "A") is None
    aside = sorted((tmp_path / "saved" / "regions" / ".earlier").glob("*.json"))
    records = [json.loads(path.read_text(encoding="utf-8")) for path in aside]
    assert [json.loads(record["text"])["n"] for record in records] == [1, 2]
    assert records[0]["replaced"]["who"] == "second"
    assert records[1]["forgotten"]["who"] == "third"


def test_no_flag_means_two_things() -> None:
    """What a run takes over keeps the flags of its curves and images, told apart by name."""
    local = {flag.name for flag in cells.FLAGS}
    measured = {f.name for f in (*mechanics.FLAGS, *mechanics.MAP_FLAGS, *collagen.FLAGS)}
    assert not local & measured


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return viewer_kit.tiny_store(tmp_path_factory.mktemp("by_hand"))


WIDE = CellsSettings(windows=WindowSettings(sides_um=(60.0, 100.0)))


def tables_of(store: Path) -> dict[str, pd.DataFrame]:
    found = open_store(store)
    return {name: found.table(name) for name in TABLES}


@pytest.mark.parametrize("landmarks", [False, True])
def test_a_run_that_takes_over_is_the_run_that_computes_all(store: Path, landmarks: bool) -> None:
    opened = open_store(store)
    cell = opened.table("cells").iloc[0]
    correct_cell(store, "remove", cell["x_um"], cell["y_um"], "A")
    correct_cell(store, "add", 100.0, 100.0, "A")
    name = ""
    if landmarks:
        own = set_of(opened.frame)
        assert own is not None
        own.disc_um[0] += [4.0, -3.0]
        name = save_landmarks(store, own, "B")
    settings = Settings(cells=WIDE, use_corrections=True, landmarks=name)
    quick = analyse_store(store, settings, reuse=True)
    assert open_store(store).run_info(quick.run)["taken_over_from"]
    taken = tables_of(store)
    # the same again, computed: another run in between so that it is not the current one
    analyse_store(store, Settings(), reuse=True)
    full = analyse_store(store, settings)
    assert open_store(store).run_info(full.run)["taken_over_from"] == ""
    assert full.run != quick.run
    computed = tables_of(store)
    for table in TABLES:
        assert_frame_equal(taken[table], computed[table], check_exact=True)
    assert computed["cells"]["by_hand"].sum() == 1
    moved = np.abs(computed["sites"]["x_um"] - opened.table("sites", "run-0001")["x_um"])
    assert (moved > 0.1).all() == landmarks
    framed = open_store(store).for_run(full.run)
    for site, x in zip(computed["sites"]["site"], computed["sites"]["x_um"], strict=True):
        assert framed.sites[site].footprint.centre_um[0] == x
    assert opened.for_run("run-0001").sites["b001"].footprint.centre_um[0] == pytest.approx(
        60, 1e-3
    )


def test_corrections_count_only_where_asked_for(store: Path) -> None:
    plain = analyse_store(store, Settings(), reuse=True)
    assert not open_store(store).table("cells")["by_hand"].any()
    correct_cell(store, "add", 90.0, 20.0, "A")
    assert not analyse_store(store, Settings()).new
    asked = analyse_store(store, Settings(use_corrections=True), reuse=True)
    assert asked.new
    assert asked.run != plain.run
    assert open_store(store).table("cells")["by_hand"].any()
    assert open_store(store).run_info()["corrections"][-1]["who"] == "A"
    assert not analyse_store(store, Settings(use_corrections=True)).new
    correct_cell(store, "add", 20.0, 90.0, "A")
    assert analyse_store(store, Settings(use_corrections=True), reuse=True).new


def test_an_altered_run_is_not_taken_over(store: Path) -> None:
    for path in (store / "runs").glob("run-*/tables/curves/modulus_kPa/c/0"):
        path.write_bytes(path.read_bytes() + b"\0")
    settings = Settings(cells=WIDE)
    outcome = analyse_store(store, settings, reuse=True)
    assert open_store(store).run_info(outcome.run)["taken_over_from"] == ""


def test_landmark_sets_are_numbered_and_never_overwritten(store: Path) -> None:
    own = set_of(open_store(store).frame)
    assert own is not None
    first, second = (save_landmarks(store, own, who) for who in ("A", "B"))
    assert first != second
    again = read_landmark_set(store, first)
    np.testing.assert_allclose(again.frame().matrix, open_store(store).frame.matrix, atol=1e-12)
    assert again.csv().splitlines()[0] == "name,stage_x_um,stage_y_um,disc_x_um,disc_y_um"
    with pytest.raises(SplendensError, match="no set"):
        read_landmark_set(store, "landmarks-9999")
    with pytest.raises(SplendensError, match="no set"):
        analyse_store(store, Settings(landmarks="landmarks-9999"))
    with pytest.raises(SplendensError, match="who"):
        save_landmarks(store, own, "")
    own.disc_um[:] = own.disc_um[0]
    with pytest.raises(SplendensError, match="one line"):
        save_landmarks(store, own, "A")


CORRECT_OFTEN = (
    "import sys; from pathlib import Path; from engine.store.corrections import correct_cell\n"
    "for i in range(15): correct_cell(Path(sys.argv[1]), 'add', float(i), 0.0, sys.argv[2])"
)


def test_nothing_is_lost_when_two_processes_correct_at_once(tmp_path: Path) -> None:
    root = Path(__file__).resolve().parent.parent
    both = [
        subprocess.Popen([sys.executable, "-c", CORRECT_OFTEN, str(tmp_path), who], cwd=root)
        for who in "AB"
    ]
    assert [process.wait(30) for process in both] == [0, 0]
    found = corrections_of(tmp_path)
    assert sorted(c.who for c in found) == ["A"] * 15 + ["B"] * 15
    assert [c.number for c in found] == list(range(1, 31))
