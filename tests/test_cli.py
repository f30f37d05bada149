"""The command as a user types it: what it prints, its exit status, and what it leaves behind."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import folder_kit
import pandas as pd
import pytest
from typer.testing import CliRunner

from engine.settings import Settings, read_settings, settings_as_toml
from engine.store import TABLES, open_store
from viewer.cli import app

HOME = Path(__file__).parent.parent


def run(*words):
    return CliRunner().invoke(app, [str(w) for w in words])


def tree(path):
    """Every file below a folder with its bytes."""
    return {p.relative_to(path): p.read_bytes() for p in sorted(path.rglob("*")) if p.is_file()}


@pytest.fixture(scope="module")
def analysed(tmp_path_factory):
    """A tiny folder, its store, analysed once; tests that change it copy it first."""
    home = tmp_path_factory.mktemp("cli")
    folder = folder_kit.write_folder(home / "folder")
    store = home / "tiny.zarr"
    imported = run("import", folder, store)
    assert imported.exit_code == 0, imported.output
    done = run("analyse", store, "--workers", 1)
    assert done.exit_code == 0, done.output
    return folder, store


def test_help_teaches_the_day_and_names_the_cautions():
    text = run("--help").output
    for word in ("import", "analyse", "tables", "check", "view", "demo", "settings"):
        assert word in text
    assert "Not a diagnostic device" in " ".join(text.split())


def test_a_day_s_work(analysed, tmp_path):
    folder, store = analysed
    assert run("check", folder).exit_code == 0
    assert run("check", store, "--deep").exit_code == 0
    written = run("tables", store, "--out", tmp_path / "out")
    assert written.exit_code == 0
    for name, columns in TABLES.items():
        table = pd.read_csv(tmp_path / "out" / f"{name}.csv")
        assert list(table.columns)[: len(columns)] == [c.name for c in columns]
    sites = pd.read_csv(tmp_path / "out" / "sites.csv").set_index("site")
    maps = sites[sites["curves_used"] > 0]
    assert len(maps) >= 2
    # the kit's curves are exact paraboloids of a known modulus
    assert (
        maps["modulus_kPa"].sub(folder_kit.MODULUS_KPA).abs().max() < 0.03 * folder_kit.MODULUS_KPA
    )


def test_parquet_and_csv_say_the_same(analysed, tmp_path):
    _, store = analysed
    for form in ("csv", "parquet"):
        assert run("tables", store, "--out", tmp_path, "--format", form).exit_code == 0
    a = pd.read_csv(tmp_path / "curves.csv")
    b = pd.read_parquet(tmp_path / "curves.parquet")
    pd.testing.assert_series_equal(a["modulus_kPa"], b["modulus_kPa"], rtol=1e-8)


def test_the_same_again_does_nothing_and_says_so(analysed):
    folder, store = analysed
    before = tree(store)
    for words in (("import", folder, store), ("analyse", store)):
        again = run(*words)
        assert again.exit_code == 0
        assert "nothing to do" in again.output
    assert tree(store) == before


def test_other_settings_make_a_new_run_and_keep_the_old(analysed, tmp_path):
    store = tmp_path / "copy.zarr"
    shutil.copytree(analysed[1], store)
    settings = tmp_path / "settings.toml"
    settings.write_text("seed = 7\n")
    assert run("analyse", store, "--settings", settings, "--workers", 1).exit_code == 0
    opened = open_store(store)
    assert opened.runs == ["run-0001", "run-0002"]
    assert opened.current_run == "run-0002"
    assert opened.run_info()["settings"]["seed"] == 7
    assert opened.run_info("run-0001")["settings"]["seed"] == Settings().seed


def test_a_bad_folder_leaves_the_store_as_it_was(analysed, tmp_path):
    store = tmp_path / "copy.zarr"
    shutil.copytree(analysed[1], store)
    before = tree(store)
    bad = folder_kit.write_folder(tmp_path / "bad", seed=3)
    (bad / "sites.csv").write_text(
        (bad / "sites.csv").read_text().replace("bead-map", "bread-map", 1)
    )
    for victim in sorted((bad / "curves").iterdir())[:1]:
        victim.write_bytes(victim.read_bytes()[:100])
    result = run("import", bad, store)
    assert result.exit_code == 2
    assert "bread-map" in result.output
    assert "2 defects; nothing was changed" in result.output
    assert "Traceback" not in result.output
    assert tree(store) == before
    assert not list(tmp_path.glob(".tmp-*"))


def test_a_changed_folder_keeps_what_people_saved_and_calls_the_run_stale(analysed, tmp_path):
    store = tmp_path / "copy.zarr"
    shutil.copytree(analysed[1], store)
    (store / "saved" / "notes").mkdir(parents=True)
    (store / "saved" / "notes" / "a.json").write_text('{"text": "mine"}')
    other = folder_kit.write_folder(tmp_path / "other", seed=5)
    assert run("import", other, store).exit_code == 0
    opened = open_store(store)
    assert json.loads((store / "saved" / "notes" / "a.json").read_text()) == {"text": "mine"}
    assert opened.current_run == "run-0001"
    assert "imported anew" in opened.run_info()["stale"]


def test_check_deep_finds_a_missing_and_an_altered_chunk(analysed, tmp_path):
    store = tmp_path / "copy.zarr"
    shutil.copytree(analysed[1], store)
    chunks = sorted(p for p in store.rglob("*") if p.is_file() and p.name.isdigit())
    chunks[0].unlink()
    chunks[-1].write_bytes(chunks[-1].read_bytes()[:-1] + b"\0")
    result = run("check", store, "--deep")
    assert result.exit_code == 2
    assert "no file" in result.output
    assert "it was altered" in result.output


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("import", "nowhere", "x.zarr"), "found nothing"),
        (("analyse", "nowhere.zarr"), "no disc store"),
        (("tables", "nowhere.zarr", "--out", "o"), "no disc store"),
        (("check", "nowhere"), "found nothing"),
        (("view", "nowhere.zarr"), "no disc store"),
        (("analyse",), "Missing argument"),
        (("fly",), "No such command"),
    ],
)
def test_a_beginner_s_mistakes_get_one_clear_line_and_status_2(
    words, expected, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    result = run(*words)
    assert result.exit_code == 2
    assert expected in " ".join(result.output.split())
    assert "Traceback" not in result.output
    assert list(tmp_path.iterdir()) == []


def test_settings_round_trip_as_toml(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text(settings_as_toml(Settings()))
    assert read_settings(path) == Settings()
    assert run("settings").output.strip() == path.read_text().strip()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("seed = -1", "seed"),
        ("nonsense = 1", "nonsense"),
        ("seed = [", "TOML"),
        ("seed = 'a'", "seed"),
    ],
)
def test_bad_settings_are_told_by_key(analysed, tmp_path, text, expected):
    path = tmp_path / "s.toml"
    path.write_text(text)
    result = run("analyse", analysed[1], "--settings", path)
    assert result.exit_code == 2
    assert expected in result.output


def test_help_comes_without_the_heavy_imports():
    """Typing --help must not wait for numba and the like."""
    code = (
        "import sys; from viewer.cli import app\n"
        "assert not {'numba', 'zarr', 'bokeh', 'panel'} & set(sys.modules), sorted(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=HOME)
