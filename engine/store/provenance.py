"""Where a number comes from: hashes of files, versions of libraries."""

import hashlib
import json
from collections.abc import Iterable, Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from engine.store.atomic import write_text_whole

HASHES = "hashes.json"
_LIBRARIES = ("splendens", "numpy", "scipy", "numba", "zarr", "scikit-image", "pandas")


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, as hexadecimal digits."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def file_hashes(root: Path, files: Iterable[str]) -> dict[str, str]:
    """SHA-256 of each file, by its path relative to ``root``; missing files are left out."""
    return {name: file_sha256(root / name) for name in sorted(files) if (root / name).is_file()}


def tree_digest(hashes: Mapping[str, str]) -> str:
    """One digest for a set of files, their names included.

    Examples
    --------
    >>> tree_digest({"a": "1"}) == tree_digest({"a": "2"})
    False
    """
    text = json.dumps(dict(sorted(hashes.items())))
    return hashlib.sha256(text.encode()).hexdigest()


def files_below(root: Path, parts: Iterable[str]) -> list[str]:
    """Every file below some folders of ``root``, as sorted relative paths with ``/``."""
    return sorted(
        path.relative_to(root).as_posix()
        for part in parts
        for path in (root / part).rglob("*")
        if path.is_file()
    )


def write_hashes(root: Path, parts: Iterable[str]) -> str:
    """Write the hash of every file below ``parts`` to ``root/hashes.json``; return their digest."""
    hashes = file_hashes(root, files_below(root, parts))
    write_text_whole(root / HASHES, json.dumps(hashes, indent=0))
    return tree_digest(hashes)


def library_versions() -> dict[str, str]:
    """Versions of what computes the numbers."""
    found = {}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found
