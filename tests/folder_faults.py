"""What the tests of bad folders share: a case, the ways to spoil a folder, the one check."""

import tracemalloc
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from folder_kit import (
    default_landmarks,
    default_sites,
    image_site,
    write_folder,
    write_landmarks,
    write_rows,
)

from engine.errors import Defect
from engine.intake import open_folder

Mutation = Callable[[Path], Any]


@dataclass(frozen=True)
class Case:
    """A way to spoil a folder, and parts of the one defect that must be told."""

    name: str
    change: Mutation
    file: str
    place: str
    found: str
    expected: str


def params(cases: Iterable[Case]) -> list[Any]:
    return [pytest.param(case, id=case.name) for case in cases]


def checked(path: Path) -> list[Defect]:
    folder = open_folder(path)
    folder.check()
    return folder.defects


def assert_one_defect(case: Case, path: Path, **options: Any) -> None:
    write_folder(path, **options)
    case.change(path)
    defects = checked(path)
    assert [d.file for d in defects] == [case.file], [str(d) for d in defects]
    (defect,) = defects
    assert case.place in defect.place
    assert case.found in defect.found
    assert case.expected in defect.expected
    assert "\n" not in str(defect)


def assert_little_memory(case: Case, path: Path) -> None:
    """A declared size that cannot be is refused before memory is taken for it."""
    write_folder(path)
    case.change(path)
    checked(path)  # what is imported on the first use is no part of the cost
    tracemalloc.start()
    try:
        assert checked(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 32 * 2**20


def toml(old: str, new: str) -> Mutation:
    def change(path: Path) -> None:
        text = (path / "disc.toml").read_text(encoding="utf-8")
        assert old in text, old
        (path / "disc.toml").write_text(text.replace(old, new), encoding="utf-8")

    return change


def table(name: str, old: str, new: str) -> Mutation:
    def change(path: Path) -> None:
        data = (path / name).read_bytes()
        assert old.encode() in data, old
        (path / name).write_bytes(data.replace(old.encode(), new.encode(), 1))

    return change


def raw(name: str, old: bytes, new: bytes) -> Mutation:
    def change(path: Path) -> None:
        data = (path / name).read_bytes()
        assert old in data, old
        (path / name).write_bytes(data.replace(old, new, 1))

    return change


def cell(row: int, column: str, value: object) -> Mutation:
    def change(path: Path) -> None:
        rows = default_sites()
        rows[row][column] = value
        write_rows(path / "sites.csv", rows)

    return change


def landmark(change_rows: Callable[[list], list]) -> Mutation:
    return lambda path: write_landmarks(path / "landmarks.csv", change_rows(default_landmarks()))


def truncated(name: str, share: float = 0.5) -> Mutation:
    def change(path: Path) -> None:
        data = (path / name).read_bytes()
        (path / name).write_bytes(data[: int(len(data) * share)])

    return change


def topography(suffix: str, write: Callable[[Path], None], **changes: object) -> Mutation:
    """One height image of another format in the place of the first."""

    def change(path: Path) -> None:
        rows = default_sites()
        rows[2] = image_site("n001", 52, 61, suffix, **changes)
        write_rows(path / "sites.csv", rows)
        write(path / f"topography/n001.{suffix}")

    return change


def removed(name: str) -> Mutation:
    return lambda path: (path / name).unlink()


def bytes_in(name: str, data: bytes) -> Mutation:
    return lambda path: (path / name).write_bytes(data)


def both(*changes: Mutation) -> Mutation:
    def change(path: Path) -> None:
        for one in changes:
            one(path)

    return change
