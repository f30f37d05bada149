"""Clips of a hand-held endoscope: frames of one size, grey, in the order they were taken.

One file a format; a reader is a function of a path and gives a `RawClip` or raises.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.intake import limits
from engine.intake.paths import inside
from engine.intake.report import Refused, Report, shown

MAX_FRAMES = 20_000
"""Most frames of a clip."""
MAX_FRAME_PIXELS = 2**24
"""Most pixels of a frame."""
MAX_CLIP_VALUES = 2**31
"""Most pixels of a clip."""
FEWEST_FRAMES = 2
SMALLEST_SIDE = 32
"""Frames with a shorter side cannot be joined; a convention."""
DEPTHS = ("uint8", "uint16")
LUMINANCE = np.array([0.299, 0.587, 0.114])
"""Weights of red, green and blue in a grey picture (ITU-R BT.601)."""


@dataclass(frozen=True)
class RawClip:
    """A clip as handed over.

    Attributes
    ----------
    shape
        (frames, rows, cols).
    dtype
        uint8 or uint16.
    frames
        Gives the frames anew, one after the other; refuses where one cannot be decoded.
    rate_Hz
        Frames a second; None where the file does not say.
    colour
        Whether the file is coloured: then frames are its luminance.
    """

    shape: tuple[int, int, int]
    dtype: np.dtype[Any]
    frames: Callable[[], Iterator[NDArray[Any]]]
    rate_Hz: float | None
    colour: bool

    def check(self) -> None:
        """Decode every frame and keep none.

        Raises
        ------
        Refused
            If one cannot be decoded.
        """
        for _ in self.frames():
            pass


def read_clip(root: Path, file: str, place: str, manifest: Report) -> RawClip | None:
    """Open a clip of a folder; None, with the defects told, if it is wrong.

    Parameters
    ----------
    root
        The disc folder.
    file
        Path as written.
    place
        Where it is written.
    manifest
        Takes the defects of ``disc.toml``; those of the clip are told beside them.
    """
    # imported here, since the readers need the class above
    from engine.intake.clip_tiff import read_clip_tiff
    from engine.intake.clip_video import read_clip_video

    path = None
    with manifest.reading():
        path = inside(root, f"{place} file", file)
    if path is None:
        return None
    readers = {".tif": read_clip_tiff, ".tiff": read_clip_tiff, ".mp4": read_clip_video}
    report = manifest.beside(file)
    with report.reading():
        reader = readers.get(path.suffix.lower())
        if reader is None:
            raise Refused("", f"the suffix {shown(path.suffix)}", "one of " + ", ".join(readers))
        return reader(path)
    return None


def check_clip(frames: int, rows: int, cols: int) -> None:
    """Refuse sizes that cannot be, or of which nothing can be made.

    Raises
    ------
    Refused
        With what was found.
    """
    if frames < FEWEST_FRAMES:
        raise Refused("", f"{frames} frame", f"at least {FEWEST_FRAMES}")
    if min(rows, cols) < SMALLEST_SIDE:
        raise Refused(
            "frame 0", f"a size of {rows} x {cols}", f"sides of {SMALLEST_SIDE} pixels or more"
        )
    limits.check_shape("frames", (frames,), MAX_FRAMES, "frames")
    limits.check_shape("frame 0", (rows, cols), MAX_FRAME_PIXELS, "pixels")
    limits.check_shape("frames", (frames, rows, cols), MAX_CLIP_VALUES, "pixels")
