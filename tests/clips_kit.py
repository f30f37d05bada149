"""Clips as files, for a folder of the folder kit."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from folder_kit import write_folder


def write_tiff(path: Path, frames: np.ndarray, **options: Any) -> None:
    path.parent.mkdir(exist_ok=True)
    photometric = "rgb" if frames.ndim == 4 else "minisblack"
    tifffile.imwrite(path, frames, photometric=photometric, **options)


def write_mp4(path: Path, frames: np.ndarray, rate: int = 25, whole: bool = True) -> None:
    """H.264 with the index in front, so that a cut file can still be opened."""
    import av

    path.parent.mkdir(exist_ok=True)
    options = {"movflags": "faststart"} if whole else {}
    with av.open(path, "w", options=options) as container:
        stream = container.add_stream("libx264", rate=rate, options={"crf": "6"})
        stream.height, stream.width, stream.pix_fmt = *frames.shape[1:3], "yuv420p"
        for image in frames:
            frame = av.VideoFrame.from_ndarray(image, format="gray")
            for packet in stream.encode(frame):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)


def clips_folder(path: Path, clips: Sequence[dict[str, Any]]) -> Path:
    """A folder with tables of clips; their files are to be written by the caller."""
    write_folder(path, changes={"clips": list(clips)})
    return path
