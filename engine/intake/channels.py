"""What is odd about a channel of the mosaic as a whole: empty, saturated, nothing but NaN."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.intake.report import Report

SATURATED_MIN = 1e-3
"""Share of pixels at the top of the range from which on it is worth a caution; a convention."""
_CAMERA_BITS = (8, 10, 12, 14, 16)


@dataclass
class Seen:
    """Values of a channel, seen part by part.

    Attributes
    ----------
    low, high
        Lowest and highest value so far.
    pixels
        Number of pixels, without NaN.
    at_top
        How many of them stand at the highest value.
    """

    low: float = np.inf
    high: float = -np.inf
    pixels: int = 0
    at_top: int = 0

    def add(self, part: NDArray[Any]) -> None:
        """Take in some more pixels."""
        values = part[~np.isnan(part)] if part.dtype.kind == "f" else part
        if not values.size:
            return
        high = float(values.max())
        if high >= self.high:
            before = self.at_top if high == self.high else 0
            self.at_top = before + int(np.count_nonzero(values == high))
            self.high = high
        self.low = min(self.low, float(values.min()))
        self.pixels += int(values.size)

    @property
    def constant(self) -> bool:
        """Whether only one value was seen."""
        return self.low == self.high

    def tell(self, channel: str, report: Report) -> None:
        """Tell what is odd as cautions of the mosaic."""
        if not self.pixels:
            report.caution("mosaic_all_nan", f"Channel {channel} of the mosaic is all NaN.")
        elif self.constant:
            report.caution(
                "mosaic_channel_empty",
                f"Channel {channel} of the mosaic is empty: every pixel is {self.high:g}.",
            )
        elif self._saturated():
            report.caution(
                "mosaic_saturated",
                f"Channel {channel} of the mosaic is saturated: {self.at_top / self.pixels:.1%} of "
                f"the pixels looked at stand at {self.high:g}, the top of the range.",
            )

    def _saturated(self) -> bool:
        tops = {float(2**bits - 1) for bits in _CAMERA_BITS}
        return self.high in tops and self.at_top >= SATURATED_MIN * self.pixels


@dataclass
class Watch:
    """Looks on while a mosaic is read from its first row to its last, channel by channel."""

    _seen: dict[int, tuple[Seen, int]] = field(default_factory=dict)

    def see(self, channel: int, first: int, part: NDArray[Any], rows: int) -> Seen | None:
        """Look at rows that were read; all that was seen, once the channel is through.

        Parameters
        ----------
        channel
            Its number.
        first
            The first of the rows.
        part
            (n, cols) pixels.
        rows
            Rows of the whole image.
        """
        seen, expected = self._seen.get(channel, (Seen(), 0))
        if first == 0:
            seen, expected = Seen(), 0
        if first != expected:
            return None
        seen.add(part)
        self._seen[channel] = (seen, first + len(part))
        return seen if first + len(part) == rows else None
