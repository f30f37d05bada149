"""Writing aside: a crash or an error leaves what stood there, whole."""

import json
import os
import signal
import subprocess
import sys
import textwrap
import threading
from pathlib import Path

import pytest

from engine.errors import SplendensError
from engine.store import atomic
from engine.store.atomic import move_into_place, staged_folder, sweep, write_text_whole
from engine.store.saved import forget_document, save_document, saved_documents


def _folder(path, text):
    path.mkdir()
    (path / "a.txt").write_text(text)
    return path


def test_success_replaces_and_failure_does_not(tmp_path):
    final = _folder(tmp_path / "store", "old")
    with pytest.raises(RuntimeError), staged_folder(final) as staged:
        (staged / "a.txt").write_text("half")
        raise RuntimeError
    assert (final / "a.txt").read_text() == "old"
    with staged_folder(final) as staged:
        (staged / "a.txt").write_text("new")
    assert (final / "a.txt").read_text() == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["store"]


def test_without_a_swap_of_names_it_still_moves(tmp_path, monkeypatch):
    monkeypatch.setattr(atomic, "_exchange", lambda a, b: False)
    final, staged = _folder(tmp_path / "store", "old"), _folder(tmp_path / "staged", "new")
    move_into_place(staged, final)
    assert (final / "a.txt").read_text() == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["store"]


def test_a_crash_between_two_renames_is_mended(tmp_path):
    _folder(tmp_path / ".old-store", "old")
    sweep(tmp_path / "store")
    assert (tmp_path / "store" / "a.txt").read_text() == "old"


def test_killed_while_writing_leaves_the_old_folder(tmp_path):
    final = _folder(tmp_path / "store", "old")
    script = textwrap.dedent(
        """
        import sys, time
        from pathlib import Path
        from engine.store.atomic import staged_folder
        with staged_folder(Path(sys.argv[1])) as staged:
            (staged / "a.txt").write_text("half")
            print("ready", flush=True)
            time.sleep(60)
        """
    )
    child = subprocess.Popen(
        [sys.executable, "-c", script, str(final)],
        stdout=subprocess.PIPE,
        cwd=Path(__file__).parent.parent,
    )
    with child:
        assert child.stdout.readline().strip() == b"ready"
        os.kill(child.pid, signal.SIGKILL)
    assert (final / "a.txt").read_text() == "old"
    assert len(list(tmp_path.iterdir())) == 2
    sweep(final)
    assert [p.name for p in tmp_path.iterdir()] == ["store"]


def test_a_reader_never_sees_half_a_text(tmp_path):
    path = tmp_path / "pointer.json"
    write_text_whole(path, json.dumps({"n": 0, "fill": "x" * 5000}))
    stop, seen = threading.Event(), []

    def read():
        while not stop.is_set():
            seen.append(json.loads(path.read_text())["n"])

    reader = threading.Thread(target=read)
    reader.start()
    for n in range(200):
        write_text_whole(path, json.dumps({"n": n, "fill": "x" * 5000}))
    stop.set()
    reader.join()
    assert seen == sorted(seen)
    assert seen


def test_saved_documents_round_trip_and_refuse_odd_names(tmp_path):
    save_document(tmp_path, "regions", "A", {"polygon": [[0, 1], [2, 3], [4, 5]]})
    save_document(tmp_path, "regions", "B", {"note": "µ"})
    assert list(saved_documents(tmp_path, "regions")) == ["A", "B"]
    forget_document(tmp_path, "regions", "A")
    (left,) = saved_documents(tmp_path, "regions").items()
    assert left[0] == "B"
    assert left[1]["note"] == "µ"
    assert left[1]["saved"]["who"] == "not named"
    for bad in ("../x", "a/b", ".x", ""):
        with pytest.raises(SplendensError, match="expected 1 to 64"):
            save_document(tmp_path, "regions", bad, {})
