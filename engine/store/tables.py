"""Result tables as columns of a Zarr group, and as CSV or Parquet files."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
import zarr

from engine.store.schema import ALL_TABLES, FURTHER, Column, of_stain

_CHUNK = 65_536
_STORED: dict[str, Any] = {"text": object, "number": "f8", "count": "i8", "truth": "i1"}


def write_table(parent: zarr.Group, name: str, columns: Mapping[str, npt.ArrayLike]) -> None:
    """Write a table, one array a column.

    Parameters
    ----------
    parent
        Group of a run's tables.
    name
        A key of :data:`engine.store.schema.ALL_TABLES`.
    columns
        Column name to values, all of one length. Every column of the schema must be there.

    Raises
    ------
    ValueError
        If a column of the schema is missing or lengths differ.
    """
    missing = [c.name for c in ALL_TABLES[name] if c.name not in columns]
    if missing:
        raise ValueError(f"table {name!r} lacks the columns {missing}")
    lengths = {key: len(np.asarray(values)) for key, values in columns.items()}
    if len(set(lengths.values())) > 1:
        raise ValueError(f"columns of {name!r} must have one length, got {lengths}")
    known = {c.name: c for c in ALL_TABLES[name]}
    order = [*known, *(key for key in columns if key not in known)]
    described = known | {c.name: c for c in FURTHER.get(name, ())}
    group = parent.create_group(name, attributes={"columns": order})
    for key in order:
        _write_column(group, key, np.asarray(columns[key]), described.get(key) or of_stain(key))


def replace_columns(group: zarr.Group, name: str, columns: Mapping[str, npt.ArrayLike]) -> None:
    """Write some columns of a stored table anew, in the place of those that stand.

    Parameters
    ----------
    group
        The table's group.
    name
        The table's name.
    columns
        Column name to values; one that the table does not have is added at its end.

    Raises
    ------
    ValueError
        If a column is not as long as the table.
    """
    known = {c.name: c for c in (*ALL_TABLES[name], *FURTHER.get(name, ()))}
    order: list[str] = list(dict[str, Any](group.attrs)["columns"])
    rows = int(group[order[0]].shape[0])  # type: ignore[union-attr]
    for key, values in columns.items():
        array = np.asarray(values)
        if len(array) != rows:
            raise ValueError(f"column {key!r} of {name!r} must have {rows} rows, got {len(array)}")
        if key in order:
            del group[key]
        else:
            order.append(key)
        _write_column(group, key, array, known.get(key))
    group.attrs["columns"] = order


def _write_column(
    group: zarr.Group, name: str, values: npt.NDArray[Any], column: Column | None
) -> None:
    kind = column.kind if column else _kind_of(values)
    stored: npt.NDArray[Any] = values.astype(_STORED[kind])
    length = max(1, min(_CHUNK, len(stored)))
    array = group.create_array(
        name,
        shape=stored.shape,
        dtype="string" if kind == "text" else stored.dtype,
        chunks=(length,),
        attributes={
            "kind": kind,
            "unit": column.unit if column else "",
            "label": column.label if column else name.replace("_", " "),
        },
        dimension_names=("row",),
    )
    if len(stored):
        array[:] = stored


def _kind_of(values: npt.NDArray[Any]) -> str:
    kinds = {"b": "truth", "i": "count", "u": "count", "f": "number"}
    return kinds.get(values.dtype.kind, "text")


def read_table(group: zarr.Group) -> pd.DataFrame:
    """Read a whole table.

    Counts that could not be had come back as ``pd.NA`` in a nullable integer column, and truths
    in a nullable boolean one; numbers as NaN.
    """
    order: list[str] = list(dict[str, Any](group.attrs)["columns"])
    return pd.DataFrame({name: _read_column(group[name]) for name in order})


def _read_column(array: Any) -> Any:
    kind, values = array.attrs["kind"], array[:]
    if kind == "text":
        return pd.Series(values.astype(object), dtype="str")
    if kind == "number":
        return values
    missing = values < 0
    if kind == "truth":
        return pd.arrays.BooleanArray(values > 0, missing)
    return pd.arrays.IntegerArray(values, missing)


def export_tables(
    tables: Mapping[str, pd.DataFrame], out: Path, file_format: Literal["csv", "parquet"] = "csv"
) -> list[Path]:
    """Write tables as files, one a table; a value that could not be had is empty or null.

    Parameters
    ----------
    tables
        Table name to table.
    out
        Folder, made if missing.
    file_format
        ``csv`` (UTF-8, 9 significant digits) or ``parquet``.

    Returns
    -------
    list of Path
        The files written.
    """
    out.mkdir(parents=True, exist_ok=True)
    written = []
    for name, table in tables.items():
        path = out / f"{name}.{file_format}"
        if file_format == "csv":
            table.to_csv(path, index=False, float_format="%.9g")
        else:
            _nulls_for_empty(table).to_parquet(path, index=False)
        written.append(path)
    return written


def _nulls_for_empty(table: pd.DataFrame) -> pd.DataFrame:
    kinds = {
        column.name
        for columns in (*ALL_TABLES.values(), *FURTHER.values())
        for column in columns
        if column.kind == "text"
    }
    changed: dict[str, Any] = {
        name: table[name].replace("", None) for name in kinds if name in table.columns
    }
    return table.assign(**changed)
