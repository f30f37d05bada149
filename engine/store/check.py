"""Whether a store is what it says: its schema, its NGFF metadata, and every byte if asked."""

import json
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import zarr
from ome_zarr_models.v05 import Image
from ome_zarr_models.v05.image_label import ImageLabel
from ome_zarr_models.v05.labels import Labels
from pydantic import ValidationError

from engine.errors import Defect
from engine.store.labels import LABELS
from engine.store.provenance import HASHES, file_sha256
from engine.store.read import DiscStore, open_store


def check_store(path: Path, *, deep: bool = False) -> list[Defect]:
    """Find everything wrong with a store.

    A chunk that is missing reads as "no datum" without any error, so only ``deep`` finds it.

    Parameters
    ----------
    path
        The store's folder.
    deep
        Compare every stored file with the hash written at import or analysis.

    Returns
    -------
    list of Defect
        Empty where the store is sound.

    Raises
    ------
    SplendensError
        If this is no store at all.
    """
    store = open_store(path)
    defects = [*_check_images(store), *_check_labels(store)]
    roots = [path, *(path / "runs" / run for run in store.runs)]
    for root in roots:
        defects += _check_files(path, root, deep)
    return defects


def _check_images(store: DiscStore) -> Iterator[Defect]:
    places = ["mosaic"] if store.mosaic is not None else []
    places += [f"sites/{s.site}/height" for s in store.sites.values() if s.has_height]
    for place in places:
        problem = ngff_problem(zarr.open_group(store.path / place, mode="r"))
        if problem:
            yield Defect(place, "zarr.json", problem, "OME-NGFF 0.5 multiscale metadata")


def _check_labels(store: DiscStore) -> Iterator[Defect]:
    for run in store.runs:
        place = f"runs/{run}/{LABELS}"
        if not (store.path / place).is_dir():
            continue  # a run of a disc without mosaic, or an older one
        problem = labels_problem(zarr.open_group(store.path / place, mode="r"))
        labels, mosaic = store.labels(run), store.mosaic
        if not problem and (labels is None or mosaic is None):
            problem = "no image that was labelled"
        elif not problem and labels is not None and mosaic is not None:
            shapes = [level.shape for level in labels.levels]
            if shapes != [level.shape[-2:] for level in mosaic.levels]:
                problem = f"levels of {shapes}, unlike the mosaic's"
        if problem:
            yield Defect(place, "zarr.json", problem, "OME-NGFF 0.5 labels of the mosaic")


def labels_problem(group: zarr.Group) -> str:
    """Say what an independent validator finds wrong with a group of label images; else empty."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for name in Labels.from_zarr(group).attributes.ome.labels:
                ImageLabel.from_zarr(group[name])
    except (ValidationError, ValueError, KeyError, TypeError, RuntimeError) as error:
        return str(error).replace("\n", " ")
    return ""


def ngff_problem(group: zarr.Group) -> str:
    """Say what an independent validator finds wrong with a multiscale image; empty if nothing."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            Image.from_zarr(group)
    except (ValidationError, ValueError, KeyError, TypeError) as error:
        return str(error).replace("\n", " ")
    return ""


def _check_files(path: Path, root: Path, deep: bool) -> Iterator[Defect]:
    name = (root / HASHES).relative_to(path).as_posix()
    try:
        hashes: dict[str, Any] = json.loads((root / HASHES).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        yield Defect(name, "", str(error), "hashes of the files beside it")
        return
    for file, expected in hashes.items():
        place = (root / file).relative_to(path).as_posix()
        if not (root / file).is_file():
            yield Defect(place, "", "no file", "a stored file; import or analyse anew")
        elif deep and (found := file_sha256(root / file)) != expected:
            yield Defect(place, "", f"sha256 {found[:12]}…", f"{expected[:12]}…; it was altered")
