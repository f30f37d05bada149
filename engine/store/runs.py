"""Writing one analysis into a store, and making it the current one in a single step."""

import dataclasses
import math
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import zarr

from engine.store.atomic import staged_folder, update_attributes
from engine.store.labels import LABELS
from engine.store.provenance import write_hashes
from engine.store.read import DiscStore
from engine.store.tables import replace_columns, write_table


class RunWriter:
    """One run while it is being written, out of every reader's sight.

    Attributes
    ----------
    folder
        Where it is written.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._root = zarr.create_group(folder, zarr_format=3)
        self._tables = self._root.create_group("tables")

    def table(self, name: str, columns: Mapping[str, npt.ArrayLike]) -> None:
        """Write a result table (see :func:`engine.store.tables.write_table`)."""
        write_table(self._tables, name, columns)

    def table_from(self, name: str, run: Path, changed: Mapping[str, npt.ArrayLike]) -> None:
        """Copy a table of another run, with some of its columns replaced or added.

        Parameters
        ----------
        name
            The table.
        run
            Folder of the other run.
        changed
            Column name to values.
        """
        shutil.copytree(run / "tables" / name, self.folder / "tables" / name)
        replace_columns(self._tables[name], name, changed)  # type: ignore[arg-type]

    def details_from(self, run: Path, part: str) -> None:
        """Copy everything that another run keeps of one part; nothing where it keeps nothing."""
        if (run / part).is_dir():
            shutil.copytree(run / part, self.folder / part)

    def detail(self, part: str, values: Mapping[str, Any]) -> None:
        """Write arrays and plain values of one part; None values are left out.

        Parameters
        ----------
        part
            ``cells`` or ``sites/<site>``.
        values
            Arrays become arrays; text, numbers, lists of them become attributes; NaN becomes null.
        """
        arrays = {k: v for k, v in values.items() if isinstance(v, np.ndarray)}
        plain = {k: _plain(v) for k, v in values.items() if k not in arrays and v is not None}
        group = self._root.create_group(part, attributes=plain)
        for name, value in arrays.items():
            array = group.create_array(
                name,
                shape=value.shape,
                dtype="string" if value.dtype.kind in "OU" else value.dtype,
                chunks=tuple(max(1, n) for n in value.shape),
            )
            if value.size:
                array[...] = value

    def note(self, values: Mapping[str, Any]) -> None:
        """Write what the run says of itself."""
        self._root.attrs["splendens"] = dict(values)


def _plain(value: Any) -> Any:
    """As JSON holds it; a number that could not be had becomes null."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


def next_run_name(store: DiscStore) -> str:
    """Name the run to come: ``run-0001``, then ``run-0002`` and so on."""
    numbers = [int(name.rpartition("-")[2]) for name in store.runs if name[-1].isdigit()]
    return f"run-{max(numbers, default=0) + 1:04d}"


@contextmanager
def new_run(store: DiscStore, name: str) -> Iterator[RunWriter]:
    """Write a run aside; on success move it into the store and make it current.

    Parameters
    ----------
    store
        The store.
    name
        A name that no run of it has yet.

    Yields
    ------
    RunWriter
        To write tables and details with.
    """
    with staged_folder(store.path / "runs" / name) as staged:
        yield RunWriter(staged)
        parts = ("tables", "sites", "cells", "fields", LABELS, "maps", "clips")
        write_hashes(staged, parts)
    root = store.info | {"current_run": name}
    update_attributes(store.path, {"splendens": root})


def as_record(result: Any, prefix: str = "") -> dict[str, Any]:
    """Fields of a result dataclass as arrays and plain values, nested ones joined by ``.``.

    Examples
    --------
    >>> @dataclasses.dataclass
    ... class Point:
    ...     x: float
    >>> as_record(Point(1.5))
    {'x': 1.5}
    """
    record: dict[str, Any] = {}
    for field in dataclasses.fields(result):
        value = getattr(result, field.name)
        name = f"{prefix}{field.name}"
        if dataclasses.is_dataclass(value):
            record |= as_record(value, f"{name}.")
        elif isinstance(value, np.generic):
            record[name] = value.item()
        elif isinstance(value, tuple):
            record[name] = [v.item() if isinstance(v, np.generic) else v for v in value]
        else:
            record[name] = value
    return record
