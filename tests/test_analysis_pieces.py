"""Large sites are read and fitted in chunks; progress and cancelling reach into them."""

import folder_kit
import h5py
import numpy as np
import pytest
from typer.testing import CliRunner

from engine import tasks
from engine.analysis import analyse_store
from engine.errors import Cancelled
from engine.importing import import_folder
from engine.mechanics import FitCancelled
from engine.settings import Settings
from engine.store import open_store
from viewer.cli import app

ROWS, COLS = 24, 50


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """A disc with one large map whose drive differs from curve to curve."""
    home = tmp_path_factory.mktemp("pieces")
    folder = folder_kit.write_folder(home / "folder", heights=None)
    data = folder_kit.make_curves(np.random.default_rng(3), ROWS, COLS, samples=60)
    folder_kit.write_curves(folder / "curves/b001.h5", **data)
    with h5py.File(folder / "curves/b001.h5", "a") as file:
        valid = np.ones((ROWS, COLS), bool)
        valid[2, 3] = False
        file["valid"] = valid
    import_folder(folder, home / "a.zarr")
    return home / "a.zarr"


@pytest.fixture
def small_chunks(monkeypatch):
    monkeypatch.setattr(tasks, "CHUNK_SAMPLES", 256 * 60)


def test_a_large_site_is_never_read_whole(store, small_chunks, monkeypatch):
    opened = open_store(store)
    curves = opened.curves("b001")
    z, d = curves.rows_of("approach")
    back = curves.rows_of("retract")
    whole_z, whole_d = curves.approach()
    assert z.shape == d.shape == (ROWS * COLS, 60)
    np.testing.assert_array_equal(d[100:300], whole_d[100:300])
    np.testing.assert_array_equal(np.asarray(z), whole_z)
    most = []

    def watched(array):
        read = type(array).__getitem__

        def get(self, rows):
            found = read(self, rows)
            most.append(len(found))
            return found

        return get

    monkeypatch.setattr(type(back[0]), "__getitem__", watched(back[0]))
    shares = []
    found = tasks.fit_site(opened, "b001", Settings(), tell=shares.append)
    assert max(most) == 256
    assert shares == pytest.approx(np.minimum(np.arange(1, 6) * 256 / 1200, 1.0))
    monkeypatch.undo()
    at_once = tasks.fit_site(opened, "b001", Settings())
    np.testing.assert_array_equal(found.modulus_kPa, at_once.modulus_kPa)
    np.testing.assert_array_equal(found.adhesion_nN, at_once.adhesion_nN)
    assert np.isnan(found.modulus_kPa[2 * COLS + 3])
    assert found.used.sum() > 0.95 * ROWS * COLS


def test_chunks_are_whole_chunks_of_the_store():
    for samples in (1, 64, 256, 2000, 100_000, 10_000_000):
        chunk = tasks.chunk_of(samples)
        assert chunk % 256 == 0
        assert 256 <= chunk <= 8_192
        assert chunk * samples <= max(tasks.CHUNK_SAMPLES, 256 * samples)


def test_progress_is_told_from_within_a_large_site(store, small_chunks):
    told = []
    analyse_store(store, Settings(seed=1), progress=lambda *what: told.append(what))
    inside = [share for what, share in told if what == "curves b001"]
    assert len(inside) >= 5
    assert np.all(np.diff([share for _, share in told]) >= 0)
    assert told[-1][1] <= 1.0


def tree(path):
    return {p: p.read_bytes() for p in sorted(path.rglob("*")) if p.is_file()}


def test_cancelling_ends_within_a_site_and_leaves_the_store(store, small_chunks):
    before, told = tree(store), []
    with pytest.raises(FitCancelled):
        analyse_store(
            store,
            Settings(seed=2),
            progress=lambda *what: told.append(what),
            cancelled=lambda: sum(what == "curves b001" for what, _ in told) >= 2,
        )
    assert sum(what == "curves b001" for what, _ in told) == 2
    assert tree(store) == before


def test_cancelling_reaches_the_workers(store):
    before, told = tree(store), []
    with pytest.raises(Cancelled):
        analyse_store(
            store,
            Settings(seed=3),
            workers=2,
            progress=lambda *what: told.append(what),
            cancelled=lambda: bool(told),
        )
    assert tree(store) == before


def test_the_command_analyses_in_processes(store):
    settings = store.parent / "s.toml"
    settings.write_text("seed = 4\n")
    words = ["analyse", str(store), "--workers", "2", "--settings", str(settings)]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 0, result.output
    assert "is current" in result.output
    table = open_store(store).table("sites").set_index("site")
    assert table.modulus_kPa["b001"] == pytest.approx(folder_kit.MODULUS_KPA, rel=0.03)
