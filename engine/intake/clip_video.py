"""A clip as MP4, through PyAV, a general reader of moving pictures; frames are its luminance."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.intake.clips import FEWEST_FRAMES, RawClip, check_clip
from engine.intake.report import Refused, shortened

_CHECK_EVERY = 500
_GREY = ("gray", "gray8", "gray10le", "gray12le", "gray16le")


def read_clip_video(path: Path) -> RawClip:
    """Open a clip and decode it once, since only that shows whether it is whole.

    Raises
    ------
    Refused
        If it is no MP4 with a picture, cut short, or changes its size.
    """
    first: _First | None = None
    count = 0
    for frame, stream in _decode(path):
        if first is None:
            first = _look(frame, stream)
        elif (frame.height, frame.width) != first.size:
            found = f"a size of {frame.height} x {frame.width}"
            expected = f"{first.size[0]} x {first.size[1]}, as frame 0 has"
            raise Refused(f"frame {count}", found, expected)
        count += 1
        if count % _CHECK_EVERY == 0:
            check_clip(count, *first.size)
    if first is None or count < first.told:
        told = "" if first is None else f" of {first.told}"
        raise Refused("", f"{count}{told} frames that can be decoded", "a whole MP4")
    check_clip(count, *first.size)

    def frames() -> Iterator[NDArray[Any]]:
        for frame, _ in _decode(path):
            yield np.asarray(frame.to_ndarray(format="gray"))

    shape = (count, *first.size)
    return RawClip(shape, np.dtype(np.uint8), frames, first.rate_Hz, first.colour)


@dataclass(frozen=True)
class _First:
    """What the first frame and its stream tell of all."""

    size: tuple[int, int]
    rate_Hz: float | None
    colour: bool
    told: int


def _look(frame: Any, stream: Any) -> _First:
    rate = float(stream.average_rate) if stream.average_rate else None
    told = int(stream.frames)
    size = (int(frame.height), int(frame.width))
    check_clip(max(told, FEWEST_FRAMES), *size)
    return _First(size, rate, frame.format.name not in _GREY, told)


def _decode(path: Path) -> Iterator[tuple[Any, Any]]:
    """Frames of the first moving picture; errors of the decoder are told as what was found."""
    import av  # a large library that only folders with such a clip need

    try:
        # a name could ask for a device or another machine: the file itself is handed over
        with path.open("rb") as file, av.open(file, format="mp4") as container:
            if not container.streams.video:
                raise Refused("", "no moving picture", "an MP4 with one")
            stream = container.streams.video[0]
            for frame in container.decode(stream):
                yield frame, stream
    except (av.error.FFmpegError, OSError) as error:
        reason = shortened(str(error))
        raise Refused("", f"no readable MP4 ({reason})", "a whole MP4") from None
