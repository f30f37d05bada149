"""Clips in the store: their frames as decoded, one chunk a frame."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import zarr
from zarr.codecs import BloscCodec

from engine.intake import DiscFolder
from engine.intake.clips import RawClip
from engine.intake.manifest import ClipTable

PLACE = "clips"
_FRAMES_A_SHARD = 16


@dataclass(frozen=True)
class StoredClip:
    """One clip.

    Attributes
    ----------
    clip, file, note
        Name, path in the disc folder, free text.
    frames, rows, cols
        Shape.
    pixel_um
        Pixel size; None if it is not known.
    rate_Hz
        Frames a second; None if the file does not say.
    colour
        Whether the file is coloured: then the frames are its luminance.
    """

    clip: str
    file: str
    note: str
    frames: int
    rows: int
    cols: int
    pixel_um: float | None
    rate_Hz: float | None
    colour: bool


def write_clips(root: zarr.Group, folder: DiscFolder) -> None:
    """Write every sound clip of a folder; defects are told to it."""
    if not folder.clips:
        return
    parent = root.create_group(PLACE)
    for table in folder.clips:
        clip = folder.clip(table)
        if clip is not None:
            with folder.report_on(table.file).reading():
                _write(parent.create_group(table.name, attributes=_told(table, clip)), clip)


def _told(table: ClipTable, clip: RawClip) -> dict[str, Any]:
    return {
        "file": table.file,
        "note": table.note or "",
        "pixel_um": table.pixel_size_um,
        "rate_Hz": clip.rate_Hz,
        "colour": clip.colour,
    }


def _write(group: zarr.Group, clip: RawClip) -> None:
    count, rows, cols = clip.shape
    depth = min(_FRAMES_A_SHARD, count)
    array = group.create_array(
        "frames",
        shape=clip.shape,
        dtype=clip.dtype,
        chunks=(1, rows, cols),
        shards=(depth, rows, cols),
        compressors=BloscCodec(cname="zstd", clevel=3, shuffle="bitshuffle"),
        dimension_names=("frame", "y", "x"),
    )
    for start, block in _blocks(clip, depth):
        array[start : start + len(block)] = block


def _blocks(clip: RawClip, depth: int) -> Iterator[tuple[int, np.ndarray[Any, Any]]]:
    """Whole shards of frames: a shard that is written twice is packed twice."""
    held: list[np.ndarray[Any, Any]] = []
    start = 0
    for frame in clip.frames():
        held.append(frame)
        if len(held) == depth:
            yield start, np.stack(held)
            start, held = start + depth, []
    if held:
        yield start, np.stack(held)


def read_clips(root: zarr.Group) -> dict[str, StoredClip]:
    """Read what is known of every clip, by name."""
    if PLACE not in root:
        return {}
    parent: Any = root[PLACE]
    found = {}
    for name in sorted(parent.group_keys()):
        group = parent[name]
        told, shape = dict(group.attrs), group["frames"].shape
        found[name] = StoredClip(name, told.pop("file"), told.pop("note"), *shape, **told)
    return found
