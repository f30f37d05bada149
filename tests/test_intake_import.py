"""A bad folder leaves a store exactly as it was, and no store where there was none."""

import hashlib
from pathlib import Path

import pytest
from folder_faults import Case, params
from folder_kit import write_folder
from test_intake_bad_curves import CASES as CURVES
from test_intake_bad_heights import CASES as HEIGHTS
from test_intake_bad_manifest import CASES as MANIFEST
from test_intake_bad_mosaic import CASES as MOSAIC
from test_intake_bad_tables import CASES as TABLES

from engine.errors import FolderError
from engine.importing import import_folder

# every fifth of each kind: all of them, about 170, were tried once and take ten times as long
CASES = [*MANIFEST[::5], *TABLES[::5], *CURVES[::5], *HEIGHTS[::5], *MOSAIC[::5]]


def digest(folder: Path) -> str:
    total = hashlib.sha256()
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        total.update(f"{path.relative_to(folder)} {path.stat().st_mtime_ns}".encode())
        total.update(path.read_bytes())
    return total.hexdigest()


@pytest.mark.parametrize("case", params(CASES))
def test_a_bad_folder_changes_no_store(case: Case, tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "disc")
    store, other = tmp_path / "stores" / "disc.zarr", tmp_path / "others" / "disc.zarr"
    assert import_folder(folder, store)
    before = digest(store.parent)
    case.change(folder)
    for target in (store, other):
        with pytest.raises(FolderError) as raised:
            import_folder(folder, target)
        assert [defect.file for defect in raised.value.defects] == [case.file]
    assert digest(store.parent) == before
    assert not other.exists()
    assert not other.parent.exists() or not any(other.parent.iterdir())
