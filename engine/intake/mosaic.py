"""The fluorescence mosaic: read by bands of rows, never whole."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.intake.channels import Watch
from engine.intake.limits import MAX_MOSAIC_PIXELS, check_shape
from engine.intake.report import Refused, Report
from engine.intake.tile_map import TileMap

DTYPES = (np.dtype("u1"), np.dtype("u2"), np.dtype("f4"))
AGREE = 0.01
"""Relative difference up to which two pixel sizes agree (the contract's figure)."""
LookAt = Callable[[int, int, NDArray[Any]], None]
"""``look(channel, first, rows)``: rows of a channel as they are read."""
_UNIT_UM = {
    "m": 1e6, "meter": 1e6, "metre": 1e6,
    "cm": 1e4, "centimeter": 1e4,
    "mm": 1e3, "millimeter": 1e3, "millimetre": 1e3,
    "um": 1.0, "µm": 1.0, "μm": 1.0, "micrometer": 1.0, "micrometre": 1.0, "micron": 1.0,
    "nm": 1e-3, "nanometer": 1e-3, "nanometre": 1e-3,
    "angstrom": 1e-4, "Å": 1e-4, "pm": 1e-6, "picometer": 1e-6,
}  # fmt: skip


@dataclass(frozen=True)
class RawMosaic:
    """What a format says of an image.

    Attributes
    ----------
    shape
        (channels, rows, cols).
    dtype
        Stored type, in the machine's byte order.
    rows_at_once
        Number of rows that are cheapest to read together, from a multiple of it on.
    read_rows
        Function of channel, first row and row behind the last: (rows, cols).
    pixel_um
        Pixel size along y and x, where the image tells it.
    """

    shape: tuple[int, int, int]
    dtype: np.dtype[Any]
    rows_at_once: int
    read_rows: Callable[[int, int, int], NDArray[Any]] = field(repr=False)
    pixel_um: tuple[float, float] | None = None


@dataclass(frozen=True)
class MosaicSource:
    """The mosaic, ready to be read.

    Attributes
    ----------
    channels
        Names, one a channel.
    pixel_um
        Pixel size: the manifest's, or the image's own.
    shape
        (channels, rows, cols).
    dtype
        uint8, uint16 or float32.
    rows_at_once
        Number of rows that are cheapest to read together, from a multiple of it on.
    origin_um
        Centre (y, x) of the first pixel in the disc frame: zero by the frame's definition, but for
        tiles, whose nominal positions are the frame.
    tiles
        Where each tile was put, if the mosaic was stitched.
    """

    channels: tuple[str, ...]
    pixel_um: float
    shape: tuple[int, int, int]
    dtype: np.dtype[Any]
    rows_at_once: int
    _raw: RawMosaic = field(repr=False)
    _report: Report = field(repr=False)
    origin_um: tuple[float, float] = (0.0, 0.0)
    tiles: TileMap | None = field(default=None, repr=False)
    _watch: Watch = field(default_factory=Watch, repr=False, compare=False)

    def read_rows(self, channel: int, first: int, stop: int) -> NDArray[Any]:
        """Rows ``first`` to ``stop`` (excluded) of one channel, (stop - first, cols).

        What cannot be decoded is told as a defect of the folder and comes back as zeros.

        Raises
        ------
        IndexError
            If the rows or the channel are not in the image.
        """
        count, rows, cols = self.shape
        if not (0 <= channel < count and 0 <= first <= stop <= rows):
            raise IndexError(f"channel {channel}, rows {first}:{stop} of an image of {self.shape}")
        try:
            part = self._raw.read_rows(channel, first, stop)
            self._look_at(channel, first, part)
            return part
        except Exception as error:  # noqa: BLE001 - decoders raise anything on corrupt bytes
            place = f"channel {channel}"
            if not self._report.tells(place):  # one defect a channel, not one a band
                found = f"rows {first} to {stop - 1} cannot be read ({type(error).__name__})"
                self._report.defect(place, found, "an image that can be decoded")
        return np.zeros((stop - first, cols), self.dtype)

    def check(self, look: LookAt | None = None) -> None:
        """Read every row once and keep nothing.

        What cannot be decoded is told as a defect; a channel that is empty, saturated or nothing
        but NaN as a caution, as whenever a channel is read through from its first row on.

        Parameters
        ----------
        look
            Shown what is read: channel, first row and the rows.
        """
        for channel in range(self.shape[0]):
            for first in range(0, self.shape[1], self.rows_at_once):
                part = self.read_rows(channel, first, min(first + self.rows_at_once, self.shape[1]))
                if look is not None:
                    look(channel, first, part)

    def _look_at(self, channel: int, first: int, part: NDArray[Any]) -> None:
        if self.tiles is None:  # tiles were looked at one by one, before they were blended
            seen = self._watch.see(channel, first, part, self.shape[1])
            if seen is not None:
                seen.tell(self.channels[channel], self._report)


def unit_um(unit: str | None) -> float | None:
    """Micrometres in a unit of length; None for what is no unit of length.

    Examples
    --------
    >>> unit_um("nanometer")
    0.001
    """
    return None if unit is None else _UNIT_UM.get(unit.strip(), _UNIT_UM.get(unit.strip().lower()))


def plane_axes(axes: str, shape: tuple[int, ...], place: str) -> tuple[int | None, int, int]:
    """Positions of the channel, y and x axes once axes of length one are left out.

    Parameters
    ----------
    axes
        One letter an axis: Y, X; C, S, Q or I may be channels.
    shape
        Lengths of the axes.
    place
        Where they stand, for the message.

    Raises
    ------
    Refused
        If another axis is longer than one.
    """
    kept = [(a, i) for i, (a, n) in enumerate(zip(axes, shape, strict=True)) if n > 1 or a in "YX"]
    letters = "".join(a for a, _ in kept)
    if letters == "YX":
        return None, kept[0][1], kept[1][1]
    if len(letters) == 3 and letters[1:] == "YX" and letters[0] in "CSQI":
        return kept[0][1], kept[1][1], kept[2][1]
    if letters == "YXS":
        return kept[2][1], kept[0][1], kept[1][1]
    raise Refused(place, f"the axes {axes} of {shape}", "(y, x) or (channel, y, x)")


def check_image(shape: tuple[int, int, int], dtype: np.dtype[Any], place: str) -> None:
    """Refuse a mosaic of a size or type that cannot be.

    Raises
    ------
    Refused
        With what was found.
    """
    check_shape(place, shape[1:], MAX_MOSAIC_PIXELS, "pixels")
    if dtype.newbyteorder("=") not in DTYPES:
        raise Refused(place, f"the type {dtype}", "uint8, uint16 or float32")


def mosaic_source(
    raw: RawMosaic,
    channels: tuple[str, ...] | None,
    pixel_size_um: float | None,
    pixel_given: bool,
    manifest: Report,
    report: Report,
) -> MosaicSource | None:
    """Join an image with what the manifest says of it; None, with the defects told, if they differ.

    Parameters
    ----------
    raw
        The image.
    channels, pixel_size_um
        The manifest's; None where absent or wrong there.
    pixel_given
        Whether the manifest gives a pixel size, right or wrong.
    manifest, report
        Take the defects: of the manifest, of the image.
    """
    pixel = _pixel(raw, pixel_size_um, pixel_given, manifest, report)
    count = raw.shape[0]
    if channels is not None and len(channels) != count:
        manifest.defect(
            "[mosaic] channels",
            f"{len(channels)} name(s) for {count} channel(s) in {report.file}",
            "one name a channel",
        )
        return None
    if channels is None or pixel is None:
        return None
    return MosaicSource(channels, pixel, raw.shape, raw.dtype, raw.rows_at_once, raw, report)


def _pixel(
    raw: RawMosaic, given_um: float | None, given: bool, manifest: Report, report: Report
) -> float | None:
    if raw.pixel_um is None:
        if not given:
            manifest.defect(
                "[mosaic] pixel_size_um", "nothing, nor in the image", "a number, micrometres"
            )
        return given_um
    y_um, x_um = raw.pixel_um
    if abs(y_um / x_um - 1) > AGREE:
        report.defect("pixel size", f"{x_um:g} um by {y_um:g} um", "square pixels within 1 %")
        return None
    own = math.sqrt(y_um * x_um)
    if given_um is not None and abs(own / given_um - 1) > AGREE:
        manifest.defect(
            "[mosaic] pixel_size_um",
            f"{given_um:g} um, but {own:g} um in {report.file}",
            "the same within 1 %",
        )
        return None
    return given_um if given_um is not None else (None if given else own)


MosaicReader = Callable[[Path, Report], RawMosaic]
