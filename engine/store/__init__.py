"""The store: one disc, one Zarr v3 hierarchy, written aside and moved into place."""

from engine.store.curves import StoredCurves
from engine.store.read import DiscStore, StoredSite, open_store
from engine.store.schema import ALL_TABLES, SCHEMA_VERSION, TABLES, Column
from engine.store.write import write_store

__all__ = [
    "ALL_TABLES",
    "SCHEMA_VERSION",
    "TABLES",
    "Column",
    "DiscStore",
    "StoredCurves",
    "StoredSite",
    "open_store",
    "write_store",
]
